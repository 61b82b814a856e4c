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
    K3,
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
from flatmeasure.view.ripple import TURN, estimate

# What each row of the prior speaks of, in words a person reads in the list of what limits a photo.
PRIOR_CAUSES = ("focal length", "lens centre", "lens centre", "lens distortion", "lens distortion")
OWN_CAUSES = (
    "lens beyond k1 and k2",
    "tone at the references' edges",
    "size of the references",
    "spacing of the mat's grid",
)
SEEN_CAUSE = "locating the references"

CHI_SQUARE_LIMIT = 4.0  # mean squared residual over its expectation: twice as rough as stated is no longer chance
MOST_STEPS = 60  # of a solver: what takes more is a valley, along which nothing is known
MAX_WIDENINGS, WIDENED_ENOUGH = 6, 1.1
CONTRADICTED_WIDE = 2.5  # of a wide lens: in 1 of 9, whose u then grows
U_LOG_FOCAL_STATED = 0.1  # what is known better than so was stated
CONTRADICTED = 7.0  # drop of chi-square without what is known of the focal length: by chance in 1 of 120 photos
MOST_CONTRADICTED = 1.0  # log of their ratio: references that ask for more are not flat
LEFT_ROUGH = 0.1  # of the mean squared residual, at most, is left where the focal length was the cause of it
SUSPICIOUS = 1.5  # standard deviations between the two, mean squared residual, or scale of turns: tried without it
# A picture zoomed into by computing, or cropped, shows a focal length of its own and a centre of its own.
U_LOG_FOCAL_FREED, U_CENTRE_FREED = 0.7, 0.1  # a factor of two; of the principal point's distance from the corner
LENS_SHARE = 0.0001  # of a common lens: some hundredths of a pixel all over the picture
U_GROWTH_PX = 0.15  # tone curves and sharpening move a dark edge by about this much (design, section 2)


# Typical steps of the unknowns: they only condition the solver.
CAMERA_SCALE = (0.03, 30.0, 30.0, 0.02, 0.01)
POSE_SCALE = (0.01, 0.01, 0.01, 5.0, 5.0, 5.0)
K3_SCALE = 0.01
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
        Standard deviation of the next radial term, k3.
    lens_share : float
        By how much a lens that is not quite radial turns a line, rms over it, as a share of its length.
    """

    mean: Points
    covariance: Points
    u_beyond: float = 1e-6
    lens_share: float = LENS_SHARE


@dataclass(frozen=True, eq=False)
class Solution:
    """The solved problem.

    Attributes
    ----------
    prior : CameraPrior
        As it was used: wider than what was given where the references contradict it.
    unknowns : (P,) array
    covariance : (P, P) array
    arrangement : Arrangement
        What was solved for.
    information : dict of str to (P, P) array
        Normal matrix of each independent cause of uncertainty; their sum is the inverse of the covariance.
    cost : float
        Half the weighted sum of squares with the usual ripple, priors included: by it two solutions are compared.
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

    What is known of the focal length gives way where the references contradict it: where the fit without it is better
    by more than chance (a likelihood ratio; W. Baarda, "A testing procedure for use in geodetic networks", 1968, for
    observations). It is mostly false where a picture was cropped or zoomed into by computing, so the principal point
    is set free with it.

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
    solution = _solve(references, prior, camera_of(prior.mean))
    # A wide lens explains much by its bend, so that little is left to contradict its focal length.
    wide = prior.lens_share > LENS_SHARE and prior.covariance[0, 0] < U_LOG_FOCAL_STATED**2
    if not (wide or _focal_suspicious(solution)):
        return solution
    # Where the focal length is held nearly fast, a solver goes straight; so it is first tried far off, then set free.
    shifts = np.outer((-U_LOG_FOCAL_FREED, U_LOG_FOCAL_FREED), np.eye(N_CAMERA)[0])
    tried = [replace(prior, mean=prior.mean + shift) for shift in shifts]
    held = [solution, *(_solve(references, one, camera_of(one.mean)) for one in tried)]
    begun = min(held, key=lambda s: s.cost).camera_and_pose()[0]
    freed = _solve(references, _with_u(prior, U_LOG_FOCAL_FREED), begun)
    far = abs(freed.unknowns[0] - prior.mean[0]) > MOST_CONTRADICTED
    rough = np.max(freed.chi_square) > max(CHI_SQUARE_LIMIT, LEFT_ROUGH * float(np.max(solution.chi_square)))
    if far or rough or _worse_by(references, solution, freed) < (CONTRADICTED_WIDE if wide else CONTRADICTED):
        return solution
    u_centre_px = U_CENTRE_FREED * float(np.hypot(*prior.mean[1:3]))
    return _solve(references, _with_u(prior, U_LOG_FOCAL_FREED, u_centre_px), freed.camera_and_pose()[0])


