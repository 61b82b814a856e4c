"""Strips and binding: exact placement, published examples, common practice."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from shapely.geometry import Polygon

from flatmeasure.pieces.panel import OutlineError, Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.rectangles import Direction
from flatmeasure.pieces.strips import Ends, StripPlan, place_strips
from flatmeasure.units import MM_PER_INCH
from tests.panels import ERROR, circle, darted, gore, grained, rectangle

QUARTER = 0.25 * MM_PER_INCH


def square_in(side_in: float) -> Panel:
    return grained(rectangle(side_in * MM_PER_INCH, side_in * MM_PER_INCH, OutlineError()))


def bias_in(width_in: float, ends: Ends = Ends.SLANTED) -> StripPlan:
    return StripPlan(width_in * MM_PER_INCH, Direction.BIAS, ends, QUARTER, 2.0 * MM_PER_INCH)


@pytest.mark.parametrize("ends", list(Ends))
@pytest.mark.parametrize("direction", list(Direction))
@pytest.mark.parametrize("panel", [gore(), darted()], ids=["gore", "darted"])
def test_strips_lie_on_the_cloth_side_by_side(panel: Panel, direction: Direction, ends: Ends) -> None:
    found = place_strips(grained(panel, 12.0), StripPlan(40.0, direction, ends))
    shapes = [Polygon(strip.corners_mm) for strip in found.strips]
    assert len(shapes) > 2
    assert all(panel.polygon.buffer(1e-5).contains(shape) for shape in shapes)
    assert all(one.intersection(other).area < 1e-3 for one, other in combinations(shapes, 2))
    assert [shape.area for shape in shapes] == pytest.approx([40.0 * strip.length.value for strip in found.strips])
    assert found.joined.value < found.total.value < found.estimate.value
    assert found.sure_count <= len(found.strips)


def test_whole_cloth_in_strips() -> None:
    """600 x 400 along: eight strips of 50 mm, 600 long; the handbook's estimate is then exact."""
    found = place_strips(grained(rectangle(600.0, 400.0)), StripPlan(50.0, Direction.ALONG, Ends.SQUARE, 6.0))
    assert [strip.length.value for strip in found.strips] == pytest.approx([600.0] * 8)
    assert found.total.value == pytest.approx(found.estimate.value)
    assert found.joined.value == pytest.approx(8 * 600.0 - 7 * 12.0)
    assert found.sure_count == 7  # the eighth fits only if the cloth is no smaller than measured


def test_parallelogram_cut_for_bias() -> None:
    """Cloth already cut in a 45 degree parallelogram of height 200: five slanted strips of 40 mm without waste."""
    cloth = panel_from_outline("A", [[0.0, 0.0], [500.0, 0.0], [700.0, 200.0], [200.0, 200.0]], error=ERROR)
    found = place_strips(grained(cloth, 45.0), StripPlan(40.0, Direction.BIAS, Ends.SLANTED, 6.0))
    assert [strip.length.value for strip in found.strips] == pytest.approx([500.0] * 5)
    assert found.joined.value == pytest.approx(2500.0 - 4 * 12.0 * np.sqrt(2.0))


def test_placed_strips_fall_short_of_the_estimate() -> None:
    """12 in square, 2 in strips: the estimate is 72 in, ronbd.com gives about 60 in after seams; strips cut straight
    from the square, its corners left over, make 50 to 60 in."""
    for ends in Ends:
        found = place_strips(square_in(12.0), bias_in(2.0, ends))
        assert 50.0 * MM_PER_INCH < found.joined.value < 60.0 * MM_PER_INCH


@pytest.mark.parametrize(
    ("cloth_in", "wanted_in", "count", "per_strip_in"),
    [(40.0, 220.0, 6, 38.0)],  # castillejacotton.blogspot.com 2013/06: 220 / (40 - 2) = 5.79, so 6 strips
)
def test_published_strip_count(cloth_in: float, wanted_in: float, count: int, per_strip_in: float) -> None:
    """2 in strips across the cloth with slanted joins lose their width."""
    plan = StripPlan(2.0 * MM_PER_INCH, Direction.ALONG, Ends.SLANTED, QUARTER, 5.0 * MM_PER_INCH)
    for strips, enough in ((count, True), (count - 1, False)):
        cloth = grained(rectangle(cloth_in * MM_PER_INCH, strips * 2.0 * MM_PER_INCH, OutlineError()))
        found = place_strips(cloth, plan)
        assert [strip.length.value for strip in found.strips] == pytest.approx([per_strip_in * MM_PER_INCH] * strips)
        assert (found.joined.value >= wanted_in * MM_PER_INCH) is enough


