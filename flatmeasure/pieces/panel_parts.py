"""Parts of a panel as panels of their own: which stretch of a new outline came from which edge."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from string import ascii_lowercase

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel, PanelEdge, line_length
from flatmeasure.quantity import Quantity, root_sum_squares

ON_LINE_MM = 1e-3  # two lines this near are the same line
GRID_MM = 1e-6
SLIVER_MM2 = 0.1  # what is smaller is left by rounding where shapes touch
STRAIGHT_MM = 0.5  # a line that leaves its chord by no more is straight


def polygons(region: BaseGeometry) -> list[Polygon]:
    """A region's polygons, largest first, outlines counter-clockwise; what rounding left is dropped."""
    parts = [orient(part) for part in getattr(region, "geoms", [region]) if part.area > SLIVER_MM2]
    return sorted(parts, key=lambda part: -float(part.area))


def whole_union(parts: Sequence[BaseGeometry]) -> BaseGeometry:
    """The union of polygons, none of them lost.

    GEOS 3.14 was seen to drop one of two polygons whose sides touch but for rounding, without a word; on a grid it does
    not, but leaves more slivers. So the quick union is checked with a point of each part, and made again when one is
    missing.
    """
    areas = [part for part in parts if part.area > 0.0]
    union = shapely.union_all(areas)
    shapely.prepare(union)
    if np.all(shapely.intersects(union, shapely.point_on_surface(areas))):
        return union
    return shapely.union_all(areas, grid_size=GRID_MM)


def ring_points(polygon: Polygon) -> Points:
    """(N, 2) outline of a polygon, not closed."""
    return np.asarray(polygon.exterior.coords[:-1])


def traced(outline_mm: Points, lines: Sequence[BaseGeometry]) -> list[tuple[int, Points]]:
    """The stretches of an outline that lie on given lines.

    Parameters
    ----------
    outline_mm : (N, 2) array, closed
    lines : sequence of geometries
        Where two share a stretch the first counts.

    Returns
    -------
    list of (int, (K, 2) array)
        Going round, index of the line (-1: on none) and the stretch, both ends included.
    """
    closed = np.vstack([outline_mm, outline_mm[:1]])
    middles = shapely.points((closed[:-1] + closed[1:]) / 2.0)
    label = np.full(len(outline_mm), -1)
    for i, line in enumerate(lines):
        shapely.prepare(line)
        label[(label < 0) & shapely.dwithin(line, middles, ON_LINE_MM)] = i
    changes = np.flatnonzero(label != np.roll(label, 1))
    bounds = np.append(changes, changes[0] + len(label)) if len(changes) else np.array([0, len(label)])
    return [(int(label[a]), outline_mm[np.arange(a, b + 1) % len(label)]) for a, b in pairwise(bounds)]


def edge_lines(panel: Panel) -> dict[str, BaseGeometry]:
    """Each edge's line by its id."""
    return {edge.id: LineString(panel.edge_points(edge)) for edge in panel.edges}


def part_of(panel: Panel, polygon: Polygon, name: str, area: Quantity, lines: Mapping[str, BaseGeometry]) -> Panel:
    """A part of a panel, or a panel made from it, with named edges.

    Parameters
    ----------
    panel : Panel
    polygon : Polygon
        The part; its holes are the panel's.
    name : str
        The part's id.
    area : Quantity
    lines : mapping of edge id to geometry
        Where its edges run (`edge_lines` and new ones); what lies on none belongs to the edge before it. An id of the
        panel's keeps that edge's label and kind.

    Returns
    -------
    Panel
        An edge that now comes in several stretches is called A1a, A1b, ... Lengths have u^2 = (L scale)^2 + (2 shift)^2
        + 2 point^2: both ends taken as moving out.
    """
    runs = _joined(traced(ring_points(polygon), list(lines.values())))
    old = {edge.id: edge for edge in panel.edges}
    ids = [list(lines)[label] for label, _ in runs]
    firsts = np.cumsum([0, *[len(run) - 1 for _, run in runs]])
    edges = tuple(
        PanelEdge(
            id=unique,
            label=old[name_of].label if name_of in old else "",
            first=int(first),
            last=int(last % firsts[-1]),
            kind=old[name_of].kind if name_of in old else _kind(run),
            length=stretch(panel, line_length(run)),
        )
        for unique, name_of, (_, run), first, last in zip(
            _numbered(ids), ids, runs, firsts[:-1], firsts[1:], strict=True
        )
    )
    return replace(
        panel,
        id=name,
        area=area,
        outline_mm=np.concatenate([run[:-1] for _, run in runs]),
        holes_mm=tuple(np.asarray(hole.coords[:-1]) for hole in polygon.interiors),
        edges=edges,
    )


def stretch(panel: Panel, length_mm: float) -> Quantity:
    """A length on a panel whose two ends are on its outline: u^2 = (L scale)^2 + (2 shift)^2 + 2 point^2."""
    error = panel.error
    return panel.length(length_mm, root_sum_squares(length_mm * error.scale, 2.0 * error.shift_mm))


def _kind(run: Points) -> str:
    return "straight" if LineString(run[[0, -1]]).hausdorff_distance(LineString(run)) < STRAIGHT_MM else "curve"


def _joined(runs: list[tuple[int, Points]]) -> list[tuple[int, Points]]:
    """The runs beginning with the first line's, every one that lies on no line added to the one before it."""
    start = min((label, i) for i, (label, _) in enumerate(runs) if label >= 0)[1]
    joined: list[tuple[int, Points]] = []
    for label, run in runs[start:] + runs[:start]:
        if label < 0 or (joined and joined[-1][0] == label):
            joined[-1] = (joined[-1][0], np.vstack([joined[-1][1], run[1:]]))
        else:
            joined.append((label, run))
    return joined


def _numbered(names: Sequence[str]) -> list[str]:
    """Names made unique: one that comes several times gets a, b, ... in turn."""
    seen = dict.fromkeys(names, 0)
    unique = []
    for name in names:
        letter = ascii_lowercase[seen[name] % 26]
        unique.append(name + letter if names.count(name) > 1 else name)
        seen[name] += 1
    return unique
