"""Straight lines and smooth curves through noisy points, with the covariance of what was fitted.

Both are least-squares splines (C. de Boor, "A Practical Guide to Splines", 1978, chapter XIV): a line is one piece of
degree 1, a curve has as many cubic pieces as an information criterion grants (H. Akaike, "A new look at the statistical
model identification", 1974; G. Schwarz, "Estimating the dimension of a model", 1978). So fitted, noise does not
lengthen a curve.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from flatmeasure.edges.splines import Basis
from flatmeasure.photos.camera import Points
from flatmeasure.polygons import cross

CORRELATED_MM = 12.0  # points nearer than this count as one when the shape is judged
THREAD_MM = 3.0  # and when it is followed faithfully
FAINT_MM = 0.15  # usual uncertainty of the points of a faint edge
PIECES = (1, 2, 3, 4, 5, 7, 9, 12, 15, 19, 24, 31, 41, 53)
SHORTEST_PIECE_MM = 10.0
USUAL_PIECE_MM = 30.0
STRAIGHT_MM = 0.6  # an edge that departs less from its chord is straight: what a cutter cannot see
STRAIGHT_SHARE = 0.001  # nor this share of the chord
SHORTEST_CURVE_MM = 12.0
OUTLIER = 2.5  # residuals beyond so many u lose their weight
OUTLIERS_MM = 12.0  # longest stretch of outliers
SURE_PERCENTILE, WORST_U = 10.0, 20.0  # a point's u is taken as no more than so many times that of the surest tenth
# A curve along which fewer of the points follow one another, or of another length than from point to point, ran wild.
LEAST_IN_ORDER, SHORTEST_SHARE, LONGEST_SHARE = 0.6, 0.3, 1.1
GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True, eq=False)
class Smooth:
    """A line or curve fitted to points.

    Attributes
    ----------
    basis : Basis
        Over t, about the length along the curve in mm.
    coefficients : (K, 2) array
        Of the curve, mm.
    covariance : (K, K) array
        Of the coefficients, in the same basis, of a displacement across the curve, mm2.
    t : (N,) array
        Parameter of each given point.
    residuals_mm : (N,) array
        Distance of each point from the curve, positive to the left.
    u_mm : (N,) array
        Stated uncertainty of each point.
    weights : (N,) array
        0 to 1: how far each point was trusted.
    """

    basis: Basis
    coefficients: Points
    covariance: Points
    t: Points
    residuals_mm: Points
    u_mm: Points
    weights: Points

    @property
    def is_faint(self) -> bool:
        """Whether its points are so unsure that they err together over longer stretches."""
        return bool(np.median(self.u_mm) > FAINT_MM)

    @property
    def is_line(self) -> bool:
        return self.basis.degree == 1

    @property
    def first(self) -> float:
        return float(self.t[0])

    @property
    def last(self) -> float:
        return float(self.t[-1])

    @property
    def span(self) -> float:
        """Range of t: once round for a closed curve."""
        return self.basis.span

    @property
    def freedom(self) -> int:
        """Number of parameters across the curve."""
        return self.basis.count

    def at(self, t: Points, derivative: int = 0) -> Points:
        """(N, 2) points, or derivatives, at parameters (N,)."""
        return self.basis.rows(t, derivative) @ self.coefficients

    def point_and_speed(self, t: float) -> tuple[Points, Points]:
        """(2,) point and (2,) derivative at one parameter."""
        return self.basis.point_and_speed(self.coefficients, t)

    def direction(self, t: float) -> Points:
        """(2,) unit tangent."""
        speed = self.point_and_speed(t)[1]
        return np.asarray(speed / np.linalg.norm(speed))

    def curvature(self, t: Points) -> Points:
        """(N,) curvature, 1/mm, positive to the left."""
        speed, bend = self.at(t, 1), self.at(t, 2)
        return np.asarray(cross(speed, bend) / np.maximum(np.linalg.norm(speed, axis=1), 1e-9) ** 3)

    def u_across(self, t: float) -> float:
        """Standard uncertainty of the curve's place across itself, mm."""
        row = self.basis.rows(np.array([t]))[0]
        return float(np.sqrt(row @ self.covariance @ row))

    def u_direction_deg(self, t: float) -> float:
        row = self.basis.rows(np.array([t]), 1)[0] / np.linalg.norm(self.point_and_speed(t)[1])
        return float(np.degrees(np.sqrt(row @ self.covariance @ row)))

    def nearest(self, point_mm: Points, guess: float) -> float:
        """Parameter of the curve's point nearest to a point, from a guess."""
        t = guess
        for _ in range(20):
            point, speed = self.point_and_speed(t)
            move = float((point_mm - point) @ speed / (speed @ speed))
            t += move
            if abs(move) < 1e-9:
                break
        return t

    def length(self, start: float, end: float) -> float:
        """Length between two parameters, by Gauss-Legendre quadrature between knots."""
        t, dt = self._nodes(start, end)
        return float(np.sum(np.linalg.norm(self.at(t, 1), axis=1) * dt))

    def length_gradient(self, start: float, end: float) -> Points:
        """(K,) change of the length between two parameters per unit displacement coefficient, ends not moved along.

        A curve displaced to its left by d grows by minus the integral of curvature times d.
        """
        if self.is_line:
            return np.zeros(self.freedom)
        t, dt = self._nodes(start, end)
        turning = self.curvature(t) * np.linalg.norm(self.at(t, 1), axis=1)
        return np.asarray(-(turning * dt) @ self.basis.rows(t))

    def _nodes(self, start: float, end: float) -> tuple[Points, Points]:
        inner = self.basis.knots
        bounds = np.concatenate([[start], inner[(inner > start) & (inner < end)], [end]])
        half = 0.5 * np.diff(bounds)
        nodes = 0.5 * (bounds[:-1] + bounds[1:])[:, None] + half[:, None] * GAUSS_NODES
        return nodes.ravel(), (half[:, None] * GAUSS_WEIGHTS).ravel()


