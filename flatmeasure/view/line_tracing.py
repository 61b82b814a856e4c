"""Long lines of a picture that bend no more than a lens bends them: a mat's border, joints of boards, a table's edge.

Segments found in a small picture are joined to chains, and each chain is followed on the full-size picture by matching
profiles across it with their own median: a step, a fine dark line or a border with its shadow are all followed alike.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.polynomial.legendre import legvander
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, Pixels

# Of the small picture, in its pixels and as shares of its long side.
SMALL_PX = 800
MOST_SEEDS, MOST_LINES = 80, 12  # the longest
SHORTEST_SEGMENT, SHORTEST_SEED, SHORTEST_LINE = 0.02, 0.05, 0.22
WIDEST_GAP = 0.15
OFF_CHAIN_PX, OFF_CHAIN_SLOPE = 1.5, 0.01  # a segment may lie off a chain by so much, and more across a gap
SLIGHT_TURN = 0.05  # rad between a segment and its chain
LEAST_COVERED = 0.5  # of a chain by its segments
STIFFNESS = 1e-3  # holds a chain of few segments straight
CHAIN_ROUNDS = 6

# Of the full-size picture.
HALF_SHARE, LEAST_HALF_PX = 0.002, 4.0  # of the long side: half a profile
SAMPLES, SUBPROFILES = 21, 4
SPACING_SHARE, MOST_PLACES = 0.006, 48  # of places along a line
FEWEST_PLACES = 15
ROUNDS, SMOOTH_ROUNDS = 3, 2  # of following; the first rounds with a parabola, later with two degrees more
LEAST_GAIN, LEAST_LIKE = 0.3, 0.5  # of the median profile in a place's own; share of its variance explained
OUTLIER, U_FLOOR_PX = 4.0, 0.03
LEAST_SEEN = 0.4  # of the places along a line
SAME_LINE_SHARE = 0.01  # of the long side: a border and its shadow bend alike
KEPT = 0.8  # of the least length, of a line followed

_TO_LEGENDRE = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.0 / 3.0, 0.0, 2.0 / 3.0]])  # of 1, x, x^2


@dataclass(frozen=True, eq=False)
class TracedLine:
    """A line followed in the picture.

    Attributes
    ----------
    points_px : (N, 2) array
        In order along the line.
    scatter_px : float
        Of each about a smooth curve.
    """

    points_px: Points
    scatter_px: float

    @property
    def length_px(self) -> float:
        """Of the chord."""
        return float(np.hypot(*(self.points_px[-1] - self.points_px[0])))


def trace_lines(photo: Photo) -> tuple[TracedLine, ...]:
    """The longest lines of a photo, whatever they belong to."""
    factor = -(-max(photo.width_px, photo.height_px) // SMALL_PX)  # a whole number: much faster than one that is not
    width, height = photo.width_px // factor, photo.height_px // factor
    whole = photo.rgb[: height * factor, : width * factor]
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    arcs = sorted(
        _chains(np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)),
        key=lambda arc: -np.hypot(*(arc[2] - arc[0])),
    )
    found: list[TracedLine] = []
    apart_px = SAME_LINE_SHARE * max(photo.width_px, photo.height_px)
    for arc in arcs:
        line = _follow(photo.rgb, (arc + 0.5) * factor - 0.5)
        if line is not None and not any(_same(line, other, apart_px) for other in found):
            found.append(line)
        if len(found) == MOST_LINES:
            break
    return tuple(found)


def _chains(grey: Pixels) -> Iterator[Points]:
    """Start, middle and end (3, 2) of shallow arcs along which segments of the picture lie."""
    longest = max(grey.shape)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(grey)[0]
    if found is None:
        return
    ends = found.reshape(-1, 2, 2).astype(np.float64)
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    ends, length = (values[length > SHORTEST_SEGMENT * longest] for values in (ends, length))
    free = np.ones(len(length), dtype=bool)
    for seed in np.argsort(-length)[:MOST_SEEDS]:
        if free[seed] and length[seed] > SHORTEST_SEED * longest:
            member, arc = _chain(ends, length, seed, longest)
            free[member] = False
            whole = float(np.hypot(*(arc[2] - arc[0])))
            if whole > SHORTEST_LINE * longest and length[member].sum() > LEAST_COVERED * whole:
                yield arc


def _chain(ends: Points, length: Points, seed: int, longest: int) -> tuple[NDArray[np.bool_], Points]:
    """Segments (M, 2, 2) in line with one of them, dark on the same side, and the parabola through them."""
    way = (ends[:, 1] - ends[:, 0]) / length[:, None]
    along, origin = way[seed], ends[seed].mean(axis=0)
    across = np.array([-along[1], along[0]])
    (start, stop), (v0, v1) = ((ends - origin) @ along).T / longest, ((ends - origin) @ across).T
    turned, ahead = way @ across, way @ along > 0  # then each starts before it stops
    member = np.arange(len(length)) == seed
    parabola = np.zeros(3)
    for _ in range(CHAIN_ROUNDS):
        low, high = start[member].min(), stop[member].max()
        gap = np.maximum(np.maximum(low - stop, start - high), 0.0)
        off = np.maximum(np.abs(v0 - np.polyval(parabola, start)), np.abs(v1 - np.polyval(parabola, stop)))
        turn = np.abs(turned - (parabola[0] * (start + stop) + parabola[1]) / longest)  # its slope half-way
        near = (off < OFF_CHAIN_PX + OFF_CHAIN_SLOPE * longest * gap) & (gap < WIDEST_GAP)
        joined = near & (turn < SLIGHT_TURN) & ahead
        joined[seed] = True
        if np.array_equal(joined, member) and parabola.any():
            break
        member = joined
        u, v = np.concatenate([start[member], stop[member]]), np.concatenate([v0[member], v1[member]])
        weight = np.tile(length[member], 2)
        powers = np.vander(u, 3)
        weighted = powers * weight[:, None]
        stiff = np.diag([STIFFNESS * float(weight.sum()) / 2.0, 0.0, 0.0])
        parabola = np.linalg.solve(weighted.T @ powers + stiff, weighted.T @ v)
    at = np.linspace(start[member].min(), stop[member].max(), 3)
    return member, origin + longest * at[:, None] * along + np.polyval(parabola, at)[:, None] * across


def _follow(rgb: Pixels, arc_px: Points) -> TracedLine | None:
    """The line near an arc, on the full-size picture; None where there is no one line all along it."""
    size = np.array(rgb.shape[1::-1])
    start, chord = arc_px[0], arc_px[2] - arc_px[0]
    length_px = float(np.hypot(*chord))
    across = np.array([-chord[1], chord[0]]) / length_px
    count = int(np.clip(length_px / (SPACING_SHARE * size.max()), FEWEST_PLACES, MOST_PLACES))
    x = (2.0 * np.arange(count) + 1.0) / count - 1.0
    beside = x[:, None] + ((np.arange(SUBPROFILES) + 0.5) / SUBPROFILES - 0.5) * 2.0 / count
    half_px = max(HALF_SHARE * float(size.max()), LEAST_HALF_PX)
    t = np.linspace(-half_px, half_px, SAMPLES)
    curve = np.array([1.0, 0.0, -1.0]) * float((arc_px[1] - (start + arc_px[2]) / 2.0) @ across) @ _TO_LEGENDRE
    seen = np.ones(count, dtype=bool)
    for round_ in range(ROUNDS):
        degree = 2 if round_ < SMOOTH_ROUNDS else 4
        offset = legvander(beside, len(curve) - 1) @ curve
        middle = start + (beside[..., None] + 1.0) / 2.0 * chord + offset[..., None] * across
        inside = np.all((middle > half_px) & (middle < size - 1 - half_px), axis=(1, 2))
        profiles = _profiles(rgb, middle, t[:, None] * across)
        if np.sum(inside & seen) < FEWEST_PLACES:
            return None
        shift_px, like = _shifts(profiles, inside & seen, t)
        seen = inside & like & (np.abs(shift_px) < half_px / 2.0)
        if seen.sum() < FEWEST_PLACES:
            return None
        off = legvander(x, len(curve) - 1) @ curve + shift_px
        curve, residual = _smooth(x, off, seen, degree)
        scatter_px = max(1.4826 * float(np.median(np.abs(residual[seen]))), U_FLOOR_PX)
        seen &= np.abs(residual) < OUTLIER * scatter_px
    points = (start + (x[:, None] + 1.0) / 2.0 * chord + off[:, None] * across)[seen]
    line = TracedLine(points, scatter_px)
    enough = seen.mean() > LEAST_SEEN and line.length_px > KEPT * SHORTEST_LINE * size.max()
    return line if enough else None


def _profiles(rgb: Pixels, middle: Points, reach: Points) -> Points:
    """(G, SAMPLES) light across a line, each the mean over some neighbouring ones; ``middle`` (G, M, 2)."""
    at = (middle[:, :, None] + reach).astype(np.float32).reshape(len(middle), -1, 2)
    light = cv2.remap(rgb, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(light.reshape(len(middle), -1, len(reach), 3).mean(axis=(1, 3)))


def _shifts(profiles: Points, seen: NDArray[np.bool_], t: Points) -> tuple[Points, NDArray[np.bool_]]:
    """By how much each profile is shifted against the median of those seen, and which ones are like it."""
    level = profiles - profiles.mean(axis=1, keepdims=True)
    usual = np.median(level[seen], axis=0)
    slope = np.gradient(usual, t)
    basis = np.stack([usual - usual.mean(), slope - slope.mean()], axis=1)
    gain, by_slope = np.linalg.lstsq(basis, level.T, rcond=None)[0]
    left = np.sum((level - (basis @ [gain, by_slope]).T) ** 2, axis=1)
    like = (gain > LEAST_GAIN) & (left < (1.0 - LEAST_LIKE) * np.sum(level**2, axis=1))
    return -by_slope / np.maximum(gain, LEAST_GAIN), like


def _smooth(x: Points, off: Points, seen: NDArray[np.bool_], degree: int) -> tuple[Points, Points]:
    """Legendre coefficients of a robust smooth curve (Cauchy weights), and what is off it."""
    basis, weight = legvander(x, degree), seen.astype(np.float64)
    for _ in range(SMOOTH_ROUNDS + 1):
        weighted = basis * weight[:, None]
        curve = np.linalg.lstsq(weighted.T @ basis, weighted.T @ off, rcond=None)[0]
        residual = off - basis @ curve
        spread = max(1.4826 * float(np.median(np.abs(residual[seen]))), U_FLOOR_PX)
        weight = seen / (1.0 + (residual / (2.0 * spread)) ** 2)
    return np.asarray(curve), residual


def _same(line: TracedLine, other: TracedLine, apart_px: float) -> bool:
    """Do two lines run along each other, nearer than given?"""
    way = (other.points_px[-1] - other.points_px[0]) / other.length_px
    off = np.abs((line.points_px[[0, len(line.points_px) // 2, -1]] - other.points_px[0]) @ [-way[1], way[0]])
    return bool(np.median(off) < apart_px)
