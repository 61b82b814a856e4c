"""``flatmeasure enough``: can the pieces be cut from the cloth, and how; ``flatmeasure buy``: how much they need."""

import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flatmeasure.commands.layout_files import DRAWINGS, draw_layouts
from flatmeasure.commands.measured_input import all_panels, measured_input
from flatmeasure.commands.options import (
    Clearance,
    EffortName,
    JsonFile,
    SquareSide,
    Thickness,
    TimeLimit,
    Tolerance,
    Unit,
    length_option,
)
from flatmeasure.commands.piece_options import given_grain, grained
from flatmeasure.commands.search_watch import SearchWatch
from flatmeasure.errors import OptionInvalid
from flatmeasure.files import check_writable, json_bytes, write_file
from flatmeasure.units import LengthUnit, format_length

if TYPE_CHECKING:
    from flatmeasure.enough.boards import Board, LayRules
    from flatmeasure.enough.leftovers import Leftovers
    from flatmeasure.enough.pattern import PatternPiece
    from flatmeasure.enough.splitting import WayOut
    from flatmeasure.enough.verdict import Answer
    from flatmeasure.pieces.panel import Panel

EFFORTS = {"quick": 150, "normal": 800, "long": 5000}
LayoutDrawing = Annotated[
    Path | None,
    typer.Option(
        "--drawing", metavar="FILE", help="Write the layout: .pdf (true size), .svg or .png; a file for each cloth."
    ),
]
ENDED_EARLY = "The search was ended early: more time may find more."


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
    limit_s: TimeLimit = 60.0,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: LayoutDrawing = None,
    save: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the pieces as a pattern file, as the way out changes them."),
    ] = None,
) -> None:
    """Whether the pieces of a pattern can be cut from the cloth, how to lay them, and if not, a way out."""
    files = _Files(json_path, drawing, save)
    files.check(*cloth, *pattern)
    rules, sweeps = _rules(tolerance_deg, clearance_mm), _sweeps(effort)

    from flatmeasure.enough.answer_text import leftover_lines
    from flatmeasure.enough.leftovers import LeftoverPlan, leftovers

    panels = all_panels([measured_input(source, square_mm, thickness_mm) for source in cloth])
    pieces = _pieces(pattern, [panel.id for panel in panels])
    with SearchWatch(limit_s) as watch:
        answer, way = _search(pieces, _boards(panels, grain or [], face), rules, sweeps, watch, unit)
    left = leftovers(way.answer if way else answer, LeftoverPlan(binding_mm, strap_mm))
    for line in leftover_lines(left, unit):
        typer.echo(line)
    if watch.is_over():
        typer.echo(ENDED_EARLY)
    files.write(_Result(answer, way, pieces, left), unit)


