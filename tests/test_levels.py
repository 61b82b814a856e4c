"""Widths at levels against trapezoids and circles."""

import numpy as np
import pytest

from flatmeasure.pieces.levels import extreme_widths, height, lengths_between, width_at
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from tests.panels import ERROR, circle, densified, gore, monte_carlo, rectangle


def turned(points: list[list[float]], angle_deg: float = 33.0) -> np.ndarray:
    """Points turned and shifted, for nothing depends on how the mat lies."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array(points) @ np.array([[c, s], [-s, c]]) + [120.0, -40.0]


def trapezoid() -> Panel:
    """520 below, 180 above, 600 high, leaning to the right."""
    return panel_from_outline("A", turned([[0, 0], [520, 0], [430, 600], [250, 600]]), error=ERROR)


def trousers() -> Panel:
    """Upside down: the waist is A1; legs of 180 and 170 mm, 320 mm apart from the waist."""
    points = [[0, 0], [400, 0], [420, 1000], [250, 1000], [210, 320], [190, 1000], [10, 1000]]
    return panel_from_outline("A", turned(points), error=ERROR)


@pytest.mark.parametrize("level", [0.0, 1.0, 150.0, 420.0, 599.0])
def test_trapezoid_closed_form(level: float) -> None:
    """w(y) = 520 - (520 - 180) y / 600."""
    assert width_at(trapezoid(), "A1", level).width.value == pytest.approx(520.0 - 340.0 * level / 600.0)
    assert height(trapezoid(), "A1").value == pytest.approx(600.0)


def test_circle_chords() -> None:
    """A disc over a chord of 240: r = 200, the chord lies 160 below its centre; w(y) = 2 sqrt(r^2 - (y - 160)^2)."""
    start = np.arctan2(-160.0, 120.0)
    angle = np.linspace(start, np.pi - start, 1801)
    arc = 200.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    panel, edge = panel_from_outline("A", arc, corners=[0, 1800]), "A2"
    for level in (40.0, 160.0, 300.0):
        expected = 2.0 * np.sqrt(200.0**2 - (level - 160.0) ** 2)
        assert width_at(panel, edge, level).width.value == pytest.approx(expected, rel=1e-4)
    widest, narrowest = extreme_widths(panel, edge, (20.0, 330.0))
    assert (widest.distance_mm, widest.width.value) == (pytest.approx(160.0, abs=1.0), pytest.approx(400.0, rel=1e-5))
    assert narrowest.distance_mm == 330.0


def test_two_legs() -> None:
    level = width_at(trousers(), "A1", 990.0)
    assert len(level.spans) == 2
    assert level.width.value > sum(span.value for span in level.spans)
    assert len(width_at(trousers(), "A1", 200.0).spans) == 1
    ends = level.ends_mm[1] - level.ends_mm[0]
    assert np.hypot(*ends) == pytest.approx(level.width.value)


def test_hole_is_no_cloth() -> None:
    hole = circle(30.0) + np.array([300.0, 200.0])
    panel = panel_from_outline("A", rectangle(600.0, 400.0).outline_mm, holes_mm=[hole])
    level = width_at(panel, "A1", 200.0)
    assert level.width.value == pytest.approx(600.0)
    assert [span.value for span in level.spans] == pytest.approx([270.0, 270.0])


def test_widest_and_narrowest() -> None:
    """An hourglass is narrowest at its waist, 250 mm up, though its top is narrower than its hem."""
    outline = [[0, 0], [500, 0], [400, 250], [480, 600], [60, 600], [90, 250]]
    widest, narrowest = extreme_widths(panel_from_outline("A", outline), "A1")
    assert narrowest.distance_mm == pytest.approx(250.0, abs=0.01)
    assert narrowest.width.value == pytest.approx(310.0, rel=1e-4)
    assert widest.distance_mm == pytest.approx(30.0)


def test_side_lengths_between_levels() -> None:
    """Between 100 and 400 mm: 300 times the slant of each side."""
    start, end = lengths_between(trapezoid(), "A1", 100.0, 400.0)
    assert start.value == pytest.approx(300.0 * np.hypot(250.0, 600.0) / 600.0)
    assert end.value == pytest.approx(300.0 * np.hypot(90.0, 600.0) / 600.0)


def test_width_uncertainty_by_hand() -> None:
    """Across a rectangle: u^2 = (w s)^2 + (2 c)^2 + 2 p^2."""
    width = width_at(rectangle(600.0, 400.0), "A1", 150.0).width
    expected = (600.0 * ERROR.scale) ** 2 + (2 * ERROR.shift_mm) ** 2 + 2 * ERROR.point_mm**2
    assert width.u == pytest.approx(np.sqrt(expected), rel=1e-6)


@pytest.mark.parametrize("panel", [trapezoid(), gore()], ids=["trapezoid", "gore"])
def test_width_uncertainty_against_monte_carlo(panel: Panel) -> None:
    """200 draws know a standard deviation to 5 %; the level hangs on two points of its edge, not on one."""
    stated = width_at(panel, "A1", 230.0).width.u
    drawn = monte_carlo(panel, lambda moved: width_at(moved, "A1", 230.0).width.value, draws=200)
    assert stated == pytest.approx(drawn, rel=0.2)


def test_denser_outline_same_width() -> None:
    one, many = (width_at(panel, "A1", 230.0).width for panel in (gore(), densified(gore())))
    assert one.value == pytest.approx(many.value)


@pytest.mark.parametrize("level", [-5.0, 601.0])
def test_level_beside_the_piece_failure(level: float) -> None:
    with pytest.raises(ValueError, match="no cloth"):
        width_at(trapezoid(), "A1", level)


def test_levels_out_of_order_failure() -> None:
    with pytest.raises(ValueError, match="no outline"):
        lengths_between(trapezoid(), "A1", 400.0, 100.0)


def test_closed_edge_failure() -> None:
    with pytest.raises(ValueError, match="no direction"):
        height(panel_from_outline("A", circle(100.0), corners=[0]), "A1")
