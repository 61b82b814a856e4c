"""Fold and pair: how nearly a piece is its own mirror image, or one piece another's.

Points spread along the one outline are compared with the other's line; the motion (for a fold: the axis) that leaves
the least distances is found by robust least squares (soft absolute value) from the best of a round of starts.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import least_squares
from shapely import affinity
from shapely.geometry import LineString, Polygon

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_parts import edge_lines, part_of, polygons
from flatmeasure.quantity import Quantity, root_sum_squares

SPACING_MM = 8.0  # of the compared points
STEP_MM = 1e-3
ALIKE_MM = 1.0  # larger distances pull less on the fit: one edge cut short leaves the others where they are
AXIS_STARTS = 90
TURN_STARTS = 36


@dataclass(frozen=True, eq=False)
class Fold:
    """A piece's best mirror axis.

    Attributes
    ----------
    point_mm : (2,) array
    angle_deg : float
        Of the axis in the mat frame, 0 to 180.
    deviation : Quantity
        Greatest distance between the outline and its mirror image, mm.
    rms_mm : float
    where_mm : (2,) array
        Where the deviation is greatest.
    half : Panel
        The piece on the left of the axis; its new edge is called fold.
    """

    point_mm: Points
    angle_deg: float
    deviation: Quantity
    rms_mm: float
    where_mm: Points
    half: Panel


@dataclass(frozen=True)
class EdgeDifference:
    """How an edge of the first piece lies against the second piece's outline.

    Attributes
    ----------
    id, label : str
    mean : Quantity
        Positive: the first piece is larger there, mm.
    most : Quantity
        The greatest in size, with its sign.
    """

    id: str
    label: str
    mean: Quantity
    most: Quantity


@dataclass(frozen=True, eq=False)
class Comparison:
    """One piece laid on another.

    Attributes
    ----------
    mirrored : bool
        Whether the second was turned over.
    deviation : Quantity
        Greatest distance between the two outlines, mm.
    rms_mm : float
    where_mm : (2,) array
        Where it is greatest, on the first piece.
    edges : tuple of EdgeDifference
    area : Quantity
        First less second, mm2.
    laid_mm : (N, 2) array
        The second's outline, laid on the first.
    """

    mirrored: bool
    deviation: Quantity
    rms_mm: float
    where_mm: Points
    edges: tuple[EdgeDifference, ...]
    area: Quantity
    laid_mm: Points


def best_fold(panel: Panel) -> Fold:
    """The axis about which a piece is most nearly symmetric.

    Parameters
    ----------
    panel : Panel

    Returns
    -------
    Fold
        A common shift of the outline and a common scale leave symmetry as it is. A scale that differs between the two
        halves does not, so at a distance d from the axis u^2 = 2 point^2 + (d scale)^2: half the piece's scale error is
        taken as its own on each side.
    """
    points = _spread(panel.outline_mm)
    middle = np.asarray(panel.outer.centroid.coords[0])
    outline = panel.outer

    def distances(axis: NDArray[np.float64]) -> Points:
        return _signed(outline, _mirrored(points, *_axis(middle, axis)))

    starts = [np.array([angle, 0.0]) for angle in _round_from(points, np.pi, AXIS_STARTS)]
    axis = _least(distances, starts, points)
    point, angle = _axis(middle, axis)
    off = distances(axis)
    worst = int(np.argmax(np.abs(off)))
    direction = np.array([np.cos(angle), np.sin(angle)])
    reach = abs(float((points[worst] - point) @ np.array([-direction[1], direction[0]])))
    u = root_sum_squares(np.sqrt(2.0) * panel.error.point_mm, reach * panel.error.scale)
    return Fold(
        point_mm=point,
        angle_deg=float(np.degrees(angle) % 180.0),
        deviation=Quantity(float(np.abs(off[worst])), u, "mm"),
        rms_mm=float(np.sqrt(np.mean(off**2))),
        where_mm=points[worst],
        half=_half(panel, point, direction),
    )


def compare(first: Panel, second: Panel, *, mirrored: bool) -> Comparison:
    """Lay the second piece on the first, turned over for a left and a right, and tell where they differ.

    Parameters
    ----------
    first, second : Panel
    mirrored : bool
        Whether the second is turned over.

    Returns
    -------
    Comparison
        u^2 of a distance = both pieces' point^2 + shift^2 + (d scale)^2, d the distance from the first piece's middle.
    """
    points = _spread(first.outline_mm)
    middle = np.asarray(first.outer.centroid.coords[0])
    other = affinity.scale(second.outer, xfact=-1.0, origin=(0, 0)) if mirrored else second.outer
    other = affinity.translate(other, *(middle - np.asarray(other.centroid.coords[0])))

    def distances(motion: NDArray[np.float64]) -> Points:
        """Of the first's points, carried the other way, from the second's outline."""
        return _signed(other, _turned(points - motion[:2], -motion[2], middle))

    starts = [np.array([0.0, 0.0, angle]) for angle in _round_from(points, 2.0 * np.pi, TURN_STARTS)]
    motion = _least(distances, starts, points)
    off = distances(motion)
    reach = np.linalg.norm(points - middle, axis=1)
    fixed = root_sum_squares(*(np.array([e.point_mm, e.shift_mm]) for e in (first.error, second.error)))
    u = np.hypot(fixed, reach * np.hypot(first.error.scale, second.error.scale))
    worst = int(np.argmax(np.abs(off)))
    laid = _turned(np.asarray(other.exterior.coords[:-1]), motion[2], middle) + motion[:2]
    return Comparison(
        mirrored=mirrored,
        deviation=Quantity(float(abs(off[worst])), float(u[worst]), "mm"),
        rms_mm=float(np.sqrt(np.mean(off**2))),
        where_mm=points[worst],
        edges=_by_edge(first, points, off, u),
        area=Quantity(first.area.value - second.area.value, root_sum_squares(first.area.u, second.area.u), "mm2"),
        laid_mm=laid,
    )


def _by_edge(panel: Panel, points: Points, off: Points, u: Points) -> tuple[EdgeDifference, ...]:
    lines = list(edge_lines(panel).values())
    owner = np.argmin([shapely.distance(line, shapely.points(points)) for line in lines], axis=0)
    differences = []
    for k, edge in enumerate(panel.edges):
        here = np.flatnonzero(owner == k)
        if not len(here):
            continue
        most = here[np.argmax(np.abs(off[here]))]
        differences.append(
            EdgeDifference(
                id=edge.id,
                label=edge.label,
                mean=Quantity(float(np.mean(off[here])), float(np.mean(u[here])), "mm"),
                most=Quantity(float(off[most]), float(u[most]), "mm"),
            )
        )
    return tuple(differences)


def _spread(outline: Points) -> Points:
    """Evenly spaced points on a closed outline, its own vertices of sharp turns among them."""
    ring = LineString(np.vstack([outline, outline[:1]]))
    even = shapely.line_interpolate_point(ring, np.arange(0.0, ring.length, SPACING_MM))
    return np.vstack([shapely.get_coordinates(even), shapely.get_coordinates(ring.simplify(1.0))[:-1]])


def _signed(polygon: Polygon, points: Points) -> Points:
    """Distances (N,) of points from a polygon's outline, positive outside."""
    shapely.prepare(polygon)
    seen = shapely.points(points)
    away = shapely.distance(polygon.exterior, seen)
    return np.asarray(np.where(shapely.contains(polygon, seen), -away, away))


