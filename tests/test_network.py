"""The network's probability of cloth, on pictures drawn here and on renders: their truth is known by construction."""

import json
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from flatmeasure.cloth.network import cloth_probability
from flatmeasure.photos.photo import load_photo

TEST_IMAGES = Path(__file__).parent.parent / "test_images"


def overlap(found: NDArray[np.bool_], truth: NDArray[np.bool_]) -> float:
    """Intersection over union."""
    return float((found & truth).sum() / (found | truth).sum())


def skirt_on_wood(seed: int = 3) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """A checked skirt panel on planks, 600 x 440, and its mask; neither square nor centred."""
    rng = np.random.default_rng(seed)
    height, width = 440, 600
    grain = cv2.resize(rng.normal(0, 1, (40, 200)), (width, height), interpolation=cv2.INTER_CUBIC)
    planks = rng.normal(0, 6, 12)[np.arange(width) // 50]
    picture = np.array([176, 138, 100]) + (7 * grain + planks)[..., None]
    picture[:, np.arange(width) % 50 == 0] -= 45
    corners = np.array([[210, 90], [330, 84], [420, 350], [150, 364]])
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [corners], 1)
    shadow = cv2.GaussianBlur(np.roll(mask, (5, 4), (0, 1)).astype(float), (0, 0), 4)
    picture = picture * (1 - 0.35 * shadow)[..., None]
    y, x = np.mgrid[0:height, 0:width]
    checks = ((x // 11 + y // 13) % 2)[..., None]
    cloth = np.where(checks, [40, 60, 130], [225, 222, 210])
    picture = np.where(mask[..., None] > 0, cloth, picture) + rng.normal(0, 3, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8), mask > 0


def test_a_panel_is_found_on_a_floor_with_its_shadow_left_out() -> None:
    picture, truth = skirt_on_wood()
    assert overlap(cloth_probability(picture) > 0.5, truth) > 0.94


def test_a_turned_picture_gives_the_turned_answer() -> None:
    picture, _ = skirt_on_wood()
    upright = cloth_probability(picture) > 0.5
    turned = cloth_probability(np.ascontiguousarray(np.rot90(picture))) > 0.5
    assert overlap(np.rot90(upright), turned) > 0.93


def test_a_bare_floor_shows_no_cloth() -> None:
    picture, truth = skirt_on_wood()
    picture[truth] = picture[~truth][: int(truth.sum())]
    picture[60:380, 130:440] = picture[60:380, 440:130:-1][:, :310]
    bare = np.ascontiguousarray(
        np.hstack([picture[:, :120], picture[:, :120][:, ::-1], picture[:, 450:], picture[:, 450:][:, ::-1]])
    )
    assert (cloth_probability(bare) > 0.5).mean() < 0.1


@pytest.mark.parametrize("shape", [(300, 437, 3), (1024, 576, 3), (90, 64, 3), (33, 700, 3)])
def test_any_size_gives_a_probability_for_every_pixel(shape: tuple[int, int, int]) -> None:
    picture = np.random.default_rng(1).integers(0, 256, shape, dtype=np.uint8)
    found = cloth_probability(picture)
    assert found.shape == shape[:2]
    assert found.dtype == np.float32
    assert found.min() >= 0
    assert found.max() <= 1


def test_the_same_picture_gives_the_same_answer_to_the_last_digit() -> None:
    picture, _ = skirt_on_wood()
    first = cloth_probability(picture)
    cloth_probability(np.ascontiguousarray(picture[:, ::-1]))
    assert np.array_equal(first, cloth_probability(picture.copy()))


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((40, 60), np.uint8),
        np.zeros((40, 60, 4), np.uint8),
        np.zeros((40, 60, 3), np.float32),
        np.zeros((0, 60, 3), np.uint8),
    ],
)
def test_a_picture_of_another_kind_is_refused(picture: NDArray[np.uint8]) -> None:
    with pytest.raises(ValueError, match=r"must be an \(H, W, 3\) uint8 array"):
        cloth_probability(picture)


def test_the_weights_stay_small_enough_to_ship() -> None:
    assert len(resources.files("flatmeasure.cloth").joinpath("cloth_net.onnx").read_bytes()) < 10_000_000


PICTURES = [path for path in sorted(TEST_IMAGES.glob("*.json")) if path.with_suffix(".jpg").exists()]


@pytest.mark.parametrize("truth_path", PICTURES, ids=lambda path: path.stem)
def test_rendered_scenes_agree_with_their_outlines(truth_path: Path) -> None:
    truth = json.loads(truth_path.read_text())
    rgb = load_photo(truth_path.with_suffix(".jpg")).rgb
    scale = 1024 / max(rgb.shape[:2])
    small = np.asarray(cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    mask = np.zeros(small.shape[:2], np.uint8)
    for piece in truth["pieces"]:
        for ring, value in [(piece["outline_px"], 1), *((hole, 0) for hole in piece["holes_px"])]:
            cv2.fillPoly(mask, [np.round((np.array(ring) + 0.5) * scale - 0.5).astype(np.int32)], value)
    assert overlap(cloth_probability(small) > 0.5, mask > 0) > 0.93
