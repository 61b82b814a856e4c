"""Cutting a piece in parts: areas, names and cut lengths against closed forms."""

import numpy as np
import pytest

from flatmeasure.pieces.division import cut_parallel, divide
from flatmeasure.pieces.panel import OutlineError, line_length
from flatmeasure.pieces.panel_file import panel_from_outline
from tests.panels import ERROR, circle, gore, monte_carlo, rectangle

SLANTED = [[0.0, 0.0], [520.0, 0.0], [430.0, 600.0], [250.0, 600.0]]


def test_trapezoid_closed_form() -> None:
    """At 200 mm the width is 520 - 340 / 3; both parts are trapezoids again."""
    division = cut_parallel(panel_from_outline("A", SLANTED, error=ERROR), "A1", 200.0)
    width = 520.0 - 340.0 * 200.0 / 600.0
    assert division.cuts[0].value == pytest.approx(width)
    assert [part.area.value for part in division.parts] == pytest.approx(
        [(520.0 + width) / 2 * 200.0, (width + 180.0) / 2 * 400.0]
    )
    assert [part.id for part in division.parts] == ["A-1", "A-2"]
    assert [[edge.id for edge in part.edges] for part in division.parts] == [
        ["A1", "A2", "cut1", "A4"],
        ["A2", "A3", "A4", "cut1"],
    ]


def test_parts_measure_like_panels() -> None:
    """The upper part's edges add up to its outline; what is left of a side is its share."""
    upper = cut_parallel(panel_from_outline("A", SLANTED, error=ERROR), "A1", 200.0).parts[1]
    assert sum(edge.length.value for edge in upper.edges) == pytest.approx(upper.outer.length)
    assert upper.edge("A2").length.value == pytest.approx(np.hypot(90.0, 600.0) * 2 / 3)
    assert line_length(upper.edge_points(upper.edge("A2"))) == pytest.approx(upper.edge("A2").length.value)


def test_curved_edge_has_a_curved_parallel() -> None:
    """A ring sector of 90 degrees, radii 300 and 700: 150 mm up from the outer arc the cut is an arc of radius 550."""
    angle = np.radians(np.linspace(225.0, 315.0, 181))
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    panel = panel_from_outline(
        "A", np.vstack([700.0 * unit, 300.0 * unit[::-1]]), corners=[0, 180, 181, 361], error=ERROR
    )
    division = cut_parallel(panel, "A1", 150.0)
    assert division.cuts[0].value == pytest.approx(np.pi / 2 * 550.0, rel=1e-4)
    assert division.parts[0].area.value == pytest.approx(np.pi / 4 * (700.0**2 - 550.0**2), rel=1e-4)
    assert division.parts[1].area.value == pytest.approx(np.pi / 4 * (550.0**2 - 300.0**2), rel=1e-4)
    assert division.parts[0].edge("cut1").kind == "curve"


def test_hole_in_the_way() -> None:
    hole = circle(50.0, 3600) + np.array([300.0, 200.0])
    panel = panel_from_outline("A", rectangle(600.0, 400.0).outline_mm, holes_mm=[hole])
    division = cut_parallel(panel, "A1", 200.0)
    assert division.cuts[0].value == pytest.approx(500.0, rel=1e-6)
    assert sum(part.area.value for part in division.parts) == pytest.approx(panel.area.value)


def test_free_lines_make_panels() -> None:
    """Two seams that stop 10 mm short of the edge, one of them on the other."""
    seams = [np.array([[200.0, 10.0], [200.0, 390.0]]), np.array([[210.0, 150.0], [590.0, 150.0]])]
    division = divide(rectangle(600.0, 400.0), seams)
    assert sorted(part.area.value for part in division.parts) == pytest.approx([400 * 150.0, 200 * 400.0, 400 * 250.0])
    names = [[edge.id for edge in part.edges] for part in division.parts]
    assert ["A1b", "A2", "cut2", "cut1"] in names or ["A1", "A2", "cut2", "cut1"] in names


def test_area_uncertainty_by_hand() -> None:
    """Lower part 600 x 150 of a rectangle, its cut exact to its hem: the hem's shift moves both lines, so (300 c)."""
    lower = cut_parallel(rectangle(600.0, 400.0), "A1", 150.0).parts[0].area
    s, c, p = ERROR.scale, ERROR.shift_mm, ERROR.point_mm
    expected = np.sqrt((600.0 * s * 150.0) ** 2 + (300.0 * c) ** 2 + 5.0 * 900.0 * p**2)
    assert lower.u == pytest.approx(expected, rel=1e-3)


def test_area_uncertainty_against_monte_carlo() -> None:
    exact = OutlineError(scale=ERROR.scale, shift_mm=ERROR.shift_mm)
    drawn = monte_carlo(gore(exact), lambda moved: cut_parallel(moved, "A1", 250.0).parts[1].area.value, draws=150)
    assert cut_parallel(gore(exact), "A1", 250.0).parts[1].area.u == pytest.approx(drawn, rel=0.2)


def test_line_beside_the_piece_failure() -> None:
    with pytest.raises(ValueError, match="does not divide"):
        cut_parallel(rectangle(600.0, 400.0), "A1", 700.0)


def test_edge_too_curved_failure() -> None:
    with pytest.raises(ValueError, match="too curved"):
        cut_parallel(gore(), "A1", 900.0)


def test_line_too_short_failure() -> None:
    with pytest.raises(ValueError, match="do not divide"):
        divide(rectangle(600.0, 400.0), [np.array([[200.0, 50.0], [200.0, 390.0]])])
