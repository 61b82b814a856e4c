"""The largest rectangles against closed forms and exact containment."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon

from flatmeasure.pieces.panel import OutlineError, Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.rectangles import Direction, free_stretches, largest_rectangle, usable
from tests.panels import ERROR, circle, darted, gore, grained, rectangle

TURN_DEG = 17.0


def triangle(side: float = 300.0) -> Panel:
    """A right isosceles triangle on a mat turned by 17 degrees, its grain along a short side."""
    c, s = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    corners = np.array([[0.0, 0.0], [side, 0.0], [0.0, side]]) @ np.array([[c, s], [-s, c]])
    return grained(panel_from_outline("A", corners, error=ERROR), TURN_DEG)


@pytest.mark.parametrize("direction", list(Direction))
def test_triangle_closed_form(direction: Direction) -> None:
    """The largest rectangle in a triangle with a side on the triangle's has half its area."""
    found = largest_rectangle(triangle(), direction)
    assert found is not None
    assert found.area.value == pytest.approx(300.0**2 / 4.0, rel=1e-4)


@pytest.mark.parametrize("ratio", [1.0, 1.5, 4.0])
def test_ratio_in_a_circle_closed_form(ratio: float) -> None:
    """Its diagonal is the diameter: width 400 / sqrt(1 + ratio^2). The outline is thinned by 0.02 mm first."""
    found = largest_rectangle(grained(panel_from_outline("A", circle(200.0), corners=[0])), Direction.ACROSS, ratio)
    assert found is not None
    assert found.width.value == pytest.approx(400.0 / np.hypot(1.0, ratio), rel=5e-4)
    assert found.length.value == pytest.approx(ratio * found.width.value, rel=1e-9)


def test_ratio_in_a_triangle_closed_form() -> None:
    """Legs along and across: w + 2 w = 300 + ... a rectangle 2 w by w in the right angle has 2 w + w = 300."""
    found = largest_rectangle(triangle(), Direction.ALONG, 2.0)
    assert found is not None
    assert (found.length.value, found.width.value) == (pytest.approx(200.0, rel=1e-3), pytest.approx(100.0, rel=1e-3))


def test_whole_rectangle() -> None:
    """600 x 400: the length along the long side takes it all; along the short side, no longer than 400."""
    along = largest_rectangle(grained(rectangle(600.0, 400.0)), Direction.ALONG)
    across = largest_rectangle(grained(rectangle(600.0, 400.0)), Direction.ACROSS)
    assert along is not None
    assert across is not None
    assert (along.length.value, along.width.value) == (pytest.approx(600.0, abs=0.05), pytest.approx(400.0, abs=0.05))
    assert (across.length.value, across.width.value) == (pytest.approx(400.0, abs=0.05), pytest.approx(400.0, abs=0.05))


def test_hole_is_avoided() -> None:
    """A hole of 100 x 100 in the middle of 600 x 300: the best lies beside it, 250 x 300, or above it, 600 x 100."""
    hole = np.array([[250.0, 100.0], [350.0, 100.0], [350.0, 200.0], [250.0, 200.0]])
    panel = grained(panel_from_outline("A", rectangle(600.0, 300.0).outline_mm, holes_mm=[hole]))
    found = largest_rectangle(panel, Direction.ACROSS)
    assert found is not None
    assert found.area.value == pytest.approx(250.0 * 300.0, rel=1e-3)
    assert largest_rectangle(panel, Direction.ALONG).area.value == pytest.approx(250.0**2, rel=1e-3)  # type: ignore[union-attr]


def test_flaw_is_avoided() -> None:
    flaw = np.array([[500.0, 0.0], [520.0, 0.0], [520.0, 400.0], [500.0, 400.0]])
    found = largest_rectangle(replace(grained(rectangle(600.0, 400.0)), flaws_mm=(flaw,)), Direction.ALONG)
    assert found is not None
    assert found.area.value == pytest.approx(500.0 * 400.0, rel=1e-3)


@pytest.mark.parametrize("panel", [gore(), darted()], ids=["gore", "darted"])
@pytest.mark.parametrize("direction", list(Direction))
def test_lies_on_the_cloth(panel: Panel, direction: Direction) -> None:
    """Exact check, beyond the 0.02 mm by which the outline was thinned."""
    found = largest_rectangle(grained(panel, 12.0), direction)
    assert found is not None
    assert usable(panel).buffer(0.021).contains(Polygon(found.corners_mm))
    assert Polygon(found.corners_mm).area == pytest.approx(found.area.value)
    side = found.corners_mm[1] - found.corners_mm[0]
    turn = np.degrees(np.arctan2(side[1], side[0])) - 12.0
    expected = {Direction.ALONG: [0.0], Direction.ACROSS: [90.0], Direction.BIAS: [45.0, -45.0]}[direction]
    assert any(abs((turn - angle + 90.0) % 180.0 - 90.0) < 1e-6 for angle in expected)


def test_uncertainty_by_hand() -> None:
    found = largest_rectangle(grained(rectangle(600.0, 400.0)), Direction.ALONG)
    assert found is not None
    assert found.length.u == pytest.approx(rectangle(600.0, 400.0).edges[0].length.u, rel=1e-3)
    s, c, p = ERROR.scale, ERROR.shift_mm, ERROR.point_mm
    expected = np.sqrt((2 * 240e3 * s) ** 2 + (2000 * c) ** 2 + 2 * p**2 * (600.0**2 + 400.0**2))
    assert found.area.u == pytest.approx(expected, rel=1e-3)


def test_free_stretches() -> None:
    lap = Polygon([(0, 0), (10, 0), (10, 4), (6, 4), (6, 8), (4, 8), (4, 4), (0, 4)])
    assert free_stretches(lap, 1.0, 3.0).tolist() == [[0.0, 10.0]]
    assert free_stretches(lap, 1.0, 6.0).tolist() == [[4.0, 6.0]]
    assert free_stretches(lap, 5.0, 9.0).tolist() == []


def test_all_flaw_gives_none() -> None:
    panel = replace(grained(rectangle(600.0, 400.0, OutlineError())), flaws_mm=(circle(900.0),))
    assert largest_rectangle(panel, Direction.ALONG) is None


def test_unknown_grain_failure() -> None:
    with pytest.raises(ValueError, match="grain of piece A is not known"):
        largest_rectangle(gore(), Direction.ALONG)
