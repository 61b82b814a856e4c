"""The layout on each cloth as a page: what to cut where, as a person sees the right side with its grain running up."""

from collections.abc import Iterator, Sequence

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import polylabel

from flatmeasure.display.page import LETTER_WIDTH, Line, Page, Words
from flatmeasure.enough.boards import Board
from flatmeasure.enough.layouts import Layout
from flatmeasure.enough.parts import Stance
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel_parts import polygons
from flatmeasure.units import MM_PER_INCH, LengthUnit, format_length

RIGHT, UP = np.array([1.0, 0.0]), np.array([0.0, 1.0])
CLOTH_GREY, OUTSIDE_GREY = 0.88, 0.55
LETTER_SHARE, SMALLEST_SHARE = 0.024, 0.013  # of the cloth's longer side
MARGIN_LETTERS = 3.0
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
    corner = np.array([left, low - 2.0 * margin])
    marks += _scale_bar(corner + letter * UP, letter, unit)
    marks += _cloth_grain(np.array([left - 0.55 * margin, (low + high) / 2.0]), letter)
    title = f"{board.label}: right side, grain up" + ("; both layers together" if board.layers == 2 else "")
    marks.append(Words(np.array([(left + right) / 2.0, high + 0.5 * margin]), title, letter))
    top = np.array([right + margin, high + margin])
    return Page(f"Layout on {board.label}", corner - [margin, 0.0], top, tuple(marks))


def _cloth(board: Board, coverage: float, letter: float) -> Iterator[Line]:
    yield Line(_rings(board.cloth), 0.09 * letter, fill=CLOTH_GREY)
    for part in polygons(board.cloth):
        for ring in part.interiors:
            yield from _hatching(Polygon(ring), letter)
    usable = board.cloth.buffer(-coverage * board.u_mm)
    if coverage * board.u_mm > 0.05 and not usable.is_empty:
        yield Line(_rings(usable), 0.05 * letter, grey=0.35, dash_mm=(0.12 * letter, 0.3 * letter))


def _hatching(hole: Polygon, letter: float) -> Iterator[Line]:
    """Slanted lines in a hole or flaw: nothing is cut there."""
    left, low, right, high = hole.bounds
    for start in np.arange(left - (high - low), right, 0.7 * letter):
        band = box(start, low, start + 0.05 * letter, high)
        slanted = affinity.skew(band, xs=45.0, origin=(start, low)).intersection(hole)
        if not slanted.is_empty:
            yield Line(_rings(slanted), 0.0, fill=OUTSIDE_GREY)


def _pieces(layout: Layout, index: int, letter: float) -> Iterator[Line | Words]:
    for i in layout.places.placed:
        if layout.places.board[i] != index:
            continue
        stance, at = layout.parts[i].stances[layout.places.stance[i]], layout.places.at_mm[i]
        shape = stance.laid(at)
        yield Line(_rings(shape), 0.13 * letter, fill=1.0)
        stitching = stance.stitched(at)
        if not stitching.equals_exact(shape, 0.01):
            yield Line(_rings(stitching), 0.06 * letter, grey=0.25, dash_mm=(0.6 * letter, 0.35 * letter))
        yield from _name_and_grain(layout.parts[i].name, stance, stitching, letter)


def _name_and_grain(name: str, stance: Stance, shape: Polygon, letter: float) -> Iterator[Line | Words]:
    """The piece's name in its middle and beside it an arrow to its top, both inside."""
    middle = _name_place(shape)
    words = name.replace(", ", ",\n").split("\n") if ", " in name else [name]
    widest = max(len(word) for word in words)
    inside = [_room(shape, middle, np.array(axis)) for axis in ([1.0, 0.0], [0.0, 1.0])]
    upright = inside[1] > 1.5 * inside[0] and inside[0] < 1.1 * letter * LETTER_WIDTH * widest
    room = inside[1] if upright else inside[0]
    size = float(np.clip(0.85 * room / (LETTER_WIDTH * widest), SMALLEST_SHARE / LETTER_SHARE * letter, letter))
    step = np.array([1.25 * size, 0.0]) if upright else np.array([0.0, -1.25 * size])
    for k, word in enumerate(words):
        yield Words(middle + (k - (len(words) - 1) / 2.0) * step, word, size, 90.0 if upright else 0.0)
    box_mm = np.array([LETTER_WIDTH * size * widest, 1.25 * size * len(words)])
    yield from _arrow(shape, middle, np.radians(90.0 + stance.turn_deg), box_mm[::-1] if upright else box_mm, letter)


def _name_place(shape: Polygon) -> Points:
    """The centre of area where it lies well inside, else the middle of the widest part."""
    widest, centre = polylabel(shape, 2.0), shape.centroid
    well = shape.contains(centre) and centre.distance(shape.exterior) > 0.8 * widest.distance(shape.exterior)
    return np.asarray((centre if well else widest).coords[0])


def _arrow(shape: Polygon, middle: Points, angle: float, name_mm: Points, letter: float) -> Iterator[Line]:
    """An arrow along the piece's grain, beside its name (a box of a size) or, where that is too narrow, beyond it."""
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    beside, beyond = (float(np.abs(axis) @ name_mm / 2.0 + 0.8 * letter) for axis in (across, along))
    places = [middle + sign * beside * across for sign in (1.0, -1.0)]
    places += [middle + sign * (beyond + 2.0 * letter) * along for sign in (-1.0, 1.0)]
    sides = [0.5 * sign * letter * across for sign in (1.0, -1.0)]  # its head keeps clear of the outline
    rooms = [0.75 * min(9.0 * letter, *(_room(shape, at + side, along) for side in sides)) for at in places]
    rooms[2:] = [min(room, 3.6 * letter) for room in rooms[2:]]
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


def _cloth_grain(at: Points, letter: float) -> Iterator[Line]:
    """A long arrow with two heads beside the cloth."""
    ends = np.array([at - 5.0 * letter * UP, at + 5.0 * letter * UP])
    yield Line((ends,), 0.08 * letter, closed=False)
    for end, sign in zip(ends, (-1.0, 1.0), strict=True):
        head = end - np.array([[0.0, 0.0], [0.35, sign * 0.9], [-0.35, sign * 0.9]]) * letter
        yield Line((head,), 0.03 * letter, fill=0.0)


def _scale_bar(at: Points, letter: float, unit: LengthUnit) -> Iterator[Line | Words]:
    bars = [bar * MM_PER_INCH for bar in BARS_IN] if unit is LengthUnit.IN else BARS_MM
    length = next((bar for bar in bars if bar <= 16.0 * letter), bars[-1])
    ends = np.array([at, at + length * RIGHT])
    yield Line((ends,), 0.1 * letter, closed=False)
    for end in ends:
        yield Line((np.array([end - 0.4 * letter * UP, end + 0.4 * letter * UP]),), 0.1 * letter, closed=False)
    words = format_length(length, unit)
    yield Words(at + (length + letter * (1.3 + LETTER_WIDTH * len(words) / 2.0)) * RIGHT, words, letter)


def _rings(shape: BaseGeometry) -> tuple[Points, ...]:
    return tuple(np.asarray(ring.coords[:-1]) for part in polygons(shape) for ring in [part.exterior, *part.interiors])
