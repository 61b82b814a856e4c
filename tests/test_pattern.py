"""Pattern pieces from JSON, SVG, DXF and measured pieces; faults told in one sentence."""

import io
import json
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from shapely.geometry import box

from flatmeasure.enough.pattern import PatternPiece, Turns
from flatmeasure.enough.pattern_file import pattern_from_dict, pattern_to_dict, read_pattern
from flatmeasure.errors import PatternInvalid
from flatmeasure.pieces.piece_json import pieces_to_dict
from tests.panels import gore

SQUARE = [[0, 0], [10, 0], [10, 10], [0, 10]]


def one(unit: str = "cm", **fields: Any) -> PatternPiece:
    given = {"name": "front"} | fields
    return pattern_from_dict({"schema": "flatmeasure.pattern/1", "unit": unit, "pieces": [given]})[0]


@pytest.mark.parametrize(
    ("fields", "size_mm", "area_mm2"),
    [
        ({"outline": SQUARE}, (100.0, 100.0), 1e4),
        ({"rectangle": [30, 20]}, (300.0, 200.0), 6e4),
        ({"strip": [30, 4]}, (40.0, 300.0), 1.2e4),  # its length along the grain, which runs up
        ({"circle": 20}, (200.0, 200.0), np.pi * 1e4),
        ({"outline": SQUARE, "holes": [[[2, 2], [4, 2], [4, 4], [2, 4]]]}, (100.0, 100.0), 9.6e3),
        ({"unit": "in", "rectangle": [1, 2]}, (25.4, 50.8), 25.4 * 50.8),
    ],
)
def test_shapes(fields: dict[str, Any], size_mm: tuple[float, float], area_mm2: float) -> None:
    piece = one(**fields)
    left, low, right, high = piece.cut.bounds
    assert (right - left, high - low) == pytest.approx(size_mm, rel=1e-3)
    assert piece.cut.area == pytest.approx(area_mm2, rel=1e-3)


def test_allowance_handbook() -> None:
    """A 20 in finished panel at 5/8 in cuts at 21.25 in; a 6 in block at 1/4 in at 6.5 in ("Seam allowance sizes by
    project type", a published table)."""
    for finished, allowance, cut in ((20, 0.625, 21.25), (6, 0.25, 6.5)):
        piece = one(unit="in", rectangle=[finished, finished], allowance={"included": 0, "wanted": allowance})
        assert piece.cut.bounds[2] - piece.cut.bounds[0] == pytest.approx(cut * 25.4)
        assert piece.finished.area == pytest.approx((finished * 25.4) ** 2)


def test_allowance_changed() -> None:
    """From 1/2 in to 1/4 in: a quarter inch less on every side."""
    piece = one(unit="in", rectangle=[10, 8], allowance={"included": 0.5, "wanted": 0.25})
    assert piece.cut.area == pytest.approx(9.5 * 7.5 * 25.4**2)
    assert piece.finished.area == pytest.approx(9.0 * 7.0 * 25.4**2)
    same = one(rectangle=[10, 8], allowance={"included": 1})
    assert same.cut.equals(same.drawn)


def test_grain_is_turned_up() -> None:
    left, low, right, high = one(rectangle=[30, 10], grain=0).cut.bounds
    assert (right - left, high - low) == pytest.approx((100.0, 300.0))


