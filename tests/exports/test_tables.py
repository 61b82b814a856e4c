"""Tables: the panels' own figures, CSV that other readers take, names that are no formulas."""

import csv
import io
from dataclasses import replace

import pytest

from flatmeasure.exports.cut_piece import CutPiece
from flatmeasure.exports.tables import EDGE_COLUMNS, PIECE_COLUMNS, edge_rows, edges_csv, piece_rows, pieces_csv
from flatmeasure.pieces.panel import Grain, Panel
from flatmeasure.units import LengthUnit
from tests.panels import gore, rectangle


def labelled(label: str) -> Panel:
    panel = rectangle(254.0, 127.0)
    return replace(panel, edges=tuple(replace(edge, label=label) for edge in panel.edges))


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_rows_are_the_panels_figures() -> None:
    panel = replace(gore(), grain=Grain(91.234, 1.0, "given"), layers=2)
    (row,) = piece_rows([CutPiece(panel, "Gore")], source="skirt.jpg")
    assert tuple(row) == PIECE_COLUMNS
    assert row["area"] == pytest.approx(panel.area.value, abs=1e-4)
    assert row["u_area"] == pytest.approx(panel.area.u, abs=1e-4)
    assert (row["name"], row["source"], row["layers"], row["grain_deg"]) == ("Gore", "skirt.jpg", 2, 91.23)
    rows = edge_rows([CutPiece(panel, "Gore", {"A2": 15.0})])
    assert all(tuple(one) == EDGE_COLUMNS for one in rows)
    assert [one["length"] for one in rows] == pytest.approx([edge.length.value for edge in panel.edges], abs=1e-4)
    assert [one["allowance"] for one in rows] == [0.0, 15.0, 0.0, 0.0]
    assert sum(one["length"] for one in rows) == pytest.approx(piece_rows([panel])[0]["perimeter"], abs=1e-3)


def test_inches() -> None:
    """254 mm are 10 in, 127 mm 5 in: 50 square inches (international inch, 1959)."""
    (row,) = piece_rows([labelled("")], LengthUnit.IN)
    assert (row["area"], row["area_unit"], row["width"], row["height"]) == (50.0, "in2", 10.0, 5.0)
    assert [one["length"] for one in edge_rows([labelled("")], LengthUnit.IN)] == [10.0, 5.0, 10.0, 5.0]


def test_csv_is_rfc_4180() -> None:
    text = edges_csv([labelled('centre "front", left\nside')])
    assert text.endswith("\r\n")
    assert text.count("\r\n") == 5
    assert "\n" not in text.replace("\r\n", "")
    rows = read(text)
    assert [row["label"] for row in rows] == ['centre "front", left side'] * 4
    assert float(rows[0]["length"]) == 254.0


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =1", "＝1+1", "\u200b=1"])
def test_formulas_are_disarmed(name: str) -> None:
    """OWASP, CSV Injection: cells that begin with = + - @, tab or return, full-width ones too."""
    for text, column in (
        (pieces_csv([CutPiece(gore(), name)], source=name), "name"),
        (edges_csv([labelled(name)]), "label"),
    ):
        for row in read(text):
            assert row[column].startswith("'")
    assert float(read(edges_csv([gore()]))[0]["start_x"]) == -210.0  # a number stays one


def test_data_frame() -> None:
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame(edge_rows([gore(), labelled("hem")]))
    assert list(frame.columns) == list(EDGE_COLUMNS)
    assert frame.groupby("kind")["length"].sum()["straight"] == pytest.approx(2 * 381.0 + 1201.35, abs=0.1)
