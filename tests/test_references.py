"""References found and located: against the exact truth of synthetic photos and of the rendered pictures."""

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from flatmeasure.errors import OptionInvalid, PhotoUnusable, ReferenceImplausible, ReferenceNotFound
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, Pixels, display_light, linear_light, load_photo
from flatmeasure.references.figures import code_boundaries
from flatmeasure.references.finding import Rectangle, Reference, Square, find_references, reference_from_corners
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Mat, Scene, View, corners_px, scene_camera, see

SIZE_PX = (1600, 1200)
IMAGES = Path(__file__).parents[1] / "test_images"
PICTURES = [path for path in sorted(IMAGES.glob("*.json")) if path.with_suffix(".jpg").exists()]
SHARED = Path(__file__).parents[2] / "shared" / "data"  # larger than the repository holds; skipped where absent

TWO_CODED = (
    LaidReference("coded", (100.0, 100.0), (-300.0, -220.0), turn_deg=8.0, code=7),
    LaidReference("coded", (100.0, 100.0), (310.0, 200.0), turn_deg=200.0, code=23),
)
DARK = LaidReference("dark", (100.0, 100.0), (-280.0, 180.0), turn_deg=-20.0)
LIGHT = LaidReference("light", (120.0, 120.0), (250.0, -150.0), turn_deg=33.0)
SHEET = LaidReference("light", (210.0, 297.0), (-250.0, 0.0), turn_deg=70.0)  # A4: ISO 216
CARD = LaidReference("light", (85.6, 53.98), (-250.0, 0.0), turn_deg=-10.0)  # ID-1: ISO/IEC 7810


def scene(*references: LaidReference, view: View | None = None, **changes: Any) -> Scene:
    camera, pose = scene_camera(SIZE_PX, view or View(height_mm=1100.0, tilt_deg=14.0, radial=(-0.03, 0.0)))
    return replace(Scene(camera, pose, SIZE_PX, references=references), **changes)


def photo_of(shown: Scene, seed: int = 0) -> Photo:
    return load_photo(encode_jpeg(render_photo(shown, seed), focal_35mm=26))


def one_coded(**changes: Any) -> Scene:
    return scene(replace(TWO_CODED[0], **changes))


def as_truth(reference: Reference, laid: LaidReference, shown: Scene) -> tuple[float, int]:
    """Largest corner error, px, and by how many corners the reference is turned against the truth."""
    true_px = corners_px(laid, shown)
    errors = [float(np.abs(np.roll(true_px, -turn, axis=0) - reference.corners_px).max()) for turn in range(4)]
    return min(errors), int(np.argmin(errors))


def offsets_to_dark(reference: Reference, laid: LaidReference, shown: Scene) -> list[Points]:
    """How far each observation lies from the true line, toward the dark side, through the exact camera model."""
    offsets = []
    for step in reference.steps:
        share = np.linspace(0.0, 1.0, 400)[:, None]
        true_px = see(laid.at(np.array(step.start) + share * np.subtract(step.end, step.start)), shown)
        nearest = [true_px[np.argmin(np.sum((true_px - point) ** 2, axis=1))] for point in step.points_px]
        offsets.append(np.sum((step.points_px - nearest) * step.normals_px, axis=1))
    return offsets


@pytest.mark.parametrize("blur_px", [0.5, 0.8, 1.5, 2.0])
def test_coded_squares_are_located_to_hundredths_of_a_pixel(blur_px: float) -> None:
    shown = scene(*TWO_CODED, blur_px=blur_px)
    found = find_references(photo_of(shown), square_mm=100.0)
    assert [(r.kind, r.code, r.size_mm) for r in found] == [
        ("coded", 7, (100.0, 100.0)),
        ("coded", 23, (100.0, 100.0)),
    ]
    for reference, laid in zip(found, TWO_CODED, strict=True):
        error_px, turned = as_truth(reference, laid, shown)
        assert error_px < 0.08
        assert turned == 0  # the code tells which corner is which
        offsets = offsets_to_dark(reference, laid, shown)
        assert abs(np.mean(np.concatenate(offsets[:4]))) < 0.02
        assert max(abs(np.mean(side)) for side in offsets[:4]) < 0.03
        assert reference.blur_px == pytest.approx(np.hypot(blur_px, np.sqrt(1 / 12) * 1.4), abs=0.15)


