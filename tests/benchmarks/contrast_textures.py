"""Cloth and grounds as photographs show them, drawn on the plane: (H, W, 3) linear light, from a seed alone.

Nothing here is shared with the generator that trained the network.
"""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Rng = np.random.Generator
Size = tuple[int, int]
Texture = Callable[[Rng, Size], Picture]

NAVY, BLACK, WHITE, BEIGE, GREY = (34, 40, 66), (26, 26, 28), (236, 234, 230), (214, 198, 170), (128, 130, 132)
OLIVE, ROSE, RED, TEAL = (96, 98, 60), (206, 150, 158), (170, 40, 46), (40, 120, 124)


def linear(codes: object) -> Picture:
    """SRGB codes to linear light (IEC 61966-2-1)."""
    code = np.asarray(codes, np.float32) / 255.0
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)


def noise(rng: Rng, size: Size, grain_px: tuple[float, float]) -> Picture:
    """Smooth noise of unit spread, grains so broad in x and y."""
    grid = (max(2, round(size[0] / grain_px[1])) + 3, max(2, round(size[1] / grain_px[0])) + 3)
    coarse = rng.standard_normal(grid, dtype=np.float32)
    return np.asarray(cv2.resize(coarse, size[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def near(rng: Rng, colour: tuple[int, int, int], spread: float = 6.0) -> tuple[int, int, int]:
    red, green, blue = (int(np.clip(c + rng.normal(0, spread), 5, 250)) for c in colour)
    return red, green, blue


def plain(colour: tuple[int, int, int], weave: float = 0.04) -> Texture:
    """Woven cloth of one colour: threads along and across, and broad soft folds."""

    def draw(rng: Rng, size: Size) -> Picture:
        threads = noise(rng, size, (2, 12)) + noise(rng, size, (12, 2))
        folds = noise(rng, size, (160, 120))
        return linear(near(rng, colour)) * (1.0 + weave * threads + 0.05 * folds)[..., None]

    return draw


def bands(first: tuple[int, int, int], second: tuple[int, int, int], along: bool, across: bool) -> Texture:
    """Stripes along, across, or both: plaid."""

    def draw(rng: Rng, size: Size) -> Picture:
        period, share = rng.uniform(30, 90), rng.uniform(0.3, 0.6)
        y, x = (np.arange(n) for n in size)
        column, row = ((np.mod(at / period + rng.random(), 1.0) < share).astype(np.float32) for at in (x, y))
        part = (column[None] * along + row[:, None] * across) / (along + across)
        return plain(first)(rng, size) * (1.0 - part[..., None]) + plain(second)(rng, size) * part[..., None]

    return draw


def dotted(ground: tuple[int, int, int], *inks: tuple[int, int, int]) -> Texture:
    """Discs and leaves of several inks."""

    def draw(rng: Rng, size: Size) -> Picture:
        picture = np.ascontiguousarray(plain(ground)(rng, size))
        step = rng.uniform(36, 90)
        for y in np.arange(0, size[0] + step, step):
            for x in np.arange(0, size[1] + step, step):
                at = (np.array([x, y]) + rng.uniform(-0.3, 0.3, 2) * step).astype(int).tolist()
                axes = (step * rng.uniform(0.12, 0.42, 2)).astype(int).tolist()
                ink = linear(inks[int(rng.integers(len(inks)))]).tolist()
                cv2.ellipse(picture, at, axes, rng.uniform(0, 180), 0, 360, ink, -1, cv2.LINE_AA)
        return picture

    return draw


def satin(colour: tuple[int, int, int]) -> Texture:
    """Bright, broad bands of glare on smooth cloth."""

    def draw(rng: Rng, size: Size) -> Picture:
        height = noise(rng, size, (260, 130))
        glare = np.exp(-((height - rng.uniform(-0.6, 0.6)) ** 2) / 0.06)[..., None]
        return plain(colour, 0.01)(rng, size) * (0.8 + 0.5 * glare) + 0.35 * glare

    return draw


def sequins(colour: tuple[int, int, int]) -> Texture:
    """Little mirrors, each as bright as it happens to face the lamp."""

    def draw(rng: Rng, size: Size) -> Picture:
        cells = rng.random((size[0] // 5 + 1, size[1] // 5 + 1), dtype=np.float32) ** 6
        glint = cv2.resize(cells, size[::-1], interpolation=cv2.INTER_NEAREST)[..., None]
        return linear(near(rng, colour)) * (0.5 + 0.6 * glint) + 0.7 * glint

    return draw


def wood(colour: tuple[int, int, int]) -> Texture:
    """Boards with grain and dark joints."""

    def draw(rng: Rng, size: Size) -> Picture:
        board = int(rng.uniform(110, 190))
        tone = 1.0 + 0.10 * noise(rng, size, (240, 5)) + 0.08 * noise(rng, size, (500, 26))
        rows = np.arange(size[0])
        tone *= (1.0 + 0.1 * rng.standard_normal(size[0] // board + 2))[rows // board][:, None]
        tone[rows % board < 3] *= 0.5
        return linear(near(rng, colour)) * np.clip(tone, 0.1, 2.0).astype(np.float32)[..., None]

    return draw


def carpet(colour: tuple[int, int, int]) -> Texture:
    def draw(rng: Rng, size: Size) -> Picture:
        pile = 0.16 * noise(rng, size, (3, 3)) + 0.12 * noise(rng, size, (9, 9)) + 0.05 * noise(rng, size, (90, 90))
        return linear(near(rng, colour)) * np.clip(1.0 + pile, 0.2, 2.0)[..., None]

    return draw


def tiles(colour: tuple[int, int, int]) -> Texture:
    def draw(rng: Rng, size: Size) -> Picture:
        side = int(rng.uniform(240, 420))
        y, x = (np.arange(n) for n in size)
        joint = (y % side < 6)[:, None] | (x % side < 6)[None]
        shades = 1.0 + 0.05 * rng.standard_normal((size[0] // side + 1, size[1] // side + 1))
        tone = shades[y // side][:, x // side] * (1.0 + 0.03 * noise(rng, size, (60, 60)))
        return linear(near(rng, colour)) * np.where(joint, 0.55, tone).astype(np.float32)[..., None]

    return draw


def sheet(colour: tuple[int, int, int]) -> Texture:
    """A bed sheet with creases: light and dark by the slope of folds."""

    def draw(rng: Rng, size: Size) -> Picture:
        height = 30.0 * noise(rng, size, (170, 110)) + 9.0 * np.abs(noise(rng, size, (90, 240)))
        slope = cv2.GaussianBlur(cv2.Sobel(height, cv2.CV_32F, 1, 1, scale=0.25), (0, 0), 3.0)
        slope = slope + 0.12 * cv2.Sobel(height, cv2.CV_32F, 0, 1, scale=0.125)
        return plain(colour)(rng, size) * np.clip(1.0 + 0.5 * slope, 0.5, 1.4)[..., None]

    return draw


def lined(colour: tuple[int, int, int], ink: tuple[int, int, int], spacing_px: int = 50) -> Texture:
    """A cutting mat's lines, every fifth bold."""

    def draw(rng: Rng, size: Size) -> Picture:
        picture = np.ascontiguousarray(linear(near(rng, colour)) * (1.0 + 0.01 * noise(rng, size, (3, 3)))[..., None])
        line = linear(ink).tolist()
        for axis in (0, 1):
            for count, at in enumerate(range(spacing_px // 2, size[1 - axis], spacing_px)):
                ends = ((at, 0), (at, size[0])) if axis == 0 else ((0, at), (size[1], at))
                cv2.line(picture, *ends, line, 3 if count % 5 == 0 else 1, cv2.LINE_AA)
        return picture

    return draw
