"""Procedural cloth of many kinds.

Every function takes a numpy random generator and a size and returns an (H, W, 3) float32 picture, display-encoded,
0 to 1. All randomness comes from the generator given, so a seed fixes the picture.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Rng = np.random.Generator
Size = tuple[int, int]


def smooth_noise(rng: Rng, size: Size, scale_px: float, stretch: float = 1.0) -> Picture:
    """Noise of unit spread whose grains are about scale_px wide and stretch times as long."""
    h, w = size
    grid = (max(2, int(h / (scale_px * stretch)) + 3), max(2, int(w / scale_px) + 3))
    coarse = rng.standard_normal(grid, dtype=np.float32)
    return cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC if scale_px > 2 else cv2.INTER_LINEAR)


def layered_noise(rng: Rng, size: Size, scale_px: float, layers: int = 3) -> Picture:
    """Sum of smooth noises, each half as coarse and half as strong as the one before."""
    total = np.zeros(size, np.float32)
    for layer in range(layers):
        total += smooth_noise(rng, size, max(1.0, scale_px / 2**layer)) * 0.55**layer
    return total


def turned_coordinates(rng: Rng, size: Size, angle: float, wobble_px: float = 0.0) -> tuple[Picture, Picture]:
    """Coordinates along and across a direction, bent by a slow noise."""
    h, w = size
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    along = np.cos(angle) * x + np.sin(angle) * y
    across = -np.sin(angle) * x + np.cos(angle) * y
    if wobble_px > 0:
        along = along + wobble_px * smooth_noise(rng, size, 120)
        across = across + wobble_px * smooth_noise(rng, size, 120)
    return along, across


def hsv(hue: float, saturation: float, value: float) -> NDArray[np.float32]:
    pixel = np.array([[[hue * 360.0, saturation, value]]], np.float32)
    return cv2.cvtColor(pixel, cv2.COLOR_HSV2RGB)[0, 0]


def cloth_colour(rng: Rng) -> NDArray[np.float32]:
    """Colours as wardrobes have them: many darks, whites and greys, muted tones, some bright ones."""
    kind = rng.random()
    if kind < 0.22:
        return hsv(rng.choice([rng.random(), 0.62]), rng.uniform(0, 0.6), rng.uniform(0.03, 0.28))
    if kind < 0.4:
        return hsv(rng.uniform(0.05, 0.17), rng.uniform(0, 0.12), rng.uniform(0.82, 1.0))
    if kind < 0.52:
        return hsv(rng.random(), rng.uniform(0, 0.1), rng.uniform(0.25, 0.85))
    if kind < 0.62:
        return hsv(rng.uniform(0.04, 0.13), rng.uniform(0.1, 0.5), rng.uniform(0.4, 0.9))
    return hsv(rng.random(), rng.uniform(0.2, 1.0), rng.uniform(0.25, 1.0))


def near_colour(rng: Rng, colour: NDArray[np.float32], spread: float) -> NDArray[np.float32]:
    return np.clip(colour + rng.normal(0, spread, 3), 0.01, 1).astype(np.float32)


def flat(size: Size, colour: NDArray[np.float32]) -> Picture:
    return np.broadcast_to(colour, (*size, 3)).astype(np.float32)


def mix(below: Picture, above: Picture | NDArray[np.float32], alpha: Picture) -> Picture:
    return below + (above - below) * alpha[..., None]


def plain(rng: Rng, size: Size) -> Picture:
    picture = flat(size, cloth_colour(rng))
    return picture * (1 + rng.uniform(0, 0.03) * smooth_noise(rng, size, rng.uniform(1, 3)))[..., None]


def melange(rng: Rng, size: Size) -> Picture:
    colour = cloth_colour(rng)
    fibre = smooth_noise(rng, size, rng.uniform(1, 3), rng.uniform(1, 4))
    return mix(flat(size, colour), near_colour(rng, colour, 0.25), np.clip(0.3 + 0.3 * fibre, 0, 1))


def stripe_profile(rng: Rng, position: Picture, period_px: float) -> tuple[Picture, int]:
    """Index-like stripe bands: a random sequence of widths and colours repeated with the period."""
    bands = int(rng.integers(2, 6))
    edges = np.sort(rng.random(bands - 1)) if bands > 2 else np.array([rng.uniform(0.15, 0.85)])
    phase = np.mod(position / period_px + rng.random(), 1.0)
    return np.digitize(phase, edges).astype(np.float32), bands


def stripes(rng: Rng, size: Size) -> Picture:
    angle = rng.choice([0, np.pi / 2, rng.uniform(0, np.pi)])
    _, across = turned_coordinates(rng, size, angle, rng.uniform(0, 6))
    index, bands = stripe_profile(rng, across, rng.uniform(4, 90))
    first, second = cloth_colour(rng), cloth_colour(rng)
    colours = [first, second] + [
        near_colour(rng, first, 0.3) if rng.random() < 0.5 else cloth_colour(rng) for _ in range(bands)
    ]
    return np.array(colours, np.float32)[index.astype(np.int32)]


def plaid(rng: Rng, size: Size) -> Picture:
    along, across = turned_coordinates(rng, size, rng.choice([0, rng.uniform(0, np.pi)]), rng.uniform(0, 5))
    period = rng.uniform(8, 110)
    picture = flat(size, cloth_colour(rng))
    for position in (along, across):
        for _ in range(int(rng.integers(1, 4))):
            phase = np.mod(position / period + rng.random(), 1.0)
            band = (phase < rng.uniform(0.03, 0.5)).astype(np.float32)
            picture = mix(picture, cloth_colour(rng), band * rng.uniform(0.3, 0.8))
    return picture


def dots(rng: Rng, size: Size) -> Picture:
    h, w = size
    canvas = np.ascontiguousarray(flat(size, cloth_colour(rng)))
    step = rng.uniform(6, 60)
    radius = step * rng.uniform(0.08, 0.42)
    colours = [cloth_colour(rng) for _ in range(int(rng.integers(1, 4)))]
    jitter = step * rng.choice([0, 0, 0.35])
    for row, y in enumerate(np.arange(0, h + step, step)):
        for x in np.arange(0, w + step, step) + (row % 2) * step / 2:
            at = (np.array([x, y]) + rng.uniform(-1, 1, 2) * jitter) * 16
            cv2.circle(
                canvas,
                at.astype(int).tolist(),
                int(radius * 16),
                colours[int(rng.integers(len(colours)))].tolist(),
                -1,
                cv2.LINE_AA,
                4,
            )
    return canvas


def flower(
    rng: Rng, canvas: Picture, at: NDArray[np.float64], radius: float, colours: list[NDArray[np.float32]]
) -> None:
    petals = int(rng.integers(4, 9))
    turn = rng.uniform(0, 2 * np.pi)
    petal, heart = (colours[int(rng.integers(len(colours)))].tolist() for _ in range(2))
    for angle in turn + np.arange(petals) * 2 * np.pi / petals:
        centre = at + 0.6 * radius * np.array([np.cos(angle), np.sin(angle)])
        axes = (max(1, int(radius * 0.5)), max(1, int(radius * 0.28)))
        cv2.ellipse(canvas, centre.astype(int).tolist(), axes, np.degrees(angle), 0, 360, petal, -1, cv2.LINE_AA)
    cv2.circle(canvas, at.astype(int).tolist(), max(1, int(radius * 0.25)), heart, -1, cv2.LINE_AA)


def florals(rng: Rng, size: Size) -> Picture:
    h, w = size
    canvas = np.ascontiguousarray(flat(size, cloth_colour(rng)))
    radius = rng.uniform(4, 45)
    colours = [cloth_colour(rng) for _ in range(int(rng.integers(2, 6)))]
    count = int(min(500, rng.uniform(0.25, 1.2) * h * w / (4 * radius**2)))
    for _ in range(count):
        at = rng.random(2) * [w, h]
        if rng.random() < 0.3:
            axes = (max(1, int(radius * rng.uniform(0.4, 1.2))), max(1, int(radius * 0.2)))
            cv2.ellipse(
                canvas, at.astype(int).tolist(), axes, rng.uniform(0, 180), 0, 360, colours[0].tolist(), -1, cv2.LINE_AA
            )
        else:
            flower(rng, canvas, at, radius * rng.uniform(0.5, 1.2), colours)
    return canvas


def blotches(rng: Rng, size: Size) -> Picture:
    """Levels of a noise: camouflage, abstract prints, tie-dye, animal spots."""
    field = layered_noise(rng, size, rng.uniform(6, 90), int(rng.integers(1, 4)))
    if rng.random() < 0.4:
        field = np.sin(field * rng.uniform(2, 6))
    levels = np.sort(rng.uniform(-1.2, 1.2, int(rng.integers(1, 5))))
    colours = np.array([cloth_colour(rng) for _ in range(len(levels) + 1)], np.float32)
    if rng.random() < 0.3:
        position = np.clip((field + 1.5) / 3, 0, 1)
        return mix(flat(size, colours[0]), colours[1], position.astype(np.float32))
    return colours[np.digitize(field, levels)]


def confetti(rng: Rng, size: Size) -> Picture:
    """Small shapes of many colours on one ground: children's prints."""
    h, w = size
    canvas = np.ascontiguousarray(flat(size, cloth_colour(rng)))
    radius = rng.uniform(2, 14)
    colours = [cloth_colour(rng).tolist() for _ in range(int(rng.integers(1, 7)))]
    for _ in range(int(min(1500, rng.uniform(0.1, 0.6) * h * w / radius**2 / 3))):
        at = (rng.random(2) * [w, h]).astype(int)
        colour = colours[int(rng.integers(len(colours)))]
        kind = int(rng.integers(3))
        if kind == 0:
            cv2.circle(canvas, at.tolist(), max(1, int(radius)), colour, -1, cv2.LINE_AA)
        elif kind == 1:
            corners = at + rng.uniform(-radius, radius, (int(rng.integers(3, 6)), 2))
            cv2.fillPoly(canvas, [corners.astype(np.int32)], colour, cv2.LINE_AA)
        else:
            end = at + rng.uniform(-2 * radius, 2 * radius, 2).astype(int)
            cv2.line(canvas, at.tolist(), end.tolist(), colour, max(1, int(radius / 3)), cv2.LINE_AA)
    return canvas