@pytest.mark.parametrize(
    ("cloth_in", "strip_in", "wanted_in", "count"),
    [
        (42.0, 2.5, 238.0, 6),  # monicacurryquiltdesign.com 2019/06: 2 * 54 + 2 * 60 + 10 = 238 in, 238 / 42 = 5.6
        (44.0, 2.5, 272.0, 7),  # quiltingboard.com 8276918: 8 lengths of 44 in from 20 in make 352 in, so enough
    ],
)
def test_published_square_joins(cloth_in: float, strip_in: float, wanted_in: float, count: int) -> None:
    """Strips sewn end to end across: so many are enough, one less is not."""
    plan = StripPlan(strip_in * MM_PER_INCH, Direction.ALONG, Ends.SQUARE, QUARTER)
    for strips, enough in ((count, True), (count - 1, False)):
        cloth = grained(rectangle(cloth_in * MM_PER_INCH, strips * strip_in * MM_PER_INCH, OutlineError()))
        found = place_strips(cloth, plan)
        assert found.total.value == pytest.approx(strips * cloth_in * MM_PER_INCH)
        assert (found.joined.value >= wanted_in * MM_PER_INCH) is enough


def test_double_fold() -> None:
    """Common practice: a 1 in strip folded in half, its edges to the middle, gives a 1/4 in double-fold binding."""
    assert place_strips(square_in(12.0), bias_in(1.0)).double_fold_mm == pytest.approx(0.25 * MM_PER_INCH)


def test_several_leftovers() -> None:
    plan = StripPlan(40.0)
    one, two = place_strips(grained(gore()), plan), place_strips(grained(darted()), plan)
    both = place_strips([grained(gore()), grained(darted())], plan)
    assert both.total.value == pytest.approx(one.total.value + two.total.value)
    assert both.total.u == pytest.approx(np.hypot(one.total.u, two.total.u))
    joins = (len(both.strips) - 1) * 2.0 * plan.allowance_mm * np.sqrt(2.0)
    assert both.joined.value == pytest.approx(both.total.value - joins)


def test_uncertainty_by_hand() -> None:
    """Square ends on a straight side: k = 2, u^2 = (L s)^2 + (2 c)^2 + 2 p^2; eight of them share scale and shift."""
    s, c, p = ERROR.scale, ERROR.shift_mm, ERROR.point_mm
    found = place_strips(grained(rectangle(600.0, 400.0)), StripPlan(50.0, Direction.ALONG, Ends.SQUARE))
    assert found.strips[0].length.u == pytest.approx(np.sqrt((600 * s) ** 2 + (2 * c) ** 2 + 2 * p**2), rel=1e-6)
    assert found.total.u == pytest.approx(np.sqrt((4800 * s) ** 2 + (16 * c) ** 2 + 16 * p**2), rel=1e-6)


def test_slanted_side_makes_a_strip_less_sure() -> None:
    """Across a side that leans by 45 degrees an outline shift of c moves a strip's end by c sqrt 2."""
    c = 0.3
    cloth = panel_from_outline(
        "A", [[0.0, 0.0], [500.0, 0.0], [300.0, 200.0], [0.0, 200.0]], error=OutlineError(shift_mm=c)
    )
    found = place_strips(grained(cloth), StripPlan(40.0, Direction.ALONG, Ends.SQUARE))
    assert found.strips[0].length.u == pytest.approx(c * (1.0 + np.sqrt(2.0)), rel=1e-6)


def test_flaws_interrupt_strips() -> None:
    panel = replace(grained(rectangle(600.0, 400.0)), flaws_mm=(circle(30.0) + np.array([300.0, 200.0]),))
    found = place_strips(panel, StripPlan(50.0, Direction.ALONG, Ends.SQUARE))
    assert len(found.strips) > 8
    assert all(
        not Polygon(strip.corners_mm).intersects(Polygon(panel.flaws_mm[0]).buffer(-0.01)) for strip in found.strips
    )


def test_nothing_long_enough() -> None:
    found = place_strips(grained(rectangle(90.0, 90.0)), StripPlan(40.0))
    assert (found.strips, found.total.value, found.joined.value, found.sure_count) == ((), 0.0, 0.0, 0)


def test_unknown_grain_failure() -> None:
    with pytest.raises(ValueError, match="grain"):
        place_strips([grained(gore()), darted()], StripPlan(40.0))
