"""One training picture with its mask: cloth of any kind on any ground, lit and photographed.

`scene(seed, photos)` is a pure function of its seed and of the photographs given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from clutter import drop_shadow, lay_mat, on_mat, reference_set, scatter, write_text
from grounds import ground_texture, wrinkle_shade
from numpy.typing import NDArray
from photos import Bytes, Photo, cover_crop, placed_cut_out
from shapes import cut_holes, draw_mask, garment_or_panel, place
from textures import (
    Picture,
    Rng,
    cloth_colour,
    cloth_texture,
    layered_noise,
    smooth_noise,
)

PLANE = (450, 600)
OUTPUT = (384, 512)


@dataclass
class Layer:
    """A piece of cloth before it is laid down: colours, coverage, and whether its pixels carry real light already."""

    colours: Picture
    mask: Picture
    is_photo: bool


def rim_light(rng: Rng, mask: Picture, strength: float) -> Picture:
    """The cloth's thickness: one flank lit, the other dark, within a few pixels of its edge."""
    soft = cv2.GaussianBlur(mask, (0, 0), rng.uniform(0.8, 3))
    angle = rng.uniform(0, 2 * np.pi)
    slope = np.cos(angle) * cv2.Sobel(soft, cv2.CV_32F, 1, 0) + np.sin(angle) * cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    return 1 + strength * np.clip(slope, -1, 1)