def test_inner_lines_are_those_of_the_code() -> None:
    shown = one_coded()
    (found,) = find_references(photo_of(shown), square_mm=100.0)
    looked_for = {(line.start, line.end) for line in code_boundaries(7)}
    inner = found.steps[4:]
    assert {(step.start, step.end) for step in inner} <= looked_for
    assert len(inner) >= 0.75 * len(looked_for)
    offsets = offsets_to_dark(found, TWO_CODED[0], shown)
    assert np.sqrt(np.mean(np.concatenate(offsets[4:]) ** 2)) < 0.06


@pytest.mark.parametrize(("laid", "kind"), [(DARK, "plain-dark"), (LIGHT, "plain-light")])
@pytest.mark.parametrize("grid_mm", [0.0, 50.0])
def test_plain_squares(laid: LaidReference, kind: str, grid_mm: float) -> None:
    shown = scene(laid, mat=Mat(colour=(40, 90, 70), grid_mm=grid_mm, grid_colour=(120, 160, 140)))
    (found,) = find_references(photo_of(shown), square_mm=laid.size_mm[0])
    assert found.kind == kind
    assert found.size_mm == laid.size_mm
    assert as_truth(found, laid, shown)[0] < 0.15
    assert len(found.steps) == 4


@pytest.mark.parametrize("laid", [SHEET, CARD], ids=["A4", "ID-1"])
@pytest.mark.parametrize("swapped", [False, True])
def test_rectangles_know_which_side_is_the_width(laid: LaidReference, swapped: bool) -> None:
    shown = scene(laid, mat=Mat(colour=(40, 45, 60)))
    size_mm = laid.size_mm[::-1] if swapped else laid.size_mm
    (found,) = find_references(photo_of(shown), rectangle_mm=size_mm)
    error_px, turned = as_truth(found, laid, shown)
    assert found.kind == "rectangle"
    assert found.size_mm == size_mm
    assert error_px < 0.15
    assert turned % 2 == int(swapped)


def test_rectangle_of_another_aspect_is_not_taken() -> None:
    shown = scene(SHEET, mat=Mat(colour=(40, 45, 60)))
    with pytest.raises(ReferenceNotFound, match="150 x 297 mm"):
        find_references(photo_of(shown), rectangle_mm=(150.0, 297.0))


def test_round_corners_of_a_card_do_not_move_its_sides() -> None:
    """ISO/IEC 7810 gives ID-1 cards corners of 3.18 mm radius: the sides alone tell where the corners would be."""
    shown = scene(CARD, mat=Mat(colour=(40, 45, 60)), view=View(height_mm=800.0, tilt_deg=10.0))
    pixels = render_photo(shown)
    for corner in np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]):
        inward = 1.0 - 2.0 * corner
        cut = [corner, corner + inward * [3.18 / 85.6, 0.0], corner + inward * [0.0, 3.18 / 53.98]]
        polygon = np.rint(see(CARD.at(np.array(cut)), shown)).astype(np.int32)
        cv2.fillPoly(pixels, [polygon], (40, 45, 60))
    (found,) = find_references(load_photo(encode_jpeg(pixels, focal_35mm=26)), rectangle_mm=CARD.size_mm)
    assert as_truth(found, CARD, shown)[0] < 0.15


def test_small_coded_squares_are_found() -> None:
    laid = replace(TWO_CODED[0], size_mm=(40.0, 40.0), border_mm=9.0)
    shown = scene(laid)
    side_px = np.linalg.norm(np.diff(corners_px(laid, shown)[:2], axis=0))
    assert 38 < side_px < 48
    (found,) = find_references(photo_of(shown), square_mm=40.0)
    assert as_truth(found, laid, shown)[0] < 0.15


def test_two_squares_may_carry_the_same_code() -> None:
    laid = (TWO_CODED[0], replace(TWO_CODED[1], code=TWO_CODED[0].code))
    found = find_references(photo_of(scene(*laid)), square_mm=100.0)
    assert [r.code for r in found] == [7, 7]


def test_coded_squares_are_preferred_to_plain_ones() -> None:
    found = find_references(photo_of(scene(TWO_CODED[0], replace(DARK, size_mm=(60.0, 60.0)))), square_mm=100.0)
    assert [r.kind for r in found] == ["coded"]


