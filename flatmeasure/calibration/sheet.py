"""Sheets of coded squares to print: a vector PDF at true scale.

Each square stands on a card with a white margin of one code cell, to be cut out along its dashed line. In the corners
of the margin are small checkers, whose crossings no blur, exposure or tone curve moves (see ``figures.corner_marks``).
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from flatmeasure.display.true_scale import pdf_canvas
from flatmeasure.errors import OptionInvalid
from flatmeasure.photos.camera import Points
from flatmeasure.references.figures import CODE_CELLS, MARK_REACH, QUIET_ZONE, code_cells, corner_marks, crossings
from flatmeasure.units import POINTS_PER_MM as MM

SIDE_RANGE_MM = (60.0, 150.0)
N_CODES = 50

EDGE_MM = 4.3  # no printer prints closer to the paper's edge (common practice: 4.2 mm, a sixth of an inch)
BAR_MM, BAR_LENGTH_MM = 3.1, 100.0  # breadth of the strip that holds a bar; its length
TEXT_STRIP_MM, TEXT_COLUMN_MM = 21.0, 46.0  # height of the words below the squares, or breadth beside them
RIM = QUIET_ZONE / 2.0 - MARK_REACH  # of a card outside its checkers, in sides: it may lie where no printer prints
FONT, SMALL_PT, TEXT_PT = "Helvetica", 5.0, 7.5

INSTRUCTION = (
    "Print at 100 % (actual size), check with a ruler that both bars are 100 mm long, and if the black squares are not "
    "exactly {side:g} mm wide, measure one and give its side with --printed-side. "
    "Cut along the dashed lines and lay the squares flat on the mat, uncovered, on opposite sides of the cloth."
)
CAUTION = "Caution: scissors and blades are sharp; cut away from your body, out of the reach of children."


class Paper(StrEnum):
    """Sheets of paper."""

    A4 = "a4"
    LETTER = "letter"


PAPER_MM = {Paper.A4: (210.0, 297.0), Paper.LETTER: (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1


@dataclass(frozen=True)
class Layout:
    """How squares stand on a page.

    Attributes
    ----------
    columns, rows : int
    text_beside : bool
        Whether the words stand in a column at the right, or in a strip below.
    """

    columns: int
    rows: int
    text_beside: bool


def first_codes(count: int) -> tuple[int, ...]:
    """The codes that a run of so many squares takes: those with most checker crossings of their own first.

    Raises
    ------
    OptionInvalid
        ``count`` is not between 1 and 50.
    """
    if not 1 <= count <= N_CODES:
        raise OptionInvalid(f"There are {N_CODES} different squares: ask for 1 to {N_CODES}, not {count}.")
    return tuple(sorted(range(N_CODES), key=lambda code: -len(crossings(code)[0]))[:count])


def layout_of(paper: Paper, side_mm: float) -> Layout:
    """The layout that puts most squares on a page."""
    width, height = PAPER_MM[paper]
    card = side_mm * (1.0 + 2.0 * QUIET_ZONE)
    room = np.array([width, height]) - 2.0 * EDGE_MM - BAR_MM + RIM * side_mm
    layouts = []
    for beside, words in ((False, [0.0, TEXT_STRIP_MM]), (True, [TEXT_COLUMN_MM, 0.0])):
        columns, rows = np.floor((room - words) / card + 1e-9).astype(int)
        layouts.append(Layout(int(columns), int(rows), beside))
    return max(layouts, key=lambda layout: layout.columns * layout.rows)


def sheet_pdf(codes: Sequence[int], side_mm: float = 100.0, paper: Paper = Paper.A4) -> bytes:
    """A PDF file of coded squares.

    Parameters
    ----------
    codes : sequence of int
        Which of the codes 0 to 49 to draw, in this order.
    side_mm : float
        Of the black squares, 60 to 150 mm.
    paper : Paper

    Raises
    ------
    OptionInvalid
        No code, an unknown or a repeated one, or a side out of range.
    """
    low, high = SIDE_RANGE_MM
    if not low <= side_mm <= high:
        raise OptionInvalid(f"The squares' side must be between {low:g} and {high:g} mm, not {side_mm:g} mm.")
    if not codes or len(set(codes)) < len(codes) or not set(codes) <= set(range(N_CODES)):
        raise OptionInvalid(f"The codes must be different numbers between 0 and {N_CODES - 1}.")
    file = io.BytesIO()
    width, height = PAPER_MM[paper]
    canvas = pdf_canvas(file, f"Coded squares of {side_mm:g} mm")
    canvas.setPageSize((width * MM, height * MM))
    layout = layout_of(paper, side_mm)
    per_page = layout.columns * layout.rows
    for first in range(0, len(codes), per_page):
        _draw_page(canvas, codes[first : first + per_page], side_mm, paper, layout)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def square_places(paper: Paper, side_mm: float) -> Points:
    """(N, 2) top left corners of a page's black squares, mm from the top left of the paper, row by row."""
    layout = layout_of(paper, side_mm)
    card = side_mm * (1.0 + 2.0 * QUIET_ZONE)
    row, column = np.divmod(np.arange(layout.columns * layout.rows), layout.columns)
    return EDGE_MM - RIM * side_mm + np.column_stack([column, row]) * card + QUIET_ZONE * side_mm


