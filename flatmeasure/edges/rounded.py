"""Rounded corners: a short curve that runs without a kink from one straight stretch into another.

Where straight ends and curve begins there is no step of direction, only one of curvature, too faint to be seen in the
few points around it. So the whole of it is fitted at once: line, curve, line, the curve an arc of a circle (drawn with
compasses) or a parabola (drawn freehand or by a drawing program). What does not fit so is a smooth curve.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
from scipy.optimize import least_squares

from flatmeasure.edges.curves import Smooth
from flatmeasure.photos.camera import Points
from flatmeasure.polygons import cross

LARGEST_RADIUS_MM = 200.0  # a flatter curve is an edge's own shape
LEAST_TURN_DEG = 30.0
GREATEST_TURN_DEG = 190.0
LINE_SHARE = 1.25  # of the curve's radius, that each straight stretch must have
LEAST_LINE_MM = 15.0
WORST_MISFIT = 2.5  # mean square misfit over the usual
LEAST_SPREAD = 0.3  # no noise is much smaller than stated
PARABOLA, HANDLE = 2.0 / 3.0, 0.6  # share of a Bezier curve's legs that its handles take; half-way to an arc's
OUTLIER = 3.0  # a point farther off, in units of its usual distance, loses its weight
VAGUEST_MM = 4.0  # a joint known less well is no corner
GRID_MM = 2.0
ROUNDS = 2  # of a robust fit
DERIVATIVE_STEP = 1e-6  # share of a parameter
ENOUGH = 1e-6  # relative change of parameters and sums of squares at which a fit is done: below a hundredth of u
# Part of the points' variance that is their own, and part shared by neighbours over a length (renders' outlines).
OWN_PART, SHARED_PART, SHARED_MM = 0.6, 0.8, 10.0


@dataclass(frozen=True, eq=False)
class Rounded:
    """A rounded corner.

    Attributes
    ----------
    joints_mm : (2, 2) array
        Where the curve begins and ends.
    u_along_mm : (2,) array
        Standard uncertainty of the joints along the outline.
    """

    joints_mm: Points
    u_along_mm: Points


@dataclass(frozen=True, eq=False)
class _Model:
    """A family of line-curve-line shapes: distances (..., N) of points (N, 2) from those of parameters (..., K), the
    joints (2, 2) of one, and parameters to start from."""

    distances: Callable[[Points, Points], Points]
    joints: Callable[[Points], Points]
    start: Points


@dataclass(frozen=True, eq=False)
class _Rough:
    """Parameters of the best member of a family, points' weights (N,), and the mean square misfit, outliers capped."""

    p: Points
    trust: Points
    misfit: float


@dataclass(frozen=True, eq=False)
class _Solved:
    """Joints of the likeliest member of a family, their variance, and Schwarz's criterion."""

    joints_mm: Points
    variance: Points
    score: float


def find_rounded(smooth: Smooth, points_mm: Points, spread: float) -> list[Rounded]:
    """Rounded corners within an edge that was fitted as one curve.

    Parameters
    ----------
    smooth : Smooth
        The edge's fit, open or closed.
    points_mm : (N, 2) array
        The points it was fitted to, in order.
    spread : float
        Usual distance of points from edges in units of their stated uncertainty.
    """
    if smooth.is_line:
        return []
    zones = _bent_zones(smooth)
    if smooth.basis.closed:
        outer = [zone[k] for zone, k in ((zones[-1], 1), (zones[0], 0))] if zones else [0.0, 0.0]
        outer = [outer[0] - smooth.span, outer[1] + smooth.span]
    else:
        outer = [smooth.first, smooth.last]
    ends = [outer[0], *(t for zone in zones for t in zone), outer[1]]
    out = []
    for i, (start, end) in enumerate(zones):
        before, after = start - ends[2 * i], ends[2 * i + 3] - end
        radius = (end - start) / _turned(smooth, start, end)
        if min(before, after) < max(LEAST_LINE_MM, LINE_SHARE * radius):
            continue
        reach = 4.0 * (end - start) + 20.0
        rounded = _fit(smooth, points_mm, (start - min(before, reach), start, end, end + min(after, reach)), spread)
        if rounded is not None:
            out.append(rounded)
    return out


