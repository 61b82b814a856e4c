"""Widths of a piece at levels, such as hem, hip and waist of a garment laid flat.

A level is a straight line at a distance from an edge, measured at right angles to that edge's chord, into the cloth.
"""

from dataclasses import dataclass

import numpy as np
from shapely import line_merge
from shapely.geometry import LinearRing, LineString, Polygon

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel, line_length
from flatmeasure.quantity import Quantity, root_sum_squares

SEARCHED = 0.05  # widest and narrowest leave out this share of the height at both ends
BESIDE_VERTEX_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Level:
    """A piece's width at a level.

    Attributes
    ----------
    distance_mm : float
        From the edge.
    width : Quantity
        From the outermost point on one side to the other.
    spans : tuple of Quantity
        Widths of cloth alone, from the edge's start on: two trouser legs, or left and right of a hole.
    ends_mm : (2, 2) array
        The outermost points.
    """

    distance_mm: float
    width: Quantity
    spans: tuple[Quantity, ...]
    ends_mm: Points


@dataclass(frozen=True, eq=False)
class _Frame:
    """Axes of an edge: along its chord and into the cloth."""

    origin: Points
    along: Points
    inward: Points

    def of(self, points: Points) -> Points:
        """(N, 2) along and inward of points."""
        return np.asarray((points - self.origin) @ np.column_stack([self.along, self.inward]))

    def at(self, points: Points) -> Points:
        """The mat's coordinates of points given along and inward."""
        return np.asarray(self.origin + points @ np.vstack([self.along, self.inward]))


def _frame(panel: Panel, edge_id: str) -> _Frame:
    line = panel.edge_points(panel.edge(edge_id))
    chord = line[-1] - line[0]
    if np.hypot(*chord) < 1e-6:
        raise ValueError(f"the edge {edge_id} is closed in itself and has no direction")
    along = chord / np.hypot(*chord)
    return _Frame(line[0], along, np.array([-along[1], along[0]]))


def height(panel: Panel, edge_id: str) -> Quantity:
    """How far the piece reaches from an edge's chord, at right angles to it.

    Raises
    ------
    KeyError
        No such edge.
    """

    def reach(moved: Panel) -> Points:
        return np.array([np.max(_frame(moved, edge_id).of(moved.outline_mm)[:, 1])])

    return panel.length(float(reach(panel)[0]), float(panel.shared(reach)[0]))


def width_at(panel: Panel, edge_id: str, distance_mm: float) -> Level:
    """The width of a piece at a level.

    Parameters
    ----------
    panel : Panel
    edge_id : str
        Id or label of the edge from which the level is measured.
    distance_mm : float

    Returns
    -------
    Level
        u^2 = shared^2 + sum over both ends of (point / sin a)^2 + (slope point)^2: an end that meets the level at the
        angle a slides along it by point / sin a; the level, as uncertain as a place of its edge, changes the width by
        its slope.

    Raises
    ------
    KeyError
        No such edge.
    ValueError
        If the level misses the piece.
    """
    crossings = _crossings(panel, edge_id, distance_mm)
    if len(crossings) < 2:
        raise ValueError(f"at {distance_mm:.0f} mm from {edge_id} there is no cloth")
    ends = crossings[[0, -1]]

    def width(moved: Panel) -> Points:
        found = _crossings(moved, edge_id, distance_mm)
        return np.array([found[-1] - found[0]]) if len(found) else np.zeros(1)

    shared = float(panel.shared(width)[0])
    sides = _sides(panel, edge_id, distance_mm, ends)
    own = panel.error.point_mm * np.array([*np.hypot(1.0, sides), sides[1] - sides[0]])
    spans = tuple(
        Quantity(float(b - a), root_sum_squares((b - a) / (ends[1] - ends[0]) * shared, own[:2]), "mm")
        for a, b in crossings.reshape(-1, 2)
    )
    return Level(
        distance_mm=distance_mm,
        width=Quantity(float(ends[1] - ends[0]), root_sum_squares(shared, own), "mm"),
        spans=spans,
        ends_mm=_frame(panel, edge_id).at(np.column_stack([ends, np.full(2, distance_mm)])),
    )


