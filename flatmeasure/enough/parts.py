"""Pieces to place and where they are placed: what the search works on.

The *board frame* of a cloth is turned so that its grain runs up; a part's reference is the middle of its outline's box.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel_parts import polygons

SIMPLER_MM = 0.1  # outlines are thinned by this before the search; pieces only grow by it, cloth only shrinks
ROUNDING_MM = 1e-9
SMALLEST_HOLE_MM2 = 400.0  # of a piece's holes: no other piece is laid in smaller ones, no flaw is left there


@dataclass(frozen=True, eq=False)
class Stance:
    """A way a part may lie.

    Attributes
    ----------
    turn_deg : float
        Counter-clockwise from the piece as drawn with its grain up.
    mirrored : bool
        Turned over before the turn.
    exact : Polygon
        The cut outline, its reference at the origin.
    stitching : Polygon
        The finished outline inside it.
    outline : Polygon
        The cut outline with fewer vertices and nowhere smaller; grown by half the clearance. It keeps its larger holes.
    """

    turn_deg: float
    mirrored: bool
    exact: Polygon
    stitching: Polygon
    outline: Polygon

    @cached_property
    def half_size_mm(self) -> Points:
        """(2,) half width and half height of the outline's box."""
        return np.asarray(self.outline.bounds[2:], dtype=np.float64)

    def laid(self, at_mm: Points) -> Polygon:
        """The cut outline with its reference at a place of the board."""
        return shapely.transform(self.exact, lambda xy: xy + at_mm)

    def stitched(self, at_mm: Points) -> Polygon:
        """The finished outline likewise."""
        return shapely.transform(self.stitching, lambda xy: xy + at_mm)


@dataclass(frozen=True, eq=False)
class Part:
    """A piece to place, once.

    Attributes
    ----------
    name : str
    stances : tuple of Stance
        The preferred ones first; parts of one kind share them.
    value : float
        What it is worth when not all can be placed.
    choices : tuple of tuple of int
        By board, the stances it may have there; none where it may not be cut.
    further : tuple of tuple of int
        The same with those added that are tried when the others are not enough: tilted within the grain's tolerance.
    tilt_deg : float
        By which it may be turned off any of its stances in ``choices``.
    kind : str
        Name of the pattern piece it is a copy of.
    copy : int
        Which copy, from 1 on.
    hands : tuple of bool
        Of the pieces it gives, whether each is the mirror image; two where layers are cut together.
    """

    name: str
    stances: tuple[Stance, ...]
    value: float
    choices: tuple[tuple[int, ...], ...]
    further: tuple[tuple[int, ...], ...]
    tilt_deg: float = 0.0
    kind: str = ""
    copy: int = 1
    hands: tuple[bool, ...] = (False,)

    def loosened(self) -> "Part":
        """The part with all its stances."""
        return replace(self, choices=self.further)

    @property
    def area_mm2(self) -> float:
        """Of the cut outline."""
        return float(self.stances[0].exact.area)

    @property
    def boards(self) -> tuple[int, ...]:
        """Boards it may be cut from."""
        return tuple(board for board, stances in enumerate(self.choices) if stances)


@dataclass(frozen=True, eq=False)
class Places:
    """Where parts lie.

    Attributes
    ----------
    board, stance : (N,) int array
        By part; board -1 where it is not placed.
    at_mm : (N, 2) array
    """

    board: NDArray[np.intp]
    stance: NDArray[np.intp]
    at_mm: Points

    @property
    def placed(self) -> NDArray[np.intp]:
        """Indices of the parts that are placed."""
        return np.flatnonzero(self.board >= 0)

    @staticmethod
    def none(count: int) -> "Places":
        """Nothing placed yet."""
        return Places(np.full(count, -1), np.zeros(count, dtype=np.intp), np.zeros((count, 2)))

    def copy(self) -> "Places":
        """A copy to change."""
        return Places(self.board.copy(), self.stance.copy(), self.at_mm.copy())


def make_stance(
    cut: Polygon, turn_deg: float, mirrored: bool = False, clearance_mm: float = 0.0, stitching: Polygon | None = None
) -> Stance:
    """A stance of a piece drawn with its grain up; without a stitching line the cut outline is also that."""
    exact, inner = (_turned(shape, turn_deg, mirrored) for shape in (cut, stitching or cut))
    wider = _outer(exact, clearance_mm / 2.0)
    left, low, right, high = wider.bounds
    middle = np.array([(left + right) / 2.0, (low + high) / 2.0])
    exact, inner, wider = (shapely.transform(shape, lambda xy: xy - middle) for shape in (exact, inner, wider))
    return Stance(turn_deg, mirrored, exact, inner, wider)


def _turned(shape: Polygon, turn_deg: float, mirrored: bool) -> Polygon:
    seen = affinity.scale(shape, -1.0, 1.0, origin=(0, 0)) if mirrored else shape
    return affinity.rotate(seen, turn_deg, origin=(0, 0))


def _outer(shape: Polygon, grow_mm: float) -> Polygon:
    """A shape with few vertices that holds the given one and all within ``grow_mm`` of it; small holes are filled."""
    holes = [ring for ring in shape.interiors if Polygon(ring).area > SMALLEST_HOLE_MM2]
    filled = Polygon(shape.exterior, holes)
    thin = polygons(filled.simplify(SIMPLER_MM))[0]
    off = float(shapely.hausdorff_distance(filled.boundary, thin.boundary))
    if grow_mm + off < ROUNDING_MM:  # of a buffer as thin as rounding nothing may be left (seen with GEOS 3.14)
        return filled
    return polygons(thin.buffer(grow_mm + off, join_style="mitre", mitre_limit=3.0))[0]


def inner_cloth(cloth: BaseGeometry, shrink_mm: float) -> BaseGeometry:
    """Cloth that lies at least ``shrink_mm`` inside every edge, hole and flaw, with few vertices."""
    if not shrink_mm and not _is_dense(cloth):
        return cloth
    shrunk = cloth.buffer(-shrink_mm - SIMPLER_MM, join_style="mitre", mitre_limit=2.0)  # no arcs: few vertices
    return shrunk.simplify(SIMPLER_MM)


def outer_cloth(cloth: BaseGeometry, grow_mm: float) -> BaseGeometry:
    """A shape with few vertices that holds the cloth and all within ``grow_mm`` of it."""
    round_out = 1.0 / np.cos(np.pi / 8.0)  # two chords a quarter lie inside the arc
    return cloth.buffer(grow_mm * round_out + SIMPLER_MM, quad_segs=2).simplify(SIMPLER_MM)


def _is_dense(cloth: BaseGeometry) -> bool:
    return len(shapely.get_coordinates(cloth)) > len(shapely.get_coordinates(cloth.simplify(SIMPLER_MM)))
