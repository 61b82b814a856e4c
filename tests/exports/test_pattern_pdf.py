"""PDF at true scale: page boxes by pypdf, and the check square and every outline measured in rendered pages."""

import io
from dataclasses import replace

import numpy as np
import pypdf
import pypdfium2
import pytest
from numpy.typing import NDArray

from flatmeasure.errors import OptionInvalid
from flatmeasure.exports.cut_piece import CutPiece
from flatmeasure.exports.page_tiles import MARGIN_MM, OVERLAP_MM, PatternPaper, tile_pieces
from flatmeasure.exports.pattern_pdf import pattern_pdf
from flatmeasure.exports.piece_marks import piece_marks
from flatmeasure.pieces.panel import Grain, Panel
from flatmeasure.units import LengthUnit
from tests.exports.shapes import gore
from tests.panels import darted, rectangle

PAPERS_MM = {PatternPaper.A4: (210.0, 297.0), PatternPaper.LETTER: (215.9, 279.4)}
DPI = 200.0
PX_PER_MM = DPI / 25.4
SMALL = rectangle(120.0, 80.0)


def piece() -> CutPiece:
    return CutPiece(replace(gore(), grain=Grain(95.0, 1.0, "given")), "Gore", {"A2": 15.0, "A4": 15.0})


def rendered(content: bytes, page: int) -> NDArray[np.uint8]:
    """(H, W) grey picture of a page."""
    picture = pypdfium2.PdfDocument(content)[page].render(scale=DPI / 72.0, grayscale=True)
    return np.asarray(picture.to_numpy()).squeeze()


def dark_run_mm(picture: NDArray[np.uint8], row_mm: float, from_mm: float, to_mm: float) -> float:
    """From the first to the last dark pixel of a row (height above the page's foot), between two places."""
    row = picture[picture.shape[0] - 1 - round(row_mm * PX_PER_MM)]
    a, b = round(from_mm * PX_PER_MM), round(to_mm * PX_PER_MM)
    dark = np.flatnonzero(row[a:b] < 128)
    return float(dark[-1] - dark[0] + 1) / PX_PER_MM


@pytest.mark.parametrize(("unit", "side"), [(LengthUnit.MM, 100.0), (LengthUnit.IN, 101.6)])
@pytest.mark.parametrize("paper", list(PatternPaper))
def test_check_square_in_the_raster(paper: PatternPaper, unit: LengthUnit, side: float) -> None:
    picture = rendered(pattern_pdf([SMALL], paper, unit), 0)
    left = 12.0 if paper is PatternPaper.SHEET else MARGIN_MM
    low = 6.0 if paper is PatternPaper.SHEET else MARGIN_MM
    row_mm = low + 20.0
    assert dark_run_mm(picture, row_mm, left - 3.0, left + side + 3.0) == pytest.approx(side, abs=1.5 / PX_PER_MM)
    assert dark_run_mm(picture.T[::-1], left + 20.0, *_rows(picture, low, side)) == pytest.approx(
        side, abs=1.5 / PX_PER_MM
    )


def _rows(picture: NDArray[np.uint8], low: float, side: float) -> tuple[float, float]:
    """The square's rows from the top of the page, with 3 mm to spare."""
    height = picture.shape[0] / PX_PER_MM
    return height - low - side - 3.0, height - low + 3.0


@pytest.mark.parametrize("paper", [PatternPaper.A4, PatternPaper.LETTER])
def test_pages(paper: PatternPaper) -> None:
    content = pattern_pdf([piece(), SMALL], paper)
    reader = pypdf.PdfReader(io.BytesIO(content))
    tiling = tile_pieces([piece_marks(one, LengthUnit.MM) for one in (piece(), CutPiece(SMALL))], paper)
    assert len(reader.pages) == 1 + len(tiling.tiles)
    for page in reader.pages:
        size = [float(side) * 25.4 / 72.0 for side in page.mediabox[2:]]
        assert size == pytest.approx(PAPERS_MM[paper], abs=0.01)
    preferences = reader.root_object["/ViewerPreferences"]
    assert preferences["/PrintScaling"] == "/None"  # type: ignore[index]
    assert "Gore" in reader.pages[0].extract_text()
    assert f"Page 1 of {len(tiling.tiles)}" in reader.pages[1].extract_text()


