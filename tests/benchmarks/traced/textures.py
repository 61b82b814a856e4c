"""Procedural cloths and grounds for the traced scenes: tiles of linear reflectance that repeat without a seam."""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Tile = NDArray[np.float32]
Rng = np.random.Generator


@dataclass(frozen=True)
class Surface:
    """A tile of reflectance (H, W, 3) that covers `tile_mm` and repeats; gloss is a mirror part at right angles."""

    tile: NDArray[np.floating]
    tile_mm: tuple[float, float]
    gloss: float = 0.0
    roughness: float = 0.5


def colour(red: int, green: int, blue: int) -> Tile:
    """Linear reflectance of display codes."""
    c = np.array([red, green, blue], np.float32) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear, np.float32)


def grain(r: Rng, shape: tuple[int, int], sigma: tuple[float, float]) -> Tile:
    """Seamless noise of mean 0 and deviation 1, smoothed by sigma (x, y) px."""
    fx = np.fft.fftfreq(shape[1])[None, :]
    fy = np.fft.fftfreq(shape[0])[:, None]
    low = np.exp(-2 * np.pi**2 * ((fx * sigma[0]) ** 2 + (fy * sigma[1]) ** 2))
    made = np.real(np.fft.ifft2(np.fft.fft2(r.normal(size=shape)) * low))
    return np.asarray(made / made.std(), np.float32)


def woven(
    r: Rng, base: Tile, depth: float, yarn_mm: float = 0.8, gloss: float = 0.0, roughness: float = 0.5
) -> Surface:
    """Plain cloth: uneven yarns both ways and fibres."""
    n, mm = 768, 0.2
    yarn = yarn_mm / mm / 2
    g = grain(r, (n, n), (18 * yarn, yarn)) + grain(r, (n, n), (yarn, 18 * yarn)) + grain(r, (n, n), (1.2, 1.2))
    return Surface(base * np.clip(1 + depth * g[..., None] / 1.7, 0.2, 2), (n * mm, n * mm), gloss, roughness)


def twill(r: Rng, base: Tile) -> Surface:
    n, mm, period = 760, 0.2, 1.52
    y, x = np.mgrid[:n, :n] * mm
    rib = 0.5 + 0.5 * np.sin(2 * np.pi * (x + y) / period)
    pale = np.clip(rib * 0.35 + 0.12 * grain(r, (n, n), (1.5, 4)), 0, 1)[..., None].astype(np.float32)
    slub = 1 + 0.08 * grain(r, (n, n), (2, 60))[..., None]
    return Surface((base * (1 - 0.45 * pale) + 0.45 * pale * colour(150, 165, 190)) * slub, (n * mm, n * mm))


def wool(r: Rng, base: Tile) -> Surface:
    n, mm = 1024, 0.3
    g = 0.6 * grain(r, (n, n), (1.5, 1.5)) + 0.5 * grain(r, (n, n), (6, 6)) + 0.25 * grain(r, (n, n), (25, 25))
    return Surface(base * np.clip(1 + 0.2 * g[..., None], 0.3, 2), (n * mm, n * mm))


def _canvas(base: Tile, n: int) -> Tile:
    return np.broadcast_to(base, (n, n, 3)).copy()


def _spots(r: Rng, picture: Tile, spots: int, radius_px: tuple[float, float], colours: list[Tile]) -> None:
    """Discs that wrap round the tile's borders."""
    n = picture.shape[0]
    for _ in range(spots):
        x, y = r.uniform(0, n, 2)
        radius, c = r.uniform(*radius_px), colours[int(r.integers(len(colours)))]
        for dx in (-n, 0, n):
            for dy in (-n, 0, n):
                at = (round((x + dx) * 16), round((y + dy) * 16))
                cv2.circle(picture, at, round(radius * 16), c.tolist(), -1, cv2.LINE_AA, 4)


def floral(r: Rng) -> Surface:
    n, mm = 1000, 0.25
    base = colour(*[(228, 216, 198), (245, 240, 235), (40, 44, 74), (214, 226, 220)][int(r.integers(4))])
    picture = _canvas(base, n)
    inks = [colour(178, 52, 78), colour(60, 72, 140), colour(212, 150, 58), colour(58, 106, 82)]
    _spots(r, picture, int(r.integers(150, 420)), (6, 30), inks)
    for _ in range(60):  # leaves
        x, y = r.uniform(40, n - 40, 2)
        axes, turn = (int(r.uniform(14, 34)), int(r.uniform(5, 10))), float(r.uniform(0, 180))
        cv2.ellipse(picture, (int(x), int(y)), axes, turn, 0, 360, inks[3].tolist(), -1, cv2.LINE_AA)
    return Surface(picture, (n * mm, n * mm))


def dots(r: Rng) -> Surface:
    n, mm = 640, 0.125
    pairs = [
        ((232, 228, 220), (170, 40, 50)),
        ((38, 48, 88), (235, 235, 235)),
        ((120, 30, 44), (230, 220, 205)),
        ((236, 236, 236), (40, 40, 44)),
    ]
    base, ink = pairs[int(r.integers(len(pairs)))]
    picture = _canvas(colour(*base), n)
    count = int(r.integers(4, 9))
    step, radius = n / count, n / count * r.uniform(0.16, 0.3)
    for i in range(count):
        for j in range(count):
            at = (round((i + 0.5) * step * 16), round((j + 0.5) * step * 16))
            cv2.circle(picture, at, round(radius * 16), colour(*ink).tolist(), -1, cv2.LINE_AA, 4)
    return Surface(picture, (n * mm, n * mm))


