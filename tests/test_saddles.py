"""Checker crossings: where they are, whatever the camera does to the picture, and what they are worth."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from flatmeasure.photos.photo import load_photo
from flatmeasure.references.figures import MARK_REACH, Reference, corner_marks, crossings
from flatmeasure.references.finding import find_references
from flatmeasure.references.saddles import locate_saddles
from flatmeasure.references.steps import patch_of
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from flatmeasure.synthetic.scene import LaidReference, Scene, View, corners_px, scene_camera, see
from flatmeasure.view.rectification import camera_prior, rectify_references

SIZE = (1500, 1100)
CARD = LaidReference("coded", (100.0, 100.0), (-90.0, 60.0), turn_deg=17.0, code=8, border_mm=100 / 6, marks=True)
VIEW = View(750.0, 17.0, turn_deg=10.0, roll_deg=4.0, radial=(-0.04, 0.01))


def scene(card: LaidReference = CARD, blur_px: float = 0.8) -> Scene:
    return Scene(*scene_camera(SIZE, VIEW), SIZE, references=(card,), blur_px=blur_px, noise=1.5)


def found_in(picture: NDArray[np.uint8]) -> Reference:
    (reference,) = find_references(load_photo(encode_jpeg(picture, focal_35mm=26)), square_mm=100.0)
    return reference


def sharpened(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    soft = cv2.GaussianBlur(picture, (0, 0), 1.2)
    return np.asarray(cv2.addWeighted(picture, 1.8, soft, -0.8, 0), dtype=np.uint8)


def toned(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Darker mid-tones, as a camera's contrast setting makes them."""
    return np.rint(255.0 * (picture / 255.0) ** 1.3).astype(np.uint8)


@pytest.mark.parametrize("change", [lambda picture: picture, sharpened, toned], ids=["as it is", "sharpened", "toned"])
@pytest.mark.parametrize("blur_px", [0.6, 1.2])
def test_crossings_stay_where_they_are(change, blur_px: float) -> None:  # type: ignore[no-untyped-def]
    """All seven, within 0.06 px of the truth, and within 3 u; the sides move by more under a tone curve."""
    view = scene(blur_px=blur_px)
    reference = found_in(change(render_photo(view)))
    assert reference.saddles is not None
    assert reference.saddles.uv == pytest.approx(crossings(8)[0])
    error = reference.saddles.points_px - see(CARD.at(reference.saddles.uv), view)
    assert np.abs(error).max() < 0.06
    assert (np.abs(error) < 3.0 * reference.saddles.u_px[:, None]).all()
    if change is toned:
        sides = reference.corners_px - corners_px(CARD, view)
        assert np.sqrt(np.mean(sides**2)) > 3.0 * np.sqrt(np.mean(error**2))


def test_card_without_marks_shows_the_codes_own_crossings() -> None:
    """And a code without any has none: nothing is made up."""
    plain = found_in(render_photo(scene(replace(CARD, marks=False))))
    assert plain.saddles is not None
    assert plain.saddles.uv == pytest.approx(crossings(8)[0][4:])
    none = found_in(render_photo(scene(replace(CARD, marks=False, code=7))))
    assert none.saddles is None


def test_too_small_to_be_located() -> None:
    """Marks of three pixels a cell are no crossings to be trusted."""
    view = scene()
    photo = load_photo(render_photo(view))
    small = locate_saddles(
        patch_of(photo, corners_px(CARD, view)), corners_px(CARD, view), corner_marks()[0], np.full(4, 0.01), 0.5
    )
    assert small is None


def test_side_is_no_crossing() -> None:
    """The middle of a side and a bare place: neither is taken."""
    view = scene()
    photo = load_photo(render_photo(view))
    at = corners_px(CARD, view)
    places, reach = np.array([[0.5, 0.0], [0.5, -0.1], [0.0, 0.0]]), np.full(3, MARK_REACH)
    assert locate_saddles(patch_of(photo, at), at, places, reach, 0.5) is None


def test_crossings_make_lengths_surer() -> None:
    """500 mm beside one square: u falls by a fifth or more, and the truth stays within 2.5 u.

    Not by more: a sheet's ripple moves its crossings as it moves its lines.
    """
    view = scene()
    photo = load_photo(encode_jpeg(render_photo(view), focal_35mm=26))
    (found,) = find_references(photo, square_mm=100.0)
    reference = replace(found, u_log_size=0.0005)
    ends = see(np.array([[-180.0, -150.0], [220.0, 150.0]]), view)
    with_, without = (
        rectify_references([r], camera_prior(photo)).distance(*ends, u_px=0.0)
        for r in (reference, replace(reference, saddles=None))
    )
    assert with_.u < 0.8 * without.u
    assert abs(with_.value - 500.0) < 2.5 * with_.u
