"""Things in the picture that are not the cloth: mats, reference squares, paper, rulers, tools, hands.

Each function paints into a float32 picture in place. Things that can lie on cloth also paint into a cover mask.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from grounds import carpet, stone, wood
from numpy.typing import NDArray
from textures import Picture, Rng, cloth_colour, hsv, layered_noise, melange, smooth_noise

Points = NDArray[np.float64]
Colour = Sequence[float] | NDArray[np.float32]


def fill(canvas: Picture, corners: Points, colour: Colour) -> None:
    values = tuple(float(c) for c in np.atleast_1d(colour))
    cv2.fillPoly(canvas, [np.round(corners * 16).astype(np.int32)], values, cv2.LINE_AA, 4)


def box(centre: Points, wide: float, high: float, turn: float) -> Points:
    """Corners of a turned rectangle, clockwise on the screen."""
    half = np.array([[-wide, -high], [wide, -high], [wide, high], [-wide, high]]) / 2
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return half @ rotation.T + centre


def drop_shadow(canvas: Picture, mask: Picture, shift: Points, blur_px: float, strength: float) -> None:
    """Darken what lies under a thing's shifted, blurred mask."""
    moved = cv2.warpAffine(mask, np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float64), mask.shape[::-1])
    if blur_px > 0.3:
        moved = cv2.GaussianBlur(moved, (0, 0), blur_px)
    canvas *= (1 - strength * moved)[..., None]


def polygon_mask(shape: tuple[int, int], corners: Points) -> Picture:
    mask = np.zeros(shape, np.float32)
    fill(mask, corners, [1.0])
    return mask


def mat_colour(rng: Rng) -> NDArray[np.float32]:
    kind = int(rng.integers(7))
    if kind == 0:
        return hsv(rng.uniform(0.36, 0.48), rng.uniform(0.3, 0.8), rng.uniform(0.2, 0.6))
    if kind == 1:
        return hsv(rng.uniform(0.55, 0.68), rng.uniform(0.2, 0.8), rng.uniform(0.15, 0.6))
    if kind in (2, 3):
        return hsv(rng.random(), rng.uniform(0, 0.08), rng.uniform(0.2, 0.75))
    if kind == 4:
        return hsv(rng.random(), rng.uniform(0, 0.05), rng.uniform(0.85, 1.0))
    if kind == 5:
        return hsv(rng.uniform(0.85, 1.0), rng.uniform(0.1, 0.6), rng.uniform(0.5, 1.0))
    return cloth_colour(rng)


def write_text(canvas: Picture, text: str, at: tuple[int, int], size: float, ink: Colour) -> None:
    """Letters, for which OpenCV wants bytes: drawn into a mask first."""
    drawn = np.zeros(canvas.shape[:2], np.uint8)
    cv2.putText(drawn, text, at, cv2.FONT_HERSHEY_DUPLEX, size, 255, max(1, round(size * 1.6)), cv2.LINE_AA)
    canvas += (np.asarray(ink, np.float32) - canvas) * (drawn.astype(np.float32) / 255)[..., None]


def mat_lines(rng: Rng, face: Picture) -> None:
    """Fine and bold grid lines, a border, slanted guides and numbers along two sides."""
    h, w = face.shape[:2]
    ink = np.clip(face[0, 0] + rng.choice([-1, 1]) * rng.uniform(0.05, 0.6), 0, 1).tolist()
    step = rng.uniform(9, 60)
    margin = rng.uniform(0, step)
    bold_every = int(rng.choice([1, 2, 5, 10]))
    numbers: list[tuple[str, tuple[int, int]]] = []
    for count, x in enumerate(np.arange(margin, w - margin + 1, step)):
        bold = count % bold_every == 0
        cv2.line(
            face,
            (round(x * 16), round(margin * 16)),
            (round(x * 16), round((h - margin) * 16)),
            ink,
            2 if bold and rng.random() < 0.7 else 1,
            cv2.LINE_AA,
            4,
        )
        if bold and step * bold_every > 22:
            numbers.append((str(count), (int(x) + 1, int(margin) + 9)))
    for count, y in enumerate(np.arange(margin, h - margin + 1, step)):
        bold = count % bold_every == 0
        cv2.line(
            face,
            (round(margin * 16), round(y * 16)),
            (round((w - margin) * 16), round(y * 16)),
            ink,
            2 if bold and rng.random() < 0.7 else 1,
            cv2.LINE_AA,
            4,
        )
        if bold and step * bold_every > 22:
            numbers.append((str(count), (int(margin) + 1, int(y) + 9)))
    drawn = np.zeros((h, w), np.uint8)
    for text, at in numbers:
        cv2.putText(drawn, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.3, 255, 1, cv2.LINE_AA)
    face += (np.array(ink, np.float32) - face) * (drawn.astype(np.float32) / 255)[..., None]
    if rng.random() < 0.25:
        for angle in (np.pi / 3, np.pi / 4, np.pi / 6):
            end = (int(margin + 2000 * np.cos(angle)), int(h - margin - 2000 * np.sin(angle)))
            cv2.line(face, (int(margin), int(h - margin)), end, ink, 1, cv2.LINE_AA)


