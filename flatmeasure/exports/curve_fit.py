"""Lines of many points as few smooth pieces: straight lines and cubic Bezier curves, or straight lines and arcs.

A piece reaches as far as it stays within the tolerance of the points and keeps their length, then the next begins there
with the same tangent: the whole is smooth (G1) between its kinks, which stay exactly where they are. Where no smooth
piece follows the points, straight lines from point to point do.

Cubics with given end tangents by least squares: P. J. Schneider, "An algorithm for automatically fitting digitized
curves", Graphics Gems, 1990, pages 612 to 626. Pairs of arcs (biarcs) with given end tangents: K. M. Bolton, "Biarc
curves", Computer-Aided Design 7(2), 1975; here the pair with equal tangent lengths.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import line_length
from flatmeasure.polygons import cross

ON_CHORD_MM = 1e-5  # a point this near to the chord of its neighbours says nothing
STRAIGHT_MM = 0.002  # points this near to a chord are rounding
SMOOTH_COS = np.cos(np.radians(0.1))  # a straight line joins smoothly where the tangents turn no more
KINK_DEG, KINK_TIMES = 3.0, 3.0  # a sharper turn than this, and so many times its neighbours', is a kink
DAMPING = 1e-5  # Levenberg's, in parts of the handles' weights: where the points hardly tell, a handle stays
SHORTEST_HANDLE = 0.1  # of a cubic's length, usually a third: with none it has a kink at its end
ROUNDS = 4  # of placing the points along a cubic and fitting it anew
LONG_TIMES = 4.0  # a step so much longer than the next is a straight line

Vector = NDArray[np.float64]

_PLACES = np.linspace(0.0, 1.0, 129)  # along a piece, where it is compared with the points
_FINE_PLACES = np.linspace(0.0, 1.0, 385)  # along a cubic, for arcs to follow: the chords between hardly leave it


@dataclass(frozen=True)
class Closeness:
    """How much a drawn line may differ from its points.

    Attributes
    ----------
    line_mm : float
        Anywhere; a plotter's pen or a laser's beam shows less.
    length_mm : float
        In its whole length.
    area_mm : float
        On the whole: area between points and drawn line over the length.
    """

    line_mm: float
    length_mm: float
    area_mm: float


CUBICS_TO_POINTS = Closeness(0.03, 0.005, 0.008)
ARCS_TO_POINTS = Closeness(0.03, 0.005, 0.002)
ARCS_TO_CUBICS = Closeness(0.02, 0.002, 0.001)


@dataclass(frozen=True, eq=False)
class Cubic:
    """A cubic Bezier curve by its control points (4, 2)."""

    control_mm: Points

    @property
    def end(self) -> Points:
        return np.asarray(self.control_mm[3])

    def points(self, places: Vector = _PLACES) -> Points:
        """(K, 2) points along it."""
        return _bernstein(places) @ self.control_mm


@dataclass(frozen=True, eq=False)
class Arc:
    """A circular arc, or a straight line where the bulge is 0.

    Attributes
    ----------
    start, end : (2,) array
    bulge : float
        Tangent of a quarter of the angle it spans, positive to the left (as in DXF).
    """

    start: Points
    end: Points
    bulge: float

    def points(self, places: Vector = _PLACES) -> Points:
        """(K, 2) points along it, or its ends where it is straight."""
        return self._at(places) if self.bulge else np.array([self.start, self.end])

    def chords(self, off_mm: float) -> Points:
        """(K, 2) points along it whose chords leave it by no more than this."""
        angle = 4.0 * abs(np.arctan(self.bulge))
        if angle == 0.0:
            return np.array([self.start, self.end])
        radius = float(np.hypot(*(self.end - self.start))) / (2.0 * np.sin(angle / 2.0))
        widest = 2.0 * np.arccos(max(1.0 - off_mm / radius, 0.0))
        return np.vstack([self._at(np.linspace(0.0, 1.0, int(np.ceil(angle / widest)) + 1))[:-1], self.end])

    def _at(self, places: Vector) -> Points:
        chord = self.end - self.start
        left = np.array([-chord[1], chord[0]])
        centre = (self.start + self.end) / 2.0 + left * (1.0 - self.bulge**2) / (4.0 * self.bulge)
        angle = 4.0 * np.arctan(self.bulge) * places
        x, y = self.start - centre
        turned = np.column_stack([x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)])
        return np.asarray(centre + turned)


Piece = Cubic | Arc  # an Arc without bulge is a straight line
Fit = Callable[[Points, Points, Points], tuple[Piece, ...] | None]  # points and both end tangents (2,)


def fit_cubics(line_mm: Points) -> tuple[Piece, ...]:
    """Straight lines and cubics along a line of points (N, 2); closed when its last point is its first."""
    return _fitted(line_mm, _cubic, CUBICS_TO_POINTS)


def fit_arcs(line_mm: Points) -> tuple[Arc, ...]:
    """Straight lines and arcs along a line of points (N, 2); closed when its last point is its first.

    Either through some of the points, or along the cubics that `fit_cubics` gives: these run between coarse points as
    arcs through them can't. Whichever takes fewer arcs.
    """
    return min(_arcs(_fitted(line_mm, _biarc, ARCS_TO_POINTS)), _arcs_along_cubics(line_mm), key=len)


def _arcs_along_cubics(line_mm: Points) -> tuple[Arc, ...]:
    courses = [(piece, piece.points(_FINE_PLACES)) for piece in fit_cubics(line_mm)]
    whole = sum(line_length(points) for _, points in courses)
    arcs: list[Piece] = []
    for piece, points in courses:
        share = ARCS_TO_CUBICS.length_mm * line_length(points) / whole
        arcs += [piece] if isinstance(piece, Arc) else _fitted(points, _biarc, replace(ARCS_TO_CUBICS, length_mm=share))
    return _arcs(arcs)


def _arcs(pieces: Sequence[Piece]) -> tuple[Arc, ...]:
    return tuple(piece for piece in pieces if isinstance(piece, Arc))


def _fitted(line: Points, fit: Fit, close: Closeness) -> tuple[Piece, ...]:
    line = np.asarray(LineString(line).simplify(ON_CHORD_MM).coords)
    tangents, kinks = _tangents(line)
    budget = close.length_mm * _shares(line)
    pieces: list[Piece] = []
    stops = [*np.flatnonzero(kinks[1:-1]) + 1, len(line) - 1]
    first = 0
    while first < len(line) - 1:
        stop = next(at for at in stops if at > first)

        def tried(last: int, first: int = first) -> tuple[Piece, ...] | None:
            allowed = replace(close, length_mm=float(budget[last] - budget[first]))
            return _joined(line[first : last + 1], (tangents[first, 1], tangents[last, 0]), fit, allowed)

        found, first = _longest(line, (first, stop), tried)
        pieces += found
    return tuple(pieces)


def _shares(line: Points) -> Vector:
    """Share of the allowed change of length up to each point (N,): spread over the way and over the turning.

    A smooth line through points a step c apart is longer than theirs by c^2 / 24 r^2 of its length, r its radius.
    """
    step = np.diff(line, axis=0)
    size = np.linalg.norm(step, axis=1)
    turn = np.abs(np.arctan2(cross(step[:-1], step[1:]), np.sum(step[:-1] * step[1:], axis=1)))
    parts = [size / np.sum(size)]
    if np.any(turn > 0.0):
        parts.append((np.append(turn, 0.0) + np.append(0.0, turn)) / (2.0 * np.sum(turn)))
    return np.append(0.0, np.cumsum(np.mean(parts, axis=0)))


def _joined(points: Points, tangents: tuple[Vector, Vector], fit: Fit, close: Closeness) -> tuple[Piece, ...] | None:
    """What goes along points with given end tangents, if anything is close enough: a straight line, or a fit."""
    chord = _unit(points[-1:] - points[:1])[0]
    smooth = min(float(chord @ tangent) for tangent in tangents) > SMOOTH_COS
    if smooth and _off_chord(points) <= STRAIGHT_MM and _keeps([points[[0, -1]]], points, close):
        return (Arc(points[0], points[-1], 0.0),)
    pieces = fit(points, *tangents)
    return pieces if pieces is not None and _keeps([piece.points() for piece in pieces], points, close) else None


def _longest(
    line: Points, ends: tuple[int, int], tried: Callable[[int], tuple[Piece, ...] | None]
) -> tuple[tuple[Piece, ...], int]:
    """The pieces that reach farthest from the first of two points, and where they end."""
    first, stop = ends
    best = tried(first + 1) or (Arc(line[first], line[first + 1], 0.0),)
    reached, step = first + 1, 1
    refused = stop + 1
    while reached < stop and refused - reached > 1:
        last = min(reached + step, stop) if refused > stop else (reached + refused) // 2
        found = tried(last)
        if found is None:
            refused = last
        else:
            best, reached, step = found, last, 2 * step
    return best, reached


def _keeps(drawn: list[Points], points: Points, close: Closeness) -> bool:
    """Whether drawn lines follow points closely enough."""
    whole = np.concatenate([drawn[0], *(part[1:] for part in drawn[1:])])
    length = line_length(points)
    loop = np.concatenate([whole, points[-2:0:-1]]) - points[0]
    if abs(float(np.sum(cross(loop, np.roll(loop, -1, axis=0))))) > 2.0 * close.area_mm * length:
        return False
    if abs(sum(map(_smooth_length, drawn)) - length) > close.length_mm:
        return False
    return _near(whole, points, close.line_mm) and _near(points, whole, close.line_mm)


def _near(points: Points, line: Points, distance_mm: float) -> bool:
    """Whether points lie within a distance of a line."""
    course = LineString(line)
    shapely.prepare(course)
    return bool(np.all(shapely.dwithin(course, shapely.points(points), distance_mm)))


def _smooth_length(points: Points) -> float:
    """Length of a smooth curve from evenly placed points: the chords' error falls with their square (Richardson)."""
    fine = line_length(points)
    coarse = line_length(points[::2]) if len(points) > 2 else fine
    return fine + (fine - coarse) / 3.0


