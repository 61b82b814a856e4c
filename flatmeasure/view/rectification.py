"""From pixels to millimetres on the mat, with the uncertainty of getting there."""

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatmeasure.errors import Note, OptionInvalid, ReferenceImplausible
from flatmeasure.photos.camera import Camera, Points, Pose, focal_from_35mm, mm_per_px, project, to_plane
from flatmeasure.photos.photo import Photo, PhotoSource, load_photo
from flatmeasure.polygons import polygon_area
from flatmeasure.quantity import Quantity, root_sum_squares
from flatmeasure.references.figures import Rectangle, Reference, Saddles, Square
from flatmeasure.references.finding import find_references, reference_from_corners
from flatmeasure.view.bundle import (
    CHI_SQUARE_LIMIT,
    LENS_SHARE,
    CameraPrior,
    Solution,
    scaled_inverse,
    solve,
    unknown_scale,
)
from flatmeasure.view.lens_profile import STORED, LensProfile, lens_for
from flatmeasure.view.projection import GROWTH, N_VIEW, places_moved

LEFT_OUT_SHARE = 0.5  # of the mean squared residual, at most, is left where one reference contradicts the others
BENT_SHARE = 0.01  # of the extent: rms distance from a flat figure that no widened uncertainty makes good

# Without metadata: 21 to 36 mm equivalent covers nearly every phone and most kit lenses.
TYPICAL_35MM, U_LOG_TYPICAL = 27.0, 0.2
U_LOG_FOCAL = 0.03  # whole millimetres, and the picture may be cropped a little (design, section 2)
U_CENTRE = 0.01  # of the width
U_RADIAL = (0.03, 0.01)
U_RADIAL_UNKNOWN = (0.2, 0.05)  # a lens nothing is known of, or a wide one: its bend may be strong
U_BEYOND, U_BEYOND_UNKNOWN = 0.003, 0.08  # the next radial term, of the same two kinds of lens
LENS_SHARE_UNKNOWN = 0.001  # two such lenses stray by 0.3 to 0.5 px from the best radial model (see LENS_SHARE)
WIDE_35MM = 20.0
WIDE_ADVICE = " If it does, the lens bends more than can be told from it: lay it nearer the picture's middle."


U_MEASURED_SIDE_MM = 0.05  # reading a side with a calliper, or a steel rule and a lens, to a tenth of a millimetre
MOST_OFF_SCALE = 0.1  # a print farther from its nominal side was scaled on purpose or misread


@dataclass(frozen=True, eq=False)
class PlacedReference:
    """A reference as the fit sees it.

    Attributes
    ----------
    reference : Reference
    corners_mm : (4, 2) array, mat frame
    residual_px : float
        Rms distance of its observations from the fit, along their normals.
    """

    reference: Reference
    corners_mm: Points
    residual_px: float


