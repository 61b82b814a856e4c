"""The `flatmeasure piece` commands about a piece's shape: edges, seams, widths and cuts."""

from itertools import pairwise
from pathlib import Path
from typing import Annotated

import typer

from flatmeasure.commands.options import (
    DrawingFile,
    File,
    FromEdge,
    JsonFile,
    OnePiece,
    SaveFile,
    Unit,
    length,
    length_option,
)
from flatmeasure.commands.piece_options import (
    Out,
    allowances_of,
    dart_marks,
    edge_id,
    flaw_of,
    given_grain,
    line_of,
    named,
    only,
    pair_of,
    panels_of,
    plainly,
    seen_grain,
    span_of,
    with_edge,
)
from flatmeasure.errors import OptionInvalid
from flatmeasure.files import check_writable, json_bytes, write_file
from flatmeasure.units import LengthUnit, format_quantity


def show(
    file: File,
    piece: OnePiece = None,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: DrawingFile = None,
) -> None:
    """Edges with their shapes, darts and notches, grain, and sizes along it."""
    from flatmeasure.pieces.darts import find_cuts
    from flatmeasure.pieces.edge_shapes import describe_edges
    from flatmeasure.pieces.grain import grain_sizes
    from flatmeasure.pieces.piece_text import piece_lines

    out = Out(unit, json_path, drawing)
    out.check(file)
    panels = panels_of(file, piece)
    rows = [(p, describe_edges(p), find_cuts(p), grain_sizes(p) if p.grain else None) for p in panels]
    lines = (line for row in rows for line in piece_lines(*row, unit))
    found = [
        {
            "piece": p.id,
            "area": p.area,
            "layers": p.layers,
            "edges": shapes,
            "cuts": cuts,
            "grain": p.grain,
            "sizes": sizes,
        }
        for p, shapes, cuts, sizes in rows
    ]
    out.finish(lines, found, [(p, dart_marks(cuts)) for p, _, cuts, _ in rows])


def note(
    file: File,
    piece: Annotated[str, typer.Option("--piece", metavar="NAME", help="The piece, such as A.")],
    label: Annotated[
        list[str] | None, typer.Option(metavar="EDGE=NAME", help='Name an edge: A1="centre front". Repeatable.')
    ] = None,
    grain: Annotated[
        str | None,
        typer.Option(metavar="EDGE", help="Edge the grain runs along, such as A2 or A2+45; or seen, with --photo."),
    ] = None,
    photo: Annotated[Path | None, typer.Option(metavar="FILE", help="The photo, to see the grain in it.")] = None,
    layers: Annotated[int | None, typer.Option(metavar="N", help="Layers lying on each other.")] = None,
    flaw: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y,SIZE",
            help="A round flaw at a pixel of the upright photo: 1200,800,30mm; or the number of a suspected one: 1. "
            "Repeatable.",
        ),
    ] = None,
    save: Annotated[
        Path | None, typer.Option("--save", metavar="FILE", help="Write another file instead of adding to this one.")
    ] = None,
) -> None:
    """Add to the file what a person knows: names of edges, grain, layers, flaws."""
    from flatmeasure.pieces.panel_file import load_measurement, panels_from_dict
    from flatmeasure.pieces.piece_json import as_json

    check_writable(save, None)
    data = load_measurement(file)
    panel = named(panels_from_dict(data, file.name), piece)
    noted = next(one for one in data["pieces"] if str(one["id"]) == panel.id)
    for pair in label or []:
        name, text = pair_of(pair, "label")
        noted.setdefault("labels", {})[edge_id(panel, name)] = text
    if grain is not None:
        known = seen_grain(data, panel, photo) if grain == "seen" else given_grain(panel, grain)
        noted["grain"] = as_json(known)
    if layers is not None:
        noted["layers"] = layers
    for spot in flaw or []:
        noted.setdefault("flaws_mm", []).append(flaw_of(data, panel, spot))
    panels_from_dict(data, file.name)  # what was added must be readable again
    write_file(save or file, json_bytes(data))
    typer.echo(f"Noted on piece {panel.id} in {(save or file).name}.")


