"""Edges fitted between given breaks of an outline, and the joints where they meet."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatmeasure.edges.curves import Smooth, fit_curve, fit_edge, followed
from flatmeasure.photos.camera import Points

ROUNDED_MM = 2.0  # blur rounds a right angle this far on either side
ROUNDED_STEPS = 1.0  # and the points next to a corner, whose profiles cross both edges, in steps of the chain
FARTHEST_MM = 8.0  # from where a corner was found to where its edges meet
NEAR_MM = 1.0  # a break need not be placed better, being in the middle of a gap
PARALLEL = 0.02  # sine of an angle at which two edges have no crossing worth the name
FEWEST_POINTS = 4  # of an edge


@dataclass(frozen=True, eq=False)
class Chain:
    """An outline's points.

    Attributes
    ----------
    points_mm : (N, 2) array
    u_mm : (N,) array
    places : (N + 1,) array
        Length along the chain to each point and, last, all round.
    """

    points_mm: Points
    u_mm: Points
    places: Points

    @property
    def around_mm(self) -> float:
        return float(self.places[-1])

    @cached_property
    def step_mm(self) -> float:
        return float(np.median(np.diff(self.places)))


@dataclass(frozen=True, eq=False)
class Break:
    """Where one edge ends and the next begins.

    Attributes
    ----------
    place : float
        Along the chain.
    gap_mm : float
        Left out of the fits on either side, since blur rounds the outline there.
    at_mm : (2,) array or None
        The joint, where two edges pass into each other without a kink and cannot be intersected.
    u_along_mm : float
        Standard uncertainty of such a joint along the outline.
    is_exact : bool
        The joint is ``at_mm`` itself, not the place on the edges nearest to it.
    """

    place: float
    gap_mm: float = ROUNDED_MM
    at_mm: Points | None = None
    u_along_mm: float = 0.0
    is_exact: bool = False


@dataclass(frozen=True, eq=False)
class Joint:
    """Where edge a ends and edge b starts.

    Attributes
    ----------
    at_mm : (2,) array
    t_a, t_b : float
        Parameters of the two fits.
    turn_rad : float
        Positive to the left.
    u_along_mm : float
        As in `Break`; zero where the edges cross.
    """

    at_mm: Points
    t_a: float
    t_b: float
    turn_rad: float
    u_along_mm: float = 0.0

    @property
    def sine(self) -> float:
        """Of the turn, never zero."""
        return float(np.copysign(max(abs(np.sin(self.turn_rad)), PARALLEL), np.sin(self.turn_rad)))


@dataclass(frozen=True, eq=False)
class Fits:
    """Edges and joints of one chain, each found once."""

    chain: Chain
    _done: dict[tuple[float, ...], Smooth] = field(default_factory=dict)
    _joined: dict[tuple[float, ...], Joint] = field(default_factory=dict)

    def edge(self, start: Break, end: Break) -> Smooth:
        key = _key(start, end)
        if key not in self._done:
            inside = between(self.chain, start, end)
            self._done[key] = fit_edge(self.chain.points_mm[inside], self.chain.u_mm[inside])
        return self._done[key]

    def inside(self, around: Sequence[Break]) -> NDArray[np.intp]:
        """Indices of the points that the edges between some breaks are fitted to."""
        return np.concatenate([between(self.chain, a, b) for a, b in pairwise(around)])

    def whole(self, around: Sequence[Break], closed: bool) -> Smooth:
        """One edge from the first to the last of some breaks, fitted to the same points as the edges between them."""
        key = _key(*around)
        if key not in self._done:
            inside = self.inside(around)
            points, u = self.chain.points_mm[inside], self.chain.u_mm[inside]
            self._done[key] = fit_curve(points, u, closed=True) if closed else fit_edge(points, u)
        return self._done[key]

    def followed(self, breaks: Sequence[Break]) -> list[Smooth]:
        """The edges as their points show them, all alike."""
        return [self._followed(a, b, 0.0) for a, b in _sides(breaks)]

    def measured(self, breaks: Sequence[Break], closely: Sequence[Smooth]) -> list[Smooth]:
        """The edges, given as followed, as measures need them: faint ones followed no closer than points are sure."""
        pairs = zip(_sides(breaks), closely, strict=True)
        return [self._followed(a, b, 1.0) if edge.is_faint else edge for (a, b), edge in pairs]

    def _followed(self, start: Break, end: Break, near_enough: float) -> Smooth:
        points_mm = self.chain.points_mm[between(self.chain, start, end)]
        return followed(self.edge(start, end), points_mm, near_enough)

    def edges(self, breaks: Sequence[Break]) -> list[Smooth]:
        """Edge i runs from break i to the next."""
        return [self.edge(start, end) for start, end in _sides(breaks)]

    def joints(self, breaks: Sequence[Break]) -> list[Joint]:
        return [self._joint(breaks[i - 1], b, breaks[(i + 1) % len(breaks)]) for i, b in enumerate(breaks)]

    def _joint(self, before: Break, at: Break, after: Break) -> Joint:
        key = _key(before, at, after)
        if key not in self._joined:
            self._joined[key] = joint(self.edge(before, at), self.edge(at, after), at)
        return self._joined[key]


def _sides(breaks: Sequence[Break]) -> Iterator[tuple[Break, Break]]:
    """Every break with the next, the last with the first."""
    return zip(breaks, [*breaks[1:], *breaks[:1]], strict=True)


def _key(*breaks: Break) -> tuple[float, ...]:
    return tuple(x for b in breaks for x in (b.place, b.gap_mm))


def chain_of(points_mm: Points, u_mm: Points) -> Chain:
    steps = np.linalg.norm(np.diff(points_mm, axis=0, append=points_mm[:1]), axis=1)
    return Chain(points_mm, u_mm, np.concatenate([[0.0], np.cumsum(steps)]))


def between(chain: Chain, start: Break, end: Break) -> NDArray[np.intp]:
    """Indices of the points between two breaks, in order, but for those that blur may have moved."""
    around = chain.around_mm
    span = (end.place - start.place) % around or around
    ahead = (chain.places[:-1] - start.place) % around
    rounded_mm = ROUNDED_STEPS * chain.step_mm
    gaps = [max(b.gap_mm, rounded_mm) if b.at_mm is None else b.gap_mm for b in (start, end)]
    skip = np.minimum(gaps, 0.3 * span)
    inside = np.flatnonzero((ahead >= skip[0]) & (ahead <= span - skip[1]))
    return inside[np.argsort(ahead[inside], kind="stable")]


def settle(fits: Fits, breaks: Sequence[Break]) -> list[Break]:
    """Sharp corners moved to where their edges meet; of two that come to lie too near each other, one."""
    moved = [_moved(fits.chain, b, joint) for b, joint in zip(breaks, fits.joints(breaks), strict=True)]
    kept: list[Break] = []
    for b in sorted(moved, key=lambda b: b.place):
        if not kept or len(between(fits.chain, kept[-1], b)) >= FEWEST_POINTS:
            kept.append(b)
    if len(kept) > 1 and len(between(fits.chain, kept[-1], kept[0])) < FEWEST_POINTS:
        kept.pop()
    return kept


def _meet(a: Smooth, b: Smooth) -> Joint:
    """Crossing of the end of one fit, carried on, with the start of the next, by Newton's method."""
    t_a, t_b = a.last, b.first
    for _ in range(12):
        (at_a, speed_a), (at_b, speed_b) = a.point_and_speed(t_a), b.point_and_speed(t_b)
        between_them = _cross(speed_a, speed_b)
        if abs(between_them) < PARALLEL:
            break
        apart = at_a - at_b
        step_a, step_b = -_cross(apart, speed_b) / between_them, _cross(speed_a, apart) / between_them
        t_a += min(max(step_a, -FARTHEST_MM), FARTHEST_MM)
        t_b += min(max(step_b, -FARTHEST_MM), FARTHEST_MM)
        if max(abs(step_a), abs(step_b)) < 1e-9:
            break
    return _joint(a, b, t_a, t_b)


