"""The layout on each cloth as a page: what to cut where, as a person sees the right side with its grain running up."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil
from textwrap import wrap

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import polylabel

from flatmeasure.display.page import LETTER_WIDTH, Line, Page, Words, pages_pdf
from flatmeasure.enough.boards import Board
from flatmeasure.enough.layouts import Layout
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel_parts import polygons
from flatmeasure.units import MM_PER_INCH, LengthUnit, format_length

CAUTION = (
    "Printed at 100 %, the bar is as long as it says: check it with a ruler before you cut.",
    "Blades are sharp: cut away from yourself, keep fingers off the line, and close the blade when you put it down.",
)
RIGHT, UP = np.array([1.0, 0.0]), np.array([0.0, 1.0])
CLOTH_GREY, OUTSIDE_GREY = 0.88, 0.55
LETTER_SHARE, SMALLEST_SHARE = 0.024, 0.008  # of the cloth's longer side
MARGIN_LETTERS = 3.0
ROW = 1.25  # height of a row, in letters
CUT_LINE, SEWING_LINE, SURE_LINE = 0.13, 0.06, 0.05  # widths, in letters
SEWING_DASHES, SURE_DASHES = (0.6, 0.35), (0.12, 0.3)  # line and gap, in letters
NAME_ROWS = (2, 3, 4)
TURNED_GAIN = 1.5  # a name is turned where its letters become so much larger
BEYOND_LETTERS = (2.0, 1.0)  # where the middle of an arrow lies beyond a name
LEVEL_DEG = 1.0  # words that run down by no more are read from the left all the same
SHOWN_MM = 0.05  # less of the cloth's uncertainty is not drawn
LARGEST_CAUTION_MM = 6.0
BARS_MM = (500.0, 200.0, 100.0, 50.0, 20.0)
BARS_IN = (18.0, 6.0, 4.0, 2.0, 1.0)


def layout_pages(layout: Layout, boards: Sequence[Board], coverage: float, unit: LengthUnit) -> tuple[Page, ...]:
    """A page for each board that has pieces on it.

    Parameters
    ----------
    layout : Layout
    boards : sequence of Board
        The layout's.
    coverage : float
        Standard uncertainties by which the cloth counts smaller; that edge is dotted.
    unit : LengthUnit
        Of the scale bar.
    """
    used = [int(k) for k in np.unique(layout.places.board[layout.places.placed])]
    return tuple(_page(layout, k, boards[k], coverage, unit) for k in used)


def _page(layout: Layout, index: int, board: Board, coverage: float, unit: LengthUnit) -> Page:
    left, low, right, high = board.cloth.bounds
    letter = LETTER_SHARE * max(right - left, high - low)
    margin = MARGIN_LETTERS * letter
    marks = [*_cloth(board, coverage, letter), *_pieces(layout, index, letter)]
    corner = np.array([left, low - 3.5 * margin])
    marks += scale_bar(np.array([left, low - margin]), letter, unit)
    stances = [layout.parts[i].stances[0] for i in np.flatnonzero(layout.places.board == index)]
    sewn = not all(same_line(stance.exact, stance.stitching) for stance in stances)
    marks += _legend(np.array([left, low - 1.7 * margin]), sewn, coverage * board.u_mm, letter)
    marks += _cloth_grain(np.array([left - 0.55 * margin, (low + high) / 2.0]), letter)
    title = f"{board.label}: right side, grain up" + ("; both layers together" if board.layers == 2 else "")
    marks.append(Words(np.array([(left + right) / 2.0, high + 0.5 * margin]), title, letter))
    top = np.array([right + margin, high + margin])
    return Page(f"Layout on {board.label}", corner - [margin, 0.0], top, tuple(marks))


def cutting_pdf(pages: Sequence[Page], title: str) -> bytes:
    """Pages at true scale to cut by, with a word of caution below each."""
    return pages_pdf([_cautioned(page) for page in pages], title)


def _cautioned(page: Page) -> Page:
    width = float(page.high_mm[0] - page.low_mm[0])
    size = min(width * 0.96 / (LETTER_WIDTH * max(len(line) for line in CAUTION)), LARGEST_CAUTION_MM)
    rows = [page.low_mm[1] - (1.0 + 1.5 * k) * size for k in range(len(CAUTION))]
    lines = [left_words(page.low_mm[0] + 0.02 * width, y, text, size) for y, text in zip(rows, CAUTION, strict=True)]
    return replace(page, low_mm=np.array([page.low_mm[0], rows[-1] - size]), marks=(*page.marks, *lines))


def left_words(x: float, y: float, text: str, size_mm: float) -> Words:
    """A text that begins at a place."""
    return Words(np.array([x, y]), text, size_mm, from_left=True)


def _legend(at: Points, sewn: bool, unsure_mm: float, letter: float) -> Iterator[Line | Words]:
    """What the lines mean, a row each."""
    kinds: list[tuple[str, float, tuple[float, ...]]] = [("cut", CUT_LINE, ())]
    if sewn:
        kinds.append(("sew", SEWING_LINE, SEWING_DASHES))
    if unsure_mm > SHOWN_MM:
        kinds.append(("this much of the cloth is sure", SURE_LINE, SURE_DASHES))
    for k, (text, width, dashes) in enumerate(kinds):
        here = at - 1.6 * k * letter * UP
        ends = np.array([here, here + 3.0 * letter * RIGHT])
        yield Line((ends,), width * letter, dash_mm=tuple(one * letter for one in dashes), closed=False)
        yield left_words(here[0] + 3.6 * letter, here[1], text, 0.8 * letter)


def _cloth(board: Board, coverage: float, letter: float) -> Iterator[Line]:
    yield Line(rings(board.cloth), 0.09 * letter, fill=CLOTH_GREY)
    for part in polygons(board.cloth):
        for ring in part.interiors:
            yield from _hatching(Polygon(ring), letter)
    usable = board.cloth.buffer(-coverage * board.u_mm)
    if coverage * board.u_mm > SHOWN_MM and not usable.is_empty:
        yield Line(rings(usable), SURE_LINE * letter, grey=0.2, dash_mm=tuple(one * letter for one in SURE_DASHES))


def _hatching(hole: Polygon, letter: float) -> Iterator[Line]:
    """Slanted lines in a hole or flaw: nothing is cut there."""
    left, low, right, high = hole.bounds
    for start in np.arange(left - (high - low), right, 0.7 * letter):
        band = box(start, low, start + 0.05 * letter, high)
        slanted = affinity.skew(band, xs=45.0, origin=(start, low)).intersection(hole)
        if not slanted.is_empty:
            yield Line(rings(slanted), 0.0, fill=OUTSIDE_GREY)


def _pieces(layout: Layout, index: int, letter: float) -> Iterator[Line | Words]:
    for i in layout.places.placed:
        if layout.places.board[i] != index:
            continue
        stance, at = layout.parts[i].stances[layout.places.stance[i]], layout.places.at_mm[i]
        shape = stance.laid(at)
        yield from outlines(shape, stance.stitched(at), letter)
        yield from name_and_grain(layout.parts[i].name, stance.turn_deg, stance.stitched(at), letter)


def outlines(cut: Polygon, sewn: Polygon, letter: float) -> Iterator[Line]:
    """A piece's cut line, and its sewing line where that is another."""
    yield Line(rings(cut), CUT_LINE * letter, fill=1.0)
    if not same_line(cut, sewn):
        yield Line(rings(sewn), SEWING_LINE * letter, grey=0.25, dash_mm=tuple(one * letter for one in SEWING_DASHES))


