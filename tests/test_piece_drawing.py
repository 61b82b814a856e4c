"""The drawing in true size: what it says and where its lines lie, read back from the SVG."""

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from shapely.geometry import Polygon

from flatmeasure.pieces.panel import Grain
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.piece_drawing import Mark, Sketch, draw_pieces
from flatmeasure.units import LengthUnit
from tests.panels import circle, gore, rectangle

NAME = "{http://www.w3.org/2000/svg}"


def polygons(svg: bytes, piece: str) -> list[Polygon]:
    group = ElementTree.fromstring(svg).find(f".//{NAME}g[@id='piece-{piece}']")
    assert group is not None
    rings = [shape.attrib["points"] for shape in group.iter(f"{NAME}polygon")]
    return [Polygon([tuple(map(float, pair.split(","))) for pair in ring.split()]) for ring in rings]


def words(svg: bytes) -> str:
    return " | ".join(text.text or "" for text in ElementTree.fromstring(svg).iter(f"{NAME}text"))


def test_true_size() -> None:
    svg = draw_pieces([Sketch(gore())], LengthUnit.MM)
    root = ElementTree.fromstring(svg)
    width, height = (float(part) for part in root.attrib["viewBox"].split()[2:])
    assert (root.attrib["width"], root.attrib["height"]) == (f"{width:.2f}mm", f"{height:.2f}mm")
    assert polygons(svg, "A")[0].area == pytest.approx(gore().outer.area, rel=1e-5)


def test_not_mirrored() -> None:
    """Seen from above: the gore's hem, lower on the mat, is lower in the picture, and left stays left."""
    ring = np.array(polygons(draw_pieces([Sketch(gore())], LengthUnit.MM), "A")[0].exterior.coords[:-1])
    drawn = ring * [1.0, -1.0]
    assert np.abs((drawn - drawn[0]) - (gore().outline_mm - gore().outline_mm[0])).max() < 0.011


def test_everything_lies_on_the_sheet_and_side_by_side() -> None:
    other = replace(rectangle(300.0, 200.0, name="B"), flaws_mm=(circle(20.0) + 100.0,))
    svg = draw_pieces(
        [Sketch(gore()), Sketch(other, (Mark("line", circle(60.0) + 120.0, True, "here"),))], LengthUnit.CM
    )
    width, height = (float(part) for part in ElementTree.fromstring(svg).attrib["viewBox"].split()[2:])
    shapes = polygons(svg, "A") + polygons(svg, "B")
    assert len(shapes) == 4
    assert all(Polygon([(0, 0), (width, 0), (width, height), (0, height)]).contains(shape) for shape in shapes)
    assert not shapes[0].intersects(shapes[1])
    assert "here" in words(svg)


def test_words() -> None:
    labelled = replace(gore(), edges=(replace(gore().edges[0], label="hem & <facing>"), *gore().edges[1:]), layers=2)
    said = words(draw_pieces([Sketch(replace(labelled, grain=Grain(90.0, 0.5, "given")))], LengthUnit.CM))
    assert "A1 hem & <facing>  42.03 ± 0.12 cm" in said
    assert "x 2" in said
    assert "print at 100 %" in said


def test_hole_is_drawn() -> None:
    panel = panel_from_outline("A", rectangle(600.0, 400.0).outline_mm, holes_mm=[circle(30.0) + 200.0])
    assert len(polygons(draw_pieces([Sketch(panel)], LengthUnit.IN), "A")) == 2
