"""The photo with what was measured drawn over it, for a person to check at a glance, also on a phone.

Every line is light inside a dark casing, so that it shows on any cloth, in grey and to every eye; colours only help.
"""

import math
import textwrap
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.display.labels import Colour, Label, draw_labels, draw_text, place_labels, text_width
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, Pixels
from flatmeasure.results.measurement import Edge, Measurement, Piece
from flatmeasure.units import LengthUnit, format_length, format_quantity, mm_per_unit
from flatmeasure.view.rectification import Rectification

LONG_SIDE_PX = 1600
MARGIN_CLOTH = (0.2, 0.09)  # across and down, of the part with cloth: room for labels
MARGIN_REFERENCE = (0.05, 0.05)
TEXT_PX, SMALL_PX = 31, 24
LONGEST_WORD = 25  # letters; a longer file name is broken
OUTLINE: Colour = (255, 224, 92)
REFERENCE: Colour = (130, 205, 255)
CASING: Colour = (16, 16, 20)
WHITE: Colour = (255, 255, 255)
CARD = 1.5  # a printed square's card, about, as a multiple of the square
PLACES_FOR_NAME = 60  # tried within a piece
FRACTIONS = (0.5, 0.38, 0.62, 0.26, 0.74)  # along an edge, where its label may stand
COST_CLOTH, COST_LINE, COST_CORNER, COST_REFERENCE, COST_CARD, COST_FLAW = 0.8, 60.0, 30.0, 8.0, 0.5, 20.0
DASH_PX, GAP_PX = 18.0, 12.0
FINE_DASH_PX, FINE_GAP_PX = 7.0, 8.0  # of a suspected flaw's outline
SUBPIXEL_BITS = 4