@dataclass(frozen=True, eq=False)
class Rectification:
    """The solved view: where each pixel lies on the mat, and how sure that is.

    Attributes
    ----------
    camera, pose : Camera, Pose
    moves : (12, 12) array
        Changes of the unknowns of the view by one standard deviation along each principal direction of their
        covariance, one a row.
    causes : dict of str to (K, K) array
        What each cause contributes to the variance of a measure that changes by d (K,) along the `deviations`: d' M d.
        The matrices add up to the identity.
    references : tuple of PlacedReference
    solution : Solution
        The least-squares problem behind it.
    notes : tuple of Note
    straight_px : tuple of (2, 2) array
        Ends of the lines taken as straight, which told of the lens.
    """

    camera: Camera
    pose: Pose
    moves: Points
    causes: dict[str, Points]
    references: tuple[PlacedReference, ...]
    solution: Solution
    notes: tuple[Note, ...]
    straight_px: tuple[Points, ...] = ()

    @property
    def laid(self) -> tuple[PlacedReference, ...]:
        """The references that lie on the mat; the mat's own grid does not, it is everywhere."""
        return tuple(placed for placed in self.references if placed.reference.kind != "grid")

    @property
    def grid(self) -> Saddles | None:
        """Where the mat's printed grid was read; None where the view was solved without one."""
        return next((placed.reference.saddles for placed in self.references if placed.reference.kind == "grid"), None)

    @property
    def growth_px(self) -> tuple[float, float]:
        """Apparent growth of dark areas and its standard uncertainty."""
        return float(self.solution.unknowns[GROWTH]), float(np.sqrt(self.solution.covariance[GROWTH, GROWTH]))

    @property
    def contrast(self) -> float | None:
        """Height of the references' steps in linear luminance, where the growth was seen; None when unknown."""
        seen = [placed.reference.contrast for placed in self.laid if np.isfinite(placed.reference.contrast)]
        return float(np.median(seen)) if seen else None

    def to_mat(self, points_px: Points, z_mm: float | Points = 0.0) -> Points:
        """Points (N, 2) of the picture on the plane at height ``z_mm`` above the mat, (N, 2) mm."""
        return to_plane(np.asarray(points_px, dtype=np.float64).reshape(-1, 2), self.camera, self.pose, z_mm)

    def to_picture(self, points_mm: Points, z_mm: float | Points = 0.0) -> Points:
        """Where points (N, 2) of the plane at height ``z_mm`` appear, (N, 2) px."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        heights = np.broadcast_to(np.asarray(z_mm, dtype=np.float64), (len(points),))
        return project(np.column_stack([points, heights]), self.camera, self.pose)

    def deviations(self, points_px: Points, z_mm: float | Points = 0.0) -> Points:
        """How the points' places move together when the solution moves by one standard deviation.

        Returns
        -------
        (K, N, 2) array, mm
            One displacement field for each independent direction: the variance of any quantity is the sum over
            K of its squared changes (GUM, 5.2.2 with all correlations kept).
        """
        at = to_plane(points_px, self.camera, self.pose, z_mm)
        points_mm = np.column_stack([at, np.broadcast_to(z_mm, len(at))])
        solution = self.solution
        return places_moved(points_mm, self.moves, solution.unknowns, solution.arrangement.base)

    def mm_per_px(self, points_px: Points) -> Points:
        """(N,) size on the mat of one pixel at each point: geometric mean over directions."""
        return mm_per_px(np.asarray(points_px, dtype=np.float64).reshape(-1, 2), self.camera, self.pose)

    def distance(self, a_px: Points, b_px: Points, z_mm: float = 0.0, *, u_px: float = 0.3) -> Quantity:
        """Distance between two points of the picture on the plane at ``z_mm``.

        Parameters
        ----------
        a_px, b_px : (2,) array
        z_mm : float
        u_px : float
            Standard uncertainty of each point in each direction.
        """
        ends = np.array([a_px, b_px], dtype=np.float64)
        at = self.to_mat(ends, z_mm)
        moved = at + self.deviations(ends, z_mm)
        length = float(np.hypot(*(at[1] - at[0])))
        shared = np.linalg.norm(moved[:, 1] - moved[:, 0], axis=1) - length
        own = u_px * self.mm_per_px(ends)
        return Quantity(length, root_sum_squares(shared, own), "mm")

    def area(self, outline_px: Points, z_mm: float = 0.0) -> Quantity:
        """Area inside a closed polygon (N, 2) of the picture on the plane at ``z_mm``; its vertices count as exact."""
        points = np.asarray(outline_px, dtype=np.float64)
        at = self.to_mat(points, z_mm)
        area = float(polygon_area(at))
        moved = polygon_area(at + self.deviations(points, z_mm))
        return Quantity(abs(area), root_sum_squares(moved - area), "mm2")


def rectify(
    photo: PhotoSource | Photo,
    references: Sequence[Square | Rectangle] | None = None,
    *,
    square_mm: float | None = None,
    rectangle_mm: tuple[float, float] | None = None,
    printed_side_mm: float | None = None,
    lens: LensProfile | str | os.PathLike[str] = STORED,
) -> Rectification:
    """Solve where every pixel of a photo lies on the mat.

    Parameters
    ----------
    photo : path, bytes, (H, W, 3) uint8 RGB array or Photo
    references : sequence of Square or Rectangle, optional
        Corners given by hand; they are refined where the picture shows edges there. Found by themselves when None.
    square_mm : float, optional
        Side of all squares to be found.
    rectangle_mm : (float, float), optional
        Sides of a rectangle to be found.
    printed_side_mm : float, optional
        Side of the squares as measured on the print: it takes the place of ``square_mm`` and is surer.
    lens : LensProfile, path, "stored" or "none"
        A lens profile, its file, or a folder of them; "stored" takes the one of the photo's camera from the user's
        data folder, if there is one; "none" takes what the metadata say.

    Returns
    -------
    Rectification

    Raises
    ------
    PhotoUnreadable, ReferenceNotFound, ReferenceImplausible, OptionInvalid, ProfileUnreadable
    """
    picture = photo if isinstance(photo, Photo) else load_photo(photo)
    side_mm = square_mm if printed_side_mm is None else _checked_print(printed_side_mm, square_mm)
    if references is None:
        seen = find_references(picture, square_mm=side_mm, rectangle_mm=rectangle_mm)
    else:
        seen = tuple(reference_from_corners(picture, given) for given in references)
    if printed_side_mm is not None:
        u_log_size = U_MEASURED_SIDE_MM / printed_side_mm
        seen = tuple(replace(r, u_log_size=u_log_size) if r.size_mm[0] == r.size_mm[1] else r for r in seen)
    prior, notes = known_lens(picture, lens)
    view = rectify_references(seen, prior)
    return replace(view, notes=(*view.notes, *notes))


def known_lens(
    photo: Photo, lens: LensProfile | str | os.PathLike[str] = STORED
) -> tuple[CameraPrior, tuple[Note, ...]]:
    """What is known of a photo's camera, from a calibration or its metadata, and a note if it is from a calibration.

    Raises
    ------
    OptionInvalid, ProfileUnreadable
    """
    prior, profile = camera_prior(photo), lens_for(photo, lens)
    if profile is None:
        return prior, ()
    note = Note(
        "lens-profile",
        f"The lens is known from a calibration: {profile.name}, {profile.photos} photos.",
        "To measure without it, say --lens none.",
    )
    # A calibration solves for two radial terms: what is beyond them stays as unknown.
    return replace(profile.prior(photo), u_beyond=prior.u_beyond, lens_share=prior.lens_share), (note,)


def _checked_print(printed_side_mm: float, square_mm: float | None) -> float:
    if square_mm is not None and not abs(printed_side_mm / square_mm - 1.0) <= MOST_OFF_SCALE:
        raise OptionInvalid(
            f"A printed side of {printed_side_mm:g} mm is not that of a square of {square_mm:g} mm: "
            "measure the black square again, or print the sheet anew at 100 %."
        )
    return printed_side_mm


def camera_prior(photo: Photo) -> CameraPrior:
    """What a photo's metadata tell of its camera (design, section 2)."""
    width, height = photo.width_px, photo.height_px
    known = photo.focal_35mm is not None
    focal_35mm = photo.focal_35mm or TYPICAL_35MM
    usual = known and focal_35mm >= WIDE_35MM
    radial = U_RADIAL if usual else U_RADIAL_UNKNOWN
    u_centre = U_CENTRE * max(width, height)
    u = np.array([U_LOG_FOCAL if known else U_LOG_TYPICAL, u_centre, u_centre, *radial])
    focal_px = focal_from_35mm(focal_35mm, width, height)
    mean = np.array([np.log(focal_px), (width - 1) / 2, (height - 1) / 2, 0.0, 0.0])
    beyond = (U_BEYOND, LENS_SHARE) if usual else (U_BEYOND_UNKNOWN, LENS_SHARE_UNKNOWN)
    return CameraPrior(mean, np.diag(u**2), *beyond)


