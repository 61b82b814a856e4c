"""What one change would do is foreseen from the fit, and comes true when the change is made."""

import numpy as np
import pytest

from flatmeasure.photos.photo import Photo
from flatmeasure.pipeline import measure
from flatmeasure.results.advice import best_remedy
from flatmeasure.results.measurement import Measurement
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Scene, View, scene_camera

SIZE = (1600, 1200)
PANEL = np.array([[-150.0, -170.0], [210.0, -140.0], [170.0, 160.0], [-110.0, 180.0]])
NEAR = LaidReference("dark", (100, 100), (-300.0, -120.0), 8)
FAR = LaidReference("dark", (100, 100), (330.0, 110.0), -15)


def measured(*references: LaidReference) -> Measurement:
    camera, pose = scene_camera(SIZE, View(1250, 11))
    picture = render_photo(Scene(camera, pose, SIZE, references, (LaidCloth(PANEL),)))
    return measure(Photo(picture, "panel", "", focal_35mm=26.0), square_mm=100.0)


@pytest.fixture(scope="module")
def one() -> Measurement:
    return measured(NEAR)


def test_second_square_does_what_was_foreseen(one):
    remedy = best_remedy(one.rectification, one.pieces[0], SIZE)
    assert remedy is not None
    assert "second square" in remedy.change
    two = measured(NEAR, FAR).pieces[0]
    # the square was laid near the place that was foreseen, not on it
    achieved = next(edge.length.u for edge in two.edges if edge.id == remedy.edge)
    assert achieved == pytest.approx(remedy.u_then_mm, rel=0.25)


def test_causes_make_up_the_area_s_u(one):
    piece = one.pieces[0]
    assert np.hypot.reduce([u for _, u in piece.area_budget]) == pytest.approx(piece.area.u, rel=1e-6)
    assert [u for _, u in piece.area_budget] == sorted((u for _, u in piece.area_budget), reverse=True)


def test_the_result_says_what_would_help(one):
    (note,) = [note for note in one.warnings if note.code == "would-help"]
    assert "second square" in note.advice


def test_nothing_worth_naming_is_not_named():
    squares = [LaidReference("dark", (100, 100), at, 5) for at in ((-300, -150), (320, -140), (330, 200), (-310, 210))]
    found = measured(*squares)
    remedy = best_remedy(found.rectification, found.pieces[0], SIZE)
    assert remedy is None or "square at the far side" not in remedy.change