def extreme_widths(panel: Panel, edge_id: str, within_mm: tuple[float, float] | None = None) -> tuple[Level, Level]:
    """The widest and the narrowest level.

    Between vertices the width changes evenly, so only levels of vertices are tried.

    Parameters
    ----------
    panel : Panel
    edge_id : str
        Id or label of the edge that distances are taken from.
    within_mm : (float, float), optional
        Distances from the edge to look between; without the outer twentieths of the height when None.

    Returns
    -------
    (Level, Level)
        The widest first.

    Raises
    ------
    KeyError, ValueError
        As `width_at`.
    """
    heights = _frame(panel, edge_id).of(np.vstack([panel.outline_mm, *panel.holes_mm]))[:, 1]
    low, high = within_mm or (SEARCHED * float(heights.max()), (1.0 - SEARCHED) * float(heights.max()))
    vertices = heights[(heights > low) & (heights < high)]
    tried = np.unique(np.concatenate([[low, high], vertices - BESIDE_VERTEX_MM, vertices + BESIDE_VERTEX_MM]))
    widths = []
    for level in tried:
        found = _crossings(panel, edge_id, float(level))
        widths.append(found[-1] - found[0] if len(found) else np.nan)
    if np.all(np.isnan(widths)):
        raise ValueError(f"between {low:.0f} and {high:.0f} mm from {edge_id} there is no cloth")
    widest, narrowest = tried[np.nanargmax(widths)], tried[np.nanargmin(widths)]
    return width_at(panel, edge_id, float(widest)), width_at(panel, edge_id, float(narrowest))


def lengths_between(panel: Panel, edge_id: str, low_mm: float, high_mm: float) -> tuple[Quantity, Quantity]:
    """Lengths of the outline between two levels: on the side of the edge's start, and on that of its end.

    Raises
    ------
    KeyError
        No such edge.
    ValueError
        If the levels do not both cross the piece, in this order.
    """
    if not 0.0 <= low_mm < high_mm or min(len(_crossings(panel, edge_id, y)) for y in (low_mm, high_mm)) < 2:
        raise ValueError(f"there is no outline from {low_mm:.0f} to {high_mm:.0f} mm from {edge_id}")

    def lengths(moved: Panel) -> Points:
        frame = _frame(moved, edge_id)
        x = frame.of(moved.outline_mm)[:, 0]
        left, right = float(x.min()) - 1.0, float(x.max()) + 1.0
        band = np.array([[left, low_mm], [right, low_mm], [right, high_mm], [left, high_mm]])
        found = line_merge(LinearRing(moved.outline_mm).intersection(Polygon(frame.at(band))))
        sides = [np.asarray(side.coords) for side in getattr(found, "geoms", [found])]
        sides.sort(key=lambda side: float(frame.of(side)[:, 0].mean()))
        return np.array([line_length(sides[0]), line_length(sides[-1])])

    start, end = lengths(panel)
    u_start, u_end = panel.shared(lengths)
    return panel.length(float(start), float(u_start)), panel.length(float(end), float(u_end))


def _crossings(panel: Panel, edge_id: str, distance_mm: float) -> Points:
    """Where a level enters and leaves the cloth (2 S,), along the edge."""
    frame = _frame(panel, edge_id)
    reach = frame.of(panel.outline_mm)[:, 0]
    line = frame.at(np.array([[reach.min() - 1.0, distance_mm], [reach.max() + 1.0, distance_mm]]))
    inside = LineString(line).intersection(panel.polygon)
    parts = [part for part in getattr(inside, "geoms", [inside]) if part.length > 0.0]
    return np.sort(
        np.concatenate([frame.of(np.asarray(part.coords)[[0, -1]])[:, 0] for part in parts] or [np.zeros(0)])
    )


def _sides(panel: Panel, edge_id: str, distance_mm: float, ends: Points) -> Points:
    """(2,) slopes along / inward of the outline where a level leaves it."""
    here = np.array(ends)
    for step in (0.5, -0.5):
        there = _crossings(panel, edge_id, distance_mm + step)
        if len(there) >= 2:
            return np.clip((there[[0, -1]] - here) / step, -10.0, 10.0)
    return np.zeros(2)
