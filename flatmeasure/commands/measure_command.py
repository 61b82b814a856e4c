"""``flatmeasure measure``: one photo."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flatmeasure.commands.hint_options import parse_hints
from flatmeasure.commands.options import (
    Cloth,
    GridSpacing,
    JsonFile,
    Lens,
    MaxMegapixels,
    NotCloth,
    Outside,
    PrintedSide,
    RectangleSize,
    SquareSide,
    Thickness,
    Unit,
    Within,
)
from flatmeasure.errors import OptionInvalid
from flatmeasure.files import check_writable, json_bytes, write_file
from flatmeasure.units import LengthUnit, Size

if TYPE_CHECKING:
    from flatmeasure.references.figures import Rectangle, Square
    from flatmeasure.results.measurement import Measurement

CORNERS_HELP = (
    "Last resort, when the reference is not found: its four corners in pixels of the upright photo, in order round it; "
    "of a rectangle, the side named first comes first."
)


def measure(
    photo: Annotated[Path, typer.Argument(help="The photo: JPEG, PNG, WebP, TIFF or HEIC.", show_default=False)],
    square_mm: SquareSide = None,
    printed_side_mm: PrintedSide = None,
    rectangle_mm: RectangleSize = None,
    corners: Annotated[str | None, typer.Option(metavar="X,Y X,Y X,Y X,Y", help=CORNERS_HELP)] = None,
    grid_mm: GridSpacing = None,
    thickness_mm: Thickness = 0.0,
    lens_profile: Lens = "stored",
    cloth: Cloth = None,
    not_cloth: NotCloth = None,
    within: Within = None,
    outside: Outside = None,
    json_path: JsonFile = None,
    overlay_path: Annotated[
        Path | None,
        typer.Option("--overlay", metavar="FILE", help="Write the photo with the measures drawn in, as PNG or JPEG."),
    ] = None,
    unit: Unit = LengthUnit.MM,
    max_megapixels: MaxMegapixels = 80.0,
) -> None:
    """Measure the cloth in a photo: area, edges and angles of each piece."""
    hints = parse_hints(cloth or (), not_cloth or (), within or (), outside or ())
    check_writable(json_path, photo)
    check_writable(overlay_path, photo, (".png", ".jpg", ".jpeg"))
    references = None if corners is None else [_given_reference(corners, printed_side_mm or square_mm, rectangle_mm)]

    from flatmeasure.display.table import print_table
    from flatmeasure.photos.photo import load_photo
    from flatmeasure.pipeline import measure as measure_photo

    found = measure_photo(
        load_photo(photo, max_megapixels=max_megapixels),
        square_mm=square_mm,
        rectangle_mm=rectangle_mm,
        references=references,
        grid_mm=grid_mm,
        thickness_mm=thickness_mm,
        printed_side_mm=printed_side_mm,
        lens=lens_profile,
        hints=hints,
    )
    for path, content in list(_results(found, json_path, overlay_path, unit)):  # all of it made before any is written
        write_file(path, content)
    print_table(found, unit)


def _given_reference(corners: str, square_mm: float | None, rectangle_mm: Size | None) -> "Square | Rectangle":
    if (square_mm is None) == (rectangle_mm is None):
        raise OptionInvalid("With --corners, give the reference's size: either --square or --rectangle.")
    number = r"(\d+(?:\.\d+)?)"
    found = re.fullmatch(r"\s*" + r"[\s;]+".join([rf"{number}\s*,\s*{number}"] * 4) + r"\s*", corners)
    if not found:
        example = "100,200 300,200 300,400 100,400"
        raise OptionInvalid(f'The corners "{corners}" are not four points: write them like "{example}".')

    import numpy as np

    from flatmeasure.references.figures import Rectangle, Square

    corners_px = np.array(found.groups(), dtype=np.float64).reshape(4, 2)
    if rectangle_mm is not None:
        return Rectangle(corners_px, *rectangle_mm)
    assert square_mm is not None
    return Square(corners_px, square_mm)


def _results(
    found: "Measurement", json_path: Path | None, overlay_path: Path | None, unit: LengthUnit
) -> Iterator[tuple[Path, bytes]]:
    """What to write where."""
    if json_path is not None:
        yield json_path, json_bytes(found.to_dict())
    if overlay_path is not None:
        from flatmeasure.display.overlay import draw_overlay
        from flatmeasure.photos.encoding import encoded

        yield overlay_path, encoded(draw_overlay(found.photo, found, unit), overlay_path.suffix.lower())
