"""Which photos are to be measured, and how."""

import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from flatmeasure.errors import OptionInvalid, PhotoUnreadable

ENDINGS = {".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif"}


@dataclass(frozen=True)
class BatchOptions:
    """How every photo is measured; the fields are the options of `measure`."""

    square_mm: float | None = None
    rectangle_mm: tuple[float, float] | None = None
    grid_mm: float | None = None
    thickness_mm: float = 0.0
    printed_side_mm: float | None = None
    lens: str = "stored"
    max_megapixels: float = 80.0

    def digest(self, version: str) -> str:
        """Name of these options, as a version of the program understands them.

        A lens enters by what its profiles say now, not by where they lie: one calibrated anew changes the name.
        """
        options = asdict(self) | {"lens": lens_digest(self.lens)}
        return hashlib.sha256(json.dumps([options, version], sort_keys=True).encode()).hexdigest()[:16]


def lens_digest(lens: str) -> str:
    """Name of what `lens_for` would choose from: a profile, or all in a folder; empty where there is none.

    Raises
    ------
    OptionInvalid
        A profile can't be read.
    """
    from flatmeasure.view.lens_profile import NONE, STORED, profiles_folder

    if lens == NONE:
        return ""
    path = profiles_folder() if lens == STORED else Path(lens)
    profiles = [path] if path.is_file() else sorted(path.glob("*.json"))
    try:
        said = sorted(profile.read_bytes() for profile in profiles)
    except OSError as error:
        raise OptionInvalid(f"The lens profile {error.filename} can't be read ({error.strerror}): allow it.") from error
    return hashlib.sha256(b"".join(hashlib.sha256(each).digest() for each in said)).hexdigest() if said else ""


@dataclass(frozen=True)
class ListedPhoto:
    """A file that may have changed since it was last seen.

    Attributes
    ----------
    path : str
        Relative to the folder, with forward slashes.
    size, mtime_ns : int
    """

    path: str
    size: int
    mtime_ns: int


def list_photos(folder: Path, leave_out: Path) -> Iterator[ListedPhoto]:
    """All photos in a folder and the folders within, in the order of their names.

    Hidden files and folders are left out, and so is a folder of results.

    Raises
    ------
    PhotoUnreadable
        A folder can't be read, or a name is no text: better than to leave photos out unseen.
    """
    left_out = leave_out.resolve()
    for at, folders, names in os.walk(folder, onerror=_refuse):
        folders[:] = sorted(f for f in folders if not f.startswith(".") and Path(at, f).resolve() != left_out)
        for name in sorted(names):
            path = Path(at, name)
            if name.startswith(".") or path.suffix.lower() not in ENDINGS or not path.is_file():
                continue
            shown, state = path.relative_to(folder).as_posix(), path.stat()
            if not shown.isprintable():
                raise PhotoUnreadable(f"The name {shown!a} is no plain text: rename the file or its folder.")
            yield ListedPhoto(shown, state.st_size, state.st_mtime_ns)


def _refuse(error: OSError) -> None:
    told = f"The folder {error.filename} can't be read ({error.strerror}): allow it, or move it elsewhere."
    raise PhotoUnreadable(told) from error
