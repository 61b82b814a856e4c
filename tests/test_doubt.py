"""What is unsure is said: cloth like its ground is refused, weak edges get a larger u, flaws are only suspected."""

from dataclasses import replace
from functools import cache, partial

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString

from flatmeasure.cloth.segmentation import segment_cloth
from flatmeasure.cloth.things import reaching_in
from flatmeasure.correction import Corrections, RemovedCorner, correct
from flatmeasure.display.overlay import draw_overlay
from flatmeasure.edges.joints import Break
from flatmeasure.errors import ClothNotFound
from flatmeasure.outline.refinement import Outline, refine_outline
from flatmeasure.photos.photo import Photo, load_photo
from flatmeasure.pipeline import LEFT_OUT, REFUSAL, REFUSED, measure
from flatmeasure.results.measurement import UNSURE, Flaw, Measurement, Piece
from flatmeasure.results.measures import UNSEEN_CAUSE, GivenEdges, measure_piece
from flatmeasure.results.shape import TOO_NARROW
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Mat, Scene, View, corners_px, scene_camera, see
from flatmeasure.view.rectification import Rectification

SIZE_PX = (1600, 1200)
CAMERA, POSE = scene_camera(SIZE_PX, View(1200, 8, turn_deg=4))
REFERENCES = tuple(
    LaidReference("coded", (100, 100), at, 5, code=i) for i, at in enumerate(((-380.0, -230.0), (390.0, 240.0)))
)
PANEL = np.array([[-250.0, -200], [250, -180], [220, 210], [-240, 190]])
LEFT = np.array([[-260.0, -150], [-40, -170], [-20, 190], [-240, 180]])
RIGHT = np.array([[60.0, -160], [260, -180], [230, 210], [70, 200]])
TINY, HARDLY, CLEARLY = 5, 8, 60  # codes above the mat


def scene(*cloths: tuple[np.ndarray, int]) -> Scene:
    """Outlines, each so many codes lighter than the mat."""
    red, green, blue = Mat().colour
    laid = tuple(LaidCloth(outline, colour=(red + step, green + step, blue + step)) for outline, step in cloths)
    return Scene(CAMERA, POSE, SIZE_PX, REFERENCES, laid, noise=1.5)


@cache
def shot(*steps: int) -> Photo:
    outlines = (PANEL,) if len(steps) == 1 else (LEFT, RIGHT)
    return load_photo(render_photo(scene(*zip(outlines, steps, strict=True)), 1))


def test_cloth_like_its_ground_is_refused_with_advice() -> None:
    with pytest.raises(ClothNotFound, match=r"nearly of the ground's colour.*darker or lighter sheet underneath"):
        measure(shot(HARDLY), square_mm=100)


def test_a_piece_like_its_ground_is_left_out_and_said_so() -> None:
    found = measure(shot(CLEARLY, TINY), square_mm=100)
    (piece,) = found.pieces
    assert piece.outline_px[:, 0].max() < SIZE_PX[0] / 2  # the left one
    (note,) = (note for note in found.warnings if note.code == REFUSAL)
    assert "was not measured" in note.message
    assert "sheet underneath" in note.advice
    corrected = correct(found, Corrections(removed_corners=(RemovedCorner("A", 0),)))
    assert note in corrected.warnings  # a corner put right does not bring the other piece back


def strip(view: Rectification) -> Outline:
    """The outline of a strip of 160 by 9 mm with round ends."""
    around = LineString([(-80.0, 0.0), (80.0, 0.0)]).buffer(4.5).exterior
    places = np.arange(0.0, around.length, 2.0)
    at, ahead = (np.array([around.interpolate(s + step).coords[0] for s in places])[::-1] for step in (0.0, 0.01))
    points_px = view.to_picture(at)
    along = view.to_picture(ahead) - points_px
    normals_px = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    return Outline(points_px, normals_px, np.full(len(at), 0.1), np.zeros(len(at), dtype=bool), np.zeros(len(at)), 10.0)


