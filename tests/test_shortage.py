"""That cloth is not enough is claimed by a proof only: never where a layout is known, always where one can't be."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.boards import Board, LayRules
from flatmeasure.enough.laying import Lay, make_parts
from flatmeasure.enough.parts import outer_cloth
from flatmeasure.enough.pattern import PatternPiece, Turns
from flatmeasure.enough.shortage import Shortage, find_shortage
from flatmeasure.enough.verdict import Effort, Verdict, is_enough
from tests.benchmarks.jigsaw import make_jigsaw

SOME = settings(max_examples=25, deadline=None)
SEEDS = st.integers(0, 10**6)
QUICK = Effort(40)
U_MM, COVERAGE, SLACK_MM = 1.0, 2.0, 0.5  # outlines are thinned by 0.1 mm, the last searches are short


def shortage(pieces: list[PatternPiece], cloths: list[BaseGeometry], tolerance_deg: float = 0.0) -> Shortage | None:
    boards = tuple(Board("ABC"[k], cloth, 0.0) for k, cloth in enumerate(cloths))
    parts = make_parts(pieces, Lay(boards), LayRules(tolerance_deg))
    return find_shortage(parts, [outer_cloth(board.cloth, 0.0) for board in boards], [board.name for board in boards])


@SOME
@given(SEEDS, st.floats(0.5, 1.0), st.integers(1, 3), st.integers(2, 9))
def test_never_where_a_layout_is_known(seed: int, use: float, cloths: int, count: int) -> None:
    """Irregular cloths with holes, cut up by the test: up to their last mm2 the pieces fit, so no bound may deny it."""
    puzzles = [make_jigsaw(seed + k, use, count) for k in range(cloths)]
    assert shortage([piece for _, pieces in puzzles for piece in pieces], [cloth for cloth, _ in puzzles]) is None


@SOME
@given(SEEDS, st.floats(-5.0, 5.0))
def test_never_where_pieces_fit_a_little_off_the_grain(seed: int, off_deg: float) -> None:
    """The cloth turned by less than the tolerance: its pieces fit at that turn only, between those that are tried."""
    cloth, pieces = make_jigsaw(seed, 1.0, 4)
    assert shortage(pieces, [affinity.rotate(cloth, off_deg, origin=(0, 0))], 5.0) is None


@SOME
@given(SEEDS, st.floats(0.0, 360.0))
def test_never_where_pieces_may_lie_anyhow(seed: int, turn_deg: float) -> None:
    cloth, pieces = make_jigsaw(seed, 1.0, 4)
    free = [PatternPiece(piece.name, piece.drawn, turns=Turns.ANY) for piece in pieces]
    assert shortage(free, [affinity.rotate(cloth, turn_deg, origin=(0, 0))]) is None


@SOME
@given(SEEDS, st.integers(2, 9))
def test_always_where_there_is_a_piece_too_many(seed: int, count: int) -> None:
    """The same jigsaws with one piece twice: that is more area than there is."""
    cloth, pieces = make_jigsaw(seed, 1.0, count)
    found = shortage([*pieces, PatternPiece("once more", pieces[0].drawn)], [cloth.buffer(-0.2)])
    assert found is not None
    assert found.kind in {"area", "piece"}


@pytest.mark.parametrize("seed", range(4))
def test_nor_by_the_whole_answer(seed: int) -> None:
    """However little is searched, a jigsaw that is not solved is "not found"."""
    cloth, pieces = make_jigsaw(seed, 0.97)
    answer = is_enough(pieces, [Board("A", cloth, 0.0)], effort=Effort(1))
    assert answer.verdict in {Verdict.NOT_FOUND, Verdict.ENOUGH}


@st.composite
def blunt_polygons(draw: st.DrawFn) -> Polygon:
    """Convex pieces of 200 to 300 mm whose corners are no sharper than a square's."""
    count = draw(st.integers(6, 9))
    width, height = draw(st.floats(100.0, 150.0)), draw(st.floats(100.0, 150.0))
    angle = 2.0 * np.pi * (np.arange(count) + draw(st.floats(0.0, 1.0))) / count
    return Polygon(np.column_stack([width * np.cos(angle), height * np.sin(angle)]))


@SOME
@given(blunt_polygons(), st.floats(-4.0, 4.0))
def test_verdict_near_the_margin(piece: Polygon, room_mm: float) -> None:
    """Cloth that is the piece and so much more all round, known to 2 u = 2 mm: the verdict by that alone."""
    cloth = piece.buffer(room_mm, join_style="mitre")
    verdict = is_enough([PatternPiece("a", piece)], [Board("A", cloth, U_MM)], effort=QUICK).verdict
    sure = COVERAGE * U_MM
    if room_mm > sure + SLACK_MM:
        assert verdict is Verdict.ENOUGH
    elif room_mm > sure:
        assert verdict in {Verdict.ENOUGH, Verdict.TOO_CLOSE}
    elif room_mm > SLACK_MM - sure:
        assert verdict is Verdict.TOO_CLOSE
    elif room_mm >= -sure - SLACK_MM:  # corners are farther from the cloth than sides
        assert verdict is not Verdict.ENOUGH
    else:
        assert verdict is Verdict.NOT_ENOUGH


def test_two_cloths_too_short_together() -> None:
    """A piece that fits on neither cloth is told with its size and the larger cloth's."""
    found = shortage([PatternPiece("a", box(0, 0, 50, 300))], [box(0, 0, 400, 250), box(0, 0, 100, 280)])
    assert found is not None
    assert found.kind == "piece"
