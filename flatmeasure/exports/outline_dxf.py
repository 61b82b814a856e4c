"""Pieces as DXF in millimetres: one block a piece, its lines on named layers, closed outlines of lines and arcs.

Two schemes of layers. ``plain``: OUTLINE, CUTOUTS, STITCHING, GRAIN, NOTCHES, LABELS; outlines are single closed
polylines with arcs. ``astm``: the numbered layers of ASTM D6673 (Standard Practice for Sewn Products Pattern Data
Interchange) as its published layer table gives them: 1 piece boundary, 2 turn points, 3 curve points, 4 notches,
7 grain line, 11 internal cut-outs, 14 sew lines, 15 annotation text; polylines without arcs, since that practice knows
none. The texts PIECE NAME and UNITS on layer 1 are as that practice words them (from memory).
"""

import io
import re
from collections.abc import Sequence
from enum import StrEnum
from typing import Any

import numpy as np

from flatmeasure.exports.curve_fit import fit_arcs
from flatmeasure.exports.cut_piece import CutPiece, as_cut_pieces
from flatmeasure.exports.piece_marks import Group, PieceMarks, Stroke, piece_marks, shelves
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel
from flatmeasure.units import LengthUnit

GAP_MM, WIDEST_MM = 20.0, 1500.0
CHORD_MM = 0.002  # an arc's chords leave it by no more: over a full turn that is 4 um of length


class Scheme(StrEnum):
    """How the layers are called."""

    PLAIN = "plain"
    ASTM = "astm"


LAYERS = {
    Scheme.PLAIN: {
        Group.OUTLINE: "OUTLINE",
        Group.CUTOUTS: "CUTOUTS",
        Group.STITCHING: "STITCHING",
        Group.GRAIN: "GRAIN",
        Group.NOTCHES: "NOTCHES",
        Group.LABELS: "LABELS",
    },
    Scheme.ASTM: {
        Group.OUTLINE: "1",
        Group.CUTOUTS: "11",
        Group.STITCHING: "14",
        Group.GRAIN: "7",
        Group.NOTCHES: "4",
        Group.LABELS: "15",
    },
}
TURN_POINTS, CURVE_POINTS = "2", "3"
COLOURS = {Group.OUTLINE: 7, Group.CUTOUTS: 7, Group.STITCHING: 5, Group.GRAIN: 3, Group.NOTCHES: 1, Group.LABELS: 8}


def outline_dxf(
    pieces: Sequence[Panel | CutPiece], *, scheme: Scheme = Scheme.PLAIN, unit: LengthUnit = LengthUnit.MM
) -> bytes:
    """The pieces side by side in true size, as DXF R2010 with millimetres as its unit.

    Parameters
    ----------
    pieces : sequence of Panel or CutPiece
    scheme : Scheme
        Of the layers.
    unit : LengthUnit
        Of the words; coordinates are millimetres.

    Returns
    -------
    bytes
        The same for the same pieces.
    """
    from ezdxf import filemanagement, units  # 0.2 s to import, and only this needs it

    document: Any = filemanagement.new("R2010", setup=["linetypes"], units=units.MM)
    scheme = Scheme(scheme)
    document.header["$MEASUREMENT"] = 1
    for group, name in LAYERS[scheme].items():
        document.layers.add(name, color=COLOURS[group], linetype="DASHED" if group is Group.STITCHING else "Continuous")
    if scheme is Scheme.ASTM:
        for name in (TURN_POINTS, CURVE_POINTS):
            document.layers.add(name, color=8)
    marks = [piece_marks(piece, unit) for piece in as_cut_pieces(pieces)]
    places, _ = shelves([(one.low_mm, one.high_mm) for one in marks], GAP_MM, WIDEST_MM)
    for k, (one, place) in enumerate(zip(marks, places, strict=True)):
        name = _block_name(one.piece.title, k)
        block = document.blocks.new(name)
        block.block.dxf.description = _escaped(one.piece.title)
        _draw(block, one, scheme)
        document.modelspace().add_blockref(name, (float(place[0]), float(place[1])), {"layer": "0"})
    return _bytes(document)


