"""SVG and DXF: read by other people's readers, and read again as pattern pieces."""

import io
import math
import re
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pytest
import svgelements
from hypothesis import given, settings
from shapely.geometry import LineString, Polygon

from flatmeasure.enough.pattern_drawing import read_dxf, read_svg
from flatmeasure.exports.cut_piece import CutPiece, cut_pieces
from flatmeasure.exports.outline_dxf import Scheme, outline_dxf
from flatmeasure.exports.outline_svg import outline_svg
from flatmeasure.pieces.allowance import apply_allowance
from flatmeasure.pieces.panel import Grain, Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.piece_json import pieces_to_dict
from tests.exports.shapes import change, gore, smooth_panels
from tests.panels import circle, darted, rectangle

NAMESPACE = "{http://www.w3.org/2000/svg}"
HOSTILE = '<script>alert("1")</script> & \' %%u^J \\U+0041 {\\b;x}\n\x00\x1b\u202eend'
CLOSE_MM = 0.01

WAYS = {
    "svg": lambda pieces: read_svg(outline_svg(pieces).encode(), "out.svg"),
    "dxf": lambda pieces: read_dxf(outline_dxf(pieces), "out.dxf"),
    "astm": lambda pieces: read_dxf(outline_dxf(pieces, scheme=Scheme.ASTM), "out.dxf"),
}


def holed() -> Panel:
    return panel_from_outline(
        "A", [[0, 0], [400, 10], [390, 300], [-20, 280]], holes_mm=[circle(60.0) + np.array([200.0, 150.0])]
    )


def seamed() -> CutPiece:
    """Two edges with allowances, one of them outward; a grain; a notch."""
    panel = replace(gore(), grain=Grain(97.0, 1.0, "given"))
    return CutPiece(panel, "Gore", {"A2": 15.0, "A4": 15.0, "A1": -30.0}, {"A2": (200.0,)})


def document(content: bytes) -> Any:
    return ezdxf.read(io.StringIO(content.decode()))


def block(content: bytes) -> Any:
    drawing = document(content)
    return drawing.blocks.get(drawing.modelspace().query("INSERT")[0].dxf.name)


@pytest.mark.parametrize("way", WAYS)
def test_measured_panels_come_back(way: str, measured_panels: list[Panel]) -> None:
    for panel, back in zip(measured_panels, WAYS[way](measured_panels), strict=True):
        changed = change(panel, back.drawn)
        assert changed.corner_mm <= 0.001
        assert changed.length_mm <= CLOSE_MM
        assert changed.area_mm <= CLOSE_MM
        assert len(back.drawn.interiors) == len(panel.holes_mm)


@settings(max_examples=6, deadline=None)
@given(smooth_panels())
def test_any_panel_comes_back(panel: Panel) -> None:
    for way in WAYS.values():
        changed = change(panel, way([panel])[0].drawn)
        assert changed.corner_mm <= 0.001
        assert changed.length_mm <= CLOSE_MM
        assert changed.area_mm <= CLOSE_MM


def test_a_change_is_seen() -> None:
    """A drawing printed at 99.9 % fails the same check."""
    panel = gore()
    smaller = Polygon(WAYS["svg"]([panel])[0].drawn.exterior.coords[:-1] * np.array([0.999, 0.999]))
    assert change(panel, smaller).length_mm > 0.1


@pytest.mark.parametrize("way", WAYS)
def test_name_grain_and_holes_come_back(way: str) -> None:
    pieces = [CutPiece(replace(holed(), grain=Grain(30.0, 1.0, "given")), "Tasche vorn, Größe 38"), holed()]
    named, plain = WAYS[way](pieces)
    assert named.name == "Tasche vorn, Größe 38"
    assert named.grain_deg == pytest.approx(30.0, abs=1e-3)
    assert plain.grain_deg == 90.0
    assert len(named.drawn.interiors) == 1
    assert named.drawn.area == pytest.approx(holed().polygon.area, abs=1.0)


@pytest.mark.parametrize("way", WAYS)
def test_cut_line_comes_back_stitching_line_does_not(way: str) -> None:
    """The outline of what is cut: 30 mm more below, the hem's length wide."""
    (back,) = WAYS[way]([seamed()])
    assert back.drawn.area == pytest.approx(apply_allowance(gore(), {"A1": -30.0}).area.value, rel=1e-5)


def test_svg_by_another_reader(measured_panels: list[Panel]) -> None:
    """svgelements and shapely, not our own reader: true size, area, one closed shape a piece."""
    drawing = svgelements.SVG.parse(io.StringIO(outline_svg(measured_panels)), ppi=25.4)
    shapes = [
        one for one in drawing.elements() if isinstance(one, svgelements.Path) and one.values["data-group"] == "outline"
    ]
    for panel, shape in zip(measured_panels, shapes, strict=True):
        left, top, right, bottom = shape.bbox()
        assert (right - left, bottom - top) == pytest.approx(np.ptp(panel.outline_mm, axis=0), abs=0.03)
        first = svgelements.Path(next(iter(shape.as_subpaths())))
        assert isinstance(first[-1], svgelements.Close)
        points = [(p.x, p.y) for p in (seg.point(t) for seg in first for t in np.linspace(0, 1, 400)) if p is not None]
        assert Polygon(points).area == pytest.approx(panel.outer.area, abs=0.005 * panel.outer.length)


