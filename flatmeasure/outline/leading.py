"""An outline led through a point that a person has set off it, at a folded tip or in a shadow."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatmeasure.outline.refinement import FIT_SPACING_PX, Outline
from flatmeasure.outline.ring import normals_of

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

HEADING_DEG = 4.0  # an outline heads for a point when it points at it this closely
HEADING_POINTS = 8  # over which its direction is taken
REACH_SHARE, REACH_PX = 4.0, 20.0  # of the distance to the point: so far from it the outline may be wrong


@dataclass(frozen=True, eq=False)
class LedOutline:
    """An outline led through a point.

    Attributes
    ----------
    outline : Outline
    index : int
        Of the given point.
    start : int
        Where in the former outline this one begins.
    """

    outline: Outline
    index: int
    start: int


def nearest_place(points_px: Floats, span: Indices, at_px: Floats) -> tuple[float, float]:
    """Index, between points too, and distance of a closed outline's nearest place within a span of its points."""
    start = points_px[span]
    along = points_px[(span + 1) % len(points_px)] - start
    share = np.clip(np.sum((at_px - start) * along, axis=1) / np.maximum(np.sum(along**2, axis=1), 1e-9), 0.0, 1.0)
    if len(span) < len(points_px):
        share[-1] = 0.0
    distance = np.linalg.norm(start + share[:, None] * along - at_px, axis=1)
    best = int(np.argmin(distance))
    return float((span[best] + share[best]) % len(points_px)), float(distance[best])


def lead_through(outline: Outline, span: Indices, at_px: Floats, u_px: float, near: float) -> LedOutline:
    """Lead an outline straight to a point from where it heads for it on either side.

    Parameters
    ----------
    outline : Outline
    span : (M,) array
        Indices, in order, of points that may be given up, M >= 2.
    at_px : (2,) array
    u_px : float
        Standard uncertainty of the point; that of the straight ways to it grows up to this.
    near : float
        Index within the span, before and behind which the outline is to be left.
    """
    points, count = outline.points_px, len(outline.points_px)
    from_near = np.abs((span - near + count / 2) % count - count / 2)
    middle = min(int(np.argmin(from_near)), len(span) - 2)
    most = max(1, int((REACH_SHARE * np.linalg.norm(points[span[middle]] - at_px) + REACH_PX) / FIT_SPACING_PX))
    left = _heading(points, span[: middle + 1][::-1][:most], 1, at_px)
    joined = _heading(points, span[middle + 1 :][:most], -1, at_px)
    kept = (joined + np.arange((left - joined) % count + 1)) % count
    there, back = _line(points[left], at_px), _line(points[joined], at_px)[::-1]
    points = np.concatenate([points[kept], there, at_px[None], back])
    normals = normals_of(points, 1.0)
    normals[: len(kept)] = outline.normals_px[kept]
    u_there = np.linspace(outline.u_px[left], u_px, len(there) + 2)[1:]
    u_back = np.linspace(u_px, outline.u_px[joined], len(back) + 2)[1:-1]
    led = Outline(
        points,
        normals,
        np.concatenate([outline.u_px[kept], u_there, u_back]),
        np.concatenate([outline.weak[kept], np.zeros(len(there) + 1 + len(back), dtype=bool)]),
        np.concatenate([outline.shade[kept], np.zeros(len(there) + 1 + len(back))]),
        outline.contrast,
    )
    return LedOutline(led, len(kept) + len(there), joined)


def _line(start_px: Floats, end_px: Floats) -> Floats:
    """Points between two, evenly spaced, without the two."""
    parts = max(1, round(float(np.linalg.norm(end_px - start_px)) / FIT_SPACING_PX))
    return np.asarray(start_px + (end_px - start_px) * np.arange(1, parts)[:, None] / parts)


def _heading(points: Floats, side: Indices, sense: int, at_px: Floats) -> int:
    """The first of some points from which the outline heads for a point, or the one that does so best.

    ``sense`` is 1 for points before the given one, whose outline runs toward it, and -1 for those behind it.
    """
    course, aim = points[side] - points[(side - sense * HEADING_POINTS) % len(points)], at_px - points[side]
    turn = np.arctan2(course[:, 0] * aim[:, 1] - course[:, 1] * aim[:, 0], np.sum(course * aim, axis=1))
    off_deg = np.abs(np.degrees(turn))
    heads = np.flatnonzero(off_deg <= HEADING_DEG)
    return int(side[heads[0] if len(heads) else int(np.argmin(off_deg))])