def rectify_references(references: Sequence[Reference], prior: CameraPrior) -> Rectification:
    """Solve the view from located references; one that contradicts the others is left out and reported.

    Raises
    ------
    ReferenceImplausible
        If a single reference is no flat figure of its stated shape.
    """
    ordered = sorted(references, key=lambda r: -abs(float(polygon_area(r.corners_px))))
    solution = solve(ordered, prior)
    left_out: list[Reference] = []
    while np.max(solution.chi_square) > CHI_SQUARE_LIMIT and len(ordered) > 2:
        trials = [solve(ordered[:i] + ordered[i + 1 :], prior) for i in range(len(ordered))]
        best = int(np.argmin([np.max(t.chi_square) for t in trials]))
        if np.max(trials[best].chi_square) > LEFT_OUT_SHARE * np.max(solution.chi_square):
            break  # all are alike: none contradicts the others
        left_out.append(ordered.pop(best))
        solution = trials[best]
    bend = solution.residual_px / [_extent_px(reference) for reference in ordered]
    bend[solution.chi_square <= CHI_SQUARE_LIMIT] = 0.0  # noise is no bend
    if np.max(bend) > BENT_SHARE:
        raise ReferenceImplausible(_bent(ordered[int(np.argmax(bend))], len(ordered)))
    return _rectification(ordered, solution, _notes(ordered, left_out, solution, prior))


