"""One weighted least-squares problem for all the references tell: camera, lens, pose and where each of them lies.

The unknowns, in this order: log focal length, principal point (x, y), k1, k2 | rotation (3) and translation (3) of
the camera | apparent growth of dark areas in pixels | log of the references' true size over their stated size | place
(x, y) and turn of every reference but the first, whose place fixes the mat frame. Each has a prior or is free; the
covariance of the solution is what every stated uncertainty comes from (GUM, 5.2, with all correlations kept).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from flatmeasure.camera import Camera, Points, Pose, pose_from_rodrigues, project, to_plane, undistort
from flatmeasure.errors import ReferenceImplausible
from flatmeasure.figures import UNIT_CORNERS, Reference

N_CAMERA = 5  # log f, cx, cy, k1, k2
N_SHARED = 13  # the camera, its pose (6), growth, log size
POSE = slice(N_CAMERA, N_CAMERA + 6)
GROWTH, LOG_SIZE = 11, 12

# What each row of the prior speaks of, in words a person reads in the list of what limits a photo.
PRIOR_CAUSES = ("focal length", "lens centre", "lens centre", "lens distortion", "lens distortion")
OWN_CAUSES = ("tone at the references' edges", "size of the references")
SEEN_CAUSE = "locating the references"

U_GROWTH_PX = 0.15  # tone curves and sharpening move a dark edge by about this much (design, section 2)
U_LOG_SIZE = 0.002  # a print or cut square is true to about 0.2 %
U_STEP_PX = 0.05  # what a whole located side may be off by, however many points show it (measured on real boards)

# Typical steps of the unknowns: they only condition the solver.
CAMERA_SCALE = (0.03, 30.0, 30.0, 0.02, 0.01)
POSE_SCALE = (0.01, 0.01, 0.01, 5.0, 5.0, 5.0)
PLACEMENT_SCALE = (5.0, 5.0, 0.01)


@dataclass(frozen=True, eq=False)
class CameraPrior:
    """What is known of the camera before looking at the references.

    Attributes
    ----------
    mean : (5,) array
        log focal length (px), principal point x and y (px), k1, k2.
    covariance : (5, 5) array
    """

    mean: Points
    covariance: Points


@dataclass(frozen=True, eq=False)
class Solution:
    """The solved problem.

    Attributes
    ----------
    unknowns : (P,) array
    covariance : (P, P) array
    base : Pose
        The pose to which the rotation part of ``unknowns`` is an increment.
    first_placement : (3,) array
        x, y (mm) and turn (rad) of the first reference.
    information : dict of str to (P, P) array
        Normal matrix of each independent cause of uncertainty; their sum is the inverse of the covariance but for
        its Birge ratio.
    birge : float
        What the covariance was widened by because residuals were larger than stated (R. T. Birge, 1932); 1 or more.
    cost : float
        Half the weighted sum of squares at the solution, priors included.
    residual_px : (R,) array
        Rms of each reference's observations about the fit.
    chi_square : (R,) array
        Mean squared residual of each reference in units of its stated uncertainty: about 1 or less when all is well.
    """

    unknowns: Points
    covariance: Points
    base: Pose
    first_placement: Points
    information: dict[str, Points]
    birge: float
    cost: float
    residual_px: Points
    chi_square: Points

    def camera_and_pose(self, unknowns: Points | None = None) -> tuple[Camera, Pose]:
        """Camera and pose of the solution, or of other values of the unknowns."""
        x = self.unknowns if unknowns is None else unknowns
        return _camera(x), _pose(x, self.base)


@dataclass(frozen=True, eq=False)
class _Observations:
    """All observations of all references, stacked: where in its figure, where in the picture, how sure."""

    local_mm: Points  # (N, 2) in the figure's own frame, x right, y up
    reference: NDArray[np.intp]  # (N,)
    points_px: Points  # (N, 2)
    normals_px: Points  # (N, 2), toward the dark side
    grows: Points  # (N,) 1 where the growth of dark areas moves the observation, else 0
    weights: Points  # (N,) 1 / u


def figure_mm(uv: Points, size_mm: tuple[float, float]) -> Points:
    """Points of the unit figure (u right, v down) in its own millimetre frame (x right, y up)."""
    return uv * np.array([size_mm[0], -size_mm[1]])


def place(local_mm: Points, placement: Points) -> Points:
    """Turn and shift figure points (N, 2) onto the mat; ``placement`` is x, y, turn, one or one for each point."""
    x, y, turn = np.moveaxis(np.asarray(placement), -1, 0)
    c, s = np.cos(turn), np.sin(turn)
    across, up = local_mm[:, 0], local_mm[:, 1]
    return np.column_stack([c * across - s * up + x, s * across + c * up + y])


def solve(references: Sequence[Reference], prior: CameraPrior) -> Solution:
    """Fit camera, pose and placements to the references.

    Parameters
    ----------
    references : sequence of Reference
        The first fixes the mat frame.
    prior : CameraPrior

    Raises
    ------
    ReferenceImplausible
        If no camera above the mat can show the first reference like this.
    """
    observations = _stack(references)
    # Alone, a small square may be seen in two poses nearly as well; several references tell them apart by themselves.
    starts = _starts(references[0], prior)[: 2 if len(references) == 1 else 1]
    solutions = [_solve_from(start, references, observations, prior) for start in starts]
    return min(solutions, key=lambda s: s.cost)


def information_of(solution: Solution, reference: Reference) -> Points:
    """(P + 3, P + 3) normal matrix of a further reference's observations; its own placement comes last.

    Used to foresee what another reference would bring, before it is there.
    """
    camera, pose = solution.camera_and_pose()
    x = np.concatenate([solution.unknowns, _placement_of(reference, camera, pose)])
    last = (len(x) - N_SHARED) // 3
    obs = replace(
        _stack([reference]), reference=np.full(len(reference.steps[0].points_px) * len(reference.steps), last)
    )
    rows = _jacobian(x, solution.base, solution.first_placement, obs) * obs.weights[:, None]
    return np.asarray(rows.T @ rows)


def _stack(references: Sequence[Reference]) -> _Observations:
    local, index, points, normals, grows, weights = [], [], [], [], [], []
    for i, reference in enumerate(references):
        for step in reference.steps:
            start, end = np.asarray(step.start), np.asarray(step.end)
            uv = start + step.fractions[:, None] * (end - start)
            local.append(figure_mm(uv, reference.size_mm))
            points.append(step.points_px)
            normals.append(step.normals_px)
            grows.append(np.ones(len(uv)))
            # n points of u each plus one common shift of U_STEP_PX: spread over the points so that their mean keeps it
            weights.append(1.0 / np.sqrt(step.u_px**2 + len(uv) * U_STEP_PX**2))
            index.append(np.full(len(uv), i))
        if reference.corner_u_px is not None:
            for axis in np.eye(2):
                local.append(figure_mm(UNIT_CORNERS, reference.size_mm))
                points.append(reference.corners_px)
                normals.append(np.tile(axis, (4, 1)))
                grows.append(np.zeros(4))
                weights.append(np.full(4, 1.0 / reference.corner_u_px))
                index.append(np.full(4, i))
    return _Observations(
        np.concatenate(local),
        np.concatenate(index).astype(np.intp),
        np.concatenate(points),
        np.concatenate(normals),
        np.concatenate(grows),
        np.concatenate(weights),
    )


def _starts(first: Reference, prior: CameraPrior) -> list[Pose]:
    """Poses to start from: a plane seen small has up to two (Collins and Bartoli, "Infinitesimal plane-based pose
    estimation", 2014), turned so that X of the mat runs to the right of the picture."""
    camera = _camera(prior.mean)
    corners = np.column_stack([figure_mm(UNIT_CORNERS, first.size_mm), np.zeros(4)])
    flat = undistort(first.corners_px, camera)
    count, turns, shifts, errors = cv2.solvePnPGeneric(
        corners, flat[:, None], np.eye(3), np.zeros(4), flags=cv2.SOLVEPNP_IPPE
    )
    poses = [
        pose_from_rodrigues(np.asarray(turns[i], dtype=np.float64), np.asarray(shifts[i], dtype=np.float64).ravel())
        for i in range(count)
    ]
    above = [(float(np.ravel(errors)[i]), p) for i, p in enumerate(poses) if p.centre_mm[2] > 0]
    if not above:
        raise ReferenceImplausible(
            "The reference cannot lie flat under a camera the way this photo shows it: "
            "lay it flat and uncovered on the mat and photograph from above."
        )
    best = min(error for error, _ in above)
    return [_turned(pose) for error, pose in above if error < 4.0 * best + 1.0 / camera.focal_px]


def _turned(pose: Pose) -> Pose:
    """The same camera over a mat frame turned so that the camera's right is the mat's X."""
    right = pose.rotation[0]
    angle = np.arctan2(right[1], right[0])
    c, s = np.cos(angle), np.sin(angle)
    return Pose(pose.rotation @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]), pose.translation_mm)


