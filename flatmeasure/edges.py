"""Corners and edges of an outline: lines and smooth curves fitted between corners, each with its uncertainty.

A corner is where two fitted edges meet, not a point of the outline, which blur rounds there. A length is that of the
fitted edge. Uncertainties here are those of the outline's own noise; what the camera model adds is the caller's.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatmeasure.corners import CORRELATION_MM, find_corners, resample
from flatmeasure.curves import Smooth, fit_curve, fit_line
from flatmeasure.rounded import bent_zones, find_rounded

Points = NDArray[np.float64]

ROUNDED_MM = 2.0  # blur rounds a right angle this far on either side
STRAIGHT_MM = 0.6  # an edge that departs less from its chord is straight: what a cutter cannot see
STRAIGHT_SHARE = 0.001  # nor this share of the chord
OUTLINE_STEP_MM = 1.0
FEWEST_POINTS = 3  # of an edge


@dataclass(frozen=True, eq=False)
class FittedEdge:
    """A side of the cloth between two corners.

    Attributes
    ----------
    kind : "straight" or "curve"
    points_mm : (K, 2) array
        Along the fitted edge, first and last exactly on its corners.
    length_mm, chord_mm : float
    u_length_mm : float
        From the outline's noise alone.
    residual_mm : float
        Root mean square distance of the outline's points across the fit.
    """

    kind: str
    points_mm: Points
    length_mm: float
    chord_mm: float
    u_length_mm: float
    residual_mm: float


@dataclass(frozen=True, eq=False)
class FittedOutline:
    """Corners and edges of a closed outline, counter-clockwise.

    A smooth closed outline has one edge, and one corner in name only, where the edge starts and ends: the point
    farthest right, its angle 180 degrees.

    Attributes
    ----------
    corners_mm : (C, 2) array
    angles_deg : (C,) array
        Of the cloth at the corner: below 180 where it juts out, above in a dart.
    u_corners_mm : (C,) array
        Root sum of squares of the two directions.
    u_angles_deg : (C,) array
    edges : tuple of FittedEdge
        Edge i runs from corner i to corner (i + 1) % C.
    outline_mm : (P, 2) array
        The fitted outline as one polygon.
    """

    corners_mm: Points
    angles_deg: Points
    u_corners_mm: Points
    u_angles_deg: Points
    edges: tuple[FittedEdge, ...]
    outline_mm: Points


@dataclass(frozen=True, eq=False)
class _Joint:
    """Where edge a ends and edge b starts.

    Where they meet without a kink ``u_along_mm`` holds how well the joint's place along them is known; else it is zero
    and follows from how well each edge is known across itself.
    """

    at_mm: Points
    t_a: float
    t_b: float
    turn_rad: float
    u_along_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class _Chain:
    """The outline's points with their place, the length along the chain; the last place is all round."""

    points_mm: Points
    u_mm: Points
    places: Points


@dataclass(frozen=True, eq=False)
class _Break:
    """Where one edge ends and the next begins.

    ``gap_mm`` on either side is left out of the fits. A joint without a kink has its point given.
    """

    place: float
    gap_mm: float = ROUNDED_MM
    at_mm: Points | None = None
    u_along_mm: float = 0.0


def fit_outline(points_mm: Points, u_mm: Points, weak: NDArray[np.bool_]) -> FittedOutline:
    """Corners and edges of a closed outline.

    Parameters
    ----------
    points_mm : (N, 2) array
        Counter-clockwise, cloth on the left, every 0.5 to 3 mm.
    u_mm : (N,) array
        Standard uncertainty of each point across the outline.
    weak : (N,) array of bool
        Points that were bridged or are little worth.

    Raises
    ------
    ValueError
        If there are fewer than 20 points, one is not finite, or they do not run counter-clockwise.
    """
    _check(points_mm, u_mm, weak)
    u = np.maximum(u_mm, 0.01)
    u = np.where(weak, np.maximum(u, 2.0 * np.median(u)), u)
    chain = _Chain(points_mm, u, _places(points_mm))
    breaks = _sharpen(chain, [_Break(place) for place in find_corners(resample(points_mm, u))])
    breaks = _add_rounded(chain, breaks)
    if not breaks:
        return _closed(chain)
    smooths = _fit_all(chain, breaks)
    return _assemble(smooths, _joints(smooths, breaks), _inflation(chain))


