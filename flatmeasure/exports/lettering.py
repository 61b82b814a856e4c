"""Where a piece's words and its grain arrow stand: inside, clear of its lines and of each other where there is room."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import polylabel, unary_union

from flatmeasure.exports.cut_piece import CutPiece, plain_text
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.allowance import SeamEdge
from flatmeasure.pieces.panel import Panel, PanelEdge, line_length
from flatmeasure.units import LengthUnit, format_quantity

LETTER_WIDTH = 0.58  # mean width of a letter over its size, sans serif, with some reserve
LETTER_SHARE, SMALLEST_MM, LARGEST_MM = 0.011, 2.2, 5.0  # letter height: of the piece's diagonal, and its limits
TITLE_TIMES = 1.6
FRACTIONS = (0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74)  # along an edge, where its label may stand
CLEAR = 0.2  # kept between words and lines, in letter heights
LAYERS = (1.0, 1.7, 2.6, 3.8, 5.5)  # from the edge, in letter heights
STEEPEST_DOWN_DEG = 70.0  # steeper words run upward, to be read from the right (as on technical drawings)
ARROW_LETTERS = (26.0, 16.0, 10.0, 6.0)  # lengths of the grain arrow that are tried


@dataclass(frozen=True, eq=False)
class Lettering:
    """A line of text, its middle at a place.

    Attributes
    ----------
    at_mm : (2,) array
    text : str
    size_mm : float
        Of the letters (em).
    turn_deg : float
        Counter-clockwise.
    bold : bool
    """

    at_mm: Points
    text: str
    size_mm: float
    turn_deg: float = 0.0
    bold: bool = False

    def box(self) -> Points:
        """(4, 2) corners of the place it takes."""
        half = np.array([LETTER_WIDTH * len(self.text) / 2.0, 0.5]) * self.size_mm
        corners = half * [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]
        cosine, sine = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        return np.asarray(self.at_mm + corners @ np.array([[cosine, sine], [-sine, cosine]]))


def letter_size(panel: Panel) -> float:
    """Height of a piece's letters, mm."""
    diagonal = float(np.hypot(*np.ptp(panel.outline_mm, axis=0)))
    return float(np.clip(LETTER_SHARE * diagonal, SMALLEST_MM, LARGEST_MM))


def piece_letters(
    piece: CutPiece, cut: Panel, seams: Mapping[str, SeamEdge], notches_mm: Sequence[Points], unit: LengthUnit
) -> tuple[Points | None, tuple[Lettering, ...]]:
    """The grain arrow's line (2, 2), if the grain is known, and the words of a piece."""
    letter = letter_size(cut)
    drawn = [*(line for seam in seams.values() for line in seam.lines_mm), *notches_mm]
    lines = unary_union([cut.polygon.boundary, *map(LineString, drawn)])
    taken: list[BaseGeometry] = []
    title = _title(piece, cut, letter, unit)
    taken += [Polygon(line.box()).buffer(0.3 * letter) for line in title]
    arrow = _grain_line(cut, lines, taken, letter)
    if arrow is not None:
        taken.append(LineString(arrow).buffer(letter))
    labels = []
    room = _Room(cut.polygon, lines, taken)
    for edge in sorted(cut.edges, key=lambda one: line_length(cut.edge_points(one))):  # short ones have least choice
        label = _edge_label(_texts(edge, seams.get(edge.id), unit), cut.edge_points(edge), room, letter)
        if label is not None:
            labels.append(label)
            taken.append(Polygon(label.box()).buffer(0.2 * letter))
    return arrow, (*title, *labels)


@dataclass(frozen=True, eq=False)
class _Room:
    """The piece, its lines, and what already stands on it."""

    cloth: Polygon
    lines: BaseGeometry
    taken: list[BaseGeometry]

    def holds(self, box: BaseGeometry, letter_mm: float) -> bool:
        free = not any(box.intersects(other) for other in self.taken)
        return free and self.cloth.contains(box) and float(self.lines.distance(box)) > CLEAR * letter_mm


