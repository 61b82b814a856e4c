"""Pieces and edges as tables: rows for data frames, and CSV for spreadsheets.

CSV as in RFC 4180: commas, CRLF, quotes where needed, a header line. A text that a spreadsheet would take for a formula
gets an apostrophe in front (OWASP, "CSV Injection").
"""

import csv
import io
from collections.abc import Sequence
from typing import Any

from flatmeasure.exports.cut_piece import CutPiece, as_cut_pieces, plain_text
from flatmeasure.pieces.panel import Panel
from flatmeasure.quantity import Quantity
from flatmeasure.units import LengthUnit, mm_per_unit

Row = dict[str, Any]

PIECE_COLUMNS = (
    "source", "piece", "name", "complete", "layers", "area", "u_area", "area_unit", "perimeter", "width", "height",
    "unit", "edges", "holes", "grain_deg",
)  # fmt: skip
EDGE_COLUMNS = (
    "source", "piece", "edge", "label", "kind", "length", "u", "chord", "unit", "allowance", "start_x", "start_y",
    "end_x", "end_y",
)  # fmt: skip
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
DIGITS = 4


def piece_rows(pieces: Sequence[Panel | CutPiece], unit: LengthUnit = LengthUnit.MM, source: str = "") -> list[Row]:
    """One row a piece: ``pandas.DataFrame(piece_rows(panels))``.

    Parameters
    ----------
    pieces : sequence of Panel or CutPiece
    unit : LengthUnit
        Of lengths; areas are in its square.
    source : str
        Told in every row, such as the photo's name.

    Returns
    -------
    list of dict
        With the keys `PIECE_COLUMNS`; ``u_area`` is the standard uncertainty; width and height are the outline's
        extent along the mat's axes; ``grain_deg`` is None while unknown.
    """
    return [_piece_row(piece, unit, source) for piece in as_cut_pieces(pieces)]


def edge_rows(pieces: Sequence[Panel | CutPiece], unit: LengthUnit = LengthUnit.MM, source: str = "") -> list[Row]:
    """One row an edge: ``pandas.DataFrame(edge_rows(panels))``.

    Parameters
    ----------
    pieces : sequence of Panel or CutPiece
    unit : LengthUnit
        Of lengths.
    source : str
        Told in every row, such as the photo's name.

    Returns
    -------
    list of dict
        With the keys `EDGE_COLUMNS`; ``u`` is the length's standard uncertainty; the ends are in the mat's frame.
    """
    return [row for piece in as_cut_pieces(pieces) for row in _edge_rows(piece, unit, source)]


def pieces_csv(pieces: Sequence[Panel | CutPiece], unit: LengthUnit = LengthUnit.MM, source: str = "") -> str:
    """`piece_rows` as CSV.

    Parameters
    ----------
    pieces : sequence of Panel or CutPiece
    unit : LengthUnit
        Of lengths; areas are in its square.
    source : str
        Told in every row, such as the photo's name.

    Returns
    -------
    str
        With a line of the columns' names first.
    """
    return rows_csv(piece_rows(pieces, unit, source), PIECE_COLUMNS)


def edges_csv(pieces: Sequence[Panel | CutPiece], unit: LengthUnit = LengthUnit.MM, source: str = "") -> str:
    """`edge_rows` as CSV.

    Parameters
    ----------
    pieces : sequence of Panel or CutPiece
    unit : LengthUnit
        Of lengths.
    source : str
        Told in every row, such as the photo's name.

    Returns
    -------
    str
        With a line of the columns' names first.
    """
    return rows_csv(edge_rows(pieces, unit, source), EDGE_COLUMNS)


def rows_csv(rows: Sequence[Row], columns: Sequence[str]) -> str:
    """Rows as CSV, with a header line."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row[column]) for column in columns])
    return text.getvalue()


def _cell(value: Any) -> Any:
    if not isinstance(value, str):
        return "" if value is None else value
    return no_formula(plain_text(value, 500))


def no_formula(text: str) -> str:
    """A text with an apostrophe in front where a spreadsheet would take it for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _piece_row(piece: CutPiece, unit: LengthUnit, source: str) -> Row:
    panel, scale = piece.panel, mm_per_unit(unit)
    low, high = panel.outline_mm.min(axis=0), panel.outline_mm.max(axis=0)
    width, height = (float(side) for side in (high - low) / scale)
    return {
        "source": source,
        "piece": panel.id,
        "name": piece.name,
        "complete": panel.complete,
        "layers": panel.layers,
        "area": round(panel.area.value / scale**2, DIGITS),
        "u_area": round(panel.area.u / scale**2, DIGITS),
        "area_unit": f"{unit}2",
        "perimeter": round(panel.outer.exterior.length / scale, DIGITS),
        "width": round(width, DIGITS),
        "height": round(height, DIGITS),
        "unit": str(unit),
        "edges": len(panel.edges),
        "holes": len(panel.holes_mm),
        "grain_deg": round(panel.grain.angle_deg, 2) if panel.grain else None,
    }


def _edge_rows(piece: CutPiece, unit: LengthUnit, source: str) -> list[Row]:
    panel, scale = piece.panel, mm_per_unit(unit)
    rows = []
    for edge in panel.edges:
        start, end = panel.outline_mm[edge.first], panel.outline_mm[edge.last]
        chord = float(((end - start) ** 2).sum() ** 0.5)
        rows.append(
            {
                "source": source,
                "piece": panel.id,
                "edge": edge.id,
                "label": edge.label,
                "kind": edge.kind,
                **_length(edge.length, scale),
                "chord": round(chord / scale, DIGITS),
                "unit": str(unit),
                "allowance": round(piece.allowances_mm.get(edge.id, 0.0) / scale, DIGITS),
                **{
                    f"{name}_{axis}": round(float(at[k]) / scale, DIGITS)
                    for name, at in (("start", start), ("end", end))
                    for k, axis in enumerate("xy")
                },
            }
        )
    return rows


def _length(length: Quantity, scale: float) -> Row:
    return {"length": round(length.value / scale, DIGITS), "u": round(length.u / scale, DIGITS)}
