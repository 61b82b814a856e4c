"""How references on a mat appear to a camera: the model behind the least-squares problem, and its derivatives.

The unknowns x, in this order: log focal length, principal point (x, y), k1, k2 | rotation (3) and translation (3) of
the camera | k3 | apparent growth of dark areas in pixels | log of the references' true size over their stated size, and
of the mat's grid's | place (x, y) and turn of every reference but the first, whose place fixes the mat frame.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.errors import ReferenceImplausible
from flatmeasure.photos.camera import Camera, Points, Pose, pose_from_rodrigues, project, to_plane, undistort
from flatmeasure.references.figures import UNIT_CORNERS, Reference
from flatmeasure.view.ripple import Effects, fixed_sizes_px, line_effects, print_sizes_px

N_CAMERA = 5  # log f, cx, cy, k1, k2
N_VIEW = 12  # the camera, its pose and k3
N_SHARED = 15  # the view, growth, log size of the references and of the grid
POSE = slice(N_CAMERA, N_CAMERA + 6)
K3, GROWTH, LOG_SIZE, LOG_PITCH = 11, 12, 13, 14

U_STEP_SHARE = 0.0004  # of a line's length: how far print and paper put it off where all is well


@dataclass(frozen=True, eq=False)
class Observations:
    """All observations of all references, stacked: where in its figure, where in the picture, how sure."""

    local_mm: Points  # (N, 2) in the figure's own frame, x right, y up
    reference: NDArray[np.intp]  # (N,)
    points_px: Points  # (N, 2)
    normals_px: Points  # (N, 2), toward the dark side
    grows: Points  # (N,) 1 where the growth of dark areas moves the observation, else 0
    u_px: Points  # (N,) how far each may lie from the fit where all is well
    noise_px: Points  # (N,) of each by itself
    effects: Effects  # what the points of a line have in common
    size: NDArray[np.intp]  # (N,) which unknown its size belongs to

    def whitened(self, rows: Points) -> Points:
        """Rows (N, ...) of misfits or of their derivatives, made independent of each other and of unit variance."""
        return self.effects.whitened((rows.T / self.noise_px).T)

    def widened(self, factor: float) -> "Observations":
        """The same observations, each less sure by a factor; so is what they have in common, which counts in noises."""
        return replace(self, noise_px=factor * self.noise_px)


@dataclass(frozen=True, eq=False)
class Arrangement:
    """References under a camera near a starting pose.

    Attributes
    ----------
    base : Pose
        The pose to which the rotation part of the unknowns is an increment.
    first_placement : (3,) array
        x, y (mm) and turn (rad) of the first reference.
    observations : Observations
    """

    base: Pose
    first_placement: Points
    observations: Observations


def figure_mm(uv: Points, size_mm: tuple[float, float]) -> Points:
    """Points of the unit figure (u right, v down) in its own millimetre frame (x right, y up)."""
    return np.asarray(uv * np.array([size_mm[0], -size_mm[1]]))


def place(local_mm: Points, placement: Points) -> Points:
    """Turn and shift figure points (N, 2) onto the mat; ``placement`` is x, y, turn, one or one for each point."""
    x, y, turn = np.moveaxis(np.asarray(placement), -1, 0)
    c, s = np.cos(turn), np.sin(turn)
    across, up = local_mm[:, 0], local_mm[:, 1]
    return np.column_stack([c * across - s * up + x, s * across + c * up + y])


def stack(references: Sequence[Reference], lens_share: float) -> Observations:
    """All that is seen of the references, as observations along normals.

    ``lens_share``: by how much the lens may turn a line against its model, rms, as a share of its length.
    """
    local, index, points, normals, grows, alone, noise = [], [], [], [], [], [], []
    fractions, lengths, fixed_px, print_px = [], [], [], []  # of lines: their points, what these have in common
    for i, reference in enumerate(references):
        px_per_mm = _px_per_mm(reference)
        for step in reference.steps:
            start, end = np.asarray(step.start), np.asarray(step.end)
            local.append(figure_mm(start + step.fractions[:, None] * (end - start), reference.size_mm))
            points.append(step.points_px)
            normals.append(step.normals_px)
            grows.append(np.ones(len(step.u_px)))
            length_px = float(np.linalg.norm(step.points_px[-1] - step.points_px[0]))
            noise.append(step.u_px)
            fractions.append(step.fractions)
            lengths.append([len(step.u_px)])
            length_mm = float(np.linalg.norm((end - start) * reference.size_mm))
            fixed_px.append(fixed_sizes_px(length_px, lens_share)[None])
            alone.append(np.hypot(step.u_px, np.hypot(fixed_px[-1][0, 0], U_STEP_SHARE * length_px)))
            print_px.append(print_sizes_px(length_mm, px_per_mm)[None])
            index.append(np.full(len(step.u_px), i))
        for uv, seen_px, u_px, ripple_px in _fixed_points(reference):
            for axis in np.eye(2):
                local.append(figure_mm(uv, reference.size_mm))
                points.append(seen_px)
                normals.append(np.tile(axis, (len(uv), 1)))
                grows.append(np.zeros(len(uv)))
                alone.append(np.hypot(u_px, ripple_px))
                noise.append(u_px)
                fractions.append(np.zeros(len(uv)))
                lengths.append([1] * len(uv))
                fixed_px.append(np.zeros((len(uv), 3)))
                print_px.append(np.tile([ripple_px, 0.0, 0.0], (len(uv), 1)))
                index.append(np.full(len(uv), i))
    owner, noise_px = np.concatenate(index).astype(np.intp), np.concatenate(noise)
    sizes = np.array([LOG_PITCH if reference.kind == "grid" else LOG_SIZE for reference in references])
    counts = np.concatenate(lengths)
    line = np.repeat(np.arange(len(counts)), counts)
    return Observations(
        np.concatenate(local),
        owner,
        np.concatenate(points),
        np.concatenate(normals),
        np.concatenate(grows),
        np.concatenate(alone),
        noise_px,
        line_effects(line, np.concatenate(fractions), noise_px, np.concatenate(fixed_px), np.concatenate(print_px)),
        sizes[owner],
    )


def _px_per_mm(reference: Reference) -> float:
    """Mean over directions."""
    area_px = cv2.contourArea(reference.corners_px.astype(np.float32))
    return float(np.sqrt(area_px / np.prod(reference.size_mm)))


def _fixed_points(reference: Reference) -> Iterator[tuple[Points, Points, Points, float]]:
    """Points of a figure seen in both directions, which the growth of dark areas does not move: uv, px, u, ripple."""
    if reference.corner_u_px is not None:
        yield UNIT_CORNERS, reference.corners_px, np.full(4, reference.corner_u_px), 0.0
    if reference.saddles is not None:
        # the ripple that moves a printed sheet's lines moves its crossings; a board is stiff, a grid has its own u
        side_px = float(np.linalg.norm(reference.corners_px[1] - reference.corners_px[0]))
        ripple_px = U_STEP_SHARE * side_px if reference.kind == "coded" else 0.0
        yield reference.saddles.uv, reference.saddles.points_px, reference.saddles.u_px, ripple_px


def starting_poses(first: Reference, camera: Camera) -> list[Pose]:
    """Poses to start from, the likeliest first, turned so that X of the mat runs to the right of the picture.

    A plane seen small has up to two (T. Collins and A. Bartoli, "Infinitesimal plane-based pose estimation", 2014).

    Raises
    ------
    ReferenceImplausible
        If no camera above the mat can show the reference like this.
    """
    # One cell of a grid is too small to tell the pose, but the whole of it is seen at many points.
    uv, seen_px = UNIT_CORNERS, first.corners_px
    if first.kind == "grid" and first.saddles is not None:
        uv, seen_px = first.saddles.uv, first.saddles.points_px
    on_mat = np.column_stack([figure_mm(uv, first.size_mm), np.zeros(len(uv))])
    flat = undistort(seen_px, camera)
    count, turns, shifts, errors = cv2.solvePnPGeneric(
        on_mat, flat[:, None], np.eye(3), np.zeros(4), flags=cv2.SOLVEPNP_IPPE
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


def placement_of(reference: Reference, camera: Camera, pose: Pose) -> Points:
    """Place and turn of a reference as a given camera sees its corners (rigid fit, Umeyama 1991)."""
    seen = to_plane(reference.corners_px, camera, pose)
    local = figure_mm(UNIT_CORNERS, reference.size_mm)
    a, b = local - local.mean(axis=0), seen - seen.mean(axis=0)
    turn = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    shift = seen.mean(axis=0) - place(local.mean(axis=0)[None], np.array([0.0, 0.0, turn]))[0]
    return np.array([shift[0], shift[1], turn])


def arrange(
    references: Sequence[Reference], camera: Camera, base: Pose, lens_share: float
) -> tuple[Arrangement, Points]:
    """References under a camera at a starting pose, and the unknowns (P,) with which a solver may start.

    Raises
    ------
    ReferenceImplausible
        If they cannot lie on one plane under this camera.
    """
    placements = [placement_of(reference, camera, base) for reference in references]
    if not np.all(np.isfinite(placements)):
        raise ReferenceImplausible(
            "The references cannot lie on one flat mat the way this photo shows them: "
            "lay them flat beside the cloth and photograph from above."
        )
    k1, k2, k3 = (*camera.radial, 0.0)[:3]
    lens = [np.log(camera.focal_px), *camera.principal_point_px, k1, k2]
    start = np.concatenate([lens, np.zeros(3), base.translation_mm, [k3], np.zeros(3), *placements[1:]])
    return Arrangement(base, placements[0], stack(references, lens_share)), start


def misfit_px(x: Points, arrangement: Arrangement) -> Points:
    """Observed minus modelled position along each observation's normal, in pixels."""
    obs = arrangement.observations
    on_mat = place(_true_size(x, obs), _placements(x, arrangement)[obs.reference])
    seen = project(np.column_stack([on_mat, np.zeros(len(on_mat))]), camera_of(x), pose_of(x, arrangement.base))
    # dark areas that have grown by g show their border moved by g away from the dark side
    misfit: Points = np.sum((obs.points_px - seen) * obs.normals_px, axis=1) + x[GROWTH] * obs.grows
    return misfit