def _bent_zones(smooth: Smooth) -> list[tuple[float, float]]:
    """Ranges of t over which a curve bends one way, tightly and far enough to be a rounded corner, in order.

    The last range of a closed curve may end beyond its span.
    """
    first, last = (0.0, smooth.span) if smooth.basis.closed else (smooth.first, smooth.last)
    t = np.arange(first, last, GRID_MM)
    curvature = smooth.curvature(t)
    sign = np.where(np.abs(curvature) > 1.0 / LARGEST_RADIUS_MM, np.sign(curvature), 0.0)
    if smooth.basis.closed:
        start = int(np.argmin(np.abs(sign)))  # cut where it is straight
        t = np.concatenate([t[start:], t[:start] + smooth.span])
        curvature, sign = np.roll(curvature, -start), np.roll(sign, -start)
    cuts = np.concatenate([[0], np.flatnonzero(np.diff(sign)) + 1, [len(t)]])
    zones = []
    for a, b in pairwise(cuts):
        turn = np.degrees(abs(np.sum(curvature[a:b])) * GRID_MM)
        if sign[a] != 0 and LEAST_TURN_DEG <= turn <= GREATEST_TURN_DEG:
            zones.append((float(t[a]), float(t[b - 1])))
    return zones


def _turned(smooth: Smooth, start: float, end: float) -> float:
    """Angle between two directions of a curve, radians, at most half a turn."""
    return max(float(np.arccos(np.clip(smooth.direction(start) @ smooth.direction(end), -1.0, 1.0))), 0.1)


def _fit(smooth: Smooth, points_mm: Points, bounds: tuple[float, float, float, float], spread: float) -> Rounded | None:
    """Mean of the families, each as far as the points speak for it (Schwarz's criterion).

    ``bounds`` are the parameters where the first straight stretch, the curve and the second straight stretch begin, and
    where that ends.
    """
    places = smooth.t
    if smooth.basis.closed:
        places = bounds[0] + (places - bounds[0]) % smooth.span
    order = np.argsort(places, kind="stable")
    near = order[(places[order] > bounds[0]) & (places[order] < bounds[3])]
    points_mm, places = points_mm[near], places[near]
    before, after = places < bounds[1], places > bounds[2]
    if min(np.sum(before), np.sum(after)) < 5:
        return None
    usual = max(spread, LEAST_SPREAD)
    u_mm = usual * smooth.u_mm[near]
    parts = points_mm[before], points_mm[~before & ~after], points_mm[after]
    lines = _direction(parts[0]), _direction(parts[2])
    models = [_arc(lines, parts[1])]
    turn = float(lines[1] - lines[0] + np.pi) % (2 * np.pi) - np.pi
    if abs(turn) < np.radians(140.0):
        models += [_bezier(lines, parts), _bezier(lines, parts, HANDLE)]
    rough = [_robust(model, points_mm, u_mm) for model in models]
    nearest = min(rough, key=lambda fit: fit.misfit)
    if nearest.misfit > WORST_MISFIT:
        return None
    white = _whitening(u_mm, nearest.trust, places)
    solved = [_solve(model, fit.p, points_mm, white) for model, fit in zip(models, rough, strict=True)]
    score = np.array([fit.score for fit in solved])
    chance = np.exp(-0.5 * (score - np.min(score)))
    chance /= np.sum(chance)
    joints = np.array([fit.joints_mm for fit in solved])
    mean = np.einsum("m,mij->ij", chance, joints)
    own = np.array([fit.variance for fit in solved])
    among = np.sum((joints - mean) ** 2, axis=2)
    u_along = np.sqrt(chance @ (own + among))
    return Rounded(mean, u_along) if np.max(u_along) < VAGUEST_MM else None


