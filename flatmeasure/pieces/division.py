"""Cutting a measured piece in parts: parallel to an edge, or along lines of one's own such as existing seams."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import unary_union
from shapely.geometry import LineString, Polygon
from shapely.ops import polygonize

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_parts import edge_lines, part_of, polygons, stretch
from flatmeasure.quantity import Quantity, root_sum_squares

OVERSHOOT_MM = 15.0  # a dividing line that ends this near the outline was meant to reach it


@dataclass(frozen=True, eq=False)
class Division:
    """A piece cut in parts.

    Attributes
    ----------
    parts : tuple of Panel
        Nearest to the edge first; for lines of one's own, largest first. New edges are called cut1, cut2, ...
    cuts : tuple of Quantity
        Length of each cut through the cloth, mm.
    lines_mm : tuple of (K, 2) array
        The cuts as drawn, longer than the cloth.
    """

    parts: tuple[Panel, ...]
    cuts: tuple[Quantity, ...]
    lines_mm: tuple[Points, ...]


def cut_parallel(panel: Panel, edge_id: str, distance_mm: float) -> Division:
    """Cut a piece along a line at a distance from an edge, following the edge's curve.

    Parameters
    ----------
    panel : Panel
    edge_id : str
        Id or label. Its parallel is carried on straight at both ends until it leaves the cloth.
    distance_mm : float

    Returns
    -------
    Division
        Areas and cut carry scale and shift through the construction (`Panel.shared`); the distance counts as exact.

    Raises
    ------
    KeyError
        No such edge.
    ValueError
        If the line does not divide the cloth, or the edge is too curved to have one there.
    """
    parts = _divided(panel, [_parallel(panel, edge_id, distance_mm)])
    if len(parts) < 2:
        raise ValueError(f"a line {distance_mm:.0f} mm from {edge_id} does not divide the piece")
    edge = edge_lines(panel)[panel.edge(edge_id).id]
    parts.sort(key=lambda part: float(part.distance(edge)))
    centres = [np.asarray(part.centroid.coords[0]) for part in parts]

    def numbers(moved: Panel) -> Points:
        line = _parallel(moved, edge_id, distance_mm)
        return np.array([line.intersection(moved.polygon).length, *_areas_nearest(_divided(moved, [line]), centres)])

    shared = panel.shared(numbers)
    line = _parallel(panel, edge_id, distance_mm)
    areas = [
        panel.area_of(part.area, float(u), outer)
        for part, u, outer in zip(parts, shared[1:], _outer_lengths(panel, parts), strict=True)
    ]
    cut = panel.length(line.intersection(panel.polygon).length, float(shared[0]))
    return _division(panel, parts, areas, [line], [cut])


def divide(panel: Panel, lines_mm: Sequence[Points]) -> Division:
    """Divide a piece along lines of one's own: existing seams of a garment, for instance.

    Parameters
    ----------
    panel : Panel
    lines_mm : sequence of (K, 2) array
        Polylines in the mat frame; an end that stops up to 15 mm short is carried on.

    Returns
    -------
    Division
        A part of area A, bounded by the outline over a length b, has u^2 = (2 A scale)^2 + (b shift)^2 + own;
        the lines themselves count as exact.

    Raises
    ------
    ValueError
        If the lines do not divide the cloth.
    """
    lines = [_carried_on(np.asarray(line, dtype=np.float64), OVERSHOOT_MM) for line in lines_mm]
    parts = _divided(panel, lines)
    if len(parts) < 2:
        raise ValueError("the lines do not divide the piece: they must reach from edge to edge")
    areas = []
    for part, outer in zip(parts, _outer_lengths(panel, parts), strict=True):
        shared = root_sum_squares(2.0 * part.area * panel.error.scale, outer * panel.error.shift_mm)
        areas.append(panel.area_of(part.area, shared, outer))
    cuts = [stretch(panel, line.intersection(panel.polygon).length) for line in lines]
    return _division(panel, parts, areas, lines, cuts)


def _division(
    panel: Panel, parts: list[Polygon], areas: list[Quantity], lines: list[LineString], cuts: list[Quantity]
) -> Division:
    along = edge_lines(panel) | {f"cut{k + 1}": line for k, line in enumerate(lines)}
    named = tuple(
        part_of(panel, part, f"{panel.id}-{k + 1}", area, along)
        for k, (part, area) in enumerate(zip(parts, areas, strict=True))
    )
    return Division(named, tuple(cuts), tuple(np.asarray(line.coords) for line in lines))


def _divided(panel: Panel, lines: Sequence[LineString]) -> list[Polygon]:
    pieces = polygonize(unary_union([panel.polygon.boundary, *lines]))
    inside = [piece for piece in pieces if panel.polygon.contains(piece.representative_point())]
    return [part for piece in inside for part in polygons(piece)]


def _outer_lengths(panel: Panel, parts: Sequence[Polygon]) -> list[float]:
    """How much of each part's boundary was the panel's own."""
    own = panel.polygon.boundary.buffer(1e-6)
    return [float(part.boundary.intersection(own).length) for part in parts]


def _areas_nearest(parts: list[Polygon], centres: list[Points]) -> list[float]:
    """Area of the part nearest to each centre: the same part after the panel moved a little."""
    found = np.array([part.centroid.coords[0] for part in parts])
    return [float(parts[int(np.argmin(np.linalg.norm(found - centre, axis=1)))].area) for centre in centres]


def _parallel(panel: Panel, edge_id: str, distance_mm: float) -> LineString:
    edge = panel.edge(edge_id)
    points = panel.edge_points(edge)
    if edge.kind == "straight":
        points = points[[0, -1]]
    line = shapely.offset_curve(shapely.simplify(LineString(points), 1e-3), distance_mm, join_style="mitre")
    if line.is_empty or line.geom_type != "LineString":
        raise ValueError(f"the edge {edge_id} is too curved for a parallel at {distance_mm:.0f} mm")
    across = float(np.hypot(*np.ptp(panel.outline_mm, axis=0)))
    return _carried_on(np.asarray(line.coords), across)


def _carried_on(points: Points, reach_mm: float) -> LineString:
    """A line carried on straight at both ends."""
    back, ahead = points[0] - points[1], points[-1] - points[-2]
    return LineString(
        [points[0] + back / np.hypot(*back) * reach_mm, *points, points[-1] + ahead / np.hypot(*ahead) * reach_mm]
    )
