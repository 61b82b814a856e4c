"""Layout pages: true to size in SVG and PDF by other readers, all names and lines there."""

import io
from xml.etree import ElementTree

import cv2
import numpy as np
import pypdfium2
import pytest
import svgelements
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from flatmeasure.display.page import Line, Page, Words, page_picture, page_png, page_svg, pages_pdf
from flatmeasure.enough.boards import Board
from flatmeasure.enough.layout_drawing import CAUTION, cutting_pdf, layout_pages, name_and_grain
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.verdict import Effort, is_enough
from flatmeasure.units import LengthUnit

CLOTH = box(0, 0, 500, 380).difference(Point(250, 200).buffer(40))
PIECES = [
    PatternPiece("yoke", Polygon([(0, 0), (200, 0), (180, 120), (20, 120)]), included_mm=10.0, wanted_mm=10.0),
    PatternPiece("pocket", box(0, 0, 90, 110), pair=True),
]


@pytest.fixture(scope="module")
def page() -> Page:
    board = Board("A", CLOTH, 1.0)
    answer = is_enough(PIECES, [board], effort=Effort(60))
    return layout_pages(answer.layout, [board], 2.0, LengthUnit.CM)[0]


def test_names_lines_and_scale(page: Page) -> None:
    words = [mark.text for mark in page.marks if isinstance(mark, Words)]
    assert {"yoke", "pocket", "pocket,", "mirrored", "A: right side, grain up", "10 cm"} <= set(words)
    dashed = [mark for mark in page.marks if isinstance(mark, Line) and mark.dash_mm and mark.closed]
    assert len(dashed) == 2  # the usable edge, and the stitching line of the one piece with an allowance
    assert Polygon(dashed[1].rings_mm[0]).area == pytest.approx(PIECES[0].finished.area)


def test_names_stay_inside_their_pieces(page: Page) -> None:
    cuts = [Polygon(mark.rings_mm[0]) for mark in page.marks if isinstance(mark, Line) and mark.fill == 1.0]
    names = [mark for mark in page.marks if isinstance(mark, Words) and mark.text in ("yoke", "pocket", "mirrored")]
    assert len(cuts) == 3
    for name in names:
        assert any(cut.contains(Point(name.at_mm)) for cut in cuts)


def test_svg_is_true_to_size(page: Page) -> None:
    """Read back by svgelements at 25.4 pixels to the inch: a user unit is a millimetre."""
    content = page_svg(page)
    drawing = svgelements.SVG.parse(io.BytesIO(content), ppi=25.4)
    boxes = [path.bbox() for path in drawing.elements(lambda one: isinstance(one, svgelements.Path))]
    sizes = [(right - left, high - low) for left, low, right, high in boxes]
    assert any(size == pytest.approx((500.0, 380.0), abs=1e-3) for size in sizes)
    assert any(size == pytest.approx((200.0, 120.0), abs=1e-3) for size in sizes)
    assert ElementTree.fromstring(content).attrib["width"].endswith("mm")


def test_pdf_is_true_to_size(page: Page) -> None:
    """Rasterised by pdfium at 2 px/mm: the cloth's grey box measures 500 x 380 mm."""
    document = pypdfium2.PdfDocument(pages_pdf([page], "layout"))
    size = np.array(document[0].get_size()) / 72.0 * 25.4
    assert size == pytest.approx(page.high_mm - page.low_mm, abs=0.01)
    picture = np.asarray(document[0].render(scale=2.0 * 25.4 / 72.0).to_pil().convert("L"))
    cloth = np.abs(picture.astype(int) - 224) < 3
    rows, columns = np.flatnonzero(cloth.sum(axis=1) > 100), np.flatnonzero(cloth.sum(axis=0) > 100)
    assert np.ptp(columns) / 2.0 == pytest.approx(500.0, abs=4.0)
    assert np.ptp(rows) / 2.0 == pytest.approx(380.0, abs=4.0)


def test_same_bytes_every_time(page: Page) -> None:
    assert pages_pdf([page], "layout") == pages_pdf([page], "layout")
    assert page_svg(page) == page_svg(page)


