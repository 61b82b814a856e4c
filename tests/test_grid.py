"""The mat's grid: read to a few hundredths of a millimetre, and what it brings beside a single square."""

import numpy as np
import pytest

from flatmeasure.photos.camera import to_plane
from flatmeasure.photos.photo import Photo, load_photo
from flatmeasure.polygons import polygon_area
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Mat, Scene, View, scene_camera, see_loop
from flatmeasure.view.grid import find_grid, rectify_on_grid
from flatmeasure.view.rectification import rectify

SIZE = (1800, 1350)
# Lies off the middle, no side parallel to the grid.
PANEL = np.array([[-150.0, -200.0], [260.0, -170.0], [210.0, 190.0], [-90.0, 210.0]])


def scene_on(mat: Mat) -> Scene:
    camera, pose = scene_camera(SIZE, View(1250, 11, turn_deg=7, radial=(-0.03, 0.0)))
    square = LaidReference("coded", (100, 100), (-330.0, -160.0), 12, 5)
    return Scene(camera, pose, SIZE, (square,), (LaidCloth(PANEL),), mat)


@pytest.fixture(scope="module")
def gridded() -> tuple[Scene, Photo]:
    scene = scene_on(Mat(grid_mm=10.0))
    return scene, photo_of(scene)


def photo_of(scene: Scene) -> Photo:
    return Photo(load_photo(render_photo(scene)).rgb, "scene", "", focal_35mm=26.0)


def test_grid_is_read_in_place(gridded):
    scene, photo = gridded
    view = rectify(photo, square_mm=100.0)
    grid = find_grid(photo, view.camera, view.pose, (10.0,), covered_px=[see_loop(PANEL, scene)])
    assert grid is not None
    true_mm = to_plane(grid.saddles.points_px, scene.camera, scene.pose)
    read_mm = grid.saddles.uv * [10.0, -10.0]
    # only place and turn are free: the best rigid fit (Umeyama 1991) leaves the reading's own error
    a, b = read_mm - read_mm.mean(axis=0), true_mm - true_mm.mean(axis=0)
    turn = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    turned = a @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    assert len(read_mm) > 200
    assert np.sqrt(np.mean((turned - b) ** 2)) < 0.1  # a hundredth of the pitch


@pytest.mark.parametrize("pitch_mm", [None, 10.0])
def test_grid_fixes_what_one_square_leaves_open(gridded, pitch_mm):
    scene, photo = gridded
    alone = rectify(photo, square_mm=100.0)
    outline_px = see_loop(PANEL, scene)
    joined = rectify_on_grid(photo, alone, pitch_mm, covered_px=[outline_px])
    before, after = alone.area(outline_px), joined.area(outline_px)
    truth = float(polygon_area(PANEL))
    assert len(joined.references) == 2
    assert [placed.reference.kind for placed in joined.laid] == ["coded"]
    assert after.u < 0.6 * before.u
    assert abs(after.value - truth) < 2 * after.u
    assert abs(after.value / truth - 1) < 0.003


def test_no_grid_no_change():
    scene = scene_on(Mat())
    photo = photo_of(scene)
    alone = rectify(photo, square_mm=100.0)
    assert rectify_on_grid(photo, alone, covered_px=[see_loop(PANEL, scene)]) is alone


def test_grid_of_another_pitch_than_stated_is_refused(gridded):
    """The square says 10 mm: a view squeezed to agree with 10.4 mm would be confidently wrong."""
    scene, photo = gridded
    alone = rectify(photo, square_mm=100.0)
    kept = rectify_on_grid(photo, alone, 10.4, covered_px=[see_loop(PANEL, scene)])
    assert kept.pose is alone.pose
    assert [note.code for note in kept.notes] == ["grid-left-out"]