@pytest.mark.parametrize(
    ("turns", "bias", "expected"),
    [
        ("both", False, {0, 180}),
        ("one way", False, {0}),
        ("quarter", False, {0, 90, 180, 270}),
        ("both", True, {45, 135, 225, 315}),
        ("one way", True, {45, 315}),
    ],
)
def test_turns(turns: str, bias: bool, expected: set[int]) -> None:
    assert set(one(outline=SQUARE, turns=turns, bias=bias).turns_deg()) == expected


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "exactly one of outline"),
        ({"outline": SQUARE, "circle": 3}, "exactly one of outline"),
        ({"outline": [[0, 0], [10, 10], [10, 0], [0, 10]]}, "crosses itself (at 50, 50 mm)"),
        ({"outline": [[0, 0], [10, 0]]}, "fewer than three points"),
        ({"outline": [[0, 0], [10, "x"], [3, 3]]}, "no list of [x, y] points"),
        ({"outline": [[0, 0], [10, 0], [20, 0]]}, "has no area"),
        ({"rectangle": [0.01, 0.02]}, "check the unit"),
        ({"rectangle": [3000, 2]}, "check the unit"),
        ({"rectangle": [10, -2]}, "above 0"),
        ({"rectangle": 10}, "needs two lengths"),
        ({"circle": "10"}, "must be a number"),
        ({"outline": SQUARE, "count": 0}, "wanted 0 times"),
        ({"outline": SQUARE, "count": 1.5}, "whole number"),
        ({"outline": SQUARE, "pair": "yes"}, "true or false"),
        ({"outline": SQUARE, "turns": "up"}, "unknown turns"),
        ({"outline": SQUARE, "grian": 90}, "'grian'"),
        ({"outline": SQUARE, "allowance": {"included": -1}}, "allowance of -10 mm"),
        ({"outline": SQUARE, "allowance": {"included": 6}}, "narrower than that"),
        ({"outline": SQUARE, "value": 0}, "above 0"),
        ({"outline": SQUARE, "grain": None}, "must be a number"),
    ],
)
def test_faults(fields: dict[str, Any], said: str) -> None:
    with pytest.raises(PatternInvalid) as raised:
        one(**fields)
    assert said in str(raised.value)
    assert "front" in str(raised.value)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ([], "is no pattern"),
        ({"schema": "flatmeasure.pattern/1", "pieces": [{}]}, "unit"),
        ({"schema": "flatmeasure.pattern/1", "unit": "px", "pieces": [{}]}, "mm, cm or in"),
        ({"schema": "flatmeasure.pattern/1", "unit": "mm", "pieces": []}, 'no "pieces"'),
        ({"schema": "flatmeasure.pattern/1", "unit": "mm", "pieces": [3]}, "no JSON object"),
    ],
)
def test_files_that_are_no_pattern(data: Any, said: str) -> None:
    with pytest.raises(PatternInvalid, match=said):
        pattern_from_dict(data)


def test_two_pieces_of_one_name() -> None:
    piece = {"name": "cuff", "rectangle": [10, 5]}
    with pytest.raises(PatternInvalid, match="cuff"):
        pattern_from_dict({"schema": "flatmeasure.pattern/1", "unit": "cm", "pieces": [piece, piece]})


def test_there_and_back(tmp_path: Path) -> None:
    piece = one(outline=SQUARE, count=3, pair=True, grain=30, turns="one way", bias=True, value=2.5)
    path = tmp_path / "pattern.json"
    path.write_text(json.dumps(pattern_to_dict((piece,))))
    back = read_pattern(path)[0]
    assert back.drawn.equals_exact(piece.drawn, 1e-3)
    assert (back.count, back.pair, back.grain_deg, back.turns, back.bias, back.value) == (
        3,
        True,
        30,
        Turns.ONE_WAY,
        True,
        2.5,
    )


def test_measured_pieces_are_pattern_pieces(tmp_path: Path) -> None:
    path = tmp_path / "measured.json"
    path.write_text(json.dumps(pieces_to_dict([gore()])))
    piece = read_pattern(path)[0]
    assert piece.name == "A"
    assert piece.cut.area == pytest.approx(gore().polygon.area, rel=1e-6)


SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="300mm" height="200mm" viewBox="0 0 300 200">
<g transform="translate(10 20)"><rect id="back" width="120" height="60" data-count="2" data-grain="0"/></g>
<path id="ring" d="M 200 50 a 40 40 0 1 0 80 0 a 40 40 0 1 0 -80 0 Z M 220 50 a 20 20 0 1 1 40 0 a 20 20 0 1 1 -40 0 Z"
 data-turns="one way" data-pair="yes"/></svg>"""


def test_svg(tmp_path: Path) -> None:
    path = tmp_path / "pattern.svg"
    path.write_text(SVG)
    back, ring = read_pattern(path)
    assert (back.name, back.count, back.pieces) == ("back", 2, 2)
    assert back.drawn.area == pytest.approx(7200.0, rel=1e-5)  # the reader's own rounding
    assert back.cut.bounds[3] - back.cut.bounds[1] == pytest.approx(120.0)  # grain along x is turned up
    assert (ring.turns, ring.pieces) == (Turns.ONE_WAY, 2)
    assert ring.drawn.area == pytest.approx(np.pi * (40**2 - 20**2), rel=2e-3)


def test_svg_is_not_turned_over(tmp_path: Path) -> None:
    """y runs down in SVG: an L that reads as L on the screen is an L with y up."""
    path = tmp_path / "l.svg"
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="10cm" height="10cm" viewBox="0 0 100 100">'
        '<path id="L" d="M 0 0 H 20 V 80 H 60 V 100 H 0 Z"/></svg>'
    )
    shape = read_pattern(path)[0].drawn
    assert shape.centroid.y < (shape.bounds[1] + shape.bounds[3]) / 2.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (SVG.replace('width="300mm"', 'width="300"'), "does not say its size"),
        (SVG.replace('width="120"', 'width="0.01"').replace('height="60"', 'height="0.01"'), "check the unit"),
        (SVG.replace("-80 0 Z M", "-70 0 M"), "is open"),
        ('<svg xmlns="http://www.w3.org/2000/svg" width="1cm" height="1cm"/>', "holds no closed line"),
        ("<svg", "no SVG that can be read"),
    ],
)
def test_svg_faults(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "bad.svg"
    path.write_text(text)
    with pytest.raises(PatternInvalid, match=said):
        read_pattern(path)


def dxf(tmp_path: Path, insunits: int, close: bool = True) -> Path:
    document = ezdxf.new("R2010")
    document.header["$INSUNITS"] = insunits
    block = document.blocks.new("sleeve")
    block.add_lwpolyline([(0, 0), (20, 0), (15, 30), (5, 30)], close=close)
    document.modelspace().add_blockref("sleeve", (100, 50))
    document.modelspace().add_circle((0, 0), 5, dxfattribs={"layer": "dot"})
    stream = io.StringIO()
    document.write(stream)
    path = tmp_path / "pattern.dxf"
    path.write_text(stream.getvalue())
    return path


@pytest.mark.parametrize(("insunits", "scale"), [(4, 1.0), (5, 10.0), (1, 25.4)])
def test_dxf(tmp_path: Path, insunits: int, scale: float) -> None:
    pieces = {piece.name: piece for piece in read_pattern(dxf(tmp_path, insunits))}
    assert pieces["sleeve"].drawn.area == pytest.approx(450.0 * scale**2)
    assert pieces["dot"].drawn.area == pytest.approx(np.pi * 25.0 * scale**2, rel=2e-2)


def test_dxf_faults(tmp_path: Path) -> None:
    with pytest.raises(PatternInvalid, match=r"\$INSUNITS"):
        read_pattern(dxf(tmp_path, 0))
    with pytest.raises(PatternInvalid, match="sleeve is open"):
        read_pattern(dxf(tmp_path, 4, close=False))
    path = tmp_path / "bad.dxf"
    path.write_bytes(b"no drawing")
    with pytest.raises(PatternInvalid, match="no DXF"):
        read_pattern(path)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(PatternInvalid, match="cannot be read"):
        read_pattern(tmp_path / "none.json")


def test_a_finished_outline_of_its_own_comes_back() -> None:
    piece = PatternPiece("a", box(0, 0, 100, 60), included_mm=10.0, wanted_mm=10.0, sewn=box(10, 10, 90, 60))
    (back,) = pattern_from_dict(json.loads(json.dumps(pattern_to_dict((piece,)))))
    assert back.finished.equals(piece.finished)
    assert back.cut.equals(piece.cut)


def test_a_finished_outline_beside_the_drawn_one_is_refused() -> None:
    data = pattern_to_dict((PatternPiece("a", box(0, 0, 100, 60), sewn=box(10, 10, 90, 70)),))
    with pytest.raises(PatternInvalid, match="leaves its drawn one"):
        pattern_from_dict(data)
