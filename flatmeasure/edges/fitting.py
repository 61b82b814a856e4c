"""Corners and edges of an outline: lines and smooth curves fitted between corners, each with its uncertainty.

A corner is where two fitted edges meet, not a point of the outline, which blur rounds there. A length is that of the
fitted edge. Uncertainties here are those of the outline's own noise; what the camera model adds is the caller's.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatmeasure.edges.breaks import find_breaks
from flatmeasure.edges.curves import Smooth, fit_curve, followed
from flatmeasure.edges.joints import Break, Chain, Fits, Joint, chain_of, joint
from flatmeasure.edges.noise import calibrated
from flatmeasure.photos.camera import Points
from flatmeasure.polygons import polygon_area

LEAST_RAD = 0.1  # turn of a sharp corner between the final edges
BLUNT_RAD = 0.8  # a turn up to here may be a dent that the outline's noise makes
FICKLE_RAD = 0.6  # then it changes by this when the dent is followed
OUTLINE_STEP_MM = 1.0
WEAK_WINDOW = 8  # points on either side among which weak ones are counted
USUAL_WEAK_SHARE = 0.05  # every corner and every crossing line makes a point or two weak
WEAK_GROWTH = 4.0  # u of points among weak ones only, in units of those' u
FEWEST_POINTS = 3  # of an edge
FEWEST_STRAIGHT = 3  # edges enclose an area if all are straight


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
    breaks : tuple of Break
        Where along the given points each edge starts; none of a smooth closed outline.
    """

    corners_mm: Points
    angles_deg: Points
    u_corners_mm: Points
    u_angles_deg: Points
    edges: tuple[FittedEdge, ...]
    outline_mm: Points
    breaks: tuple[Break, ...]


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
    chain = chain_to_fit(points_mm, u_mm, weak)
    fits = Fits(chain)
    breaks = find_breaks(fits)
    while breaks:
        edges = fits.followed(breaks)
        if len(edges) < FEWEST_STRAIGHT and all(edge.is_line for edge in edges):
            break  # there and back along a strip: they enclose nothing
        joints = _joints(edges, breaks)
        found = zip(breaks, fits.joints(breaks), joints, strict=True)
        kept = [b for b, simple, final in found if b.at_mm is not None or _is_kink(simple.turn_rad, final.turn_rad)]
        if len(kept) == len(breaks):
            return _assemble(fits, breaks, fits.measured(breaks, edges))
        breaks = kept
    return _closed(chain)


def fit_between(chain: Chain, breaks: Sequence[Break]) -> FittedOutline:
    """Edges between corners given beforehand, in the order given.

    Parameters
    ----------
    chain : Chain
        As `chain_to_fit` makes it.
    breaks : sequence of Break
        In order along the chain; none is a smooth closed outline.
    """
    if not breaks:
        return _closed(chain)
    fits = Fits(chain)
    return _assemble(fits, breaks, fits.measured(breaks, fits.followed(breaks)))


def chain_to_fit(points_mm: Points, u_mm: Points, weak: NDArray[np.bool_]) -> Chain:
    """An outline's points weighted for fitting; parameters and errors as for `fit_outline`."""
    _check(points_mm, u_mm, weak)
    return chain_of(points_mm, _allowing_for(weak, np.maximum(u_mm, 0.01)))


def _allowing_for(weak: NDArray[np.bool_], u_mm: Points) -> Points:
    """Uncertainties (N,) that grow where many points around are weak: those between are hardly better."""
    if not np.any(weak):
        return u_mm
    width = 2 * WEAK_WINDOW + 1
    share = np.convolve(np.pad(weak / width, WEAK_WINDOW, mode="wrap"), np.ones(width), "valid")
    growth = WEAK_GROWTH * float(np.median(u_mm[weak])) * np.maximum(share - USUAL_WEAK_SHARE, 0.0)
    return np.hypot(np.where(weak, np.maximum(u_mm, 2.0 * np.median(u_mm)), u_mm), growth)


def _check(points_mm: Points, u_mm: Points, weak: NDArray[np.bool_]) -> None:
    if points_mm.ndim != 2 or points_mm.shape[1] != 2 or len(points_mm) < 20:
        raise ValueError(f"points_mm must be (N, 2) with N >= 20, not {points_mm.shape}.")
    if u_mm.shape != (len(points_mm),) or weak.shape != (len(points_mm),):
        raise ValueError("u_mm and weak must hold one value per point.")
    if not (np.all(np.isfinite(points_mm)) and np.all(np.isfinite(u_mm))):
        raise ValueError("points_mm and u_mm must be finite.")
    if polygon_area(points_mm) <= 0:
        raise ValueError("points_mm must run counter-clockwise.")


