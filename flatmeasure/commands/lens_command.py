"""``flatmeasure lens``: calibrate a lens and keep what was found."""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flatmeasure.commands.options import length_option
from flatmeasure.errors import OptionInvalid

if TYPE_CHECKING:
    from flatmeasure.calibration.lens import Calibration

FEWEST_CROSSINGS, MOST_CROSSINGS = 3, 50


def lens(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO...", help="Photos of the same squares or board from several sides.")
    ],
    square_mm: Annotated[
        float,
        length_option(
            "--square", "side of the square", "Side of the coded squares, or of one square of the board.", shown="100mm"
        ),
    ] = 100.0,
    board: Annotated[
        str | None,
        typer.Option(metavar="9x6", help="Inner crossings in a row and a column, when it is a plain checkerboard."),
    ] = None,
    profiles: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where to keep the profile, instead of your data folder.")
    ] = None,
) -> None:
    """Calibrate a lens from several photos of flat squares; later photos of that camera are measured with it."""
    crossings = None if board is None else _parse_board(board)

    from flatmeasure.calibration.lens import calibrate_photos
    from flatmeasure.view.lens_profile import profiles_folder, save_profile

    found = calibrate_photos(photos, square_mm=square_mm, board=crossings)
    path = save_profile(found.profile, profiles or profiles_folder())
    print("\n".join(_lines(found)))
    print(f"\nKept in {path}")


def _parse_board(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"\s*(\d{1,2})\s*[x×]\s*(\d{1,2})\s*", text.lower())
    counts = tuple(int(n) for n in match.groups()) if match else ()
    if len(counts) != 2 or not all(FEWEST_CROSSINGS <= n <= MOST_CROSSINGS for n in counts):
        raise OptionInvalid(
            f"The board {text!r} is not two numbers of inner crossings from {FEWEST_CROSSINGS} to {MOST_CROSSINGS}, "
            "such as 9x6."
        )
    return counts[0], counts[1]


def _lines(found: "Calibration") -> list[str]:
    """What was found, for people; U = 2 u."""
    import numpy as np

    profile = found.profile
    focal_px = float(np.exp(profile.mean[0]))
    spread = 2.0 * np.sqrt(np.diag(profile.covariance))
    right, down, k1, k2 = profile.mean[1:]
    lines = [
        f"Lens of {profile.name}, from {profile.photos} photos",
        f"  focal length     {focal_px:.1f} ± {focal_px * spread[0]:.1f} px",
        f"  principal point  {right:+.1f} ± {spread[1]:.1f}, {down:+.1f} ± {spread[2]:.1f} px from the centre",
        f"  k1, k2           {k1:+.4f} ± {spread[3]:.4f}, {k2:+.4f} ± {spread[4]:.4f}",
        "",
        "Residuals",
        *(f"  {value:6.3f} px  {name}" for name, value in found.residual_px),
    ]
    if profile.camera is None or profile.focal_35mm is None:
        lines += ["", "The photos name no camera or focal length: use the profile with --lens and its path."]
    return lines + [line for note in found.notes for line in ("", f"{note.message} {note.advice}")]
