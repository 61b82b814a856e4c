"""Ways out: parts keep the finished measures, and the cheapest change is the one that is told."""

from itertools import pairwise

import pytest
from shapely import affinity, unary_union
from shapely.geometry import Polygon, box

from flatmeasure.enough.boards import Board, LayRules, outlines_of
from flatmeasure.enough.layouts import fault_of
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.seam_places import serving_seams
from flatmeasure.enough.seams import ACROSS_DEG, ALONG_DEG, Seams, Split, seams_at, split_copies, split_piece
from flatmeasure.enough.splitting import WayOut, find_way_out
from flatmeasure.enough.verdict import Effort, Verdict, is_enough
from flatmeasure.units import LengthUnit

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


@pytest.mark.parametrize("normal_deg", [ACROSS_DEG, ALONG_DEG, 30.0, 135.0])
@pytest.mark.parametrize("shares", [(0.5,), (0.35,), (1 / 3, 2 / 3)])
def test_parts_sewn_together_have_the_finished_measures(normal_deg: float, shares: tuple[float, ...]) -> None:
    """The finished parts are the finished piece, side by side; cut, they overlap by twice the allowance at a seam."""
    parts = split_piece(SKIRT, seams_at(SKIRT, shares, normal_deg))
    assert parts is not None
    assert len(parts) == len(shares) + 1
    assert unary_union([part.finished for part in parts]).symmetric_difference(SKIRT.finished).area < 1e-3
    assert sum(part.finished.area for part in parts) == pytest.approx(SKIRT.finished.area)
    assert unary_union([part.cut for part in parts]).symmetric_difference(SKIRT.cut).area < 1e-3
    for first, second in pairwise(parts):
        shared = affinity.rotate(first.cut.intersection(second.cut), -normal_deg, origin=(0, 0))
        assert shared.bounds[2] - shared.bounds[0] == pytest.approx(30.0)  # 15 mm on both sides


def test_allowance_of_a_seam_where_none_is_stated() -> None:
    parts = split_piece(PatternPiece("a", box(0, 0, 200, 400)), Seams(ACROSS_DEG, (150.0,)))
    assert parts is not None
    assert [part.cut.bounds for part in parts] == [(0, 0, 200, 160), (0, 140, 200, 400)]
    assert [part.finished.bounds for part in parts] == [(0, 0, 200, 150), (0, 150, 200, 400)]


def test_split_refuses_slivers() -> None:
    strip = PatternPiece("strip", box(0, 0, 60, 500))
    assert split_piece(strip, seams_at(strip, (0.5,), ALONG_DEG)) is None


def test_split_refuses_what_falls_in_two() -> None:
    legs = PatternPiece("legs", Polygon([(0, 0), (100, 0), (150, 300), (200, 0), (300, 0), (300, 500), (0, 500)]))
    assert split_piece(legs, seams_at(legs, (0.3,), ACROSS_DEG)) is None
    assert split_piece(legs, seams_at(legs, (0.75,), ACROSS_DEG)) is not None


@pytest.mark.parametrize(
    ("count", "pair", "hands", "found"),
    [
        (3, False, [False], {"a": 2, "a, lower part": 1, "a, upper part": 1}),
        (2, True, [False, True], {"a": 1, "a, lower part": 1, "a, upper part": 1}),
        (1, True, [True], {"a, single": 1, "a, lower part mirrored, single": 1, "a, upper part mirrored, single": 1}),
        (2, True, [False], {"a": 1, "a mirrored, single": 1, "a, lower part, single": 1, "a, upper part, single": 1}),
    ],
)
def test_only_some_copies(count: int, pair: bool, hands: list[bool], found: dict[str, int]) -> None:
    """What is to be cut altogether stays the same, hand by hand."""
    wedge = Polygon([(0, 0), (100, 0), (20, 160)])
    piece = PatternPiece("a", wedge, count=count, pair=pair)
    seams = Seams(ACROSS_DEG, (60.0,))
    parts = split_piece(piece, seams)
    assert parts is not None
    pieces = split_copies(Split(piece, seams, parts, len(hands)), hands)
    assert {one.name: one.count for one in pieces} == found
    assert sum(one.finished.area * one.pieces for one in pieces) == pytest.approx(piece.finished.area * piece.pieces)
    tops = [one for one in pieces if "upper" in one.name]
    assert sum(one.finished.area * one.pieces for one in tops) == pytest.approx(len(hands) * tops[0].finished.area)
    if "mirrored" in tops[0].name:
        assert tops[0].finished.within(affinity.scale(wedge, -1.0, 1.0, origin=(0, 0)).buffer(1e-6))