@dataclass(frozen=True)
class _Frame:
    """The part of the photo that is shown, and how large."""

    left_px: int
    top_px: int
    width_px: int
    height_px: int
    scale: float

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the drawing."""
        return max(1, round(self.width_px * self.scale)), max(1, round(self.height_px * self.scale))

    def shown(self, points_px: Points) -> Points:
        """Points of the photo in the drawing; pixel centres at whole numbers in both."""
        return (points_px - (self.left_px, self.top_px) + 0.5) * self.scale - 0.5

    def in_photo(self, points: Points) -> Points:
        """The way back."""
        return (points + 0.5) / self.scale - 0.5 + (self.left_px, self.top_px)


@dataclass(frozen=True, eq=False)
class _ScaleBar:
    """A known length on the mat: its start, middle and end (3, 2) in the drawing."""

    length_mm: float
    points: Points

    def box(self, width: int, height: int) -> tuple[int, int, int, int]:
        """Left, top, right, bottom of the bar and the text above it."""
        left, right = int(self.points[0, 0]) - 8, int(self.points[2, 0]) + 8
        top, bottom = int(self.points[:, 1].min()) - TEXT_PX - 18, int(self.points[:, 1].max()) + 10
        return max(left, 0), max(top, 0), min(right, width), min(bottom, height)


def draw_overlay(photo: Photo, measurement: Measurement, unit: LengthUnit = LengthUnit.MM) -> Pixels:
    """Draw a measurement over its photo.

    Parameters
    ----------
    photo : Photo
    measurement : Measurement
        Of this photo.
    unit : LengthUnit
        For lengths, areas and the scale bar.

    Returns
    -------
    (h, w, 3) uint8 RGB array
        The part of the photo with cloth and references, 1600 px on its longer side, and a strip of explanation below.
    """
    frame = _frame(photo, measurement)
    picture = _calmed(photo, measurement, frame)
    cost = np.zeros(picture.shape[:2], np.float32)
    labels = _draw_references(picture, cost, measurement.rectification, frame, unit)
    for piece in measurement.pieces:
        _draw_piece(picture, cost, piece, frame)
    bar = _scale_bar(cost, measurement.rectification, frame, unit)
    if bar is not None:
        _draw_scale_bar(picture, cost, bar, unit)
    names = [_piece_label(piece, frame, unit) for piece in measurement.pieces]
    edges = [_edge_label(edge, frame, unit) for piece in measurement.pieces for edge in piece.edges]
    edges.sort(key=lambda label: float(np.ptp(label.anchors_px, axis=0).sum()))  # the short ones have least choice
    flaws = [label for piece in measurement.pieces for label in _flaw_labels(piece, frame)]
    draw_labels(picture, place_labels([*edges, *names, *flaws, *labels], cost))
    return np.vstack([picture, _legend(measurement, picture.shape[1])])


def _frame(photo: Photo, measurement: Measurement) -> _Frame:
    cloth = np.concatenate([piece.outline_px for piece in measurement.pieces])
    references = [placed.reference.corners_px for placed in measurement.rectification.laid]
    margin = float(np.max(np.ptp(cloth, axis=0)))
    boxes = [_padded(cloth, margin, MARGIN_CLOTH)]
    boxes += [_padded(corners, margin, MARGIN_REFERENCE) for corners in references]
    low = np.min([box[0] for box in boxes], axis=0)
    high = np.max([box[1] for box in boxes], axis=0)
    limits = np.array([photo.width_px, photo.height_px])
    left, top = (int(v) for v in np.clip(np.floor(low), 0, limits - 1))
    right, bottom = (int(v) for v in np.clip(np.ceil(high), (left + 1, top + 1), limits))
    width, height = right - left, bottom - top
    return _Frame(left, top, width, height, LONG_SIDE_PX / max(width, height))


def _padded(points: Points, size: float, margin: tuple[float, float]) -> tuple[Points, Points]:
    room = size * np.array(margin)
    return points.min(axis=0) - room, points.max(axis=0) + room


def _calmed(photo: Photo, measurement: Measurement, frame: _Frame) -> Pixels:
    """The photo, paler in colour, and darker where no cloth was found."""
    rows = slice(frame.top_px, frame.top_px + frame.height_px)
    columns = slice(frame.left_px, frame.left_px + frame.width_px)
    method = cv2.INTER_AREA if frame.scale < 1.0 else cv2.INTER_LINEAR
    picture = cv2.resize(photo.rgb[rows, columns], frame.size, interpolation=method)
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)[:, :, None]
    cloth = np.zeros(picture.shape[:2], np.uint8)
    for piece in measurement.pieces:
        _fill(cloth, [piece.outline_px, *piece.holes_px], frame, 1)
    light = np.where(cloth[:, :, None] > 0, np.float32(0.95), np.float32(0.72))
    return np.asarray((0.6 * picture + 0.4 * grey) * light, dtype=np.float32).astype(np.uint8)


def _fill(mask: NDArray[np.uint8] | NDArray[np.float32], loops: list[Points], frame: _Frame, value: float) -> None:
    cv2.fillPoly(mask, [np.rint(frame.shown(loop)).astype(np.int32) for loop in loops], (value,))


def _draw_line(picture: Pixels, points: Points, colour: Colour, *, closed: bool = False, thickness: int = 3) -> None:
    fixed = [np.rint(points * 2**SUBPIXEL_BITS).astype(np.int32).reshape(-1, 1, 2)]
    for tint, width in ((CASING, thickness + 4), (colour, thickness)):
        cv2.polylines(picture, fixed, closed, tint, width, cv2.LINE_AA, SUBPIXEL_BITS)


def _draw_edge(picture: Pixels, points: Points, unsure: NDArray[np.bool_]) -> None:
    """An edge, dashed where its place is unsure: between points both of which are."""
    dashed = unsure[:-1] & unsure[1:]
    bounds = [0, *(np.flatnonzero(np.diff(dashed)) + 1).tolist(), len(dashed)]
    for first, last in pairwise(bounds):
        draw = _draw_dashed if dashed[first] else _draw_line
        draw(picture, points[first : last + 1], OUTLINE)


def _draw_dashed(picture: Pixels, points: Points, colour: Colour, *, finely: bool = False) -> None:
    dash_px, gap_px, thickness = (FINE_DASH_PX, FINE_GAP_PX, 2) if finely else (DASH_PX, GAP_PX, 3)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    for start in np.arange(0.0, along[-1], dash_px + gap_px):
        at = np.linspace(start, min(start + dash_px, along[-1]), 6)
        dash = np.column_stack([np.interp(at, along, points[:, axis]) for axis in (0, 1)])
        _draw_line(picture, dash, colour, thickness=thickness)


def _draw_piece(picture: Pixels, cost: NDArray[np.float32], piece: Piece, frame: _Frame) -> None:
    _fill(cost, [piece.outline_px, *piece.holes_px], frame, COST_CLOTH)
    for hole in piece.holes_px:
        _draw_line(picture, frame.shown(hole), OUTLINE, closed=True, thickness=2)
    for edge in piece.edges:
        _draw_edge(picture, frame.shown(edge.points_px), edge.unsure)
    outline = np.rint(frame.shown(piece.outline_px)).astype(np.int32)
    cv2.polylines(cost, [outline], True, (COST_LINE,), 9)
    for flaw in piece.flaws:
        _draw_dashed(picture, frame.shown(flaw.outline_px[np.r_[: len(flaw.outline_px), 0]]), WHITE, finely=True)
        _fill(cost, [flaw.outline_px], frame, COST_FLAW)
    for number, corner in enumerate(piece.corners, start=1):
        _draw_corner(picture, cost, frame.shown(corner.at_px), _inward(piece, number - 1), str(number))


def _inward(piece: Piece, index: int) -> Points:
    """Unit direction from a corner into the cloth, half-way between its two edges."""
    before, after = piece.edges[index - 1].points_px, piece.edges[index].points_px
    ahead, back = (_unit(line[min(3, len(line) - 1)] - line[0]) for line in (after, before[::-1]))
    outward = np.array([-ahead[1], ahead[0]]) - np.array([-back[1], back[0]])
    return -_unit(outward)


def _unit(vector: Points) -> Points:
    return vector / max(float(np.linalg.norm(vector)), 1e-9)


def _draw_corner(picture: Pixels, cost: NDArray[np.float32], at: Points, inward: Points, name: str) -> None:
    centre = (round(at[0]), round(at[1]))
    cv2.circle(picture, centre, 8, CASING, -1, cv2.LINE_AA)
    cv2.circle(picture, centre, 5, WHITE, -1, cv2.LINE_AA)
    cv2.circle(cost, centre, 10, (COST_CORNER,), -1)
    x, y = at + inward * 26.0
    left, baseline = round(x) - 6 * len(name), round(y) + 8
    for dx, dy in ((-2, 0), (2, 0), (0, -2), (0, 2), (-1, -1), (1, 1), (-1, 1), (1, -1)):
        draw_text(picture, name, left + dx, baseline + dy, SMALL_PX, CASING)
    draw_text(picture, name, left, baseline, SMALL_PX, WHITE)
    cv2.circle(cost, (round(x), round(y)), 12, (COST_CORNER,), -1)


def _draw_references(
    picture: Pixels, cost: NDArray[np.float32], view: Rectification, frame: _Frame, unit: LengthUnit
) -> list[Label]:
    labels = []
    for placed in view.laid:
        corners = frame.shown(placed.reference.corners_px)
        _draw_line(picture, corners, REFERENCE, closed=True)
        centre_px = placed.reference.corners_px.mean(axis=0)
        _fill(cost, [centre_px + CARD * (placed.reference.corners_px - centre_px)], frame, COST_CARD)
        _fill(cost, [placed.reference.corners_px], frame, COST_REFERENCE)
        width_mm, height_mm = placed.reference.size_mm
        size = format_length(width_mm, unit)
        if width_mm != height_mm:
            size = f"{size} × {format_length(height_mm, unit)}"
        middles = (corners + np.roll(corners, -1, axis=0)) / 2.0
        away = np.array([_unit(middle - corners.mean(axis=0)) for middle in middles])
        lowest_first = np.argsort(-away[:, 1])
        labels.append(Label((size,), SMALL_PX, middles[lowest_first], away[lowest_first]))
    return labels


def _edge_label(edge: Edge, frame: _Frame, unit: LengthUnit) -> Label:
    line = frame.shown(edge.points_px)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])

    def at(fraction: float) -> Points:
        return np.array([np.interp(fraction * along[-1], along, line[:, axis]) for axis in (0, 1)])

    anchors = np.array([at(fraction) for fraction in FRACTIONS])
    ahead = [_unit(at(fraction + 0.05) - at(fraction - 0.05)) for fraction in FRACTIONS]
    outward = np.array([[-d[1], d[0]] for d in ahead])  # outlines run against the clock as seen
    sides = np.concatenate([outward, -outward])  # within the cloth rather than across a neighbour
    return Label((f"{edge.id}  {format_quantity(edge.length, unit)}",), TEXT_PX, np.tile(anchors, (2, 1)), sides)


def _piece_label(piece: Piece, frame: _Frame, unit: LengthUnit) -> Label:
    """Name and area, where the cloth is broad."""
    width, height = frame.size
    mask = np.zeros((height + 2, width + 2), np.uint8)  # a dark rim: the picture's frame counts as an edge
    _fill(mask[1:-1, 1:-1], [piece.outline_px, *piece.holes_px], frame, 255)
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 5)[::4, ::4]
    rows, columns = np.nonzero(depth > 0.5 * depth.max())
    deepest = np.argsort(-depth[rows, columns], kind="stable")
    few = deepest[:: max(1, len(deepest) // PLACES_FOR_NAME)]
    anchors = 4.0 * np.column_stack([columns[few], rows[few]]).astype(np.float64) - 1.0
    lines = [piece.id, format_quantity(piece.area, unit)]
    if not piece.complete:
        lines.append("only the part seen")
    angles = np.arange(8.0)[:, None] * np.pi / 4.0  # beside the piece, if it is too small
    sides = np.concatenate([np.zeros_like(anchors), np.hstack([np.cos(angles), np.sin(angles)])])
    return Label(tuple(lines), TEXT_PX, np.concatenate([anchors, np.tile(anchors[:1], (8, 1))]), sides)


def _flaw_labels(piece: Piece, frame: _Frame) -> list[Label]:
    """Number and kind beside each suspected flaw: above, below, or at a side."""
    labels = []
    for number, flaw in enumerate(piece.flaws, start=1):
        low, high = (reduced(frame.shown(flaw.outline_px), axis=0) for reduced in (np.min, np.max))
        middle = (low + high) / 2.0
        anchors = np.array([[middle[0], low[1]], [middle[0], high[1]], [high[0], middle[1]], [low[0], middle[1]]])
        away = np.array([[0.0, -1.0], [0.0, 1.0], [1.0, 0.0], [-1.0, 0.0]])
        labels.append(Label((f"{number} {flaw.kind}?",), SMALL_PX, anchors, away))
    return labels


def _scale_bar(cost: NDArray[np.float32], view: Rectification, frame: _Frame, unit: LengthUnit) -> _ScaleBar | None:
    """A bar of round length lying on the mat, level in the picture, in the emptiest of its corners."""
    width, height = frame.size
    middle = frame.in_photo(np.array([[width / 2.0, height / 2.0]]))
    length_mm = _round_length(0.18 * width / frame.scale * float(view.mm_per_px(middle)[0]), unit)
    halves_mm = np.array([[0.0], [0.5], [1.0]]) * length_mm
    found: list[tuple[float, _ScaleBar]] = []
    for x, y in ((0.03, 0.95), (0.75, 0.95), (0.03, 0.08), (0.75, 0.08)):
        level = np.array([x * width, y * height]) + np.array([[0.0, 0.0], [50.0, 0.0]])
        start_mm, along_mm = view.to_mat(frame.in_photo(level))
        points = frame.shown(view.to_picture(start_mm + halves_mm * _unit(along_mm - start_mm)))
        if np.isfinite(points).all() and points[2, 0] < width:
            bar = _ScaleBar(length_mm, points)
            left, top, right, bottom = bar.box(width, height)
            found.append((float(cost[top:bottom, left:right].sum()), bar))
    return min(found, key=lambda candidate: candidate[0])[1] if found else None


def _draw_scale_bar(picture: Pixels, cost: NDArray[np.float32], bar: _ScaleBar, unit: LengthUnit) -> None:
    _draw_line(picture, bar.points, WHITE, thickness=8)
    _draw_half(picture, bar.points[1:])
    text = format_length(bar.length_mm, unit)
    left, top, right, bottom = bar.box(picture.shape[1], picture.shape[0])
    draw_text(picture, text, left + 10, top + TEXT_PX + 2, TEXT_PX, CASING)
    draw_text(picture, text, left + 8, top + TEXT_PX, TEXT_PX, WHITE)
    cost[top:bottom, left:right] += COST_LINE


def _draw_half(picture: Pixels, half: Points) -> None:
    """The bar's second half, dark inside, so that it can be halved by eye."""
    start, end = (tuple(round(c) for c in point) for point in half)
    cv2.line(picture, start, end, CASING, 4, cv2.LINE_AA)


