"""Ways out: parts keep the finished measures, and the cheapest change is the one that is told."""

import pytest
from shapely import affinity
from shapely.geometry import Polygon, box

from flatmeasure.enough.boards import Board, LayRules, outlines_of
from flatmeasure.enough.layouts import fault_of
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.splitting import WayOut, find_way_out, split_piece
from flatmeasure.enough.verdict import Effort, Verdict, is_enough

SKIRT = PatternPiece("skirt", Polygon([(0, 0), (400, 0), (330, 640), (70, 640)]), included_mm=10, wanted_mm=15)
QUICK = Effort(150)


def way_out(cloth: Polygon, *pieces: PatternPiece, rules: LayRules = LayRules()) -> WayOut | None:  # noqa: B008
    board = Board("A", cloth, 0.5)
    answer = is_enough(pieces, [board], rules, QUICK)
    assert answer.verdict is not Verdict.ENOUGH
    found = find_way_out(answer, pieces, [board], rules, QUICK)
    if found is not None:
        assert found.answer.verdict is Verdict.ENOUGH
        assert fault_of(found.answer.layout, outlines_of([board], 2.0)) < 1e-6
    return found


@pytest.mark.parametrize("across", [True, False])
@pytest.mark.parametrize("shares", [(0.5,), (0.35,), (1 / 3, 2 / 3)])
def test_parts_sewn_together_have_the_finished_measures(across: bool, shares: tuple[float, ...]) -> None:
    """Overlapping by twice the allowance at each seam, the parts are the whole piece."""
    parts = split_piece(SKIRT, shares, across=across)
    assert parts is not None
    whole, axis = SKIRT.cut, 1 if across else 0
    together = parts[0].cut
    for k, part in enumerate(parts[1:]):
        assert together.intersection(part.cut).bounds[axis + 2] - together.intersection(part.cut).bounds[
            axis
        ] == pytest.approx(30.0)  # 15 mm on both sides
        together = together.union(part.cut)
        assert len(parts) > k
    assert together.symmetric_difference(whole).area < 1e-6
    extents = [part.cut.bounds[axis + 2] - part.cut.bounds[axis] for part in parts]
    assert sum(extents) - 30.0 * (len(parts) - 1) == pytest.approx(whole.bounds[axis + 2] - whole.bounds[axis])


def test_split_refuses_slivers() -> None:
    assert split_piece(PatternPiece("strip", box(0, 0, 60, 500)), (0.5,), across=False) is None


def test_split_refuses_what_falls_in_two() -> None:
    legs = PatternPiece("legs", Polygon([(0, 0), (100, 0), (150, 300), (200, 0), (300, 0), (300, 500), (0, 500)]))
    assert split_piece(legs, (0.3,), across=True) is None
    assert split_piece(legs, (0.75,), across=True) is not None


def test_a_little_off_the_grain_is_cheapest() -> None:
    room = affinity.rotate(box(0, 0, 85, 300), 5.0, origin=(0, 0))
    found = way_out(room, PatternPiece("a", box(0, 0, 80, 290)))
    assert found is not None
    assert (found.message, found.seams) == ("Lay the pieces up to 5 degrees off the grain.", 0)


def test_less_allowance_before_a_seam() -> None:
    """A 100 mm square with 15 mm allowance in a 125 mm one: with 10 mm it fits."""
    piece = PatternPiece("a", box(0, 0, 100, 100), wanted_mm=15.0)
    found = way_out(box(0, 0, 125, 125), piece)
    assert found is not None
    assert found.message == "Take a seam allowance of 10 mm for a."
    assert found.pieces[0].finished.area == pytest.approx(piece.finished.area)


def test_one_seam() -> None:
    found = way_out(box(0, 0, 700, 620), SKIRT)
    assert found is not None
    assert found.seams == 1
    assert {piece.name for piece in found.pieces} == {"skirt, lower part", "skirt, upper part"}
    assert "15 mm of allowance on both sides" in found.message


def test_two_seams_where_one_is_not_enough() -> None:
    """A 600 mm strip on cloth 270 mm long: halves need 310 each, thirds 220."""
    found = way_out(box(0, 0, 400, 270), PatternPiece("belt", box(0, 0, 60, 600)))
    assert found is not None
    assert found.seams == 2


def test_no_way_out_where_the_area_is_too_small() -> None:
    assert way_out(box(0, 0, 300, 300), SKIRT) is None
