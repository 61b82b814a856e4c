"""Panels of known shape for the tests: drawn by formula, none symmetric unless it says so."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatmeasure.pieces.panel import Grain, OutlineError, Panel, outward
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.quantity import CORRELATION_MM

ERROR = OutlineError(scale=0.0012, shift_mm=0.08, point_mm=0.15)


def circle(radius_mm: float, sides: int = 720) -> NDArray[np.float64]:
    """(N, 2) regular polygon inside a circle, counter-clockwise."""
    angle = np.arange(sides) * 2.0 * np.pi / sides
    return radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


def rectangle(width_mm: float, height_mm: float, error: OutlineError = ERROR, name: str = "A") -> Panel:
    """Its edges go hem, right, top, left."""
    corners = [[0.0, 0.0], [width_mm, 0.0], [width_mm, height_mm], [0.0, height_mm]]
    return panel_from_outline(name, corners, error=error)


def grained(panel: Panel, angle_deg: float = 0.0) -> Panel:
    """The panel with a grain as a person gives it."""
    return replace(panel, grain=Grain(angle_deg, 0.5, "given"))


def gore(error: OutlineError = ERROR, name: str = "A") -> Panel:
    """A skirt gore: straight sides of unlike slant, curved hem and waist. Edges: hem, right, waist, left."""
    t = np.linspace(0.0, 1.0, 41)[:, None]
    hem = np.array([-210.0, 0.0]) * (1 - t) + np.array([200.0, 10.0]) * t + [0.0, -40.0] * (4 * t * (1 - t))
    waist = np.array([95.0, 600.0]) * (1 - t) + np.array([-90.0, 590.0]) * t + [0.0, -12.0] * (4 * t * (1 - t))
    return panel_from_outline(name, np.concatenate([hem, waist]), corners=[0, 40, 41, 81], error=error)


def darted(intake_mm: float = 30.0, depth_mm: float = 130.0, error: OutlineError = ERROR) -> Panel:
    """A bodice front, as its dart is cut out: waist, two dart legs, waist, side, armhole, shoulder, neck, front."""
    t = np.linspace(0.0, 1.0, 31)[:, None]
    armhole = (1 - t) ** 2 * [260.0, 210.0] + 2 * t * (1 - t) * [195.0, 235.0] + t**2 * [200.0, 395.0]
    neck = (1 - t) ** 2 * [75.0, 430.0] + 2 * t * (1 - t) * [62.0, 345.0] + t**2 * [0.0, 340.0]
    start = [[0.0, 0.0], [105.0, -4.0], [120.0, depth_mm - 4.0], [105.0 + intake_mm, -4.0], [240.0, 6.0]]
    outline = np.concatenate([start, armhole, neck])
    return panel_from_outline("A", outline, corners=[0, 1, 2, 3, 4, 5, 35, 36, 66], error=error)


def monte_carlo(panel: Panel, measure: Callable[[Panel], float], draws: int = 300, seed: int = 1) -> float:
    """Standard deviation of a measure when the three causes of a panel's error are drawn (JCGM 101:2008).

    Point errors are drawn along the outline's normals, one for each stretch of the correlation length.
    """
    rng = np.random.default_rng(seed)
    dense = replace(densified(panel), error=OutlineError())
    along = np.cumsum(np.linalg.norm(np.diff(dense.outline_mm, axis=0, append=dense.outline_mm[:1]), axis=1))
    stretch = (along / CORRELATION_MM).astype(int)
    normals = outward(dense.outline_mm)
    values = []
    for _ in range(draws):
        moved = dense.moved(scale=rng.normal(0.0, panel.error.scale), shift_mm=rng.normal(0.0, panel.error.shift_mm))
        own = rng.normal(0.0, panel.error.point_mm, stretch[-1] + 1)[stretch]
        values.append(measure(replace(moved, outline_mm=moved.outline_mm + own[:, None] * normals)))
    return float(np.std(values))


def densified(panel: Panel, step_mm: float = 5.0) -> Panel:
    """The same panel with further points on its long segments."""
    points, corners = [], []
    for edge in panel.edges:
        corners.append(len(points))
        line = panel.edge_points(edge)
        for a, b in pairwise(line):
            count = max(1, round(float(np.hypot(*(b - a))) / step_mm))
            points += [a + (b - a) * i / count for i in range(count)]
    ends = [*corners[1:], corners[0]]
    edges = tuple(replace(edge, first=a, last=b) for edge, a, b in zip(panel.edges, corners, ends, strict=True))
    return replace(panel, outline_mm=np.array(points), edges=edges)
