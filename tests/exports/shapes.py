"""Pieces of random shape for property tests, and how far a piece that was read back is from its panel."""

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely.geometry import Polygon

from flatmeasure.pieces.panel import Panel, line_length
from flatmeasure.pieces.panel_file import panel_from_outline


def gore() -> Panel:
    """A skirt's gore with points every two millimetres: hem (curved), side, waist (curved), side."""
    t = np.linspace(0.0, 1.0, 201)[:, None]
    hem = np.array([-210.0, 0.0]) * (1 - t) + np.array([200.0, 10.0]) * t + [0.0, -40.0] * (4 * t * (1 - t))
    waist = np.array([95.0, 600.0]) * (1 - t) + np.array([-90.0, 590.0]) * t + [0.0, -12.0] * (4 * t * (1 - t))
    return panel_from_outline("A", np.concatenate([hem, waist]), corners=[0, 200, 201, 401])


@st.composite
def smooth_panels(draw: st.DrawFn) -> Panel:
    """Panels of 200 to 900 mm with three to seven corners; every second edge curved, points every millimetre or so."""
    corners = draw(st.integers(3, 7))
    size = draw(st.floats(200.0, 900.0)) / 2.0
    angle = np.arange(corners) * 2.0 * np.pi / corners + draw(st.floats(0.0, 6.0))
    radius = size * np.array([draw(st.floats(0.7, 1.0)) for _ in range(corners)])
    ends = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    outline: list[NDArray[np.float64]] = []
    starts = []
    for k, start in enumerate(ends):
        end = ends[(k + 1) % corners]
        starts.append(sum(map(len, outline)))
        outline.append(_side(start, end, draw(st.floats(-0.15, 0.15)), draw(st.floats(-0.06, 0.06)), k % 2 == 1))
    return panel_from_outline("A", np.concatenate(outline), corners=starts)


def _side(start: NDArray[np.float64], end: NDArray[np.float64], depth: float, sway: float, curved: bool) -> NDArray:
    """Points from one corner to just before the next; a curve bulges by a share of its chord, and may be S-shaped."""
    if not curved:
        return start[None]
    chord = end - start
    count = max(int(np.hypot(*chord)), 8)
    t = np.linspace(0.0, 1.0, count, endpoint=False)[:, None]
    across = np.array([-chord[1], chord[0]])
    bulge = depth * np.sin(np.pi * t) + sway * np.sin(2.0 * np.pi * t)
    return np.asarray(start + t * chord + bulge * across)


@dataclass(frozen=True)
class Change:
    """What an export and its reading changed.

    Attributes
    ----------
    corner_mm, length_mm : float
        The largest change of a corner's place and of an edge's length.
    area_mm : float
        Change of the area over the perimeter: by how much the outline moved on the whole.
    """

    corner_mm: float
    length_mm: float
    area_mm: float


def change(panel: Panel, back: Polygon) -> Change:
    """How far a polygon is from the panel it was drawn from, wherever it was moved to."""
    ring = np.asarray(back.exterior.coords[:-1])
    corners = np.array([panel.outline_mm[edge.first] for edge in panel.edges])
    move = ring.min(axis=0) - panel.outline_mm.min(axis=0)
    for _ in range(5):
        nearest = [int(np.argmin(np.sum((ring - move - corner) ** 2, axis=1))) for corner in corners]
        move = np.mean(ring[nearest] - corners, axis=0)
    lengths = []
    for k, edge in enumerate(panel.edges):
        count = (nearest[(k + 1) % len(nearest)] - nearest[k]) % len(ring) or len(ring)
        part = ring[np.arange(nearest[k], nearest[k] + count + 1) % len(ring)]
        lengths.append(line_length(part) - line_length(panel.edge_points(edge)))
    return Change(
        float(np.max(np.abs(ring[nearest] - move - corners))),
        float(np.max(np.abs(lengths))),
        abs(back.area - panel.polygon.area) / panel.polygon.length,
    )