def test_svg_groups_and_units() -> None:
    root = ElementTree.fromstring(outline_svg([seamed(), rectangle(200, 100)]))
    sizes = [re.fullmatch(r"([\d.]+)mm", root.attrib[side]) for side in ("width", "height")]
    assert [float(size.group(1)) for size in sizes if size] == [float(v) for v in root.attrib["viewBox"].split()[2:]]
    groups = [one.attrib["data-group"] for one in root.find(f"{NAMESPACE}g").findall(f"{NAMESPACE}g")]  # type: ignore[union-attr]
    assert groups == ["outline", "stitching line", "grain", "notches", "labels"]
    ids = [one.attrib["id"] for one in root.iter() if "id" in one.attrib]
    assert len(ids) == len(set(ids))
    words = [one.text for one in root.iter(f"{NAMESPACE}text")]
    assert "Gore" in words
    assert any(word and word.startswith("A2 cut 629.9") and "stitch" in word for word in words)


def test_svg_is_small() -> None:
    """Six hundred points round a gore leave as four edges of a few curves."""
    fine = panel_from_outline("A", circle(300.0, 3000), corners=[0, 700, 1500, 2300])
    assert outline_svg([fine]).count("C") < 40


@pytest.mark.parametrize("scheme", list(Scheme))
def test_dxf_audit(scheme: Scheme, measured_panels: list[Panel]) -> None:
    drawing = document(outline_dxf([*measured_panels, seamed()], scheme=scheme))
    auditor = drawing.audit()
    assert not auditor.errors
    assert not auditor.fixes
    assert drawing.dxfversion == "AC1024"  # R2010
    assert drawing.header["$INSUNITS"] == 4  # mm
    assert len(drawing.modelspace().query("INSERT")) == len(measured_panels) + 1


def test_dxf_plain_layers() -> None:
    entities = block(outline_dxf([seamed()]))
    assert {one.dxf.layer for one in entities} == {"OUTLINE", "STITCHING", "GRAIN", "NOTCHES", "LABELS"}
    (outline,) = entities.query('LWPOLYLINE[layer=="OUTLINE"]')
    assert outline.closed
    assert len(outline) < 40


def test_dxf_astm_layers() -> None:
    """Layer numbers of ASTM D6673-10 as its published layer table gives them; a block a piece."""
    content = outline_dxf([seamed(), holed()], scheme=Scheme.ASTM)
    drawing = document(content)
    layers = {one.dxf.layer for name in drawing.blocks for one in name if not name.name.startswith("*")}
    assert layers == {"1", "2", "3", "4", "7", "11", "14", "15"}
    entities = block(content)
    assert not entities.query("LWPOLYLINE SPLINE ARC")
    (outline,) = entities.query('POLYLINE[layer=="1"]')
    turns = {(round(p.dxf.location.x, 3), round(p.dxf.location.y, 3)) for p in entities.query('POINT[layer=="2"]')}
    vertices = {(round(v.dxf.location.x, 3), round(v.dxf.location.y, 3)) for v in outline.vertices}
    assert outline.is_closed
    assert len(turns & vertices) == 4
    texts = [one.dxf.text for one in entities.query('TEXT[layer=="1"]')]
    assert texts == ["PIECE NAME: Gore", "UNITS: METRIC"]


def test_same_pieces_same_bytes() -> None:
    for scheme in Scheme:
        assert outline_dxf([seamed()], scheme=scheme) == outline_dxf([seamed()], scheme=scheme)
    assert outline_svg([seamed()]) == outline_svg([seamed()])


@pytest.mark.parametrize("way", WAYS)
def test_hostile_names(way: str) -> None:
    panel = replace(rectangle(200, 100), edges=tuple(replace(e, label=HOSTILE) for e in rectangle(200, 100).edges))
    (back,) = WAYS[way]([CutPiece(panel, HOSTILE)])
    assert "script" in back.name
    assert not any(ord(one) < 32 or one == "\u202e" for one in back.name)
    if way == "svg":
        root = ElementTree.fromstring(outline_svg([CutPiece(panel, HOSTILE)]))
        assert {one.tag.removeprefix(NAMESPACE) for one in root.iter()} == {"svg", "title", "desc", "g", "path", "text"}
    else:
        scheme = Scheme.ASTM if way == "astm" else Scheme.PLAIN
        drawing = document(outline_dxf([CutPiece(panel, HOSTILE)], scheme=scheme))
        assert not drawing.audit().errors
        assert all(
            "%%" not in one.dxf.text for one in drawing.blocks.get(drawing.modelspace()[0].dxf.name).query("TEXT")
        )