def jacobian(x: Points, arrangement: Arrangement) -> Points:
    """(N, P) derivatives of the misfit."""
    obs, placements = arrangement.observations, _placements(x, arrangement)
    placed = placements[obs.reference]
    turned = place(_true_size(x, obs), placed * np.array([0.0, 0.0, 1.0]))
    on_mat = np.column_stack([turned + placed[:, :2], np.zeros(len(turned))])
    # the misfit falls as the model moves along the normal
    by_view, by_mat = _by_view_and_place(-obs.normals_px, on_mat, x, arrangement.base)
    rows = np.zeros((len(turned), len(x)))
    rows[:, :N_VIEW] = by_view
    rows[:, GROWTH] = obs.grows
    rows[np.arange(len(rows)), obs.size] = np.sum(by_mat * turned, axis=1)
    by_turn = by_mat[:, 1] * turned[:, 0] - by_mat[:, 0] * turned[:, 1]
    for i in range(1, len(placements)):
        own = obs.reference == i
        column = N_SHARED + 3 * (i - 1)
        rows[own, column : column + 2] = by_mat[own]
        rows[own, column + 2] = by_turn[own]
    return rows


def places_moved(points_mm: Points, moves: Points, x: Points, base: Pose) -> Points:
    """How what is seen at fixed pixels moves, each at its own height, when the view changes.

    Parameters
    ----------
    points_mm : (N, 3) array
        What is seen at the pixels, mat frame.
    moves : (K, 12) array
        Small changes of the view.
    x, base
        The unknowns and the pose they start from.

    Returns
    -------
    (K, N, 2) array, mm
        By the implicit function theorem, to first order.
    """
    axes = (np.tile(axis, (len(points_mm), 1)) for axis in np.eye(2))
    by_view, by_mat = zip(*(_by_view_and_place(axis, points_mm, x, base) for axis in axes), strict=True)
    moved_px = -np.moveaxis(np.stack(by_view) @ moves.T, (0, 1, 2), (2, 1, 0))
    return np.asarray(np.einsum("nij,knj->kni", np.linalg.inv(np.stack(by_mat, axis=1)), moved_px))