def fit_edge(points_mm: Points, u_mm: Points) -> Smooth:
    """A line where the points depart from one by less than a cutter can see or noise explains, else a curve.

    Parameters
    ----------
    points_mm : (N, 2) array
        In order along the edge, N >= 2.
    u_mm : (N,) array
    """
    line = fit_line(points_mm, u_mm)
    length = line.span
    if len(points_mm) < 10 or length < SHORTEST_CURVE_MM:
        return line
    least = max(STRAIGHT_MM, STRAIGHT_SHARE * length)
    if _bow(line) < 0.5 * least:
        return line
    curve = fit_curve(points_mm, u_mm)
    t = np.linspace(curve.first, curve.last, 41)
    along = curve.at(t) - curve.at(t[:1])
    depth = np.abs(cross(along, along[-1])) / max(float(np.linalg.norm(along[-1])), 1e-9)
    deepest = int(np.argmax(depth))
    noise = 3.0 * curve.u_across(t[deepest]) * np.sqrt(CORRELATED_MM * len(points_mm) / curve.span)
    return line if depth[deepest] < max(least, noise) else curve


def _bow(line: Smooth) -> float:
    """Greatest departure from a line of the polynomial of degree 4 through its residuals, mm."""
    weights = np.sqrt(line.weights) / line.u_mm
    rows = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, len(weights)), 4)
    shape = np.linalg.lstsq(rows * weights[:, None], weights * line.residuals_mm, rcond=None)[0]
    return float(np.max(np.abs(rows @ shape)))


def fit_line(points_mm: Points, u_mm: Points) -> Smooth:
    """Straight line by total least squares, outliers losing their weight.

    Parameters
    ----------
    points_mm : (N, 2) array
        In order along the line, N >= 2.
    u_mm : (N,) array
    """
    trust: Points = np.ones(len(points_mm))
    residuals: Points = np.zeros(len(points_mm))
    step = float(np.linalg.norm(points_mm[-1] - points_mm[0])) / len(points_mm)
    for _ in range(3):
        weights = trust / u_mm**2
        middle = weights @ points_mm / np.sum(weights)
        centred = points_mm - middle
        scatter = (centred * weights[:, None]).T @ centred
        along = np.linalg.eigh(scatter)[1][:, 1]
        along = along * np.sign(along @ (points_mm[-1] - points_mm[0]) or 1.0)
        residuals = np.asarray(centred @ np.array([-along[1], along[0]]), dtype=np.float64)
        trust = _trust(residuals, u_mm, step)
    t = centred @ along
    basis = Basis(float(t.min()), max(float(np.ptp(t)), 1e-6), 1, degree=1)
    return _smooth(basis, middle + np.outer(basis.knots, along), (t, residuals, u_mm, trust))


