"""Pieces as a PDF at true scale, to cut them again from paper: one sheet, or pages to glue together.

Black on white: full line cut, dashed line stitch, arrow grain, ticks notches. A square of known side shows whether the
print is true.
"""

import io
from collections.abc import Sequence

import numpy as np
from reportlab.pdfgen.canvas import Canvas

from flatmeasure.display.true_scale import pdf_canvas
from flatmeasure.errors import OptionInvalid
from flatmeasure.exports.curve_fit import Cubic, fit_cubics
from flatmeasure.exports.cut_piece import CutPiece, as_cut_pieces
from flatmeasure.exports.lettering import Lettering
from flatmeasure.exports.page_tiles import GAP_MM, MARGIN_MM, OVERLAP_MM, PatternPaper, Tile, Tiling, tile_pieces
from flatmeasure.exports.pdf_words import write, write_paragraphs
from flatmeasure.exports.piece_marks import STROKES, Group, PieceMarks, Stroke, piece_marks, shelves
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel
from flatmeasure.units import MM_PER_INCH, LengthUnit, format_length
from flatmeasure.units import POINTS_PER_MM as MM

SHEET_WIDEST_MM, LARGEST_MM = 1500.0, 5000.0  # of a sheet; PDF ends at 14 400 points (from memory)
STRIP_MM = 118.0  # below a sheet's pieces, and on the first page: check square and words
TEXT_MM, TITLE_MM, SMALL_MM = 3.4, 6.0, 2.5
MARK_MM = 3.0  # radius of a match mark
LEGEND = "Full line: cut. Dashed line: stitch. Arrow: grain. Short lines at the edge: notches."
CAUTION = "Scissors and blades are sharp: cut away from your hands, and keep them from children."
GLUE = (
    "Cut each page along its full frame lines, on the left and at the top, where another page meets it. Lay it on the "
    "dashed line of the page before, so that the crossed circles cover each other, and glue it there."
)

Box = tuple[float, float, float, float]  # left, low, width, height, mm


def pattern_pdf(
    pieces: Sequence[Panel | CutPiece],
    paper: PatternPaper = PatternPaper.SHEET,
    unit: LengthUnit = LengthUnit.MM,
) -> bytes:
    """The pieces at true scale.

    Parameters
    ----------
    pieces : sequence of Panel or CutPiece
    paper : PatternPaper
        One sheet as large as the pieces; or pages of A4 or Letter that overlap, after one with the page plan.
    unit : LengthUnit
        Of the words and the check square (100 mm, or 4 in).

    Returns
    -------
    bytes
        The same for the same pieces.

    Raises
    ------
    OptionInvalid
        The pieces are too large for one sheet, or take too many pages.
    """
    marks = [piece_marks(piece, unit) for piece in as_cut_pieces(pieces)]
    file = io.BytesIO()
    canvas = pdf_canvas(file, _titles(marks))
    if PatternPaper(paper) is PatternPaper.SHEET:
        _draw_sheet(canvas, marks, unit)
    else:
        tiling = tile_pieces(marks, PatternPaper(paper))
        _draw_plan_page(canvas, marks, tiling, unit)
        for tile in tiling.tiles:
            _draw_tile(canvas, tile, tiling)
    canvas.save()
    return file.getvalue()


def _titles(marks: Sequence[PieceMarks]) -> str:
    return ", ".join(one.piece.title for one in marks)


def _draw_sheet(canvas: Canvas, marks: Sequence[PieceMarks], unit: LengthUnit) -> None:
    """All pieces, and below them the check square."""
    moves, size = shelves([(one.low_mm, one.high_mm) for one in marks], 2.0 * GAP_MM, SHEET_WIDEST_MM)
    width, height = max(float(size[0]), 297.0), float(size[1]) + STRIP_MM
    if max(width, height) > LARGEST_MM:
        raise OptionInvalid(
            f"The pieces need a sheet {max(width, height) / 1000.0:.1f} m long: print them on a4 pages."
        )
    canvas.setPageSize((width * MM, height * MM))
    _draw_pieces(canvas, marks, [move + np.array([0.0, STRIP_MM]) for move in moves])
    side = _check_square(canvas, (2.0 * GAP_MM, GAP_MM), unit)
    lines = [_check_words(unit), LEGEND, CAUTION]
    write_paragraphs(canvas, lines, (side + 4.0 * GAP_MM, GAP_MM + side), TEXT_MM, 140.0)
    canvas.showPage()


