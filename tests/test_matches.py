"""Edges that belong together, from pieces drawn to be sewn to each other."""

from dataclasses import replace

import numpy as np
import pytest

from flatmeasure.pieces.matches import edge_matches, seam_lines
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from tests.panels import ERROR, darted, gore


def other(side_mm: float) -> Panel:
    """A piece whose right side is as long as is asked, its others like nothing else."""
    return panel_from_outline("B", [[0.0, 0.0], [333.0, 0.0], [333.0, side_mm], [40.0, 750.0]], error=ERROR)


def test_same_length_found() -> None:
    """The gore's right side is 599.27 mm."""
    side = np.hypot(105.0, 590.0)
    best = edge_matches([gore(), other(side)])[0]
    assert (best.first.panel, best.second.panel, best.ease) in [("A", "B", 0.0), ("B", "A", 0.0)]
    assert {best.first.name, best.second.name} == {"A2", "B2"}
    assert best.difference.value == pytest.approx(0.0, abs=1e-9)
    assert best.difference.u == pytest.approx(np.hypot(best.first.length.u, best.second.length.u))


def test_ease() -> None:
    """24 mm longer is 4 % to be eased in; the longer edge is named first."""
    side = np.hypot(105.0, 590.0)
    match = next(m for m in edge_matches([gore(), other(side * 1.04)]) if {m.first.name, m.second.name} == {"A2", "B2"})
    assert (match.first.name, match.ease) == ("B2", pytest.approx(0.04, rel=1e-3))


def test_too_much_ease_failure() -> None:
    side = np.hypot(105.0, 590.0)
    assert all({m.first.name, m.second.name} != {"A2", "B2"} for m in edge_matches([gore(), other(side * 1.2)]))


def test_closed_dart_joins_its_edge() -> None:
    """The waist is two edges and a dart; sewn it is one of their sum, its scale error common to both parts."""
    panel = darted()
    lines = {line.name: line for line in seam_lines(panel)}
    assert list(lines) == ["A1+A4", "A5", "A6", "A7", "A8", "A9"]
    waist = lines["A1+A4"].length
    assert waist.value == pytest.approx(panel.edge("A1").length.value + panel.edge("A4").length.value)
    assert waist.u > np.hypot(panel.edge("A1").length.u, panel.edge("A4").length.u)


def test_labels_are_used() -> None:
    panel = gore()
    named = replace(panel, edges=(replace(panel.edges[0], label="hem"), *panel.edges[1:]))
    assert seam_lines(named)[0].name == "hem"