def joint(a: Smooth, b: Smooth, at: Break) -> Joint:
    """Where two edges meet at a break."""
    return _meet(a, b) if at.at_mm is None else _touch(a, b, at)


def _touch(a: Smooth, b: Smooth, at: Break) -> Joint:
    """Joint of two edges at a place known beforehand."""
    assert at.at_mm is not None
    touching = _joint(a, b, a.nearest(at.at_mm, a.last), b.nearest(at.at_mm, b.first), at.u_along_mm)
    return replace(touching, at_mm=at.at_mm) if at.is_exact else touching


def _joint(a: Smooth, b: Smooth, t_a: float, t_b: float, u_along_mm: float = 0.0) -> Joint:
    (at_a, speed_a), (at_b, speed_b) = a.point_and_speed(t_a), b.point_and_speed(t_b)
    turn = float(np.arctan2(_cross(speed_a, speed_b), speed_a @ speed_b))
    return Joint(0.5 * (at_a + at_b), t_a, t_b, turn, u_along_mm)


def _cross(a: Points, b: Points) -> float:
    """Of two single vectors: as floats, since it is taken thousands of times."""
    return float(a[0] * b[1] - a[1] * b[0])


def _moved(chain: Chain, at: Break, joint: Joint) -> Break:
    """The break at its joint; left alone, and so the fits beside it, where it lies near enough."""
    place, gap_mm = _nearest(chain, at.place, joint.at_mm), _rounding(joint.turn_rad)
    near = abs(place - at.place) <= NEAR_MM and abs(gap_mm - at.gap_mm) <= NEAR_MM
    return at if near else Break(place, gap_mm)


def _nearest(chain: Chain, place: float, at_mm: Points) -> float:
    """Place along the chain nearest to a corner, not far from where it was found."""
    around = chain.around_mm
    apart = np.abs((chain.places[:-1] - place + 0.5 * around) % around - 0.5 * around)
    distance = np.where(apart < FARTHEST_MM, np.linalg.norm(chain.points_mm - at_mm, axis=1), np.inf)
    return float(chain.places[int(np.argmin(distance))])


def _rounding(turn_rad: float) -> float:
    """How far from a corner blur moves the outline: the farther, the narrower the tip."""
    opening = 0.5 * (np.pi - abs(turn_rad))
    return float(np.clip(0.6 * ROUNDED_MM / np.tan(max(opening, 0.02)), ROUNDED_MM, 15.0))
