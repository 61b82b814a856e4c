"""Pieces as SVG in millimetres, for vector editors and cutters: named groups, few smooth curves, true size.

Every group and shape tells its role as ``data-group``; an outline carries the piece's name and grain, so that it can be
read again as a pattern piece. The mat's y axis runs up, that of SVG down.
"""

from collections.abc import Callable, Sequence
from functools import partial
from xml.etree import ElementTree

import numpy as np

from flatmeasure.display.true_scale import svg_root
from flatmeasure.exports.curve_fit import Cubic, fit_cubics
from flatmeasure.exports.cut_piece import CutPiece, as_cut_pieces
from flatmeasure.exports.lettering import Lettering
from flatmeasure.exports.piece_marks import STROKES, Group, PieceMarks, Stroke, piece_marks, shelves
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel
from flatmeasure.units import LengthUnit

GAP_MM, WIDEST_MM = 20.0, 1500.0

_Place = Callable[[Points], Points]


def outline_svg(pieces: Sequence[Panel | CutPiece], unit: LengthUnit = LengthUnit.MM) -> str:
    """The pieces side by side in true size.

    Parameters
    ----------
    pieces : sequence of Panel or CutPiece
    unit : LengthUnit
        Of the words; the drawing is in millimetres.

    Returns
    -------
    str
        An SVG document; one user unit is a millimetre. For each piece a group with the groups outline, stitching line,
        grain, notches and labels; holes are part of the outline's path.
    """
    marks = [piece_marks(piece, unit) for piece in as_cut_pieces(pieces)]
    places, size = shelves([(one.low_mm, one.high_mm) for one in marks], GAP_MM, WIDEST_MM)
    width, height = (float(side) for side in size)
    root = svg_root(width, height)
    ElementTree.SubElement(root, "title").text = ", ".join(one.piece.title for one in marks)
    ElementTree.SubElement(root, "desc").text = "One user unit is a millimetre. Print or cut at 100 %."
    for k, (one, place) in enumerate(zip(marks, places, strict=True)):
        _draw(root, one, f"piece-{k + 1}", partial(_down, move=place, height=height))
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True)


def _down(points: Points, move: Points, height: float) -> Points:
    """From a panel's frame to the page's, y down."""
    return np.asarray((points + move) * [1.0, -1.0] + [0.0, height])


def path_data(lines_mm: Sequence[Points], place: _Place, closed: bool) -> str:
    """The ``d`` of a path along lines (K, 2) that begin where the one before ends, as few lines and cubics."""
    words = [f"M{_numbers(place(lines_mm[0][:1]))}"]
    for line in lines_mm:
        for piece in fit_cubics(line):
            if isinstance(piece, Cubic):
                words.append(f"C{_numbers(place(piece.control_mm[1:]))}")
            else:
                words.append(f"L{_numbers(place(piece.end[None]))}")
    return " ".join(words) + (" Z" if closed else "")


def _numbers(points: Points) -> str:
    """Coordinates to a tenth of a micrometre."""
    return " ".join(f"{value + 0.0:.4f}".rstrip("0").rstrip(".") for value in np.round(points, 4).ravel())


def _draw(root: ElementTree.Element, marks: PieceMarks, name: str, place: _Place) -> None:
    whole = ElementTree.SubElement(root, "g", {"id": name})
    ElementTree.SubElement(whole, "title").text = marks.piece.title
    holes = [path_data(stroke.lines_mm, place, True) for stroke in marks.of(Group.CUTOUTS)]
    for group in (Group.OUTLINE, Group.STITCHING, Group.GRAIN, Group.NOTCHES):
        strokes = marks.of(group)
        if not strokes:
            continue
        element = _group(whole, group, name)
        for k, stroke in enumerate(strokes):
            attributes = {"id": f"{name}-{_word(group)}-{k + 1}", "data-group": str(group)}
            attributes["d"] = _path(stroke, place)
            if group is Group.OUTLINE:
                attributes |= {"id": f"{name}-cut", "d": " ".join([attributes["d"], *holes]), "fill-rule": "evenodd"}
                attributes |= _notes(marks)
            ElementTree.SubElement(element, "path", attributes)
    labels = _group(whole, Group.LABELS, name)
    for lettering in marks.letters:
        _write(labels, lettering, place)


def _path(stroke: Stroke, place: _Place) -> str:
    return path_data(stroke.lines_mm, place, stroke.closed)


def _group(parent: ElementTree.Element, group: Group, name: str) -> ElementTree.Element:
    attributes = {"id": f"{name}-{_word(group)}", "data-group": str(group)}
    if group in STROKES:
        width, dashes = STROKES[group]
        attributes |= {"fill": "none", "stroke": "#000000", "stroke-width": f"{width:g}", "stroke-linejoin": "round"}
        attributes |= {"stroke-linecap": "round"} if group is Group.GRAIN else {}
        attributes |= {"stroke-dasharray": " ".join(f"{dash:g}" for dash in dashes)} if dashes else {}
    else:
        attributes |= {"fill": "#000000", "font-family": "Helvetica, Arial, sans-serif", "text-anchor": "middle"}
    return ElementTree.SubElement(parent, "g", attributes)


def _word(group: Group) -> str:
    return str(group).replace(" ", "-")


def _notes(marks: PieceMarks) -> dict[str, str]:
    notes = {"data-name": marks.piece.title}
    grain = marks.cut.grain
    return notes | ({"data-grain": f"{grain.angle_deg:.3f}"} if grain else {})


def _write(parent: ElementTree.Element, lettering: Lettering, place: _Place) -> None:
    x, y = place(lettering.at_mm[None])[0]
    attributes = {
        "data-group": str(Group.LABELS),
        "x": "0",
        "y": f"{0.35 * lettering.size_mm:.2f}",  # from the middle of the capitals down to the baseline
        "font-size": f"{lettering.size_mm:.2f}",
        "transform": f"translate({x:.2f} {y:.2f}) rotate({-lettering.turn_deg:.2f})",
    }
    if lettering.bold:
        attributes["font-weight"] = "bold"
    ElementTree.SubElement(parent, "text", attributes).text = lettering.text