def denim(rng: Rng, size: Size) -> Picture:
    along, _ = turned_coordinates(rng, size, rng.uniform(0.6, 1.0))
    twill = np.sin(along * rng.uniform(1.0, 2.6)) * 0.05
    fade = layered_noise(rng, size, rng.uniform(60, 200), 4) * rng.uniform(0.02, 0.22)
    base = hsv(rng.uniform(0.57, 0.65), rng.uniform(0.2, 0.7), rng.uniform(0.2, 0.75))
    grain = smooth_noise(rng, size, 1.5, rng.uniform(1, 6)) * 0.05
    return np.clip(flat(size, base) + (twill + fade + grain)[..., None], 0, 1)


def linen(rng: Rng, size: Size) -> Picture:
    warp = smooth_noise(rng, size, 1.3, rng.uniform(8, 40))
    weft = smooth_noise(rng, (size[1], size[0]), 1.3, rng.uniform(8, 40)).T
    return np.clip(flat(size, cloth_colour(rng)) + (rng.uniform(0.01, 0.06) * (warp + weft))[..., None], 0, 1)


def satin(rng: Rng, size: Size) -> Picture:
    height = layered_noise(rng, size, rng.uniform(40, 200), 2)
    light = np.exp(-((height - rng.uniform(-1, 1)) ** 2) / rng.uniform(0.02, 0.3))
    colour = cloth_colour(rng)
    dim = 1 + 0.25 * smooth_noise(rng, size, rng.uniform(40, 160))
    return np.clip(
        flat(size, colour) * dim[..., None] + (rng.uniform(0.15, 0.8) * light)[..., None] * (0.5 + 0.5 * colour), 0, 1
    )