def lay_mat(rng: Rng, canvas: Picture, largest: float = 1.3) -> Points:
    """A cutting mat, board or sheet of paper for the cloth to lie on, often smaller than the picture; its corners."""
    h, w = canvas.shape[:2]
    wide, high = w * rng.uniform(0.45, largest), h * rng.uniform(0.45, largest)
    corners = box(np.array([w * rng.uniform(0.4, 0.6), h * rng.uniform(0.4, 0.6)]), wide, high, rng.normal(0, 0.12))
    corners += rng.normal(0, 0.015 * w, (4, 2))
    if rng.random() < 0.88:
        face = np.empty((int(high), int(wide), 3), np.float32)
        face[:] = mat_colour(rng)
        if rng.random() < 0.6:
            mat_lines(rng, face)
        face *= (1 + rng.uniform(0, 0.03) * smooth_noise(rng, face.shape[:2], rng.uniform(1, 4)))[..., None]
        face *= (1 + rng.uniform(0, 0.05) * layered_noise(rng, face.shape[:2], rng.uniform(30, 150)))[..., None]
    else:
        face = (carpet, wood, stone, melange)[int(rng.integers(4))](rng, (int(high), int(wide)))
    fh, fw = face.shape[:2]
    source = np.array([[0, 0], [fw, 0], [fw, fh], [0, fh]], np.float32)
    to_canvas = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
    solid = np.ones((fh, fw), np.float32)
    if rng.random() < 0.3:
        radius = int(rng.uniform(5, 25))
        solid = cv2.copyMakeBorder(solid[radius:-radius, radius:-radius], *[radius] * 4, cv2.BORDER_CONSTANT, value=0)
        solid = cv2.dilate(solid, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)))
    mask = cv2.warpPerspective(solid, to_canvas, (w, h))
    drop_shadow(canvas, mask, rng.normal(0, 3, 2), rng.uniform(0.5, 6), rng.uniform(0, 0.6))
    canvas += (cv2.warpPerspective(face, to_canvas, (w, h)) - canvas) * mask[..., None]
    return corners


def on_mat(corners: Points, across: float, down: float) -> Points:
    """A place on the mat: 0 to 1 from its left to its right side, and from top to bottom."""
    top = corners[0] + across * (corners[1] - corners[0])
    bottom = corners[3] + across * (corners[2] - corners[3])
    return top + down * (bottom - top)


def reference_set(rng: Rng, canvas: Picture, mat: Points) -> Picture:
    """One to four squares near the mat's corners, as people lay them; returns the mask of what they cover."""
    cover = np.zeros(canvas.shape[:2], np.float32)
    side = rng.uniform(0.06, 0.16) * float(np.linalg.norm(mat[1] - mat[0]))
    places = [(rng.uniform(0.06, 0.22), rng.uniform(0.06, 0.24)) for _ in range(4)]
    ends = [(a if k in (0, 3) else 1 - a, b if k < 2 else 1 - b) for k, (a, b) in enumerate(places)]
    for k in rng.permutation(4)[: int(rng.integers(1, 5))]:
        fill(cover, reference_card(rng, canvas, on_mat(mat, *ends[k]), side * rng.uniform(0.95, 1.05)), [1.0])
    return cover


