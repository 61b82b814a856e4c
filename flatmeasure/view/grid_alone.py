"""The view from a mat's printed grid where no square lies in the picture; else from the squares."""

import os
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from scipy.spatial import cKDTree

from flatmeasure.errors import ReferenceImplausible, ReferenceNotFound
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo
from flatmeasure.references.figures import UNIT_CORNERS, Rectangle, Square
from flatmeasure.view.bundle import CameraPrior
from flatmeasure.view.grid import find_grid
from flatmeasure.view.grid_start import HIGHEST_MM, LOWEST_MM, view_of_grid
from flatmeasure.view.lens_profile import STORED, LensProfile
from flatmeasure.view.rectification import Rectification, camera_prior, known_lens, rectify, rectify_references

ANY_PITCH_MM = 10.0
PATCHES = 8
NEIGHBOURHOOD, ALL_ROUND = 3.0, 8  # pitches; nodes are read every second pitch, so this many lie so near


def first_view(
    photo: Photo,
    *,
    grid_mm: float | None = None,
    references: Sequence[Square | Rectangle] | None = None,
    square_mm: float | None = None,
    rectangle_mm: tuple[float, float] | None = None,
    printed_side_mm: float | None = None,
    lens: LensProfile | str | os.PathLike[str] = STORED,
) -> Rectification:
    """The view from the squares, or from the mat's grid alone where its pitch is the only size stated or none is seen.

    Parameters
    ----------
    photo : Photo
    grid_mm : float, optional
        Distance between the lines printed on the mat.
    references, square_mm, rectangle_mm, printed_side_mm, lens
        As for `rectify`.

    Raises
    ------
    ReferenceNotFound, ReferenceImplausible, OptionInvalid, ProfileUnreadable
    """
    stated = any(size is not None for size in (references, square_mm, rectangle_mm, printed_side_mm))
    if grid_mm is not None and not stated:
        return rectify_on_grid_alone(photo, grid_mm, lens)
    try:
        return rectify(
            photo,
            references,
            square_mm=square_mm,
            rectangle_mm=rectangle_mm,
            printed_side_mm=printed_side_mm,
            lens=lens,
        )
    except ReferenceNotFound as error:
        if grid_mm is not None:
            return rectify_on_grid_alone(photo, grid_mm, lens)
        if view_of_grid(photo, camera_prior(photo), ANY_PITCH_MM) is None:
            raise
        raise ReferenceNotFound(
            "No square or sheet of known size is seen, but a printed grid is: "
            "say how far apart its lines are, e.g. --grid 10mm."
        ) from error


def rectify_on_grid_alone(
    photo: Photo, pitch_mm: float, lens: LensProfile | str | os.PathLike[str] = STORED
) -> Rectification:
    """Solve the view from a mat's printed grid, whatever lies on it.

    Parameters
    ----------
    photo : Photo
    pitch_mm : float
        Distance between neighbouring lines.
    lens : LensProfile, path, "stored" or "none"

    Raises
    ------
    ReferenceNotFound
        No such grid is seen.
    ReferenceImplausible
        With this pitch nobody would hold the camera where it must have been.
    OptionInvalid, ProfileUnreadable
    """
    prior, notes = known_lens(photo, lens)
    view = _read(photo, pitch_mm, prior)
    height_mm = float(view.pose.centre_mm[2])  # only a person's reach checks the stated spacing
    if not LOWEST_MM < height_mm < HIGHEST_MM:
        raise ReferenceImplausible(
            f"With lines {pitch_mm:g} mm apart the camera would have been {height_mm / 1000:.1f} m above the mat: "
            "say the distance between neighbouring lines, the finest that run all over the mat, or lay down a square."
        )
    return replace(view, notes=(*view.notes, *notes))


def bare_patches(view: Rectification) -> list[Points]:
    """Small squares (4, 2) of bare mat in the picture, far from one another, where a grid alone tells the view."""
    grid = view.grid
    if view.laid or grid is None:
        return []
    uv = grid.uv
    neighbours = cKDTree(uv).query_ball_point(uv, NEIGHBOURHOOD, return_length=True) - 1
    amid = uv[neighbours >= min(ALL_ROUND, neighbours.max())]
    chosen = [amid[np.argmin(np.linalg.norm(amid - amid.mean(axis=0), axis=1))]]
    while len(chosen) < PATCHES:
        away = np.min([np.linalg.norm(amid - at, axis=1) for at in chosen], axis=0)
        chosen.append(amid[np.argmax(away)])
    to_picture = cv2.findHomography(uv, grid.points_px)[0]
    cell = 2.0 * (UNIT_CORNERS - 0.5)
    return [cv2.perspectiveTransform((at + cell)[:, None], to_picture)[:, 0].astype(np.float64) for at in chosen]


def _read(photo: Photo, pitch_mm: float, prior: CameraPrior) -> Rectification:
    """Read twice: the second time where the first has shown the camera to be."""
    start = view_of_grid(photo, prior, pitch_mm)
    if start is not None:
        camera, pose = start
        for _ in range(2):
            grid = find_grid(photo, camera, pose, (pitch_mm,))
            if grid is None:
                break
            view = rectify_references([grid], prior)
            camera, pose = view.camera, view.pose
        else:
            return view
    raise ReferenceNotFound(
        f"No printed grid with lines {pitch_mm:g} mm apart is seen: let more of the mat show round the cloth, "
        "photograph it sharply, or lay down a square of known size."
    )