def _robust(model: _Model, points_mm: Points, u_mm: Points) -> _Rough:
    """Member of a family nearest to points as if their errors were independent, outliers losing their weight."""
    p, trust = model.start, np.ones(len(points_mm))
    for _ in range(ROUNDS):
        p, _, _ = _least(model, p, points_mm, partial(np.multiply, np.sqrt(trust) / u_mm))
        squares = (model.distances(p, points_mm) / u_mm) ** 2
        trust = 1.0 / (1.0 + squares / OUTLIER**2) ** 2
    return _Rough(p, trust, float(np.mean(squares / (1.0 + squares / OUTLIER**2))))


def _whitening(u_mm: Points, trust: Points, places: Points) -> Points:
    """(N, N) matrix that makes points' errors independent, of unit variance: part of them is shared by neighbours."""
    shared = SHARED_PART * u_mm[:, None] * u_mm * np.exp(-np.abs(places[:, None] - places) / SHARED_MM)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(shared + np.diag(OWN_PART * u_mm**2 / trust))))


def _solve(model: _Model, start: Points, points_mm: Points, white: Points) -> _Solved:
    """Likeliest member of a family (Levenberg-Marquardt), and how far its joints may be off."""
    p, jacobian, squares = _least(model, start, points_mm, lambda errors: errors @ white.T)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    steps = 1e-5 * np.eye(len(p))
    gradient = np.array([model.joints(p + step) - model.joints(p - step) for step in steps]) / 2e-5
    variance = np.einsum("kij,kl,lij->i", gradient, covariance, gradient)
    return _Solved(model.joints(p), variance, squares + len(p) * np.log(len(points_mm)))


def _least(
    model: _Model, start: Points, points_mm: Points, whitened: Callable[[Points], Points]
) -> tuple[Points, Points, float]:
    """Parameters of least squares (Levenberg-Marquardt), the Jacobian there, and the sum of squares."""

    def errors(p: Points) -> Points:
        return whitened(model.distances(p, points_mm))

    def derivatives(p: Points) -> Points:
        step = DERIVATIVE_STEP * np.maximum(np.abs(p), 1.0)
        steps = np.diag(step)
        ahead, back = model.distances(np.stack([p + steps, p - steps]), points_mm)
        return whitened((ahead - back) / (2.0 * step[:, None])).T

    fit = least_squares(errors, start, derivatives, method="lm", ftol=ENOUGH, xtol=ENOUGH, max_nfev=50)
    return fit.x, np.asarray(fit.jac), 2.0 * float(fit.cost)


def _direction(points_mm: Points) -> float:
    """Angle of the line through points, radians."""
    centred = points_mm - points_mm.mean(axis=0)
    along = np.linalg.eigh(centred.T @ centred)[1][:, 1]
    along = along * np.sign(along @ (points_mm[-1] - points_mm[0]) or 1.0)
    return float(np.arctan2(along[1], along[0]))


def _unit(angle: float) -> tuple[Points, Points]:
    """Direction and left normal."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([c, s]), np.array([-s, c])


def _along_and_left(angle: Points, x: Points, y: Points) -> tuple[Points, Points]:
    """Points' coordinates in a frame turned by an angle."""
    c, s = np.cos(angle), np.sin(angle)
    return c * x + s * y, c * y - s * x


