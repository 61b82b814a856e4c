"""``flatmeasure enough``: can the pieces be cut from the cloth, and how; ``flatmeasure buy``: how much they need."""

import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flatmeasure.commands.measured_input import all_panels, measured_input
from flatmeasure.commands.options import (
    Clearance,
    EffortName,
    JsonFile,
    SquareSide,
    Thickness,
    Tolerance,
    Unit,
    length_option,
)
from flatmeasure.commands.piece_options import given_grain, grained
from flatmeasure.errors import OptionInvalid
from flatmeasure.files import check_writable, json_bytes, write_file
from flatmeasure.units import LengthUnit

if TYPE_CHECKING:
    from flatmeasure.enough.boards import Board, LayRules
    from flatmeasure.enough.leftovers import Leftovers
    from flatmeasure.enough.pattern import PatternPiece
    from flatmeasure.enough.splitting import WayOut
    from flatmeasure.enough.verdict import Answer
    from flatmeasure.pieces.panel import Panel

EFFORTS = {"quick": 150, "normal": 800, "long": 5000}
DRAWINGS = (".svg", ".png", ".pdf")


def enough(
    cloth: Annotated[
        list[Path], typer.Argument(help="Measured cloth: files of `measure --json`, or photos.", show_default=False)
    ],
    pattern: Annotated[
        list[Path], typer.Option(help="The pieces wanted: JSON, SVG or DXF, or a file of measured pieces.")
    ],
    square_mm: SquareSide = None,
    thickness_mm: Thickness = 0.0,
    grain: Annotated[
        list[str] | None,
        typer.Option(metavar="EDGE", help="Edge a cloth's grain runs along, such as A2, A2+45 or coat:A:A2; repeat."),
    ] = None,
    tolerance_deg: Tolerance = 0.0,
    clearance_mm: Clearance = 0.0,
    face: Annotated[
        str, typer.Option(metavar="right|wrong|both", help="Side of the cloth in the photo; both: no wrong side.")
    ] = "right",
    binding_mm: Annotated[
        float,
        length_option("--binding", "width of the binding", "Cut width of binding from the leftovers.", shown="40mm"),
    ] = 40.0,
    strap_mm: Annotated[
        float, length_option("--strap", "width of the straps", "Cut width of straps from the leftovers.", shown="60mm")
    ] = 60.0,
    effort: EffortName = "normal",
    limit: Annotated[float, typer.Option(metavar="SECONDS", help="Stop searching after this time.")] = 60.0,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the layout: .pdf (true size), .svg or .png; a file for each cloth."),
    ] = None,
    save: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the pieces as a pattern file, as the way out changes them."),
    ] = None,
) -> None:
    """Whether the pieces of a pattern can be cut from the cloth, how to lay them, and if not, a way out."""
    files = _Files(json_path, drawing, save)
    files.check(*cloth, *pattern)
    rules, sweeps = _rules(tolerance_deg, clearance_mm), _sweeps(effort)

    from flatmeasure.enough.leftovers import LeftoverPlan, leftovers
    from flatmeasure.enough.pattern_file import read_pattern

    pieces = tuple(piece for file in pattern for piece in read_pattern(file))
    panels = all_panels([measured_input(source, square_mm, thickness_mm) for source in cloth])
    boards = _boards(panels, grain or [], face)
    with _Watch(limit) as watch:
        answer, way = _search(pieces, boards, rules, sweeps, watch)
    result = _Result(answer, way, pieces, leftovers(way.answer if way else answer, LeftoverPlan(binding_mm, strap_mm)))
    _tell(result, unit)
    if watch.is_over():
        typer.echo("The search was ended early: more time may find more.")
    files.write(result, unit)


def _search(
    pieces: "Sequence[PatternPiece]", boards: "Sequence[Board]", rules: "LayRules", sweeps: int, watch: "_Watch"
) -> "tuple[Answer, WayOut | None]":
    """The answer and, where it is not "enough", a way out."""
    from flatmeasure.enough.splitting import find_way_out
    from flatmeasure.enough.verdict import Effort, Verdict, is_enough

    effort, show, stop = Effort(sweeps), watch.show, watch.is_over
    answer = is_enough(pieces, boards, rules, effort, on_progress=show, should_stop=stop)
    if answer.verdict is Verdict.ENOUGH or answer.stopped:
        return answer, None
    return answer, find_way_out(answer, pieces, boards, rules, effort, on_progress=show, should_stop=stop)


def buy(
    pattern: Annotated[
        list[Path],
        typer.Argument(help="The pieces: JSON, SVG or DXF, or files of measured pieces.", show_default=False),
    ],
    widths_mm: Annotated[
        list[float] | None, length_option("--width", "width", "Width of the cloth, such as 140cm; again for others.")
    ] = None,
    tolerance_deg: Tolerance = 0.0,
    clearance_mm: Clearance = 0.0,
    effort: EffortName = "quick",
    unit: Unit = LengthUnit.CM,
) -> None:
    """How much lining, interfacing or cloth from the roll the pieces need, for usual widths."""
    rules, sweeps = _rules(tolerance_deg, clearance_mm), _sweeps(effort)

    from flatmeasure.enough.answer_text import purchase_lines
    from flatmeasure.enough.pattern_file import read_pattern
    from flatmeasure.enough.shopping import WIDTHS_MM, shopping_list

    pieces = [piece for file in pattern for piece in read_pattern(file)]
    for line in purchase_lines(shopping_list(pieces, widths_mm or WIDTHS_MM, rules, sweeps), unit):
        typer.echo(line)


