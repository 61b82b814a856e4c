"""Corners and edges of garment panels whose outlines are noisy as pictures make them.

The panels are drawn by formula, in many sizes and proportions. Their noise is that of outlines of rendered scenes held
against the truth: white, and shared by neighbours over 10 and over 50 mm; bumps where a line or a stripe meets the
outline; corners rounded by blur; some panels with one stretch where cloth and ground look alike.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatmeasure.edges.fitting import FittedOutline, fit_outline

Points = NDArray[np.float64]
Random = np.random.Generator

SEEDS = 25
SPACING_PX = 3.5  # of outline points
ALIKE_SHARE = 0.2  # of panels, with a stretch where cloth and ground look alike
REACH_MM = 4.0  # a corner found this near is found
FINE_MM = 0.2  # of the outline before it is seen


@dataclass(frozen=True, eq=False)
class Seen:
    """A panel as a picture shows it, and its truth: edge i from corner i to the next."""

    points_mm: Points
    u_mm: Points
    weak: NDArray[np.bool_]
    corners_mm: Points
    lengths_mm: Points


@dataclass(frozen=True, eq=False)
class Score:
    """A fitted panel against its truth."""

    found: int
    true: int
    given: int
    errors_mm: Points  # of edges between found corners
    z: Points  # error over stated uncertainty
    whole: int


def print_edges() -> None:
    """A table by kind of panel, and all together."""
    print(f"edges: {SEEDS} panels of each kind")
    print(
        f"  {'kind':16s} {'recall':>7s} {'precision':>9s} {'whole':>6s} {'median mm':>9s} {'p95 mm':>7s} {'rms z':>6s}",
        end="",
    )
    print(f" {'|z|<2':>6s}")
    rows = {kind: [score(fitted(seen), seen) for seen in panels(kind)] for kind in KINDS}
    for kind, scores in rows.items():
        print(_row(kind, scores))
    print(_row("all", [s for scores in rows.values() for s in scores]))


def panels(kind: str, seeds: int = SEEDS) -> list[Seen]:
    """Panels of a kind, always the same."""
    out = []
    for seed in range(seeds):
        random = np.random.default_rng([seed, *kind.encode()])
        out.append(as_seen(KINDS[kind](random), random))
    return out


def fitted(seen: Seen) -> FittedOutline:
    return fit_outline(seen.points_mm, seen.u_mm, seen.weak)


def score(fit: FittedOutline, seen: Seen) -> Score:
    """Corners by mutual nearness; edges in one or more parts between found corners."""
    apart = np.linalg.norm(seen.corners_mm[:, None] - fit.corners_mm[None], axis=2)
    nearest = apart.argmin(axis=1)
    matched = {j: int(i) for j, i in enumerate(nearest) if apart[j, i] < REACH_MM and apart[:, i].argmin() == j}
    count, errors, z = len(fit.edges), [], []
    for j, length in enumerate(seen.lengths_mm):
        if j in matched and (j + 1) % len(seen.lengths_mm) in matched:
            start, end = matched[j], matched[(j + 1) % len(seen.lengths_mm)]
            path = [fit.edges[(start + k) % count] for k in range((end - start) % count or count)]
            errors.append(sum(edge.length_mm for edge in path) - length)
            if len(path) == 1:
                z.append(errors[-1] / path[0].u_length_mm)
    return Score(len(matched), len(apart), apart.shape[1], np.array(errors), np.array(z), len(z))


def _row(name: str, scores: list[Score]) -> str:
    found, true, given, whole = (sum(getattr(s, k) for s in scores) for k in ("found", "true", "given", "whole"))
    errors, z = (np.abs(np.concatenate([getattr(s, k) for s in scores])) for k in ("errors_mm", "z"))
    figures = (found / true, found / given, whole / true, np.median(errors), np.percentile(errors, 95))
    spread = np.sqrt(np.mean(np.minimum(z, 10.0) ** 2)), np.mean(z < 2.0)
    return f"  {name:12s}" + "".join(f"{figure:10.3f}" for figure in (*figures, *spread))


def as_seen(edges: list[Points], random: Random) -> Seen:
    """The outline of edges (finely drawn, each ending where the next begins) with a picture's noise."""
    lengths = np.array([np.sum(np.linalg.norm(np.diff(edge, axis=0), axis=1)) for edge in edges])
    corners = np.array([edge[0] for edge in edges])
    mm_per_px = random.uniform(0.45, 0.75)
    fine = _even(np.vstack([edge[:-1] for edge in edges]), FINE_MM)
    rounded = np.column_stack([_smooth(c, 0.8 * mm_per_px / FINE_MM) for c in fine.T])
    points = _even(np.roll(rounded, random.integers(len(fine)), axis=0), SPACING_PX * mm_per_px)
    noise, u, weak = _noise(len(points), mm_per_px, random)
    at_corner = np.linalg.norm(points[:, None] - corners[None], axis=2).min(axis=1) < 0.5 * SPACING_PX * mm_per_px
    noise += at_corner * random.normal(0.0, 0.4, len(points))
    ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    across = np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.linalg.norm(ahead, axis=1, keepdims=True)
    return Seen(points + noise[:, None] * across, u, weak, corners, lengths)