def same_line(cut: Polygon, sewn: Polygon) -> bool:
    """Whether a piece has no allowance."""
    return bool(sewn.equals_exact(cut, 0.01))


def name_and_grain(name: str, turn_deg: float, shape: Polygon, letter: float) -> Iterator[Line | Words]:
    """The piece's name in its middle and beside it an arrow to its top, both inside."""
    middle = _name_place(shape)
    fit, words, angle_deg = _best_fitting(name, shape, middle, letter)
    size = max(fit, SMALLEST_SHARE / LETTER_SHARE * letter)
    down = ROW * size * _direction(angle_deg - 90.0)
    for k, word in enumerate(words):
        yield Words(middle + (k - (len(words) - 1) / 2.0) * down, word, size, angle_deg)
    yield from _arrow(shape, middle, 90.0 + turn_deg, _Box(angle_deg, _half_mm(words, size)), letter)


def _best_fitting(name: str, shape: Polygon, middle: Points, letter: float) -> tuple[float, list[str], float]:
    """Letter size, rows and direction of a name: level where it fits so, else the way the piece is longest."""
    sides = np.diff(shapely.get_coordinates(shape.minimum_rotated_rectangle)[:3], axis=0)
    longer = sides[int(np.argmax(np.hypot(*sides.T)))]
    slant_deg = float(np.degrees(np.arctan2(longer[1], longer[0])))
    slant_deg += 180.0 * ((slant_deg <= -90.0 + LEVEL_DEG) - (slant_deg > 90.0 + LEVEL_DEG))  # read from below or right
    rim = shapely.get_coordinates(shapely.segmentize(shape.boundary, letter / 4.0)) - middle
    found: list[tuple[float, list[str], float]] = []
    for angle_deg in (0.0, 90.0, slant_deg):
        turned = np.abs(rim @ np.column_stack([_direction(angle_deg), _direction(angle_deg + 90.0)]))
        found += [(min(_fitting(words, turned), letter), words, angle_deg) for words in _in_rows(name)]
    return max(found, key=lambda one: one[0] * (TURNED_GAIN if one[2] == 0.0 else 1.0))  # the first of the best


def _direction(angle_deg: float) -> Points:
    return np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])


def _in_rows(name: str) -> list[list[str]]:
    """A name in one row, broken at its commas, and in so many rows of like length; a copy's number never alone."""
    broken = name.replace(", ", ",\n").split("\n")
    wrapped = [wrap(name, ceil(len(name) / rows) + 2, break_long_words=False) for rows in NAME_ROWS]
    return [[name], broken, *(rows for rows in wrapped if not rows[-1].isdigit())]


