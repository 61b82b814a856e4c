"""One weighted least-squares problem for all the references tell: camera, lens, pose and where each of them lies.

Each unknown (see ``projection``) has a prior or is free; the covariance of the solution is what every stated
uncertainty comes from (GUM, 5.2, with all correlations kept).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import OptimizeResult, least_squares

from flatmeasure.photos.camera import Camera, Points, Pose
from flatmeasure.references.figures import U_LOG_PITCH, U_LOG_SIZE, Reference
from flatmeasure.view.projection import (
    GROWTH,
    LOG_PITCH,
    LOG_SIZE,
    N_CAMERA,
    N_SHARED,
    Arrangement,
    arrange,
    camera_of,
    jacobian,
    misfit_px,
    placement_of,
    pose_of,
    stack,
    starting_poses,
)

# What each row of the prior speaks of, in words a person reads in the list of what limits a photo.
PRIOR_CAUSES = ("focal length", "lens centre", "lens centre", "lens distortion", "lens distortion")
OWN_CAUSES = ("tone at the references' edges", "size of the references", "spacing of the mat's grid")
SEEN_CAUSE = "locating the references"

MAX_WIDENINGS, WIDENED_ENOUGH = 6, 1.1
U_GROWTH_PX = 0.15  # tone curves and sharpening move a dark edge by about this much (design, section 2)


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
    u_beyond : float
        Standard deviation of the next radial term, k3, which is not solved for: what the model leaves out.
    """

    mean: Points
    covariance: Points
    u_beyond: float = 0.0


@dataclass(frozen=True, eq=False)
class Solution:
    """The solved problem.

    Attributes
    ----------
    prior : CameraPrior
    unknowns : (P,) array
    covariance : (P, P) array
    arrangement : Arrangement
        What was solved for.
    information : dict of str to (P, P) array
        Normal matrix of each independent cause of uncertainty; their sum is the inverse of the covariance.
    cost : float
        Half the weighted sum of squares with the u as stated, priors included: by it two solutions are compared.
    residual_px : (R,) array
        Rms of each reference's observations about the fit.
    chi_square : (R,) array
        Mean squared residual of each reference in units of its stated uncertainty: about 1 or less when all is well.
    """

    prior: CameraPrior
    unknowns: Points
    covariance: Points
    arrangement: Arrangement
    information: dict[str, Points]
    cost: float
    residual_px: Points
    chi_square: Points

    def camera_and_pose(self, unknowns: Points | None = None) -> tuple[Camera, Pose]:
        """Camera and pose of the solution, or of other values of the unknowns."""
        x = self.unknowns if unknowns is None else unknowns
        return camera_of(x), pose_of(x, self.arrangement.base)


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
    camera = camera_of(prior.mean)
    # Alone, a small square may be seen in two poses nearly as well; several references tell them apart by themselves.
    starts = starting_poses(references[0], camera)[: 2 if len(references) == 1 else 1]
    solutions = [_solve_from(*arrange(references, camera, start), references, prior) for start in starts]
    return min(solutions, key=lambda s: s.cost)


def information_of(solution: Solution, reference: Reference) -> Points:
    """(P + 3, P + 3) normal matrix of a further reference's observations; its own placement comes last.

    Used to foresee what another reference would bring, before it is there.
    """
    camera, pose = solution.camera_and_pose()
    x = np.concatenate([solution.unknowns, placement_of(reference, camera, pose)])
    observations = stack([reference])
    last = np.full_like(observations.reference, (len(x) - N_SHARED) // 3)
    further = replace(solution.arrangement, observations=replace(observations, reference=last))
    rows = jacobian(x, further) * observations.weights[:, None]
    return np.asarray(rows.T @ rows)


def _solve_from(
    arrangement: Arrangement, start: Points, references: Sequence[Reference], prior: CameraPrior
) -> Solution:
    """Solve, and again with wider u as long as the residuals are larger than stated.

    The ratio is R. T. Birge's ("The calculation of errors by the method of least squares", 1932). It widens the
    observations alone: what is known of the lens beforehand must not give way to a reference that is not flat.
    """
    scale = unknown_scale(len(start))
    known = prior_rows(prior, references, len(start))
    known_at = known @ np.concatenate([prior.mean, np.zeros(len(start) - N_CAMERA)])
    observations = arrangement.observations
    u_px, owner = observations.u_px, observations.reference
    freedom = max(1, len(u_px) + len(known) - len(start))
    widening, costs = 1.0, []
    for _ in range(MAX_WIDENINGS):
        weights = observations.weights / widening
        fit = _least_squares(arrangement, start, weights, known, known_at)
        costs.append(float(fit.cost))
        misfit = misfit_px(fit.x, arrangement)
        birge = float(np.sum((misfit / (u_px * widening)) ** 2)) / freedom
        if birge < WIDENED_ENOUGH:
            break
        widening, start = widening * np.sqrt(birge), fit.x
    count = np.bincount(owner, minlength=len(references))
    chi_square = np.bincount(owner, (misfit / u_px) ** 2, len(references)) / count
    residual_px = np.sqrt(np.bincount(owner, misfit**2, len(references)) / count)
    information = _information(jacobian(fit.x, arrangement) * weights[:, None], known)
    covariance = scaled_inverse(sum(information.values(), np.zeros((len(start), len(start)))), scale)
    return Solution(prior, fit.x, covariance, arrangement, information, costs[0], residual_px, chi_square)


def _least_squares(
    arrangement: Arrangement, start: Points, weights: Points, known: Points, known_at: Points
) -> OptimizeResult:
    """Observations with the given weights, and what is known beforehand: ``known`` x = ``known_at``."""

    def residuals(x: Points) -> Points:
        return np.concatenate([misfit_px(x, arrangement) * weights, known @ x - known_at])

    def derivatives(x: Points) -> Points:
        return np.vstack([jacobian(x, arrangement) * weights[:, None], known])

    scale = unknown_scale(len(start))
    return least_squares(residuals, start, derivatives, x_scale=scale, method="lm", ftol=1e-9, xtol=1e-9)


def unknown_scale(count: int) -> Points:
    """(P,) typical size of a change of each unknown."""
    placements = (count - N_SHARED) // 3
    return np.array([*CAMERA_SCALE, *POSE_SCALE, U_GROWTH_PX, U_LOG_SIZE, U_LOG_PITCH, *(PLACEMENT_SCALE * placements)])


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


def prior_rows(prior: CameraPrior, references: Sequence[Reference], count: int) -> Points:
    """(8, P) rows of the design matrix that hold the priors, in units of their standard deviations."""
    u_log_size = max((r.u_log_size for r in references if r.kind != "grid"), default=U_LOG_SIZE)
    u_log_pitch = max((r.u_log_size for r in references if r.kind == "grid"), default=U_LOG_PITCH)
    rows = np.zeros((N_CAMERA + 3, count))
    rows[:N_CAMERA, :N_CAMERA] = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    rows[N_CAMERA, GROWTH] = 1.0 / U_GROWTH_PX
    rows[N_CAMERA + 1, LOG_SIZE] = 1.0 / u_log_size
    rows[N_CAMERA + 2, LOG_PITCH] = 1.0 / u_log_pitch
    return rows