def _off_chord(points: Points) -> float:
    chord = LineString(points[[0, -1]])
    return float(np.max(shapely.distance(chord, shapely.points(points))))


def _tangents(line: Points) -> tuple[Points, NDArray[np.bool_]]:
    """Unit tangents (N, 2, 2) before and after each point, and which points (N,) are kinks or ends.

    Of the parabola through a point and its neighbours; beside a long step, which stands for many points on a straight
    line, that line's; at a kink or end, of the arc to the next point.
    """
    count = len(line)
    closed = bool(np.all(line[0] == line[-1])) and count > 3
    step = np.diff(line, axis=0)
    size = np.linalg.norm(step, axis=1, keepdims=True)
    unit = step / size
    before, after = np.vstack([unit[-1:], unit]), np.vstack([unit, unit[:1]])
    size_before, size_after = np.vstack([size[-1:], size]), np.vstack([size, size[:1]])
    middle = _unit(before * size_after + after * size_before)
    middle = np.where(size_before > LONG_TIMES * size_after, before, middle)
    middle = np.where(size_after > LONG_TIMES * size_before, after, middle)
    turn = np.degrees(np.abs(np.arctan2(cross(before, after), np.sum(before * after, axis=1))))
    if not closed:
        turn[[0, -1]] = 0.0
    around = np.maximum(np.append(turn[1:], turn[1]), np.append(turn[-2], turn[:-1]))
    kinks = (turn > KINK_DEG) & (turn > KINK_TIMES * around)
    if not closed:
        kinks[[0, -1]] = True
    tangents = np.stack([middle, middle], axis=1)
    for at in np.flatnonzero(kinks):
        tangents[at, 1] = _one_sided(after[at], middle[(at + 1) % count], kinks[(at + 1) % count])
        tangents[at, 0] = _one_sided(before[at], middle[at - 1], kinks[at - 1])
    return tangents, kinks


