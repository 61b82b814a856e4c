"""Procedural grounds: floors, carpets, sheets, quilts, and the shading of folds.

As in module textures: a generator and a size in, an (H, W, 3) float32 picture out.
"""

from __future__ import annotations

import cv2
import numpy as np
from textures import (
    Picture,
    Rng,
    Size,
    blotches,
    cloth_colour,
    dots,
    flat,
    florals,
    hsv,
    layered_noise,
    linen,
    melange,
    mix,
    plaid,
    plain,
    smooth_noise,
    stripes,
    turned_coordinates,
)


def wood(rng: Rng, size: Size) -> Picture:
    h, w = size
    board = rng.uniform(35, 160)
    base = hsv(rng.uniform(0.04, 0.12), rng.uniform(0.05, 0.75), rng.uniform(0.15, 0.95))
    contrast = rng.uniform(0.03, 0.14)
    grain = smooth_noise(rng, size, rng.uniform(2, 5), rng.uniform(8, 40)) * contrast
    grain += smooth_noise(rng, size, rng.uniform(8, 20), rng.uniform(6, 20)) * contrast
    x = np.arange(w)
    columns = int(w / board) + 2
    which = (x / board + rng.random()).astype(int)
    shade = rng.normal(0, contrast, (columns + 1, 12))
    length = rng.uniform(120, 700)
    row = ((np.arange(h)[:, None] + rng.uniform(0, 3000, columns + 1)[which][None]) / length).astype(int) % 12
    tone = 1 + shade[which[None], row] + grain
    joint = np.mod(x / board + 0.0, 1.0) * board < rng.uniform(0.6, 2)
    tone[:, joint] *= rng.uniform(0.45, 0.95)
    ends = np.diff(row, axis=0, prepend=row[:1]) != 0
    tone[ends] *= rng.uniform(0.5, 0.95)
    picture = np.clip(base * tone[..., None], 0, 1).astype(np.float32)
    return (
        picture
        if rng.random() < 0.5
        else np.ascontiguousarray(cv2.resize(cv2.rotate(picture, cv2.ROTATE_90_CLOCKWISE), (w, h)))
    )


def parquet(rng: Rng, size: Size) -> Picture:
    """Squares of short strips, each turned against its neighbours."""
    lengthwise, crosswise = wood(rng, size), wood(rng, size)
    along, across = turned_coordinates(rng, size, rng.choice([0, np.pi / 4]))
    square = rng.uniform(40, 120)
    checker = (np.floor(along / square) + np.floor(across / square)) % 2
    return mix(lengthwise, crosswise, checker.astype(np.float32))


def tiles(rng: Rng, size: Size) -> Picture:
    along, across = turned_coordinates(rng, size, rng.choice([0, np.pi / 4, rng.uniform(0, np.pi)]))
    step, joint_px = rng.uniform(50, 260), rng.uniform(1, 6)
    base = hsv(rng.uniform(0, 1), rng.uniform(0, 0.2), rng.uniform(0.2, 0.98))
    cells = rng.normal(0, rng.uniform(0, 0.06), (64, 64))
    tone = 1 + cells[np.floor(along / step).astype(int) % 64, np.floor(across / step).astype(int) % 64]
    tone = tone + layered_noise(rng, size, rng.uniform(10, 90)) * rng.uniform(0, 0.06)
    picture = flat(size, base) * tone[..., None]
    joint = (np.mod(along, step) < joint_px) | (np.mod(across, step) < joint_px)
    return np.clip(mix(picture, cloth_colour(rng), joint.astype(np.float32) * rng.uniform(0.4, 1)), 0, 1).astype(
        np.float32
    )


def carpet(rng: Rng, size: Size) -> Picture:
    """Pile from fine to shaggy, plain or with a rug's pattern."""
    base = flat(size, cloth_colour(rng)) if rng.random() < 0.6 else rug_pattern(rng, size)
    grain = layered_noise(rng, size, rng.uniform(2, 16), 4)
    return np.clip(base * (1 + rng.uniform(0.04, 0.22) * grain)[..., None], 0, 1)


