"""What a calibration found out about a lens: kept in a file, and taken up for later photos of the same camera.

A profile is kept in the frame of the pixels as the camera stores them, before the orientation tag turns them: the lens
does not turn with the picture.
"""

import hashlib
import json
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatmeasure.errors import OptionInvalid, ProfileUnreadable
from flatmeasure.files import json_bytes, write_file
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo
from flatmeasure.view.bundle import CameraPrior

SCHEMA = "flatmeasure.lens/1"
STORED = "stored"
NONE = "none"

# What differs between the calibration's photos and later ones:
U_LOG_BREATHING = 0.003  # a lens that focuses elsewhere is another lens: 0.3 % is usual (design, section 1)
PHONE_FOCAL_MM = 6.0  # a thin lens focused at a distance d stands f / d farther out than at infinity
U_CENTRE = 0.002  # of the picture's longer side: stabilisation moves the lens or the sensor sideways
U_RADIAL = 0.001  # and neither k1 nor k2 is the same at another focus


@dataclass(frozen=True, eq=False)
class LensProfile:
    """A calibrated lens.

    Attributes
    ----------
    camera : str or None
        Make and model.
    focal_35mm : float or None
        35 mm equivalent focal length from the metadata.
    size_px : tuple of int
        Width and height of the pictures as stored.
    mean : (5,) array
        log focal length (px), offset of the principal point from the picture's centre (px, right and down in the
        picture as stored), k1, k2.
    covariance : (5, 5) array
        Of the calibration alone.
    photos : int
        How many were used.
    distance_mm : float
        Median distance from which they were taken.
    """

    camera: str | None
    focal_35mm: float | None
    size_px: tuple[int, int]
    mean: Points
    covariance: Points
    photos: int
    distance_mm: float

    @property
    def name(self) -> str:
        """The profile in words."""
        lens = f", {self.focal_35mm:g} mm equivalent" if self.focal_35mm is not None else ""
        return f"{self.camera or 'an unnamed camera'}{lens}, {self.size_px[0]} x {self.size_px[1]} px"

    def prior(self, photo: Photo) -> CameraPrior:
        """What the profile says of the camera of a photo, widened by what changes from photo to photo.

        A picture turned without saying so (its sides exchanged, no orientation tag) may have been turned either way:
        the principal point is then known only by its distance from the centre.

        Raises
        ------
        OptionInvalid
            The photo has another size.
        """
        width, height = stored_size(photo)
        mean, covariance = self.mean.copy(), self.covariance.copy()
        if (height, width) == self.size_px != (width, height):
            covariance[1:3], covariance[:, 1:3] = 0.0, 0.0
            covariance[[1, 2], [1, 2]] = np.max(np.diag(self.covariance)[1:3]) + np.max(mean[1:3] ** 2)
            mean[1:3] = 0.0
        elif (width, height) != self.size_px:
            raise OptionInvalid(
                f"The lens profile is for pictures of {self.size_px[0]} x {self.size_px[1]} px, but {photo.name} has "
                f"{width} x {height}: use the camera's original file, or --lens none."
            )
        change = u_of_change(self.size_px, self.distance_mm)
        turn = lens_turn(photo)
        upright = turn @ (covariance + np.diag(np.square(change))) @ turn.T
        centre = np.array([0.0, (photo.width_px - 1) / 2, (photo.height_px - 1) / 2, 0.0, 0.0])
        return CameraPrior(turn @ mean + centre, upright)

    def to_dict(self) -> dict[str, Any]:
        """The profile as JSON."""
        return {
            "schema": SCHEMA,
            "camera": self.camera,
            "focal_35mm": self.focal_35mm,
            "size_px": list(self.size_px),
            "mean": self.mean.tolist(),
            "covariance": self.covariance.tolist(),
            "photos": self.photos,
            "distance_mm": self.distance_mm,
        }


def u_of_change(size_px: tuple[int, int], distance_mm: float) -> Points:
    """(5,) standard deviation of a lens's numbers from a calibration at a distance to a later photo."""
    breathing = float(np.hypot(U_LOG_BREATHING, PHONE_FOCAL_MM / distance_mm / np.sqrt(12.0)))
    return np.array([breathing, *[U_CENTRE * max(size_px)] * 2, U_RADIAL, U_RADIAL])