def fit_curve(points_mm: Points, u_mm: Points, closed: bool = False) -> Smooth:
    """The simplest smooth curve that explains the points: a least-squares spline (Schwarz's criterion).

    It tells shapes apart, and outliers: also at an end, where a supple curve follows them.

    Parameters
    ----------
    points_mm : (N, 2) array
        In order along the curve, N >= 8.
    u_mm : (N,) array
    closed : bool
        Whether the last point is followed by the first.
    """
    ring = np.vstack([points_mm, points_mm[:1]]) if closed else points_mm
    t = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    span, t = float(t[-1]), t[: len(points_mm)]
    chords = span
    affordable = _affordable(span, len(points_mm), closed)
    pieces = min(affordable[-1], max(4, round(span / USUAL_PIECE_MM)))
    trust: Points = np.ones(len(points_mm))
    fair_u_mm = _fair(u_mm)
    for _ in range(3):
        fit = _solve(Basis(0.0, span / pieces, pieces, closed=closed), points_mm, trust / fair_u_mm**2, t)
        lengths, length = _lengths(fit, t)
        in_order = float(np.mean(np.diff(lengths) > 0.0))
        if in_order < LEAST_IN_ORDER or not SHORTEST_SHARE < length / chords < LONGEST_SHARE:
            break
        t, span, trust = lengths, length, _trust(fit.residuals, u_mm, length / len(t))
    bases = [Basis(0.0, span / count, count, closed=closed) for count in affordable]
    fit = _chosen(bases, points_mm, trust / fair_u_mm**2, t, faithful=False)
    trust = _trust(fit.residuals, u_mm, span / len(t))
    fit = _solve(fit.basis, points_mm, trust / fair_u_mm**2, t)
    return _smooth(fit.basis, fit.coefficients, (t, fit.residuals, u_mm, trust))


def followed(smooth: Smooth, points_mm: Points, near_enough: float = 0.0) -> Smooth:
    """The same edge as a measure needs it: errors of smoothing kept below the noise, some of which is followed.

    More pieces than the simplest curve has (Akaike's criterion), outliers judged by that one. A line stays as it is.

    Parameters
    ----------
    smooth : Smooth
    points_mm : (N, 2) array
        The points it was fitted to.
    near_enough : float
        Mean square misfit, in units of the points' variance, below which it is followed no closer.
    """
    if smooth.is_line:
        return smooth
    simple = smooth.basis
    counts = [count for count in _affordable(simple.span, len(points_mm), simple.closed) if count > simple.pieces]
    bases = [simple, *(Basis(0.0, simple.span / count, count, closed=simple.closed) for count in counts)]
    weights = smooth.weights / _fair(smooth.u_mm) ** 2
    fit = _chosen(bases, points_mm, weights, smooth.t, faithful=True, near_enough=near_enough)
    return _smooth(fit.basis, fit.coefficients, (smooth.t, fit.residuals, smooth.u_mm, smooth.weights))


def _fair(u_mm: Points) -> Points:
    """Uncertainties by which a fit weighs points. None counts next to nothing: where all do, a curve would run wild."""
    worst = WORST_U * float(np.percentile(u_mm, SURE_PERCENTILE))
    return np.asarray(np.minimum(u_mm, worst))