def seam(
    file: File,
    allowance_mm: Annotated[
        float,
        typer.Argument(
            metavar="ALLOWANCE",
            parser=length("allowance", zero_allowed=True),
            help="The allowance the edges have, such as 15mm or 5/8in; 0 for none.",
        ),
    ],
    edge: Annotated[
        list[str] | None, typer.Option(metavar="EDGE=LENGTH", help="Another for this edge: A3=0 on a fold. Repeatable.")
    ] = None,
    wanted_mm: Annotated[
        float,
        length_option(
            "--wanted",
            "allowance",
            "The allowance the edges shall have; 0 is the stitching line.",
            shown="0",
            zero_allowed=True,
        ),
    ] = 0.0,
    wanted_edge: Annotated[
        list[str] | None, typer.Option(metavar="EDGE=LENGTH", help="Another for this edge. Repeatable.")
    ] = None,
    piece: OnePiece = None,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: DrawingFile = None,
    save: SaveFile = None,
) -> None:
    """The stitching line, or the outline with another allowance: lengths, area, and what is too narrow."""
    from flatmeasure.pieces.allowance import apply_allowance, changed_panel
    from flatmeasure.pieces.piece_drawing import Mark
    from flatmeasure.pieces.piece_text import seamed_lines

    out = Out(unit, json_path, drawing, save)
    out.check(file)
    panels = panels_of(file, piece)
    rows, new = [], []
    for panel in panels:
        has = allowances_of(panels, panel, allowance_mm, edge)
        wants = allowances_of(panels, panel, wanted_mm, wanted_edge)
        inward = {name: has[name] - wants[name] for name in has}
        with plainly(panel):
            rows.append((panel, apply_allowance(panel, inward)))
            if save is not None:
                new.append(changed_panel(panel, inward))
    lines = (line for panel, seamed in rows for line in seamed_lines(panel, seamed, unit))
    marks = [(panel, [Mark("line", ring, closed=True) for ring in seamed.outlines_mm]) for panel, seamed in rows]
    out.finish(lines, [{"piece": panel.id, "seam": seamed} for panel, seamed in rows], marks, new)


def width(
    file: File,
    edge: FromEdge,
    at_mm: Annotated[
        list[float], length_option("--at", "distance", "Distance from the edge. Repeatable.", zero_allowed=True)
    ],
    within: Annotated[
        str | None, typer.Option(metavar="LENGTH-LENGTH", help="Where to look for widest and narrowest: 10cm-40cm.")
    ] = None,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: DrawingFile = None,
) -> None:
    """Widths at distances from an edge, the widest and the narrowest; side lengths between the levels."""
    from flatmeasure.pieces.levels import extreme_widths, height, lengths_between, width_at
    from flatmeasure.pieces.piece_drawing import Mark
    from flatmeasure.pieces.piece_text import Side, level_lines

    out = Out(unit, json_path, drawing)
    out.check(file)
    panel = with_edge(panels_of(file, None), edge)
    distances = sorted(at_mm)
    bounds = span_of(within) if within is not None else None
    with plainly(panel):
        levels = [width_at(panel, edge, distance) for distance in distances]
        extremes = extreme_widths(panel, edge, bounds)
        reach = height(panel, edge)
        pairs = list(pairwise(distances))
        sides = [Side(low, high, *lengths_between(panel, edge, low, high)) for low, high in pairs if high > low]
    found = {
        "piece": panel.id,
        "height": reach,
        "levels": levels,
        "widest": extremes[0],
        "narrowest": extremes[1],
        "sides": sides,
    }
    marks = [Mark("line", level.ends_mm, text=format_quantity(level.width, unit)) for level in (*levels, *extremes)]
    out.finish(level_lines(edge, (reach, levels, extremes), sides, unit), found, [(panel, marks)])


def cut(
    file: File,
    edge: Annotated[
        str | None, typer.Option("--from", metavar="EDGE", help="Cut parallel to this edge, with --at.")
    ] = None,
    at_mm: Annotated[float | None, length_option("--at", "distance", "Distance from the edge, such as 840mm.")] = None,
    line: Annotated[
        list[str] | None,
        typer.Option(metavar="X,Y X,Y ...", help="Or along a line of the upright photo's pixels. Repeatable."),
    ] = None,
    piece: OnePiece = None,
    unit: Unit = LengthUnit.MM,
    json_path: JsonFile = None,
    drawing: DrawingFile = None,
    save: SaveFile = None,
) -> None:
    """Cut a piece parallel to an edge, or along lines such as existing seams: areas and edges of the parts."""
    from flatmeasure.pieces.division import cut_parallel, divide
    from flatmeasure.pieces.panel_file import load_measurement
    from flatmeasure.pieces.piece_drawing import Mark
    from flatmeasure.pieces.piece_text import division_lines

    if (edge is None) == (line is None) or (edge is None) != (at_mm is None):
        raise OptionInvalid("Give either --from with --at, or --line.")
    out = Out(unit, json_path, drawing, save)
    out.check(file)
    panels = panels_of(file, piece)
    panel = with_edge(panels, edge) if edge is not None else only(panels)
    with plainly(panel):
        if edge is not None and at_mm is not None:
            division = cut_parallel(panel, edge, at_mm)
        else:
            division = divide(panel, [line_of(load_measurement(file), text) for text in line or []])
    marks = [Mark("line", part.outline_mm, closed=True, text=part.id) for part in division.parts]
    out.finish(division_lines(panel, division, unit), division, [(panel, marks)], division.parts)
