"""Allowances against closed forms, two other offset implementations, Monte Carlo and common practice."""

import numpy as np
import pyclipper
import pytest
from shapely.geometry import LineString, Point, Polygon

from flatmeasure.pieces.allowance import apply_allowance, changed_panel
from flatmeasure.pieces.panel import OutlineError
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.units import MM_PER_INCH
from tests.panels import ERROR, circle, darted, gore, monte_carlo, rectangle

EXACT = OutlineError()
TRAPEZOID = np.array([[0.0, 0.0], [500.0, 0.0], [420.0, 300.0], [150.0, 300.0]])
BAY = np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 300.0], [250.0, 300.0], [230.0, 120.0], [160.0, 310.0], [0.0, 280.0]])


def clipper_area(outline: np.ndarray, distance_mm: float) -> float:
    """Area after a mitred offset by pyclipper, in tenths of a micrometre."""
    scale = 1e4
    offset = pyclipper.PyclipperOffset(5.0)
    offset.AddPath((outline * scale).astype(np.int64).tolist(), pyclipper.JT_MITER, pyclipper.ET_CLOSEDPOLYGON)
    paths = offset.Execute(distance_mm * scale)
    return sum(Polygon(np.array(path) / scale).area for path in paths)


@pytest.mark.parametrize("outline", [TRAPEZOID, BAY, gore().outline_mm], ids=["trapezoid", "bay", "gore"])
@pytest.mark.parametrize("inward_mm", [6.0, 15.0, -10.0, -25.4])
def test_against_shapely_and_pyclipper(outline: np.ndarray, inward_mm: float) -> None:
    seamed = apply_allowance(panel_from_outline("A", outline), inward_mm)
    other = Polygon(outline).buffer(-inward_mm, join_style="mitre", mitre_limit=5.0)
    assert seamed.area.value == pytest.approx(other.area, rel=1e-9)
    assert Polygon(seamed.outlines_mm[0]).hausdorff_distance(other) < 1e-6
    assert seamed.area.value == pytest.approx(clipper_area(outline, -inward_mm), rel=1e-6)


def test_convex_polygon_closed_form() -> None:
    """Steiner's formula for a mitred inset: A - P a + a^2 sum cot(angle / 2); each edge loses a (cot/2 + cot/2)."""
    a = 15.0
    panel = panel_from_outline("A", TRAPEZOID)
    back, ahead = TRAPEZOID - np.roll(TRAPEZOID, 1, axis=0), np.roll(TRAPEZOID, -1, axis=0) - TRAPEZOID
    turn = np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], np.sum(back * ahead, axis=1))
    cot = np.tan(turn / 2.0)  # of half the interior angle
    seamed = apply_allowance(panel, a)
    expected = panel.area.value - panel.outer.length * a + a**2 * float(np.sum(cot))
    assert seamed.area.value == pytest.approx(expected, rel=1e-12)
    lengths = np.linalg.norm(ahead, axis=1) - a * (cot + np.roll(cot, -1))
    assert [edge.new_length.value for edge in seamed.edges] == pytest.approx(lengths, rel=1e-12)


def test_circle_closed_form() -> None:
    """A circle of radius r, inset by a, has circumference 2 pi (r - a); the 720-gon is within 4e-6 of it."""
    seamed = apply_allowance(panel_from_outline("A", circle(150.0), corners=[0]), 10.0)
    assert seamed.edges[0].new_length.value == pytest.approx(2 * np.pi * 140.0, rel=1e-5)
    assert seamed.area.value == pytest.approx(np.pi * 140.0**2, rel=2e-5)


def test_sector_closed_form() -> None:
    """Quarter circle: straight radii on the fold (0), the arc cut with 20 mm: a quarter circle of r - 20 is left."""
    angle = np.linspace(0.0, np.pi / 2, 361)
    arc = 300.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    panel = panel_from_outline("A", np.vstack([[[0.0, 0.0]], arc]), corners=[0, 1, 361])
    assert panel.area.value == pytest.approx(np.pi * 300.0**2 / 4, rel=1e-5)
    seamed = apply_allowance(panel, {"A2": 20.0})
    assert seamed.area.value == pytest.approx(np.pi * 280.0**2 / 4, rel=2e-5)
    assert [edge.new_length.value for edge in seamed.edges] == pytest.approx([280.0, np.pi * 140.0, 280.0], rel=1e-4)


def test_allowance_taken_off_and_put_back() -> None:
    cut = rectangle(300.0, 300.0, EXACT)
    seamed = apply_allowance(cut, 12.0)
    back = apply_allowance(rectangle(276.0, 276.0, EXACT), -12.0)
    assert [edge.new_length.value for edge in seamed.edges] == pytest.approx([276.0] * 4)
    assert [edge.new_length.value for edge in back.edges] == pytest.approx([300.0] * 4)


