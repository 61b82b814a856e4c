"""The mat's printed grid as the only reference: no square lies in the picture."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from flatmeasure.errors import ReferenceImplausible, ReferenceNotFound
from flatmeasure.photos.photo import Photo
from flatmeasure.pipeline import measure
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Mat, Scene, View, scene_camera
from flatmeasure.view.bundle import CameraPrior
from flatmeasure.view.grid_alone import first_view
from flatmeasure.view.grid_start import view_of_grid
from flatmeasure.view.rectification import camera_prior

SIZE = (1800, 1350)
PANEL = np.array([[-150.0, -200.0], [260.0, -170.0], [210.0, 190.0], [-90.0, 210.0]])
VIEW = View(1250, 14, turn_deg=27, roll_deg=3, radial=(-0.02, 0.0))


def photo_of(mat: Mat, view: View = VIEW, cloth: LaidCloth | None = None, **shown: object) -> Photo:
    camera, pose = scene_camera(SIZE, view)
    scene = Scene(camera, pose, SIZE, (), (cloth or LaidCloth(PANEL),), mat)
    return Photo(render_photo(replace(scene, **shown)), "mat", "", focal_35mm=26.0)


@cache
def gridded() -> Photo:
    """A plain panel on lines 10 mm apart."""
    return photo_of(Mat(grid_mm=10.0))


def start_of(photo: Photo, pitch_mm: float) -> tuple[float, float] | None:
    """Height and tilt of the first view."""
    prior: CameraPrior = camera_prior(photo)
    found = view_of_grid(photo, prior, pitch_mm)
    return None if found is None else (float(found[1].centre_mm[2]), found[1].tilt_deg)


@pytest.mark.parametrize(
    ("pitch_mm", "view"),
    [
        (10.0, VIEW),
        (10.0, View(1000, 0, turn_deg=-40)),
        (12.7, View(1500, 25, turn_deg=80, roll_deg=-10)),
        (25.4, View(1200, 10, turn_deg=5)),
    ],
)
def test_first_view_is_near_the_truth(pitch_mm: float, view: View) -> None:
    height_mm, tilt_deg = start_of(photo_of(Mat(grid_mm=pitch_mm), view), pitch_mm) or (0.0, 0.0)
    assert height_mm == pytest.approx(view.height_mm, rel=0.03)
    assert tilt_deg == pytest.approx(view.tilt_deg, abs=2.0)


@pytest.mark.parametrize("stripe_mm", [0.0, 12.0])
def test_panel_on_a_grid_is_measured(stripe_mm: float) -> None:
    """Also with cloth whose stripes are nearly as far apart as the lines."""
    cloth = LaidCloth(PANEL, stripe_mm=stripe_mm)
    found = measure(photo_of(Mat(grid_mm=10.0), cloth=cloth), grid_mm=10.0)
    (piece,) = found.pieces
    assert found.rectification.laid == ()
    assert abs(piece.area.value - cloth.area_mm2) < 2 * piece.area.u
    assert piece.area.value == pytest.approx(cloth.area_mm2, rel=0.003)
    cause, u_mm2 = piece.area_budget[0]
    assert cause == "spacing of the mat's grid"
    assert u_mm2 / piece.area.value == pytest.approx(2 * 0.003, rel=0.1)  # twice the tolerance of the spacing


def test_bold_lines_among_fine_ones() -> None:
    """Every fifth line bold: the stated spacing is that of neighbouring lines."""
    camera, pose = scene_camera(SIZE, View(1100, 9, turn_deg=4))
    fine = Scene(camera, pose, SIZE, (), (), Mat(grid_mm=10.0, colour=(60, 90, 80), grid_colour=(100, 130, 120)))
    bold = replace(fine, mat=Mat(grid_mm=50.0, colour=(60, 90, 80), grid_colour=(230, 240, 235)))
    picture = np.maximum(render_photo(fine), render_photo(bold))  # light lines over a dark mat
    found = start_of(Photo(picture, "mat", "", focal_35mm=26.0), 10.0)
    assert found is not None
    assert found[0] == pytest.approx(1100, rel=0.03)


def test_a_grid_is_pointed_out_where_its_spacing_is_not_said() -> None:
    with pytest.raises(ReferenceNotFound, match="--grid 10mm"):
        measure(gridded())


def test_no_grid_failure() -> None:
    with pytest.raises(ReferenceNotFound, match="No printed grid with lines 10 mm apart"):
        measure(photo_of(Mat()), grid_mm=10.0)
    with pytest.raises(ReferenceNotFound, match="No coded square"):
        measure(photo_of(Mat()))


def test_impossible_spacing_failure() -> None:
    """1 mm instead of 10: the camera would have been 12 cm above the mat."""
    with pytest.raises(ReferenceImplausible, match=r"0\.1 m above the mat"):
        first_view(gridded(), grid_mm=1.0)


def test_stated_squares_that_are_not_there() -> None:
    """The grid alone then does."""
    view = first_view(gridded(), square_mm=100.0, grid_mm=10.0)
    assert view.laid == ()
    assert view.pose.centre_mm[2] == pytest.approx(VIEW.height_mm, rel=0.02)


def test_squares_are_used_where_their_side_is_stated() -> None:
    camera, pose = scene_camera(SIZE, VIEW)
    square = LaidReference("coded", (100, 100), (-330.0, -160.0), 12, 5)
    scene = Scene(camera, pose, SIZE, (square,), (LaidCloth(PANEL),), Mat(grid_mm=10.0))
    photo = Photo(render_photo(scene), "mat", "", focal_35mm=26.0)
    found = measure(photo, square_mm=100.0, grid_mm=10.0).rectification
    assert [placed.reference.kind for placed in found.references] == ["coded", "grid"]
