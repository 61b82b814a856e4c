"""Refined outlines against shapes drawn with exact coverage in linear light, and the bound for edge positions."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from flatmeasure.outline.refinement import Outline, refine_outline
from flatmeasure.photos.photo import Photo, display_light, load_photo
from flatmeasure.synthetic.coverage import coverage

Floats = NDArray[np.float64]
SIZE_PX = (460, 380)  # width, height
BLUR_PX = 0.9
CLOTH = (0.30, 0.08, 0.10)
GROUND = (0.25, 0.27, 0.28)
CENTRE = np.array([228.3, 187.6])


def disc(radius_px: float, count: int = 720) -> Floats:
    """A circle, counter-clockwise as seen."""
    angle = -np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    return CENTRE + radius_px * np.column_stack([np.cos(angle), np.sin(angle)])


def rectangle(width_px: float, height_px: float, turn_deg: float) -> Floats:
    turn = np.radians(turn_deg)
    corners = 0.5 * np.array(
        [[-width_px, -height_px], [-width_px, height_px], [width_px, height_px], [width_px, -height_px]]
    )
    return np.asarray(CENTRE + corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]))


def paint(colour: tuple[float, float, float]) -> Floats:
    """A picture of one colour, linear light."""
    return np.tile(np.array(colour), (SIZE_PX[1], SIZE_PX[0], 1))


def stripes(
    picture: Floats, colour: tuple[float, float, float], period_px: float, width_px: float, turn_deg: float
) -> Floats:
    """The picture with straight stripes, sides anti-aliased over a pixel."""
    y, x = np.mgrid[: SIZE_PX[1], : SIZE_PX[0]]
    across = (x * np.cos(np.radians(turn_deg)) + y * np.sin(np.radians(turn_deg))) % period_px
    share = np.clip(np.minimum(across, period_px - across) * -1.0 + 0.5 * width_px + 0.5, 0.0, 1.0)[..., None]
    return np.asarray(picture * (1.0 - share) + np.array(colour) * share)


def photograph(cloth: Floats, ground: Floats, loops: list[Floats], noise: float = 0.004, seed: int = 5) -> Photo:
    """Mix cloth and ground by exact coverage, blur, add noise, all in linear light; then encode."""
    share = np.zeros(SIZE_PX[::-1])
    part, window = coverage(loops, SIZE_PX)
    share[window] = part
    light = cloth * share[..., None] + ground * (1.0 - share[..., None])
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), BLUR_PX), dtype=np.float64)
    light += noise * np.random.default_rng(seed).standard_normal(light.shape)
    return load_photo(display_light(np.clip(light, 0.0, 1.0)))


def spoiled(loop: Floats, amplitude_px: float = 2.5, seed: int = 3) -> Floats:
    """A coarse outline: smooth random offsets and the stairs and round corners of a mask at a quarter of the size."""
    scale = 4
    rng = np.random.default_rng(seed)
    low = np.zeros((SIZE_PX[1] // scale, SIZE_PX[0] // scale), np.uint8)
    cv2.fillPoly(low, [np.round(((loop + 0.5) / scale - 0.5) * 256).astype(np.int32)], 255, shift=8)
    waves = cv2.GaussianBlur(rng.standard_normal((*low.shape, 2)), (0, 0), 6.0)
    waves *= amplitude_px / scale / waves.std()
    y, x = np.mgrid[: low.shape[0], : low.shape[1]].astype(np.float32)
    bent = cv2.remap(low, x + waves[..., 0].astype(np.float32), y + waves[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    contours, _ = cv2.findContours((bent > 127).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = (max(contours, key=cv2.contourArea)[:, 0].astype(np.float64) + 0.5) * scale - 0.5
    return outline if turning(outline) * turning(loop) > 0 else outline[::-1]


def turning(loop: Floats) -> float:
    following = np.roll(loop, -1, axis=0)
    return float(np.sum(loop[:, 0] * following[:, 1] - following[:, 0] * loop[:, 1]))


def distance(points: Floats, loop: Floats) -> Floats:
    """Signed distance to a polygon, positive outside."""
    start, side = loop, np.roll(loop, -1, axis=0) - loop
    share = np.clip(((points[:, None] - start) * side).sum(axis=2) / (side**2).sum(axis=1), 0.0, 1.0)
    away = np.linalg.norm(points[:, None] - start - share[..., None] * side, axis=2).min(axis=1)
    polygon = loop.astype(np.float32)
    inside = np.array([cv2.pointPolygonTest(polygon, (float(x), float(y)), False) >= 0 for x, y in points])
    return np.asarray(np.where(inside, -away, away))


def from_corners(points: Floats, loop: Floats) -> Floats:
    return np.asarray(np.linalg.norm(points[:, None] - loop, axis=2).min(axis=1))


def refined_disc(radius_px: float = 120.0, noise: float = 0.004, seed: int = 5) -> tuple[Outline, Floats]:
    loop = disc(radius_px)
    photo = photograph(paint(CLOTH), paint(GROUND), [loop], noise, seed)
    outline = refine_outline(photo, spoiled(loop))
    return outline, np.linalg.norm(outline.points_px - CENTRE, axis=1) - radius_px


def test_disc_is_found_without_bias() -> None:
    outline, error = refined_disc()
    assert abs(error.mean()) < 0.03
    assert error.std() < 0.08
    assert not outline.weak.any()
    assert outline.contrast > 10


def test_outline_keeps_its_promises() -> None:
    outline, _ = refined_disc()
    steps = np.linalg.norm(np.roll(outline.points_px, -1, axis=0) - outline.points_px, axis=1)
    assert 3.0 < np.median(steps) < 4.0
    assert steps.max() < 1.3 * steps.min()
    assert np.allclose(np.linalg.norm(outline.normals_px, axis=1), 1.0)
    outward = (outline.points_px - CENTRE) / np.linalg.norm(outline.points_px - CENTRE, axis=1)[:, None]
    assert np.all((outward * outline.normals_px).sum(axis=1) > 0.95)
    assert turning(outline.points_px) < 0  # as the coarse outline


@pytest.mark.parametrize("noise", [0.003, 0.01])
def test_stated_uncertainty_is_the_scatter(noise: float) -> None:
    errors, stated = [], []
    for seed in range(4):
        outline, error = refined_disc(noise=noise, seed=seed)
        errors.append(error[~outline.weak])
        stated.append(outline.u_px[~outline.weak])
    ratio = np.std(np.concatenate(errors)) / np.sqrt(np.mean(np.concatenate(stated) ** 2))
    assert 0.7 < ratio < 1.3


def test_scatter_is_near_the_bound() -> None:
    """Cramer-Rao bound for a step of height A under Gaussian blur s in white noise n, one row of pixels across it:
    sqrt(2 sqrt(pi) s) n / A px (W. Gatherer, CSL-TR-93-560, 1993); a point has the rows of its 3.5 px of edge. That is
    for known levels; both sides' levels and slopes unknown, and a window of 2 px, cost a factor of two.
    """
    noise = 0.01
    _, error = refined_disc(noise=noise)
    height = np.sqrt(np.sum(np.square(np.subtract(CLOTH, GROUND))))
    bound = np.sqrt(2.0 * np.sqrt(np.pi) * BLUR_PX) * noise / height / np.sqrt(3.5)
    assert bound < error.std() < 2.5 * bound


def test_turned_rectangle_has_straight_sides_and_sharp_corners() -> None:
    loop = rectangle(260.0, 170.0, 17.0)
    outline = refine_outline(photograph(paint(CLOTH), paint(GROUND), [loop]), spoiled(loop))
    error = distance(outline.points_px, loop)
    apart = from_corners(outline.points_px, loop)
    assert np.percentile(np.abs(error[apart > 8]), 95) < 0.2
    assert abs(error[apart > 8].mean()) < 0.03
    assert from_corners(loop, outline.points_px).max() < 3.5  # the points' spacing


def test_stripes_on_a_grid() -> None:
    loop = rectangle(250.0, 180.0, 8.0)
    cloth = stripes(paint((0.45, 0.42, 0.40)), (0.35, 0.02, 0.03), 34.0, 17.0, 20.0)
    ground = stripes(
        stripes(paint((0.03, 0.12, 0.07)), (0.3, 0.4, 0.3), 50.0, 3.0, 0.0), (0.3, 0.4, 0.3), 50.0, 3.0, 90.0
    )
    outline = refine_outline(photograph(cloth, ground, [loop]), spoiled(loop))
    error = distance(outline.points_px, loop)[from_corners(outline.points_px, loop) > 8]
    assert abs(np.median(error)) < 0.05
    assert np.percentile(np.abs(error), 95) < 0.5


@pytest.mark.parametrize("width_px", [0.9, 6.0])
def test_shadow_beside_the_cloth_is_ground(width_px: float) -> None:
    loop = rectangle(250.0, 180.0, 8.0)
    ground = paint(GROUND)
    share = np.zeros(SIZE_PX[::-1])
    part, window = coverage([loop + np.array([width_px, 0.0])], SIZE_PX)
    share[window] = part
    ground *= 1.0 - 0.5 * cv2.GaussianBlur(share, (0, 0), 0.3 * width_px)[..., None]
    outline = refine_outline(photograph(paint(CLOTH), ground, [loop]), spoiled(loop), relief_px=width_px)
    error = distance(outline.points_px, loop)
    shaded = (outline.normals_px[:, 0] > 0.9) & (from_corners(outline.points_px, loop) > 10)
    assert shaded.sum() > 20
    assert abs(np.median(error[shaded])) < 0.25


def test_hole_has_its_normals_away_from_the_cloth() -> None:
    loop = disc(60.0)[::-1]
    photo = photograph(paint(GROUND), paint(CLOTH), [loop[::-1]])  # the disc is ground, cloth all round
    outline = refine_outline(photo, spoiled(loop), is_hole=True)
    error = np.linalg.norm(outline.points_px - CENTRE, axis=1) - 60.0
    inward = (CENTRE - outline.points_px) / np.linalg.norm(outline.points_px - CENTRE, axis=1)[:, None]
    assert np.all((inward * outline.normals_px).sum(axis=1) > 0.9)
    assert abs(error.mean()) < 0.04
    assert turning(outline.points_px) > 0


def test_stretch_without_a_step_is_bridged_and_weak() -> None:
    loop = rectangle(250.0, 180.0, 8.0)
    cloth = paint(CLOTH)
    cloth[:, 215:245] = GROUND  # a stripe of the ground's colour runs out at the top and bottom side
    outline = refine_outline(photograph(cloth, paint(GROUND), [loop]), spoiled(loop, 1.5))
    error = distance(outline.points_px, loop)
    x, y = outline.points_px.T
    gap = (np.abs(x - 230) < 10) & (np.abs(y - CENTRE[1]) > 60)
    assert outline.weak[gap].mean() > 0.8
    assert np.abs(error[gap]).max() < 3.0
    assert np.all(outline.u_px[gap & outline.weak] >= 0.5)


def test_stretch_along_a_grid_line_is_pulled_back() -> None:
    loop = rectangle(250.0, 180.0, 0.0)
    ground = paint(GROUND)
    ground[:, 363:366] = 0.5  # a line 10 px beside the right side
    coarse = spoiled(loop, 1.0)
    coarse[coarse[:, 0] > 340, 0] = 364.0
    outline = refine_outline(photograph(paint(CLOTH), ground, [loop]), coarse)
    right = np.abs(outline.points_px[:, 1] - CENTRE[1]) < 60
    right &= outline.points_px[:, 0] > CENTRE[0]
    assert np.abs(distance(outline.points_px[right], loop)).max() < 0.3


def test_dart_that_the_coarse_outline_missed_is_entered() -> None:
    tip = np.array([150.0, 190.0])
    loop = np.array([[60.0, 60.0], [60.0, 320.0], [400.0, 320.0], [400.0, 230.0], tip, [400.0, 180.0], [400.0, 60.0]])
    coarse = spoiled(np.vstack([loop[:3], [[400.0, 230.0], [240.0, 215.0], [240.0, 185.0]], loop[5:]]), 1.0)
    outline = refine_outline(photograph(paint(CLOTH), paint(GROUND), [loop]), coarse)
    assert np.linalg.norm(outline.points_px - tip, axis=1).min() < 60.0  # 12 px wide there
    error = distance(outline.points_px, loop)[from_corners(outline.points_px, loop) > 60]
    assert np.abs(error).max() < 0.5


def test_same_photo_same_outline() -> None:
    first, _ = refined_disc()
    second, _ = refined_disc()
    assert np.array_equal(first.points_px, second.points_px)
    assert np.array_equal(first.u_px, second.u_px)


@pytest.mark.parametrize("make", [lambda: disc(120.0), lambda: rectangle(260.0, 170.0, 17.0)])
def test_area_is_that_of_the_shape(make: Callable[[], Floats]) -> None:
    loop = make()
    outline = refine_outline(photograph(paint(CLOTH), paint(GROUND), [loop]), spoiled(loop))
    assert turning(outline.points_px) / turning(loop) == pytest.approx(1.0, abs=2e-3)
