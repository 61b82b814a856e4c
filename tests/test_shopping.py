"""Shopping list against a published table of cloth widths."""

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from flatmeasure.enough.boards import LayRules
from flatmeasure.enough.layouts import fault_of
from flatmeasure.enough.pattern import PatternPiece, Turns
from flatmeasure.enough.shopping import shopping_list

YARD_MM, INCH_MM = 914.4, 25.4
BODICE = Polygon([(0, 0), (240, 0), (250, 180), (200, 200), (205, 400), (100, 440), (60, 340), (0, 330)])
BLOUSE = [
    PatternPiece("front", BODICE, pair=True),
    PatternPiece("back", box(0, 0, 470, 430)),
    PatternPiece("sleeve", Polygon([(0, 0), (280, 0), (380, 330), (190, 480), (-100, 330)]), pair=True),
    PatternPiece("facing", box(0, 0, 80, 430), count=2),
    PatternPiece("collar", box(0, 0, 400, 90)),
]


def test_rectangles_of_known_length() -> None:
    """Three 40 x 30 cm on cloth of 90 cm: two side by side, then one: 60 cm; on 130 cm one row: 30 cm."""
    pieces = [PatternPiece("pad", box(0, 0, 400, 300), count=3)]
    narrow, wide, tight = shopping_list(pieces, [900.0, 1300.0, 350.0], sweeps=60)
    assert narrow.length_mm == pytest.approx(600.0, abs=0.5)
    assert wide.length_mm == pytest.approx(300.0, abs=0.5)
    assert (narrow.buy_mm, wide.buy_mm) == (650.0, 350.0)  # a hair over what the shop's steps of 5 cm give
    assert tight.strip is None
    assert narrow.strip is not None
    assert fault_of(narrow.strip.layout, [box(-1e-3, 0, 900.001, narrow.length_mm + 1e-6)]) < 1e-6


def test_widths_trade_like_the_handbook_table() -> None:
    """Cloth width conversion (a published table, sewwithsarah.com): 1 3/4 yd of 35-36 in = 1 3/8 yd of 44-45 in =
    1 yd of 58-60 in. The table rounds to eighths of a yard and its own areas scatter by 8 %: 15 % is allowed, about
    one factor common to all widths."""
    lengths = [one.length_mm for one in shopping_list(BLOUSE, [35.5 * INCH_MM, 44.5 * INCH_MM, 59.0 * INCH_MM])]
    assert all(length is not None for length in lengths)
    found = np.array(lengths, dtype=np.float64)
    table = np.array([1.75, 1.375, 1.0]) * YARD_MM
    factor = found / table
    assert factor == pytest.approx(np.exp(np.mean(np.log(factor))), rel=0.15)


def test_turns_and_tolerance_may_only_help() -> None:
    pieces = [PatternPiece("long", box(0, 0, 200, 850)), PatternPiece("wide", box(0, 0, 850, 200))]
    free = [PatternPiece(p.name, p.drawn, turns=Turns.QUARTER) for p in pieces]
    bound, turned = (shopping_list(kind, [900.0], LayRules(), 60)[0].length_mm for kind in (pieces, free))
    assert bound == pytest.approx(1050.0, abs=1.0)
    assert turned == pytest.approx(400.0, abs=1.0)
