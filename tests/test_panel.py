"""A panel inherits what its photo was sure of: against closed forms, Monte Carlo and the JSON of measure."""

import json
from typing import Any

import numpy as np
import pytest

from flatmeasure.errors import PieceUnreadable
from flatmeasure.pieces.panel import OutlineError, Panel, explain_error, line_length
from flatmeasure.pieces.panel_file import panel_from_dict, panel_from_outline, read_panels
from tests.panels import ERROR, circle, darted, densified, gore, monte_carlo, rectangle


def as_dict(panel: Panel) -> dict[str, Any]:
    """The panel as `measure` writes a piece."""
    firsts = {edge.first: k for k, edge in enumerate(panel.edges)}
    return {
        "id": panel.id,
        "complete": panel.complete,
        "area": panel.area.to_dict(),
        "outline_mm": panel.outline_mm.tolist(),
        "holes_mm": [hole.tolist() for hole in panel.holes_mm],
        "corners": [{"at_mm": panel.outline_mm[edge.first].tolist()} for edge in panel.edges],
        "edges": [
            {
                "id": edge.id,
                "from": k,
                "to": firsts[edge.last],
                "kind": edge.kind,
                "length": edge.length.to_dict(),
                "points_mm": panel.edge_points(edge).tolist(),
            }
            for k, edge in enumerate(panel.edges)
        ],
    }


def write(path: Any, *pieces: dict[str, Any]) -> Any:
    path.write_text(json.dumps({"schema": "flatmeasure.measurement/1", "pieces": list(pieces)}))
    return path


def test_moved_outline_grows_as_geometry_says() -> None:
    panel = panel_from_outline("A", circle(100.0), corners=[0])
    grown = panel.moved(shift_mm=1.0)
    assert grown.polygon.area == pytest.approx(panel.polygon.area * 1.01**2, rel=1e-4)
    assert panel.moved(scale=0.01).polygon.area == pytest.approx(panel.polygon.area * 1.01**2, rel=1e-12)


def test_shift_makes_holes_smaller() -> None:
    panel = panel_from_outline("A", circle(100.0), corners=[0], holes_mm=[circle(20.0)])
    assert panel.moved(shift_mm=1.0).polygon.interiors[0].length < panel.polygon.interiors[0].length


def test_uncertainty_of_a_rectangle_by_hand() -> None:
    """600 x 400: u(L)^2 = (L s)^2 + (2 c)^2 + 2 p^2; u(A)^2 = (2 A s)^2 + (P c)^2 + 5 mm P p^2."""
    panel = rectangle(600.0, 400.0)
    s, c, p = ERROR.scale, ERROR.shift_mm, ERROR.point_mm
    assert panel.edges[0].length.u == pytest.approx(np.sqrt((600 * s) ** 2 + (2 * c) ** 2 + 2 * p**2), rel=1e-6)
    expected = np.sqrt((2 * 240_000 * s) ** 2 + (2000 * c) ** 2 + 5 * 2000 * p**2)
    assert panel.area.u == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("panel", [gore(), darted()], ids=["gore", "darted"])
def test_area_uncertainty_against_monte_carlo(panel: Panel) -> None:
    """First order against JCGM 101; 300 draws know a standard deviation to 4 %, so 15 % is well over three of those."""
    assert panel.area.u == pytest.approx(monte_carlo(panel, lambda p: p.polygon.area), rel=0.15)


@pytest.mark.parametrize("panel", [rectangle(600.0, 400.0), gore(), darted()], ids=["rectangle", "gore", "darted"])
def test_stated_uncertainties_reveal_their_causes(panel: Panel) -> None:
    found = explain_error(panel)
    assert found.scale == pytest.approx(ERROR.scale, rel=1e-3)
    assert found.shift_mm == pytest.approx(ERROR.shift_mm, rel=1e-3)
    assert found.point_mm == pytest.approx(ERROR.point_mm, rel=1e-3)


def test_exact_panel_has_no_error() -> None:
    assert explain_error(rectangle(600.0, 400.0, OutlineError())) == OutlineError()


def test_file_read_back(tmp_path: Any) -> None:
    drawn = panel_from_outline("B", circle(150.0), corners=[0, 100], holes_mm=[circle(20.0)], error=ERROR)
    piece = as_dict(drawn) | {
        "labels": {"B1": "Hem"},
        "layers": 2,
        "grain": {"angle_deg": 190.0, "u_deg": 0.5, "source": "edge B1"},
        "flaws_mm": [[[0, 50], [10, 50], [10, 60]]],
    }
    first, second = read_panels(write(tmp_path / "m.json", as_dict(gore()), piece))
    assert first.id == "A"
    assert second.edge("hem").id == "B1"
    assert (second.layers, len(second.flaws_mm), len(second.holes_mm)) == (2, 1, 1)
    assert second.grain is not None
    assert second.grain.angle_deg == 10.0
    assert second.area == drawn.area
    assert second.polygon.equals_exact(drawn.polygon, 1e-9)
    assert first.error.scale == pytest.approx(ERROR.scale, rel=1e-3)


