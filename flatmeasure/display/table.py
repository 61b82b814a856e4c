"""The measurement as tables for the terminal, or as plain text when the output is a file or a pipe."""

from collections.abc import Iterator

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from flatmeasure.quantity import Quantity
from flatmeasure.results.measurement import Measurement, Piece
from flatmeasure.units import LengthUnit, format_quantity, tape_reading


def print_table(measurement: Measurement, unit: LengthUnit = LengthUnit.MM, console: Console | None = None) -> None:
    """Print each piece's measures and edges, then what limits them.

    Parameters
    ----------
    measurement : Measurement
    unit : LengthUnit
        For lengths; areas follow it. In inches, lengths are also given to the nearest sixteenth.
    console : rich.console.Console, optional
        Where to; standard output by default, without colour when that is no terminal.
    """
    console = console or Console(highlight=False)
    for part in _parts(measurement, unit):
        console.print(part)


def _parts(measurement: Measurement, unit: LengthUnit) -> Iterator[RenderableType]:
    for piece in measurement.pieces:
        title = f"Piece {piece.id}" if piece.complete else f"Piece {piece.id} (cut off by the frame: the part seen)"
        yield Text(title, style="bold")
        yield _summary(piece, unit)
        yield _edges(piece, unit)
        yield ""
    yield Text("± holds the true value in about 95 of 100 cases; the angle is that of the corner an edge starts from.")
    for note in measurement.warnings:
        yield Text.assemble(("Note: ", "bold"), f"{note.message} {note.advice}")


def _summary(piece: Piece, unit: LengthUnit) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_row("area", _right(piece.area, unit), "net of holes" if piece.holes_mm else "")
    for name, length in (
        ("perimeter", piece.perimeter),
        (f"extent along {piece.along_edge}", piece.along),
        (f"extent across {piece.along_edge}", piece.across),
    ):
        table.add_row(name, _right(length, unit), tape_reading(length, unit))
    return table


def _edges(piece: Piece, unit: LengthUnit) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    table.add_column("edge")
    table.add_column("kind")
    table.add_column("length", justify="right")
    if unit is LengthUnit.IN:
        table.add_column("to 1/16", justify="right")
    table.add_column("chord", justify="right")
    table.add_column("angle", justify="right")
    for edge in piece.edges:
        fraction = [tape_reading(edge.length, unit)] if unit is LengthUnit.IN else []
        chord = format_quantity(edge.chord, unit) if edge.kind != "straight" else ""
        angle = format_quantity(piece.corners[edge.start].angle, unit) if piece.corners else ""
        table.add_row(edge.id, edge.kind, format_quantity(edge.length, unit), *fraction, chord, angle)
    return table


def _right(quantity: Quantity, unit: LengthUnit) -> Text:
    return Text(format_quantity(quantity, unit), justify="right")