def _fitting(words: list[str], rim: Points) -> float:
    """The letter size at which rows stay inside a rim (N, 2), along and across them from their middle."""
    return 0.85 * float(np.min(np.max(rim / _half_mm(words, 1.0), axis=1)))


def _half_mm(words: list[str], size: float) -> Points:
    """Half the length and the height of rows."""
    return size * np.array([LETTER_WIDTH * max(map(len, words)), ROW * len(words)]) / 2.0


def _name_place(shape: Polygon) -> Points:
    """The centre of area where it lies well inside, else the middle of the widest part."""
    widest, centre = polylabel(shape, 2.0), shape.centroid
    well = shape.contains(centre) and centre.distance(shape.exterior) > 0.8 * widest.distance(shape.exterior)
    return np.asarray((centre if well else widest).coords[0])


@dataclass(frozen=True, eq=False)
class _Box:
    """What a name takes: half its length and height, and the direction it runs."""

    angle_deg: float
    half_mm: Points

    def reach(self, axis: Points) -> float:
        """From its middle along an axis."""
        sides = np.array([_direction(self.angle_deg), _direction(self.angle_deg + 90.0)])
        return float(np.abs(sides @ axis) @ self.half_mm)


def _arrow(shape: Polygon, middle: Points, angle_deg: float, name: _Box, letter: float) -> Iterator[Line]:
    """An arrow along the piece's grain, beside its name or, where that is too narrow, beyond it."""
    along, across = _direction(angle_deg), _direction(angle_deg + 90.0)
    beside, beyond = (name.reach(axis) + 0.8 * letter for axis in (across, along))
    places = [middle + sign * beside * across for sign in (1.0, -1.0)]
    places += [middle + sign * (beyond + far * letter) * along for far in BEYOND_LETTERS for sign in (-1.0, 1.0)]
    sides = [0.5 * sign * letter * across for sign in (1.0, -1.0)]  # its head keeps clear of the outline
    rooms = [0.75 * min(9.0 * letter, *(_room(shape, at + side, along) for side in sides)) for at in places]
    rooms[2:] = [
        min(room, 1.8 * far * letter) for room, far in zip(rooms[2:], np.repeat(BEYOND_LETTERS, 2), strict=True)
    ]
    chosen = int(np.argmax(rooms))
    if rooms[chosen] < letter:
        return
    tail, tip = (places[chosen] + sign * rooms[chosen] / 2.0 * along for sign in (-1.0, 1.0))
    back = tip - 0.6 * letter * along
    yield Line((np.array([tail, tip]),), 0.07 * letter, closed=False)
    head = np.array([tip, back + 0.25 * letter * across, back - 0.25 * letter * across])
    yield Line((head,), 0.03 * letter, fill=0.0)


def _room(shape: Polygon, at: Points, axis: Points) -> float:
    """Length of the straight line through a place, centred on it, that stays in a shape."""
    rays = []
    for sign in (1.0, -1.0):
        ends = np.array([at, at + sign * 1e4 * axis])
        hits = shape.exterior.intersection(LineString(ends))
        rays.append(hits.distance(Point(at)) if not hits.is_empty else 0.0)
    return 2.0 * min(rays) if shape.contains(Point(at)) else 0.0


def _cloth_grain(at: Points, letter: float) -> Iterator[Line | Words]:
    """A long arrow with two heads beside the cloth."""
    yield Words(at + 7.0 * letter * UP, "grain", 0.8 * letter, 90.0)
    ends = np.array([at - 5.0 * letter * UP, at + 5.0 * letter * UP])
    yield Line((ends,), 0.08 * letter, closed=False)
    for end, sign in zip(ends, (-1.0, 1.0), strict=True):
        head = end - np.array([[0.0, 0.0], [0.35, sign * 0.9], [-0.35, sign * 0.9]]) * letter
        yield Line((head,), 0.03 * letter, fill=0.0)


def scale_bar(at: Points, letter: float, unit: LengthUnit) -> Iterator[Line | Words]:
    """A bar of a round length, its left end at a place."""
    bars = [bar * MM_PER_INCH for bar in BARS_IN] if unit is LengthUnit.IN else BARS_MM
    length = next((bar for bar in bars if bar <= 16.0 * letter), bars[-1])
    ends = np.array([at, at + length * RIGHT])
    yield Line((ends,), 0.1 * letter, closed=False)
    for end in ends:
        yield Line((np.array([end - 0.4 * letter * UP, end + 0.4 * letter * UP]),), 0.1 * letter, closed=False)
    words = format_length(length, unit)
    yield left_words(at[0] + length + letter, at[1], words, letter)


def rings(shape: BaseGeometry) -> tuple[Points, ...]:
    """Outlines and holes of a shape."""
    return tuple(np.asarray(ring.coords[:-1]) for part in polygons(shape) for ring in [part.exterior, *part.interiors])
