"""Refined outlines lie on the edge whatever is brighter, however blurred: renders of exact coverage."""

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter1d

from flatmeasure.outline.refinement import Outline, refine_outline
from flatmeasure.outline.stepfit import OFFSETS_PX, SHIFTS_PX, fit_steps, shadows_of, whiten
from flatmeasure.photos.photo import Photo, load_photo
from flatmeasure.results.shape import WALL_LOST, on_mat
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from flatmeasure.synthetic.scene import (
    Colour,
    LaidCloth,
    LaidReference,
    Mat,
    Scene,
    View,
    scene_camera,
    see,
    silhouette_px,
)
from flatmeasure.view.rectification import rectify

SIZE_PX = (800, 600)
PANEL_MM = np.array([[-250.0, -200.0], [250.0, -180.0], [220.0, 210.0], [-240.0, 190.0]])
PAIRS: dict[str, tuple[Colour, Colour]] = {
    "black on white": ((30, 28, 32), (225, 224, 220)),
    "grey on white": ((110, 112, 108), (225, 224, 220)),
    "navy on grey": ((38, 48, 92), (118, 124, 120)),
    "white on black": ((225, 222, 215), (30, 32, 30)),
    "white on grey": ((225, 222, 215), (118, 124, 120)),
    "red on white": ((200, 60, 50), (230, 230, 228)),
    "white on pale": ((235, 235, 233), (190, 192, 190)),
}


def bias_px(
    pair: str, blur_px: float, *, noise: float = 1.0, quality: int | None = None, relief_px: float = 0.0
) -> float:
    """Mean signed distance of the outline from the true edge, outward positive, corners left out."""
    colour, ground = PAIRS[pair]
    camera, pose = scene_camera(SIZE_PX, View(1250, 8, turn_deg=5))
    cloth = LaidCloth(PANEL_MM, colour=colour)
    scene = Scene(camera, pose, SIZE_PX, (), (cloth,), Mat(colour=ground), blur_px=blur_px, noise=noise)
    picture = render_photo(scene, seed=7)
    photo = (
        Photo(picture, "scene", "", focal_35mm=26.0)
        if quality is None
        else load_photo(encode_jpeg(picture, quality=quality))
    )
    true_px = silhouette_px(cloth, scene)
    outline = refine_outline(photo, np.asarray(true_px.exterior.coords)[:-1], relief_px=relief_px)
    points = shapely.points(outline.points_px)
    away = shapely.distance(true_px.exterior, points) * np.where(shapely.contains(true_px, points), -1.0, 1.0)
    corners_px = see(PANEL_MM, scene)
    far = np.linalg.norm(outline.points_px[:, None] - corners_px, axis=2).min(axis=1) > 12.0 + 3.0 * blur_px
    assert far.sum() > 100
    assert outline.weak[far].mean() < 0.02
    return float(np.mean(away[far]))


@pytest.mark.parametrize("blur_px", [0.5, 0.8, 1.2, 2.0])
@pytest.mark.parametrize("pair", PAIRS)
def test_no_bias_at_any_blur_and_contrast(pair: str, blur_px: float) -> None:
    assert abs(bias_px(pair, blur_px)) < 0.02


@pytest.mark.parametrize("pair", PAIRS)
def test_no_bias_in_noise(pair: str) -> None:
    assert abs(bias_px(pair, 0.8, noise=4.0)) < 0.03


@pytest.mark.parametrize("pair", [pair for pair in PAIRS if not pair.startswith("red")])
def test_no_bias_in_jpegs_with_halved_colour(pair: str) -> None:
    assert abs(bias_px(pair, 0.8, quality=80)) < 0.03  # 4:2:0, as the encoder does at this quality


def test_halved_colour_moves_a_coloured_edge_little() -> None:
    """Chroma is averaged over 2 x 2 pixels in display-encoded values, which no step in linear light follows."""
    assert abs(bias_px("red on white", 0.8, quality=80)) < 0.06


@pytest.mark.parametrize("pair", ["navy on grey", "red on white", "white on black", "white on grey"])
def test_a_shadow_that_is_not_there_is_hardly_seen(pair: str) -> None:
    """Thick cloth may throw a shadow, but even light throws none."""
    assert abs(bias_px(pair, 0.8, relief_px=1.0)) < 0.15


def broad_shadow_bias_px(relief_px: float) -> float:
    """Offset found on profiles of dark cloth that throws a shadow fading from 65 % at its edge to none 6 px away."""
    fine = np.arange(-12.0, 12.0, 0.01)
    light = np.where(fine < 0, 0.07, 0.6 * (1.0 - 0.65 * np.clip(1.0 - fine / 6.0, 0.0, 1.0)))
    blurred = gaussian_filter1d(light, 90)
    profile = np.interp(OFFSETS_PX, fine, blurred)[:, None] * np.array([1.0, 0.98, 1.02])
    noisy = np.random.default_rng(3).normal(profile, 0.004, (200, *profile.shape)).astype(np.float32)
    normals = np.tile([1.0, 0.0], (len(noisy), 1))
    white = whiten(noisy, np.zeros((3, 3)))
    fit = fit_steps(white, normals, 0.9, shadows_of(relief_px), np.zeros((len(noisy), len(SHIFTS_PX))))
    return float(np.median(fit.offset_px))


def test_the_penumbra_of_thick_cloth_does_not_move_its_edge() -> None:
    assert abs(broad_shadow_bias_px(relief_px=6.0)) < 0.25
    assert broad_shadow_bias_px(relief_px=0.0) > 0.5  # what it does to cloth that is not known to be thick


@pytest.mark.parametrize(("shade", "height"), [(0.0, 0.0), (0.3, 0.0), (0.6, WALL_LOST)])
def test_a_wall_in_the_dark_is_taken_for_ground(shade: float, height: float) -> None:
    """Where the cloth's wall faces the camera, its foot is seen; but in shadow not all of the wall looks like cloth."""
    laid = tuple(LaidReference("coded", (100, 100), at, 0, code=k) for k, at in enumerate([(-330, -240), (330, 240)]))
    camera, pose = scene_camera(SIZE_PX, View(1250, 25))
    picture = render_photo(Scene(camera, pose, SIZE_PX, laid), seed=1)
    view = rectify(Photo(picture, "scene", "", focal_35mm=26.0), square_mm=100)
    at_px = np.array([[400.0, 200.0]])
    below = Outline(at_px, np.array([[0.0, 1.0]]), np.ones(1), np.zeros(1, dtype=bool), np.full(1, shade), 10.0)
    above = Outline(at_px, np.array([[0.0, -1.0]]), np.ones(1), np.zeros(1, dtype=bool), np.full(1, shade), 10.0)
    assert on_mat(below, view, 3.0)[0] == pytest.approx(view.to_mat(at_px, height * 3.0))
    assert on_mat(above, view, 3.0)[0] == pytest.approx(view.to_mat(at_px, 3.0))
