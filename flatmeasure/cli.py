"""The command line: exit status 0 done, 1 a fault of ours, 2 wrong use, 3 a photo that can't be measured.

Modules that take long to import are imported inside the commands, so that help comes at once.
"""

import io
import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from flatmeasure import __version__
from flatmeasure.commands.batch_command import batch
from flatmeasure.commands.enough_commands import buy, enough
from flatmeasure.commands.export_command import export
from flatmeasure.commands.hint_options import (
    BOX,
    CLOTH_HELP,
    NOT_CLOTH_HELP,
    OUTSIDE_HELP,
    STROKE,
    WITHIN_HELP,
    parse_hints,
)
from flatmeasure.commands.lens_command import lens
from flatmeasure.commands.piece_commands import app as pieces
from flatmeasure.commands.serve_command import serve
from flatmeasure.commands.sheet_command import sheet
from flatmeasure.errors import FlatMeasureError, OptionInvalid
from flatmeasure.files import check_writable, write_file
from flatmeasure.units import LengthUnit, parse_length, parse_size

if TYPE_CHECKING:
    from flatmeasure.references.figures import Rectangle, Square
    from flatmeasure.results.measurement import Measurement

_Files = list[tuple[Path, bytes]]

EXIT_FAULT, EXIT_USAGE, EXIT_UNMEASURABLE, EXIT_INTERRUPTED = 1, 2, 3, 130

CORNERS_HELP = (
    "Last resort, when the reference is not found: its four corners in pixels of the upright photo, in order round it; "
    "of a rectangle, the side named first comes first."
)
LENS_HELP = "A calibrated lens: the one you keep for this camera, none, or a profile or folder of them."

app = typer.Typer(add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False)


def main() -> None:
    """Run the command line; nobody ever sees a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that knows no ± or ² shows a question mark
    try:
        app()
    except OptionInvalid as error:
        _end(str(error), EXIT_USAGE)
    except FlatMeasureError as error:
        _end(str(error), EXIT_UNMEASURABLE)
    except MemoryError:
        _end("There is not enough memory for this photo: make it smaller.", EXIT_UNMEASURABLE)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except Exception as error:  # a fault of ours: the user gets a sentence, the name helps whoever mends it
        _end(f"Something went wrong inside flatmeasure ({type(error).__name__}: {error}).", EXIT_FAULT)


def _end(message: str, status: int) -> NoReturn:
    print(f"flatmeasure: {' '.join(message.split())}", file=sys.stderr)
    sys.exit(status)


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"flatmeasure {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and end.")
    ] = False,
) -> None:
    """Areas and edge lengths of cloth from one photo, each with its uncertainty."""


app.add_typer(pieces, name="piece")
app.command()(batch)
app.command()(sheet)
app.command()(lens)
app.command()(enough)
app.command()(buy)
app.command()(export)
app.command()(serve)


@app.command()
def measure(
    photo: Annotated[Path, typer.Argument(help="The photo: JPEG, PNG, WebP, TIFF or HEIC.", show_default=False)],
    square: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Side of the reference squares, such as 100mm or 4in.")
    ] = None,
    printed_side: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Side of the printed squares as measured with a rule, such as 99.6mm."),
    ] = None,
    rectangle: Annotated[
        str | None, typer.Option(metavar="SIZE", help="Sides of a reference rectangle, such as 210x297mm.")
    ] = None,
    corners: Annotated[str | None, typer.Option(metavar="X,Y X,Y X,Y X,Y", help=CORNERS_HELP)] = None,
    grid: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Spacing of the lines printed on the mat, such as 10mm.")
    ] = None,
    thickness: Annotated[str, typer.Option(metavar="LENGTH", help="Thickness of the cloth, such as 0.8mm.")] = "0",
    lens_profile: Annotated[str, typer.Option("--lens", metavar="stored|none|PATH", help=LENS_HELP)] = "stored",
    cloth: Annotated[list[str] | None, typer.Option(metavar=STROKE, help=CLOTH_HELP)] = None,
    not_cloth: Annotated[list[str] | None, typer.Option(metavar=STROKE, help=NOT_CLOTH_HELP)] = None,
    within: Annotated[list[str] | None, typer.Option(metavar=BOX, help=WITHIN_HELP)] = None,
    outside: Annotated[list[str] | None, typer.Option(metavar=BOX, help=OUTSIDE_HELP)] = None,
    json_path: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the measurement as JSON.")
    ] = None,
    overlay_path: Annotated[
        Path | None,
        typer.Option("--overlay", metavar="FILE", help="Write the photo with the measures drawn in, as PNG or JPEG."),
    ] = None,
    unit: Annotated[LengthUnit, typer.Option(help="Unit of the table and the overlay.")] = LengthUnit.MM,
    max_megapixels: Annotated[float, typer.Option(metavar="N", help="Refuse larger photos.")] = 80.0,
) -> None:
    """Measure the cloth in a photo: area, edges and angles of each piece."""
    square_mm = parse_length(square, "side of the square") if square is not None else None
    printed_side_mm = parse_length(printed_side, "printed side") if printed_side is not None else None
    rectangle_mm = parse_size(rectangle, "rectangle") if rectangle is not None else None
    grid_mm = parse_length(grid, "grid") if grid is not None else None
    thickness_mm = parse_length(thickness, "thickness", zero_allowed=True)
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
    for path, content in _results(found, json_path, overlay_path, unit):
        write_file(path, content)
    print_table(found, unit)


def _given_reference(
    corners: str, square_mm: float | None, rectangle_mm: tuple[float, float] | None
) -> "Square | Rectangle":
    if (square_mm is None) == (rectangle_mm is None):
        raise OptionInvalid("With --corners, give the reference's size: either --square or --rectangle.")
    number = r"(\d+(?:\.\d+)?)"
    found = re.fullmatch(r"\s*" + r"[\s;]+".join([rf"{number}\s*,\s*{number}"] * 4) + r"\s*", corners)
    if not found:
        raise OptionInvalid('The corners must be four points like "100,200 300,200 300,400 100,400".')

    import numpy as np

    from flatmeasure.references.figures import Rectangle, Square

    corners_px = np.array(found.groups(), dtype=np.float64).reshape(4, 2)
    if rectangle_mm is not None:
        return Rectangle(corners_px, *rectangle_mm)
    assert square_mm is not None
    return Square(corners_px, square_mm)


def _results(found: "Measurement", json_path: Path | None, overlay_path: Path | None, unit: LengthUnit) -> _Files:
    """What to write where."""
    files: _Files = []
    if json_path is not None:
        files.append((json_path, (json.dumps(found.to_dict(), indent=1, allow_nan=False) + "\n").encode()))
    if overlay_path is not None:
        import cv2

        from flatmeasure.display.overlay import draw_overlay

        picture = cv2.cvtColor(draw_overlay(found.photo, found, unit), cv2.COLOR_RGB2BGR)
        files.append((overlay_path, cv2.imencode(overlay_path.suffix.lower(), picture)[1].tobytes()))
    return files