def _least(
    distances: Callable[[NDArray[np.float64]], Points], starts: list[NDArray[np.float64]], points: Points
) -> NDArray[np.float64]:
    """The least-squares solution from the few best of many starts."""
    ranked = sorted(starts, key=lambda start: float(np.sum(distances(start) ** 2)))
    size = float(np.hypot(*np.ptp(points, axis=0)))
    scale = np.array([1.0 / size, 1.0]) if len(starts[0]) == 2 else np.array([1.0, 1.0, 1.0 / size])
    moves = np.diag(scale * STEP_MM)

    def slopes(at: NDArray[np.float64]) -> Points:
        """(N, unknowns), by steps that move the outline by a like distance whichever unknown is changed."""
        return np.column_stack([(distances(at + move) - distances(at - move)) / (2.0 * move.sum()) for move in moves])

    found = [
        least_squares(distances, start, jac=slopes, x_scale=scale, loss="soft_l1", f_scale=ALIKE_MM)
        for start in ranked[:3]
    ]
    return np.asarray(min(found, key=lambda one: float(one.cost)).x)


def _round_from(points: Points, whole: float, count: int) -> NDArray[np.float64]:
    """Angles all round, beginning along the first points: the same starts however the piece lies."""
    first = points[1] - points[0]
    return np.asarray(np.arctan2(first[1], first[0]) + np.arange(count) * whole / count)


def _axis(middle: Points, axis: NDArray[np.float64]) -> tuple[Points, float]:
    """Point and angle of an axis from its angle and its offset from the middle."""
    angle = float(axis[0])
    return middle + axis[1] * np.array([-np.sin(angle), np.cos(angle)]), angle


def _mirrored(points: Points, point: Points, angle: float) -> Points:
    normal = np.array([-np.sin(angle), np.cos(angle)])
    return np.asarray(points - 2.0 * ((points - point) @ normal)[:, None] * normal)


def _turned(points: Points, angle: float, about: Points) -> Points:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray((points - about) @ np.array([[c, s], [-s, c]]) + about)


def _half(panel: Panel, point: Points, direction: Points) -> Panel:
    """The part of a panel on the left of an axis."""
    reach = float(np.hypot(*np.ptp(panel.outline_mm, axis=0)))
    left = np.array([-direction[1], direction[0]]) * reach
    ends = np.array([point - reach * direction, point + reach * direction])
    side = polygons(panel.polygon.intersection(Polygon([*ends, ends[1] + left, ends[0] + left])))[0]
    bound = float(side.boundary.difference(LineString(ends).buffer(1e-3)).length)
    shared = root_sum_squares(2.0 * side.area * panel.error.scale, bound * panel.error.shift_mm)
    lines = edge_lines(panel) | {"fold": LineString(ends)}
    return part_of(panel, side, f"{panel.id}-half", panel.area_of(side.area, shared, bound), lines)
