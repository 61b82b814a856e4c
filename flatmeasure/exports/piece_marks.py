"""What is drawn of a piece, in millimetres: cut line, stitching line, grain arrow, notches and words."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from shapely.geometry import LineString, Point

from flatmeasure.errors import PieceUnreadable
from flatmeasure.exports.cut_piece import CutPiece
from flatmeasure.exports.lettering import Lettering, letter_size, piece_letters
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.allowance import SeamEdge, apply_allowance, changed_panel
from flatmeasure.pieces.panel import Panel
from flatmeasure.units import LengthUnit

NOTCH_MM = 5.0  # deep; pattern notches are 3 to 10 mm (common practice)
SAME_MM = 1e-6
HEAD_SHARE = 0.8  # of the letter height: an arrow head's length
SEAM_REACH = 4.0  # a seam's line is carried on to the cut edge over at most so many allowances


class Group(StrEnum):
    """The groups or layers of a drawing."""

    OUTLINE = "outline"
    CUTOUTS = "cutouts"
    STITCHING = "stitching line"
    GRAIN = "grain"
    NOTCHES = "notches"
    LABELS = "labels"


# Line width and dashes in mm: told apart by stroke alone, on a grey print too.
STROKES: dict[Group, tuple[float, tuple[float, ...]]] = {
    Group.OUTLINE: (0.5, ()),
    Group.CUTOUTS: (0.5, ()),
    Group.STITCHING: (0.3, (4.0, 2.0)),
    Group.GRAIN: (0.3, ()),
    Group.NOTCHES: (0.5, ()),
}


@dataclass(frozen=True, eq=False)
class Stroke:
    """A drawn line.

    Attributes
    ----------
    group : Group
    lines_mm : tuple of (K, 2) array
        Each begins where the one before ends; corners lie between them.
    closed : bool
        Whether the last ends where the first begins.
    """

    group: Group
    lines_mm: tuple[Points, ...]
    closed: bool = False


@dataclass(frozen=True, eq=False)
class PieceMarks:
    """All that is drawn of a piece, in its panel's frame.

    Attributes
    ----------
    piece : CutPiece
    cut : Panel
        With its outline along the cut line.
    strokes : tuple of Stroke
    letters : tuple of Lettering
    """

    piece: CutPiece
    cut: Panel
    strokes: tuple[Stroke, ...]
    letters: tuple[Lettering, ...]

    @property
    def low_mm(self) -> Points:
        """Lower left corner of what is drawn."""
        return np.asarray(self._corners().min(axis=0))

    @property
    def high_mm(self) -> Points:
        """Upper right corner of what is drawn."""
        return np.asarray(self._corners().max(axis=0))

    def of(self, group: Group) -> tuple[Stroke, ...]:
        """The strokes of a group."""
        return tuple(stroke for stroke in self.strokes if stroke.group is group)

    def _corners(self) -> Points:
        lines = [line for stroke in self.strokes for line in stroke.lines_mm]
        return np.concatenate([*lines, *(letters.box() for letters in self.letters)])


def piece_marks(piece: CutPiece, unit: LengthUnit) -> PieceMarks:
    """What is drawn of a piece; ``unit`` is that of the words.

    Raises
    ------
    PieceUnreadable
        Its allowances leave no piece.
    """
    panel = piece.panel
    inward = {edge: mm for edge, mm in piece.allowances_mm.items() if mm > 0.0}
    outward = {edge: mm for edge, mm in piece.allowances_mm.items() if mm < 0.0}
    try:
        cut = _cut(panel, outward) if outward else panel
        seams = _stitching(panel, inward, piece)
    except ValueError as error:
        raise PieceUnreadable(f"Piece {piece.title}: {error}. Note other allowances.") from error
    notches = _notches(piece, cut, seams)
    strokes = [Stroke(Group.OUTLINE, tuple(cut.edge_points(edge) for edge in cut.edges), closed=True)]
    strokes += [Stroke(Group.CUTOUTS, (np.vstack([hole, hole[:1]]),), closed=True) for hole in cut.holes_mm]
    strokes += [Stroke(Group.STITCHING, (line,)) for seam in seams.values() for line in seam.lines_mm]
    strokes += [Stroke(Group.NOTCHES, (line,)) for line in notches]
    arrow, letters = piece_letters(piece, cut, seams, notches, unit)
    strokes += [Stroke(Group.GRAIN, (line,)) for line in _arrow(arrow, letter_size(cut))]
    return PieceMarks(piece, cut, tuple(strokes), letters)


def shelves(boxes_mm: Sequence[tuple[Points, Points]], gap_mm: float, widest_mm: float) -> tuple[list[Points], Points]:
    """Boxes side by side in rows.

    Parameters
    ----------
    boxes_mm : sequence of ((2,) array, (2,) array)
        Lower left and upper right corner of each.
    gap_mm : float
        Between boxes and round all.
    widest_mm : float
        Of a row of more than one.

    Returns
    -------
    list of (2,) array, (2,) array
        How far each box moves; and the size of the whole, whose lower left corner is at the origin.
    """
    places: list[Points] = []
    left = row = gap_mm
    reached = np.zeros(2)
    for low, high in boxes_mm:
        width, height = high - low
        if left > gap_mm and left + width + gap_mm > widest_mm:
            left, row = gap_mm, float(reached[1]) + gap_mm
        places.append(np.array([left, row]) - low)
        reached = np.maximum(reached, [left + width, row + height])
        left += width + gap_mm
    return places, reached + gap_mm


def _cut(panel: Panel, outward: dict[str, float]) -> Panel:
    """A panel with its outline along the cut line, its edges meeting where their lines do."""
    edges = apply_allowance(panel, outward).edges
    lines = [edge.lines_mm[0] for edge in edges if len(edge.lines_mm) == 1]
    ends = [line[-1] - following[0] for line, following in zip(lines, lines[1:] + lines[:1], strict=True)]
    if len(lines) < len(edges) or max(float(np.hypot(*gap)) for gap in ends) > SAME_MM:
        return changed_panel(panel, outward)  # a line is interrupted, or rounded off at a sharp corner
    firsts = np.cumsum([0, *[len(line) - 1 for line in lines]])
    return replace(
        panel,
        outline_mm=np.concatenate([line[:-1] for line in lines]),
        edges=tuple(
            replace(old, first=int(first), last=int(last % firsts[-1]), length=edge.new_length)
            for old, edge, first, last in zip(panel.edges, edges, firsts[:-1], firsts[1:], strict=True)
        ),
    )


def _stitching(panel: Panel, inward: dict[str, float], piece: CutPiece) -> dict[str, SeamEdge]:
    """Every edge that has an allowance, with its stitching line."""
    if not piece.allowances_mm:
        return {}
    seams = {edge.id: edge for edge in apply_allowance(panel, inward).edges}
    return {edge: seams[edge] for edge in piece.allowances_mm}


def _notches(piece: CutPiece, cut: Panel, seams: dict[str, SeamEdge]) -> list[Points]:
    """Short lines from the cut edge inward: the wanted ones, and where two seams' lines, carried on, meet it."""
    ring = cut.outer.exterior
    notches = []
    for edge, places in piece.notches_mm.items():
        line = LineString(piece.panel.edge_points(piece.panel.edge(edge)))
        for place in places:
            here, back, on = (
                np.asarray(line.interpolate(at).coords[0]) for at in (place, max(place - 0.1, 0.0), place + 0.1)
            )
            along = (on - back) / np.hypot(*(on - back))
            left = np.array([-along[1], along[0]])
            at = np.asarray(ring.interpolate(ring.project(Point(here))).coords[0])
            notches.append(np.array([at, at + NOTCH_MM * left]))
    edges = piece.panel.edges
    for before, after in zip(edges, [*edges[1:], edges[0]], strict=True):
        if before is after or not all(one.id in seams and seams[one.id].lines_mm for one in (before, after)):
            continue
        far = SEAM_REACH * max(abs(piece.allowances_mm[edge.id]) for edge in (before, after))
        notches += _carried_on(seams[before.id].lines_mm[-1][-2:], ring, far)
        notches += _carried_on(seams[after.id].lines_mm[0][1::-1], ring, far)
    return notches


def _carried_on(last_two: Points, ring: LineString, far_mm: float) -> list[Points]:
    """A notch where a line, carried on past its end, meets the cut edge."""
    end = last_two[1]
    along = (end - last_two[0]) / np.hypot(*(end - last_two[0]))
    met = LineString([end, end + far_mm * along]).intersection(ring)
    if met.is_empty:
        return []
    at = np.asarray(min(_coordinates(met), key=lambda point: float(np.hypot(*(point - end)))))
    deep = min(NOTCH_MM, 0.6 * float(np.hypot(*(at - end))))
    return [np.array([at, at - deep * along])] if deep > 0.5 else []


def _coordinates(shape: object) -> list[Points]:
    parts = getattr(shape, "geoms", [shape])
    return [np.asarray(point) for part in parts for point in part.coords]


def _arrow(line: Points | None, letter_mm: float) -> list[Points]:
    """A line with a head at both ends."""
    if line is None:
        return []
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0])) * HEAD_SHARE * letter_mm
    across = np.array([-along[1], along[0]]) / 2.0
    heads = [
        np.array([end - way * along + across, end, end - way * along - across])
        for end, way in ((line[0], -1.0), (line[1], 1.0))
    ]
    return [line, *heads]