def stored_size(photo: Photo) -> tuple[int, int]:
    """Width and height of the picture before its orientation tag turned it."""
    size = photo.width_px, photo.height_px
    return size[::-1] if photo.orientation >= 5 else size


def lens_turn(photo: Photo) -> Points:
    """(5, 5) how the numbers of a lens change from the picture as stored to the upright one, both seen from the centre.

    Orientation as in TIFF 6.0, tag 274; the same turns as in ``photo``.
    """
    turn = np.eye(2)
    if photo.orientation >= 5:
        turn = turn[::-1]
    across = -1.0 if photo.orientation in (2, 3, 6, 7) else 1.0
    down = -1.0 if photo.orientation in (3, 4, 7, 8) else 1.0
    whole = np.eye(5)
    whole[1:3, 1:3] = np.diag([across, down]) @ turn
    return whole


def lens_for(photo: Photo, source: LensProfile | str | os.PathLike[str]) -> LensProfile | None:
    """The profile for a photo.

    Parameters
    ----------
    photo : Photo
    source : LensProfile, path, "stored" or "none"
        A profile or a profile's file is taken as it is; from a folder, or from the user's data folder for "stored",
        the one of the photo's camera, focal length and size, if there is one.

    Raises
    ------
    OptionInvalid
        There is no such file or folder.
    ProfileUnreadable
        The file is damaged or something else.
    """
    if isinstance(source, LensProfile):
        return source
    if source == NONE:
        return None
    path = profiles_folder() if source == STORED else Path(source)
    if path.is_file():
        return load_profile(path)
    if source != STORED and not path.is_dir():
        raise OptionInvalid(f"There is no lens profile and no folder of them at {path}: check the path.")
    if photo.camera is None or photo.focal_35mm is None:
        return None
    file = path / file_name(photo.camera, photo.focal_35mm, stored_size(photo))
    return load_profile(file) if file.is_file() else None


def profiles_folder() -> Path:
    """Where a user's profiles are kept."""
    from platformdirs import user_data_path

    return user_data_path("flatmeasure", appauthor=False) / "lenses"


def file_name(camera: str | None, focal_35mm: float | None, size_px: tuple[int, int]) -> str:
    """The name of the file for a camera, a focal length and a picture size in either orientation."""
    long, short = max(size_px), min(size_px)
    key = f"{camera or 'unnamed'} {focal_35mm or 0.0:g}mm {long}x{short}"
    readable = re.sub(r"[^a-z0-9]+", "-", key.lower()).strip("-")[:60]
    return f"{readable}-{hashlib.sha256(key.encode()).hexdigest()[:8]}.json"


def save_profile(profile: LensProfile, folder: Path) -> Path:
    """Write a profile where `lens_for` finds it, whole or not at all; its path.

    Raises
    ------
    OptionInvalid
        It can't be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OptionInvalid(f"The folder {folder} can't be made: {error.strerror}.") from error
    path = folder / file_name(profile.camera, profile.focal_35mm, profile.size_px)
    write_file(path, json_bytes(profile.to_dict()))
    return path


def load_profile(path: Path) -> LensProfile:
    """Read a profile.

    Raises
    ------
    ProfileUnreadable
        The file is damaged or something else.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["schema"] != SCHEMA:
            raise ValueError(data["schema"])
        width, height = (int(v) for v in data["size_px"])
        mean, covariance = np.array(data["mean"], dtype=float), np.array(data["covariance"], dtype=float)
        if mean.shape != (5,) or covariance.shape != (5, 5):
            raise ValueError("shape")
        np.linalg.cholesky(covariance)  # symmetric and positive, as a covariance is
        return LensProfile(
            data["camera"], data["focal_35mm"], (width, height), mean, covariance, int(data["photos"]),
            float(data["distance_mm"]),
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError, np.linalg.LinAlgError) as error:
        raise ProfileUnreadable(
            f"{path.name} is not a lens profile or is damaged: calibrate the lens again with flatmeasure lens."
        ) from error
