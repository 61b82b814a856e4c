"""Corners put right by hand, and hints, on rendered photos whose shapes are known."""

import json
from functools import cache

import numpy as np
import pytest
from typer.testing import CliRunner

from flatmeasure.cloth.hints import Hints
from flatmeasure.commands.hint_options import parse_hints
from flatmeasure.correction import AddedCorner, Corrections, MovedCorner, RemovedCorner, correct
from flatmeasure.errors import OptionInvalid
from flatmeasure.pipeline import measure, prepare
from flatmeasure.polygons import polygon_area
from flatmeasure.results.measurement import Measurement, Piece
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Scene, View, scene_camera

SIZE_PX = (1400, 1050)
PANEL = np.array([[-220.0, -200.0], [230.0, -190.0], [210.0, 170.0], [-180.0, 200.0]])
TIP = 2  # the corner that is folded over, or beside which a shadow lies
# The tip folded over along a crease, and a shadow that looks like a tongue of cloth.
FOLDED = np.vstack(
    [PANEL[:2], PANEL[1] + 0.8 * (PANEL[2] - PANEL[1]), PANEL[2] + 0.2 * (PANEL[3] - PANEL[2]), PANEL[3:]]
)
SHADED = np.vstack(
    [
        PANEL[:2],
        PANEL[1] + 0.9 * (PANEL[2] - PANEL[1]),
        PANEL[2] + [45.0, 25.0],
        PANEL[2] + 0.1 * (PANEL[3] - PANEL[2]),
        PANEL[3:],
    ]
)
REFERENCES = (
    LaidReference("coded", (100, 100), (-360, -100), 7, code=3),
    LaidReference("coded", (100, 100), (360, 100), -4, code=4),
)
CAMERA, POSE = scene_camera(SIZE_PX, View(1200, 8, turn_deg=4))


def scene(*outlines: np.ndarray) -> Scene:
    cloths = tuple(LaidCloth(outline, colour=(150, 60, 52)) for outline in outlines)
    return Scene(CAMERA, POSE, SIZE_PX, REFERENCES, cloths, noise=1.5)


@cache
def measured(shape: str) -> Measurement:
    turn = np.linspace(0.0, 2.0 * np.pi, 120, endpoint=False)
    disc = 190.0 * np.column_stack([np.cos(turn), 0.8 * np.sin(turn)])
    outlines = {"panel": PANEL, "folded": FOLDED, "shaded": SHADED, "disc": disc}
    return measure(render_photo(scene(outlines[shape]), 1), square_mm=100)


def seen_px(points_mm: np.ndarray) -> np.ndarray:
    """Where points of the scene's mat appear."""
    from flatmeasure.photos.camera import project

    return project(np.column_stack([points_mm, np.zeros(len(points_mm))]), CAMERA, POSE)


def corner_near(piece: Piece, at_px: np.ndarray) -> int:
    return int(np.argmin([np.linalg.norm(corner.at_px - at_px) for corner in piece.corners]))


def point(at_px: np.ndarray) -> tuple[float, float]:
    return float(at_px[0]), float(at_px[1])


@pytest.mark.parametrize("shape", ["folded", "shaded"])
def test_a_wrong_tip_put_right_gives_the_whole_panel(shape: str) -> None:
    wrong, tip_px = measured(shape), seen_px(PANEL)[TIP]
    (piece,) = wrong.pieces
    outline = FOLDED if shape == "folded" else SHADED
    others = [corner_near(piece, at) for at in seen_px(outline[2:-1])]
    moved = MovedCorner("A", others[0], point(tip_px))
    removed = tuple(RemovedCorner("A", i) for i in sorted({*others[1:]} - {others[0]}))
    (mended,) = correct(wrong, Corrections((moved,), removed_corners=removed)).pieces
    truth = float(polygon_area(PANEL))
    assert abs(piece.area.value - truth) > 1000.0
    assert mended.area.value == pytest.approx(truth, abs=2.0 * mended.area.u)
    assert mended.area.value == pytest.approx(measured("panel").pieces[0].area.value, abs=60.0)
    lengths = [edge.length for edge in mended.edges]
    first = corner_near(mended, seen_px(PANEL)[0])
    assert len(lengths) == 4
    for i, true_mm in enumerate(np.linalg.norm(np.roll(PANEL, -1, axis=0) - PANEL, axis=1)):
        assert lengths[(first + i) % 4].value == pytest.approx(true_mm, abs=2.0 * lengths[(first + i) % 4].u)
    assert mended.corners[corner_near(mended, tip_px)].at_px == pytest.approx(tip_px, abs=0.02)
    assert mended.perimeter.value == pytest.approx(sum(length.value for length in lengths))