def stripe(r: Rng) -> Surface:
    n, mm = 480, float(r.uniform(0.06, 0.16))
    pairs = [
        ((236, 232, 224), (58, 80, 130)),
        ((225, 205, 170), (120, 44, 40)),
        ((70, 80, 92), (200, 200, 196)),
        ((240, 240, 238), (90, 140, 110)),
    ]
    base, ink = pairs[int(r.integers(len(pairs)))]
    picture = _canvas(colour(*base), n)
    picture[:, : int(n * r.uniform(0.25, 0.5))] = colour(*ink)
    if r.random() < 0.4:
        picture[:, int(n * 0.7) : int(n * 0.76)] = colour(*ink)
    return Surface(picture, (n * mm, n * mm))


def plaid(r: Rng) -> Surface:
    n, mm = 480, float(r.uniform(0.08, 0.2))
    sets = [
        ((150, 40, 44), (44, 84, 62), (214, 196, 110)),
        ((60, 70, 110), (170, 175, 185), (170, 50, 50)),
        ((196, 178, 150), (90, 70, 60), (40, 50, 80)),
    ]
    a, b, c = (colour(*x) for x in sets[int(r.integers(len(sets)))])
    thread = np.broadcast_to(a, (n, 3)).copy()
    thread[int(n * 0.3) : int(n * 0.75)] = b
    thread[int(n * 0.5) : int(n * 0.53)] = c
    return Surface((thread[:, None] + thread[None, :]) / 2, (n * mm, n * mm))


CLOTHS: dict[str, Callable[[Rng], Surface]] = {
    "navy": lambda r: woven(r, colour(38, 44, 74), 0.10),
    "white": lambda r: woven(r, colour(232, 231, 228), 0.03, 0.6),
    "linen": lambda r: woven(r, colour(206, 190, 160), 0.12, 1.2),
    "floral": floral,
    "stripe": stripe,
    "plaid": plaid,
    "denim": lambda r: twill(r, colour(52, 76, 122)),
    "satin": lambda r: woven(r, colour(26, 25, 27), 0.05, 0.5, 0.05, 0.25),
    "wool": lambda r: wool(r, colour(92, 88, 84)),
    "beige": lambda r: woven(r, colour(196, 172, 142), 0.06),
    "red": lambda r: woven(r, colour(170, 36, 42), 0.07),
    "darkgreen": lambda r: woven(r, colour(36, 70, 52), 0.09),
    "dots": dots,
}


def gridded(r: Rng, base: Tile, ink: Tile, fine: float, bold_mm: float = 0) -> Surface:
    """A cutting mat: lines of 1 mm each 50 mm (bolder each `bold_mm`), faint ones each 10 mm."""
    mm = 0.1
    n = round((bold_mm or 50) / mm)
    at = np.arange(n) * mm

    def lines(every_mm: float, width_mm: float, part: float) -> NDArray[np.float64]:
        return np.where(np.abs((at + every_mm / 2) % every_mm - every_mm / 2) < width_mm / 2, part, 0.0)

    strength = np.maximum(lines(50, 1.0, 0.9), lines(10, 0.4, fine))
    if bold_mm:
        strength = np.maximum(strength, lines(bold_mm, 1.6, 1.0))
    s = np.maximum(strength[:, None], strength[None, :])[..., None].astype(np.float32)
    g = 1 + 0.03 * grain(r, (n, n), (3, 3))[..., None]
    return Surface((base * (1 - s) + ink * s) * g, (n * mm, n * mm), 0.02, 0.45)


def even(r: Rng, base: Tile) -> Surface:
    g = 0.7 * grain(r, (512, 512), (2, 2)) + 0.5 * grain(r, (512, 512), (12, 12))
    return Surface(base * (1 + 0.02 * g[..., None]), (256, 256), 0.02, 0.45)


def carpet(r: Rng) -> Surface:
    base = colour(*[(140, 126, 110), (96, 100, 108), (160, 150, 132), (120, 90, 84)][int(r.integers(4))])
    n = 1024
    g = 0.8 * grain(r, (n, n), (1.6, 1.6)) + 0.5 * grain(r, (n, n), (5, 5)) + 0.15 * grain(r, (n, n), (40, 40))
    return Surface(base * np.clip(1 + 0.22 * g[..., None], 0.2, 2), (n * 0.6, n * 0.6))


def wood(r: Rng) -> Surface:
    """Boards of 140 mm, each of its own tone, with grain along them."""
    n, mm = 2100, 0.8
    base = colour(*[(160, 116, 82), (128, 84, 50), (196, 160, 118), (110, 84, 66)][int(r.integers(4))])
    g = 0.7 * grain(r, (n, n), (4, 60)) + 0.5 * grain(r, (n, n), (1.5, 25)) + 0.4 * grain(r, (n, n), (25, 160))
    tone = 1 + 0.16 * g
    width = round(140 / mm)
    for i in range(12):
        board = tone[:, i * width : (i + 1) * width]
        cut = int(r.integers(n))
        board[:cut] *= 1 + 0.1 * r.normal()
        board[cut:] *= 1 + 0.1 * r.normal()
        board[cut : cut + 2] *= 0.6
        board[:, :2] *= 0.45
    return Surface((base * np.clip(tone, 0.15, 2.2)[..., None]).astype(np.float32), (n * mm, n * mm), 0.03, 0.35)


MATS: dict[str, Callable[[Rng], Surface]] = {
    "green": lambda r: gridded(r, colour(58, 112, 88), colour(150, 186, 160), 0.25),
    "darkblue": lambda r: gridded(r, colour(40, 50, 84), colour(140, 150, 165), 0.2, 100),
    "greygrid": lambda r: gridded(r, colour(124, 126, 130), colour(180, 180, 165), 0.2),
    "grey": lambda r: even(r, colour(128, 130, 136)),
    "white": lambda r: even(r, colour(226, 226, 226)),
    "wood": wood,
    "carpet": carpet,
}