def _round_length(target_mm: float, unit: LengthUnit) -> float:
    """The longest of 1, 2, 5 times a power of ten of the unit that is not above the target, in mm."""
    target = target_mm / mm_per_unit(unit)
    power = 10.0 ** math.floor(math.log10(target))
    return max(step for step in (1.0, 2.0, 5.0) if step * power <= target * (1 + 1e-9)) * power * mm_per_unit(unit)


def _legend(measurement: Measurement, width: int) -> Pixels:
    lines = [f"{measurement.photo.name}: ± holds the true value in about 95 of 100 cases."]
    if any(np.any(edge.unsure) for piece in measurement.pieces for edge in piece.edges):
        lines[0] += " Dashed: the cloth hardly shows against the ground, less sure."
    if any(piece.flaws for piece in measurement.pieces):
        lines[0] += " Finely dashed, with a question mark: perhaps a flaw."
    lines += [f"Note: {note.message} {note.advice}" for note in measurement.warnings]
    rows = [row for line in lines for row in _wrapped(line, width - 2 * SMALL_PX)]
    step = round(1.4 * SMALL_PX)
    strip = np.full((step * len(rows) + SMALL_PX, width, 3), CASING, np.uint8)
    for number, row in enumerate(rows, start=1):
        draw_text(strip, row, SMALL_PX, number * step, SMALL_PX, WHITE)
    return strip


def _wrapped(line: str, most_px: int) -> list[str]:
    """A line of small text in rows no longer than said."""
    rows = [""]
    for word in (part for whole in line.split() for part in textwrap.wrap(whole, LONGEST_WORD)):
        longer = f"{rows[-1]} {word}".strip()
        if rows[-1] and text_width(longer, SMALL_PX) > most_px:
            rows.append(word)
        else:
            rows[-1] = longer
    return rows
