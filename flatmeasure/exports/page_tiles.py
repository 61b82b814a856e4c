"""How pieces stand on paper: side by side on one sheet, or over pages of A4 or Letter that overlap.

Pages go in rows from the top left. Each shows a frame of the drawing; a frame's right and bottom strips are seen on the
next pages too, so that these can be laid on them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from shapely import affinity
from shapely.geometry import box
from shapely.ops import unary_union

from flatmeasure.calibration.sheet import PAPER_MM, Paper
from flatmeasure.errors import OptionInvalid
from flatmeasure.exports.piece_marks import PieceMarks, shelves
from flatmeasure.photos.camera import Points

MARGIN_MM = 11.0  # of white round the frame: printers leave 4 to 6 mm, the rest is for words
OVERLAP_MM = 12.0
LINE_MM = 0.6  # a drawn line's breadth, with some reserve
GAP_MM = 6.0  # between pieces
MOST_COLUMNS, MOST_PAGES = 12, 400


class PatternPaper(StrEnum):
    """What a pattern is printed on."""

    SHEET = "sheet"  # one sheet as large as the pieces
    A4 = "a4"
    LETTER = "letter"


@dataclass(frozen=True, eq=False)
class Tile:
    """A page.

    Attributes
    ----------
    number : int
        From 1, in rows from the top left.
    column, row : int
        From 0.
    low_mm : (2,) array
        Lower left corner of its frame in the drawing.
    """

    number: int
    column: int
    row: int
    low_mm: Points


@dataclass(frozen=True, eq=False)
class Tiling:
    """Pieces over pages.

    Attributes
    ----------
    paper_mm, frame_mm : (2,) array
        Size of a page, and of the frame in its middle.
    moves_mm : tuple of (2,) array
        How far each piece is moved into the drawing.
    tiles : tuple of Tile
        The pages with something on them.
    columns, rows : int
    """

    paper_mm: Points
    frame_mm: Points
    moves_mm: tuple[Points, ...]
    tiles: tuple[Tile, ...]
    columns: int
    rows: int

    def beside(self, tile: Tile, columns: int, rows: int) -> Tile | None:
        """The page so many columns and rows on, if there is one."""
        wanted = (tile.column + columns, tile.row + rows)
        return next((one for one in self.tiles if (one.column, one.row) == wanted), None)


def tile_pieces(marks: Sequence[PieceMarks], paper: PatternPaper) -> Tiling:
    """The pieces over as few pages as rows of any width give.

    Raises
    ------
    OptionInvalid
        It would take over 400 pages.
    """
    tilings = [_tiling(marks, paper, columns) for columns in range(1, MOST_COLUMNS + 1)]
    best = min(tilings, key=lambda one: (len(one.tiles), one.columns * one.rows))
    if len(best.tiles) > MOST_PAGES:
        raise OptionInvalid(f"This pattern would take {len(best.tiles)} pages: print it on one sheet, or fewer pieces.")
    return best


def _tiling(marks: Sequence[PieceMarks], paper: PatternPaper, columns: int) -> Tiling:
    size = np.array(PAPER_MM[Paper(paper)])
    frame = size - 2.0 * MARGIN_MM
    pitch = frame - OVERLAP_MM
    widest = float(columns * pitch[0] + OVERLAP_MM)
    moves, whole = shelves([(one.low_mm, one.high_mm) for one in marks], GAP_MM, widest)
    across, down = (max(1, int(np.ceil((side - OVERLAP_MM) / step))) for side, step in zip(whole, pitch, strict=True))
    unseen = unary_union(
        [affinity.translate(one.cut.outer.buffer(LINE_MM), *move) for one, move in zip(marks, moves, strict=True)]
    )
    tiles: list[Tile] = []
    for row in range(down):
        for column in range(across):
            low = np.array([column * pitch[0], whole[1] - frame[1] - row * pitch[1]])
            seen = box(*low, *(low + frame))
            if unseen.intersects(box(low[0], low[1] + OVERLAP_MM, low[0] + pitch[0], low[1] + frame[1])):
                tiles.append(Tile(len(tiles) + 1, column, row, low))
                unseen = unseen.difference(seen)
    return Tiling(size, frame, tuple(moves), tuple(tiles), across, down)