def _one_sided(chord: Vector, next_tangent: Vector, next_kink: bool) -> Vector:
    """The tangent at the end of a chord that an arc to its other end's tangent has there; unit vectors."""
    mirrored = 2.0 * float(chord @ next_tangent) * chord - next_tangent
    return chord if next_kink else np.asarray(mirrored)


def _unit(vectors: Points) -> Points:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-300))


def _bernstein(t: Vector) -> Points:
    s = 1.0 - t
    return np.column_stack([s**3, 3.0 * s**2 * t, 3.0 * s * t**2, t**3])


def _cubic(points: Points, start_tangent: Vector, end_tangent: Vector) -> tuple[Cubic] | None:
    """The cubic with given end tangents nearest to the points; None where its handles would point backward.

    The middles between points count half as much as the points: of a smooth line through coarse points, that one keeps
    the length of the points' line (it runs a third of the sagitta inside the points).
    After the first round only distances across the curve count, so that points may slide along it: that converges much
    faster than distances from a point's own place do.
    """
    middles = (points[:-1] + points[1:]) / 2.0
    points = np.insert(points, np.arange(1, len(points)), middles, axis=0)
    weight = np.where(np.arange(len(points)) % 2 == 0, 1.0, np.sqrt(0.5))[:, None]
    along = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1)))
    t = along / along[-1]
    control = points[[0, 0, -1, -1]] + along[-1] / 3.0 * np.array(
        [0.0 * start_tangent, start_tangent, -end_tangent, 0.0 * end_tangent]
    )
    handles = np.full(2, along[-1] / 3.0)
    across: Points | None = None
    for _ in range(ROUNDS):
        weights = _bernstein(t)
        ends = weights[:, :2].sum(axis=1)[:, None] * points[0] + weights[:, 2:].sum(axis=1)[:, None] * points[-1]
        rest = weight * (points - ends)
        columns = weight[:, :, None] * np.stack(
            [weights[:, 1, None] * start_tangent, -weights[:, 2, None] * end_tangent], axis=-1
        )
        if across is None:
            system, wanted = columns.reshape(-1, 2), rest.ravel()
        else:
            system, wanted = np.einsum("nd,ndk->nk", across, columns), np.sum(across * rest, axis=1)
        damping = DAMPING * float(np.sum(columns**2)) * np.eye(2)
        handles = np.linalg.solve(system.T @ system + damping, system.T @ wanted + damping @ handles)
        if not np.all((handles > SHORTEST_HANDLE * along[-1]) & (handles < along[-1])):
            return None
        control[1] = points[0] + handles[0] * start_tangent
        control[2] = points[-1] - handles[1] * end_tangent
        t = _nearest(control, points, t)
        across = _unit(_speed(control, t) @ np.array([[0.0, 1.0], [-1.0, 0.0]]))
    return (Cubic(control),)