def reference_card(rng: Rng, canvas: Picture, centre: Points, side: float) -> Points:
    """A coded or plain square on its white card, or a bare square; returns the card's corners."""
    turn = rng.normal(0, 0.3) if rng.random() < 0.7 else rng.uniform(0, 6.3)
    paper = np.array([1, 0.99, 0.96]) * rng.uniform(0.82, 1.0)
    ink = np.full(3, rng.uniform(0.02, 0.15))
    kind = rng.random()
    border = side * rng.uniform(1.15, 1.6)
    if kind < 0.15:
        corners = box(centre, side, side, turn)
        fill(canvas, corners, paper if rng.random() < 0.6 else ink)
        return corners
    corners = box(centre, border, border * rng.choice([1, 1, rng.uniform(1, 1.4)]), turn)
    fill(canvas, corners, paper)
    fill(canvas, box(centre, side, side, turn), ink)
    if kind > 0.45:
        cell = side / 6
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        for row in range(4):
            for column in range(4):
                if rng.random() < 0.5:
                    at = centre + rotation @ ((np.array([column, row]) - 1.5) * cell)
                    fill(canvas, box(at, cell, cell, turn), paper)
    return corners


def sheet_of_paper(rng: Rng, canvas: Picture, centre: Points, side: float) -> Points:
    """A4 sheet, bank card, phone, book or printed pattern piece."""
    ratio = rng.choice([1.414, 1.586, 2.0, 1.29])
    corners = box(centre, side * ratio, side, rng.uniform(0, 6.3))
    kind = rng.random()
    fill(
        canvas,
        corners,
        np.full(3, rng.uniform(0.85, 1))
        if kind < 0.5
        else np.full(3, rng.uniform(0.02, 0.12))
        if kind < 0.65
        else cloth_colour(rng),
    )
    if rng.random() < 0.4:
        for offset in np.linspace(0.15, 0.85, int(rng.integers(3, 9))):
            start, end = (
                corners[0] * (1 - offset) + corners[3] * offset,
                corners[1] * (1 - offset) + corners[2] * offset,
            )
            a, b = start + (end - start) * 0.1, start + (end - start) * rng.uniform(0.4, 0.9)
            cv2.line(canvas, a.astype(int).tolist(), b.astype(int).tolist(), [rng.uniform(0, 0.6)] * 3, 1, cv2.LINE_AA)
    return corners


def ruler(rng: Rng, canvas: Picture, centre: Points, length: float) -> Points:
    """A ruler or a stretch of tape measure with its ticks."""
    turn, wide = rng.uniform(0, 6.3), length * rng.uniform(0.04, 0.1)
    face = [hsv(0.14, 0.8, 0.95), np.full(3, 0.92), np.full(3, 0.6), hsv(0.1, 0.5, 0.75)][int(rng.integers(4))]
    corners = box(centre, length, wide, turn)
    fill(canvas, corners, face)
    along = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-along[1], along[0]])
    for count, offset in enumerate(np.arange(-length / 2 + 2, length / 2 - 2, rng.uniform(2.5, 6))):
        start = centre + along * offset - across * wide / 2
        end = start + across * wide * (0.6 if count % 5 == 0 else 0.3)
        cv2.line(canvas, start.astype(int).tolist(), end.astype(int).tolist(), [0.08] * 3, 1, cv2.LINE_AA)
    return corners


def scissors(rng: Rng, canvas: Picture, mask: Picture, centre: Points, length: float) -> None:
    turn, opening = rng.uniform(0, 6.3), rng.uniform(0.05, 0.4)
    steel, grip = [rng.uniform(0.5, 0.9)] * 3, (cloth_colour(rng) if rng.random() < 0.7 else np.full(3, 0.05)).tolist()
    for side in (-1, 1):
        angle = turn + side * opening
        tip = centre + length * 0.55 * np.array([np.cos(angle), np.sin(angle)])
        back = centre - length * 0.35 * np.array([np.cos(angle), np.sin(angle)])
        blade = np.vstack([centre + 2, tip, centre - 2])
        for target, steel_ink, grip_ink in ((canvas, steel, grip), (mask, [1.0], [1.0])):
            fill(target, blade, steel_ink)
            cv2.line(target, centre.astype(int).tolist(), back.astype(int).tolist(), steel_ink, 3, cv2.LINE_AA)
            cv2.ellipse(
                target,
                back.astype(int).tolist(),
                (int(length * 0.14) + 2, int(length * 0.09) + 2),
                np.degrees(angle),
                0,
                360,
                grip_ink,
                max(2, int(length * 0.04)),
                cv2.LINE_AA,
            )