def rug_pattern(rng: Rng, size: Size) -> Picture:
    """Mirrored and repeated blotches, as rugs, damask and upholstery have them."""
    h, w = size
    tile = int(rng.uniform(60, 260))
    quarter = (blotches if rng.random() < 0.6 else florals)(rng, (tile, tile))
    row = np.hstack([quarter, quarter[:, ::-1]])
    block = np.vstack([row, row[::-1]])
    return np.ascontiguousarray(np.tile(block, (h // (2 * tile) + 1, w // (2 * tile) + 1, 1))[:h, :w])


def wrinkle_shade(rng: Rng, size: Size, strength: float) -> Picture:
    """Light and dark of folds and creases: the slope of a height made of broad folds and sharp, long ridges."""
    h, w = size
    reach = int(np.hypot(h, w) / 2)
    half = (reach, reach)
    stretch = rng.uniform(1, 4)
    height = (
        smooth_noise(rng, half, rng.uniform(15, 80), stretch)
        + 0.4 * smooth_noise(rng, half, rng.uniform(8, 30), stretch)
    ) * 14
    ridges = np.abs(smooth_noise(rng, half, rng.uniform(10, 60), rng.uniform(1, 4)))
    height -= np.minimum(ridges, rng.uniform(0.15, 0.8)) * rng.uniform(0, 16)
    angle = rng.uniform(0, 2 * np.pi)
    slope = np.cos(angle) * cv2.Sobel(height, cv2.CV_32F, 1, 0, scale=0.0625) + np.sin(angle) * cv2.Sobel(
        height, cv2.CV_32F, 0, 1, scale=0.0625
    )
    turn = cv2.getRotationMatrix2D((reach / 2, reach / 2), rng.uniform(0, 360), 2.0)
    turn[:, 2] += [(w - reach) / 2, (h - reach) / 2]
    turned = cv2.warpAffine(slope, turn, (w, h), borderMode=cv2.BORDER_REFLECT)
    return np.clip(1 + strength * turned, 0.25, 1.7).astype(np.float32)


def sheet(rng: Rng, size: Size) -> Picture:
    """A bed sheet or throw: plain or printed cloth with wrinkles, the ground that looks most like cloth."""
    base = (plain, linen, stripes, plaid, florals, rug_pattern, dots, melange)[
        int(rng.choice(8, p=[0.42, 0.12, 0.06, 0.08, 0.12, 0.1, 0.04, 0.06]))
    ](rng, size)
    return np.clip(base * wrinkle_shade(rng, size, rng.uniform(0.05, 0.7))[..., None], 0, 1)


def quilt(rng: Rng, size: Size) -> Picture:
    """Stitched diamonds or waves, each cushion lit from one side."""
    along, across = turned_coordinates(rng, size, rng.uniform(0, np.pi), rng.uniform(0, 12))
    step = rng.uniform(18, 90)
    if rng.random() < 0.4:
        across = across + step * 0.3 * np.sin(along * 2 * np.pi / (step * rng.uniform(1, 3)))
    height = np.abs(np.sin(across * np.pi / step))
    if rng.random() < 0.75:
        height = np.minimum(height, np.abs(np.sin(along * np.pi / step)))
    height = np.sqrt(height).astype(np.float32) * step * 0.3
    slope = cv2.Sobel(cv2.GaussianBlur(height, (0, 0), 1.2), cv2.CV_32F, 1, 1 if rng.random() < 0.3 else 0, scale=0.125)
    base = flat(size, cloth_colour(rng)) if rng.random() < 0.7 else sheet(rng, size)
    shade = 1 + rng.uniform(0.1, 0.7) * slope
    return np.clip(base * (shade * wrinkle_shade(rng, size, rng.uniform(0, 0.3)))[..., None], 0, 1)


def stone(rng: Rng, size: Size) -> Picture:
    colour = hsv(rng.random(), rng.uniform(0, 0.15), rng.uniform(0.15, 0.97))
    return np.clip(
        flat(size, colour) * (1 + rng.uniform(0, 0.08) * layered_noise(rng, size, rng.uniform(4, 120), 4))[..., None],
        0,
        1,
    )


def ground_texture(rng: Rng, size: Size) -> Picture:
    kinds = (wood, parquet, tiles, carpet, sheet, quilt, stone)
    return kinds[int(rng.choice(len(kinds), p=[0.24, 0.06, 0.1, 0.17, 0.23, 0.1, 0.1]))](rng, size)