def _sharpen(chain: _Chain, breaks: list[_Break]) -> list[_Break]:
    """Sharp corners moved to where the edges fitted between them meet."""
    for _ in range(2):
        joints = _joints(_fit_all(chain, breaks), breaks)
        moved = [
            _Break(_nearest(chain, b.place, j.at_mm), _rounding(j.turn_rad))
            for b, j in zip(breaks, joints, strict=True)
        ]
        breaks = _apart(chain, sorted(moved, key=lambda b: b.place))
    return breaks


def _apart(chain: _Chain, breaks: list[_Break]) -> list[_Break]:
    """Breaks without those that leave too few points for an edge between them and the one before."""
    kept: list[_Break] = []
    for b in breaks:
        if not kept or len(_between(chain, kept[-1], b)) >= FEWEST_POINTS:
            kept.append(b)
    if len(kept) > 1 and len(_between(chain, kept[-1], kept[0])) < FEWEST_POINTS:
        kept.pop()
    return kept


def _add_rounded(chain: _Chain, breaks: list[_Break]) -> list[_Break]:
    """Breaks with the ends of rounded corners added, in order along the chain."""
    if breaks:
        sections = [_between(chain, breaks[i], breaks[(i + 1) % len(breaks)]) for i in range(len(breaks))]
    else:
        sections = [_opened(chain)]
    added = []
    for inside in sections:
        points, u = chain.points_mm[inside], chain.u_mm[inside]
        for rounded in find_rounded(_fit_edge(points, u), points, u):
            for at_mm, u_along in zip(rounded.joints_mm, rounded.u_along_mm, strict=True):
                place = chain.places[inside[int(np.argmin(np.linalg.norm(points - at_mm, axis=1)))]]
                added.append(_Break(float(place), 0.0, at_mm, float(u_along)))
    return sorted([*breaks, *added], key=lambda b: b.place)


def _opened(chain: _Chain) -> NDArray[np.intp]:
    """Indices of a closed outline without sharp corners, cut open where it is straightest for longest."""
    index = np.arange(len(chain.points_mm))
    curve = fit_curve(chain.points_mm, chain.u_mm, closed=True)
    zones = bent_zones(curve)
    if not zones:
        return index
    ends = np.array(zones)
    gaps = np.append(ends[1:, 0], ends[0, 0] + float(curve.spline.t[-4])) - ends[:, 1]
    widest = int(np.argmax(gaps))
    cut = curve.at(ends[widest, 1] + 0.5 * gaps[widest])
    return np.roll(index, -int(np.argmin(np.linalg.norm(chain.points_mm - cut, axis=1))))


def _check(points_mm: Points, u_mm: Points, weak: NDArray[np.bool_]) -> None:
    if points_mm.ndim != 2 or points_mm.shape[1] != 2 or len(points_mm) < 20:
        raise ValueError(f"points_mm must be (N, 2) with N >= 20, not {points_mm.shape}.")
    if u_mm.shape != (len(points_mm),) or weak.shape != (len(points_mm),):
        raise ValueError("u_mm and weak must hold one value per point.")
    if not (np.all(np.isfinite(points_mm)) and np.all(np.isfinite(u_mm))):
        raise ValueError("points_mm and u_mm must be finite.")
    x, y = points_mm.T
    if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) <= 0:
        raise ValueError("points_mm must run counter-clockwise.")