def _worse_by(references: Sequence[Reference], held: Solution, freed: Solution) -> float:
    """By how much chi-square is larger with the first prior than with the second, both weighed as the second is."""
    costs = []
    for solution in (held, freed):
        arrangement = replace(solution.arrangement, observations=freed.arrangement.observations)
        known = _known(solution.prior, references, len(solution.unknowns))
        costs.append(_least_squares(arrangement, solution.unknowns, known).cost)
    return 2.0 * float(costs[0] - costs[1])


def information_of(solution: Solution, reference: Reference) -> Points:
    """(P + 3, P + 3) normal matrix of a further reference's observations; its own placement comes last.

    Used to foresee what another reference would bring, before it is there.
    """
    camera, pose = solution.camera_and_pose()
    x = np.concatenate([solution.unknowns, placement_of(reference, camera, pose)])
    observations = stack([reference], solution.prior.lens_share)
    last = np.full_like(observations.reference, (len(x) - N_SHARED) // 3)
    further = replace(solution.arrangement, observations=replace(observations, reference=last))
    effects = replace(observations.effects, scales=solution.arrangement.observations.effects.scales)
    rows = replace(observations, effects=effects).whitened(jacobian(x, further))
    return np.asarray(rows.T @ rows)


def _focal_suspicious(solution: Solution) -> bool:
    """Do the references pull at the focal length, or do they not fit at all?"""
    known_u2, left_u2 = solution.prior.covariance[0, 0], solution.covariance[0, 0]
    pull = (solution.unknowns[0] - solution.prior.mean[0]) ** 2 / max(known_u2 - left_u2, 1e-6 * known_u2)
    turns = solution.arrangement.observations.effects.scales[TURN]
    return bool(pull > SUSPICIOUS**2 or max(float(np.max(solution.chi_square)), turns) > SUSPICIOUS)


def _with_u(prior: CameraPrior, u_log_focal: float, u_centre_px: float = 0.0) -> CameraPrior:
    """The same knowledge with a focal length and a principal point no surer than given."""
    added = np.square([u_log_focal, u_centre_px, u_centre_px, 0.0, 0.0])
    return replace(prior, covariance=prior.covariance + np.diag(added))


def _solve(references: Sequence[Reference], prior: CameraPrior, camera: Camera) -> Solution:
    """The fit, begun with a camera."""
    # Alone, a small square may be seen in two poses nearly as well; several references tell them apart by themselves.
    starts = starting_poses(references[0], camera)[: 2 if len(references) == 1 else 1]
    solutions = [
        _solve_from(*arrange(references, camera, start, prior.lens_share), references, prior) for start in starts
    ]
    return min(solutions, key=lambda s: s.cost)


@dataclass(frozen=True, eq=False)
class _Known:
    """What is known beforehand: ``rows`` x = ``at``, each to one standard deviation."""

    rows: Points
    at: Points

    def off(self, x: Points) -> Points:
        return self.rows @ x - self.at


def _known(prior: CameraPrior, references: Sequence[Reference], count: int) -> _Known:
    rows = prior_rows(prior, references, count)
    return _Known(rows, rows @ np.concatenate([prior.mean, np.zeros(count - N_CAMERA)]))


def _solve_from(
    arrangement: Arrangement, start: Points, references: Sequence[Reference], prior: CameraPrior
) -> Solution:
    """Solve; weigh anew by the ripple that the references show; and again with wider u while residuals are larger.

    The ratio is R. T. Birge's ("The calculation of errors by the method of least squares", 1932). It widens the
    observations alone: what is known of the lens beforehand must not give way to a reference that is not flat.
    """
    known = _known(prior, references, len(start))
    fit = _least_squares(arrangement, start, known)
    cost = float(fit.cost)
    arrangement = _weighed(arrangement, fit.x, known)
    fit = _least_squares(arrangement, fit.x, known)
    freedom = max(1, len(arrangement.observations.u_px) + len(known.rows) - len(start))
    for _ in range(MAX_WIDENINGS):
        white = arrangement.observations.whitened(misfit_px(fit.x, arrangement))
        birge = float(np.sum(white**2)) / freedom
        if birge < WIDENED_ENOUGH:
            break
        observations = arrangement.observations
        arrangement = replace(arrangement, observations=observations.widened(np.sqrt(birge)))
        fit = _least_squares(arrangement, fit.x, known)
    return _solution(arrangement, fit.x, references, prior, cost)


def _weighed(arrangement: Arrangement, x: Points, known: _Known) -> Arrangement:
    """The same arrangement with the ripple that the references show."""
    observations, scale = arrangement.observations, unknown_scale(len(x))
    noise_px = observations.noise_px
    effects = estimate(
        observations.effects,
        jacobian(x, arrangement) * scale / noise_px[:, None],
        misfit_px(x, arrangement) / noise_px,
        known.rows * scale,
        known.off(x),
    )
    return replace(arrangement, observations=replace(observations, effects=effects))


def _solution(
    arrangement: Arrangement, x: Points, references: Sequence[Reference], prior: CameraPrior, cost: float
) -> Solution:
    observations, misfit = arrangement.observations, misfit_px(x, arrangement)
    owner, count = observations.reference, len(references)
    number = np.bincount(owner, minlength=count)
    chi_square = np.bincount(owner, (misfit / observations.u_px) ** 2, count) / number
    residual_px = np.sqrt(np.bincount(owner, misfit**2, count) / number)
    rows = observations.whitened(jacobian(x, arrangement))
    information = _information(rows, prior_rows(prior, references, len(x)))
    covariance = scaled_inverse(sum(information.values(), np.zeros((len(x), len(x)))), unknown_scale(len(x)))
    return Solution(prior, x, covariance, arrangement, information, cost, residual_px, chi_square)


def _least_squares(arrangement: Arrangement, start: Points, known: _Known) -> OptimizeResult:
    """Observations, and what is known beforehand."""
    observations = arrangement.observations

    def residuals(x: Points) -> Points:
        return np.concatenate([observations.whitened(misfit_px(x, arrangement)), known.off(x)])

    def derivatives(x: Points) -> Points:
        return np.vstack([observations.whitened(jacobian(x, arrangement)), known.rows])

    scale = unknown_scale(len(start))
    return least_squares(
        residuals, start, derivatives, x_scale=scale, method="lm", ftol=1e-9, xtol=1e-9, max_nfev=MOST_STEPS
    )


def unknown_scale(count: int) -> Points:
    """(P,) typical size of a change of each unknown."""
    placements = (count - N_SHARED) // 3
    own = (K3_SCALE, U_GROWTH_PX, U_LOG_SIZE, U_LOG_PITCH)
    return np.array([*CAMERA_SCALE, *POSE_SCALE, *own, *(PLACEMENT_SCALE * placements)])


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
    """(9, P) rows of the design matrix that hold the priors, in units of their standard deviations."""
    u_log_size = max((r.u_log_size for r in references if r.kind != "grid"), default=U_LOG_SIZE)
    u_log_pitch = max((r.u_log_size for r in references if r.kind == "grid"), default=U_LOG_PITCH)
    own = {K3: prior.u_beyond, GROWTH: U_GROWTH_PX, LOG_SIZE: u_log_size, LOG_PITCH: u_log_pitch}
    rows = np.zeros((N_CAMERA + len(own), count))
    rows[:N_CAMERA, :N_CAMERA] = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    for row, (unknown, u) in enumerate(own.items(), start=N_CAMERA):
        rows[row, unknown] = 1.0 / u
    return rows
