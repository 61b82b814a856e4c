"""The verdict: enough only with a layout, not enough only with a proof, and the margin between them."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from flatmeasure.enough.boards import Board, Face, LayRules, board_of, joint_coverage, outlines_of, separate_layers
from flatmeasure.enough.laying import Lay, make_parts
from flatmeasure.enough.layouts import fault_of
from flatmeasure.enough.pattern import PatternPiece, Turns
from flatmeasure.enough.shortage import find_shortage
from flatmeasure.enough.verdict import Answer, Effort, Verdict, is_enough
from flatmeasure.pieces.panel import Grain, OutlineError, Panel
from flatmeasure.units import LengthUnit
from tests.panels import gore, monte_carlo

L_SHAPE = Polygon([(0, 0), (200, 0), (200, 60), (60, 60), (60, 150), (0, 150)])
QUICK = Effort(60)


def ask(cloth: Polygon, *pieces: PatternPiece, u_mm: float = 0.0, **rules: float) -> Answer:
    return is_enough(pieces, [Board("A", cloth, u_mm)], LayRules(**rules), QUICK)


def test_enough_with_a_margin_by_formula() -> None:
    """A 100 x 60 in a 120 x 90: (90 - 60) / 2 = 15 mm on the tight sides; less k u = 2 x 1.5."""
    answer = ask(box(0, 0, 120, 90), PatternPiece("a", box(0, 0, 100, 60)), u_mm=1.5)
    assert answer.verdict is Verdict.ENOUGH
    assert answer.margin_mm == pytest.approx(10.0 - 3.0, abs=0.2)  # (120 - 100) / 2 along the other side


@pytest.mark.parametrize(
    ("side_mm", "verdict"),
    [(105.0, Verdict.ENOUGH), (101.0, Verdict.TOO_CLOSE), (99.0, Verdict.TOO_CLOSE), (95.0, Verdict.NOT_ENOUGH)],
)
def test_uncertainty_decides(side_mm: float, verdict: Verdict) -> None:
    """A 100 mm square in a square that is known to 2 u = 2 mm on every edge."""
    answer = ask(box(0, 0, side_mm, side_mm), PatternPiece("a", box(0, 0, 100, 100)), u_mm=1.0)
    assert answer.verdict is verdict


def test_layout_holds_on_shrunk_cloth() -> None:
    cloth = Point(0, 0).buffer(220, quad_segs=24).difference(box(-20, -20, 30, 15))
    board = Board("A", cloth, 1.2)
    answer = is_enough([PatternPiece("l", L_SHAPE, count=2, pair=True)], [board], LayRules(0.0, 3.0), Effort(300))
    assert answer.verdict is Verdict.ENOUGH
    assert fault_of(answer.layout, [cloth.buffer(-2.4)]) < 1e-6
    laid = list(answer.layout.outlines().values())
    assert min(a.distance(b) for i, a in enumerate(laid) for b in laid[:i]) >= 3.0 - 1e-3  # the clearance


def test_not_found_is_no_proof() -> None:
    """Two 60 mm squares in a 100 x 100: the area would do, and nothing proves the contrary; still none is found."""
    answer = ask(box(0, 0, 100, 100), PatternPiece("a", box(0, 0, 60, 60), count=2))
    assert answer.verdict is Verdict.NOT_FOUND
    assert len(answer.layout.places.placed) == 1


def test_not_enough_by_area() -> None:
    answer = ask(box(0, 0, 100, 100), PatternPiece("a", box(0, 0, 60, 60), count=3))
    assert answer.verdict is Verdict.NOT_ENOUGH
    assert answer.shortage is not None
    assert answer.shortage.kind == "area"
    assert "need 108 cm² of cloth, and there are at most 100" in answer.shortage.told(LengthUnit.CM)
    assert "need 16.74 in² of cloth" in answer.shortage.told(LengthUnit.IN)  # 10,800 / 25.4^2
    assert len(answer.layout.places.placed) == 1  # the most valuable that fits is still shown


def test_not_enough_by_shape() -> None:
    """Long enough on the diagonal, but the grain runs up."""
    answer = ask(box(0, 0, 200, 200), PatternPiece("a", box(0, 0, 20, 230)))
    assert answer.verdict is Verdict.NOT_ENOUGH
    assert answer.shortage is not None
    assert "230 mm along its grain" in answer.shortage.told(LengthUnit.MM)
    free = ask(box(0, 0, 200, 200), PatternPiece("a", box(0, 0, 20, 230), turns=Turns.ANY))
    assert free.verdict is not Verdict.NOT_ENOUGH


def test_the_proof_holds_between_the_turns_that_are_tried() -> None:
    """A strip that fits at 4.3 degrees only must not be refused within a tolerance of 5."""
    room = affinity.rotate(box(0, 0, 20.3, 300), 4.3, origin=(0, 0))
    parts = make_parts([PatternPiece("a", box(0, 0, 20, 299))], Lay((Board("A", room, 0.0),)), LayRules(5.0))
    assert find_shortage(parts, [room], ["A"]) is None
    straight = make_parts([PatternPiece("a", box(0, 0, 20, 299))], Lay((Board("A", room, 0.0),)), LayRules(0.0))
    assert find_shortage(straight, [room], ["A"]) is not None


def test_not_enough_where_the_large_pieces_have_only_one_cloth() -> None:
    """Three 60 x 60 fit the large cloth only (100 x 100); the small cloth's area does not help them."""
    boards = [Board("large", box(0, 0, 100, 100), 0.0), Board("strip", box(0, 0, 1000, 40), 0.0)]
    answer = is_enough([PatternPiece("a", box(0, 0, 60, 60), count=3)], boards, effort=QUICK)
    assert answer.shortage is not None
    said = "a 1; a 2; a 3 fit only on large; together they need 108 cm² of cloth, and there are at most 100"
    assert answer.shortage.told(LengthUnit.MM).startswith(said)