def _placement_of(reference: Reference, camera: Camera, pose: Pose) -> Points:
    """Place and turn of a reference as a given camera sees its corners (rigid fit, Umeyama 1991)."""
    seen = to_plane(reference.corners_px, camera, pose)
    local = figure_mm(UNIT_CORNERS, reference.size_mm)
    a, b = local - local.mean(axis=0), seen - seen.mean(axis=0)
    turn = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    shift = seen.mean(axis=0) - place(local.mean(axis=0)[None], np.array([0.0, 0.0, turn]))[0]
    return np.array([shift[0], shift[1], turn])


def _solve_from(base: Pose, references: Sequence[Reference], obs: _Observations, prior: CameraPrior) -> Solution:
    camera = _camera(prior.mean)
    first = _placement_of(references[0], camera, base)
    placements = [_placement_of(reference, camera, base) for reference in references[1:]]
    if not np.all(np.isfinite(first)) or not np.all(np.isfinite(placements)):
        raise ReferenceImplausible(
            "The references cannot lie on one flat mat the way this photo shows them: "
            "lay them flat beside the cloth and photograph from above."
        )
    start = np.concatenate([prior.mean, np.zeros(3), base.translation_mm, [0.0, 0.0], *placements])
    scale = unknown_scale(len(start))
    prior_rows = _prior_rows(prior, len(start))
    prior_at = prior_rows @ np.concatenate([prior.mean, np.zeros(len(start) - N_CAMERA)])

    def residuals(x: Points) -> Points:
        return np.concatenate([_misfit(x, base, first, obs) * obs.weights, prior_rows @ x - prior_at])

    def jacobian(x: Points) -> Points:
        return np.vstack([_jacobian(x, base, first, obs) * obs.weights[:, None], prior_rows])

    fit = least_squares(residuals, start, jacobian, x_scale=scale, method="lm", ftol=1e-9, xtol=1e-9)
    misfit_px = _misfit(fit.x, base, first, obs)
    count = np.bincount(obs.reference, minlength=len(references))
    chi_square = np.bincount(obs.reference, (misfit_px * obs.weights) ** 2, len(references)) / count
    residual_px = np.sqrt(np.bincount(obs.reference, misfit_px**2, len(references)) / count)
    freedom = len(misfit_px) + len(prior_rows) - len(start)
    birge = max(1.0, float(np.sum(chi_square * count)) / max(1, freedom))
    information = _information(_jacobian(fit.x, base, first, obs) * obs.weights[:, None], prior_rows)
    covariance = birge * scaled_inverse(sum(information.values(), np.zeros((len(start), len(start)))), scale)
    return Solution(fit.x, covariance, base, first, information, birge, float(fit.cost), residual_px, chi_square)


