"""Outlines of cloth: unpicked panels, strips, scraps and whole garments, drawn as soft masks.

Outlines are (N, 2) arrays in (x, y) order, about one unit high, centred near the origin, y down.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from textures import Picture, Rng, Size, smooth_noise

Outline = NDArray[np.float64]


def curved(corners: NDArray[np.float64], bulges: NDArray[np.float64], steps: int = 12) -> Outline:
    """Closed outline of parabolas; a bulge is the sagitta over the chord, outward for clockwise corners."""
    sides = []
    t = np.linspace(0, 1, steps, endpoint=False)[:, None]
    for start, end, bulge in zip(corners, np.roll(corners, -1, axis=0), bulges, strict=True):
        chord = end - start
        normal = np.array([chord[1], -chord[0]])
        sides.append(start + t * chord + 4 * bulge * t * (1 - t) * normal)
    return np.vstack(sides)


def mirrored(right_half: NDArray[np.float64]) -> NDArray[np.float64]:
    """The whole outline from its right half, listed from the top of the axis to its bottom."""
    left = right_half[::-1] * [-1, 1]
    return np.vstack([right_half, left])


def panel(rng: Rng) -> Outline:
    """Four to eight corners on an oval, some sides hollowed or bulging: sleeves, bodices, yokes."""
    count = int(rng.integers(3, 9))
    angles = np.sort((np.arange(count) + rng.uniform(-0.35, 0.35, count)) * 2 * np.pi / count) + rng.uniform(0, 6.3)
    radii = rng.uniform(0.3, 0.6, count)
    corners = np.column_stack([np.cos(angles) * radii * rng.uniform(0.5, 1.2), np.sin(angles) * radii])
    bulges = rng.choice([0, 0, 1], count) * rng.uniform(-0.35, 0.3, count)
    return curved(corners, bulges)


def gore(rng: Rng) -> Outline:
    top, bottom = rng.uniform(0.05, 0.3), rng.uniform(0.15, 0.55)
    corners = np.array([[-top, -0.5], [top, -0.5], [bottom * rng.uniform(0.8, 1.2), 0.5], [-bottom, 0.5]])
    return curved(
        corners,
        np.array([-rng.uniform(0, 0.2), rng.uniform(-0.08, 0.08), rng.uniform(0, 0.2), rng.uniform(-0.08, 0.08)]),
    )


def sleeve(rng: Rng) -> Outline:
    top, cuff, cap = rng.uniform(0.3, 0.5), rng.uniform(0.15, 0.4), rng.uniform(0.15, 0.5)
    side = np.linspace(-1, 1, 30)
    crown = np.column_stack([side * top, -0.15 - cap * (np.cos(side * np.pi) + 1) / 2])
    return np.vstack([crown, [[cuff, 0.5], [-cuff, 0.5]]])


def bodice(rng: Rng) -> Outline:
    w, waist, neck = rng.uniform(0.25, 0.42), rng.uniform(0.2, 0.42), rng.uniform(0.08, 0.18)
    dart, at = rng.uniform(0.0, 0.07), rng.uniform(0.3, 0.6)
    corners = np.array([
        [0, -0.5 + rng.uniform(0.05, 0.35)], [neck, -0.5], [w * 0.8, -0.42], [w, -0.1], [waist, 0.5],
        [waist * at + dart, 0.5], [waist * at, rng.uniform(0.05, 0.3)], [waist * at - dart, 0.5], [0, 0.5],
    ])  # fmt: skip
    bulges = np.array([-0.25, 0, -rng.uniform(0.1, 0.3), 0, 0, 0, 0, 0, 0])
    half = curved(corners, bulges)
    return half if rng.random() < 0.5 else np.vstack([half, half[::-1] * [-1, 1]])


def strip(rng: Rng) -> Outline:
    half = rng.uniform(0.015, 0.1)
    point = rng.choice([0, 1]) * half
    corners = np.array(
        [
            [-half, -0.5],
            [0, -0.5 - point],
            [half, -0.5],
            [half, 0.5],
            [0, 0.5 + point * rng.choice([0, 1])],
            [-half, 0.5],
        ]
    )
    bend = rng.choice([0, 1]) * rng.uniform(-0.15, 0.15)
    return curved(corners, np.array([0, 0, bend, 0, 0, -bend]), 20)


def scrap(rng: Rng) -> Outline:
    """An irregular remnant, now and then with a bite or deep bays."""
    t = np.linspace(0, 2 * np.pi, int(rng.choice([7, 9, 12, 60])), endpoint=False)
    radius = 0.4 + 0.12 * sum(rng.normal() / k * np.cos(k * t + rng.uniform(0, 6.3)) for k in (1, 2, 3, 4, 5))
    return np.column_stack([np.cos(t) * radius * rng.uniform(0.5, 1.3), np.sin(t) * radius])


def rectangle(rng: Rng) -> Outline:
    half = rng.uniform(0.2, 0.6)
    return curved(
        np.array([[-half, -0.5], [half, -0.5], [half, 0.5], [-half, 0.5]]) + rng.normal(0, 0.02, (4, 2)),
        rng.normal(0, 0.015, 4),
    )


def top_garment(rng: Rng) -> Outline:
    """T-shirt, shirt, jumper, vest or dress laid flat; the sleeve hangs at any angle."""
    neck, shoulder, chest = rng.uniform(0.07, 0.16), rng.uniform(0.2, 0.28), rng.uniform(0.22, 0.32)
    hem, armpit = chest * rng.uniform(0.85, 1.5), rng.uniform(-0.3, -0.15)
    sides = []
    for _ in range(2):
        length, down, wide = rng.choice([0.0, 0.2, 0.3, 0.55, 0.75]), rng.uniform(0.2, 1.35), rng.uniform(0.09, 0.17)
        out = np.array([np.cos(down), np.sin(down)])
        cuff = np.array([shoulder, -0.45]) + length * out
        inner = cuff + wide * np.array([-out[1], out[0]]) * rng.uniform(0.6, 1)
        sleeve_points = [cuff, inner] if length > 0 else []
        sides.append(
            np.array(
                [
                    [neck, -0.5],
                    [shoulder, -0.45],
                    *sleeve_points,
                    [chest, armpit + 0.05],
                    [(chest + hem) / 2 * rng.uniform(0.85, 1.05), 0.1],
                    [hem, 0.5],
                ]
            )
        )
    right, left = (sides[0], sides[0]) if rng.random() < 0.75 else (sides[0], sides[1])
    drop = rng.uniform(0.0, 0.14)
    t = np.linspace(0, 1, 11)[1:-1]
    neckline = np.column_stack([-neck + 2 * neck * t, -0.5 + drop * np.sin(np.pi * t) ** rng.uniform(0.5, 1.5)])
    t = np.linspace(0, 1, 8)[1:-1]
    bottom = np.column_stack(
        [right[-1, 0] - (right[-1, 0] + left[-1, 0]) * t, 0.5 + rng.uniform(-0.02, 0.06) * np.sin(np.pi * t)]
    )
    return np.vstack([right, bottom, (left * [-1, 1])[::-1], neckline])


def trousers(rng: Rng) -> Outline:
    waist, hip, spread = rng.uniform(0.14, 0.24), rng.uniform(0.2, 0.28), rng.uniform(0.05, 0.25)
    leg, crotch, bottom = (
        rng.uniform(0.07, 0.15),
        rng.uniform(-0.2, -0.08),
        rng.choice([0.5, 0.5, rng.uniform(0.0, 0.4)]),
    )
    gap = rng.uniform(0.0, 0.06)
    half = np.array(
        [
            [0, -0.5],
            [waist, -0.5],
            [hip, crotch],
            [spread + leg, bottom],
            [max(gap, spread - leg), bottom],
            [gap * 0.3, crotch + 0.02],
        ]
    )
    return mirrored(half)


def skirt(rng: Rng) -> Outline:
    waist, hem = rng.uniform(0.12, 0.3), rng.uniform(0.2, 0.6)
    corners = np.array([[-waist, -0.5], [waist, -0.5], [hem, 0.5], [-hem, 0.5]])
    return curved(
        corners,
        np.array([-rng.uniform(0, 0.1), rng.uniform(-0.05, 0.1), rng.uniform(-0.02, 0.18), rng.uniform(-0.05, 0.1)]),
    )


def strap_top(rng: Rng) -> Outline:
    w, hem, thin = rng.uniform(0.2, 0.3), rng.uniform(0.2, 0.4), rng.uniform(0.012, 0.05)
    at, low = w * rng.uniform(0.4, 0.8), rng.uniform(-0.3, -0.15)
    half = np.array(
        [
            [0, low],
            [at - thin, low - 0.02],
            [at - thin, -0.5],
            [at + thin, -0.5],
            [at + thin, low - 0.03],
            [w, low + 0.06],
            [hem, 0.5],
        ]
    )
    return mirrored(half)


def garment_or_panel(rng: Rng) -> Outline:
    kinds: list[tuple[float, Callable[[Rng], Outline]]] = [
        (4, panel), (2, gore), (2, sleeve), (2, bodice), (2.5, strip), (3, scrap), (1.5, rectangle),
        (6, top_garment), (3, trousers), (2, skirt), (1.2, strap_top),
    ]  # fmt: skip
    weights = np.array([weight for weight, _ in kinds])
    return kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))][1](rng)


def draw_mask(rng: Rng, size: Size, outline_px: Outline, wobble_px: float, fray_px: float) -> Picture:
    """Mask (0 to 1, soft over a pixel) of an outline bent by a slow noise and roughened by a fine one."""
    h, w = size
    mask = np.zeros(size, np.uint8)
    cv2.fillPoly(mask, [np.round(outline_px * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    if wobble_px > 0 or fray_px > 0:
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        dx, dy = (wobble_px * smooth_noise(rng, size, 70) + fray_px * smooth_noise(rng, size, 3) for _ in range(2))
        mask = cv2.remap(mask, (x + dx).astype(np.float32), (y + dy).astype(np.float32), cv2.INTER_LINEAR)
    return mask.astype(np.float32) / 255


def cut_holes(rng: Rng, mask: Picture) -> Picture:
    """Neck openings and cut-outs through which the ground shows."""
    ys, xs = np.nonzero(mask > 0.5)
    if len(xs) < 400:
        return mask
    reach = np.sqrt(len(xs))
    holes = np.zeros(mask.shape, np.uint8)
    for _ in range(int(rng.integers(1, 4))):
        pick = int(rng.integers(len(xs)))
        axes = np.maximum(2, reach * rng.uniform(0.03, 0.2, 2)).astype(int)
        if rng.random() < 0.7:
            cv2.ellipse(
                holes, (int(xs[pick]), int(ys[pick])), axes.tolist(), rng.uniform(0, 180), 0, 360, 255, -1, cv2.LINE_AA
            )
        else:
            corners = np.array([xs[pick], ys[pick]]) + rng.uniform(-1, 1, (4, 2)) * axes[0]
            cv2.fillPoly(holes, [cv2.convexHull(corners.astype(np.int32))], 255, cv2.LINE_AA)
    return mask * (1 - holes.astype(np.float32) / 255)


def place(rng: Rng, outline: Outline, size: Size, extent_px: float, centre: NDArray[np.float64]) -> Outline:
    """Turn, stretch a little, and put an outline of about the given extent at a place."""
    turn = (
        rng.normal(0, 0.25) + rng.choice([0, 0, np.pi / 2, np.pi, -np.pi / 2])
        if rng.random() < 0.6
        else rng.uniform(0, 2 * np.pi)
    )
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shear = np.array([[rng.uniform(0.8, 1.25), rng.normal(0, 0.06)], [0, 1]])
    bent = outline @ shear.T
    bent = bent / max(np.ptp(bent[:, 0]), np.ptp(bent[:, 1]))
    return (bent - bent.mean(axis=0)) @ rotation.T * extent_px + centre
