"""Straight lines and smooth curves through noisy points, with the covariance of what was fitted.

Both are splines (C. de Boor, "A Practical Guide to Splines", 1978, chapter XIV: least squares): a line is one of degree
1 without inner knots, a curve one of degree 3 with as many evenly spaced inner knots as the Bayesian information
criterion (G. Schwarz, "Estimating the dimension of a model", 1978) grants. So fitted, noise does not lengthen a curve.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

Points = NDArray[np.float64]

CORRELATED_MM = 12.0  # points nearer than this do not count as independent when knots are chosen
INNER_KNOTS = (0, 1, 2, 3, 4, 6, 8, 11, 14, 18, 23, 30, 40, 52)
KNOTS_APART_MM = 10.0
OUTLIER = 2.5  # residuals beyond so many u lose their weight
GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True, eq=False)
class Smooth:
    """A line or curve fitted to points.

    Attributes
    ----------
    spline : BSpline
        From t, about the length along it in mm, to (x, y) in mm.
    covariance : (K, K) array
        Of the coefficients, in the same basis, of a displacement across the curve, mm2.
    first, last : float
        Range of t that the points cover.
    residuals_mm : (N,) array
        Of all given points, signed, positive to the left.
    weights : (N,) array
        0 to 1: how far each point was trusted.
    """

    spline: BSpline
    covariance: Points
    first: float
    last: float
    residuals_mm: Points
    weights: Points

    @property
    def is_line(self) -> bool:
        return int(self.spline.k) == 1

    @property
    def is_closed(self) -> bool:
        return self.spline.extrapolate == "periodic"

    def at(self, t: float | Points) -> Points:
        return np.asarray(self.spline(t))

    def direction(self, t: float | Points) -> Points:
        """Unit tangent."""
        speed = np.asarray(self.spline(t, 1))
        return np.asarray(speed / np.linalg.norm(speed, axis=-1, keepdims=True))

    def basis(self, t: float | Points, derivative: int = 0) -> Points:
        """(..., K) values of the basis functions."""
        return np.asarray(_basis_spline(self.spline)(t, derivative))

    def u_across(self, t: float) -> float:
        """Standard uncertainty of the curve's place across itself, mm."""
        row = self.basis(t)
        return float(np.sqrt(row @ self.covariance @ row))

    def u_direction_deg(self, t: float) -> float:
        row = self.basis(t, 1) / np.linalg.norm(self.spline(t, 1))
        return float(np.degrees(np.sqrt(row @ self.covariance @ row)))

    def nearest(self, point_mm: Points, guess: float) -> float:
        """Parameter of the curve's point nearest to a point, from a guess."""
        t = guess
        for _ in range(20):
            speed = np.asarray(self.spline(t, 1))
            move = float((point_mm - self.at(t)) @ speed / (speed @ speed))
            t += move
            if abs(move) < 1e-9:
                break
        return t

    def length(self, start: float, end: float) -> float:
        """Length between two parameters, by Gauss-Legendre quadrature between knots."""
        t, dt = self._nodes(start, end)
        return float(np.sum(np.linalg.norm(self.spline(t, 1), axis=1) * dt))

    def length_gradient(self, start: float, end: float) -> Points:
        """(K,) change of the length between two parameters per unit displacement coefficient, ends not moved along.

        A curve displaced to its left by d grows by minus the integral of curvature times d.
        """
        if self.is_line:
            return np.zeros(len(self.covariance))
        t, dt = self._nodes(start, end)
        speed, bend = np.asarray(self.spline(t, 1)), np.asarray(self.spline(t, 2))
        curvature = (speed[:, 0] * bend[:, 1] - speed[:, 1] * bend[:, 0]) / np.linalg.norm(speed, axis=1) ** 2
        return np.asarray(-(curvature * dt) @ self.basis(t))

    def _nodes(self, start: float, end: float) -> tuple[Points, Points]:
        inner = np.unique(self.spline.t)
        bounds = np.concatenate([[start], inner[(inner > start) & (inner < end)], [end]])
        half = 0.5 * np.diff(bounds)
        nodes = 0.5 * (bounds[:-1] + bounds[1:])[:, None] + half[:, None] * GAUSS_NODES
        return nodes.ravel(), (half[:, None] * GAUSS_WEIGHTS).ravel()


def _basis_spline(spline: BSpline) -> BSpline:
    """The basis of a spline as one vector-valued spline; a closed one folds its end onto its start."""
    count = len(spline.c)
    if spline.extrapolate == "periodic":
        free = count - int(spline.k)
        eye = np.eye(free)[np.arange(count) % free]
        return BSpline(spline.t, eye, spline.k, extrapolate="periodic")
    return BSpline(spline.t, np.eye(count), spline.k)


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
    for _ in range(4):
        weights = trust / u_mm**2
        middle = weights @ points_mm / np.sum(weights)
        centred = points_mm - middle
        scatter = (centred * weights[:, None]).T @ centred
        along = np.linalg.eigh(scatter)[1][:, 1]
        along = along * np.sign(along @ (points_mm[-1] - points_mm[0]) or 1.0)
        residuals = np.asarray(centred @ np.array([-along[1], along[0]]), dtype=np.float64)
        trust = _trust(residuals, u_mm)
    t = centred @ along
    first, last = float(t.min()), float(t.max())
    spline = BSpline(np.array([first, first, last, last]), middle + np.outer([first, last], along), 1)
    return _smooth(spline, t, residuals, trust, u_mm)