def _affordable(span: float, count: int, closed: bool) -> list[int]:
    """Numbers of pieces worth trying."""
    most = min(int(span / SHORTEST_PIECE_MM), count // 2 - 3)
    least = 4 if closed else 1
    return [pieces for pieces in PIECES if least <= pieces <= most] or [least]


@dataclass(frozen=True, eq=False)
class _Fit:
    """Least-squares coefficients of a basis, and at each point how far it is off (N, 2) and the derivative (N, 2)."""

    basis: Basis
    coefficients: Points
    away: Points
    speed: Points

    @cached_property
    def residuals(self) -> Points:
        """(N,) across the curve."""
        return np.asarray(cross(self.speed, self.away) / np.linalg.norm(self.speed, axis=1))


def _chosen(
    bases: list[Basis], points_mm: Points, weights: Points, t: Points, *, faithful: bool, near_enough: float = 0.0
) -> _Fit:
    """The fit that the information criterion prefers, none richer than one whose mean square misfit is near enough."""
    apart_mm = THREAD_MM if faithful else CORRELATED_MM
    independent = max(4.0, min(float(len(t)), bases[0].span / apart_mm))
    price = 2.0 if faithful else np.log(independent)
    best, best_score, worse = _Fit(bases[0], *np.zeros((3, 0, 2))), np.inf, 0
    for basis in bases:
        fit = _solve(basis, points_mm, weights, t)
        misfit = float(weights @ fit.residuals**2) / len(t)
        score = independent * np.log(misfit + 1e-12) + basis.count * price
        if score < best_score:
            best, best_score, worse = fit, score, 0
        else:
            worse += 1
        if worse == 3 or misfit < near_enough:
            break
    return best


def _solve(basis: Basis, points_mm: Points, weights: Points, t: Points) -> _Fit:
    """Least-squares fit to points at parameters."""
    rows = basis.rows(t)
    weighted = (rows * weights[:, None]).T
    normal = weighted @ rows
    normal += 1e-9 * np.trace(normal) * np.eye(len(normal))
    coefficients = np.asarray(np.linalg.solve(normal, weighted @ points_mm), dtype=np.float64)
    return _Fit(basis, coefficients, points_mm - rows @ coefficients, basis.rows(t, 1) @ coefficients)


def _lengths(fit: _Fit, t: Points) -> tuple[Points, float]:
    """Lengths along a curve to the feet of points, and of all of it."""
    basis = fit.basis
    feet = np.clip(t + np.sum(fit.away * fit.speed, axis=1) / np.sum(fit.speed**2, axis=1), 0.0, basis.span)
    feet = np.maximum.accumulate(feet)
    ring = np.append(feet, feet[0] + basis.span) if basis.closed else feet
    middle = 0.5 * (ring[:-1] + ring[1:])
    steps = np.diff(ring) * np.linalg.norm(basis.rows(middle, 1) @ fit.coefficients, axis=1)
    lengths = np.concatenate([[0.0], np.cumsum(steps)])
    return lengths[: len(t)], float(lengths[-1])


def _trust(residuals: Points, u_mm: Points, step_mm: float) -> Points:
    """Weights that fall off for outliers (Geman and McClure), u taken as no less than the spread seen.

    What departs to one side over a longer stretch is no outlier but the edge's shape, and keeps its weight.
    """
    spread = 1.4826 * float(np.median(np.abs(residuals) / u_mm))
    scaled = residuals / (OUTLIER * max(1.0, spread) * u_mm)
    weights = np.asarray(1.0 / (1.0 + scaled**2) ** 2)
    side = np.where(weights < 0.5, np.sign(residuals), 0.0)
    bounds = np.concatenate([[0], np.flatnonzero(side[1:] != side[:-1]) + 1, [len(side)]])
    for run in np.flatnonzero(np.diff(bounds) * step_mm > OUTLIERS_MM):
        if side[bounds[run]] != 0.0:
            weights[bounds[run] : bounds[run + 1]] = 1.0
    return weights


def _smooth(basis: Basis, coefficients: Points, at: tuple[Points, Points, Points, Points]) -> Smooth:
    """A fit with its covariance from points' parameters, residuals, uncertainties and weights."""
    t, residuals, u_mm, trust = at
    rows = basis.rows(t)
    normal = (rows * (trust / u_mm**2)[:, None]).T @ rows
    normal += 1e-9 * np.trace(normal) * np.eye(len(normal))
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return Smooth(basis, coefficients, covariance, t, residuals, u_mm, trust)