def test_stated_u_is_the_scatter() -> None:
    """At strong noise the scatter about the true lines is stated, at weak noise the floor of 0.03 px."""
    ratios = []
    for seed in range(4):
        shown = scene(TWO_CODED[0], noise=16.0, blur_px=1.2)
        (found,) = find_references(photo_of(shown, seed), square_mm=100.0)
        offsets = offsets_to_dark(found, TWO_CODED[0], shown)[:4]
        stated = [step.u_px[0] for step in found.steps[:4]]
        assert min(stated) > 0.03
        ratios += [np.std(o, ddof=1) / u for o, u in zip(offsets, stated, strict=True)]
    assert 0.8 < np.sqrt(np.mean(np.square(ratios))) < 1.25
    (quiet,) = find_references(photo_of(scene(TWO_CODED[0], noise=0.5)), square_mm=100.0)
    assert {float(step.u_px[0]) for step in quiet.steps[:4]} == {0.03}


def test_lens_curvature_survives() -> None:
    """The observations of a long side follow its bend, which a straight line would not."""
    view = View(height_mm=800.0, tilt_deg=5.0, radial=(-0.1, 0.0))
    laid = replace(SHEET, centre_mm=(-170.0, 120.0), turn_deg=0.0)
    shown = scene(laid, view=view, mat=Mat(colour=(40, 45, 60)))
    (found,) = find_references(photo_of(shown), rectangle_mm=laid.size_mm)
    offsets = offsets_to_dark(found, laid, shown)
    assert max(float(np.abs(side).max()) for side in offsets) < 0.15
    step = max(found.steps, key=lambda s: len(s.points_px))
    chord = step.points_px[-1] - step.points_px[0]
    across = np.array([-chord[1], chord[0]]) / np.linalg.norm(chord)
    assert np.abs((step.points_px - step.points_px[0]) @ across).max() > 0.3


def test_same_photo_same_result() -> None:
    photo = photo_of(scene(*TWO_CODED))
    first, second = (find_references(photo, square_mm=100.0) for _ in range(2))
    for a, b in zip(first, second, strict=True):
        assert np.array_equal(a.corners_px, b.corners_px)
        assert all(np.array_equal(s.points_px, t.points_px) for s, t in zip(a.steps, b.steps, strict=True))


# Refusals


def test_squares_without_a_size_ask_for_it() -> None:
    with pytest.raises(OptionInvalid, match="--square 100mm"):
        find_references(photo_of(scene(*TWO_CODED)))


@pytest.mark.parametrize("size", [0.0, -5.0, float("nan"), float("inf")])
def test_sizes_must_be_above_zero(size: float) -> None:
    with pytest.raises(OptionInvalid, match="above 0 mm"):
        find_references(photo_of(scene()), square_mm=size)


@pytest.mark.parametrize("grid_mm", [0.0, 10.0, 50.0])
def test_nothing_there(grid_mm: float) -> None:
    panel = LaidCloth(np.array([[-150.0, -120.0], [140.0, -130.0], [120.0, 150.0], [-130.0, 120.0]]), stripe_mm=20.0)
    shown = scene(cloths=(panel,), mat=Mat(grid_mm=grid_mm))
    with pytest.raises(ReferenceNotFound, match="beside the cloth"):
        find_references(photo_of(shown), square_mm=100.0)


def cover(laid: LaidReference, shown: Scene, share: Points) -> Photo:
    """A photo on which a patch of the mat's colour lies over part of a reference."""
    pixels = render_photo(shown)
    cv2.fillPoly(pixels, [np.rint(see(laid.at(share), shown)).astype(np.int32)], (118, 124, 120))
    return load_photo(encode_jpeg(pixels, focal_35mm=26))


HALF = np.array([[0.5, -0.4], [1.4, -0.4], [1.4, 1.4], [0.5, 1.4]])
CORNER = np.array([[0.5, -0.3], [1.4, -0.3], [1.4, 0.6]])
SIDE = np.array([[0.3, -0.4], [0.7, -0.4], [0.7, 0.06], [0.3, 0.06]])