def sewn_details(rng: Rng, colours: Picture, mask: Picture) -> Picture:
    """Hem lines along the edge, drawn seams, pockets, a label, a chest print: all of them cloth."""
    colours = np.ascontiguousarray(colours)
    solid = (mask > 0.5).astype(np.uint8)
    if rng.random() < 0.3:
        inner = cv2.erode(solid, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * int(rng.uniform(2, 8)) + 1,) * 2))
        lines, _ = cv2.findContours(inner, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        ink = np.clip(colours[solid > 0].mean(axis=0) * rng.uniform(0.4, 1.5), 0, 1) if solid.any() else np.zeros(3)
        cv2.drawContours(colours, lines, -1, ink.tolist(), 1, cv2.LINE_AA)
    ys, xs = np.nonzero(solid)
    if len(xs) < 200:
        return colours
    reach = np.sqrt(len(xs))
    middle = np.array([xs.mean(), ys.mean()])
    for _ in range(int(rng.choice([0, 0, 1, 2, 4]))):
        pick = int(rng.integers(len(xs)))
        a, b = np.array([xs[pick], ys[pick]]), middle + rng.normal(0, 0.5, 2) * reach
        shade = cloth_colour(rng) if rng.random() < 0.3 else colours[ys[pick], xs[pick]] * rng.uniform(0.5, 1.3)
        cv2.line(
            colours,
            a.tolist(),
            b.astype(int).tolist(),
            np.clip(shade, 0, 1).tolist(),
            int(rng.choice([1, 1, 2, 5])),
            cv2.LINE_AA,
        )
    if rng.random() < 0.3:
        centre, half = middle + rng.normal(0, 0.15, 2) * reach, rng.uniform(0.05, 0.35) * reach
        if rng.random() < 0.5:
            turn = rng.uniform(0, 360)
            cv2.ellipse(
                colours,
                centre.astype(int).tolist(),
                (int(half) + 1, int(half * 0.6) + 1),
                turn,
                0,
                360,
                cloth_colour(rng).tolist(),
                -1,
                cv2.LINE_AA,
            )
        for _ in range(int(rng.integers(2, 14))):
            corners = centre + rng.uniform(-1, 1, (int(rng.integers(3, 7)), 2)) * half * rng.uniform(0.1, 1)
            cv2.fillPoly(colours, [corners.astype(np.int32)], cloth_colour(rng).tolist(), cv2.LINE_AA)
        if rng.random() < 0.5:
            text = "".join(rng.choice(list("ABDEGHKLMNORSTUW2468"), int(rng.integers(2, 9))))
            size = half / 12
            write_text(colours, text, (int(centre[0] - half), int(centre[1])), size / 2, cloth_colour(rng))
    return colours


def cloth_layer(rng: Rng, photos: Sequence[Photo], extent_px: float, centre: NDArray[np.float64]) -> Layer:
    """A piece of cloth: shape and pixels procedural or from a photograph."""
    if photos and rng.random() < 0.45:
        photo = photos[int(rng.integers(len(photos)))]
        colours, mask = placed_cut_out(rng, photo, PLANE, extent_px, centre)
        if rng.random() < 0.6:
            return Layer(colours, mask, True)
        grey = cv2.GaussianBlur(colours.mean(axis=2), (0, 0), 3)
        inside = grey[mask > 0.5]
        shade = np.clip(grey / max(0.05, float(inside.mean())) if inside.size else grey + 0.5, 0.4, 1.6) ** rng.uniform(
            0, 1
        )
        return Layer(np.clip(cloth_texture(rng, PLANE) * shade[..., None], 0, 1), mask, False)
    outline = place(rng, garment_or_panel(rng), PLANE, extent_px, centre)
    wobble = rng.choice([0.0, rng.uniform(0, 0.02) * extent_px])
    mask = draw_mask(rng, PLANE, outline, wobble, rng.choice([0.0, 0.0, rng.uniform(0, 1.5)]))
    if rng.random() < 0.2:
        mask = cut_holes(rng, mask)
    if photos and rng.random() < 0.25:
        photo = photos[int(rng.integers(len(photos)))]
        ys, xs = np.nonzero(cv2.erode(photo.mask, np.ones((9, 9), np.uint8)) > 127)
        patch = photo.rgb[
            np.percentile(ys, 25).astype(int) : np.percentile(ys, 75).astype(int) + 8,
            np.percentile(xs, 25).astype(int) : np.percentile(xs, 75).astype(int) + 8,
        ]
        row = np.hstack([patch, patch[:, ::-1]])
        block = np.vstack([row, row[::-1]])
        return Layer(cover_crop(rng, block, PLANE, rng.uniform(1, 1.8)).astype(np.float32) / 255, mask, False)
    return Layer(cloth_texture(rng, PLANE), mask, False)


def lay_cloth(rng: Rng, canvas: Picture, layer: Layer, sun: NDArray[np.float64]) -> None:
    """Shadow on the ground, then the cloth with its folds, rim and sewn details."""
    colours, mask = layer.colours, layer.mask
    if not layer.is_photo:
        colours = sewn_details(rng, colours, mask)
    if rng.random() < 0.16 and (mask > 0.5).any():
        inside = mask > 0.5
        towards = canvas[inside].mean(axis=0) + rng.normal(0, 0.05, 3)
        colours = np.clip(colours + (towards - colours[inside].mean(axis=0)) * rng.uniform(0.6, 1), 0, 1)
    if not layer.is_photo:
        strength = rng.choice([0.03, rng.uniform(0.05, 0.25), rng.uniform(0.2, 0.6)])
        colours = colours * (wrinkle_shade(rng, PLANE, strength) * rim_light(rng, mask, rng.uniform(0, 0.5)))[..., None]
    drop_shadow(canvas, mask, sun * rng.uniform(0.3, 1), rng.uniform(0.5, 9), rng.uniform(0.0, 0.6))
    if rng.random() < 0.5:
        drop_shadow(canvas, mask, np.zeros(2), rng.uniform(1, 4), rng.uniform(0, 0.5))
    alpha = mask * (rng.uniform(0.6, 0.92) if rng.random() < 0.03 else 1.0)
    canvas += (np.clip(colours, 0, 1) - canvas) * alpha[..., None]


def work_scene(rng: Rng, canvas: Picture, photos: Sequence[Photo]) -> Picture:
    """What users photograph: a mat on a floor, squares near its corners, pieces on it; returns the cloth's mask."""
    mat = lay_mat(rng, canvas, 1.0)
    taken = reference_set(rng, canvas, mat)
    if rng.random() < 0.3:
        taken = np.maximum(taken, scatter(rng, canvas, int(rng.integers(1, 3))))
    height = min(float(np.linalg.norm(mat[3] - mat[0])), float(np.linalg.norm(mat[1] - mat[0])))
    count, sun = int(rng.choice([1, 2, 3], p=[0.75, 0.18, 0.07])), rng.normal(0, 4, 2)
    covered = np.zeros(PLANE, np.float32)
    for _ in range(count):
        for _ in range(8):
            centre = on_mat(mat, *(0.5 + np.clip(rng.normal(0, 0.08 if count == 1 else 0.2, 2), -0.35, 0.35)))
            layer = cloth_layer(rng, photos, height * rng.uniform(0.35, 1.0) / count**0.4, centre)
            if float((layer.mask * np.maximum(covered, taken)).sum()) < 0.02 * float(layer.mask.sum()):
                lay_cloth(rng, canvas, layer, sun)
                covered = np.maximum(covered, layer.mask)
                break
    return covered


def lay_pieces(rng: Rng, canvas: Picture, photos: Sequence[Photo]) -> Picture:
    """One to ten pieces, mostly apart from each other; returns the mask of all of them."""
    h, w = PLANE
    count = int(rng.choice([1, 2, 3, 5, 10], p=[0.68, 0.14, 0.08, 0.06, 0.04]))
    sun = rng.normal(0, 5, 2)
    covered = np.zeros(PLANE, np.float32)
    for _ in range(count):
        extent = h * (rng.uniform(0.3, 1.15) if count == 1 else rng.uniform(0.25, 0.75) / np.sqrt(count) * 1.5)
        for _ in range(6):
            spread = 0.08 if count == 1 else 0.3
            centre = np.array([w, h]) * (0.5 + np.clip(rng.normal(0, spread, 2), -0.45, 0.45))
            layer = cloth_layer(rng, photos, extent, centre)
            overlap = float((layer.mask * covered).sum())
            if overlap < 1 or (rng.random() < 0.05 and overlap < 0.2 * layer.mask.sum()):
                lay_cloth(rng, canvas, layer, sun)
                covered = np.maximum(covered, layer.mask)
                break
    return covered


def light(rng: Rng, canvas: Picture) -> None:
    """Uneven lamp light, vignetting, a lamp's spot, bars of shade, in place."""
    h, w = PLANE
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    shade = 1 + rng.uniform(0, 0.35) * (np.cos(angle) * x + np.sin(angle) * y) * 0.7
    shade *= 1 - rng.uniform(0, 0.2) * (x * x + y * y)
    if rng.random() < 0.2:
        shade += rng.uniform(0.1, 0.6) * np.exp(
            -((x - rng.uniform(-1, 1)) ** 2 + (y - rng.uniform(-1, 1)) ** 2) / rng.uniform(0.05, 0.6)
        )
    if rng.random() < 0.18:
        bars = np.zeros(PLANE, np.float32)
        for _ in range(int(rng.integers(1, 4))):
            corners = rng.random(2) * [w, h] + rng.normal(0, 0.4, (int(rng.integers(3, 6)), 2)) * [w, h]
            cv2.fillPoly(bars, [cv2.convexHull(corners.astype(np.int32))], 1.0)
        shade *= 1 - rng.uniform(0.1, 0.5) * cv2.GaussianBlur(bars, (0, 0), rng.uniform(1, 20))
    canvas *= shade[..., None]


def photograph(rng: Rng, canvas: Picture, mask: Picture) -> tuple[Bytes, Bytes]:
    """View in perspective, colour cast, blur, noise, JPEG."""
    h, w = PLANE
    oh, ow = OUTPUT
    inset = rng.uniform(0, 0.13, (4, 2)) * [w, h] * rng.choice([0.3, 1.0])
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]]) + inset * [[1, 1], [-1, 1], [-1, -1], [1, -1]]
    view = cv2.getPerspectiveTransform(
        corners.astype(np.float32), np.array([[0, 0], [ow, 0], [ow, oh], [0, oh]], np.float32)
    )
    picture = cv2.warpPerspective(cv2.GaussianBlur(canvas, (0, 0), 0.45), view, (ow, oh))
    labels = cv2.warpPerspective(cv2.GaussianBlur(mask, (0, 0), 0.45), view, (ow, oh))
    picture = picture * (1 + rng.normal(0, 0.06, 3)).astype(np.float32) * rng.uniform(0.6, 1.25)
    if rng.random() < 0.4:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.3, 1.2))
    if rng.random() < 0.3:
        picture = picture + rng.uniform(0.3, 1) * (picture - cv2.GaussianBlur(picture, (0, 0), 1.0))
    noise = rng.choice([0.003, 0.01, 0.03])
    picture = picture + noise * rng.standard_normal(picture.shape, dtype=np.float32)
    if rng.random() < 0.3:
        picture = picture + noise * smooth_noise(rng, OUTPUT, 2.5)[..., None]
    encoded = (np.clip(picture, 0, 1) * 255).astype(np.uint8)
    if rng.random() < 0.6:
        _, jpeg = cv2.imencode(".jpg", encoded, [cv2.IMWRITE_JPEG_QUALITY, int(rng.uniform(45, 96))])
        encoded = cv2.imdecode(jpeg, cv2.IMREAD_COLOR)
    return encoded, np.clip(labels * 255, 0, 255).astype(np.uint8)