def test_from_half_an_inch_to_a_quarter() -> None:
    """Common practice: taking 1/4 in off a pattern with 1/2 in leaves one with 1/4 in, the stitching line unmoved."""
    half, quarter = 0.5 * MM_PER_INCH, 0.25 * MM_PER_INCH
    narrower = changed_panel(gore(EXACT), half - quarter)
    one, two = apply_allowance(gore(EXACT), half), apply_allowance(narrower, quarter)
    assert two.area.value == pytest.approx(one.area.value, rel=1e-7)
    assert [e.new_length.value for e in two.edges] == pytest.approx([e.new_length.value for e in one.edges], rel=1e-5)


def test_wider_front_and_back() -> None:
    """Common practice: a at the centre front and b at the centre back of half patterns widen a garment by 2 (a + b)."""
    front, back = rectangle(200.0, 400.0, EXACT), rectangle(220.0, 400.0, EXACT)
    wider = apply_allowance(front, {"A4": -0.75 * MM_PER_INCH}), apply_allowance(back, {"A4": -0.5 * MM_PER_INCH})
    gain = 2.0 * sum(seamed.edges[0].new_length.value - seamed.edges[0].length.value for seamed in wider)
    assert gain == pytest.approx(2.5 * MM_PER_INCH)


def test_each_edge_its_own() -> None:
    """600 x 400: hem 40 mm, sides 15 mm, top on the fold: 570 x 360 is left."""
    seamed = apply_allowance(rectangle(600.0, 400.0, EXACT), {"A1": 40.0, "A2": 15.0, "A4": 15.0})
    assert seamed.area.value == pytest.approx(570.0 * 360.0)
    assert [edge.new_length.value for edge in seamed.edges] == pytest.approx([570.0, 360.0, 570.0, 360.0])


def test_unlike_allowances_meet_on_a_slant() -> None:
    """At the trapezoid's lower right, 20 mm below and 5 mm at the side meet where both lines are: by two equations."""
    seamed = apply_allowance(panel_from_outline("A", TRAPEZOID), {"A1": 20.0, "A2": 5.0})
    along = np.array([-80.0, 300.0]) / np.hypot(80.0, 300.0)
    normal = np.array([-along[1], along[0]])
    x = (5.0 + normal @ [500.0, 0.0] - normal[1] * 20.0) / normal[0]
    assert seamed.edges[0].lines_mm[0][-1] == pytest.approx([x, 20.0])
    assert LineString(seamed.edges[1].lines_mm[0]).distance(LineString(TRAPEZOID[1:3])) == pytest.approx(5.0)


def test_dart_tip_is_rounded() -> None:
    """Every point of the stitching line keeps the allowance's distance; a mitre at a 13 degree dart would be 130 mm."""
    panel = darted(error=EXACT)
    ring = Polygon(apply_allowance(panel, 15.0).outlines_mm[0]).exterior
    assert ring.distance(panel.outer.exterior) == pytest.approx(15.0, rel=1e-3)
    assert ring.distance(Point(panel.outline_mm[2])) == pytest.approx(15.0, rel=1e-3)


@pytest.mark.parametrize("fold", ["A1", "A3"])
def test_curved_fold_beside_an_allowance(fold: str) -> None:
    """A curved edge that stays, bent outward (hem) or inward (waist), ends where the sides' lines cross it, cleanly."""
    panel = gore(EXACT)
    allowances = {edge.id: 0.0 if edge.id == fold else 15.0 for edge in panel.edges}
    seamed = apply_allowance(panel, allowances)
    (line,) = next(edge for edge in seamed.edges if edge.id == fold).lines_mm
    sides = [panel.edge_points(panel.edge(name)) for name in ("A2", "A4")]
    on = [LineString([2.0 * a - b, 2.0 * b - a]) for a, b in sides]
    away = sorted(side.distance(Point(end)) for side in on for end in (line[0], line[-1]))[:2]
    assert away == pytest.approx([15.0, 15.0], abs=1e-6)
    assert LineString(line).hausdorff_distance(LineString(panel.edge_points(panel.edge(fold)))) < 25.0
    assert len(changed_panel(panel, allowances).edges) == 4
    stays = apply_allowance(gore(), allowances).edges
    assert all(edge.new_length.u < 1.05 * edge.length.u for edge in stays)


def test_hole_is_left_alone() -> None:
    panel = panel_from_outline("A", TRAPEZOID, holes_mm=[circle(30.0) + np.array([250.0, 150.0])])
    hole = Polygon(circle(30.0)).area
    assert apply_allowance(panel, 15.0).area.value == pytest.approx(
        apply_allowance(panel_from_outline("A", TRAPEZOID), 15.0).area.value - hole
    )


def test_narrow_neck_is_reported() -> None:
    """Two fields of 200 x 200 joined by a neck 20 mm wide: 15 mm all round leaves two parts and says what met."""
    outline = [
        [0, 0],
        [200, 0],
        [200, 90],
        [300, 90],
        [300, 0],
        [500, 0],
        [500, 200],
        [300, 200],
        [300, 110],
        [200, 110],
    ]
    panel = panel_from_outline("A", [*outline, [200, 200], [0, 200]])
    seamed = apply_allowance(panel, 15.0)
    assert len(seamed.outlines_mm) == 2
    assert seamed.area.value == pytest.approx(2 * 170.0**2)
    assert ("A3", "A9") in [eaten.edges for eaten in seamed.eaten]
    assert seamed.edges[2].lines_mm == ()
    with pytest.raises(ValueError, match="eat the piece"):
        changed_panel(panel, 15.0)


