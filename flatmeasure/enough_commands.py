"""``flatmeasure enough``: whether pattern pieces can be cut from measured cloth, and how."""

import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flatmeasure.errors import OptionInvalid
from flatmeasure.files import check_writable, write_file
from flatmeasure.piece_options import JsonFile, Unit, grained, panels_of_all, write_json
from flatmeasure.units import LengthUnit, parse_length

if TYPE_CHECKING:
    from flatmeasure.boards import Board
    from flatmeasure.panel import Panel
    from flatmeasure.verdict import Answer

EFFORTS = {"quick": 150, "normal": 800, "long": 5000}
DRAWINGS = (".svg", ".png", ".pdf")


def enough(
    cloth: Annotated[
        list[Path], typer.Argument(help="Measured cloth: files of `measure --json`, or photos.", show_default=False)
    ],
    pattern: Annotated[
        list[Path], typer.Option(help="The pieces wanted: JSON, SVG or DXF, or a file of measured pieces.")
    ],
    square: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="For photos: side of the reference squares.")
    ] = None,
    thickness: Annotated[str, typer.Option(metavar="LENGTH", help="For photos: thickness of the cloth.")] = "0",
    grain: Annotated[
        list[str] | None,
        typer.Option(metavar="EDGE", help="Edge a cloth's grain runs along, such as A2 or A2+45; repeat."),
    ] = None,
    tolerance: Annotated[float, typer.Option(metavar="DEGREES", help="By which a piece may lie off the grain.")] = 0.0,
    clearance: Annotated[str, typer.Option(metavar="LENGTH", help="Kept free between pieces.")] = "0",
    face: Annotated[
        str, typer.Option(metavar="right|wrong|both", help="Side of the cloth in the photo; both: no wrong side.")
    ] = "right",
    effort: Annotated[str, typer.Option(metavar="quick|normal|long", help="How hard to search.")] = "normal",
    limit: Annotated[float, typer.Option(metavar="SECONDS", help="Stop searching after this time.")] = 60.0,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the layout: .pdf (true size), .svg or .png; a file for each cloth."),
    ] = None,
) -> None:
    """Whether the pieces of a pattern can be cut from the cloth, and how to lay them."""
    for source in (*cloth, *pattern):
        check_writable(json_path, source)
        check_writable(drawing, source, DRAWINGS)
    if effort not in EFFORTS:
        raise OptionInvalid(f"The effort is quick, normal or long, not {effort}.")
    if not 0.0 <= tolerance <= 45.0:
        raise OptionInvalid(f"A grain tolerance of {tolerance:g} degrees makes no sense: give 0 to 45.")
    clearance_mm = parse_length(clearance, "clearance", zero_allowed=True)

    from flatmeasure.answer_text import answer_lines, answer_to_dict
    from flatmeasure.boards import LayRules
    from flatmeasure.pattern_file import read_pattern
    from flatmeasure.verdict import Effort, is_enough

    pieces = [piece for file in pattern for piece in read_pattern(file)]
    boards = _boards(_panels(cloth, square, thickness), grain or [], face)
    with _Watch(limit) as watch:
        answer = is_enough(pieces, boards, LayRules(tolerance, clearance_mm), Effort(EFFORTS[effort]), watch)
    for line in answer_lines(answer, unit):
        typer.echo(line)
    if json_path is not None:
        write_json(json_path, answer_to_dict(answer))
    if drawing is not None:
        for path in _draw(answer, drawing, unit):
            typer.echo(f"Layout: {path}")


def _panels(cloth: Sequence[Path], square: str | None, thickness: str) -> "list[Panel]":
    files = [path for path in cloth if path.suffix.lower() == ".json"]
    panels = panels_of_all(files) if len(files) == len(cloth) else []
    if panels:
        return panels

    from flatmeasure.panel_file import panels_from_dict, read_panels
    from flatmeasure.photo import load_photo
    from flatmeasure.pipeline import measure

    square_mm = parse_length(square, "side of the square") if square is not None else None
    thickness_mm = parse_length(thickness, "thickness", zero_allowed=True)
    for path in cloth:
        if path in files:
            found: Sequence[Panel] = read_panels(path)
        else:
            measured = measure(load_photo(path), square_mm=square_mm, thickness_mm=thickness_mm)
            found = panels_from_dict(measured.to_dict(), path.name)
        panels += [replace(p, id=f"{path.stem}:{p.id}") if len(cloth) > 1 else p for p in found]
    return panels


def _boards(panels: "list[Panel]", grains: list[str], face: str) -> "list[Board]":
    from flatmeasure.boards import Face, board_of

    if face not in list(Face):
        raise OptionInvalid(f"The face is right, wrong or both, not {face}.")
    for grain in grains:
        panels = grained(panels, grain)
    for panel in panels:
        if panel.grain is None:
            _warn(f"the grain of {panel.id} is not known and taken to run up the photo: tell it with --grain.")
        if not panel.complete:
            _warn(f"the photo cuts off {panel.id}: there is more of it than is used.")
    return [board_of(panel, Face(face)) for panel in panels]


def _warn(message: str) -> None:
    print(f"flatmeasure: {message}", file=sys.stderr)


def _draw(answer: "Answer", path: Path, unit: LengthUnit) -> list[Path]:
    from flatmeasure.layout_drawing import layout_pages
    from flatmeasure.page import page_png, page_svg, pages_pdf

    pages = layout_pages(answer.layout, answer.boards, answer.coverage, unit)
    if not pages:
        return []
    if path.suffix.lower() == ".pdf":
        write_file(path, pages_pdf(pages, "Layout"))
        return [path]
    draw = page_svg if path.suffix.lower() == ".svg" else page_png
    paths = [path if len(pages) == 1 else path.with_stem(f"{path.stem}-{k + 1}") for k in range(len(pages))]
    for one, page in zip(paths, pages, strict=True):
        write_file(one, draw(page))
    return paths


class _Watch:
    """Shows the progress on a terminal; ends the search on Ctrl-C or when time is up."""

    def __init__(self, limit_s: float) -> None:
        self.until = time.monotonic() + limit_s
        self.going = True
        self.before: Any = None

    def __enter__(self) -> "_Watch":
        self.before = signal.signal(signal.SIGINT, self._stop)
        return self

    def __exit__(self, *_: object) -> None:
        signal.signal(signal.SIGINT, self.before)
        if sys.stderr.isatty():
            print("\r" + " " * 60 + "\r", end="", file=sys.stderr)

    def _stop(self, _number: int, _frame: FrameType | None) -> None:
        self.going = False

    def __call__(self, share: float, what: str) -> bool:
        if sys.stderr.isatty():
            print(f"\r{share:4.0%} {what}; Ctrl-C takes the best so far ", end="", file=sys.stderr, flush=True)
        return self.going and time.monotonic() < self.until