def _draw_pieces(canvas: Canvas, marks: Sequence[PieceMarks], moves: Sequence[Points]) -> None:
    for one, move in zip(marks, moves, strict=True):
        canvas.saveState()
        canvas.translate(*(float(side) * MM for side in move))
        for stroke in one.strokes:
            _draw_stroke(canvas, stroke)
        for lettering in one.letters:
            write(canvas, lettering)
        canvas.restoreState()


def _draw_stroke(canvas: Canvas, stroke: Stroke) -> None:
    width, dashes = STROKES[stroke.group]
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(width * MM)
    canvas.setLineJoin(0 if stroke.group in (Group.OUTLINE, Group.CUTOUTS) else 1)
    canvas.setDash([dash * MM for dash in dashes])
    path = canvas.beginPath()
    path.moveTo(*(stroke.lines_mm[0][0] * MM))
    for line in stroke.lines_mm:
        for piece in fit_cubics(line):
            if isinstance(piece, Cubic):
                path.curveTo(*(piece.control_mm[1:] * MM).ravel())
            else:
                path.lineTo(*(piece.end * MM))
    if stroke.closed:
        path.close()
    canvas.drawPath(path, stroke=1, fill=0)
    canvas.setDash([])


def _check_square(canvas: Canvas, low_mm: tuple[float, float], unit: LengthUnit) -> float:
    """A square to measure; its outer edges are the size, for a line has a breadth."""
    side = _check_side(unit)
    left, low = (at * MM for at in low_mm)
    breadth = 0.4 * MM
    canvas.setLineWidth(breadth)
    canvas.setLineJoin(0)
    canvas.setStrokeGray(0.0)
    canvas.rect(left + breadth / 2.0, low + breadth / 2.0, side * MM - breadth, side * MM - breadth)
    middle = np.array(low_mm) + side / 2.0
    write(canvas, Lettering(middle + np.array([0.0, 3.0]), format_length(side, unit), TITLE_MM, bold=True))
    write(canvas, Lettering(middle - np.array([0.0, 4.0]), "outer edge to outer edge", TEXT_MM))
    return side


def _check_side(unit: LengthUnit) -> float:
    return 4.0 * MM_PER_INCH if unit is LengthUnit.IN else 100.0


def _check_words(unit: LengthUnit) -> str:
    return (
        f"Print at 100 % (actual size), then measure this square: it must be {format_length(_check_side(unit), unit)} "
        "wide and high. If it is not, change the scale of the print."
    )


def _draw_plan_page(canvas: Canvas, marks: Sequence[PieceMarks], tiling: Tiling, unit: LengthUnit) -> None:
    """Names, the plan of the pages, the check square and what to do."""
    width, height = (float(side) for side in tiling.paper_mm)
    canvas.setPageSize((width * MM, height * MM))
    pages = f"{len(tiling.tiles)} pages to glue together, after this one."
    breadth = width - 2.0 * MARGIN_MM
    top = write_paragraphs(canvas, [_titles(marks)], (MARGIN_MM, height - MARGIN_MM), TITLE_MM, breadth, bold=True)
    top = write_paragraphs(canvas, [pages], (MARGIN_MM, top - 1.0), TEXT_MM, breadth)
    side = _check_square(canvas, (MARGIN_MM, MARGIN_MM), unit)
    left = MARGIN_MM + side + 6.0
    lines = [_check_words(unit), GLUE, LEGEND, CAUTION]
    write_paragraphs(canvas, lines, (left, MARGIN_MM + side), TEXT_MM, width - MARGIN_MM - left)
    _draw_plan(canvas, marks, tiling, (MARGIN_MM, STRIP_MM + 4.0, breadth, top - STRIP_MM - 8.0))
    canvas.showPage()
    # The pieces once, as a form that every page shows a part of.
    low, high = tiling_bounds(tiling)
    canvas.beginForm("pieces", *(float(at) * MM for at in (*low, *high)))
    _draw_pieces(canvas, marks, tiling.moves_mm)
    canvas.endForm()


def tiling_bounds(tiling: Tiling) -> tuple[Points, Points]:
    """Lower left and upper right corner of all frames."""
    lows = np.array([tile.low_mm for tile in tiling.tiles])
    return np.asarray(lows.min(axis=0)), np.asarray(lows.max(axis=0) + tiling.frame_mm)