@pytest.mark.parametrize("patch", [HALF, CORNER, SIDE], ids=["half", "corner", "side"])
@pytest.mark.parametrize("laid", [TWO_CODED[0], DARK, LIGHT], ids=["coded", "dark", "light"])
def test_covered_references_are_refused(laid: LaidReference, patch: Points) -> None:
    shown = scene(laid)
    with pytest.raises((ReferenceNotFound, ReferenceImplausible), match=r"uncovered|covered in part"):
        find_references(cover(laid, shown, patch), square_mm=laid.size_mm[0])


def test_a_coded_square_with_a_covered_side_is_named_as_covered() -> None:
    with pytest.raises(ReferenceImplausible, match="covered in part"):
        find_references(cover(TWO_CODED[0], one_coded(), SIDE), square_mm=100.0)


def test_a_covered_square_is_left_out_where_others_are_whole() -> None:
    found = find_references(cover(TWO_CODED[0], scene(*TWO_CODED), SIDE), square_mm=100.0)
    assert [r.code for r in found] == [23]


def darkened(pixels: Pixels, share: float) -> Pixels:
    return display_light(linear_light(pixels) * share)


@pytest.mark.parametrize("share", [0.01, 0.001])
def test_dark_photos_are_refused(share: float) -> None:
    with pytest.raises(PhotoUnusable, match="too dark"):
        find_references(load_photo(darkened(render_photo(scene(*TWO_CODED)), share)), square_mm=100.0)


@pytest.mark.parametrize("blur_px", [5.0, 12.0, 25.0])
def test_blurred_photos_are_refused(blur_px: float) -> None:
    with pytest.raises(PhotoUnusable, match="too blurred"):
        find_references(photo_of(scene(*TWO_CODED, blur_px=blur_px)), square_mm=100.0)


# Given by hand


@pytest.mark.parametrize("reverse", [False, True])
def test_given_corners_are_refined_in_either_direction(reverse: bool) -> None:
    shown = scene(DARK)
    true_px = corners_px(DARK, shown)
    given_px = true_px + np.array([[0.8, -0.7], [-0.9, 0.4], [0.6, 0.9], [-0.5, -0.8]])
    found = reference_from_corners(photo_of(shown), Square(given_px[::-1] if reverse else given_px, 100.0))
    assert found.kind == "given"
    assert found.corner_u_px is None
    assert len(found.steps) == 4
    assert as_truth(found, DARK, shown)[0] < 0.1
    around = np.roll(found.corners_px, -1, axis=0) - found.corners_px
    assert np.all(around[:, 0] * np.roll(around[:, 1], -1) - around[:, 1] * np.roll(around[:, 0], -1) > 0)


@pytest.mark.parametrize("reverse", [False, True])
def test_given_rectangles_keep_their_width(reverse: bool) -> None:
    shown = scene(SHEET, mat=Mat(colour=(40, 45, 60)))
    given_px = corners_px(SHEET, shown)[[1, 0, 3, 2]] if reverse else corners_px(SHEET, shown)
    found = reference_from_corners(photo_of(shown), Rectangle(given_px, 210.0, 297.0))
    error_px, turned = as_truth(found, SHEET, shown)
    assert error_px < 0.1
    assert found.size_mm == (210.0, 297.0)
    assert turned % 2 == 0


def test_given_corners_with_nothing_there_stay_as_given() -> None:
    given_px = np.array([[700.0, 500.0], [800.0, 505.0], [795.0, 600.0], [698.0, 603.0]])
    found = reference_from_corners(photo_of(scene(DARK)), Square(given_px, 100.0))
    assert found.steps == ()
    assert found.corner_u_px == 0.3
    assert np.array_equal(found.corners_px, given_px)
    assert np.isnan(found.blur_px)