def _noise(count: int, mm_per_px: float, random: Random) -> tuple[Points, Points, NDArray[np.bool_]]:
    """Noise across the outline, its stated uncertainty, and which points are called weak."""
    step = SPACING_PX * mm_per_px
    u = mm_per_px * np.hypot(0.08, np.exp(random.normal(np.log(random.uniform(0.03, 0.15)), 0.4, count)))
    shared = sum(
        share * _unit_sd(_smooth(random.normal(size=count), w / step)) for share, w in ((0.5, 5.0), (0.5, 25.0))
    )
    noise = u * (0.7 * random.normal(size=count) + shared)
    weak = random.uniform(size=count) < 0.01
    for _ in range(random.poisson(count * step / 500.0)):
        bump = np.roll(
            np.exp(-0.5 * ((np.arange(count) - count // 2) * step / random.uniform(3.0, 10.0)) ** 2),
            random.integers(count),
        )
        height = random.choice([-1.0, 1.0]) * random.exponential(0.35)
        noise += height * bump
        weak |= (abs(height) * bump > 0.3) & (random.uniform(size=count) < 0.5)
    if random.uniform() < ALIKE_SHARE:
        alike = np.roll(np.arange(count) * step < random.uniform(40.0, 150.0), random.integers(count))
        noise += alike * (random.normal(0.0, 0.3, count) + 2.0 * _smooth(random.normal(size=count), 6.0 / step))
        u, weak = np.where(alike, 3.0 * u, u), weak | (alike & (random.uniform(size=count) < random.uniform(0.2, 0.8)))
    return noise, np.where(weak, np.maximum(u, mm_per_px), u), weak


def _unit_sd(values: Points) -> Points:
    return values / np.std(values)


def _smooth(values: Points, sigma: float) -> Points:
    """Gaussian mean round a ring."""
    reach = min(int(4 * sigma) + 1, len(values) // 2)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.convolve(np.pad(values, reach, mode="wrap"), kernel / kernel.sum(), "valid")


def _even(points: Points, step_mm: float) -> Points:
    ring = np.vstack([points, points[:1]])
    places = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    even = np.linspace(0.0, places[-1], round(places[-1] / step_mm), endpoint=False)
    return np.column_stack([np.interp(even, places, ring[:, k]) for k in (0, 1)])


def bezier(*control: tuple[float, float] | Points) -> Points:
    """(N, 2) points of a Bezier curve of any degree; with two control points, a line."""
    points = np.tile(np.array(control, dtype=np.float64)[:, None], (1, 401, 1))
    t = np.linspace(0.0, 1.0, 401)[:, None]
    while len(points) > 1:
        points = (1 - t) * points[:-1] + t * points[1:]
    return points[0]


def bowed(a: Points, b: Points, depth: float) -> Points:
    """From a to b, bent to the right by a depth: outward, round an outline."""
    ahead = b - a
    return bezier(a, 0.5 * (a + b) + 2.0 * depth * np.array([ahead[1], -ahead[0]]) / np.hypot(*ahead), b)


def polygon(corners: Points, depths: dict[int, float] | None = None) -> list[Points]:
    """Edges between corners, some of them bowed outward."""
    ends = np.roll(corners, -1, axis=0)
    return [bowed(a, b, (depths or {}).get(i, 0.0)) for i, (a, b) in enumerate(zip(corners, ends, strict=True))]


def rounded(corners: Points, legs: dict[int, tuple[float, float]], random: Random) -> list[Points]:
    """Straight edges, some corners rounded: by arcs of circles, parabolas or freer curves, legs mm long."""
    stops, curves = [], {}
    for i, corner in enumerate(corners):
        back, ahead = (unit(corners[k % len(corners)] - corner) for k in (i - 1, i + 1))
        first, second = legs.get(i, (0.0, 0.0))
        start, end = corner + first * back, corner + second * ahead
        stops.append((start, end))
        if i in legs:
            opening = np.arccos(np.clip(back @ ahead, -1.0, 1.0))
            arc = 4.0 / 3.0 * np.tan((np.pi - opening) / 4.0) * np.tan(opening / 2.0)  # as near a circle as a cubic is
            handle = random.choice([arc, 2.0 / 3.0, random.uniform(0.5, 0.7)])
            curves[i] = bezier(start, start - handle * first * back, end - handle * second * ahead, end)
    edges: list[Points] = []
    for i in range(len(corners)):
        edges += [curves[i]] if i in curves else []
        edges.append(bezier(stops[i][1], stops[(i + 1) % len(corners)][0]))
    return edges


def unit(vector: Points) -> Points:
    return vector / np.hypot(*vector)


def gore(random: Random) -> list[Points]:
    width, waist, height = random.uniform(180, 500), random.uniform(70, 180), random.uniform(300, 700)
    corners = [
        (0, 0),
        (width, random.uniform(-10, 10)),
        (width / 2 + waist / 2, height),
        (width / 2 - waist / 2, height),
    ]
    hip = random.choice([0.0, random.uniform(2, 15)])
    return polygon(
        np.array(corners), {0: width * random.uniform(0.02, 0.08), 1: hip, 2: -random.uniform(0, 10), 3: hip}
    )


def bodice(random: Random) -> list[Points]:
    w, h, intake = random.uniform(180, 280), random.uniform(330, 450), random.uniform(12, 40)
    dart, tip = w * random.uniform(0.35, 0.5), random.uniform(90, 140)
    corners = np.array(
        [
            (0, 0),
            (dart, 3),
            (dart + intake / 2, tip),
            (dart + intake, 2),
            (w, 6),
            (w + 8, 0.5 * h),
            (0.72 * w, 0.95 * h),
            (0.27 * w, h),
            (-2, 0.75 * h),
        ]
    )
    edges = polygon(corners)
    under, shoulder, neck, front = corners[5:]
    edges[5] = bezier(
        under, under + np.array([-0.3 * w, 0.04 * h]), shoulder + np.array([-0.02 * w, -0.25 * h]), shoulder
    )
    edges[7] = bezier(neck, neck + np.array([-0.02 * w, -0.17 * h]), front + np.array([0.15 * w, 0.0]), front)
    return edges


def sleeve(random: Random) -> list[Points]:
    hem, width, seam, cap = (random.uniform(*r) for r in ((180, 280), (300, 420), (80, 400), (90, 160)))
    x = 0.5 * (width - hem)
    right, left = np.array([hem + x, seam]), np.array([-x, seam])
    top = np.array([hem / 2 + random.uniform(-15, 15), seam + cap])
    curve = bezier(
        right,
        right + np.array([-0.25 * width, 0.0]),
        top + np.array([0.3 * width, 0.0]),
        top,
    )
    other = bezier(top, top - np.array([0.3 * width, 0.0]), left + np.array([0.25 * width, 0.0]), left)
    return [
        *polygon(np.array([(0, 0), (hem, 0), right, left]))[:2],
        np.vstack([curve[:-1], other]),
        bezier(left, (0, 0)),
    ]


def collar(random: Random) -> list[Points]:
    length, depth, rise = random.uniform(300, 450), random.uniform(45, 80), random.uniform(5, 35)
    lean = random.uniform(-10, 25)
    corners = np.array([(0, 0), (length, 0), (length + lean, depth), (-lean, depth)])
    return polygon(corners, {0: rise, 2: -rise * random.uniform(0.6, 1.0)})


def scrap(random: Random) -> list[Points]:
    """An irregular remnant, corners of 8 degrees to 100, with a bay."""
    while True:
        turns = np.concatenate([random.uniform(8, 25, 3), random.uniform(25, 100, random.integers(4, 6))])
        turns = np.radians(random.permutation(turns * 360.0 / turns.sum()))
        sides = random.uniform(60, 200, len(turns))
        along = np.cumsum(turns)
        steps = sides[:, None] * np.column_stack([np.cos(along), np.sin(along)])
        corners = np.cumsum(steps, axis=0)
        closing = np.hypot(*(corners[0] - steps[0] - corners[-1]))
        corners = corners - np.linspace(0.0, 1.0, len(corners) + 1)[1:, None] * (corners[-1] - corners[0] + steps[0])
        ahead = np.roll(corners, -1, axis=0) - corners
        turned = np.degrees(
            np.arctan2(_cross(np.roll(ahead, 1, axis=0), ahead), np.sum(np.roll(ahead, 1, axis=0) * ahead, axis=1))
        )
        if closing < 600 and np.all(turned > 8) and np.hypot(*ahead.T).min() > 40:
            bay = int(np.argmax(np.hypot(*ahead.T)))
            return polygon(corners, {bay: -random.uniform(0.05, 0.25) * np.hypot(*ahead[bay])})


def _cross(a: Points, b: Points) -> Points:
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def remnant(random: Random) -> list[Points]:
    """Cut from the roll: straight but for one end, torn or cut by eye in a wave."""
    width, height = random.uniform(300, 600), random.uniform(200, 450)
    edges = polygon(
        np.array([(0, 0), (width, 0), (width + random.uniform(-40, 40), height), (random.uniform(-30, 30), height)])
    )
    a, b = edges[1][0], edges[1][-1]
    t = np.linspace(0.0, 1.0, 401)[:, None]
    wave = (
        random.uniform(2, 8) * np.sin(np.pi * t) * np.sin(2 * np.pi * random.uniform(1, 2) * t + random.uniform(0, 6))
    )
    edges[1] = edges[1] + wave * (unit(b - a)[::-1] * (1, -1))
    return edges


def box(random: Random) -> Points:
    w, h = random.uniform(250, 550), random.uniform(250, 600)
    return np.array(
        [(0, 0), (w, random.uniform(-15, 15)), (w + random.uniform(-30, 30), h), (random.uniform(-30, 30), h)]
    )


def one_rounded(random: Random) -> list[Points]:
    leg = random.uniform(25, 110)
    return rounded(box(random), {2: (leg, leg * random.uniform(0.9, 1.1))}, random)


def all_rounded(random: Random) -> list[Points]:
    leg = random.uniform(20, 80)
    return rounded(box(random), dict.fromkeys(range(4), (leg, leg)), random)


def pocket(random: Random) -> list[Points]:
    w, h = random.uniform(120, 180), random.uniform(130, 200)
    corners = np.array([(0, 0), (w, 0), (w, h), (0, h)])
    if random.uniform() < 0.5:
        return rounded(corners, {i: (r := random.uniform(15, 40), r) for i in (0, 1)}, random)
    cut = random.uniform(15, 40)
    return polygon(np.array([(cut, 0), (w - cut, 0), (w, cut), (w, h), (0, h), (0, cut)]))


def sash(random: Random) -> list[Points]:
    length, width, point = random.uniform(500, 900), random.uniform(40, 90), random.uniform(15, 50)
    return polygon(np.array([(0, 0), (length, 0), (length + point, width / 2), (length, width), (0, width)]))


def shirt(random: Random) -> list[Points]:
    """Half as wide again with its sleeves; shallow joints where neck, shoulder and sleeve pass into each other."""
    w, h, sleeve = random.uniform(380, 540), random.uniform(480, 650), random.uniform(120, 220)
    drop, neck = random.uniform(25, 60), random.uniform(140, 200)
    right = [(w, 0), (w, 0.68 * h), (w + 0.75 * sleeve, 0.6 * h), (w + sleeve, 0.6 * h + 130), (w / 2 + neck / 2, h)]
    corners = np.array([(0, 0), *right, *[(w - x, y) for x, y in right[:0:-1]]])
    return polygon(corners, {0: random.uniform(4, 12), 4: drop / 4, 5: -random.uniform(12, 30), 6: drop / 4})


def notched(random: Random) -> list[Points]:
    """A panel with notches cut out or standing out, 8 to 12 mm deep."""
    corners = box(random)
    outline: list[Points] = []
    for i, (a, b) in enumerate(pairwise([*corners, corners[0]])):
        outline.append(a)
        if i in (1, 3):
            depth, half = random.choice([-1, 1]) * random.uniform(8, 12), random.uniform(5, 7)
            at, ahead = a + random.uniform(0.3, 0.7) * (b - a), unit(b - a)
            outline += [at - half * ahead, at + depth * np.array([ahead[1], -ahead[0]]), at + half * ahead]
    return polygon(np.array(outline))


KINDS: dict[str, Callable[[Random], list[Points]]] = {
    kind.__name__: kind
    for kind in (gore, bodice, sleeve, collar, scrap, remnant, sash, shirt, pocket, notched, one_rounded, all_rounded)
}
