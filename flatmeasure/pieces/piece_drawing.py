"""Pieces drawn in true size as SVG: outline, edge names and lengths, grain, and whatever was found on them.

Lines differ in stroke as well as in colour, so that a grey print tells them apart. The mat's y axis runs up, that of
SVG down.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

import numpy as np
from shapely.geometry import Polygon
from shapely.ops import polylabel

from flatmeasure.display.true_scale import svg_bytes, svg_ground, svg_root
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel, PanelEdge, line_length
from flatmeasure.units import MM_PER_INCH, LengthUnit, format_length, format_quantity

TEXT_SHARE = 0.022  # letter height over the larger side of the drawing
SCALE_BARS = (1000.0, 500.0, 200.0, 100.0, 50.0, 20.0, 10.0)  # mm
SCALE_BARS_IN = (36.0, 24.0, 12.0, 6.0, 4.0, 2.0, 1.0)

# stroke, width in letter heights, dashes in letter heights, fill
STYLES = {
    "outline": ("#222222", 0.12, "", "#f3ead8"),
    "hole": ("#222222", 0.08, "", "#ffffff"),
    "flaw": ("#b3261e", 0.06, "0.3 0.3", "#f3b8b3"),
    "line": ("#1a4f9c", 0.10, "0.9 0.5", "none"),
    "area": ("#1a4f9c", 0.08, "", "#cfe0f7"),
    "other": ("#8a5a00", 0.08, "0.2 0.4", "none"),
    "mark": ("#b3261e", 0.12, "", "none"),
}


@dataclass(frozen=True, eq=False)
class Mark:
    """Something to draw on a piece.

    Attributes
    ----------
    style : str
        A key of `STYLES`.
    points_mm : (K, 2) array
    closed : bool
    text : str
        Written at its middle.
    """

    style: str
    points_mm: Points
    closed: bool = False
    text: str = ""


@dataclass(frozen=True, eq=False)
class Sketch:
    """A piece and what is drawn on it."""

    panel: Panel
    marks: tuple[Mark, ...] = ()


def draw_pieces(sketches: Sequence[Sketch], unit: LengthUnit) -> bytes:
    """An SVG picture of pieces side by side, in true size.

    Parameters
    ----------
    sketches : sequence of Sketch
    unit : LengthUnit

    Returns
    -------
    bytes
        UTF-8; one user unit is a millimetre.
    """
    boxes = [_bounds(sketch) for sketch in sketches]
    sizes = np.array([high - low for low, high in boxes])
    letter = TEXT_SHARE * max(float(np.sum(sizes[:, 0])), float(np.max(sizes[:, 1])))
    margin = 5.0 * letter
    width = float(np.sum(sizes[:, 0])) + margin * (len(sketches) + 1)
    height = float(np.max(sizes[:, 1])) + 2.0 * margin + 3.0 * letter
    root = svg_root(width, height)
    svg_ground(root)
    left = margin
    for sketch, (low, high) in zip(sketches, boxes, strict=True):
        _draw(root, sketch, np.array([left - low[0], margin + high[1]]), letter, unit)
        left += high[0] - low[0] + margin
    _scale_bar(root, np.array([margin, height - 2.0 * letter]), width - 2.0 * margin, letter, unit)
    return svg_bytes(root)


def _bounds(sketch: Sketch) -> tuple[Points, Points]:
    points = np.vstack([sketch.panel.outline_mm, *(mark.points_mm for mark in sketch.marks)])
    return points.min(axis=0), points.max(axis=0)


def _draw(root: ElementTree.Element, sketch: Sketch, origin: Points, letter: float, unit: LengthUnit) -> None:
    panel = sketch.panel
    group = ElementTree.SubElement(root, "g", {"id": f"piece-{panel.id}"})
    _shape(group, Mark("outline", panel.outline_mm, closed=True), origin, letter)
    for hole in panel.holes_mm:
        _shape(group, Mark("hole", hole, closed=True), origin, letter)
    for flaw in panel.flaws_mm:
        _shape(group, Mark("flaw", flaw, closed=True), origin, letter)
    for mark in sketch.marks:
        _shape(group, mark, origin, letter)
    for mark in sketch.marks:
        if mark.text:
            _text(group, _middle(mark), mark.text, origin, letter)
    if panel.grain is not None:
        _grain(group, panel, origin, letter)
    for edge in panel.edges:
        _edge_name(group, panel, edge, origin, letter, unit)
    low, high = _bounds(sketch)
    title = f"{panel.id}  {format_quantity(panel.area, unit)}" + (f"  x {panel.layers}" if panel.layers > 1 else "")
    below = np.array([(low[0] + high[0]) / 2.0, low[1] - 3.2 * letter])
    _text(group, below, title, origin, 1.3 * letter)


def _shape(group: ElementTree.Element, mark: Mark, origin: Points, letter: float) -> None:
    stroke, width, dashes, fill = STYLES[mark.style]
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in _seen(mark.points_mm, origin))
    attributes = {
        "points": points,
        "fill": fill if mark.closed else "none",
        "stroke": stroke,
        "stroke-width": f"{width * letter:.2f}",
        "stroke-linejoin": "round",
    }
    if fill not in ("none", "#ffffff") and mark.style != "outline":
        attributes["fill-opacity"] = "0.7"
    if dashes:
        attributes["stroke-dasharray"] = " ".join(f"{float(part) * letter:.2f}" for part in dashes.split())
    ElementTree.SubElement(group, "polygon" if mark.closed else "polyline", attributes)


def _text(
    group: ElementTree.Element, at: Points, text: str, origin: Points, letter: float, turn_deg: float = 0.0
) -> None:
    x, y = _seen(at[None], origin)[0]
    attributes = {
        "x": f"{x:.2f}",
        "y": f"{y:.2f}",
        "font-size": f"{letter:.2f}",
        "font-family": "sans-serif",
        "text-anchor": "middle",
        "dominant-baseline": "central",
        "fill": "#111111",
        "stroke": "#ffffff",
        "stroke-width": f"{0.25 * letter:.2f}",
        "paint-order": "stroke",
    }
    if turn_deg:
        attributes["transform"] = f"rotate({turn_deg:.1f} {x:.2f} {y:.2f})"
    ElementTree.SubElement(group, "text", attributes).text = text


def _edge_name(
    group: ElementTree.Element, panel: Panel, edge: PanelEdge, origin: Points, letter: float, unit: LengthUnit
) -> None:
    """Name and length beside the middle of an edge, outside and along it; the name alone where the edge is short."""
    line = panel.edge_points(edge)
    at, along = _halfway(line)
    outside = at + 1.2 * letter * np.array([along[1], -along[0]])
    turn = -float(np.degrees(np.arctan2(along[1], along[0])))
    upright = (turn + 90.0) % 180.0 - 90.0
    name = edge.id + (f" {edge.label}" if edge.label else "")
    full = f"{name}  {format_quantity(edge.length, unit)}"
    text = full if line_length(line) > 0.6 * letter * len(full) else edge.id
    _text(group, outside, text, origin, letter, upright)


def _grain(group: ElementTree.Element, panel: Panel, origin: Points, letter: float) -> None:
    """An arrow with two heads along the grain, beside the middle of the piece."""
    assert panel.grain is not None
    angle = np.radians(panel.grain.angle_deg)
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    middle = np.asarray(polylabel(panel.polygon, 5.0).coords[0]) + 2.5 * letter * across
    ends = [middle + sign * 6.0 * letter * along for sign in (-1.0, 1.0)]
    _shape(group, Mark("mark", np.array(ends)), origin, letter)
    for end, sign in zip(ends, (-1.0, 1.0), strict=True):
        back = end - sign * letter * along
        _shape(
            group,
            Mark("mark", np.array([back + 0.5 * letter * across, end, back - 0.5 * letter * across])),
            origin,
            letter,
        )


def _scale_bar(root: ElementTree.Element, at: Points, room: float, letter: float, unit: LengthUnit) -> None:
    bars = [bar * MM_PER_INCH for bar in SCALE_BARS_IN] if unit is LengthUnit.IN else SCALE_BARS
    length = next((bar for bar in bars if bar <= min(room, 20.0 * letter)), bars[-1])
    points = np.array([at, at + np.array([length, 0.0])]) * [1.0, -1.0]
    _shape(root, Mark("outline", points), np.zeros(2), letter)
    words = f"{format_length(length, unit)}: print at 100 % and check this bar"
    _text(root, points[0] + [0.3 * letter * len(words), -1.1 * letter], words, np.zeros(2), letter)


def _halfway(line: Points) -> tuple[Points, Points]:
    """The point halfway along a polyline, and its direction there."""
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    k = int(np.clip(np.searchsorted(at, at[-1] / 2.0) - 1, 0, len(steps) - 1))
    along = (line[k + 1] - line[k]) / steps[k]
    return line[k] + (at[-1] / 2.0 - at[k]) * along, along


def _middle(mark: Mark) -> Points:
    if mark.closed:
        return np.asarray(Polygon(mark.points_mm).representative_point().coords[0])
    return _halfway(mark.points_mm)[0]


def _seen(points: Points, origin: Points) -> Points:
    return np.asarray(origin + points * [1.0, -1.0])
