"""Squares to print: the PDF is drawn as a picture and measured like a photo."""

import re
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from flatmeasure.calibration.sheet import Paper, first_codes, layout_of, sheet_pdf, square_places
from flatmeasure.errors import OptionInvalid
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import display_light, linear_light, load_photo
from flatmeasure.references.figures import Reference, corner_marks, crossings
from flatmeasure.references.finding import find_references
from flatmeasure.view.projection import LOG_SIZE
from flatmeasure.view.rectification import rectify
from tests.command_line import status_of

PX_PER_MM = 8.0
# Page boxes: ISO 216 (A4) and 8.5 x 11 in, in points of 1/72 in (ISO 32000-1, 8.3.2.3).
PAGE_POINTS = {Paper.A4: (210 / 25.4 * 72, 297 / 25.4 * 72), Paper.LETTER: (612.0, 792.0)}


def page(pdf: bytes, number: int = 0) -> NDArray[np.uint8]:
    """A page as pixels, drawn by PDFium; the paper's top left corner is at (-0.5, -0.5).

    PDFium gives a pixel the share of it that is white as its grey: to a camera that share is light.
    """
    with pypdfium2.PdfDocument(pdf) as document:
        drawn = document[number].render(scale=PX_PER_MM * 25.4 / 72, rev_byteorder=True)
        return display_light(cv2.GaussianBlur(drawn.to_numpy()[..., :3] / 255.0, (0, 0), 0.7))


def found_on(picture: NDArray[np.uint8], side_mm: float) -> dict[int | None, Reference]:
    return {r.code: r for r in find_references(load_photo(picture), square_mm=side_mm)}


def to_mm(points_px: Points, picture: NDArray[np.uint8], paper: Paper) -> Points:
    """Pixels to millimetres: PDFium stretches the page to a whole number of pixels."""
    return np.asarray((points_px + 0.5) * PAGE_POINTS[paper] / 72 * 25.4 / picture.shape[1::-1])


@pytest.mark.parametrize(
    ("paper", "side_mm", "codes"),
    [
        (Paper.A4, 100.0, (0, 8)),
        (Paper.LETTER, 100.0, (49, 3)),
        (Paper.A4, 60.0, (7, 11, 20, 33, 41, 2)),
        (Paper.LETTER, 87.5, (14, 5)),
        (Paper.A4, 150.0, (46,)),
        (Paper.LETTER, 150.0, (27,)),
    ],
)
def test_squares_are_true_to_size(paper: Paper, side_mm: float, codes: tuple[int, ...]) -> None:
    """Side within 0.05 % in both directions, at its place; every crossing within 0.01 mm of where it should be."""
    picture = page(sheet_pdf(codes, side_mm, paper))
    found = found_on(picture, side_mm)
    assert set(found) == set(codes)
    for code, corner in zip(codes, square_places(paper, side_mm), strict=False):
        corners = to_mm(found[code].corners_px, picture, paper)
        assert np.ptp(corners[:, 0]) == pytest.approx(side_mm, rel=5e-4)
        assert np.ptp(corners[:, 1]) == pytest.approx(side_mm, rel=5e-4)
        assert corners[0] == pytest.approx(corner, abs=0.02)
        saddles = found[code].saddles
        assert saddles is not None
        assert saddles.uv == pytest.approx(crossings(code)[0])
        assert to_mm(saddles.points_px, picture, paper) == pytest.approx(corner + saddles.uv * side_mm, abs=0.01)


def test_size_is_measured_failure() -> None:
    """A print scaled by 0.1 % would be seen."""
    picture = page(sheet_pdf((0,), 100.1))
    corners = to_mm(found_on(picture, 100.0)[0].corners_px, picture, Paper.A4)
    assert np.ptp(corners[:, 0]) != pytest.approx(100.0, rel=5e-4)


@pytest.mark.parametrize("paper", list(Paper))
def test_page_box_and_viewer_preferences(paper: Paper) -> None:
    pdf = sheet_pdf((0,), 100.0, paper)
    with pypdfium2.PdfDocument(pdf) as document:
        assert document[0].get_size() == pytest.approx(PAGE_POINTS[paper], abs=1e-3)
    assert re.search(rb"/PrintScaling\s*/None", pdf)  # ISO 32000-1, table 150: the viewer shall not scale
    assert pdf == sheet_pdf((0,), 100.0, paper)  # no date inside: the same bytes every time


