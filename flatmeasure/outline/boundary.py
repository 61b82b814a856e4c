"""The path that parts cloth and ground best in a band along a coarse outline, to about a pixel.

Every pixel of the band is judged by its colour (appearance). Along each normal the evidence adds up to a cost of an
edge between any two pixels; the closed path of least cost, without jumps, is found by dynamic programming. A dart that
the coarse outline missed is entered step by step.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from flatmeasure.outline.appearance import RIM_SAMPLES, Appearance, learn_appearance
from flatmeasure.outline.ring import normals_of, resampled, smoothed, untangled
from flatmeasure.photos.photo import linear_light

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

SPACING_PX = 6.0
SMOOTHING_PX = 4.0  # half the window that takes the stairs of the coarse mask away
REACHES_PX = (12, 8)
DART_SEARCHES = 8  # at most
DART_STEP_PX = 4  # what moves farther than this in the last search may be a dart
DART_POINTS = 8  # wider than so many points is no dart
COARSE_TRUST = 0.05  # cost of straying from the outline searched about, per square pixel
BEND_COST = 2.0  # cost of one pixel more or less than the neighbour's offset
MOST_BEND = 3
SEAM_ROWS = 30
REGION_SCALE = 4  # of the mask that tells the sides apart
OWN_SIDE_PX = 6  # nearer than this the coarse outline does not tell the sides apart


def find_boundary(
    rgb: NDArray[np.uint8], outline_px: Floats, away: float, avoid_px: Sequence[Floats]
) -> tuple[Floats, Appearance]:
    """Move a coarse outline to where cloth and ground part.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    outline_px : (M, 2) array
        Closed polygon.
    away : float
        1 when the cloth is inside the polygon, -1 when it is outside.
    avoid_px : sequence of (K, 2) arrays
        Polygons of other things.

    Returns
    -------
    points : (N, 2) array, closed
    appearance : Appearance
        What cloth and ground look like along it.
    """
    points = outline_px
    for reach_px in REACHES_PX:
        points, offset, appearance = _searched(rgb, points, away, reach_px, avoid_px)
        points = _moved(points, offset, away)
    for _ in range(DART_SEARCHES):
        if np.abs(_narrow(offset)).max() < DART_STEP_PX:
            break
        points, offset, appearance = _searched(rgb, points, away, reach_px, avoid_px)
        points = _moved(points, _narrow(offset), away)
    return points, appearance


def _searched(
    rgb: NDArray[np.uint8], outline_px: Floats, away: float, reach_px: int, avoid_px: Sequence[Floats]
) -> tuple[Floats, Floats, Appearance]:
    """Even points along an outline, the offset along the normal that parts cloth and ground best, and their looks."""
    points = resampled(smoothed(outline_px, SMOOTHING_PX), SPACING_PX)
    offsets = np.arange(-reach_px - RIM_SAMPLES, reach_px + RIM_SAMPLES + 1.0)
    x, y = band(points, normals_of(points, away), offsets)
    light = linear_light(nearest(rgb, x, y))
    known = _in_frame(rgb, x, y) & _own_side(points, x, y, offsets, away, avoid_px)
    appearance = learn_appearance(light, known)
    evidence = np.where(known, appearance.evidence(light), 0.0)
    middle = slice(RIM_SAMPLES, RIM_SAMPLES + 2 * reach_px + 1)
    cost = parting_cost(evidence)[:, middle] + COARSE_TRUST * offsets[middle] ** 2
    return points, offsets[middle][_closed_path(cost)], appearance


def _narrow(offset: Floats) -> Floats:
    """Offsets without those of broad stretches that still want to move far: those are lost, not in a dart."""
    far = (np.abs(offset) >= DART_STEP_PX).astype(np.float64)
    window = 2 * DART_POINTS + 1
    return np.where(uniform_filter1d(far, window, mode="wrap") * window < DART_POINTS + 0.5, offset, 0.0)


def _moved(points: Floats, offset: Floats, away: float) -> Floats:
    """Points moved along their normals; an offset of j is an edge half a pixel beyond the sample j."""
    return untangled(points + (offset + 0.5)[:, None] * normals_of(points, away), points)


def parting_cost(evidence: Floats | Singles) -> Floats:
    """(N, K) evidence against an edge just beyond each sample: all up to it would be cloth, all beyond it ground."""
    cost: Floats = -np.cumsum(evidence, axis=1, dtype=np.float64)
    return cost


def band(points: Floats, normals: Floats, offsets: Floats) -> tuple[Singles, Singles]:
    """(N, K) x and (N, K) y of places along the normals."""
    x = points[:, :1] + offsets * normals[:, :1]
    y = points[:, 1:] + offsets * normals[:, 1:]
    return x.astype(np.float32), y.astype(np.float32)


def nearest(picture: NDArray[np.uint8], x: Singles, y: Singles) -> NDArray[np.uint8]:
    """The pixels nearest to places; the border repeats outside."""
    return np.asarray(cv2.remap(picture, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8)


def _in_frame(rgb: NDArray[np.uint8], x: Singles, y: Singles) -> Bools:
    """Whether places lie in the picture."""
    height, width = rgb.shape[:2]
    return np.asarray((x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1))


def _own_side(
    points: Floats, x: Singles, y: Singles, offsets: Floats, away: float, avoid_px: Sequence[Floats]
) -> Bools:
    """(N, K) whether a sample is on the side that its offset says: not beyond a neighbouring stretch of the outline."""
    low = np.floor(np.array([x.min(), y.min()]) / REGION_SCALE).astype(int) - 1
    high = np.ceil(np.array([x.max(), y.max()]) / REGION_SCALE).astype(int) + 2
    region = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=np.uint8)
    for value, polygon in [(1, points), *((2, np.asarray(other)) for other in avoid_px)]:
        cv2.fillPoly(region, [np.round((polygon / REGION_SCALE - low) * 16).astype(np.int32)], value, shift=4)
    scale = np.float32(1.0 / REGION_SCALE)
    side = nearest(region, x * scale - np.float32(low[0]), y * scale - np.float32(low[1]))
    cloth = side == (1 if away > 0 else 0)
    wrong = np.where(offsets > 0, cloth, ~cloth) & (np.abs(offsets) > OWN_SIDE_PX)
    own: Bools = ~wrong & (side != 2)
    return own


def _closed_path(cost: Floats) -> NDArray[np.intp]:
    """(N,) column of least total cost in each row, neighbours at most ``MOST_BEND`` apart, first and last joined.

    Viterbi's algorithm over the rows, carried on past the seam at either end so that it has neighbours there.
    """
    rows, columns = cost.shape
    lead = min(rows, SEAM_ROWS)
    order = np.concatenate([np.arange(rows - lead, rows), np.arange(rows), np.arange(lead)])
    bend = np.arange(-MOST_BEND, MOST_BEND + 1)
    penalty = BEND_COST * np.abs(bend)
    padded_totals = np.full((len(order), columns + 2 * MOST_BEND), np.inf)
    totals = padded_totals[:, MOST_BEND:-MOST_BEND]
    totals[:] = cost[order]
    reached = np.empty((len(bend), columns))
    windows = np.lib.stride_tricks.sliding_window_view(padded_totals, columns, axis=1)
    for before, total in zip(windows, totals[1:], strict=False):
        np.add(before, penalty[:, None], out=reached)
        total += np.minimum.reduce(reached)
    at = int(totals[-1].argmin())
    path = [at]
    for before in padded_totals[-2::-1]:
        at += int(bend[(before[at : at + len(bend)] + penalty).argmin()])
        path.append(at)
    return np.array(path[::-1])[lead : lead + rows]
