"""The tables of a batch: one line a photo, and beside it one line a piece and one line an edge, as CSV or Parquet.

CSV is written as in RFC 4180. Rows pass through; never are all of them in memory. A text that a spreadsheet would take
for a formula gets an apostrophe in front (OWASP, "CSV Injection").
"""

import csv
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import StrEnum
from itertools import islice
from pathlib import Path
from typing import Any

from flatmeasure.batch.job_table import JobRow
from flatmeasure.batch.tasks import result_path
from flatmeasure.errors import OptionInvalid
from flatmeasure.exports.tables import no_formula

Row = dict[str, Any]

_MEASURES = ("area_mm2", "perimeter_mm", "along_mm", "across_mm")
_MEASURE_COLUMNS = tuple(column for name in _MEASURES for column in (name, f"u_{name}"))
COLUMNS: dict[str, dict[str, type]] = {
    "photos": {
        "photo": str, "state": str, "reason": str, "pieces": int, "area_mm2": float, "warnings": str,
        "seconds": float, "measurement": str,
    },
    "pieces": {
        "photo": str, "piece": str, "complete": bool, "confidence": float, **dict.fromkeys(_MEASURE_COLUMNS, float),
        "edge_count": int,
    },
    "edges": {
        "photo": str, "piece": str, "edge": str, "kind": str, "length_mm": float, "u_length_mm": float,
        "chord_mm": float, "u_chord_mm": float, "angle_deg": float, "u_angle_deg": float,
    },
}  # fmt: skip
_AT_ONCE = 5000


class TableKind(StrEnum):
    """How tables are written."""

    CSV = "csv"
    PARQUET = "parquet"


def check_table(kind: TableKind) -> None:
    """Refuse a kind that can't be written here.

    Raises
    ------
    OptionInvalid
    """
    if kind is TableKind.PARQUET:
        try:
            import pyarrow.parquet  # noqa: F401
        except ImportError as error:
            raise OptionInvalid("To write Parquet, install flatmeasure[tables], or choose csv.") from error


def write_tables(rows: Callable[[], Iterable[JobRow]], results: Path, kind: TableKind) -> list[Path]:
    """Write photos, pieces and edges; each file is there whole or not at all.

    Parameters
    ----------
    rows : callable
        Gives all rows of the job table, from the first.
    results : Path
        The folder.
    kind : TableKind
    """
    spread: dict[str, Callable[[JobRow], Iterator[Row]]] = {
        "photos": lambda row: iter([_photo_row(row, results)]),
        "pieces": _piece_rows,
        "edges": _edge_rows,
    }
    write = _write_csv if kind is TableKind.CSV else _write_parquet
    written = []
    for name, columns in COLUMNS.items():
        path, beside = results / f"{name}.{kind}", results / f".{name}.{kind}"
        try:
            write(beside, (line for row in rows() for line in spread[name](row)), columns)
            os.replace(beside, path)
        except OSError as error:
            raise OptionInvalid(
                f"{path} can't be written ({error.strerror}): make room or close it, and give the same command again."
            ) from error
        written.append(path)
    return written


def _photo_row(row: JobRow, results: Path) -> Row:
    measured = row.state == "measured"
    file = result_path(results, "measurement", row.key).relative_to(results).as_posix() if measured else ""
    return {
        "photo": row.path,
        "state": row.state,
        "reason": row.reason,
        "pieces": len(row.pieces),
        "area_mm2": sum(piece["area_mm2"] for piece in row.pieces) if measured else None,
        "warnings": row.warnings,
        "seconds": round(row.seconds, 3),
        "measurement": file,
    }


def _piece_rows(row: JobRow) -> Iterator[Row]:
    for piece in row.pieces:
        yield {"photo": row.path, **piece, "edge_count": len(piece["edges"])}


def _edge_rows(row: JobRow) -> Iterator[Row]:
    for piece in row.pieces:
        for edge in piece["edges"]:
            yield {"photo": row.path, "piece": piece["piece"], **edge}


def _write_csv(path: Path, rows: Iterator[Row], columns: dict[str, type]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows([_cell(row[name]) for name in columns] for row in rows)


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        return no_formula(value)
    return str(value).lower() if isinstance(value, bool) else value


def _write_parquet(path: Path, rows: Iterator[Row], columns: dict[str, type]) -> None:
    import pyarrow
    import pyarrow.parquet

    kinds = {str: pyarrow.string(), int: pyarrow.int64(), float: pyarrow.float64(), bool: pyarrow.bool_()}
    schema = pyarrow.schema([(name, kinds[kind]) for name, kind in columns.items()])
    with pyarrow.parquet.ParquetWriter(path, schema) as writer:
        while some := list(islice(rows, _AT_ONCE)):
            writer.write_table(pyarrow.table(_by_column(some, list(columns)), schema=schema))


def _by_column(rows: Sequence[Row], columns: Sequence[str]) -> dict[str, list[Any]]:
    return {name: [row[name] for row in rows] for name in columns}