@cache
def checkerboard() -> tuple[Pixels, Points]:
    """A board of 8 x 6 squares seen slantwise, its dark squares grown by 0.3 px a side; and its crossings (7, 9, 2)."""
    side_px = 60.0
    matrix = np.array([[0.98, 0.12, 50.0], [-0.08, 0.95, 80.0], [1e-4, -5e-5, 1.0]])
    at = np.stack(np.meshgrid(np.arange(640), np.arange(480)), axis=-1).reshape(-1, 2).astype(np.float64)
    light = np.zeros((480, 640))
    for shift in np.stack(np.meshgrid(*2 * [np.linspace(-0.4, 0.4, 5)]), axis=-1).reshape(-1, 2):
        board = cv2.perspectiveTransform((at + shift)[:, None], np.linalg.inv(matrix))[:, 0] / side_px
        cell = np.floor(board).astype(int)
        near = np.abs(board - np.rint(board)).min(axis=1) * side_px < 0.3
        dark = ((cell.sum(axis=1) % 2 == 0) | near) & np.all((cell >= 0) & (cell < [8, 6]), axis=1)
        light += np.where(dark, 0.03, 0.75).reshape(light.shape) / 25.0
    grey = display_light(np.asarray(cv2.GaussianBlur(light, (0, 0), 0.8), dtype=np.float64))
    crossings = np.stack(np.meshgrid(np.arange(9.0), np.arange(7.0)), axis=-1) * side_px
    crossings_px = cv2.perspectiveTransform(crossings.reshape(-1, 1, 2), matrix).reshape(7, 9, 2)
    return np.repeat(grey[..., None], 3, axis=2), np.asarray(crossings_px, dtype=np.float64)


@pytest.mark.parametrize(("column", "row"), [(3, 3), (4, 3)], ids=["dark", "light"])
def test_checkerboard_squares_show_the_growth_of_dark_areas(column: int, row: int) -> None:
    """Beyond the corners dark and light change sides: the growth moves those lines against the sides."""
    pixels, crossings_px = checkerboard()
    block = crossings_px[row : row + 2, column : column + 2].reshape(4, 2)[[0, 1, 3, 2]]
    found = reference_from_corners(load_photo(pixels), Square(block, 25.0))
    assert len(found.steps) == 12
    to_board = cv2.getPerspectiveTransform(
        np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32), block.astype(np.float32)
    )
    for step in found.steps:
        ends = cv2.perspectiveTransform(np.array([[step.start], [step.end]]), to_board)[:, 0]
        along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        to_dark = (step.points_px - ends[0]) @ np.array([-along[1], along[0]])
        assert np.mean(to_dark) == pytest.approx(-0.3, abs=0.1)  # dark areas reach 0.3 px into the light ones


@pytest.mark.parametrize(
    ("corners", "message"),
    [
        ([[10, 10], [90, 90], [90, 10], [10, 90]], "order"),
        ([[10, 10], [90, 10], [30, 30], [10, 90]], "order"),
        ([[10, 10], [90, 10], [5000, 90], [10, 90]], "in the picture"),
        ([[10, 10], [90, 10], [90, 90]], "four corners"),
        ([[10, 10], [90, 10], [90, float("nan")], [10, 90]], "four corners"),
    ],
)
def test_given_corners_failure(corners: list[list[float]], message: str) -> None:
    with pytest.raises(OptionInvalid, match=message):
        reference_from_corners(photo_of(scene()), Square(np.array(corners), 100.0))


# Rendered pictures: light transport, sharpening and JPEG as in a camera


def rendered() -> list[Path]:
    more = sorted((SHARED / "scenes").glob("*.json")) if SHARED.exists() else []
    names = {path.stem for path in PICTURES}
    return PICTURES + [path for path in more if path.stem not in names]


@pytest.mark.parametrize("path", rendered(), ids=lambda path: path.stem)
def test_rendered_pictures(path: Path) -> None:
    truth = json.loads(path.read_text())
    found = find_references(load_photo(path.with_suffix(".jpg")), square_mm=truth["references"][0]["side_mm"])
    assert len(found) == len(truth["references"])
    for reference in found:
        errors = [
            float(np.abs(np.roll(np.array(true["corners_px"])[::way], turn, axis=0) - reference.corners_px).max())
            for true in truth["references"]
            for turn in range(4)
            for way in (1, -1)
        ]
        assert min(errors) < 0.2  # of which 0.04 px a side is the sharpening's apparent shrinking of the dark


@pytest.mark.skipif(not (SHARED / "flatlay").exists(), reason="the fetched photos are not part of the repository")
def test_garments_without_a_reference_yield_none() -> None:
    for path in sorted((SHARED / "flatlay").glob("*.jpg")):
        with pytest.raises((ReferenceNotFound, ReferenceImplausible)):
            find_references(load_photo(path), square_mm=100.0)
