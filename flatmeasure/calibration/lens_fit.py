"""The joint least-squares problem of several photos taken with one lens.

All photos share focal length, principal point, k1 and k2; each has a pose, a growth of dark areas and places of its own
(Z. Zhang, "A flexible new technique for camera calibration", 2000, with the model of ``projection``). The unknowns of a
photo are eliminated one photo at a time (Schur complement; B. Triggs and others, "Bundle adjustment: a modern
synthesis", 2000, section 6), so many photos cost no more memory than one.

The numbers of the lens: log focal length (px), offset of the principal point from the picture's centre (px), k1, k2, of
the picture as the camera stores it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatmeasure.photos.camera import Points, Pose
from flatmeasure.references.figures import Reference
from flatmeasure.view.bundle import CameraPrior, prior_rows, solve, unknown_scale
from flatmeasure.view.projection import N_CAMERA, N_SHARED, Arrangement, jacobian, misfit_px, pose_of, stack

ROUNDS = 60
FIRST_DAMPING, MOST_DAMPING = 1e-3, 1e8
SETTLED = 1e-10  # relative change of the cost


@dataclass(frozen=True, eq=False)
class LensView:
    """One photo's part in a calibration.

    Attributes
    ----------
    name : str
    references : tuple of Reference
        Lying on one plane.
    turn : (5, 5) array
        From the numbers of the lens in the picture as stored to the upright one, seen from the centre.
    size_px : tuple of int
        Of the upright picture.
    """

    name: str
    references: tuple[Reference, ...]
    turn: Points
    size_px: tuple[int, int]

    @property
    def centre(self) -> Points:
        """(5,) what the picture's centre adds to the numbers of the lens."""
        return np.array([0.0, (self.size_px[0] - 1) / 2, (self.size_px[1] - 1) / 2, 0.0, 0.0])


@dataclass(frozen=True, eq=False)
class LensFit:
    """The solved problem.

    Attributes
    ----------
    mean : (5,) array
    covariance : (5, 5) array
        From the residuals, and from how much the photos disagree, whichever is larger.
    birge : float
        Mean squared residual over its expectation, where it is larger than 1 (R. T. Birge, 1932).
    residual_px : tuple of float
        Rms distance of each view's observations from the fit: of points in the plane, of lines across them.
    poses : tuple of Pose
        Of each view.
    """

    mean: Points
    covariance: Points
    birge: float
    residual_px: tuple[float, ...]
    poses: tuple[Pose, ...]


@dataclass(frozen=True, eq=False)
class _Block:
    """A view in the joint problem, with its own unknowns (all of ``projection`` but the camera's) to start from."""

    view: LensView
    arrangement: Arrangement
    known: Points  # rows of the priors of the own unknowns
    start: Points

    def unknowns(self, lens: Points, own: Points) -> Points:
        return np.concatenate([self.view.turn @ lens + self.view.centre, own])

    def residuals(self, lens: Points, own: Points) -> Points:
        misfit = misfit_px(self.unknowns(lens, own), self.arrangement)
        return np.concatenate([self.arrangement.observations.whitened(misfit), self.known @ own])

    def jacobians(self, lens: Points, own: Points) -> tuple[Points, Points]:
        """Derivatives of the residuals by the lens and by the own unknowns, for steps of typical size."""
        rows = self.arrangement.observations.whitened(jacobian(self.unknowns(lens, own), self.arrangement))
        by_lens = np.vstack([rows[:, :N_CAMERA] @ self.view.turn, np.zeros((len(self.known), N_CAMERA))])
        scale = unknown_scale(N_CAMERA + len(own))
        return by_lens * scale[:N_CAMERA], np.vstack([rows[:, N_CAMERA:], self.known]) * scale[N_CAMERA:]


@dataclass(frozen=True, eq=False)
class _Normal:
    """Normal equations of one view, in steps of typical size: lens, own, both, and the two right-hand sides."""

    lens: Points
    own: Points
    both: Points
    lens_side: Points
    own_side: Points


def fit_lens(views: Sequence[LensView], start: CameraPrior, prior: CameraPrior) -> LensFit:
    """Fit one lens to several views.

    Parameters
    ----------
    views : sequence of LensView
    start : CameraPrior
        From which each view is solved alone; in the frame of the lens (see the module).
    prior : CameraPrior
        What the joint problem knows beforehand; in the same frame.

    Raises
    ------
    ReferenceImplausible
        No camera above the plane can show the references of some view like this.
    """
    blocks = [_begin(view, start) for view in views]
    lens = np.median([np.linalg.solve(b.view.turn, b.start[:N_CAMERA] - b.view.centre) for b in blocks], axis=0)
    own = [block.start[N_CAMERA:] for block in blocks]
    scale = unknown_scale(N_SHARED)[:N_CAMERA]
    information = np.asarray(np.linalg.inv(prior.covariance / np.outer(scale, scale)))

    def cost_at(lens: Points, own: Sequence[Points]) -> float:
        off = (lens - prior.mean) / scale
        seen = sum(float(np.sum(b.residuals(lens, v) ** 2)) for b, v in zip(blocks, own, strict=True))
        return seen + float(off @ information @ off)

    cost, damping = cost_at(lens, own), FIRST_DAMPING
    for _ in range(ROUNDS):
        normals = [_normal(block, lens, v) for block, v in zip(blocks, own, strict=True)]
        pull = information @ (lens - prior.mean) / scale
        while damping < MOST_DAMPING:
            lens_step, own_steps = _step(normals, information, pull, damping)
            new_lens = lens + lens_step * scale
            new_own = [v + s * unknown_scale(N_CAMERA + len(v))[N_CAMERA:] for v, s in zip(own, own_steps, strict=True)]
            new_cost = cost_at(new_lens, new_own)
            if new_cost < cost:
                break
            damping *= 10.0
        else:
            break
        settled = cost - new_cost < SETTLED * cost
        lens, own, cost, damping = new_lens, new_own, new_cost, damping / 10.0
        if settled:
            break
    return _result(blocks, lens, own, information, scale)