def sequins(rng: Rng, size: Size) -> Picture:
    colour = cloth_colour(rng)
    step = rng.uniform(2.5, 7)
    h, w = size
    cells = rng.random((int(h / step) + 2, int(w / step) + 2)).astype(np.float32) ** rng.uniform(2, 8)
    glint = cv2.resize(cells, (w, h), interpolation=cv2.INTER_LINEAR if rng.random() < 0.5 else cv2.INTER_NEAREST)
    return np.clip(flat(size, colour) * (0.6 + 0.4 * glint[..., None]) + rng.uniform(0.3, 1) * glint[..., None], 0, 1)


def knit(rng: Rng, size: Size) -> Picture:
    along, across = turned_coordinates(rng, size, rng.choice([0, np.pi / 2, rng.uniform(0, np.pi)]), rng.uniform(0, 6))
    step = rng.uniform(3, 14)
    rib = np.sin(across * 2 * np.pi / step)
    loop = np.sin(along * 2 * np.pi / (step * 0.8) + np.abs(rib) * 2)
    shade = 1 + rng.uniform(0.04, 0.2) * rib + rng.uniform(0, 0.15) * loop
    base = plain(rng, size) if rng.random() < 0.7 else stripes(rng, size)
    return np.clip(base * shade[..., None], 0, 1)


def lace(rng: Rng, size: Size) -> Picture:
    along, across = turned_coordinates(rng, size, rng.uniform(0, np.pi), 5)
    step = rng.uniform(5, 18)
    mesh = np.sin(along * 2 * np.pi / step) * np.sin(across * 2 * np.pi / step)
    mesh = mesh + rng.uniform(0, 0.8) * smooth_noise(rng, size, step * 2)
    colour = cloth_colour(rng)
    return mix(flat(size, colour), near_colour(rng, colour * rng.uniform(0.4, 0.9), 0.05), np.clip(mesh * 2, 0, 1))


def cloth_texture(rng: Rng, size: Size) -> Picture:
    """A random cloth; now and then two kinds joined along a seam."""
    kinds: list[tuple[float, Callable[[Rng, Size], Picture]]] = [
        (7, plain), (2, melange), (3, stripes), (3, plaid), (2, dots), (3, florals), (2, blotches), (2, confetti),
        (2, denim), (2, linen), (2, satin), (1, sequins), (2, knit), (1, lace),
    ]  # fmt: skip
    weights = np.array([weight for weight, _ in kinds])
    picture = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))][1](rng, size)
    if rng.random() < 0.15:
        other = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))][1](rng, size)
        _, across = turned_coordinates(rng, size, rng.choice([0, np.pi / 2, rng.uniform(0, np.pi)]), 10)
        cut = rng.uniform(across.min(), across.max())
        picture = mix(picture, other, (across > cut).astype(np.float32))
    return picture