def test_a_seam_where_it_serves() -> None:
    """Cloth with a corner missing at 45 degrees: a slanted seam cuts off that corner and nothing else."""
    cloth = box(0, 0, 300, 300).difference(Polygon([(300, 300), (180, 300), (300, 180)]))
    piece = PatternPiece("a", box(0, 0, 298, 298))
    slanted = serving_seams(piece, [cloth])[-1]
    assert slanted.normal_deg == 45.0
    kept, cut_off = split_piece(piece, slanted) or ()
    assert kept.cut.buffer(-2.5).within(affinity.translate(cloth, -1.0, -1.0))
    assert cut_off.cut.area < 0.15 * piece.cut.area


def test_a_little_off_the_grain_is_cheapest() -> None:
    room = affinity.rotate(box(0, 0, 85, 300), 5.0, origin=(0, 0))
    found = way_out(room, PatternPiece("a", box(0, 0, 80, 290)))
    assert found is not None
    assert (found.told(LengthUnit.MM), found.seams) == ("Lay the pieces up to 5 degrees off the grain.", 0)


def test_less_allowance_before_a_seam() -> None:
    """A 100 mm square with 15 mm allowance in a 125 mm one: with 10 mm it fits."""
    piece = PatternPiece("a", box(0, 0, 100, 100), wanted_mm=15.0)
    found = way_out(box(0, 0, 125, 125), piece)
    assert found is not None
    assert found.told(LengthUnit.MM) == "Take a seam allowance of 10 mm for a."
    assert found.told(LengthUnit.IN) == "Take a seam allowance of 0.3937 in for a."
    assert found.pieces[0].finished.area == pytest.approx(piece.finished.area)


def test_one_seam() -> None:
    found = way_out(box(0, 0, 700, 620), SKIRT)
    assert found is not None
    assert found.seams == 1
    assert {piece.name for piece in found.pieces} == {"skirt, lower part", "skirt, upper part"}
    assert "15 mm of allowance on both sides" in found.told(LengthUnit.MM)
    assert "1.5 cm of allowance on both sides" in found.told(LengthUnit.CM)


def test_two_seams_where_one_is_not_enough() -> None:
    """A 600 mm strip on cloth 270 mm long: halves need 310 each, thirds 220."""
    found = way_out(box(0, 0, 400, 270), PatternPiece("belt", box(0, 0, 60, 600)))
    assert found is not None
    assert found.seams == 2


def test_two_pieces_each_with_a_seam() -> None:
    """Cloth 700 mm long, two pieces of 1000: one seam in each; the narrow one is too long as well as the wide one."""
    pieces = [PatternPiece("coat", box(0, 0, 200, 1000)), PatternPiece("belt", box(0, 0, 60, 1000))]
    found = way_out(box(0, 0, 560, 700), *pieces, PatternPiece("patch", box(0, 0, 90, 90)))
    assert found is not None
    assert found.seams == 2
    assert sorted(split.piece.name for split in found.splits) == ["belt", "coat"]


def test_a_seam_where_it_is_too_close_to_call() -> None:
    """A 400 mm strip on cloth of 401 +- 1 mm: halves are sure to fit."""
    found = way_out(box(0, 0, 300, 401), PatternPiece("belt", box(0, 0, 60, 400)))
    assert found is not None
    assert found.seams == 1


def test_no_way_out_where_the_area_is_too_small() -> None:
    assert way_out(box(0, 0, 300, 300), SKIRT) is None


def test_only_the_copy_that_does_not_fit_is_split() -> None:
    """Cloth of 300 x 600 mm and a tongue of 260 x 240: one of two 250 x 500 lies whole, the other needs a seam."""
    room = box(0, 0, 300, 600).union(box(300, 0, 560, 240)).union(box(300, 300, 560, 600))
    found = way_out(room, PatternPiece("side", box(0, 0, 250, 500), count=2))
    assert found is not None
    assert found.seams == 1
    assert [piece.name for piece in found.pieces] == ["side", "side, lower part", "side, upper part"]
    assert found.told(LengthUnit.MM).startswith("Make 1 of 2 side of 2 parts, with a seam across the grain")