def _draw_page(canvas: Canvas, codes: Sequence[int], side_mm: float, paper: Paper, layout: Layout) -> None:
    height = PAPER_MM[paper][1]
    for code, place in zip(codes, square_places(paper, side_mm), strict=False):
        _draw_card(canvas, code, side_mm, (place[0], height - place[1] - side_mm))
    card = side_mm * (1.0 + 2.0 * QUIET_ZONE)
    first, top = EDGE_MM - RIM * side_mm, height - EDGE_MM
    rows = -(-len(codes) // layout.columns)
    _draw_cut_lines(canvas, (first, height - first), card, (min(len(codes), layout.columns), rows))
    right = first + layout.columns * card + BAR_MM / 2.0
    below = height - (first + layout.rows * card + BAR_MM / 2.0)
    _draw_bar(canvas, (right, top), upright=True)
    _draw_bar(canvas, (EDGE_MM, below), upright=False)
    if layout.text_beside:
        left, start, breadth = right + BAR_MM, top, PAPER_MM[paper][0] - EDGE_MM - right - BAR_MM
    else:
        left, start, breadth = EDGE_MM, below - BAR_MM, PAPER_MM[paper][0] - 2.0 * EDGE_MM
    _write(canvas, (INSTRUCTION.format(side=side_mm), CAUTION), (left, start), breadth)


def _draw_cut_lines(canvas: Canvas, corner_mm: tuple[float, float], card_mm: float, cards: tuple[int, int]) -> None:
    """Dashed lines round ``cards`` (columns, rows), each drawn once, from the top left corner."""
    left, top = corner_mm
    right, bottom = left + cards[0] * card_mm, top - cards[1] * card_mm
    canvas.saveState()
    canvas.setStrokeGray(0.5)
    canvas.setLineWidth(0.3)
    canvas.setDash(3, 3)
    across = [(left, top - i * card_mm, right, top - i * card_mm) for i in range(cards[1] + 1)]
    down = [(left + i * card_mm, top, left + i * card_mm, bottom) for i in range(cards[0] + 1)]
    canvas.lines([tuple(v * MM for v in line) for line in across + down])
    canvas.restoreState()


def _draw_card(canvas: Canvas, code: int, side_mm: float, corner_mm: tuple[float, float]) -> None:
    """A square and its margin; ``corner_mm`` is the lower left corner of the square."""
    canvas.saveState()
    canvas.translate(corner_mm[0] * MM, corner_mm[1] * MM)
    dark = np.argwhere(~code_cells(code))[:, ::-1] / CODE_CELLS
    boxes = np.concatenate([np.stack([dark, dark + 1.0 / CODE_CELLS], axis=1), corner_marks()[1]])
    path = canvas.beginPath()  # one path: neighbouring cells leave no seam between them
    for box in boxes:
        (left, top), (right, bottom) = np.sort(box, axis=0) * side_mm * MM
        path.rect(left, side_mm * MM - bottom, right - left, bottom - top)
    canvas.setFillGray(0.0)
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.setFont(FONT, SMALL_PT)
    canvas.setFillGray(0.4)
    canvas.drawCentredString(side_mm * MM / 2.0, (1.0 - QUIET_ZONE * side_mm) * MM, f"code {code}, side {side_mm:g} mm")
    canvas.restoreState()


def _draw_bar(canvas: Canvas, start_mm: tuple[float, float], *, upright: bool) -> None:
    """A bar of 100 mm with ticks at its ends, rightwards or downwards from its start, and what it should be."""
    canvas.saveState()
    canvas.translate(start_mm[0] * MM, start_mm[1] * MM)
    if upright:
        canvas.rotate(-90)
    length, tick = BAR_LENGTH_MM * MM, 0.9 * MM
    canvas.setLineWidth(0.4)
    canvas.line(0, 0, length, 0)
    for x in (0.0, length):
        canvas.line(x, -tick, x, tick)
    canvas.setFont(FONT, SMALL_PT)
    canvas.drawString(length + 1.5 * MM, -1.7, f"{BAR_LENGTH_MM:g} mm")
    canvas.restoreState()


def _write(canvas: Canvas, paragraphs: Sequence[str], start_mm: tuple[float, float], breadth_mm: float) -> None:
    """Paragraphs below one another, broken into lines of a breadth."""
    canvas.setFillGray(0.0)
    text = canvas.beginText(start_mm[0] * MM, start_mm[1] * MM - TEXT_PT)
    text.setFont(FONT, TEXT_PT, leading=1.25 * TEXT_PT)
    for paragraph in paragraphs:
        for line in simpleSplit(paragraph, FONT, TEXT_PT, breadth_mm * MM):
            text.textLine(line)
        text.moveCursor(0, 0.5 * TEXT_PT)
    canvas.drawText(text)
