"""Calibrate a lens from several photos of coded squares or of a plain checkerboard lying flat."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from flatmeasure.calibration.lens_fit import LensFit, LensView, fit_lens
from flatmeasure.errors import Note, PhotoUnusable, ReferenceImplausible, ReferenceNotFound, ViewsUnfit
from flatmeasure.photos.photo import Photo, PhotoSource, load_photo
from flatmeasure.references.checkerboard import find_board
from flatmeasure.references.figures import Reference
from flatmeasure.references.finding import find_references
from flatmeasure.view.bundle import CameraPrior
from flatmeasure.view.lens_profile import LensProfile, lens_turn, stored_size
from flatmeasure.view.rectification import camera_prior

LEAST_VIEWS = 4
LEAST_SPREAD_DEG = 15.0  # between the two most different directions from which the plane was seen
WORST_U_LOG_FOCAL = 0.015  # half of what the metadata leave open
WORST_U_K1 = 0.01
UNEVEN = 3.0  # times the median photo's residual, from which it is said

# Weak: they only keep the solver from wandering. Centre in parts of the longer side.
U_BEFORE = np.array([0.5, 0.1, 0.1, 0.5, 0.5])  # log focal length, centre, k1, k2


@dataclass(frozen=True, eq=False)
class Calibration:
    """What several photos say of a lens.

    Attributes
    ----------
    profile : LensProfile
    residual_px : tuple of (str, float)
        For each photo its name and the rms distance, in each direction, of what was seen from the fit.
    birge : float
        Mean squared residual over what was expected; 1 or more.
    notes : tuple of Note
    """

    profile: LensProfile
    residual_px: tuple[tuple[str, float], ...]
    birge: float
    notes: tuple[Note, ...]


def calibrate_photos(
    sources: Sequence[PhotoSource], *, square_mm: float, board: tuple[int, int] | None = None
) -> Calibration:
    """Calibrate the lens that took some photos.

    Parameters
    ----------
    sources : sequence of path, bytes or (H, W, 3) uint8 RGB array
    square_mm : float
        Side of the coded squares, or of one square of the board.
    board : (int, int), optional
        Inner crossings in a row and in a column of a plain checkerboard; coded squares are looked for when None.

    Raises
    ------
    ViewsUnfit
        The photos are too few, too similar, or not of one camera.
    PhotoUnreadable, OptionInvalid
    """
    views: list[LensView] = []
    notes: list[Note] = []
    first: Photo | None = None
    for source in sources:
        photo = load_photo(source)
        first = first or photo
        _check_same_lens(first, photo)
        try:
            references = _references(photo, square_mm, board)
        except (ReferenceNotFound, ReferenceImplausible, PhotoUnusable) as error:
            notes.append(Note("photo-left-out", f"{photo.name} was left out. {error}", "Take that photo again."))
            continue
        views.append(LensView(photo.name, references, lens_turn(photo), (photo.width_px, photo.height_px)))
    if first is None or len(views) < LEAST_VIEWS:
        left_out = f" {notes[0].message}" if notes else ""
        raise ViewsUnfit(
            f"A lens takes at least {LEAST_VIEWS} photos from different sides, but the squares were found in "
            f"{len(views)}: take more.{left_out}"
        )
    return _calibration(first, views, notes)


def _check_same_lens(first: Photo, photo: Photo) -> None:
    same = (photo.camera, photo.focal_35mm, stored_size(photo)) == (first.camera, first.focal_35mm, stored_size(first))
    if not same:
        raise ViewsUnfit(
            f"{photo.name} has another camera, focal length or picture size than {first.name}: give photos of one "
            "lens, as the camera stored them."
        )


def _references(photo: Photo, square_mm: float, board: tuple[int, int] | None) -> tuple[Reference, ...]:
    if board is not None:
        return (find_board(photo, board, square_mm),)
    coded = tuple(r for r in find_references(photo, square_mm=square_mm) if r.code is not None)
    if not coded:
        raise ReferenceNotFound("No coded square is seen: print some with flatmeasure sheet and lay them flat.")
    return coded


def _calibration(first: Photo, views: Sequence[LensView], notes: Sequence[Note]) -> Calibration:
    start = _seen_from_centre(camera_prior(first), first)
    u = U_BEFORE * [1.0, *[max(stored_size(first))] * 2, 1.0, 1.0]
    fit = fit_lens(views, start, CameraPrior(start.mean, np.diag(u**2)))
    _check_spread(fit, views)
    distance_mm = float(np.median([np.linalg.norm(pose.centre_mm) for pose in fit.poses]))
    profile = LensProfile(
        first.camera, first.focal_35mm, stored_size(first), fit.mean, fit.covariance, len(views), distance_mm
    )
    residual_px = tuple((view.name, value) for view, value in zip(views, fit.residual_px, strict=True))
    return Calibration(profile, residual_px, fit.birge, (*notes, *_notes(fit, residual_px)))


def _seen_from_centre(prior: CameraPrior, photo: Photo) -> CameraPrior:
    """A photo's prior in the frame in which the lens is solved for."""
    back = lens_turn(photo).T
    centre = np.array([0.0, (photo.width_px - 1) / 2, (photo.height_px - 1) / 2, 0.0, 0.0])
    return CameraPrior(back @ (prior.mean - centre), back @ prior.covariance @ back.T)


def _check_spread(fit: LensFit, views: Sequence[LensView]) -> None:
    """A plane seen from one side only does not tell focal length from distance."""
    normals = np.array([pose.rotation[:, 2] for pose in fit.poses])
    for normal, view in zip(normals, views, strict=True):
        normal[:2] = view.turn[1:3, 1:3].T @ normal[:2]
    spread_deg = float(np.degrees(np.arccos(np.clip(normals @ normals.T, -1.0, 1.0)).max()))
    u_focal = float(np.sqrt(fit.covariance[0, 0]))
    if spread_deg < LEAST_SPREAD_DEG or u_focal > WORST_U_LOG_FOCAL:
        raise ViewsUnfit(
            f"All photos look at the squares from nearly the same side (within {spread_deg:.0f} degrees), so the focal "
            f"length shows only to {100 * u_focal:.1f} %: tilt the camera to the left, to the right, toward you and "
            "away from you, by 20 to 30 degrees each."
        )


def _notes(fit: LensFit, residual_px: Sequence[tuple[str, float]]) -> Iterator[Note]:
    median = float(np.median([value for _, value in residual_px]))
    for name, value in residual_px:
        if value > UNEVEN * median:
            yield Note(
                "photo-uneven",
                f"{name} fits worse than the others ({value:.2f} px against {median:.2f} px).",
                "Check that the squares lay flat and the picture is sharp, or leave it out.",
            )
    if fit.covariance[3, 3] > WORST_U_K1**2:
        yield Note(
            "bend-unsure",
            "The squares hardly came near the picture's corners, so the lens's bend is little known.",
            "Add photos with squares in the corners of the picture.",
        )