def test_all_eaten() -> None:
    seamed = apply_allowance(rectangle(100.0, 25.0), 15.0)
    assert (seamed.outlines_mm, seamed.area.value) == ((), 0.0)
    assert ("A1", "A3") in [eaten.edges for eaten in seamed.eaten]


def test_uncertainty_against_monte_carlo() -> None:
    """40 draws know a standard deviation to 11 %."""
    stated = apply_allowance(gore(), 15.0).area.u
    drawn = monte_carlo(gore(), lambda moved: apply_allowance(moved, 15.0).area.value, draws=40)
    assert stated == pytest.approx(drawn, rel=0.33)


def test_uncertainty_by_hand() -> None:
    """The inside of a rectangle keeps its allowance exact: u(L)^2 = (L s)^2 + (2 c)^2 + 2 p^2 with the cut length L."""
    edge = apply_allowance(rectangle(600.0, 400.0), 15.0).edges[0]
    expected = np.sqrt((600.0 * ERROR.scale) ** 2 + (2 * ERROR.shift_mm) ** 2 + 2 * ERROR.point_mm**2)
    assert edge.new_length.u == pytest.approx(expected, rel=1e-6)


def test_unknown_edge_failure() -> None:
    with pytest.raises(KeyError):
        apply_allowance(gore(), {"B1": 10.0})


def test_some_outward_some_inward() -> None:
    """600 x 400: the hem gets 25 mm more, the sides 6 mm less, the top stays: 588 x 425."""
    allowances = {"A1": -25.0, "A2": 6.0, "A4": 6.0}
    seamed = apply_allowance(rectangle(600.0, 400.0, EXACT), allowances)
    assert seamed.area.value == pytest.approx(588.0 * 425.0)
    assert [edge.new_length.value for edge in seamed.edges] == pytest.approx([588.0, 425.0, 588.0, 425.0])
    assert [edge.length.value for edge in seamed.edges] == pytest.approx([600.0, 400.0, 600.0, 400.0])
    assert [edge.allowance_mm for edge in seamed.edges] == [-25.0, 6.0, 0.0, 6.0]
    changed = changed_panel(rectangle(600.0, 400.0, EXACT), allowances)
    assert changed.polygon.bounds == pytest.approx((6.0, -25.0, 594.0, 400.0))


def test_outward_and_inward_at_an_inner_corner() -> None:
    """An L: at its inner corner one arm's edge goes out by 10, the other's in by 5; both lines meet there."""
    outline = [[0.0, 0.0], [300.0, 0.0], [300.0, 100.0], [120.0, 100.0], [120.0, 250.0], [0.0, 250.0]]
    seamed = apply_allowance(panel_from_outline("A", outline), {"A3": -10.0, "A4": 5.0})
    assert seamed.area.value == pytest.approx(300.0 * 110.0 + 115.0 * 140.0)
    assert [115.0, 110.0] in np.round(seamed.outlines_mm[0], 6).tolist()


def test_wide_hem_ends_at_the_sides_line() -> None:
    """An A-line skirt's hem allowance goes on as far as the sides do, not straight down past them."""
    skirt = panel_from_outline("A", [[0.0, 0.0], [400.0, 0.0], [330.0, 500.0], [80.0, 500.0]])
    slant = {"A2": -70.0 / 500.0, "A4": 80.0 / 500.0}  # x for y
    seamed = apply_allowance(skirt, {"A1": -30.0})
    (outline,) = seamed.outlines_mm
    wanted = [[-30.0 * slant["A4"], -30.0], [400.0 - 30.0 * slant["A2"], -30.0], [330.0, 500.0], [80.0, 500.0]]
    assert Polygon(outline).symmetric_difference(Polygon(wanted)).area < 1e-3
    lengths = {edge.id: edge.new_length.value for edge in seamed.edges}
    assert lengths["A1"] == pytest.approx(wanted[1][0] - wanted[0][0], abs=1e-6)
    assert lengths["A2"] == pytest.approx(530.0 * np.hypot(1.0, slant["A2"]), abs=1e-6)


def test_wide_strip_beside_a_narrow_one_at_an_obtuse_corner() -> None:
    """Each line keeps its own distance up to where the two meet."""
    corner = panel_from_outline("A", [[0.0, 0.0], [200.0, 0.0], [260.0, 100.0], [0.0, 150.0]])
    (outline,) = apply_allowance(corner, {"A1": -30.0, "A2": -5.0}).outlines_mm
    along = np.array([60.0, 100.0]) / np.hypot(60.0, 100.0)
    met = np.array([200.0 + (5.0 - 30.0 * along[0]) / along[1], -30.0])
    assert np.min(np.hypot(*(outline - met).T)) < 1e-6
    assert np.max((outline[:, 0] - 200.0) * along[1] - outline[:, 1] * along[0]) < 5.0 + 1e-6
