"""The camera model against OpenCV's, and against itself the other way round."""

import cv2
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from flatmeasure.photos.camera import (
    Camera,
    Pose,
    distort,
    focal_from_35mm,
    pose_from_rodrigues,
    project,
    to_plane,
    undistort,
)
from flatmeasure.synthetic.scene import View, scene_camera

CENTRE = (820.0, 590.5)
RADIALS = [(0.0, 0.0), (-0.12, 0.03), (0.08, -0.02), (-0.30, 0.11), (-0.2436, 0.0744, -0.0114)]
SIZE = (1640, 1180)


def grid_mm(height_mm: float = 0.0) -> np.ndarray:
    x, y = np.meshgrid(np.linspace(-500, 450, 9), np.linspace(-300, 350, 7))
    return np.column_stack([x.ravel(), y.ravel(), np.full(x.size, height_mm)])


def opencv_lens(radial: tuple[float, ...]) -> np.ndarray:
    """k1, k2, p1, p2, k3."""
    return np.array([*radial[:2], 0.0, 0.0, *radial[2:]])


@pytest.mark.parametrize("radial", RADIALS)
@pytest.mark.parametrize("height_mm", [0.0, 4.0])
def test_project_against_opencv(radial: tuple[float, ...], height_mm: float) -> None:
    """OpenCV's projectPoints with the same radial and no tangential terms."""
    camera = Camera(1350.0, CENTRE, radial)
    vector, shift = np.array([2.9, 0.12, -0.35]), np.array([30.0, -20.0, 1400.0])
    expected, _ = cv2.projectPoints(grid_mm(height_mm), vector, shift, camera.matrix(), opencv_lens(radial))
    seen = project(grid_mm(height_mm), camera, pose_from_rodrigues(vector, shift))
    np.testing.assert_allclose(seen, expected[:, 0], atol=1e-9)


@pytest.mark.parametrize("radial", RADIALS)
def test_undistort_against_opencv(radial: tuple[float, ...]) -> None:
    """OpenCV's undistortPoints, its iteration driven to convergence."""
    camera = Camera(1350.0, CENTRE, radial)
    x, y = np.meshgrid(np.linspace(0, SIZE[0], 9), np.linspace(0, SIZE[1], 7))
    pixels = np.column_stack([x.ravel(), y.ravel()])
    until = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 1000, 1e-15)
    expected = cv2.undistortPoints(pixels[:, None], camera.matrix(), opencv_lens(radial), criteria=until)
    np.testing.assert_allclose(undistort(pixels, camera), expected[:, 0], atol=1e-9)


cameras = st.builds(
    lambda focal, *radial: Camera(focal, CENTRE, radial),
    st.floats(900, 3000),
    st.floats(-0.25, 0.25),
    st.floats(-0.05, 0.05),
    st.floats(-0.02, 0.02),
)
views = st.builds(
    View,
    height_mm=st.floats(400, 2500),
    tilt_deg=st.floats(0, 40),
    turn_deg=st.floats(-180, 180),
    roll_deg=st.floats(-180, 180),
    focal_35mm=st.floats(20, 60),
    radial=st.tuples(st.floats(-0.08, 0.08), st.floats(-0.02, 0.02)),
)


@given(cameras, st.floats(-0.8, 0.8), st.floats(-0.6, 0.6))
def test_undistort_undoes_distort(camera: Camera, x: float, y: float) -> None:
    k1, k2, k3 = camera.radial
    r2 = np.linspace(0.0, x * x + y * y, 20)
    assume(np.min(1 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3))) > 0.3)  # a lens that folds over has no inverse
    flat = np.array([[x, y]])
    np.testing.assert_allclose(undistort(distort(flat, camera), camera), flat, atol=1e-9)


@given(views, st.floats(-400, 400), st.floats(-300, 300), st.floats(0, 10))
def test_to_plane_undoes_project(view: View, x: float, y: float, z: float) -> None:
    camera, pose = scene_camera(SIZE, view)
    depth = (pose.rotation @ np.array([x, y, z]) + pose.translation_mm)[2]
    assume(depth > 200)
    flat = (pose.rotation @ np.array([x, y, z]) + pose.translation_mm)[:2] / depth
    assume(np.hypot(*flat) < 1.0)
    seen = project(np.array([[x, y, z]]), camera, pose)
    np.testing.assert_allclose(to_plane(seen, camera, pose, z), [[x, y]], atol=1e-6)


def test_to_plane_takes_one_height_for_each_point() -> None:
    camera, pose = scene_camera(SIZE, View(tilt_deg=20))
    heights = np.linspace(0, 9, 63)
    points = grid_mm()
    points[:, 2] = heights
    np.testing.assert_allclose(to_plane(project(points, camera, pose), camera, pose, heights), points[:, :2], atol=1e-8)


def test_to_plane_failure() -> None:
    """A ray at or above the horizon meets no mat: NaN, not a number behind the camera."""
    camera, pose = scene_camera(SIZE, View(tilt_deg=80))
    top = to_plane(np.array([[SIZE[0] / 2, 0.0], [SIZE[0] / 2, SIZE[1] - 1.0]]), camera, pose)
    assert np.isnan(top[0]).all()
    assert np.isfinite(top[1]).all()


def test_centre_and_tilt() -> None:
    """A camera 1000 mm up looking straight down; then leaned by 30 degrees about the picture's x axis."""
    down = np.diag([1.0, -1.0, -1.0])
    pose = Pose(down, -down @ np.array([20.0, -30.0, 1000.0]))
    np.testing.assert_allclose(pose.centre_mm, [20.0, -30.0, 1000.0])
    assert pose.tilt_deg == pytest.approx(0.0)
    lean = np.asarray(cv2.Rodrigues(np.array([np.radians(30.0), 0.0, 0.0]))[0])
    assert Pose(lean @ down, pose.translation_mm).tilt_deg == pytest.approx(30.0)


def test_focal_from_35mm() -> None:
    """CIPA DCG-001: equal diagonal angle of view. 36 x 24 mm at 3600 x 2400 px is 100 px/mm (by hand)."""
    assert focal_from_35mm(50.0, 3600, 2400) == pytest.approx(5000.0, rel=1e-5)
    assert focal_from_35mm(26.0, 4000, 3000) == pytest.approx(26.0 * 5000 / 43.2666, rel=1e-6)