def unknown_scale(count: int) -> Points:
    """(P,) typical size of a change of each unknown."""
    placements = (count - N_SHARED) // 3
    return np.array([*CAMERA_SCALE, *POSE_SCALE, U_GROWTH_PX, U_LOG_SIZE, *(PLACEMENT_SCALE * placements)])


def scaled_inverse(matrix: Points, scale: Points) -> Points:
    """Pseudo-inverse of a normal matrix whose unknowns have very different sizes."""
    inverse: Points = np.linalg.pinv(matrix * np.outer(scale, scale), hermitian=True) * np.outer(scale, scale)
    return inverse


def _information(seen_rows: Points, prior_rows: Points) -> dict[str, Points]:
    """Normal matrix of each cause."""
    parts = {SEEN_CAUSE: seen_rows.T @ seen_rows}
    for cause, row in zip((*PRIOR_CAUSES, *OWN_CAUSES), prior_rows, strict=True):
        parts[cause] = parts.get(cause, 0.0) + np.outer(row, row)
    return parts


def _prior_rows(prior: CameraPrior, count: int) -> Points:
    """(7, P) rows of the design matrix that hold the priors, in units of their standard deviations."""
    rows = np.zeros((N_CAMERA + 2, count))
    rows[:N_CAMERA, :N_CAMERA] = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    rows[N_CAMERA, GROWTH] = 1.0 / U_GROWTH_PX
    rows[N_CAMERA + 1, LOG_SIZE] = 1.0 / U_LOG_SIZE
    return rows