def test_an_edge_is_named_after_the_corner_where_it_begins() -> None:
    (piece,) = measured("panel").pieces
    middle = (piece.corners[1].at_px + piece.corners[2].at_px) / 2
    added = correct(measured("panel"), Corrections(added_corners=(AddedCorner("A", point(middle)),)))
    assert [edge.id for edge in added.pieces[0].edges] == ["A1", "A2", "A5", "A3", "A4"]
    fewer = correct(added, Corrections(removed_corners=(RemovedCorner("A", 1),)))
    assert [edge.id for edge in fewer.pieces[0].edges] == ["A1", "A5", "A3", "A4"]
    assert [(edge.start, edge.end) for edge in fewer.pieces[0].edges] == [(0, 1), (1, 2), (2, 3), (3, 0)]


def test_a_corner_on_the_outline_parts_the_edge() -> None:
    (piece,) = measured("panel").pieces
    at = 0.3 * piece.corners[0].at_px + 0.7 * piece.corners[1].at_px
    (parted,) = correct(measured("panel"), Corrections(added_corners=(AddedCorner("A", point(at)),))).pieces
    first, second = parted.edges[0], parted.edges[1]
    assert first.length.value + second.length.value == pytest.approx(piece.edges[0].length.value, abs=0.1)
    assert parted.corners[1].at_px == pytest.approx(at, abs=1.0)
    assert first.length.u > 1.0  # 1.5 px of the hand, nearly a millimetre each
    assert parted.area.value == pytest.approx(piece.area.value, abs=5.0)


def test_edges_away_from_a_correction_stay_as_they_are() -> None:
    (piece,) = measured("folded").pieces
    moved = MovedCorner("A", 0, point(piece.corners[0].at_px + np.array([14.0, -9.0])))
    (mended,) = correct(measured("folded"), Corrections((moved,))).pieces
    before, after = (next(edge for edge in p.edges if edge.id == "A3") for p in (piece, mended))
    assert after.length.value == pytest.approx(before.length.value, abs=1e-3)
    assert after.length.u == pytest.approx(before.length.u, rel=0.05)
    assert after.points_px == pytest.approx(before.points_px, abs=1e-3)
    assert mended.edges[0].length.value != pytest.approx(piece.edges[0].length.value, abs=3.0)
    assert mended.edges[0].length.u > 1.2 * piece.edges[0].length.u


def test_a_hand_near_a_sharp_corner_finds_it() -> None:
    (piece,) = measured("panel").pieces
    without = correct(measured("panel"), Corrections(removed_corners=(RemovedCorner("A", 1),)))
    assert len(without.pieces[0].edges) == 3
    near = point(piece.corners[1].at_px + np.array([1.2, -0.8]))
    (again,) = correct(without, Corrections(added_corners=(AddedCorner("A", near),))).pieces
    assert again.corners[1].at_px == pytest.approx(piece.corners[1].at_px, abs=0.1)
    assert again.corners[1].angle.value == pytest.approx(piece.corners[1].angle.value, abs=0.1)
    assert again.edges[0].length.u == pytest.approx(piece.edges[0].length.u, rel=0.05)


def test_one_by_one_or_all_at_once() -> None:
    (piece,) = measured("panel").pieces
    added = AddedCorner("A", point((piece.corners[2].at_px + piece.corners[3].at_px) / 2))
    moved = MovedCorner("A", 1, point(piece.corners[1].at_px + np.array([9.0, 8.0])))
    at_once = correct(measured("panel"), Corrections((moved,), (added,)))
    in_turn = correct(correct(measured("panel"), Corrections((moved,))), Corrections(added_corners=(added,)))
    assert at_once.to_dict() == in_turn.to_dict()
    assert json.loads(json.dumps(at_once.to_dict()))["pieces"][0]["edges"][1]["id"] == "A2"