def _title(piece: CutPiece, cut: Panel, letter: float, unit: LengthUnit) -> list[Lettering]:
    """Name, area and layers, one below the other, in the widest place."""
    panel = piece.panel
    lines = [format_quantity(panel.area, unit) + (f" · {panel.layers} layers" if panel.layers > 1 else "")]
    if not panel.complete:
        lines.append("cut off by the photo")
    middle = np.asarray(polylabel(cut.polygon, max(1.0, letter / 2.0)).coords[0])
    reach = float(cut.polygon.boundary.distance(shapely.points(middle)))
    name = piece.title
    size = min(TITLE_TIMES * letter, max(2.0 * reach / (LETTER_WIDTH * len(name)), 0.8 * letter))
    down = np.array([0.0, -1.0])
    title = [Lettering(middle - 0.7 * letter * down, name, size, bold=True)]
    for k, text in enumerate(lines):
        title.append(Lettering(middle + (0.9 + 1.25 * k) * letter * down, text, letter))
    return title


def _grain_line(cut: Panel, lines: BaseGeometry, taken: list[BaseGeometry], letter: float) -> Points | None:
    """A line along the grain beside the title, as long as there is room for; None while the grain is unknown."""
    if cut.grain is None:
        return None
    angle = np.radians(cut.grain.angle_deg)
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    middle = np.asarray(unary_union(taken).centroid.coords[0])
    inside = cut.polygon.difference(lines.buffer(letter))
    for length in ARROW_LETTERS:
        for aside in _aside(letter):
            for shift in (0.0, 4.0, -4.0, 9.0, -9.0):
                at = middle + aside * across + shift * letter * along
                ends = np.array([at - length / 2.0 * letter * along, at + length / 2.0 * letter * along])
                line = LineString(ends)
                if inside.contains(line) and not any(line.buffer(0.5 * letter).intersects(one) for one in taken):
                    return ends
    inner = np.asarray(polylabel(cut.polygon, 1.0).coords[0])
    across_piece = LineString([inner - 3.0 * letter * along, inner + 3.0 * letter * along]).intersection(cut.polygon)
    longest = max(getattr(across_piece, "geoms", [across_piece]), key=lambda part: float(part.length))
    return np.asarray(longest.coords)  # no room beside the words: over them, but on the piece


def _aside(letter: float) -> Iterator[float]:
    for k in range(1, 24):
        yield k * letter
        yield -k * letter


def _texts(edge: PanelEdge, seam: SeamEdge | None, unit: LengthUnit) -> tuple[str, ...]:
    """What to write beside an edge, the fullest first."""
    length = format_quantity(edge.length, unit)
    name = plain_text(f"{edge.id} {edge.label}".strip())
    if seam is None:
        return f"{name}  {length}", f"{edge.id}  {length}", edge.id
    both = f"cut {length}, stitch {format_quantity(seam.new_length, unit)}"
    return f"{name}  {both}", f"{edge.id}  {both}", f"{edge.id}  cut {length}", edge.id


def _edge_label(texts: Sequence[str], points_mm: Points, room: _Room, letter: float) -> Lettering | None:
    """The fullest of some texts that has room along an edge, on its inner side."""
    line = LineString(points_mm)
    for text in map(plain_text, texts):
        if LETTER_WIDTH * letter * len(text) > line.length:
            continue
        for layer in LAYERS:
            for fraction in FRACTIONS:
                label = _beside(line, fraction, layer * letter, Lettering(np.zeros(2), text, letter))
                if room.holds(Polygon(label.box()), letter):
                    return label
    return None


def _beside(line: LineString, fraction: float, distance_mm: float, label: Lettering) -> Lettering:
    """A label along a line's chord over its own width, so far to the line's left."""
    half = LETTER_WIDTH * label.size_mm * len(label.text) / 2.0
    middle = fraction * line.length
    a, at, b = (np.asarray(line.interpolate(one).coords[0]) for one in (max(middle - half, 0.0), middle, middle + half))
    along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
    turn = float(np.degrees(np.arctan2(along[1], along[0])))
    upright = (turn + STEEPEST_DOWN_DEG) % 180.0 - STEEPEST_DOWN_DEG
    place = at + distance_mm * np.array([-along[1], along[0]])
    return Lettering(place, label.text, label.size_mm, upright)