def test_a_piece_like_the_cloth_is_not_denied() -> None:
    """An L cut from an L: the middle of its box lies beside the cloth."""
    cloth = affinity.scale(L_SHAPE, 2.0, 2.0)
    answer = ask(cloth, PatternPiece("l", cloth.buffer(-5, join_style="mitre")), u_mm=0.5)
    assert answer.verdict is Verdict.ENOUGH
    assert answer.margin_mm == pytest.approx(5.0 - 2.0 * 0.5, abs=0.15)


def test_a_waist_hole_lies_round_a_flaw_and_gives_another_piece() -> None:
    """A ring of 600 mm with a hole of 200 on cloth of 620: a flaw of 100 lies in it, or else a disc of 120."""
    skirt = PatternPiece("skirt", Point(0, 0).buffer(300).difference(Point(0, 0).buffer(100)))
    cloth = box(-310, -310, 310, 310)
    assert ask(cloth.difference(Point(0, 0).buffer(50)), skirt, u_mm=0.5).verdict is Verdict.ENOUGH
    assert ask(cloth, skirt, PatternPiece("disc", Point(0, 0).buffer(60)), u_mm=0.5).verdict is Verdict.ENOUGH
    beyond = cloth.difference(Point(0, 0).buffer(110, quad_segs=32))
    assert ask(beyond, skirt, u_mm=0.5).verdict is Verdict.NOT_ENOUGH


def test_pair_needs_its_mirror_image() -> None:
    answer = ask(box(0, 0, 420, 170), PatternPiece("l", L_SHAPE, pair=True))
    assert answer.verdict is Verdict.ENOUGH
    first, second = answer.layout.outlines().values()
    turned = affinity.scale(second, -1.0, 1.0)
    moved = affinity.translate(turned, *(np.array(first.centroid.coords[0]) - turned.centroid.coords[0]))
    upside = affinity.rotate(moved, 180.0, origin="centroid")
    assert min(moved.symmetric_difference(first).area, upside.symmetric_difference(first).area) < 1e-3