def _misfit(x: Points, base: Pose, first: Points, obs: _Observations) -> Points:
    """Observed minus modelled position along each observation's normal, in pixels."""
    on_mat = place(obs.local_mm * np.exp(x[LOG_SIZE]), _placements(x, first)[obs.reference])
    seen = project(np.column_stack([on_mat, np.zeros(len(on_mat))]), _camera(x), _pose(x, base))
    # dark areas that have grown by g show their border moved by g away from the dark side
    misfit: Points = np.sum((obs.points_px - seen) * obs.normals_px, axis=1) + x[GROWTH] * obs.grows
    return misfit


def _jacobian(x: Points, base: Pose, first: Points, obs: _Observations) -> Points:
    """(N, P) derivatives of the misfit."""
    camera, pose, placements = _camera(x), _pose(x, base), _placements(x, first)[obs.reference]
    turned = place(obs.local_mm * np.exp(x[LOG_SIZE]), placements * np.array([0.0, 0.0, 1.0]))
    on_mat = turned + placements[:, :2]
    before = on_mat @ base.rotation[:, :2].T  # turned into the starting camera frame
    seen = before @ (pose.rotation @ base.rotation.T).T + pose.translation_mm
    flat = seen[:, :2] / seen[:, 2:]
    k1, k2 = camera.radial
    r2 = np.sum(flat**2, axis=1)
    gain = 1.0 + r2 * (k1 + r2 * k2)
    along = -obs.normals_px  # the misfit falls as the model moves along the normal
    radial = np.sum(along * flat, axis=1)
    by_flat = camera.focal_px * (along * gain[:, None] + (radial * (2.0 * k1 + 4.0 * k2 * r2))[:, None] * flat)
    by_seen = np.column_stack([by_flat, -np.sum(by_flat * flat, axis=1)]) / seen[:, 2:]
    by_mat = by_seen @ pose.rotation[:, :2]

    rows = np.zeros((len(flat), len(x)))
    rows[:, 0] = camera.focal_px * gain * radial
    rows[:, 1:3] = along
    rows[:, 3] = camera.focal_px * r2 * radial
    rows[:, 4] = rows[:, 3] * r2
    turns = np.asarray(cv2.Rodrigues(x[POSE][:3])[1]).reshape(3, 3, 3)
    rows[:, 5:8] = np.einsum("ni,kij,nj->nk", by_seen, turns, before)
    rows[:, 8:11] = by_seen
    rows[:, GROWTH] = obs.grows
    rows[:, LOG_SIZE] = np.sum(by_mat * turned, axis=1)
    by_turn = by_mat[:, 1] * turned[:, 0] - by_mat[:, 0] * turned[:, 1]
    for i in range(1, len(_placements(x, first))):
        own = obs.reference == i
        column = N_SHARED + 3 * (i - 1)
        rows[own, column : column + 2] = by_mat[own]
        rows[own, column + 2] = by_turn[own]
    return rows


def _placements(x: Points, first: Points) -> Points:
    return np.vstack([first, x[N_SHARED:].reshape(-1, 3)])


def _camera(x: Points) -> Camera:
    return Camera(float(np.exp(x[0])), (float(x[1]), float(x[2])), (float(x[3]), float(x[4])))


def _pose(x: Points, base: Pose) -> Pose:
    increment = pose_from_rodrigues(x[POSE][:3], x[POSE][3:])
    return Pose(increment.rotation @ base.rotation, increment.translation_mm)