def _by_view_and_place(along: Points, points_mm: Points, x: Points, base: Pose) -> tuple[Points, Points]:
    """Derivatives of where points (N, 3) appear, along directions (N, 2) of the picture.

    By camera, pose and k3, (N, 12), and by the points' x and y, (N, 2).
    """
    camera, pose = camera_of(x), pose_of(x, base)
    before = points_mm @ base.rotation.T  # turned into the starting camera frame
    seen = before @ (pose.rotation @ base.rotation.T).T + pose.translation_mm
    flat = seen[:, :2] / seen[:, 2:]
    k1, k2, k3 = camera.radial
    r2 = np.sum(flat**2, axis=1)
    gain = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    radial = np.sum(along * flat, axis=1)
    bend = radial * (2.0 * k1 + r2 * (4.0 * k2 + r2 * 6.0 * k3))
    by_flat = camera.focal_px * (along * gain[:, None] + bend[:, None] * flat)
    by_seen = np.column_stack([by_flat, -np.sum(by_flat * flat, axis=1)]) / seen[:, 2:]
    by_k1 = camera.focal_px * r2 * radial
    turns = np.asarray(cv2.Rodrigues(x[POSE][:3])[1]).reshape(3, 3, 3)
    by_turns = np.sum((by_seen @ turns) * before, axis=2).T
    by_focal = camera.focal_px * gain * radial
    by_view = np.column_stack([by_focal, along, by_k1, by_k1 * r2, by_turns, by_seen, by_k1 * r2**2])
    return by_view, by_seen @ pose.rotation[:, :2]


def _true_size(x: Points, obs: Observations) -> Points:
    return obs.local_mm * np.exp(x[obs.size])[:, None]


def _placements(x: Points, arrangement: Arrangement) -> Points:
    return np.vstack([arrangement.first_placement, x[N_SHARED:].reshape(-1, 3)])


def camera_of(x: Points) -> Camera:
    """The camera the unknowns speak of, or the first five of them."""
    log_focal, cx, cy, *radial = (float(value) for value in [*x[:N_CAMERA], *x[K3 : K3 + 1]])
    return Camera(float(np.exp(log_focal)), (cx, cy), tuple(radial))


def pose_of(x: Points, base: Pose) -> Pose:
    """The pose the unknowns speak of."""
    increment = pose_from_rodrigues(x[POSE][:3], x[POSE][3:])
    return Pose(increment.rotation @ base.rotation, increment.translation_mm)
