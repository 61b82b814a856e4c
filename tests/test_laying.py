"""Doubled and single cloth in one question."""

import pytest
from shapely.geometry import Polygon, box

from flatmeasure.enough.boards import Board, Face, LayRules
from flatmeasure.enough.laying import Lay, lays, make_parts, units_of
from flatmeasure.enough.layouts import fault_of
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.verdict import Effort, Verdict, is_enough

WEDGE = Polygon([(0, 0), (100, 0), (20, 160)])  # unlike its mirror image
QUICK = Effort(80)


def test_twins() -> None:
    """Pairs, and copies of a piece with a middle line; a wedge is not its own mirror image."""
    pieces = [PatternPiece("front", WEDGE, pair=True), PatternPiece("back", box(0, 0, 90, 140), count=3)]
    units = units_of([*pieces, PatternPiece("wedge", WEDGE, count=2)])
    assert [unit.name for unit in units] == ["front", "back 1 and 2", "back 3", "wedge 1", "wedge 2"]
    assert [unit.twins for unit in units] == [True, True, False, False, False]


def test_a_turned_mirror_image_counts() -> None:
    """A parallelogram is its own mirror image only when it may be turned a quarter: never here."""
    slanted = Polygon([(0, 0), (80, 0), (120, 60), (40, 60)])
    kite = Polygon([(0, 0), (50, 30), (0, 100), (-50, 30)])
    assert not units_of([PatternPiece("a", slanted, count=2)])[0].twins
    assert units_of([PatternPiece("a", kite, count=2)])[0].twins


def test_some_pairs_together_and_others_one_by_one() -> None:
    """Room for one pair on the folded cloth, and for the other, hand by hand, on the single one."""
    pieces = [PatternPiece("front", WEDGE, pair=True), PatternPiece("back", box(0, 0, 100, 150), pair=True)]
    boards = [Board("folded", box(0, 0, 106, 166), 0.0, layers=2), Board("single", box(0, 0, 215, 166), 0.0)]
    answer = is_enough(pieces, boards, effort=QUICK)
    assert answer.verdict is Verdict.ENOUGH
    assert [board.layers for board in answer.boards] == [2, 1]
    on = {
        part.name: answer.boards[k].name
        for part, k in zip(answer.layout.parts, answer.layout.places.board, strict=True)
    }
    assert list(on.values()).count("folded") == 1  # a pair by one placement
    assert list(on.values()).count("single") == 2
    assert fault_of(answer.layout, [board.cloth for board in answer.boards]) < 1e-6


def test_most_is_cut_together() -> None:
    """With room for both pairs on the folded cloth the single one stays whole."""
    pieces = [PatternPiece("front", WEDGE, pair=True), PatternPiece("back", box(0, 0, 100, 150), pair=True)]
    boards = [Board("folded", box(0, 0, 215, 166), 0.0, layers=2), Board("single", box(0, 0, 215, 166), 0.0)]
    answer = is_enough(pieces, boards, effort=QUICK)
    assert answer.verdict is Verdict.ENOUGH
    assert [int(board) for board in answer.layout.places.board] == [0, 0]


def test_layers_by_themselves_at_last() -> None:
    """The last way separates every doubled cloth, and knows which layer lies where."""
    boards = [Board("A", box(0, 0, 10, 10), 0.0, layers=2), Board("B", box(0, 0, 10, 10), 0.0)]
    *_, last = lays([PatternPiece("front", WEDGE, pair=True)], boards)
    assert [board.label for board in last.boards] == ["A, upper layer", "A, lower layer", "B"]
    assert len(list(lays([], boards[1:]))) == 1


@pytest.mark.parametrize(("face", "count"), [(Face.RIGHT, 1), (Face.BOTH, 2)])
def test_hands(face: Face, count: int) -> None:
    """Either hand may be cut where the cloth has no wrong side."""
    part = make_parts([PatternPiece("wedge", WEDGE)], Lay((Board("A", WEDGE, 0.0, face),)), LayRules())[0]
    assert len({part.stances[k].mirrored for k in part.choices[0]}) == count


def test_twin_without_single_cloth() -> None:
    """A single part on doubled cloth gives both copies of a piece with a middle line."""
    answer = is_enough(
        [PatternPiece("a", box(0, 0, 90, 140), count=2)], [Board("A", box(0, 0, 100, 150), 0.0, layers=2)]
    )
    assert answer.verdict is Verdict.ENOUGH
    assert [part.name for part in answer.layout.parts] == ["a 1 and 2"]
    assert answer.layout.parts[0].value == pytest.approx(2 * 90 * 140 / 100)