def _arc(lines: tuple[float, float], inside: Points) -> _Model:
    """Two lines tangent to a circle; parameters: centre x and y, radius (positive to the left), two directions."""

    def distances(p: Points, points: Points) -> Points:
        centre_x, centre_y, radius, turn_a, turn_b = np.moveaxis(p, -1, 0)[..., None]
        x, y = points[:, 0] - centre_x, points[:, 1] - centre_y
        along_a, left_a = _along_and_left(turn_a, x, y)
        along_b, left_b = _along_and_left(turn_b, x, y)
        arc = radius - np.sign(radius) * np.hypot(x, y)
        late = _along_and_left(0.5 * (turn_a + turn_b), x, y)[0] > 0
        on_a, on_b = ~late & (along_a < 0), late & (along_b > 0)
        return np.asarray(np.where(on_a, left_a + radius, np.where(on_b, left_b + radius, arc)))

    def joints(p: Points) -> Points:
        return np.array([p[:2] - p[2] * _unit(p[3])[1], p[:2] - p[2] * _unit(p[4])[1]])

    rows = np.column_stack([2.0 * inside, np.ones(len(inside))])
    cx, cy, c = np.linalg.lstsq(rows, np.sum(inside**2, axis=1), rcond=None)[0]
    radius = float(np.sqrt(max(c + cx**2 + cy**2, 1.0)))
    chord = inside[-1] - inside[0]
    bulge = inside[len(inside) // 2] - inside[0]
    side = -np.sign(cross(chord, bulge))
    # The directions are taken near each other so that their mean lies between them.
    turn = (lines[1] - lines[0]) % (2 * np.pi) if side > 0 else -((lines[0] - lines[1]) % (2 * np.pi))
    return _Model(distances, joints, np.array([cx, cy, side * radius, lines[0], lines[0] + turn]))


def _bezier(lines: tuple[float, float], parts: tuple[Points, Points, Points], *free: float) -> _Model:
    """Two lines tangent to a cubic Bezier curve, its handles the same share of both legs.

    Parameters: the lines' crossing x and y, two directions, two legs (distances from the crossing to the joints) and,
    where a start is given for it, the handles' share of the legs; else that is 2/3, which makes a parabola.
    With x and y counted from the crossing along the lines in units of the legs, s = 1 - 2t running from 1 to -1 and q
    one less the handles' share, the curve is x - y = s (3 + 3q + (1 - 3q) s^2) / 4, x + y = 1 - 3/4 (1 - q) (1 - s^2).
    """

    def distances(p: Points, points: Points) -> Points:
        crossing_x, crossing_y, turn_a, turn_b, leg_a, leg_b, *handle = np.moveaxis(p, -1, 0)[..., None]
        q = 1.0 - (handle[0] if free else PARABOLA)
        at_x, at_y = points[:, 0] - crossing_x, points[:, 1] - crossing_y
        left_a = _along_and_left(turn_a, at_x, at_y)[1]
        left_b = _along_and_left(turn_b, at_x, at_y)[1]
        sine, cosine = np.sin(turn_b - turn_a), np.cos(turn_b - turn_a)
        per_x, per_y = 1.0 / (leg_a * sine), 1.0 / (leg_b * sine)
        x, y = per_x * left_b, per_y * left_a
        s = np.clip(x - y, -1.0, 1.0)
        for _ in range(4 if free else 0):
            s = np.clip(4.0 * (x - y) / (3.0 + 3.0 * q + (1.0 - 3.0 * q) * s**2), -1.0, 1.0)
        value = x + y - 1.0 + 0.75 * (1.0 - q) * (1.0 - s**2)
        tilt = 2.0 * (1.0 - q) * s / (1.0 + q + (1.0 - 3.0 * q) * s**2)
        by_x, by_y = (1.0 - tilt) * per_x, (1.0 + tilt) * per_y
        slope = np.sqrt(np.maximum(by_x**2 + by_y**2 + 2.0 * cosine * by_x * by_y, 1e-18))
        curve = np.sign(sine) * value / slope
        return np.asarray(np.where(x - y >= 1.0, left_a, np.where(x - y <= -1.0, left_b, curve)))

    def joints(p: Points) -> Points:
        return np.array([p[:2] - p[4] * _unit(p[2])[0], p[:2] + p[5] * _unit(p[3])[0]])

    a, b = parts[0].mean(axis=0), parts[2].mean(axis=0)
    reach = np.linalg.solve(np.column_stack([_unit(lines[0])[0], -_unit(lines[1])[0]]), b - a)
    crossing = a + reach[0] * _unit(lines[0])[0]
    spans = np.linalg.norm(parts[1][[0, -1]] - crossing, axis=1)
    return _Model(distances, joints, np.array([*crossing, *lines, *spans, *free]))