def test_stitching_line_lies_inside_by_the_allowance() -> None:
    root = ElementTree.fromstring(
        outline_svg([CutPiece(rectangle(300, 200), "", dict.fromkeys(["A1", "A2", "A3", "A4"], 12.0))])
    )
    seams = [
        svgelements.Path(one.attrib["d"])
        for one in root.iter(f"{NAMESPACE}path")
        if one.attrib["data-group"] == "stitching line"
    ]
    (cut,) = [
        svgelements.Path(one.attrib["d"])
        for one in root.iter(f"{NAMESPACE}path")
        if one.attrib["data-group"] == "outline"
    ]
    ring = LineString([(seg.end.x, seg.end.y) for seg in cut])
    assert sum(seam.length() for seam in seams) == pytest.approx(2 * (276 + 176), abs=1e-3)
    for seam in seams:
        assert ring.distance(LineString([(seg.end.x, seg.end.y) for seg in seam])) == pytest.approx(12.0, abs=1e-3)


def test_notches_stand_on_the_cut_edge() -> None:
    """One is wanted, and the seams' lines meet the edge at both ends of the two corners between them."""
    piece = CutPiece(rectangle(300, 200), "", {"A1": 12.0, "A2": 10.0}, {"A3": (100.0,)})
    notches = [
        np.array([tuple(one.dxf.start)[:2], tuple(one.dxf.end)[:2]])
        for one in block(outline_dxf([piece])).query('LINE[layer=="NOTCHES"]')
    ]
    edge = rectangle(300, 200).polygon.exterior
    assert len(notches) == 3
    assert all(edge.distance(LineString(notch)) < 1e-4 for notch in notches)
    starts = {(round(float(x)), round(float(y))) for x, y in (notch[0] for notch in notches)}
    assert starts == {(200, 200), (300, 12), (290, 0)}


def test_letters_stand_inside_and_apart() -> None:
    from flatmeasure.exports.piece_marks import piece_marks
    from flatmeasure.units import LengthUnit

    for piece in (seamed(), CutPiece(darted(), "Front"), CutPiece(holed())):
        marks = piece_marks(piece, LengthUnit.MM)
        boxes = [Polygon(one.box()) for one in marks.letters]
        assert all(marks.cut.polygon.contains(box) for box in boxes)
        assert not any(a.intersects(b) for i, a in enumerate(boxes) for b in boxes[:i])
        assert len(boxes) == len(piece.panel.edges) + 2


def test_notes_of_a_file() -> None:
    data = pieces_to_dict([gore()])
    data["pieces"][0] |= {
        "name": "Gore",
        "labels": {"A1": "hem"},
        "allowances_mm": {"hem": 30, "A2": 0},
        "notches_mm": {"A2": [50]},
    }
    (piece,) = cut_pieces(data)
    assert (piece.title, piece.allowances_mm, piece.notches_mm) == ("Gore", {"A1": 30.0}, {"A2": (50.0,)})


@pytest.mark.parametrize(
    ("notes", "said"),
    [
        ({"allowances_mm": {"A9": 10}}, "for an edge 'A9'"),
        ({"allowances_mm": {"A1": "10"}}, "no number"),
        ({"allowances_mm": {"A1": math.inf}}, "no number"),
        ({"allowances_mm": {"A1": 500}}, "at most 100 mm"),
        ({"allowances_mm": [10]}, "of the wrong kind"),
        ({"notches_mm": {"A1": [9999]}}, "outside its edge"),
        ({"notches_mm": {"A1": 9}}, "no list"),
        ({"name": 3}, "of the wrong kind"),
    ],
)
def test_notes_of_a_file_failure(notes: dict[str, Any], said: str) -> None:
    from flatmeasure.errors import PieceUnreadable

    data = pieces_to_dict([gore()])
    data["pieces"][0] |= notes
    with pytest.raises(PieceUnreadable, match=said):
        cut_pieces(data)


def test_grain_arrow_stays_on_a_narrow_piece() -> None:
    panel = replace(rectangle(500.0, 6.0), grain=Grain(37.0, 1.0, "given"))
    (line,) = block(outline_dxf([panel])).query('LINE[layer=="GRAIN"]')
    arrow = LineString([tuple(line.dxf.start)[:2], tuple(line.dxf.end)[:2]])
    assert arrow.length > 5.0
    assert panel.polygon.buffer(1e-3).contains(arrow)


def test_allowances_that_leave_nothing_are_said() -> None:
    from flatmeasure.errors import PieceUnreadable

    piece = CutPiece(rectangle(300.0, 200.0), "Pocket", {"A1": -30.0, "A2": 250.0})
    outline_svg([piece])  # too wide for the piece: the lines that are left
    notched = panel_from_outline("A", [[0, 0], [300, 0], [300, 200], [160, 200], [150, 60], [140, 200], [0, 200]])
    with pytest.raises(PieceUnreadable, match="Pocket: the allowances eat the piece"):
        outline_svg([CutPiece(notched, "Pocket", {"A4": -30.0, "A5": -30.0})])
