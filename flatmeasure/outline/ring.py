"""Closed polygons of an outline's points: spacing, normals, and mending."""

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from flatmeasure.polygons import polygon_area

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def resampled(points: Floats, spacing_px: float) -> Floats:
    """Evenly spaced points along the closed polygon."""
    closed = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(12, round(along[-1] / spacing_px))
    at = np.arange(count) * (along[-1] / count)
    return np.column_stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])])


def smoothed(points: Floats, window_px: float) -> Floats:
    """The polygon without the stairs of its mask."""
    fine = resampled(points, 1.0)
    radius = int(window_px)
    kernel = np.ones(2 * radius + 1) / (2 * radius + 1)
    padded = np.vstack([fine[-radius:], fine, fine[:radius]])
    return np.column_stack([np.convolve(padded[:, axis], kernel, mode="valid") for axis in range(2)])


def normals_of(points: Floats, away: float) -> Floats:
    """Unit normals away from the cloth, from the chord over two neighbours each way."""
    chord = sum(np.roll(points, -k, axis=0) - np.roll(points, k, axis=0) for k in (1, 2))
    chord = chord / np.maximum(np.linalg.norm(chord, axis=1, keepdims=True), 1e-9)
    normals: Floats = np.column_stack([chord[:, 1], -chord[:, 0]]) * (away * np.sign(polygon_area(points)))
    return normals


def untangled(moved: Floats, points: Floats) -> Floats:
    """The moved polygon without the points where it would run backward (normals that met inside a bend)."""
    for _ in range(4):
        step = np.roll(moved, -1, axis=0) - moved
        course = np.roll(points, -1, axis=0) - points
        forward = np.sum(step * course, axis=1) > 0.2 * np.sum(course * course, axis=1)
        if forward.all() or forward.sum() < 12:
            break
        moved, points = moved[forward], points[forward]
    return moved


def spanned(points: Floats, blank: Bools) -> Floats:
    """The outline led smoothly across blank stretches, where nothing is seen of it, as its ends point."""
    seen = np.flatnonzero(~blank)
    if len(seen) < 4 or len(seen) == len(points):
        return points
    turns = np.concatenate([seen - len(points), seen, seen + len(points)])
    spanned: Floats = PchipInterpolator(turns, points[turns % len(points)])(np.arange(len(points)))
    return spanned
