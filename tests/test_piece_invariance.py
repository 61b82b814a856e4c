"""Turning and moving a piece on the mat, with its grain, changes nothing that is measured on it."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from flatmeasure.pieces.allowance import apply_allowance
from flatmeasure.pieces.darts import find_cuts
from flatmeasure.pieces.division import cut_parallel
from flatmeasure.pieces.edge_shapes import describe_edges
from flatmeasure.pieces.grain import grain_sizes
from flatmeasure.pieces.levels import extreme_widths, width_at
from flatmeasure.pieces.mirror import best_fold
from flatmeasure.pieces.panel import Grain, Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.rectangles import Direction, largest_rectangle
from flatmeasure.pieces.strips import StripPlan, place_strips
from flatmeasure.quantity import Quantity
from tests.panels import ERROR, darted, gore


def laid(panel: Panel, angle_deg: float, by: tuple[float, float]) -> Panel:
    """The piece turned and moved, its grain with it."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    outline = panel.outline_mm @ np.array([[c, s], [-s, c]]) + by
    turned = panel_from_outline(panel.id, outline, corners=[edge.first for edge in panel.edges], error=ERROR)
    return replace(turned, grain=Grain((80.0 + angle_deg) % 180.0, 0.5, "given"))


def rectangle_sides(panel: Panel) -> list[Quantity]:
    found = largest_rectangle(panel, Direction.ALONG, 1.5)
    assert found is not None
    return [found.length, found.width]


MEASURES: dict[str, Callable[[Panel], list[Quantity]]] = {
    "seam": lambda p: [edge.new_length for edge in apply_allowance(p, 12.0).edges],
    "inside": lambda p: [apply_allowance(p, {"A1": 30.0, "A2": 5.0}).area],
    "width": lambda p: [width_at(p, "A1", 150.0).width],
    "widest": lambda p: [level.width for level in extreme_widths(p, "A1")],
    "parts": lambda p: [part.area for part in cut_parallel(p, "A4", 60.0).parts],
    "shapes": lambda p: [quantity for shape in describe_edges(p) for quantity in (shape.chord, shape.depth)],
    "darts": lambda p: [quantity for cut in find_cuts(p) for quantity in (cut.intake, cut.depth, cut.opening)],
    "grain": lambda p: list(grain_sizes(p)),
    "fold": lambda p: [best_fold(p).deviation],
    "rectangle": rectangle_sides,
    "strips": lambda p: [place_strips(p, StripPlan(45.0)).total],
}
# The fold and the rectangle are searched for and end within a few hundredths; the round about a dart's tip is a polygon
# of 128 sides, whose corners lie elsewhere after a turn; the rest is exact.
TOLERANCE_MM = {"fold": 0.1, "rectangle": 0.1, "seam": 0.005, "inside": 0.5}


@pytest.mark.parametrize("name", list(MEASURES))
@pytest.mark.parametrize("panel", [gore(), darted()], ids=["gore", "darted"])
@pytest.mark.parametrize(("angle", "x", "y"), [(33.0, 410.0, -75.0), (100.0, 0.0, 0.0), (217.5, -300.0, 120.0)])
def test_nothing_changes(panel: Panel, name: str, angle: float, x: float, y: float) -> None:
    here, there = MEASURES[name](laid(panel, 0.0, (0.0, 0.0))), MEASURES[name](laid(panel, angle, (x, y)))
    tolerance = TOLERANCE_MM.get(name, 1e-4)
    assert [one.value for one in there] == pytest.approx([one.value for one in here], rel=1e-6, abs=tolerance)
    assert [one.u for one in there] == pytest.approx([one.u for one in here], rel=2e-2, abs=1e-3)
