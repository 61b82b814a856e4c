"""Unions that lose nothing, and which stretch of an outline came from where."""

import numpy as np
import pytest
from shapely.geometry import LineString, Polygon

from flatmeasure.pieces.panel_parts import traced, whole_union
from flatmeasure.pieces.rectangles import Direction
from flatmeasure.pieces.strips import Ends, StripPlan, place_strips
from tests.panels import gore
from tests.test_strips import grained


def test_union_of_touching_polygons_loses_none() -> None:
    """Strips laid side by side at 12 degrees: GEOS 3.14's own union of these drops one."""
    found = place_strips(grained(gore(), 12.0), StripPlan(40.0, Direction.ALONG, Ends.SLANTED))
    strips = [Polygon(strip.corners_mm) for strip in found.strips]
    assert whole_union(strips).area == pytest.approx(sum(strip.area for strip in strips), rel=1e-6)


def test_stretches_of_an_outline() -> None:
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    runs = traced(square, [LineString([(10, -5), (10, 20)]), LineString([(-5, 10), (20, 10)])])
    assert [(label, run.tolist()) for label, run in runs] == [
        (0, [[10.0, 0.0], [10.0, 10.0]]),
        (1, [[10.0, 10.0], [0.0, 10.0]]),
        (-1, [[0.0, 10.0], [0.0, 0.0], [10.0, 0.0]]),
    ]