def round_thing(rng: Rng, canvas: Picture, mask: Picture, centre: Points, radius: float) -> None:
    """A cup, a roll of tape, a tin of pins: circles within circles."""
    for share in (1.0, rng.uniform(0.6, 0.9), rng.uniform(0.2, 0.55)):
        cv2.circle(
            canvas,
            centre.astype(int).tolist(),
            max(2, int(radius * share)),
            cloth_colour(rng).tolist(),
            -1,
            cv2.LINE_AA,
        )
    cv2.circle(mask, centre.astype(int).tolist(), max(2, int(radius)), 1.0, -1, cv2.LINE_AA)


def hand(rng: Rng, canvas: Picture, mask: Picture) -> None:
    """A forearm with a hand, or a foot, reaching in from the picture's edge."""
    h, w = canvas.shape[:2]
    start = np.array(
        [
            (rng.uniform(0, w), h + 10.0),
            (rng.uniform(0, w), -10.0),
            (-10.0, rng.uniform(0, h)),
            (w + 10.0, rng.uniform(0, h)),
        ][int(rng.integers(4))]
    )
    aim = np.array([w / 2, h / 2]) + rng.normal(0, 0.2, 2) * [w, h] - start
    along = aim / np.linalg.norm(aim)
    across = np.array([-along[1], along[0]])
    thick, reach = rng.uniform(18, 45), rng.uniform(20, 130)
    drawn = np.zeros((h, w), np.uint8)
    wrist = start + along * reach
    cv2.line(drawn, start.astype(int).tolist(), wrist.astype(int).tolist(), 255, int(thick), cv2.LINE_AA)
    palm = wrist + along * thick * 0.6
    cv2.ellipse(
        drawn,
        palm.astype(int).tolist(),
        (int(thick * 0.8), int(thick * 0.6)),
        np.degrees(np.arctan2(along[1], along[0])),
        0,
        360,
        255,
        -1,
        cv2.LINE_AA,
    )
    if rng.random() < 0.7:
        for spread in np.linspace(-0.55, 0.55, 4) + rng.normal(0, 0.06, 4):
            tip = palm + thick * rng.uniform(1.1, 1.7) * (along * np.cos(spread) + across * np.sin(spread))
            cv2.line(
                drawn, palm.astype(int).tolist(), tip.astype(int).tolist(), 255, max(3, int(thick * 0.28)), cv2.LINE_AA
            )
    soft = drawn.astype(np.float32) / 255
    skin = hsv(rng.uniform(0.02, 0.09), rng.uniform(0.2, 0.6), rng.uniform(0.25, 0.95))
    distance = cv2.distanceTransform((drawn > 127).astype(np.uint8), cv2.DIST_L2, 3)
    shade = 0.7 + 0.3 * np.minimum(1, distance / (0.3 * thick)) + 0.04 * smooth_noise(rng, (h, w), 5)
    drop_shadow(canvas, soft, rng.normal(0, 5, 2), 4, rng.uniform(0.1, 0.5))
    canvas += (skin * shade[..., None] - canvas) * soft[..., None]
    np.maximum(mask, soft, out=mask)


def scatter(rng: Rng, canvas: Picture, count: int) -> Picture:
    """Lay a number of things anywhere; returns the mask of what they cover."""
    h, w = canvas.shape[:2]
    cover = np.zeros((h, w), np.float32)
    for _ in range(count):
        centre = rng.random(2) * [w, h]
        kind = int(rng.choice(6, p=[0.5, 0.17, 0.13, 0.07, 0.05, 0.08]))
        thing = np.zeros((h, w), np.float32)
        before = canvas.copy()
        if kind < 3:
            painter = (reference_card, sheet_of_paper, ruler)[kind]
            extent = (rng.uniform(14, 70), rng.uniform(25, 120), rng.uniform(80, 420))[kind]
            fill(thing, painter(rng, canvas, centre, extent), [1.0])
        elif kind == 3:
            scissors(rng, canvas, thing, centre, rng.uniform(50, 140))
        elif kind == 4:
            round_thing(rng, canvas, thing, centre, rng.uniform(8, 45))
        else:
            hand(rng, canvas, thing)
        if kind != 5:
            shadowed = before
            drop_shadow(shadowed, thing, rng.normal(0, 2.5, 2), rng.uniform(0.4, 4), rng.uniform(0, 0.5))
            canvas[:] = shadowed + (canvas - shadowed) * thing[..., None]
        np.maximum(cover, thing, out=cover)
    return cover