def dressed_photo(rng: Rng, photo: Photo) -> tuple[Picture, Picture]:
    """A photograph as it is, or its garment in another cloth under the same light and in the same place."""
    both = np.dstack([photo.rgb, photo.mask])
    part = cover_crop(rng, both, PLANE, rng.uniform(1.0, 1.15), rng.random() < 0.15).astype(np.float32) / 255
    canvas, mask = np.ascontiguousarray(part[..., :3]), np.ascontiguousarray(part[..., 3])
    if rng.random() < 0.65 and (mask > 0.5).any():
        grey = cv2.GaussianBlur(canvas.mean(axis=2), (0, 0), 4)
        shade = np.clip(grey / max(0.08, float(grey[mask > 0.5].mean())), 0.3, 1.7) ** rng.uniform(0.3, 1)
        wider = cv2.GaussianBlur(cv2.dilate(mask, np.ones((3, 3), np.uint8)), (0, 0), 0.8)
        canvas += (np.clip(cloth_texture(rng, PLANE) * shade[..., None], 0, 1) - canvas) * wider[..., None]
        mask = wider
    if rng.random() < 0.5:
        mask = mask * (1 - scatter(rng, canvas, int(rng.integers(1, 4))))
    return canvas, mask


def scene(seed: int, photos: Sequence[Photo]) -> tuple[Bytes, Bytes]:
    """One picture, (384, 512, 3) uint8 RGB, and its mask, (384, 512) uint8: 255 where all of a pixel is cloth."""
    rng = np.random.default_rng(seed)
    cv2.setRNGSeed(seed % 2**31)
    if photos and rng.random() < 0.2:
        canvas, mask = dressed_photo(rng, photos[int(rng.integers(len(photos)))])
    else:
        grounds = [photo.ground for photo in photos if photo.ground is not None]
        if grounds and rng.random() < 0.4:
            canvas = (
                cover_crop(rng, grounds[int(rng.integers(len(grounds)))], PLANE, rng.uniform(1, 2)).astype(np.float32)
                / 255
            )
        else:
            canvas = ground_texture(rng, PLANE)
        canvas = np.ascontiguousarray(canvas * (1 + 0.04 * layered_noise(rng, PLANE, 200, 2))[..., None])
        if rng.random() < 0.35:
            mask = work_scene(rng, canvas, photos)
        else:
            for _ in range(int(rng.choice([0, 1, 2], p=[0.5, 0.43, 0.07]))):
                lay_mat(rng, canvas)
            if rng.random() < 0.7:
                scatter(rng, canvas, int(rng.integers(1, 6)))
            mask = lay_pieces(rng, canvas, photos)
        if rng.random() < 0.1:
            mask = mask * (1 - scatter(rng, canvas, 1))
    light(rng, canvas)
    return photograph(rng, canvas, mask)