def test_two_layers_give_the_pair_at_once() -> None:
    room = box(0, 0, 210, 160)
    doubled = is_enough([PatternPiece("l", L_SHAPE, pair=True)], [Board("A", room, 0.0, layers=2)], effort=QUICK)
    assert doubled.verdict is Verdict.ENOUGH
    assert len(doubled.layout.parts) == 1
    single = is_enough([PatternPiece("l", L_SHAPE, pair=True)], [Board("A", room, 0.0)], effort=QUICK)
    assert single.verdict is not Verdict.ENOUGH


def test_layers_one_by_one_when_together_is_not_enough() -> None:
    """Two single pieces with one in each layer: cut together there would be room for one place only."""
    pieces = [PatternPiece("a", box(0, 0, 180, 140)), PatternPiece("b", box(0, 0, 170, 130))]
    answer = is_enough(pieces, [Board("A", box(0, 0, 190, 150), 0.0, layers=2)], effort=QUICK)
    assert answer.verdict is Verdict.ENOUGH
    assert [board.label for board in answer.boards] == ["A, upper layer", "A, lower layer"]


def test_right_and_wrong_side() -> None:
    """A triangle with unlike sides fits its own outline only right side up, unless the cloth has no wrong side."""
    outline = Polygon([(0, 0), (100, 0), (20, 160)])
    piece = [PatternPiece("t", outline)]
    room = outline.buffer(1.0, join_style="mitre")
    mirrored = affinity.scale(room, -1.0, 1.0, origin=(0, 0))
    for cloth, face, verdict in (
        (room, Face.RIGHT, Verdict.ENOUGH),
        (mirrored, Face.RIGHT, Verdict.NOT_ENOUGH),
        (mirrored, Face.BOTH, Verdict.ENOUGH),
    ):
        assert is_enough(piece, [Board("A", cloth, 0.0, face)], effort=QUICK).verdict is verdict


def test_wrong_side_up_in_the_photo() -> None:
    """The board is the cloth turned over; what is laid on it comes back to the photo's mat."""
    panel = gore()
    board = board_of(panel, Face.WRONG)
    piece = PatternPiece("g", affinity.scale(panel.polygon, -0.99, 0.99, origin="centroid"))
    answer = is_enough([piece], [board], effort=Effort(60, coverage=0.0))
    assert answer.verdict is Verdict.ENOUGH
    on_mat = Polygon(board.to_mat(np.asarray(answer.layout.outlines()[0].exterior.coords)))
    assert on_mat.difference(panel.polygon).area < 1e-6


def test_board_has_its_grain_up_and_comes_back() -> None:
    panel = replace(gore(), grain=Grain(30.0, 0.5, "given"))
    board = board_of(panel)
    back = board.to_mat(np.asarray(board.cloth.exterior.coords))
    assert Polygon(back).symmetric_difference(panel.polygon).area < 1e-6
    tip = board.to_mat(np.array([[0.0, 1.0]]))[0]
    assert np.degrees(np.arctan2(tip[1], tip[0])) == pytest.approx(30.0)


def drawn_truths(panel: Panel, draws: int, seed: int) -> list[Polygon]:
    """What a measured panel may be in truth, by its three causes of error about its middle (JCGM 101:2008)."""
    middle = np.asarray(shapely.minimum_bounding_circle(panel.polygon).centroid.coords[0])
    truths: list[Polygon] = []

    def keep(moved: Panel) -> float:
        truths.append(affinity.translate(moved.polygon, *middle))
        return 0.0

    monte_carlo(replace(panel, outline_mm=panel.outline_mm - middle), keep, draws, seed)
    return truths


