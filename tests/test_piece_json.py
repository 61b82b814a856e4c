"""Panels and results as JSON: read back unchanged."""

import json
from dataclasses import replace

import numpy as np
import pytest

from flatmeasure.pieces.allowance import apply_allowance, changed_panel
from flatmeasure.pieces.division import cut_parallel
from flatmeasure.pieces.panel import Grain
from flatmeasure.pieces.panel_file import panels_from_dict
from flatmeasure.pieces.piece_json import as_json, pieces_to_dict
from flatmeasure.pieces.strips import StripPlan, place_strips
from tests.panels import darted, gore, rectangle


def test_pieces_read_back() -> None:
    """Also pieces that were made from others keep their edges, notes and error."""
    noted = replace(
        gore(), grain=Grain(12.5, 0.4, "edge A2"), layers=2, flaws_mm=(np.array([[0.0, 9], [5, 9], [5, 20]]),)
    )
    made = (noted, changed_panel(darted(), 10.0), *cut_parallel(gore(), "A1", 200.0).parts)
    read = panels_from_dict(json.loads(json.dumps(pieces_to_dict(made))))
    for before, after in zip(made, read, strict=True):
        assert after.polygon.symmetric_difference(before.polygon).area < 1.0
        assert [edge.id for edge in after.edges] == [edge.id for edge in before.edges]
        assert [edge.length for edge in after.edges] == [edge.length for edge in before.edges]
        assert (after.error, after.grain, after.layers, after.area) == (
            before.error,
            before.grain,
            before.layers,
            before.area,
        )
        assert len(after.flaws_mm) == len(before.flaws_mm)


def test_results_are_plain_json() -> None:
    strips = place_strips(replace(rectangle(600.0, 400.0), grain=Grain(0.0, 0.1, "given")), StripPlan(50.0))
    found = json.loads(json.dumps(as_json({"seam": apply_allowance(gore(), 15.0), "strips": strips}), allow_nan=False))
    assert found["seam"]["edges"][0]["new_length"]["unit"] == "mm"
    assert found["strips"]["plan"]["direction"] == "bias"
    assert found["strips"]["total"]["value"] == pytest.approx(strips.total.value)
