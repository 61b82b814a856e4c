"""The `flatmeasure piece` commands about what pieces are good for: what can be cut, folded, paired; how much it is."""

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from flatmeasure.commands.options import (
    DirectionName,
    DrawingFile,
    File,
    Files,
    GrainEdge,
    JsonFile,
    OnePiece,
    SaveFile,
    Unit,
    length_option,
)
from flatmeasure.commands.piece_options import (
    Out,
    direction_of,
    grained,
    named,
    panels_of,
    panels_of_all,
    plainly,
    ratio_of,
)
from flatmeasure.errors import OptionInvalid
from flatmeasure.units import LengthUnit

if TYPE_CHECKING:
    from flatmeasure.pieces.mirror import Fold
    from flatmeasure.pieces.piece_drawing import Mark


def rectangle(
    file: File,
    direction: DirectionName = "along",
    shape: Annotated[str | None, typer.Option(metavar="L:W", help="Length to width, such as 3:2.")] = None,
    grain: GrainEdge = None,
    piece: OnePiece = None,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: DrawingFile = None,
) -> None:
    """The largest rectangle a piece gives beside its holes and flaws."""
    from flatmeasure.pieces.piece_drawing import Mark
    from flatmeasure.pieces.piece_text import rectangle_line
    from flatmeasure.pieces.rectangles import largest_rectangle

    out = Out(unit, json_path, drawing)
    out.check(file)
    panels = grained(panels_of(file, piece), grain)
    rows = []
    for panel in panels:
        with plainly(panel):
            rows.append((panel, largest_rectangle(panel, direction_of(direction), ratio_of(shape))))
    lines = (line for panel, found in rows for line in rectangle_line(panel, found, unit))
    marks = [(panel, [Mark("area", found.corners_mm, closed=True)] if found else []) for panel, found in rows]
    out.finish(lines, [{"piece": panel.id, "rectangle": found} for panel, found in rows], marks)


def strips(
    files: Files,
    width_mm: Annotated[float, length_option("--width", "width", "Cut width of the strips.")],
    direction: DirectionName = "bias",
    ends: Annotated[str, typer.Option(metavar="square|slanted", help="How their ends are cut and joined.")] = "slanted",
    allowance_mm: Annotated[
        float, length_option("--allowance", "allowance", "Allowance of the joins.", shown="6mm", zero_allowed=True)
    ] = 6.0,
    shortest_mm: Annotated[
        float, length_option("--shortest", "shortest strip", "No strip shorter than this.", shown="100mm")
    ] = 100.0,
    grain: GrainEdge = None,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: DrawingFile = None,
) -> None:
    """Strips and the binding they make, from all pieces of the files."""
    from flatmeasure.pieces.piece_drawing import Mark
    from flatmeasure.pieces.piece_text import strip_lines
    from flatmeasure.pieces.strips import Ends, StripPlan, place_strips

    out = Out(unit, json_path, drawing)
    out.check(*files)
    panels = grained(panels_of_all(files), grain)
    if ends not in list(Ends):
        raise OptionInvalid(f"Strips can't end {ends!r}: choose square or slanted.")
    plan = StripPlan(width_mm, direction_of(direction), Ends(ends), allowance_mm, shortest_mm)
    with plainly(panels[0]):
        found = place_strips(panels, plan)
    marks = [
        (panel, [Mark("area", strip.corners_mm, closed=True) for strip in found.strips if strip.panel == panel.id])
        for panel in panels
    ]
    out.finish(strip_lines(found, unit), found, marks)


def fold(
    file: File,
    piece: OnePiece = None,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: DrawingFile = None,
    save: SaveFile = None,
) -> None:
    """How nearly a piece is symmetric, and its half for cutting on the fold."""
    from flatmeasure.pieces.mirror import best_fold
    from flatmeasure.pieces.piece_text import fold_line

    out = Out(unit, json_path, drawing, save)
    out.check(file)
    rows = [(panel, best_fold(panel)) for panel in panels_of(file, piece)]
    lines = (line for panel, found in rows for line in fold_line(panel, found, unit))
    marks = [(panel, _fold_marks(found)) for panel, found in rows]
    new = [found.half for _, found in rows]
    out.finish(lines, [{"piece": panel.id, "fold": found} for panel, found in rows], marks, new)


def _fold_marks(found: "Fold") -> "list[Mark]":
    from flatmeasure.pieces.piece_drawing import Mark

    folded = [edge for edge in found.half.edges if edge.id.startswith("fold")]
    return [Mark("line", found.half.edge_points(edge), text="fold") for edge in folded]


def compare(
    files: Files,
    first: Annotated[str, typer.Option(metavar="NAME", help="The piece that is compared.")] = "A",
    second: Annotated[str, typer.Option(metavar="NAME", help="The piece laid on it, of the last file.")] = "B",
    same_way: Annotated[bool, typer.Option("--same-way", help="Do not turn the second over.")] = False,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: DrawingFile = None,
) -> None:
    """Left against right: where two pieces differ, and by how much."""
    from flatmeasure.pieces.mirror import compare as lay_on
    from flatmeasure.pieces.piece_drawing import Mark
    from flatmeasure.pieces.piece_text import comparison_lines

    out = Out(unit, json_path, drawing)
    out.check(*files)
    one, other = named(panels_of(files[0], None), first), named(panels_of(files[-1], None), second)
    found = lay_on(one, other, mirrored=not same_way)
    marks = [Mark("other", found.laid_mm, closed=True)]
    out.finish(comparison_lines(one, other, found, unit), found, [(one, marks)])


def match(
    files: Files,
    ease: Annotated[float, typer.Option(metavar="PERCENT", help="Most that one edge may be longer.")] = 8.0,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
) -> None:
    """Edges of different pieces that are of one length and may be sewn to each other."""
    from flatmeasure.pieces.matches import edge_matches
    from flatmeasure.pieces.piece_text import match_lines

    out = Out(unit, json_path)
    out.check(*files)
    found = edge_matches(panels_of_all(files), ease / 100.0)
    out.finish(match_lines(found, unit), found)


def total(
    files: Files,
    layers: Annotated[
        int | None, typer.Option(metavar="N", min=1, max=1000, help="Layers of every piece, such as 2 for a garment.")
    ] = None,
    roll_mm: Annotated[
        float, length_option("--roll", "width of the cloth", "Width of the cloth on the roll.", shown="140cm")
    ] = 1400.0,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
) -> None:
    """How much cloth the pieces are, each file one photo."""
    from flatmeasure.pieces.piece_text import total_lines
    from flatmeasure.pieces.totals import total_cloth

    out = Out(unit, json_path)
    out.check(*files)
    photos = [[replace(p, layers=layers or p.layers) for p in panels_of(file, None)] for file in files]
    found = total_cloth(photos, roll_mm)
    out.finish(total_lines([file.name for file in files], found, unit), found)