def _draw_plan(canvas: Canvas, marks: Sequence[PieceMarks], tiling: Tiling, room: Box) -> None:
    """The pages small, with their numbers, over the pieces' outlines."""
    low, high = tiling_bounds(tiling)
    scale = min(0.25, room[2] / float(high[0] - low[0]), room[3] / float(high[1] - low[1]))
    start = np.array([room[0], room[1] + room[3]]) - scale * np.array([low[0], high[1]])
    for one, move in zip(marks, tiling.moves_mm, strict=True):
        path = canvas.beginPath()
        points = start + scale * (np.concatenate([line[:-1] for line in one.strokes[0].lines_mm]) + move)
        path.moveTo(*(points[0] * MM))
        for point in points[1:]:
            path.lineTo(*(point * MM))
        path.close()
        canvas.setFillGray(0.88)
        canvas.setStrokeGray(0.35)
        canvas.setLineWidth(0.3 * MM)
        canvas.drawPath(path, stroke=1, fill=1)
    canvas.setStrokeGray(0.0)
    for tile in tiling.tiles:
        corner = start + scale * tile.low_mm
        size = scale * tiling.frame_mm
        canvas.setLineWidth(0.15 * MM)
        canvas.rect(*(corner * MM), *(size * MM))
        write(canvas, Lettering(corner + size / 2.0, str(tile.number), float(min(TITLE_MM, 0.3 * size[0]))))


def _draw_tile(canvas: Canvas, tile: Tile, tiling: Tiling) -> None:
    width, height = (float(side) for side in tiling.paper_mm)
    canvas.setPageSize((width * MM, height * MM))
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(MARGIN_MM * MM, MARGIN_MM * MM, *(tiling.frame_mm * MM))
    canvas.clipPath(frame, stroke=0, fill=0)
    canvas.translate(*((MARGIN_MM - tile.low_mm) * MM))
    canvas.doForm("pieces")
    canvas.restoreState()
    canvas.translate(MARGIN_MM * MM, MARGIN_MM * MM)
    breadth, tall = (float(side) for side in tiling.frame_mm)
    for columns, rows, at in ((-1, 0, 0.0), (1, 0, breadth - OVERLAP_MM)):
        _draw_join(canvas, tile, tiling.beside(tile, columns, rows), np.array([[at, 0.0], [at, tall]]))
    for columns, rows, at in ((0, -1, tall), (0, 1, OVERLAP_MM)):
        _draw_join(canvas, tile, tiling.beside(tile, columns, rows), np.array([[0.0, at], [breadth, at]]))
    place = f"Page {tile.number} of {len(tiling.tiles)}  ·  column {tile.column + 1}, row {tile.row + 1}"
    write(canvas, Lettering(np.array([breadth / 2.0, -3.4]), place, SMALL_MM))
    _draw_bar(canvas)
    canvas.showPage()


def _draw_join(canvas: Canvas, tile: Tile, other: Tile | None, line: Points) -> None:
    """Where another page meets this one: a full line to cut along, or a dashed one to lay it on, and match marks."""
    if other is None:
        return
    cuts = other.number < tile.number
    canvas.setStrokeGray(0.0 if cuts else 0.4)
    canvas.setLineWidth((0.2 if cuts else 0.15) * MM)
    canvas.setDash([] if cuts else [1.5 * MM, 1.5 * MM])
    canvas.line(*(line[0] * MM), *(line[1] * MM))
    canvas.setDash([])
    canvas.setStrokeGray(0.0)
    upright = line[0, 0] == line[1, 0]
    label = f"{min(tile.number, other.number)}–{max(tile.number, other.number)}"
    for share in (0.2, 0.8):
        at = line[0] + share * (line[1] - line[0])
        canvas.circle(*(at * MM), MARK_MM * MM)
        for reach in (np.array([MARK_MM + 1.0, 0.0]), np.array([0.0, MARK_MM + 1.0])):
            canvas.line(*((at - reach) * MM), *((at + reach) * MM))
        aside = np.array([0.0, MARK_MM + 2.6]) if upright else np.array([MARK_MM + 5.0, 0.0])
        inward = np.array([3.4, 0.0]) if upright and cuts else np.array([-3.4, 0.0]) if upright else np.zeros(2)
        lift = np.zeros(2) if upright else np.array([0.0, -2.0 if cuts else 2.0])
        write(canvas, Lettering(at + aside + inward + lift, label, SMALL_MM))


def _draw_bar(canvas: Canvas) -> None:
    """A bar of 50 mm in the lower margin."""
    canvas.setLineWidth(0.2 * MM)
    canvas.line(0.0, -3.4 * MM, 50.0 * MM, -3.4 * MM)
    for x in (0.0, 50.0):
        canvas.line(x * MM, -4.6 * MM, x * MM, -2.2 * MM)
    write(canvas, Lettering(np.array([56.0, -3.4]), "50 mm", SMALL_MM))