def test_file_without_edge_points_uses_the_outline() -> None:
    piece = as_dict(gore())
    for edge in piece["edges"]:
        del edge["points_mm"]
    panel = panel_from_dict(piece)
    assert [line_length(panel.edge_points(e)) for e in panel.edges] == pytest.approx(
        [e.length.value for e in gore().edges], abs=1e-9
    )


def spoiled(**changes: Any) -> dict[str, Any]:
    return as_dict(rectangle(600.0, 400.0)) | changes


@pytest.mark.parametrize(
    ("piece", "message"),
    [
        (spoiled(outline_mm=[[0, 0], [600, 0]]), "at least three points"),
        (spoiled(outline_mm="abc"), "damaged"),
        (spoiled(outline_mm=[[0, 0], [600, float("nan")], [0, 400]]), "not finite"),
        (spoiled(edges=[], outline_mm=[[0, 0], [600, 400], [600, 0], [0, 500]]), "crosses itself|clockwise"),
        (spoiled(edges=[], outline_mm=[[0, 0], [0, 400], [600, 400], [600, 0]]), "runs clockwise"),
        (spoiled(area={"value": 1e6, "u": 1.0, "unit": "mm2"}), "is not that of its outline"),
        (spoiled(area={"value": 240_000.0, "u": -1.0, "unit": "mm2"}), "not a measured value"),
        (spoiled(area={"value": 0.24, "u": 0.1, "unit": "m2"}), "not a measured value in mm2"),
        (spoiled(layers=0), "layers"),
        (spoiled(error={"scale": -0.1, "shift_mm": 0.0, "point_mm": 0.1}), "no uncertainty"),
        (spoiled(layers="two"), "layers"),
        (spoiled(edges=as_dict(rectangle(600.0, 400.0))["edges"][:3]), "do not follow each other"),
        (spoiled(holes_mm=[[[550, 300], [700, 300], [700, 350]]]), "holes leaves"),
        (spoiled(grain={"angle_deg": "north"}), "damaged"),
        ({"id": "A"}, "lacks a field"),
        (7, "lacks a field"),
    ],
)
def test_damaged_piece_failure(piece: Any, message: str) -> None:
    with pytest.raises(PieceUnreadable, match=message):
        panel_from_dict(piece)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is not JSON"),
        ("[" * 100_000, "is not JSON"),
        ("\x89PNG", "is not JSON"),
        ("{}", "holds no measurement"),
        ('{"schema": "flatmeasure.measurement/1", "pieces": []}', "holds no pieces"),
    ],
)
def test_foreign_file_failure(tmp_path: Any, text: str, message: str) -> None:
    path = tmp_path / "x.json"
    path.write_text(text, encoding="latin-1")
    with pytest.raises(PieceUnreadable, match=message):
        read_panels(path)


def test_missing_file_failure(tmp_path: Any) -> None:
    with pytest.raises(PieceUnreadable, match="cannot be read"):
        read_panels(tmp_path / "none.json")


def test_outline_rounded_to_a_micrometre_is_thinned() -> None:
    """Points set along straight edges, rounded as files are, are no part of the shape (but for a few in 300)."""
    piece = as_dict(densified(gore()))
    for edge in piece["edges"]:
        edge["points_mm"] = np.round(edge["points_mm"], 3).tolist()
    assert len(densified(gore()).outline_mm) > 300
    assert len(panel_from_dict(piece).outline_mm) <= len(gore().outline_mm) + 4


def test_sharp_corner_folds_over_but_stays_a_polygon() -> None:
    """A dart of 3 degrees with points along its legs: moved by more than the gap between them, it closes up."""
    narrow = densified(darted(intake_mm=7.0), 1.0)
    moved = narrow.moved(shift_mm=0.5)
    assert moved.polygon.is_valid
    assert moved.polygon.area == pytest.approx(narrow.polygon.area + 0.5 * narrow.outer.length, rel=1e-3)


def test_unknown_edge_failure() -> None:
    with pytest.raises(KeyError):
        gore().edge("A9")


def test_either_way_round() -> None:
    corners = np.array([[0.0, 0.0], [600.0, 0.0], [600.0, 400.0]])
    assert panel_from_outline("A", corners[::-1]).polygon.area == pytest.approx(120_000.0)