def fit_curve(points_mm: Points, u_mm: Points, closed: bool = False) -> Smooth:
    """Smooth curve by a least-squares spline with as few knots as the points ask for.

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
    span = float(t[-1])
    t = t[: len(points_mm)]
    trust = np.ones(len(points_mm))
    rich = _affordable(span, len(points_mm))[-1]
    spline = _solve(points_mm, trust / u_mm**2, t, _knots(span, min(rich, max(2, round(span / 30.0))), closed), closed)
    for _ in range(3):
        residuals, t, span = _project(spline, points_mm, t, closed)
        trust = _trust(residuals, u_mm)
        inner = min(rich, max(2, round(span / 30.0)))
        spline = _solve(points_mm, trust / u_mm**2, t, _knots(span, inner, closed), closed)
    spline = _leanest(points_mm, trust / u_mm**2, t, span, closed)
    residuals = _across(spline, points_mm, t)
    return _smooth(spline, t, residuals, _trust(residuals, u_mm), u_mm)


def _leanest(points_mm: Points, weights: Points, t: Points, span: float, closed: bool) -> BSpline:
    """The spline that the information criterion prefers."""
    independent = max(4.0, min(float(len(t)), span / CORRELATED_MM))
    best, best_score, worse = None, np.inf, 0
    for inner in _affordable(span, len(t)):
        spline = _solve(points_mm, weights, t, _knots(span, inner, closed), closed)
        misfit = weights @ _across(spline, points_mm, t) ** 2 / np.sum(weights > 0)
        score = independent * np.log(misfit + 1e-12) + len(spline.c) * np.log(independent)
        if score < best_score:
            best, best_score, worse = spline, score, 0
        else:
            worse += 1
        if worse == 4:
            break
    assert best is not None
    return best


def _affordable(span: float, count: int) -> list[int]:
    most = max(0, min(int(span / KNOTS_APART_MM) - 1, count // 2 - 4))
    return [inner for inner in INNER_KNOTS if inner <= most]


def _knots(span: float, inner: int, closed: bool) -> Points:
    if closed:
        pieces = inner + 4
        return np.asarray(span / pieces * np.arange(-3, pieces + 4), dtype=np.float64)
    return np.concatenate([np.zeros(3), np.linspace(0.0, span, inner + 2), np.full(3, span)])


def _solve(points_mm: Points, weights: Points, t: Points, knots: Points, closed: bool) -> BSpline:
    rows = BSpline.design_matrix(t, knots, 3).toarray()
    if closed:
        rows[:, :3] += rows[:, -3:]
        rows = rows[:, :-3]
    normal = (rows * weights[:, None]).T @ rows
    normal += 1e-9 * np.trace(normal) * np.eye(len(normal))
    coefficients = np.linalg.solve(normal, (rows * weights[:, None]).T @ points_mm)
    if closed:
        return BSpline(knots, np.vstack([coefficients, coefficients[:3]]), 3, extrapolate="periodic")
    return BSpline(knots, coefficients, 3)


def _project(spline: BSpline, points_mm: Points, t: Points, closed: bool) -> tuple[Points, Points, float]:
    """Residuals across the curve, and lengths along it to the feet of the points."""
    speed = np.asarray(spline(t, 1))
    away = points_mm - spline(t)
    feet = t + np.sum(away * speed, axis=1) / np.sum(speed**2, axis=1)
    end = float(spline.t[-4])
    feet = np.maximum.accumulate(np.clip(feet, 0.0, end))
    ring = np.append(feet, feet[0] + end) if closed else feet
    middle = 0.5 * (ring[:-1] + ring[1:])
    steps = np.diff(ring) * np.linalg.norm(spline(middle, 1), axis=1)
    lengths = np.concatenate([[0.0], np.cumsum(steps)])
    return _across(spline, points_mm, t), lengths[: len(t)], float(lengths[-1])


def _across(spline: BSpline, points_mm: Points, t: Points) -> Points:
    speed = np.asarray(spline(t, 1))
    away = points_mm - spline(t)
    lengths = np.linalg.norm(speed, axis=1)
    return np.asarray((speed[:, 0] * away[:, 1] - speed[:, 1] * away[:, 0]) / lengths, dtype=np.float64)


def _trust(residuals: Points, u_mm: Points) -> Points:
    """Weights that fall off for outliers (Geman and McClure), u taken as no less than the spread seen."""
    spread = 1.4826 * np.median(np.abs(residuals) / u_mm)
    scaled = residuals / (OUTLIER * u_mm * max(1.0, float(spread)))
    return np.asarray(1.0 / (1.0 + scaled**2) ** 2)


def _smooth(spline: BSpline, t: Points, residuals: Points, trust: Points, u_mm: Points) -> Smooth:
    rows = np.asarray(_basis_spline(spline)(t))
    normal = (rows * (trust / u_mm**2)[:, None]).T @ rows
    normal += 1e-9 * np.trace(normal) * np.eye(len(normal))
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return Smooth(spline, covariance, float(t.min()), float(t.max()), residuals, trust)