def _bytes(document: Any) -> bytes:
    """The file, without the hour and the random names it was made with: the same pieces give the same bytes."""
    stream = io.StringIO()
    document.write(stream)
    text = re.sub(r"(\$TD(?:U)?(?:CREATE|UPDATE)\n *40\n)[^\n]*", r"\g<1>2451545.0", stream.getvalue())
    text = re.sub(r"(\$(?:FINGERPRINT|VERSION)GUID\n *2\n)[^\n]*", r"\g<1>{00000000-0000-0000-0000-000000000000}", text)
    text = re.sub(r"(\n *1\n[\d.]+ @ )\d{4}-\d\d-\d\dT[^\n]*", r"\g<1>2000-01-01T00:00:00+00:00", text)
    return text.encode("utf-8")


def _block_name(title: str, index: int) -> str:
    """A name that every reader takes: letters, figures, hyphens; the number keeps like names apart."""
    plain = re.sub(r"[^A-Za-z0-9]+", "-", title).strip("-")[:40]
    return f"{plain or 'piece'}-{index + 1}"


def _draw(block: Any, marks: PieceMarks, scheme: Scheme) -> None:
    layers = LAYERS[scheme]
    for stroke in marks.strokes:
        attributes = {"layer": layers[stroke.group]}
        if len(stroke.lines_mm) == 1 and len(stroke.lines_mm[0]) == 2:
            start, end = stroke.lines_mm[0]
            block.add_line(_plain(start), _plain(end), attributes)
        elif scheme is Scheme.PLAIN:
            block.add_lwpolyline(_arcs(stroke), format="xyb", close=stroke.closed, dxfattribs=attributes)
        else:
            _draw_chords(block, stroke, attributes)
    for lettering in marks.letters:
        x, y = _plain(lettering.at_mm)
        text = block.add_text(
            _escaped(lettering.text),
            height=round(0.72 * lettering.size_mm, 3),  # DXF gives the height of capitals
            rotation=round(lettering.turn_deg, 3),
            dxfattribs={"layer": layers[Group.LABELS]},
        )
        text.dxf.halign, text.dxf.valign = 1, 2
        text.dxf.align_point = (x, y)
    if scheme is Scheme.ASTM:
        for text in (f"PIECE NAME: {_escaped(marks.piece.title)}", "UNITS: METRIC"):
            low = _plain(marks.low_mm)
            block.add_text(text, height=2.0, dxfattribs={"layer": layers[Group.OUTLINE], "insert": low})


def _arcs(stroke: Stroke) -> list[tuple[float, float, float]]:
    """Vertices with the bulge of what follows each."""
    pieces = [piece for line in stroke.lines_mm for piece in fit_arcs(line)]
    vertices = [(*_plain(piece.start), piece.bulge) for piece in pieces]
    return vertices if stroke.closed else [*vertices, (*_plain(pieces[-1].end), 0.0)]


def _draw_chords(block: Any, stroke: Stroke, attributes: dict[str, str]) -> None:
    """A polyline of short chords; of cut and stitching lines, where they turn and what their curves run through."""
    courses = [fit_arcs(line) for line in stroke.lines_mm]
    points = [at for course in courses for piece in course for at in piece.chords(CHORD_MM)[:-1]]
    if not stroke.closed:
        points.append(courses[-1][-1].end)
    block.add_polyline2d([_plain(at) for at in points], close=stroke.closed, dxfattribs=attributes)
    if stroke.group in (Group.OUTLINE, Group.CUTOUTS, Group.STITCHING):
        for course in courses:
            block.add_point(_plain(course[0].start), {"layer": TURN_POINTS})
            for piece in course[1:]:
                block.add_point(_plain(piece.start), {"layer": CURVE_POINTS})
        if not stroke.closed:
            block.add_point(_plain(courses[-1][-1].end), {"layer": TURN_POINTS})


def _plain(at: Points) -> tuple[float, float]:
    x, y = np.round(at, 5)
    return float(x), float(y)


def _escaped(text: str) -> str:
    """``%%`` and ``^`` begin codes in a DXF text."""
    return re.sub("%+", lambda run: " ".join(run.group()), text).replace("^", "^ ")
