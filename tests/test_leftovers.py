"""What is left after cutting, against closed forms."""

import json
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box

from flatmeasure.enough.answer_text import answer_to_dict, leftover_lines
from flatmeasure.enough.boards import Board, board_of
from flatmeasure.enough.leftovers import LeftoverPlan, Leftovers, leftovers
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.verdict import Answer, Effort, is_enough
from flatmeasure.pieces.panel import Grain, OutlineError
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.strips import per_join_mm
from flatmeasure.units import LengthUnit
from tests.panels import rectangle


def cut_at_the_left(board: Board, width_mm: float, height_mm: float, *further: PatternPiece) -> Answer:
    """A rectangle cut along the board's left edge."""
    pieces = [PatternPiece("panel", box(0, 0, width_mm, height_mm)), *further]
    answer = is_enough(pieces, [board], effort=Effort(20, coverage=0.0))
    assert answer.layout.complete
    answer.layout.places.at_mm[0] = [width_mm / 2.0, height_mm / 2.0]
    return answer


@pytest.fixture
def left() -> Leftovers:
    """A 100 x 300 piece from a 500 x 300 cloth: 400 x 300 are left."""
    return leftovers(cut_at_the_left(Board("A", box(0, 0, 500, 300), 0.0), 99.9, 299.9))


def test_largest_rectangle(left: Leftovers) -> None:
    size = left.rectangles[0].rectangle
    assert sorted([size.length.value, size.width.value]) == pytest.approx([300.0, 400.0], abs=0.5)


def test_straight_strips(left: Leftovers) -> None:
    """Ten strips of 40 mm; six straps of 60 mm."""
    assert left.straight_binding.total.value == pytest.approx(10 * 300.0, abs=10.0)
    assert [round(strip.length.value) for strip in left.straps.strips] == [300] * 6


def test_bias_binding(left: Leftovers) -> None:
    """Strips at 45 degrees; joined, no longer than area over width (the handbook's estimate), and most of it."""
    strips = left.bias_binding
    estimate = 400.0 * 300.0 / 40.0
    assert 0.75 * estimate < strips.joined.value < estimate
    lost = (len(strips.strips) - 1) * per_join_mm(strips.plan)
    assert strips.joined.value == pytest.approx(sum(one.length.value for one in strips.strips) - lost)
    for strip in strips.strips:
        along = strip.corners_mm[1] - strip.corners_mm[0]
        assert abs(along[0]) == pytest.approx(abs(along[1]))
        assert Polygon(strip.corners_mm).within(box(99.0, -0.1, 500.1, 300.1))


def test_width_of_the_binding() -> None:
    answer = cut_at_the_left(Board("A", box(0, 0, 500, 300), 0.0), 99.9, 299.9)
    narrow = leftovers(answer, LeftoverPlan(binding_mm=20.0))
    assert narrow.straight_binding.total.value == pytest.approx(20 * 300.0, abs=20.0)


def test_uncertainty_of_the_cloth_stays() -> None:
    """A scale error of 1 per cent makes each side of the rectangle unsure by 1 per cent, and the binding likewise."""
    panel = replace(rectangle(500.0, 300.0, OutlineError(scale=0.01)), grain=Grain(90.0, 0.1, "given"))
    found = leftovers(cut_at_the_left(board_of(panel), 99.9, 289.9))
    size = found.rectangles[0].rectangle
    assert size.length.u == pytest.approx(0.01 * size.length.value, rel=1e-6)
    assert size.width.u == pytest.approx(0.01 * size.width.value, rel=1e-6)
    total = found.bias_binding.total
    assert total.u == pytest.approx(0.01 * total.value, rel=1e-6)
    assert any(" ± " in line for line in leftover_lines(found, LengthUnit.MM))


def test_both_layers_of_doubled_cloth() -> None:
    board = Board("A", box(0, 0, 500, 300), 0.0, layers=2)
    answer = cut_at_the_left(board, 99.9, 299.9)
    found = leftovers(replace(answer, boards=(board,)))
    assert len(found.parts) == 2
    assert found.straight_binding.total.value == pytest.approx(20 * 300.0, abs=20.0)


def test_another_of_a_piece() -> None:
    small = PatternPiece("cuff", box(0, 0, 90, 60))
    answer = cut_at_the_left(Board("A", box(0, 0, 200, 300), 0.0), 99.0, 299.0, small)
    answer.layout.places.at_mm[1] = [150.0, 40.0]
    assert leftovers(answer).once_more == ("cuff",)


def test_lines_and_json(left: Leftovers) -> None:
    lines = list(leftover_lines(left, LengthUnit.CM))
    assert lines[0] == "The rest of the cloth still gives one of these:"
    assert lines[1].startswith("  a rectangle of 40")
    assert "of 4 cm wide bias binding, joined from" in lines[2]
    answer = cut_at_the_left(Board("A", box(0, 0, 500, 300), 0.0), 99.9, 299.9)
    found = json.loads(json.dumps(answer_to_dict(answer, left)))["leftovers"]
    assert found["bias_binding"]["joined"]["unit"] == "mm"
    assert np.shape(found["straps"]["strips"][0]["corners_mm"]) == (4, 2)


def test_what_is_left_between_circles() -> None:
    """Necks that the cloth's own uncertainty closes or opens part the leftovers; area by difference."""
    outline = np.array([[0, 0], [500, 0], [500, 300], [0, 300]])
    cloth = panel_from_outline("A", outline, error=OutlineError(shift_mm=0.4, point_mm=0.2))
    round_ = Point(0, 0).buffer(48.0, quad_segs=16)
    circle = PatternPiece("coaster", round_, count=15)
    answer = is_enough([circle], [board_of(cloth)], effort=Effort(20))
    assert answer.layout.complete
    answer.layout.places.at_mm[:] = [(50 + 100 * k, 50 + 100 * j) for k in range(5) for j in range(3)]
    found = leftovers(answer)
    free = 500 * 300 - 15 * round_.area
    assert 0.75 * free < sum(part.polygon.area for part in found.parts) < 1.001 * free
    assert found.once_more == ()
    answer.layout.places.board[7] = -1
    assert leftovers(answer).once_more == ("coaster",)


def test_no_leftovers() -> None:
    board = Board("A", box(0, 0, 100, 100), 0.0)
    found = leftovers(is_enough([PatternPiece("a", box(0, 0, 99, 99))], [board], effort=Effort(20)))
    assert (found.parts, found.rectangles, found.straps.strips, found.once_more) == ((), (), (), ())
    assert list(leftover_lines(found, LengthUnit.MM)) == []
