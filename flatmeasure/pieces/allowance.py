"""Seam allowance: the line at given distances from each edge, mitred at the corners.

Each straight bit of the outline sweeps a strip as wide as its edge's allowance; at a vertex the strips are carried on
to where the two lines meet (the mitre). Inward, the swept region is taken off the cloth; outward, it is added. So every
allowance may differ, 0 is a fold or an edge that stays, and no line can cross itself.

Where the strips of two edges that are not neighbours meet, the piece is too narrow for its allowances: that is told,
and the parts that remain are given.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import unary_union
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel, line_length
from flatmeasure.pieces.panel_parts import ON_LINE_MM, SLIVER_MM2, part_of, polygons, ring_points, traced, whole_union
from flatmeasure.quantity import Quantity

BEND_SHARE = 0.5  # how far past the meeting on a straight edge a strip is carried on, of its width and of the way there
OVERSHOOT = 1.2  # how far past the strip what is taken off its end reaches, for an edge may bend
LARGEST_ALLOWANCE_MM = 100.0  # more is a slip of the keys
MITRE_LIMIT = 5.0  # allowances: a sharper point, or a dart's tip, is rounded


@dataclass(frozen=True, eq=False)
class SeamEdge:
    """An edge before and after its allowance.

    Attributes
    ----------
    id, label : str
    allowance_mm : float
        Positive inward (stitching line), negative outward (more cloth).
    length : Quantity
        Of the edge as it is.
    new_length : Quantity
        Of its line at the allowance's distance, between the mitres; 0 where nothing of it is left.
    lines_mm : tuple of (K, 2) array
        That line; several where it is interrupted.
    """

    id: str
    label: str
    allowance_mm: float
    length: Quantity
    new_length: Quantity
    lines_mm: tuple[Points, ...]


@dataclass(frozen=True)
class Eaten:
    """Two edges whose allowances meet: the piece is narrower there than both together.

    Attributes
    ----------
    edges : (str, str)
    overlap_mm2 : float
        Cloth that would belong to both allowances.
    """

    edges: tuple[str, str]
    overlap_mm2: float


@dataclass(frozen=True, eq=False)
class Seamed:
    """A panel with its allowances applied.

    Attributes
    ----------
    outlines_mm : tuple of (N, 2) array
        Counter-clockwise, largest first; one unless allowances ate the piece through, none if all was eaten.
    area : Quantity
        Inside the new line, net of holes.
    edges : tuple of SeamEdge
    eaten : tuple of Eaten
    """

    outlines_mm: tuple[Points, ...]
    area: Quantity
    edges: tuple[SeamEdge, ...]
    eaten: tuple[Eaten, ...]


@dataclass(frozen=True, eq=False)
class _Sweep:
    """What an edge passes over on its way to its new line, and that line, longer than what will be left of it.

    ``beyond`` is the part of the region that lies past the new lines of the edges beside it.
    """

    region: BaseGeometry
    line: BaseGeometry
    beyond: BaseGeometry


def apply_allowance(panel: Panel, allowance_mm: float | Mapping[str, float]) -> Seamed:
    """The line at the allowance's distance from every edge: lengths, area, and what was eaten.

    Parameters
    ----------
    panel : Panel
    allowance_mm : float or mapping of edge id or label to float
        One for all edges or one for each; edges not named get 0. Positive goes inward, from a cut edge to its stitching
        line; negative outward, and where both occur the outward ones come first. A pattern with 1/2 in that shall have
        1/4 in goes inward by the difference.

    Returns
    -------
    Seamed
        Uncertainty: the outline's scale and shift carried through the whole construction (`Panel.shared`); the
        allowance itself counts as exact.

    Raises
    ------
    KeyError
        If an edge is named that the panel lacks.
    ValueError
        If some go inward, others outward, and the outward ones leave an edge no line.
    """
    inward = _by_edge(panel, allowance_mm)
    if np.any(inward < 0.0) and np.any(inward > 0.0):
        return _outward_first(panel, inward)
    sweeps = _sweeps(panel, inward)
    region = _region(panel, inward, sweeps)
    lines = _lines(region, sweeps)
    spread = panel.shared(lambda moved: _numbers(moved, inward))
    edges = tuple(
        SeamEdge(
            id=edge.id,
            label=edge.label,
            allowance_mm=float(distance),
            length=edge.length,
            new_length=panel.length(sum(map(line_length, line)), float(u)) if line else Quantity(0.0, 0.0, "mm"),
            lines_mm=line,
        )
        for edge, distance, line, u in zip(panel.edges, inward, lines, spread[1:], strict=True)
    )
    return Seamed(
        outlines_mm=tuple(map(ring_points, polygons(region))),
        area=panel.area_of(region.area, float(spread[0]), region.length),
        edges=edges,
        eaten=_eaten(panel, sweeps),
    )


def changed_panel(panel: Panel, allowance_mm: float | Mapping[str, float]) -> Panel:
    """The panel with its allowances taken off (or added, negative), as a panel of its own with the same edge names.

    Where a point was rounded off, the round is part of the edge before it.

    Parameters
    ----------
    panel : Panel
    allowance_mm : float or mapping of edge id to float
        Of all edges, or of each; positive inward.

    Returns
    -------
    Panel

    Raises
    ------
    KeyError, ValueError
        As `apply_allowance`; also if the allowances eat the panel through or an edge away.
    """
    seamed = apply_allowance(panel, allowance_mm)
    gone = [edge.id for edge in seamed.edges if len(edge.lines_mm) != 1]
    if gone or len(seamed.outlines_mm) != 1:
        raise ValueError(f"the allowances eat the piece: nothing whole is left of {', '.join(gone) or 'it'}")
    lines = {edge.id: LineString(edge.lines_mm[0]) for edge in seamed.edges}
    whole = part_of(panel, Polygon(seamed.outlines_mm[0], panel.holes_mm), panel.id, seamed.area, lines)
    u = {edge.id: edge.new_length.u for edge in seamed.edges}
    edges = tuple(replace(edge, length=replace(edge.length, u=u[edge.id])) for edge in whole.edges)
    return replace(whole, edges=edges)


def _by_edge(panel: Panel, allowance_mm: float | Mapping[str, float]) -> NDArray[np.float64]:
    if not isinstance(allowance_mm, Mapping):
        return np.full(len(panel.edges), float(allowance_mm))
    wanted = {panel.edge(name).id: float(distance) for name, distance in allowance_mm.items()}
    return np.array([wanted.get(edge.id, 0.0) for edge in panel.edges])


def _outward_first(panel: Panel, inward: NDArray[np.float64]) -> Seamed:
    """Allowances of both directions: the other edges run on to where the outward ones end, then go inward."""
    by_edge = {edge.id: float(distance) for edge, distance in zip(panel.edges, inward, strict=True)}
    larger = changed_panel(panel, {name: min(distance, 0.0) for name, distance in by_edge.items()})
    seamed = apply_allowance(larger, {name: max(distance, 0.0) for name, distance in by_edge.items()})
    edges = tuple(
        replace(seam, allowance_mm=by_edge[edge.id], length=edge.length)
        for seam, edge in zip(seamed.edges, panel.edges, strict=True)
    )
    return replace(seamed, edges=edges)


def _numbers(panel: Panel, inward: NDArray[np.float64]) -> NDArray[np.float64]:
    """Area and new edge lengths (1 + E,)."""
    sweeps = _sweeps(panel, inward)
    region = _region(panel, inward, sweeps)
    return np.array([region.area, *(sum(map(line_length, line)) for line in _lines(region, sweeps))])


def _region(panel: Panel, inward: NDArray[np.float64], sweeps: list[_Sweep]) -> BaseGeometry:
    """The cloth inside the new line."""
    swept = whole_union([sweep.region for sweep in sweeps])
    swept = swept.difference(unary_union([sweep.beyond for sweep in sweeps]))
    outer = panel.outer.union(swept) if np.any(inward < 0.0) else panel.outer.difference(swept)
    holes = unary_union([Polygon(hole) for hole in panel.holes_mm])
    return unary_union([_without_pinholes(part).difference(holes) for part in polygons(outer)])


def _without_pinholes(part: Polygon) -> Polygon:
    return Polygon(part.exterior, [ring for ring in part.interiors if Polygon(ring).area > SLIVER_MM2])


def _sweeps(panel: Panel, inward: NDArray[np.float64]) -> list[_Sweep]:
    """What each edge sweeps when it moves inward (outward where negative)."""
    courses = [np.asarray(LineString(panel.edge_points(edge)).simplify(ON_LINE_MM).coords) for edge in panel.edges]
    points = np.concatenate([course[:-1] for course in courses])
    owner = np.repeat(np.arange(len(courses)), [len(course) - 1 for course in courses])
    ahead = np.roll(points, -1, axis=0) - points
    along = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
    left = np.column_stack([-along[:, 1], along[:, 0]])
    distance = inward[owner]
    regions: list[list[BaseGeometry]] = [[] for _ in panel.edges]
    lines: list[list[BaseGeometry]] = [[] for _ in panel.edges]
    beyond: list[list[BaseGeometry]] = [[] for _ in panel.edges]
    for k, vertex in enumerate(points):
        following, step = points[(k + 1) % len(points)], left[k] * distance[k]
        regions[owner[k]].append(Polygon([vertex, following, following + step, vertex + step]))
        lines[owner[k]].append(LineString([vertex + step, following + step]))
        pair = [k - 1, k]
        for side, region, line in _joined(vertex, along[pair], left[pair], distance[pair]):
            regions[owner[pair[side]]].append(region)
            lines[owner[pair[side]]].append(line)
        for side, part in _overshoot(vertex, along[pair], left[pair], distance[pair]):
            beyond[owner[pair[side]]].append(part)
    return [
        _Sweep(whole_union(region), unary_union(line), unary_union(part))
        for region, line, part in zip(regions, lines, beyond, strict=True)
    ]


def _joined(
    vertex: Points, along: Points, left: Points, distance: NDArray[np.float64]
) -> Iterator[tuple[int, BaseGeometry, BaseGeometry]]:
    """What joins the strips before (0) and after (1) a vertex: which of them it belongs to, region and line.

    Where the strips move apart, both are carried on to the point where their lines meet; beyond the mitre limit a round
    fills the wedge. Where strips of unlike width move together, one may end before it meets the other's line: both are
    carried on whole, somewhat past the meeting, for an edge may bend.
    """
    cross = float(along[0, 0] * along[1, 1] - along[0, 1] * along[1, 0])
    if abs(cross) < 1e-12 or not np.any(distance):
        return
    apart = cross * float(np.sum(distance)) < 0.0
    met = np.asarray(np.linalg.solve(left, distance), dtype=np.float64)
    if np.hypot(*met) > MITRE_LIMIT * float(np.max(np.abs(distance))):
        if apart and np.all(distance != 0.0):
            round_off = Point(vertex).buffer(float(np.min(np.abs(distance))), quad_segs=32)
            yield 1, round_off, LineString([vertex, vertex])
        return
    for side, forward in ((0, 1.0), (1, -1.0)):
        step = left[side] * distance[side]
        reach = float((met - step) @ along[side]) * forward
        if reach > 0.0 and apart:
            yield side, Polygon([vertex, vertex + step, vertex + met]), LineString([vertex + step, vertex + met])
        elif not apart and distance[side] != 0.0 and distance[0] != distance[1]:
            far = along[side] * forward * (max(reach, 0.0) + BEND_SHARE * (max(reach, 0.0) + abs(distance[side])))
            yield (
                side,
                Polygon([vertex, vertex + step, vertex + step + far, vertex + far]),
                LineString([vertex + step, vertex + step + far]),
            )


def _overshoot(
    vertex: Points, along: Points, left: Points, distance: NDArray[np.float64]
) -> Iterator[tuple[int, BaseGeometry]]:
    """What of an outward strip's square end lies past the other strip's line: where a wide one meets a narrow one."""
    cross = float(along[0, 0] * along[1, 1] - along[0, 1] * along[1, 0])
    if cross < 1e-12 or np.any(distance > 0.0) or distance[0] == distance[1]:
        return
    met = np.asarray(np.linalg.solve(left, distance), dtype=np.float64)
    for side, forward in ((0, 1.0), (1, -1.0)):
        step = left[side] * distance[side]
        if float((met - step) @ along[side]) * forward < 0.0:
            near = step * distance[1 - side] / float(left[1 - side] @ step)
            far = [near + OVERSHOOT * (corner - near) for corner in (met, step)]
            yield side, Polygon([vertex + near, vertex + far[0], vertex + far[1]])


def _lines(region: BaseGeometry, sweeps: list[_Sweep]) -> list[tuple[Points, ...]]:
    """For each edge the parts (K, 2) of the region's outline that are its new line, counter-clockwise."""
    lines: list[list[Points]] = [[] for _ in sweeps]
    for part in polygons(region):
        for label, run in traced(ring_points(part), [sweep.line for sweep in sweeps]):
            if label >= 0:
                lines[label].append(run)
    return [tuple(line) for line in lines]


def _eaten(panel: Panel, sweeps: list[_Sweep]) -> tuple[Eaten, ...]:
    count = len(sweeps)
    met = []
    for i in range(count):
        for j in range(i + 2, count - (i == 0)):
            overlap = sweeps[i].region.intersection(sweeps[j].region).area
            if overlap > SLIVER_MM2:
                met.append(Eaten((panel.edges[i].id, panel.edges[j].id), float(overlap)))
    return tuple(met)
