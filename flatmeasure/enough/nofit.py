"""Where one shape may stand beside another, or inside one: exact no-fit and inner-fit regions.

With its turn fixed, a piece is a point: its reference. The *no-fit region* of two pieces holds the references at which
they overlap (Minkowski sum of the one with the other turned by 180 degrees; Art 1966). The *inner-fit region* holds the
references at which a piece lies in the cloth. The distance of a reference from these regions' boundaries is the exact
gap between two pieces, or the piece's margin to the cloth's edge, whatever their shapes.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
import pyclipper
import shapely
from numpy.typing import NDArray
from shapely import affinity, unary_union
from shapely.geometry import LinearRing, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from flatmeasure.enough.parts import Stance
from flatmeasure.photos.camera import Points

PER_MM = 1e5  # pyclipper counts whole numbers
CRUMB_MM2 = 1e-3  # overlaps below this are rounding
TOUCHING_MM = 1e-7
KEPT = 300  # regions, for the next search: most of its pieces are the same
STEP_MM = 1e-5  # beyond a boundary that a point is carried to


@dataclass(frozen=True, eq=False)
class FreeRegion:
    """References that are allowed, with their boundary.

    Attributes
    ----------
    area : geometry
        The no-fit or the inner-fit region.
    is_nofit : bool
        Whether what lies inside ``area`` is forbidden.
    """

    area: BaseGeometry
    is_nofit: bool

    @cached_property
    def segments(self) -> NDArray[np.float64]:
        """(S, 2, 2) boundary segments with the free side on their right."""
        rings = [
            np.asarray(ring.coords)[:: 1 if self.is_nofit else -1]
            for part in _parts(self.area)
            for ring in _rings(part)
        ]
        parts = [np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings]
        found = np.concatenate(parts) if parts else np.zeros((0, 2, 2))
        return found[np.any(found[:, 0] != found[:, 1], axis=1)]

    def is_free(self, point: Points) -> bool:
        """Whether a reference (2,) is allowed."""
        here = shapely.Point(point)
        return not self.area.contains(here) if self.is_nofit else bool(self.area.covers(here))

    def gap(self, point: Points) -> float:
        """Distance (mm) of a reference from the boundary, negative where it is not allowed."""
        away = shapely.Point(point).distance(shapely.multilinestrings(self.segments))
        return float(away) if self.is_free(point) else -float(away)


@lru_cache(KEPT)
def nofit_region(fixed: Polygon, moving: Polygon) -> FreeRegion:
    """References of ``moving`` at which it overlaps ``fixed``; either may lie in a hole of the other.

    Parameters
    ----------
    fixed, moving : Polygon
        In coordinates of their own references.
    """
    swept = _swept(moving, fixed)
    filled = unary_union([Polygon(part.exterior) for part in _parts(swept)])
    hollows = [hollow for hollow in _parts(filled.difference(swept)) if hollow.area > CRUMB_MM2]
    free = [hollow for hollow in hollows if _laid_in(moving, hollow).intersection(fixed).area < CRUMB_MM2]
    return FreeRegion(filled.difference(unary_union(free)), True)


@lru_cache(KEPT)
def innerfit_region(cloth: BaseGeometry, piece: Polygon) -> FreeRegion:
    """References at which ``piece`` lies in ``cloth`` (both may have holes, the cloth parts); may be empty.

    A reference is the middle of its piece's box: it may lie beside the cloth, but not beside the cloth's box.
    """
    rooms = _parts(cloth.envelope.difference(_swept(piece, cloth)))
    kept = [room for room in rooms if _laid_in(piece, room).difference(cloth).area < CRUMB_MM2]
    return FreeRegion(unary_union(kept), False)


@dataclass(frozen=True, eq=False)
class Regions:
    """No-fit and inner-fit regions of stances, made when first asked for."""

    boards: Sequence[BaseGeometry]
    _nofit: dict[tuple[Stance, Stance], FreeRegion] = field(default_factory=dict)
    _innerfit: dict[tuple[int, Stance], FreeRegion] = field(default_factory=dict)

    def on(self, boards: Sequence[BaseGeometry]) -> "Regions":
        """Regions of the same parts on other boards."""
        return Regions(boards, self._nofit)

    def between(self, fixed: Stance, moving: Stance) -> FreeRegion:
        """References of ``moving``, seen from ``fixed``'s, at which they overlap."""
        key = (fixed, moving)
        if key not in self._nofit:
            self._nofit[key] = nofit_region(fixed.outline, moving.outline)
        return self._nofit[key]

    def within(self, board: int, stance: Stance) -> FreeRegion:
        """References at which a stance lies on a board."""
        key = (board, stance)
        if key not in self._innerfit:
            self._innerfit[key] = innerfit_region(self.boards[board], stance.outline)
        return self._innerfit[key]


def _parts(region: BaseGeometry) -> list[Polygon]:
    """Polygons of a region, however small, outlines counter-clockwise."""
    return [orient(part) for part in shapely.get_parts(region) if isinstance(part, Polygon) and not part.is_empty]