def _search(
    pieces: "Sequence[PatternPiece]",
    boards: "Sequence[Board]",
    rules: "LayRules",
    sweeps: int,
    watch: SearchWatch,
    unit: LengthUnit,
) -> "tuple[Answer, WayOut | None]":
    """The answer, told at once, and where it is not "enough" a way out."""
    from flatmeasure.enough.answer_text import answer_lines, way_out_lines
    from flatmeasure.enough.splitting import find_way_out
    from flatmeasure.enough.verdict import Effort, Verdict, is_enough

    effort, show, stop = Effort(sweeps), watch.show, watch.is_over
    answer = is_enough(pieces, boards, rules, effort, on_progress=show, should_stop=stop)
    for line in answer_lines(answer, unit):
        watch.say(line)
    if answer.verdict is Verdict.ENOUGH or answer.stopped:
        return answer, None
    way = find_way_out(answer, pieces, boards, rules, effort, on_progress=show, should_stop=stop)
    for line in way_out_lines(way, unit):
        watch.say(line)
    return answer, way


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
    limit_s: TimeLimit = 60.0,
    unit: Unit = LengthUnit.CM,
    json_path: JsonFile = None,
    drawing: LayoutDrawing = None,
) -> None:
    """How much lining, interfacing or cloth from the roll the pieces need, for usual widths."""
    files = _Files(json_path, drawing, None)
    files.check(*pattern)
    rules, sweeps = _rules(tolerance_deg, clearance_mm), _sweeps(effort)

    from flatmeasure.enough.answer_text import leftover_lines, purchase_lines, purchases_to_dict
    from flatmeasure.enough.layout_drawing import layout_pages
    from flatmeasure.enough.leftovers import leftovers
    from flatmeasure.enough.shopping import WIDTHS_MM, shopping_list

    pieces, widths = _pieces(pattern), widths_mm or WIDTHS_MM
    with SearchWatch(limit_s) as watch:
        found = shopping_list(pieces, widths, rules, sweeps, watch.goes_on)
    for line in purchase_lines(found, unit):
        typer.echo(line)
    answers = [one.answer(_cloth_name(one.width_mm, one.buy_mm or 0.0, unit)) for one in found]
    left = leftovers(answers[0]) if len(answers) == 1 and answers[0] else None
    for line in leftover_lines(left, unit) if left else ():
        typer.echo(line)
    if watch.is_over():
        typer.echo(ENDED_EARLY)
    if json_path is not None:
        write_file(json_path, json_bytes(purchases_to_dict(found, left)))
    if drawing is not None:
        pages = [page for one in answers if one for page in layout_pages(one.layout, one.boards, 0.0, unit)]
        draw_layouts(drawing, pages)


def _cloth_name(width_mm: float, length_mm: float, unit: LengthUnit) -> str:
    return f"cloth of {format_length(width_mm, unit)} by {format_length(length_mm, unit)}"


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
            from flatmeasure.enough.layout_drawing import layout_pages
            from flatmeasure.enough.split_drawing import split_pages

            answer = result.layout
            layouts = layout_pages(answer.layout, answer.boards, answer.coverage, unit)
            draw_layouts(self.drawing, layouts, split_pages(way.splits, unit) if way else ())


def _pieces(files: Sequence[Path], taken: Sequence[str] = ()) -> "tuple[PatternPiece, ...]":
    """The pieces of all files; where two would have one name, or one that is taken, it begins with its file's."""
    from flatmeasure.enough.pattern_file import read_pattern

    read = [(file, piece) for file in files for piece in read_pattern(file)]
    uses = Counter([*taken, *(piece.name for _, piece in read)])
    stems = Counter(file.stem for file in files)
    return tuple(
        piece
        if uses[piece.name] == 1
        else replace(piece, name=f"{file.stem if stems[file.stem] == 1 else file.name}:{piece.name}")
        for file, piece in read
    )


def _rules(tolerance_deg: float, clearance_mm: float) -> "LayRules":
    from flatmeasure.enough.boards import LayRules

    if not 0.0 <= tolerance_deg <= 45.0:
        raise OptionInvalid(f"A grain tolerance of {tolerance_deg:g} degrees makes no sense: give 0 to 45.")
    return LayRules(tolerance_deg, clearance_mm)


def _sweeps(effort: str) -> int:
    if effort not in EFFORTS:
        raise OptionInvalid(f"The effort {effort!r} is not known: choose quick, normal or long.")
    return EFFORTS[effort]


def _boards(panels: "list[Panel]", grains: list[str], face: str) -> "list[Board]":
    from flatmeasure.enough.boards import Face, board_of

    if face not in list(Face):
        raise OptionInvalid(f"The face {face!r} is not known: choose right, wrong or both.")
    for grain in grains:
        panels = _with_grain(panels, grain)
    unknown = [panel.id for panel in panels if panel.grain is None]
    if unknown:
        _warn(f"the grain of {', '.join(unknown)} is not known and taken to run up the photo: tell it with --grain.")
    for panel in panels:
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