def _places(points_mm: Points) -> Points:
    """(N + 1,) length along the chain to each point and, last, all round."""
    steps = np.linalg.norm(np.diff(points_mm, axis=0, append=points_mm[:1]), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _between(chain: _Chain, start: _Break, end: _Break) -> NDArray[np.intp]:
    """Indices of the points between two breaks, in order, but for those that blur may have moved."""
    around = chain.places[-1]
    span = (end.place - start.place) % around or around
    ahead = (chain.places[:-1] - start.place) % around
    skip = np.minimum([start.gap_mm, end.gap_mm], 0.3 * span)
    inside = np.flatnonzero((ahead >= skip[0]) & (ahead <= span - skip[1]))
    return inside[np.argsort(ahead[inside], kind="stable")]


def _fit_all(chain: _Chain, breaks: list[_Break]) -> list[Smooth]:
    out = []
    for i, start in enumerate(breaks):
        inside = _between(chain, start, breaks[(i + 1) % len(breaks)])
        out.append(_fit_edge(chain.points_mm[inside], chain.u_mm[inside]))
    return out


def _joints(smooths: list[Smooth], breaks: list[_Break]) -> list[_Joint]:
    return [
        _meet(smooths[i - 1], smooths[i]) if b.at_mm is None else _touch(smooths[i - 1], smooths[i], b)
        for i, b in enumerate(breaks)
    ]


def _fit_edge(points_mm: Points, u: Points) -> Smooth:
    line = fit_line(points_mm, u)
    if len(points_mm) < 10 or line.last - line.first < 12.0:
        return line
    curve = fit_curve(points_mm, u)
    t = np.linspace(curve.first, curve.last, 41)
    along = curve.at(t)
    chord = along[-1] - along[0]
    length = float(np.linalg.norm(chord))
    depth = np.abs(np.array([-chord[1], chord[0]]) @ (along - along[0]).T) / max(length, 1e-9)
    deepest = int(np.argmax(depth))
    noise = 3.0 * curve.u_across(t[deepest]) * np.sqrt(CORRELATION_MM * len(points_mm) / curve.last)
    return line if depth[deepest] < max(STRAIGHT_MM, STRAIGHT_SHARE * length, noise) else curve


def _meet(a: Smooth, b: Smooth) -> _Joint:
    """Crossing of the end of one fit, carried on, with the start of the next, by Newton's method."""
    t = np.array([a.last, b.first])
    for _ in range(12):
        apart = a.at(t[0]) - b.at(t[1])
        jacobian = np.column_stack([a.spline(t[0], 1), -b.spline(t[1], 1)])
        move = np.linalg.solve(jacobian, -apart)
        t = t + np.clip(move, -30.0, 30.0)
        if np.max(np.abs(move)) < 1e-10:
            break
    before, after = a.direction(t[0]), b.direction(t[1])
    turn = float(np.arctan2(before[0] * after[1] - before[1] * after[0], before @ after))
    return _Joint(0.5 * (a.at(t[0]) + b.at(t[1])), float(t[0]), float(t[1]), turn)


def _touch(a: Smooth, b: Smooth, at: _Break) -> _Joint:
    """Joint of two edges that pass into each other, at a place known beforehand."""
    assert at.at_mm is not None
    t_a, t_b = a.nearest(at.at_mm, a.last), b.nearest(at.at_mm, b.first)
    before, after = a.direction(t_a), b.direction(t_b)
    turn = float(np.arctan2(before[0] * after[1] - before[1] * after[0], before @ after))
    return _Joint(0.5 * (a.at(t_a) + b.at(t_b)), t_a, t_b, turn, at.u_along_mm)


def _nearest(chain: _Chain, place: float, at_mm: Points) -> float:
    """Place along the chain nearest to a corner, not far from where it was found."""
    around = chain.places[-1]
    apart = np.abs((chain.places[:-1] - place + 0.5 * around) % around - 0.5 * around)
    distance = np.where(apart < 8.0, np.linalg.norm(chain.points_mm - at_mm, axis=1), np.inf)
    return float(chain.places[int(np.argmin(distance))])


def _rounding(turn_rad: float) -> float:
    """How far from a corner blur moves the outline: the farther, the narrower the tip."""
    opening = 0.5 * (np.pi - abs(turn_rad))
    return float(np.clip(0.6 * ROUNDED_MM / np.tan(max(opening, 0.02)), ROUNDED_MM, 15.0))


def _inflation(chain: _Chain) -> float:
    """Factor on the variance of fits, since neighbouring points err alike."""
    return max(1.0, CORRELATION_MM / float(np.median(np.diff(chain.places))))


def _assemble(smooths: list[Smooth], joints: list[_Joint], inflation: float) -> FittedOutline:
    count = len(smooths)
    edges = tuple(_edge(smooths, joints, i, inflation) for i in range(count))
    around = [(smooths[i - 1], smooths[i], joint) for i, joint in enumerate(joints)]
    turning = [np.hypot(a.u_direction_deg(j.t_a), b.u_direction_deg(j.t_b)) for a, b, j in around]
    return FittedOutline(
        corners_mm=np.array([j.at_mm for j in joints]),
        angles_deg=np.array([180.0 - np.degrees(j.turn_rad) for j in joints]),
        u_corners_mm=np.array([_u_corner(*each, inflation) for each in around]),
        u_angles_deg=np.sqrt(inflation) * np.array(turning),
        edges=edges,
        outline_mm=np.vstack([edge.points_mm[:-1] for edge in edges]),
    )


def _u_corner(a: Smooth, b: Smooth, joint: _Joint, inflation: float) -> float:
    across = np.array([a.u_across(joint.t_a), b.u_across(joint.t_b)])
    if joint.u_along_mm:
        return float(np.sqrt(joint.u_along_mm**2 + inflation * np.mean(across**2)))
    return float(np.sqrt(inflation * np.sum(across**2)) / abs(np.sin(joint.turn_rad)))


def _edge(smooths: list[Smooth], joints: list[_Joint], i: int, inflation: float) -> FittedEdge:
    smooth, start, end = smooths[i], joints[i], joints[(i + 1) % len(joints)]
    before, after = smooths[i - 1], smooths[(i + 1) % len(smooths)]
    own = smooth.length_gradient(start.t_b, end.t_a)
    variance = 0.0
    # A sharp corner stays on both displaced edges; what of its move lies along this edge changes the length.
    for joint, t, neighbour, t_there in ((start, start.t_b, before, start.t_a), (end, end.t_a, after, end.t_b)):
        if joint.u_along_mm:
            variance += joint.u_along_mm**2
        else:
            own = own + smooth.basis(t) / np.tan(joint.turn_rad)
            variance += inflation * (neighbour.u_across(t_there) / np.sin(joint.turn_rad)) ** 2
    variance += inflation * float(own @ smooth.covariance @ own)
    length = smooth.length(start.t_b, end.t_a)
    steps = 2 if smooth.is_line else max(5, int(length / OUTLINE_STEP_MM) + 1)
    points = smooth.at(np.linspace(start.t_b, end.t_a, steps))
    points[0], points[-1] = start.at_mm, end.at_mm
    return FittedEdge(
        kind="straight" if smooth.is_line else "curve",
        points_mm=points,
        length_mm=length,
        chord_mm=float(np.linalg.norm(points[-1] - points[0])),
        u_length_mm=float(np.sqrt(variance)),
        residual_mm=_rms(smooth),
    )


def _rms(smooth: Smooth) -> float:
    return float(np.sqrt(np.average(smooth.residuals_mm**2, weights=smooth.weights)))


def _closed(chain: _Chain) -> FittedOutline:
    """A smooth outline without corners: one closed curve from its point farthest right."""
    start = int(np.argmax(chain.points_mm[:, 0]))
    curve = fit_curve(np.roll(chain.points_mm, -start, axis=0), np.roll(chain.u_mm, -start), closed=True)
    end = float(curve.spline.t[-4])
    length = curve.length(0.0, end)
    points = curve.at(np.linspace(0.0, end, int(length / OUTLINE_STEP_MM) + 8))
    points[-1] = points[0]
    gradient = curve.length_gradient(0.0, end)
    scale = np.sqrt(_inflation(chain))
    edge = FittedEdge(
        "curve", points, length, 0.0, float(scale * np.sqrt(gradient @ curve.covariance @ gradient)), _rms(curve)
    )
    return FittedOutline(
        corners_mm=points[:1],
        angles_deg=np.array([180.0]),
        u_corners_mm=np.array([scale * curve.u_across(0.0)]),
        u_angles_deg=np.array([scale * curve.u_direction_deg(0.0)]),
        edges=(edge,),
        outline_mm=points[:-1],
    )