@dataclass(frozen=True, eq=False)
class _Result:
    """The answer, the way out if one was looked for and found, and what is left of the cloth after either."""

    answer: "Answer"
    way: "WayOut | None"
    wanted: "tuple[PatternPiece, ...]"
    left: "Leftovers"

    @property
    def layout(self) -> "Answer":
        """What is to be cut."""
        return self.way.answer if self.way else self.answer

    @property
    def pieces(self) -> "tuple[PatternPiece, ...]":
        """As the way out changes them."""
        return self.way.pieces if self.way else self.wanted


@dataclass(frozen=True)
class _Files:
    """Where results go."""

    json_path: Path | None
    drawing: Path | None
    save: Path | None

    def check(self, *sources: Path) -> None:
        for source in sources:
            for path, endings in ((self.json_path, ()), (self.drawing, DRAWINGS), (self.save, (".json",))):
                check_writable(path, source, endings)

    def write(self, result: _Result, unit: LengthUnit) -> None:
        from flatmeasure.enough.answer_text import answer_to_dict, way_out_to_dict
        from flatmeasure.enough.pattern_file import pattern_to_dict

        way = result.way
        if self.json_path is not None:
            found = answer_to_dict(result.answer, None if way else result.left)
            found |= {"way_out": way_out_to_dict(way, result.left)} if way else {}
            write_file(self.json_path, json_bytes(found))
        if self.save is not None:
            write_file(self.save, json_bytes(pattern_to_dict(result.pieces)))
        if self.drawing is not None:
            for path in _draw(result, self.drawing, unit):
                typer.echo(f"Drawing: {path}")


def _tell(result: _Result, unit: LengthUnit) -> None:
    from flatmeasure.enough.answer_text import answer_lines, leftover_lines, way_out_lines
    from flatmeasure.enough.verdict import Verdict

    lines = list(answer_lines(result.answer, unit))
    if result.answer.verdict is not Verdict.ENOUGH:
        lines += way_out_lines(result.way, unit)
    for line in [*lines, *leftover_lines(result.left, unit)]:
        typer.echo(line)


def _rules(tolerance_deg: float, clearance_mm: float) -> "LayRules":
    from flatmeasure.enough.boards import LayRules

    if not 0.0 <= tolerance_deg <= 45.0:
        raise OptionInvalid(f"A grain tolerance of {tolerance_deg:g} degrees makes no sense: give 0 to 45.")
    return LayRules(tolerance_deg, clearance_mm)


def _sweeps(effort: str) -> int:
    if effort not in EFFORTS:
        raise OptionInvalid(f"The effort is quick, normal or long, not {effort}.")
    return EFFORTS[effort]


def _boards(panels: "list[Panel]", grains: list[str], face: str) -> "list[Board]":
    from flatmeasure.enough.boards import Face, board_of

    if face not in list(Face):
        raise OptionInvalid(f"The face is right, wrong or both, not {face}.")
    for grain in grains:
        panels = _with_grain(panels, grain)
    for panel in panels:
        if panel.grain is None:
            _warn(f"the grain of {panel.id} is not known and taken to run up the photo: tell it with --grain.")
        if not panel.complete:
            _warn(f"the photo cuts off {panel.id}: there is more of it than is used.")
    return [board_of(panel, Face(face)) for panel in panels]


def _with_grain(panels: "list[Panel]", grain: str) -> "list[Panel]":
    """``A2``, or with the piece's name before it, as of several files: ``coat:A:A2``."""
    owners = [panel.id for panel in panels if grain.startswith(f"{panel.id}:")]
    if not owners:
        return grained(panels, grain)
    edge = grain.removeprefix(f"{owners[0]}:")
    return [replace(p, grain=given_grain(p, edge)) if p.id == owners[0] else p for p in panels]


def _warn(message: str) -> None:
    print(f"flatmeasure: {message}", file=sys.stderr)


def _draw(result: _Result, path: Path, unit: LengthUnit) -> list[Path]:
    """Pages of the layout, and of pieces that are made of parts; a file each unless it is a PDF."""
    from flatmeasure.display.page import page_png, page_svg
    from flatmeasure.enough.layout_drawing import cutting_pdf, layout_pages
    from flatmeasure.enough.split_drawing import split_pages

    answer = result.layout
    layouts = layout_pages(answer.layout, answer.boards, answer.coverage, unit)
    splits = split_pages(result.way.splits, unit) if result.way else ()
    if path.suffix.lower() == ".pdf":
        if layouts:
            write_file(path, cutting_pdf([*layouts, *splits], "Layout"))
        return [path] if layouts else []
    draw = page_svg if path.suffix.lower() == ".svg" else page_png
    named = dict(zip(_numbered(path, len(layouts)), layouts, strict=True))
    named |= zip(_numbered(path.with_stem(f"{path.stem}-parts"), len(splits)), splits, strict=True)
    for one, page in named.items():
        write_file(one, draw(page))
    return list(named)


def _numbered(path: Path, count: int) -> list[Path]:
    return [path] if count == 1 else [path.with_stem(f"{path.stem}-{k + 1}") for k in range(count)]


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

    def show(self, share: float, what: str) -> None:
        """The progress, on a terminal."""
        if sys.stderr.isatty():
            print(f"\r{share:4.0%} {what}; Ctrl-C takes the best so far ", end="", file=sys.stderr, flush=True)

    def is_over(self) -> bool:
        """Whether time is up or somebody stopped the search."""
        return not self.going or time.monotonic() >= self.until