def test_a_piece_whose_edges_enclose_nothing_is_refused() -> None:
    view = measure(shot(CLEARLY, CLEARLY), square_mm=100).rectification
    narrow = partial(measure_piece, "A", strip(view), [], view, 0.0, complete=True, confidence=1.0)
    assert narrow().area.value == pytest.approx(160 * 9 + np.pi * 4.5**2, rel=0.05)
    there_and_back = GivenEdges((Break(0.0), Break(167.0)), ("A1", "A2"))
    with pytest.raises(ClothNotFound, match="too narrow in this photo"):
        narrow(given=there_and_back)


def test_a_piece_that_cannot_be_measured_is_left_out_and_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def only_the_right_one(name: str, outline: Outline, *rest: object, **options: object) -> Piece:
        if outline.points_px[:, 0].mean() < SIZE_PX[0] / 2:
            raise ClothNotFound(TOO_NARROW)
        return measure_piece(name, outline, *rest, **options)  # type: ignore[arg-type]

    monkeypatch.setattr("flatmeasure.pipeline.measure_piece", only_the_right_one)
    found = measure(shot(CLEARLY, CLEARLY), square_mm=100)
    (piece,) = found.pieces
    assert piece.id == "A"
    assert piece.outline_px[:, 0].min() > SIZE_PX[0] / 2
    assert [note.message for note in found.warnings if note.code == LEFT_OUT] == [TOO_NARROW]


def test_clear_cloth_is_not_refused() -> None:
    found = measure(shot(CLEARLY), square_mm=100)
    assert found.pieces[0].confidence > 0.9
    assert REFUSAL not in {note.code for note in found.warnings}


def test_confidence_follows_the_contrast() -> None:
    """Down to the limit below which a piece is refused."""
    squares = [corners_px(laid, scene()) for laid in REFERENCES]
    sure = [segment_cloth(shot(step), references_px=squares, mm_per_px=0.8)[0].confidence for step in (60, 12, HARDLY)]
    assert sure[0] > sure[1] > REFUSED > sure[2]