def _extent_px(reference: Reference) -> float:
    """Narrower extent of what is seen of a reference."""
    grid = reference.saddles if reference.kind == "grid" else None
    points_px = reference.corners_px if grid is None else grid.points_px
    return float(np.ptp(points_px, axis=0).min())


def _rectification(references: Sequence[Reference], solution: Solution, notes: tuple[Note, ...]) -> Rectification:
    camera, pose = solution.camera_and_pose()
    placed = tuple(
        PlacedReference(reference, to_plane(reference.corners_px, camera, pose), float(residual))
        for reference, residual in zip(references, solution.residual_px, strict=True)
    )
    return Rectification(camera, pose, *_moves(solution), placed, solution, notes)


def _moves(solution: Solution) -> tuple[Points, dict[str, Points]]:
    """`Rectification.moves` and `Rectification.causes` of a solution."""
    values, vectors = np.linalg.eigh(solution.covariance[:N_VIEW, :N_VIEW])
    values = np.maximum(values, 1e-12 * values[-1])
    moves = (vectors * np.sqrt(values)).T
    # An estimate is a linear function of its independent inputs: its covariance is the sum of C I_s C over the normal
    # matrices I_s of the inputs, here seen in the basis in which the whole is the identity.
    into = (vectors / np.sqrt(values)).T @ solution.covariance[:N_VIEW]
    return moves, {cause: into @ part @ into.T for cause, part in solution.information.items()}


def foreseen(view: Rectification, information: dict[str, Points]) -> Rectification:
    """The same view as it would be known had its causes of uncertainty other normal matrices.

    The matrices may have more unknowns than the view's (a further reference); those come last.
    """
    total = sum(information.values(), np.zeros_like(next(iter(information.values()))))
    solution = view.solution
    covariance = scaled_inverse(total, unknown_scale(len(total)))
    unknowns = np.concatenate([solution.unknowns, np.zeros(len(total) - len(solution.unknowns))])
    changed = replace(solution, unknowns=unknowns, covariance=covariance, information=information)
    moves, causes = _moves(changed)
    return replace(view, moves=moves, causes=causes, solution=changed)


def _name(reference: Reference) -> str:
    return f"the coded square {reference.code}" if reference.code is not None else f"the {reference.kind} reference"


def _bent(reference: Reference, count: int) -> str:
    if count == 1:
        return (
            f"{_name(reference).capitalize()} does not look like a flat figure of {reference.size_mm[0]:g} x "
            f"{reference.size_mm[1]:g} mm: lay it flat, uncovered, and check the size you gave."
        )
    return (
        "The references contradict each other: check that each lies flat and uncovered on the mat "
        "and that all have the size you gave."
    )


def _notes(
    references: Sequence[Reference], left_out: Sequence[Reference], solution: Solution, prior: CameraPrior
) -> tuple[Note, ...]:
    notes = [
        Note(
            "reference-left-out",
            f"{_name(reference).capitalize()} disagrees with the others and was left out.",
            "Check that it lies flat and uncovered and has the stated size.",
        )
        for reference in left_out
    ]
    if solution.prior is not prior and prior.covariance[0, 0] < U_LOG_TYPICAL**2:
        notes.append(
            Note(
                "focal-contradicted",
                "The references contradict the focal length that the photo's metadata (or a lens profile) state; "
                "it was found from the references alone, which is less sure.",
                "Mostly such a picture was cropped or zoomed into: give it as the camera took it, the squares flat.",
            )
        )
    if np.max(solution.chi_square) > CHI_SQUARE_LIMIT:
        worst = references[int(np.argmax(solution.chi_square))]
        notes.append(
            Note(
                "reference-uneven",
                f"{_name(worst).capitalize()} does not fit a flat square well; all uncertainties were widened.",
                "Check that it lies flat and uncovered and has the stated size."
                + (WIDE_ADVICE if solution.prior.u_beyond > U_BEYOND else ""),
            )
        )
    return tuple(notes)