def _speed(control: Points, t: Vector) -> Points:
    s = 1.0 - t
    return np.asarray(np.column_stack([s**2, 2.0 * s * t, t**2]) @ (3.0 * np.diff(control, axis=0)))


def _nearest(control: Points, points: Points, t: Vector) -> Vector:
    """A Newton step for the places on a cubic that are nearest to points."""
    off = _bernstein(t) @ control - points
    speed = _speed(control, t)
    bend = np.column_stack([1.0 - t, t]) @ (6.0 * np.diff(control, 2, axis=0))
    slope = np.sum(speed**2 + off * bend, axis=1)
    moved = np.where(slope > 0.0, t - np.sum(off * speed, axis=1) / np.where(slope > 0.0, slope, 1.0), t)
    return np.asarray(np.clip(moved, 0.0, 1.0))


def _biarc(points: Points, start_tangent: Vector, end_tangent: Vector) -> tuple[Arc, Arc] | None:
    """Two arcs that join smoothly, with given tangents at both ends."""
    chord = points[-1] - points[0]
    both = start_tangent + end_tangent
    apart = 2.0 * (1.0 - float(start_tangent @ end_tangent))
    across, square = float(chord @ both), float(chord @ chord)
    if across <= 0.0 or square == 0.0:
        return None
    # apart d^2 + 2 (chord . both) d - chord^2 = 0, in the form that stands apart = 0
    size = square / (across + np.sqrt(across**2 + apart * square))
    joint = (points[0] + size * start_tangent + points[-1] - size * end_tangent) / 2.0
    first = _bulge(start_tangent, joint - points[0])
    second = _bulge(points[-1] - joint, end_tangent)
    return Arc(points[0], joint, first), Arc(joint, points[-1], second)


def _bulge(before: Vector, after: Vector) -> float:
    """Of an arc between its tangent and its chord, or its chord and its tangent: they are half its angle apart."""
    half = np.arctan2(cross(before, after), float(before @ after))
    return float(np.tan(half / 2.0))