def test_a_smooth_outline_gets_corners_and_loses_them() -> None:
    (disc,) = measured("disc").pieces
    assert len(disc.edges) == 1
    ends = [disc.outline_px[i] for i in (10, len(disc.outline_px) // 2)]
    added = tuple(AddedCorner("A", point(at)) for at in ends)
    halves = correct(measured("disc"), Corrections(added_corners=added))
    assert [edge.id for edge in halves.pieces[0].edges] == ["A1", "A2"]
    assert halves.pieces[0].perimeter.value == pytest.approx(disc.perimeter.value, rel=2e-3)
    whole = correct(halves, Corrections(removed_corners=(RemovedCorner("A", 0), RemovedCorner("A", 1))))
    assert whole.pieces[0].area.value == pytest.approx(disc.area.value, rel=1e-6)
    moved = correct(measured("disc"), Corrections((MovedCorner("A", 0, point(ends[0])),)))
    assert moved.pieces[0].corners[0].at_px == pytest.approx(ends[0], abs=1.0)


def test_a_smooth_outline_has_no_corner_to_remove_failure() -> None:
    with pytest.raises(OptionInvalid, match="one smooth edge and no corner"):
        correct(measured("disc"), Corrections(removed_corners=(RemovedCorner("A", 0),)))


@pytest.mark.parametrize(
    ("corrections", "message"),
    [
        (Corrections((MovedCorner("Q", 0, (5, 5)),)), "There is no piece Q in this measurement; its pieces: A."),
        (Corrections((MovedCorner("A", 4, (5, 5)),)), "Piece A has no corner 4: its corners count from 0 to 3."),
        (Corrections(removed_corners=(RemovedCorner("A", -1),)), "Piece A has no corner -1"),
        (Corrections((MovedCorner("A", 1, (5, 5)),), removed_corners=(RemovedCorner("A", 1),)), "is corrected twice"),
        (Corrections((MovedCorner("A", 1, (5, 2000)),)), "lies outside the photo, which is 1400 x 1050 pixels"),
        (Corrections(added_corners=(AddedCorner("A", (float("nan"), 5)),)), "lies outside the photo"),
    ],
)
def test_correct_failure(corrections: Corrections, message: str) -> None:
    with pytest.raises(OptionInvalid, match=message.replace(".", r"\.")):
        correct(measured("panel"), corrections)


def test_a_corner_beyond_another_edge_failure() -> None:
    (piece,) = measured("panel").pieces
    beyond = point(2.2 * piece.corners[2].at_px - 1.2 * piece.corners[0].at_px)
    with pytest.raises(OptionInvalid, match="the outline would cross itself"):
        correct(measured("panel"), Corrections((MovedCorner("A", 0, beyond),)))


def test_a_corner_upon_another_failure() -> None:
    (piece,) = measured("panel").pieces
    at = point(piece.corners[0].at_px)
    with pytest.raises(OptionInvalid, match="There is no room for a corner"):
        correct(measured("panel"), Corrections(added_corners=(AddedCorner("A", at), AddedCorner("A", at))))


def test_hints_take_a_piece_off_and_the_answer_is_the_same_from_a_prepared_photo() -> None:
    scrap = np.array([[-60.0, 240.0], [60.0, 235.0], [70.0, 300.0], [-50.0, 310.0]])
    photo = render_photo(scene(PANEL, scrap), 1)
    steps: list[str] = []
    prepared = prepare(photo, square_mm=100, on_step=steps.append)
    both = prepared.measure(on_step=steps.append)
    assert [piece.id for piece in both.pieces] == ["A", "B"]
    assert steps == [
        "reading the photo",
        "finding the squares",
        "looking for cloth",
        "telling cloth from ground",
        "reading the mat's grid",
        "following the edge of piece A",
        "following the edge of piece B",
    ]
    not_cloth = Hints(not_cloth_px=(seen_px(np.array([[0.0, 270.0]])),))
    one = prepared.measure(hints=not_cloth)
    assert one.to_dict() == measure(photo, square_mm=100, hints=not_cloth).to_dict()
    assert one.pieces[0].area.value == pytest.approx(both.pieces[0].area.value, rel=1e-3)
    assert len(one.pieces) == 1
    boxed = prepared.measure(hints=Hints(not_cloth_boxes_px=((500.0, 150.0, 850.0, 338.0),)))
    assert len(boxed.pieces) == 1


@pytest.mark.parametrize(
    ("hints", "message"),
    [
        (Hints(cloth_px=(np.array([[1400.0, 5.0]]),)), "The hint at 1400,5 lies outside the photo"),
        (Hints(not_cloth_px=(np.array([[5.0, 5.0], [5.0, np.nan]]),)), "lies outside the photo"),
        (Hints(cloth_boxes_px=((50.0, 50.0, 20.0, 80.0),)), "The box 50,50,20,80 has no area"),
        (Hints(not_cloth_boxes_px=((0.0, 0.0, 20.0, 1050.0),)), "The hint at 20,1050 lies outside"),
    ],
)
def test_hints_failure(hints: Hints, message: str) -> None:
    with pytest.raises(OptionInvalid, match=message):
        measure(render_photo(scene(PANEL), 1), square_mm=100, hints=hints)


def test_hints_on_the_command_line() -> None:
    hints = parse_hints(["10,20", "1,2 3.5,4; 5,6"], ["7, 8"], ["0,0,50,60"], ["1,2,3,4 5,6,7,8"])
    assert hints is not None
    assert [stroke.tolist() for stroke in hints.cloth_px] == [[[10, 20]], [[1, 2], [3.5, 4], [5, 6]]]
    assert hints.not_cloth_px[0].tolist() == [[7, 8]]
    assert hints.cloth_boxes_px == ((0, 0, 50, 60),)
    assert hints.not_cloth_boxes_px == ((1, 2, 3, 4), (5, 6, 7, 8))
    assert parse_hints([], [], [], []) is None


@pytest.mark.parametrize("option", ["--cloth", "--not-cloth", "--within", "--outside"])
@pytest.mark.parametrize("text", ["", "5", "a,b", "1,2,3", "1e9,4"])
def test_hints_on_the_command_line_failure(option: str, text: str) -> None:
    from flatmeasure.cli import app

    result = CliRunner().invoke(app, ["measure", "photo.jpg", option, text])
    assert isinstance(result.exception, OptionInvalid)
    assert str(result.exception).startswith(f'{option} can\'t be "{text}"')