def test_sheet_is_as_large_as_the_piece() -> None:
    reader = pypdf.PdfReader(io.BytesIO(pattern_pdf([piece()])))
    (page,) = reader.pages
    width, height = (float(side) * 25.4 / 72.0 for side in page.mediabox[2:])
    assert width > np.ptp(gore().outline_mm[:, 0]) + 20.0
    assert height > np.ptp(gore().outline_mm[:, 1]) + 100.0


@pytest.mark.parametrize("paper", [PatternPaper.A4, PatternPaper.LETTER])
def test_outline_stands_true_on_the_pages(paper: PatternPaper) -> None:
    """Every place of the outline is dark on every page that shows it, and at least one does; inside it is white."""
    panel = gore()
    content = pattern_pdf([panel], paper)
    marks = piece_marks(CutPiece(panel), LengthUnit.MM)
    tiling = tile_pieces([marks], paper)
    ring = panel.polygon.exterior
    places = np.array([ring.interpolate(at).coords[0] for at in np.arange(0.0, ring.length, 7.0)]) + tiling.moves_mm[0]
    seen = np.zeros(len(places), bool)
    for tile in tiling.tiles:
        picture = rendered(content, tile.number)
        inside = np.all((places > tile.low_mm + 0.5) & (places < tile.low_mm + tiling.frame_mm - 0.5), axis=1)
        x, y = ((places[inside] - tile.low_mm + MARGIN_MM) * PX_PER_MM).T
        pixels = picture[picture.shape[0] - 1 - np.floor(y).astype(int), np.floor(x).astype(int)]
        assert np.all(pixels < 160)
        seen |= inside
    assert np.all(seen)


def test_neighbouring_pages_agree_where_they_overlap() -> None:
    content = pattern_pdf([piece()], PatternPaper.A4)
    tiling = tile_pieces([piece_marks(piece(), LengthUnit.MM)], PatternPaper.A4)
    left = next(tile for tile in tiling.tiles if tiling.beside(tile, 1, 0))
    right = tiling.beside(left, 1, 0)
    assert right is not None
    width, strip = round(tiling.frame_mm[0] * PX_PER_MM), round((OVERLAP_MM - 2.0) * PX_PER_MM)
    margin = round(MARGIN_MM * PX_PER_MM)
    first = rendered(content, left.number)[margin:-margin, margin + width - strip : margin + width - 4]
    begin = margin + round(OVERLAP_MM * PX_PER_MM) - strip
    second = rendered(content, right.number)[margin:-margin, begin : begin + strip - 4]
    width = min(first.shape[1], second.shape[1])
    differ = np.mean(np.abs(first[:, :width].astype(int) - second[:, :width]) > 128)
    assert differ < 0.01  # match marks and their names stand on different sides


def test_sliver_in_the_neighbours_strip_takes_no_page() -> None:
    frame = PAPERS_MM[PatternPaper.A4][0] - 2.0 * MARGIN_MM
    for width, pages in ((frame - 14.0, 1), (frame + 20.0, 2)):
        tiling = tile_pieces([piece_marks(CutPiece(rectangle(width, 100.0)), LengthUnit.MM)], PatternPaper.A4)
        assert len(tiling.tiles) == pages


def test_too_large_is_said() -> None:
    with pytest.raises(OptionInvalid, match="print them on a4 pages"):
        pattern_pdf([rectangle(5200.0, 300.0)])
    with pytest.raises(OptionInvalid, match="pages: print it on one sheet"):
        pattern_pdf([rectangle(9000.0, 9000.0)], PatternPaper.A4)


def test_names_in_other_alphabets_and_same_bytes() -> None:
    panel: Panel = darted()
    content = pattern_pdf([CutPiece(panel, "Ön beden, ışık; 前")], PatternPaper.A4)
    assert content == pattern_pdf([CutPiece(panel, "Ön beden, ışık; 前")], PatternPaper.A4)
    assert "Ön beden, ışık; ?" in pypdf.PdfReader(io.BytesIO(content)).pages[0].extract_text()