def _laid_in(piece: Polygon, room: Polygon) -> Polygon:
    """The piece with its reference somewhere in a room in which its outline meets no other."""
    at = room.representative_point()
    return affinity.translate(piece, at.x, at.y)


def _swept(piece: Polygon, shape: BaseGeometry) -> BaseGeometry:
    """References at which an outline or hole of a piece meets one of a shape."""
    rings = [ring for part in _parts(shape) for ring in _rings(part)]
    return unary_union([_meeting(own, ring) for own in _rings(piece) for ring in rings])


def _rings(part: Polygon) -> list[LinearRing]:
    return [part.exterior, *part.interiors]


def _meeting(own: LinearRing, ring: LinearRing) -> BaseGeometry:
    pattern, path = (np.round(np.asarray(one.coords[:-1]) * PER_MM).astype(np.int64) for one in (own, ring))
    rings = pyclipper.MinkowskiSum((-pattern).tolist(), path.tolist(), True)
    shapes = [(Polygon(np.asarray(one) / PER_MM), pyclipper.Orientation(one)) for one in rings if len(one) > 2]
    covered = [shapely.make_valid(shape) for shape, outer in shapes if outer]
    open_ = [shapely.make_valid(shape) for shape, outer in shapes if not outer]
    return unary_union(covered).difference(unary_union(open_))


def free_halfplanes(region: FreeRegion, point: Points, reach_mm: float) -> tuple[Points, NDArray[np.float64]]:
    """A convex part of the free references round a point, as half-planes n . x >= c.

    The nearest bit of boundary gives a half-plane with the point on its free side; boundary beyond it is cut away; the
    nearest bit that is left gives the next one, until nothing is left within reach. So within ``reach_mm`` of the point
    every reference in all half-planes is free. A point that is not free is first carried to the nearest boundary, and
    the reach is counted from there to as far from the point as before.

    Returns
    -------
    (K, 2) normals, (K,) offsets
    """
    segments = region.segments
    base = np.asarray(point, dtype=np.float64)
    if not region.is_free(base):
        base = _carried_out(segments, base)
        reach_mm += float(np.hypot(*(base - point)))
    normals, offsets = [], []
    nearest = _nearest(segments, base)
    near = np.hypot(*(nearest - base).T) <= reach_mm
    segments, nearest = segments[near], nearest[near]
    while len(segments):
        away = np.hypot(*(nearest - base).T)
        first = int(np.argmin(away))
        normal = _free_normals(segments[first : first + 1])[0]
        if away[first] > 2.0 * STEP_MM:
            normal = (base - nearest[first]) / away[first]
        offset = float(normal @ nearest[first])
        normals.append(normal)
        offsets.append(offset)
        others = np.arange(len(segments)) != first
        segments = _beyond(segments[others], normal, offset)
        nearest = _nearest(segments, base)
    return np.array(normals).reshape(-1, 2), np.array(offsets)


def _carried_out(segments: NDArray[np.float64], point: Points) -> Points:
    """A free point just beyond the nearest boundary; at a corner, on the way between its two sides' normals."""
    nearest = _nearest(segments, point)
    away = np.hypot(*(nearest - point).T)
    here = nearest[int(np.argmin(away))]
    meeting = np.hypot(*(nearest - here).T) < TOUCHING_MM
    normal = _free_normals(segments[meeting]).sum(axis=0)
    return np.asarray(here + STEP_MM * normal / max(float(np.hypot(*normal)), 1e-12))


def _nearest(segments: NDArray[np.float64], point: Points) -> Points:
    """(S, 2) nearest point of each segment."""
    start, along = segments[:, 0], segments[:, 1] - segments[:, 0]
    share = np.sum((point - start) * along, axis=1) / np.sum(along**2, axis=1)
    return np.asarray(start + np.clip(share, 0.0, 1.0)[:, None] * along)


def _free_normals(segments: NDArray[np.float64]) -> Points:
    along = segments[:, 1] - segments[:, 0]
    side = np.column_stack([along[:, 1], -along[:, 0]])
    return np.asarray(side / np.linalg.norm(side, axis=1, keepdims=True))


def _beyond(segments: NDArray[np.float64], normal: Points, offset: float) -> NDArray[np.float64]:
    """What of segments lies on the free side of a half-plane, not merely on its line."""
    height = segments @ normal - offset
    over = np.max(height, axis=1) > 1e-6
    segments, height = segments[over], height[over]
    if not len(segments):
        return segments
    low = np.argmin(height, axis=1)
    rows = np.arange(len(segments))
    rest, top = height[rows, low], height[rows, 1 - low]
    share = np.where(rest < 0.0, -rest / np.maximum(top - rest, 1e-12), 0.0)
    start, end = segments[rows, low], segments[rows, 1 - low]
    moved = segments.copy()
    moved[rows, low] = start + share[:, None] * (end - start)
    keep = np.any(np.abs(moved[:, 0] - moved[:, 1]) > 1e-9, axis=1)
    return np.asarray(moved[keep])