@pytest.mark.parametrize(
    "error",
    [OutlineError(0.0012, 0.08, 0.15), OutlineError(0.0, 0.0, 0.3), OutlineError(0.002, 0.0, 0.05)],
    ids=["all", "points", "scale"],
)
@pytest.mark.parametrize("cloths", [1, 4])
def test_enough_holds_in_95_of_100_worlds(error: OutlineError, cloths: int) -> None:
    """The hardest piece for each cloth touches the sure cloth all round: still it lies in the true one."""
    panels = [gore(error, name) for name in "ABCD"[:cloths]]
    boards = [board_of(panel) for panel in panels]
    sure = joint_coverage(2.0, cloths) * boards[0].u_mm
    piece = PatternPiece("g", boards[0].cloth.buffer(-sure - 0.4), count=cloths)
    answer = is_enough([piece], boards, effort=Effort(200))
    assert answer.verdict is Verdict.ENOUGH
    assert answer.margin_mm < 0.4
    held = np.ones(400, dtype=bool)
    margin = max(answer.margin_mm - 0.1, 0.0)  # the truth's chords leave the hem's curve by 0.03 mm
    for board, outline in enumerate(answer.layout.outlines().values()):
        claimed = outline.buffer(margin)
        truths = drawn_truths(panels[board], len(held), seed=board)
        held &= np.array([truth.buffer(0.03).covers(claimed) for truth in truths])
    assert np.mean(held) >= 0.95


def test_too_close_holds_less_often() -> None:
    """A piece as large as the cloth was measured: a matter of luck, and so it is said."""
    panel = gore()
    board = board_of(panel)
    answer = is_enough([PatternPiece("g", board.cloth.buffer(-0.3))], [board], effort=Effort(200))
    assert answer.verdict is Verdict.TOO_CLOSE
    outline = answer.layout.outlines()[0]
    assert np.mean([truth.covers(outline) for truth in drawn_truths(panel, 300, 5)]) < 0.8


def test_outline_u_is_no_more_than_it_must_be() -> None:
    """It holds in 95 of 100 worlds above; half of it must not."""
    panel = gore()
    board = board_of(panel)
    inner = board.cloth.buffer(-board.u_mm)
    assert np.mean([truth.covers(inner) for truth in drawn_truths(panel, 300, 9)]) < 0.9


def test_separate_layers_mirror_the_lower() -> None:
    upper, lower = separate_layers([Board("A", L_SHAPE, 0.3, layers=2)])
    assert affinity.scale(lower.cloth, -1.0, 1.0, origin=(0, 0)).equals(upper.cloth)
    corner = np.array([[12.0, 34.0]])
    assert upper.to_mat(corner) == pytest.approx(lower.to_mat(corner * [-1.0, 1.0]))


def test_tolerance_lets_a_piece_tilt() -> None:
    """In a room tilted by 3 degrees a piece as wide as the room fits only when it may tilt as much."""
    room = affinity.rotate(box(0, 0, 82, 300), 3.0, origin=(0, 0))
    piece = PatternPiece("a", box(0, 0, 80, 290))
    assert ask(room, piece).verdict is Verdict.NOT_ENOUGH
    tilted = ask(room, piece, tolerance_deg=3.0)
    assert tilted.verdict is Verdict.ENOUGH
    assert abs(tilted.layout.parts[0].stances[tilted.layout.places.stance[0]].turn_deg % 180.0) == pytest.approx(3.0)


def test_outlines_shrink_every_edge() -> None:
    cloth = box(0, 0, 100, 100).difference(box(40, 40, 60, 60))
    smaller = outlines_of([Board("A", cloth, 1.0)], 2.0)[0]
    assert cloth.boundary.distance(smaller) >= 2.0
    assert cloth.boundary.distance(smaller) < 2.3


def test_stopped_gives_the_best_so_far() -> None:
    pieces = [PatternPiece("a", box(0, 0, 60, 60), count=2)]
    answer = is_enough(pieces, [Board("A", box(0, 0, 100, 100), 0.0)], effort=QUICK, should_stop=lambda: True)
    assert answer.stopped
    assert len(answer.layout.places.placed) == 1


def test_stopped_from_outside() -> None:
    """A search that would go on for long ends when told so, and its progress never runs back."""
    told: list[float] = []
    answer = is_enough(
        [PatternPiece("a", box(0, 0, 60, 60), count=2)],
        [Board("A", box(0, 0, 100, 100), 1.0)],
        effort=Effort(10**6),
        on_progress=lambda share, what: told.append(share),
        should_stop=lambda: len(told) > 20,
    )
    assert answer.stopped
    assert len(answer.layout.places.placed) == 1
    assert 20 < len(told) < 40
    assert told == sorted(told)