def _begin(view: LensView, start: CameraPrior) -> _Block:
    """A view solved alone."""
    upright = CameraPrior(view.turn @ start.mean + view.centre, view.turn @ start.covariance @ view.turn.T)
    references = sorted(view.references, key=_extent_px, reverse=True)
    solution = solve(references, upright)
    known = prior_rows(upright, references, len(solution.unknowns))[N_CAMERA:, N_CAMERA:]
    # one photo's rough fit must not weigh it down against the others: its noise is as stated again
    stated = stack(references, upright.lens_share).noise_px
    observations = replace(solution.arrangement.observations, noise_px=stated)
    return _Block(view, replace(solution.arrangement, observations=observations), known, solution.unknowns)


def _extent_px(reference: Reference) -> float:
    return float(np.linalg.norm(np.ptp(reference.corners_px, axis=0)))


def _normal(block: _Block, lens: Points, own: Points) -> _Normal:
    residuals = block.residuals(lens, own)
    by_lens, by_own = block.jacobians(lens, own)
    return _Normal(
        by_lens.T @ by_lens, by_own.T @ by_own, by_lens.T @ by_own, by_lens.T @ residuals, by_own.T @ residuals
    )


def _step(normals: Sequence[_Normal], information: Points, pull: Points, damping: float) -> tuple[Points, list[Points]]:
    """A step of Levenberg and Marquardt: of the lens, and of each view's own unknowns."""
    reduced, side, eliminated = information.copy(), pull.copy(), []
    for normal in normals:
        own = normal.own + damping * np.diag(np.diag(normal.own))
        solved = np.asarray(np.linalg.solve(own, np.column_stack([normal.both.T, normal.own_side])))
        reduced += normal.lens - normal.both @ solved[:, :N_CAMERA]
        side += normal.lens_side - normal.both @ solved[:, N_CAMERA]
        eliminated.append(solved)
    lens_step = np.asarray(np.linalg.solve(reduced + damping * np.diag(np.diag(reduced)), -side))
    return lens_step, [-solved[:, N_CAMERA] - solved[:, :N_CAMERA] @ lens_step for solved in eliminated]


def _result(
    blocks: Sequence[_Block], lens: Points, own: Sequence[Points], information: Points, scale: Points
) -> LensFit:
    reduced, chi_square, freedom = information.copy(), 0.0, 0
    pulls, residual_px, poses = [], [], []
    for block, v in zip(blocks, own, strict=True):
        normal = _normal(block, lens, v)
        solved = np.linalg.solve(normal.own, np.column_stack([normal.both.T, normal.own_side]))
        reduced += normal.lens - normal.both @ solved[:, :N_CAMERA]
        pulls.append(normal.lens_side - normal.both @ solved[:, N_CAMERA])
        residuals = block.residuals(lens, v)
        chi_square += float(np.sum(residuals**2))
        freedom += len(residuals) - len(v)
        x = block.unknowns(lens, v)
        residual_px.append(float(np.sqrt(np.mean(misfit_px(x, block.arrangement) ** 2))))
        poses.append(pose_of(x, block.arrangement.base))
    birge = max(1.0, chi_square / max(freedom, 1))
    inverse: Points = np.asarray(np.linalg.inv(reduced))
    by_photo = inverse @ np.array(pulls).T
    photos = len(blocks) / max(len(blocks) - 1, 1) * by_photo @ by_photo.T
    return LensFit(
        lens, _larger(birge * inverse, photos) * np.outer(scale, scale), birge, tuple(residual_px), tuple(poses)
    )


def _larger(first: Points, second: Points) -> Points:
    """A covariance as large as the larger of two in every direction; the first has full rank.

    The residuals of one photo have causes in common that the model leaves out (a board not quite flat, a lens not
    quite radial), so that single residuals say too little; the scatter of whole photos says more (K.-Y. Liang and
    S. L. Zeger, "Longitudinal data analysis using generalized linear models", 1986), but has few degrees of freedom.
    """
    root = np.linalg.cholesky(first)
    values, vectors = np.linalg.eigh(np.linalg.solve(root, np.linalg.solve(root, second).T))
    half = root @ vectors * np.sqrt(np.maximum(values, 1.0))
    return np.asarray(half @ half.T)