def test_picture(page: Page) -> None:
    picture = page_picture(page, 600)
    assert max(picture.shape) == pytest.approx(600, abs=2)
    decoded = cv2.imdecode(np.frombuffer(page_png(page, 600), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert np.array_equal(decoded, picture)
    scale = 600 / np.max(page.high_mm - page.low_mm)
    column, row = round((250.0 - page.low_mm[0]) * scale), round((page.high_mm[1] - 385.0) * scale)
    assert picture[row - 3 : row + 12, column].min() < 60  # the cloth's edge


def test_no_page_for_cloth_without_pieces() -> None:
    boards = [Board("A", CLOTH, 0.0), Board("B", CLOTH, 0.0)]
    answer = is_enough(PIECES[:1], boards, effort=Effort(20))
    assert len(layout_pages(answer.layout, boards, 2.0, LengthUnit.MM)) == 1


def test_legend_tells_the_lines_apart(page: Page) -> None:
    words = [mark.text for mark in page.marks if isinstance(mark, Words)]
    assert {"cut", "sew", "this much of the cloth is sure", "grain"} <= set(words)


def test_pdf_to_cut_by_cautions(page: Page) -> None:
    """Read back by pypdfium2: both sentences stand below the drawing, which keeps its size."""
    document = pypdfium2.PdfDocument(cutting_pdf([page], "Layout"))
    text = document[0].get_textpage().get_text_range()
    assert all(sentence in text.replace("\r\n", " ") for sentence in CAUTION)
    width, height = np.array(document[0].get_size()) / 72.0 * 25.4
    assert width == pytest.approx(page.high_mm[0] - page.low_mm[0], abs=0.01)
    assert height > page.high_mm[1] - page.low_mm[1] + 5.0


def test_long_names_take_the_row_that_fits() -> None:
    """In a wide low piece one row, in a narrow high one broken at the comma and upright."""
    low = list(name_and_grain("front, lower part", 0.0, box(0, 0, 400, 30), 12.0))
    assert [mark.text for mark in low if isinstance(mark, Words)] == ["front, lower part"]
    square = list(name_and_grain("front, lower part", 0.0, box(0, 0, 120, 100), 16.0))
    assert [mark.text for mark in square if isinstance(mark, Words)] == ["front,", "lower part"]
    high = [mark for mark in name_and_grain("cuff", 0.0, box(0, 0, 20, 200), 12.0) if isinstance(mark, Words)]
    assert [mark.turn_deg for mark in high] == [90.0]


@pytest.mark.parametrize("turn_deg", [30.0, 45.0, 120.0, 160.0])
def test_a_name_runs_along_a_slanted_strip_and_inside_it(turn_deg: float) -> None:
    """Also in the picture: nothing dark beside the strip."""
    strip = affinity.rotate(box(-100, -12, 100, 12), turn_deg)
    words = [mark for mark in name_and_grain("bias band", turn_deg, strip, 12.0) if isinstance(mark, Words)]
    assert [word.turn_deg for word in words] == [pytest.approx(turn_deg if turn_deg <= 90.0 else turn_deg - 180.0)]
    page = Page("strip", np.array([-110.0, -110.0]), np.array([110.0, 110.0]), tuple(words))
    rows, columns = np.nonzero(page_picture(page, 440) < 128)
    assert len(rows) > 100
    assert all(
        strip.covers(Point(column / 2.0 - 110.0, 110.0 - row / 2.0)) for row, column in zip(rows, columns, strict=True)
    )


def test_a_long_name_stays_in_a_small_piece() -> None:
    piece = box(-64, -19, 64, 19)
    rows = [one for one in name_and_grain("front pocket facing, lining 2", 0.0, piece, 20.0) if isinstance(one, Words)]
    assert " ".join(row.text for row in rows) == "front pocket facing, lining 2"
    assert len(rows) > 1
    page = Page("facing", np.array([-200.0, -50.0]), np.array([200.0, 50.0]), tuple(rows))
    dark = np.nonzero(page_picture(page, 800) < 128)
    assert all(piece.covers(Point(column / 2.0 - 200.0, 50.0 - row / 2.0)) for row, column in zip(*dark, strict=True))