@pytest.mark.parametrize("upright", [False, True])
def test_bars_are_100_mm(upright: bool) -> None:
    """The longest thin line of the page, between the middles of its ticks."""
    ink = 1.0 - linear_light(page(sheet_pdf((0, 8), 100.0)))[..., 1]
    ink, page_mm = (ink.T, 297.0) if upright else (ink, 210.0)
    _, _, boxes, _ = cv2.connectedComponentsWithStats((ink > 0.3).astype(np.uint8))
    ((left, top, length, _, _),) = (box for box in boxes[1:] if box[2] > 99 * PX_PER_MM and box[3] < 3 * PX_PER_MM)
    ticks = ink[top : top + 4, left - 4 : left + length + 4].sum(axis=0)  # above the bar itself
    left_px, right_px = (np.average(np.arange(12), weights=part) for part in (ticks[:12], ticks[-12:]))
    assert (right_px - left_px + len(ticks) - 12) * page_mm / ink.shape[1] == pytest.approx(100.0, abs=0.05)


def test_as_many_as_fit_on_several_pages() -> None:
    assert layout_of(Paper.A4, 60.0).columns * layout_of(Paper.A4, 60.0).rows == 6
    assert layout_of(Paper.LETTER, 100.0).rows == 2
    pdf = sheet_pdf(tuple(range(5)), 100.0)
    with pypdfium2.PdfDocument(pdf) as document:
        assert len(document) == 3
    assert set(found_on(page(pdf, 2), 100.0)) == {4}


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("side_mm", [60.0, 71.3, 75.0, 97.0, 100.0, 120.0, 142.5, 150.0])
def test_nothing_is_printed_at_the_papers_edge(paper: Paper, side_mm: float) -> None:
    """Printers leave about 4.2 mm white (common practice); only cut lines may lie there."""
    layout = layout_of(paper, side_mm)
    picture = page(sheet_pdf(tuple(range(layout.columns * layout.rows)), side_mm, paper)).max(axis=2)
    inked = np.argwhere(picture < 100)
    assert (inked.min(axis=0) / PX_PER_MM > 4.2).all()
    assert (inked.max(axis=0) / PX_PER_MM < np.array(picture.shape) / PX_PER_MM - 4.2).all()


def test_marks_stand_off_from_the_square() -> None:
    """Farther from the sides than any profile reaches, and on the card."""
    middles, cells = corner_marks()
    assert (np.abs(cells - 0.5).max(axis=2) > 0.5).all()
    assert np.abs(cells - 0.5).max() < 0.5 + 1 / 6
    assert np.ptp(middles[:, 0]) == pytest.approx(1 + 1 / 6)


def test_first_codes_are_rich_in_crossings() -> None:
    counts = [len(crossings(code)[0]) for code in first_codes(50)]
    assert counts == sorted(counts, reverse=True)
    assert len(set(first_codes(50))) == 50
    assert counts[0] >= 6


@pytest.mark.parametrize(
    ("codes", "side_mm", "message"),
    [
        ((0,), 59.9, "between 60 and 150 mm"),
        ((0,), float("nan"), "between 60 and 150 mm"),
        ((), 100.0, "different numbers"),
        ((3, 3), 100.0, "different numbers"),
        ((50,), 100.0, "between 0 and 49"),
    ],
)
def test_sheet_failure(codes: tuple[int, ...], side_mm: float, message: str) -> None:
    with pytest.raises(OptionInvalid, match=message):
        sheet_pdf(codes, side_mm)


def test_command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "squares.pdf"
    assert status_of(monkeypatch, "sheet", file, "--side", "4in", "--codes", "3, 4", "--paper", "letter") == 0
    assert file.read_bytes() == sheet_pdf((3, 4), 101.6, Paper.LETTER)
    assert "101.6 mm" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--codes", "1;2"], "not numbers with commas"),
        (["--count", "0"], "1 to 50"),
        (["--paper", "a3"], "choose a4 or letter"),
        (["--side", "100"], "has no unit"),
    ],
)
def test_command_failure(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    options: list[str],
    message: str,
) -> None:
    assert status_of(monkeypatch, "sheet", tmp_path / "squares.pdf", *options) == 2
    assert message in capsys.readouterr().err
    assert not (tmp_path / "squares.pdf").exists()


def test_printed_side_is_taken_and_surer() -> None:
    """A measured side scales everything, and its tolerance is what the rule leaves: 0.05 mm."""
    picture = page(sheet_pdf((0, 8), 100.0))
    ends = np.array([[100.0, 100.0], [1500.0, 900.0]])
    nominal = rectify(picture, square_mm=100.0)
    measured = rectify(picture, square_mm=100.0, printed_side_mm=99.6)
    assert measured.distance(*ends).value / nominal.distance(*ends).value == pytest.approx(0.996, rel=1e-6)
    assert measured.distance(*ends).u < nominal.distance(*ends).u
    u_log_size = [np.sqrt(view.solution.covariance[LOG_SIZE, LOG_SIZE]) for view in (nominal, measured)]
    assert u_log_size == pytest.approx([0.002, 0.05 / 99.6], rel=0.02)
    with pytest.raises(OptionInvalid, match="not that of a square"):
        rectify(picture, square_mm=100.0, printed_side_mm=9.96)