def test_u_grows_where_the_edge_is_weak() -> None:
    """The mat beside the right edge takes the cloth's colour, over two fifths of the edge: nothing shows there."""
    whole = shot(CLEARLY)
    smeared = np.array(whole.rgb)
    outline_px = see(PANEL, scene(), np.zeros(len(PANEL)))
    x, low, high = int(outline_px[1:3, 0].max()), int(outline_px[2, 1]), int(outline_px[1, 1])
    rows = slice(low + (high - low) * 3 // 10, low + (high - low) * 7 // 10)
    smeared[rows, x - 60 : x + 90] = np.median(whole.rgb[550:650, 750:850], axis=(0, 1))
    clear = refine_outline(whole, outline_px)
    weak = refine_outline(replace(whole, rgb=smeared), outline_px)

    def beside(points_px: np.ndarray) -> np.ndarray:
        y = points_px[:, 1]
        return (points_px[:, 0] > x - 80) & (y > rows.start + 20) & (y < rows.stop - 20)

    there = beside(weak.points_px)
    assert weak.weak[there].mean() > 0.8
    assert np.median(weak.u_px[there]) > 5.0 * np.median(clear.u_px[beside(clear.points_px)])
    assert weak.weak[~there].mean() < 0.1
    assert clear.weak.mean() < 0.02


def test_u_of_the_area_holds_what_hardly_shows() -> None:
    """Weak points along an edge count with 3 mm over their length, and the cause is named first."""
    found = measure(shot(CLEARLY), square_mm=100)
    (piece,) = found.pieces
    assert piece.traced is not None
    outline = piece.traced.outline
    right = outline.normals_px[:, 0] > 0.9
    hidden = replace(outline, weak=outline.weak | right)
    again = measure_piece("A", hidden, (), found.rectification, 0.0, complete=True, confidence=1.0)
    length_mm = sum(edge.weak * edge.length.value for edge in again.edges)
    assert length_mm > 100.0
    cause, u_mm2 = again.area_budget[0]
    assert (cause, u_mm2) == (UNSEEN_CAUSE, pytest.approx(3.0 * length_mm))
    assert again.area.u == pytest.approx(np.hypot(piece.area.u, u_mm2), rel=0.1)


@cache
def flawed() -> Measurement:
    """The clear panel, said to have a stain in its middle."""
    found = measure(shot(CLEARLY), square_mm=100)
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    ring_mm = found.pieces[0].outline_mm.mean(axis=0) + 18.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    stain = Flaw("stain", 0.7, ring_mm, found.rectification.to_picture(ring_mm))
    (piece,) = found.pieces
    return replace(found, pieces=(replace(piece, flaws=(stain,)),))


def test_suspected_flaws_outlive_a_correction_and_are_told() -> None:
    (piece,) = correct(flawed(), Corrections(removed_corners=(RemovedCorner("A", 0),))).pieces
    assert piece.flaws == flawed().pieces[0].flaws
    (note,) = (
        note
        for note in correct(flawed(), Corrections(removed_corners=(RemovedCorner("A", 1),))).warnings
        if note.code == "flaw-suspected"
    )
    assert "On piece A a stain is suspected" in note.message
    assert "--piece A --flaw 1" in note.advice


def test_suspected_flaws_are_drawn() -> None:
    """Light dashes in a dark casing, so that they show in grey too, on any cloth."""
    plain = replace(flawed(), pieces=tuple(replace(piece, flaws=()) for piece in flawed().pieces))
    before, after = (draw_overlay(found.photo, found).astype(int) for found in (plain, flawed()))
    height = min(len(before), len(after)) - 100
    changed = np.abs(after[:height] - before[:height]).max(axis=2) > 60
    assert changed.any()
    drawn = after[:height][changed].mean(axis=1)
    assert (drawn > 200).any()
    assert (drawn < 60).any()


def test_a_print_of_the_ground_s_colour_at_the_outline_is_doubted() -> None:
    """Dots of the mat's colour; where one lies across the edge, the outline may follow it."""
    whole = shot(CLEARLY)
    squares = [corners_px(laid, scene()) for laid in REFERENCES]
    inside = [(650, 520), (800, 560), (720, 680), (880, 650), (600, 640)]
    edge = tuple(int(c) for c in see(PANEL[:2].mean(axis=0)[None], scene(), 0.0)[0])

    def confidence(*dots: tuple[int, int]) -> float:
        picture = np.array(whole.rgb)
        for dot in dots:
            cv2.circle(picture, dot, 32, Mat().colour, -1, cv2.LINE_AA)
        blurred = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.7), dtype=np.uint8)
        return segment_cloth(replace(whole, rgb=blurred), references_px=squares, mm_per_px=0.8)[0].confidence

    assert confidence(*inside) > UNSURE
    assert confidence(*inside, edge) < UNSURE


def test_what_reaches_in_from_the_picture_s_edge_like_an_arm_is_doubted() -> None:
    """Small beside the cloth, cut off by the frame, and rather no cloth to the network."""
    cloth = np.zeros((60, 90), bool)
    cloth[10:40, 10:50] = True
    cloth[40:60, 70:78] = True  # at the frame
    cloth[5:15, 70:78] = True  # whole
    learned = np.where(np.arange(90) < 60, 3.0, -0.5) * np.ones((60, 1))
    arm = reaching_in(cloth, learned.astype(np.float32))
    assert arm[50, 74]
    assert arm.sum() == 20 * 8
    assert not reaching_in(cloth, np.full(cloth.shape, 2.0, np.float32)).any()  # cloth to the network


def test_measures_of_a_doubtful_piece_are_as_unsure_as_it_is() -> None:
    """Its area, perimeter and extents may be more or less than the cloth's; above the limit nothing changes."""
    found = measure(shot(CLEARLY), square_mm=100)
    (sure,) = found.pieces
    assert sure.confidence > UNSURE
    assert sure.traced is not None
    traced = sure.traced.outline, sure.traced.holes
    again = partial(measure_piece, "A", *traced, found.rectification, 0.0, complete=True)
    assert again(confidence=UNSURE).area.u == again(confidence=1.0).area.u
    doubtful = again(confidence=0.8)
    for name in ("area", "perimeter", "along", "across"):
        quantity = getattr(doubtful, name)
        assert 0.2 * quantity.value < quantity.u < 0.21 * quantity.value
    assert doubtful.area_budget[0][0] == "telling cloth from ground"
