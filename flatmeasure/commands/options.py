"""Options that several commands have: each is named, explained and read in one place.

A length is read to millimetres as soon as the command line is, so that a command begins with numbers.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from flatmeasure.units import LengthUnit, Size, parse_length, parse_size


def length(name: str, *, zero_allowed: bool = False) -> Callable[[str | float], float]:
    """A reader of a length; ``name`` says in its refusals what the length is of."""

    def read(value: str | float) -> float:
        return value if isinstance(value, float) else parse_length(value, name, zero_allowed=zero_allowed)

    return read  # it meets defaults too, which are millimetres already


def length_option(flag: str, what: str, text: str, *, shown: str | bool = True, zero_allowed: bool = False) -> Any:
    """An option that is a length; ``shown`` is its default as help writes it."""
    read = length(what, zero_allowed=zero_allowed)
    return typer.Option(flag, metavar="LENGTH", parser=read, show_default=shown, help=text)


def _rectangle(value: str) -> Size:
    return parse_size(value, "rectangle")


SquareSide = Annotated[
    float | None,
    length_option("--square", "side of the square", "Side of the reference squares in a photo, such as 100mm or 4in."),
]
PrintedSide = Annotated[
    float | None,
    length_option(
        "--printed-side", "printed side", "Side of the printed squares as measured with a rule, such as 99.6mm."
    ),
]
RectangleSize = Annotated[
    Size | None,
    typer.Option(
        "--rectangle", metavar="SIZE", parser=_rectangle, help="Sides of a reference rectangle, such as 210x297mm."
    ),
]
GridSpacing = Annotated[
    float | None, length_option("--grid", "grid", "Spacing of the lines printed on the mat, such as 10mm.")
]
Thickness = Annotated[
    float,
    length_option(
        "--thickness", "thickness", "Thickness of the cloth in a photo, such as 0.8mm.", shown="0", zero_allowed=True
    ),
]
Lens = Annotated[
    str,
    typer.Option(
        "--lens",
        metavar="stored|none|PATH",
        help="A calibrated lens: the one you keep for this camera, none, or a profile or folder of them.",
    ),
]
MaxMegapixels = Annotated[float, typer.Option("--max-megapixels", metavar="N", help="Refuse larger photos.")]

_STROKE, _BOX = "X,Y [X,Y ...]", "X0,Y0,X1,Y1"
Cloth = Annotated[
    list[str] | None,
    typer.Option(
        "--cloth",
        metavar=_STROKE,
        help="This is cloth: a point, or several as a stroke, in pixels of the upright photo; may be given repeatedly.",
    ),
]
NotCloth = Annotated[
    list[str] | None, typer.Option("--not-cloth", metavar=_STROKE, help="This is not cloth; as --cloth.")
]
Within = Annotated[
    list[str] | None,
    typer.Option(
        "--within", metavar=_BOX, help="All cloth lies within this box, or these, in pixels of the upright photo."
    ),
]
Outside = Annotated[
    list[str] | None, typer.Option("--outside", metavar=_BOX, help="No cloth lies within this box, or these.")
]

File = Annotated[Path, typer.Argument(help="What `flatmeasure measure --json` wrote.", show_default=False)]
Files = Annotated[list[Path], typer.Argument(help="What `flatmeasure measure --json` wrote.", show_default=False)]
OnePiece = Annotated[str | None, typer.Option("--piece", metavar="NAME", help="Only this piece, such as A.")]
FromEdge = Annotated[str, typer.Option("--from", metavar="EDGE", help="The edge, by name or label, such as A1.")]
GrainEdge = Annotated[
    str | None,
    typer.Option(
        "--grain", metavar="EDGE", help="The edge the grain runs along, such as A2, or turned from it: A2+45."
    ),
]
Tolerance = Annotated[
    float,
    typer.Option("--tolerance", metavar="DEGREES", help="By which a piece may lie off the grain, 0 to 45."),
]
Clearance = Annotated[
    float, length_option("--clearance", "clearance", "Kept free between pieces.", shown="0", zero_allowed=True)
]
EffortName = Annotated[str, typer.Option("--effort", metavar="quick|normal|long", help="How hard to search.")]
TimeLimit = Annotated[float, typer.Option("--limit", metavar="SECONDS", help="Stop searching after this time.")]
DirectionName = Annotated[
    str, typer.Option("--direction", metavar="along|across|bias", help="How the length of what is cut runs.")
]

Unit = Annotated[LengthUnit, typer.Option("--unit", help="Unit of what is printed and drawn.")]
JsonFile = Annotated[Path | None, typer.Option("--json", metavar="FILE", help="Write what was found as JSON, in mm.")]
DrawingFile = Annotated[
    Path | None, typer.Option("--drawing", metavar="FILE", help="Write a true-size drawing as SVG.")
]
SaveFile = Annotated[
    Path | None, typer.Option("--save", metavar="FILE", help="Write the new pieces as a file of pieces.")
]
