"""Real garment photographs with their (pseudo-)labels: cut-outs, grounds without the garment, shapes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from textures import Picture, Rng, Size

Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Photo:
    """RGB, mask (0 to 255), and the ground with the garment painted out (None where it fills the picture)."""

    name: str
    rgb: Bytes
    mask: Bytes
    ground: Bytes | None


def ground_without_cloth(rgb: Bytes, mask: Bytes, rng: Rng) -> Bytes | None:
    """Fill the cloth's place with shifted and mirrored copies of the ground around it."""
    h, w = mask.shape
    blocked = cv2.dilate(mask, np.ones((15, 15), np.uint8)) > 0
    if (~blocked).mean() < 0.12:
        return None
    flips = [(rgb[::a, ::b], blocked[::a, ::b]) for a in (1, -1) for b in (1, -1)]
    result = rgb.astype(np.float32)
    missing = blocked.copy()
    for _ in range(60):
        if missing.sum() < 0.002 * h * w:
            break
        picture, bad = flips[int(rng.integers(4))]
        shift = (int(rng.integers(h)), int(rng.integers(w)))
        moved, moved_bad = (np.roll(a, shift, axis=(0, 1)) for a in (picture, bad))
        usable = missing & ~moved_bad
        if usable.sum() < 0.15 * missing.sum():
            continue
        soft = cv2.GaussianBlur(usable.astype(np.float32), (0, 0), 3)[..., None]
        soft[usable] = 1
        result += (moved.astype(np.float32) - result) * soft * (blocked & ~moved_bad)[..., None]
        missing &= ~usable
    filled = np.clip(result, 0, 255).astype(np.uint8)
    return cv2.inpaint(filled, missing.astype(np.uint8), 3, cv2.INPAINT_TELEA) if missing.any() else filled


def load_photos(photo_dir: Path, mask_dir: Path) -> list[Photo]:
    """Photographs that have a mask, in the order of their names."""
    photos = []
    for mask_path in sorted(mask_dir.glob("*.png")):
        mask = cv2.imread(str(mask_path), cv2.IMREAD_GRAYSCALE)
        rgb = cv2.cvtColor(cv2.imread(str(photo_dir / f"{mask_path.stem}.jpg")), cv2.COLOR_BGR2RGB)
        rng = np.random.default_rng(len(photos))
        photos.append(Photo(mask_path.stem, rgb, mask, ground_without_cloth(rgb, (mask > 127).astype(np.uint8), rng)))
    return photos


def cover_crop(rng: Rng, picture: Bytes, size: Size, zoom: float, any_turn: bool = True) -> Bytes:
    """A random part of a picture, turned by quarter turns and mirrored, filling the size wanted.

    Without any_turn the long sides stay together, so that little is cut off.
    """
    lies_across = (picture.shape[0] > picture.shape[1]) != (size[0] > size[1])
    turned = np.rot90(picture, int(rng.integers(4)) if any_turn else int(lies_across) + 2 * int(rng.integers(2)))
    if rng.random() < 0.5:
        turned = turned[:, ::-1]
    turned = np.ascontiguousarray(turned)
    h, w = size
    scale = max(h / turned.shape[0], w / turned.shape[1]) * zoom
    large = cv2.resize(turned, None, fx=scale + 1e-3, fy=scale + 1e-3, interpolation=cv2.INTER_LINEAR)
    top, left = (int(rng.integers(large.shape[k] - size[k] + 1)) for k in range(2))
    return large[top : top + h, left : left + w]


def placed_cut_out(
    rng: Rng, photo: Photo, size: Size, extent_px: float, centre: NDArray[np.float64]
) -> tuple[Picture, Picture]:
    """The garment's pixels and mask, turned, scaled and put at a place."""
    ys, xs = np.nonzero(photo.mask > 127)
    middle = np.array([xs.min() + xs.max(), ys.min() + ys.max()]) / 2
    scale = extent_px / max(np.ptp(xs), np.ptp(ys), 1)
    turn = rng.normal(0, 0.3) + rng.choice([0, 0, np.pi / 2, np.pi]) if rng.random() < 0.7 else rng.uniform(0, 6.3)
    linear = (
        scale
        * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        @ np.diag([rng.choice([-1.0, 1.0]), rng.uniform(0.88, 1.12)])
    )
    move = np.column_stack([linear, centre - linear @ middle])
    picture = cv2.warpAffine(photo.rgb, move, size[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.erode(photo.mask, cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)), borderType=cv2.BORDER_REPLICATE)
    mask = cv2.warpAffine(cv2.GaussianBlur(inside, (0, 0), 0.7), move, size[::-1], flags=cv2.INTER_LINEAR)
    return picture.astype(np.float32) / 255, mask.astype(np.float32) / 255