def _is_kink(simple_rad: float, final_rad: float) -> bool:
    """Whether edges turn at their joint, and a blunt turn does not depend on how closely they follow their points."""
    return abs(final_rad) > LEAST_RAD and (abs(simple_rad) > BLUNT_RAD or abs(final_rad - simple_rad) < FICKLE_RAD)


def _joints(edges: Sequence[Smooth], breaks: Sequence[Break]) -> list[Joint]:
    return [joint(edges[i - 1], edges[i], b) for i, b in enumerate(breaks)]


def _assemble(fits: Fits, breaks: Sequence[Break], measured: list[Smooth]) -> FittedOutline:
    joints = _joints(measured, breaks)
    smooths = calibrated(measured, fits.chain.step_mm)
    edges = tuple(_edge(smooths, joints, i) for i in range(len(smooths)))
    angles_deg, u_angles_deg = _angles(fits, breaks, joints)
    return FittedOutline(
        corners_mm=np.array([j.at_mm for j in joints]),
        angles_deg=angles_deg,
        u_corners_mm=np.array([_u_corner(smooths[i - 1], smooths[i], at) for i, at in enumerate(joints)]),
        u_angles_deg=u_angles_deg,
        edges=edges,
        outline_mm=np.vstack([edge.points_mm[:-1] for edge in edges]),
        breaks=tuple(breaks),
    )


def _angles(fits: Fits, breaks: Sequence[Break], followed: list[Joint]) -> tuple[Points, Points]:
    """Angles (C,) between the simplest edges, and their uncertainties, degrees.

    At its end a curve that follows its points closely also follows their noise, and the simplest one may be too stiff.
    So the uncertainty is the simplest one's own and, for its stiffness, how far the two turn differently.
    """
    edges = calibrated(fits.edges(breaks), fits.chain.step_mm)
    joints = fits.joints(breaks)
    apart = np.array([np.degrees(a.turn_rad - b.turn_rad) for a, b in zip(joints, followed, strict=True)])
    stiffness = (apart + 180.0) % 360.0 - 180.0
    own = [np.hypot(edges[i - 1].u_direction_deg(j.t_a), edges[i].u_direction_deg(j.t_b)) for i, j in enumerate(joints)]
    return np.array([180.0 - np.degrees(j.turn_rad) for j in joints]), np.hypot(own, stiffness)


def _u_corner(a: Smooth, b: Smooth, joint: Joint) -> float:
    across = np.array([a.u_across(joint.t_a), b.u_across(joint.t_b)])
    if joint.u_along_mm:
        return float(np.sqrt(joint.u_along_mm**2 + np.mean(across**2)))
    return float(np.sqrt(np.sum(across**2)) / abs(joint.sine))


def _edge(smooths: list[Smooth], joints: list[Joint], i: int) -> FittedEdge:
    smooth, start, end = smooths[i], joints[i], joints[(i + 1) % len(joints)]
    before, after = smooths[i - 1], smooths[(i + 1) % len(smooths)]
    own = smooth.length_gradient(start.t_b, end.t_a)
    # The joints at either end of a rounded corner move apart together, those of other edges by themselves.
    along = start.u_along_mm, end.u_along_mm
    variance = float(np.hypot(*along) if smooth.is_line else sum(along)) ** 2
    # A sharp corner stays on both displaced edges; what of its move lies along this edge changes the length.
    for corner, t, neighbour, t_there in ((start, start.t_b, before, start.t_a), (end, end.t_a, after, end.t_b)):
        if not corner.u_along_mm:
            own = own + smooth.basis.rows(np.array([t]))[0] * np.cos(corner.turn_rad) / corner.sine
            variance += (neighbour.u_across(t_there) / corner.sine) ** 2
    variance += float(own @ smooth.covariance @ own)
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


def _closed(chain: Chain) -> FittedOutline:
    """A smooth outline without corners: one closed curve from its point farthest right."""
    start = int(np.argmax(chain.points_mm[:, 0]))
    ring = np.roll(chain.points_mm, -start, axis=0)
    curve = followed(fit_curve(ring, np.roll(chain.u_mm, -start), closed=True), ring)
    curve = calibrated([curve], chain.step_mm)[0]
    end = curve.span
    length = curve.length(0.0, end)
    points = curve.at(np.linspace(0.0, end, int(length / OUTLINE_STEP_MM) + 8))
    points[-1] = points[0]
    gradient = curve.length_gradient(0.0, end)
    u_length = float(np.sqrt(gradient @ curve.covariance @ gradient))
    edge = FittedEdge("curve", points, length, 0.0, u_length, _rms(curve))
    return FittedOutline(
        corners_mm=points[:1],
        angles_deg=np.array([180.0]),
        u_corners_mm=np.array([curve.u_across(0.0)]),
        u_angles_deg=np.array([curve.u_direction_deg(0.0)]),
        edges=(edge,),
        outline_mm=points[:-1],
        breaks=(),
    )
