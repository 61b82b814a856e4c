"""A page of lines, areas and words in millimetres, y up: written as SVG, as PDF at true scale, or as a PNG picture.

Black on white with dashes and greys, so that any printer keeps the lines apart.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.pdfgen.canvas import Canvas

from flatmeasure.display.true_scale import pdf_canvas, svg_bytes, svg_ground, svg_root
from flatmeasure.photos.camera import Points
from flatmeasure.photos.encoding import encoded
from flatmeasure.units import POINTS_PER_MM

FONT = "Helvetica"
LETTER_WIDTH = 0.56  # mean width of a letter over its size
OVERSAMPLED = 2
MIDDLE = 0.36  # of the letter size, from the baseline to the middle of a letter


@dataclass(frozen=True, eq=False)
class Line:
    """A line or, with a fill, an area.

    Attributes
    ----------
    rings_mm : tuple of (K, 2) array
        Several rings make an area with holes.
    width_mm : float
        0 draws no line.
    grey : float
        0 black to 1 white.
    dash_mm : tuple of float
        Lengths of line and gap.
    fill : float or None
        Grey of the area; None leaves it open.
    closed : bool
    """

    rings_mm: tuple[Points, ...]
    width_mm: float
    grey: float = 0.0
    dash_mm: tuple[float, ...] = ()
    fill: float | None = None
    closed: bool = True


@dataclass(frozen=True, eq=False)
class Words:
    """A text at a place, on a white or grey ground that is already there.

    Attributes
    ----------
    at_mm : (2,) array
        Of its middle; of the middle of its left end with ``from_left``.
    text : str
    size_mm : float
        Of the letters.
    turn_deg : float
        Counter-clockwise.
    from_left : bool
    """

    at_mm: Points
    text: str
    size_mm: float
    turn_deg: float = 0.0
    from_left: bool = False


@dataclass(frozen=True, eq=False)
class Page:
    """Something drawn.

    Attributes
    ----------
    name : str
    low_mm, high_mm : (2,) array
        Lower left and upper right corner.
    marks : tuple of Line or Words
        In the order in which they are drawn.
    """

    name: str
    low_mm: Points
    high_mm: Points
    marks: tuple[Line | Words, ...]


def page_svg(page: Page) -> bytes:
    """An SVG picture; one user unit is a millimetre."""
    root = svg_root(*(float(side) for side in page.high_mm - page.low_mm))
    ElementTree.SubElement(root, "title").text = page.name
    svg_ground(root)
    for mark in page.marks:
        if isinstance(mark, Line):
            _svg_line(root, mark, page)
        else:
            _svg_words(root, mark, page)
    return svg_bytes(root)


def _svg_line(root: ElementTree.Element, mark: Line, page: Page) -> None:
    end = " Z" if mark.closed else ""
    rings = [" L ".join(f"{x:.3f} {y:.3f}" for x, y in _down(ring, page)) for ring in mark.rings_mm]
    attributes = {
        "d": " ".join(f"M {ring}{end}" for ring in rings),
        "fill": "none" if mark.fill is None else _hex(mark.fill),
        "fill-rule": "evenodd",
        "stroke": _hex(mark.grey) if mark.width_mm else "none",
        "stroke-width": f"{mark.width_mm:.2f}",
        "stroke-linejoin": "round",
    }
    if mark.dash_mm:
        attributes["stroke-dasharray"] = " ".join(f"{one:.2f}" for one in mark.dash_mm)
    ElementTree.SubElement(root, "path", attributes)


def _svg_words(root: ElementTree.Element, mark: Words, page: Page) -> None:
    x, y = _down(mark.at_mm[None], page)[0]
    attributes = {
        "x": f"{x:.2f}",
        "y": f"{y + MIDDLE * mark.size_mm:.2f}",
        "font-size": f"{mark.size_mm:.2f}",
        "font-family": "sans-serif",
        "text-anchor": "start" if mark.from_left else "middle",
    }
    if mark.turn_deg:
        attributes["transform"] = f"rotate({-mark.turn_deg:g} {x:.2f} {y:.2f})"
    ElementTree.SubElement(root, "text", attributes).text = mark.text


def pages_pdf(pages: Sequence[Page], title: str) -> bytes:
    """A PDF at true scale, each page as large as what is drawn on it."""
    file = io.BytesIO()
    canvas = pdf_canvas(file, title)
    for page in pages:
        size = (page.high_mm - page.low_mm) * POINTS_PER_MM
        canvas.setPageSize((float(size[0]), float(size[1])))
        for mark in page.marks:
            if isinstance(mark, Line):
                _pdf_line(canvas, mark, page)
            else:
                _pdf_words(canvas, mark, page)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _pdf_line(canvas: Canvas, mark: Line, page: Page) -> None:
    path = canvas.beginPath()
    for ring in mark.rings_mm:
        points = (ring - page.low_mm) * POINTS_PER_MM
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        if mark.closed:
            path.close()
    canvas.setLineWidth(mark.width_mm * POINTS_PER_MM)
    canvas.setLineJoin(1)
    canvas.setStrokeGray(mark.grey)
    canvas.setFillGray(1.0 if mark.fill is None else mark.fill)
    canvas.setDash([one * POINTS_PER_MM for one in mark.dash_mm])
    canvas.drawPath(path, stroke=int(mark.width_mm > 0.0), fill=int(mark.fill is not None), fillMode=0)


def _pdf_words(canvas: Canvas, mark: Words, page: Page) -> None:
    canvas.saveState()
    canvas.translate(*(mark.at_mm - page.low_mm) * POINTS_PER_MM)
    canvas.rotate(mark.turn_deg)
    canvas.setFillGray(0.0)
    canvas.setFont(FONT, mark.size_mm * POINTS_PER_MM)
    draw = canvas.drawString if mark.from_left else canvas.drawCentredString
    draw(0.0, -MIDDLE * mark.size_mm * POINTS_PER_MM, mark.text)
    canvas.restoreState()


def page_picture(page: Page, longer_px: int = 1600) -> NDArray[np.uint8]:
    """(H, W) grey picture."""
    size = page.high_mm - page.low_mm
    scale = OVERSAMPLED * longer_px / float(np.max(size))
    width, height = np.ceil(size * scale).astype(int)
    picture = np.full((height, width), 255, np.uint8)
    for mark in page.marks:
        if isinstance(mark, Line):
            _picture_line(picture, mark, page, scale)
        else:
            _picture_words(picture, mark, page, scale)
    smaller = (width // OVERSAMPLED, height // OVERSAMPLED)
    return np.asarray(cv2.resize(picture, smaller, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def page_png(page: Page, longer_px: int = 1600) -> bytes:
    """A PNG picture."""
    return encoded(page_picture(page, longer_px), ".png")


def _picture_line(picture: NDArray[np.uint8], mark: Line, page: Page, scale: float) -> None:
    rings = [np.round(_down(ring, page) * scale).astype(np.int32) for ring in mark.rings_mm]
    if mark.fill is not None:
        cv2.fillPoly(picture, rings, (255 * mark.fill,))
    if mark.width_mm:
        width = max(OVERSAMPLED, round(mark.width_mm * scale))
        for ring in mark.rings_mm:
            closed = np.vstack([ring, ring[:1]]) if mark.closed else ring
            for dash in _dashes(closed, mark.dash_mm):
                points = np.round(_down(dash, page) * scale).astype(np.int32)
                cv2.polylines(picture, [points], False, (255 * mark.grey,), width, cv2.LINE_AA)


def _dashes(line: Points, dash_mm: tuple[float, ...]) -> list[Points]:
    if not dash_mm:
        return [line]
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    starts = np.arange(0.0, at[-1], sum(dash_mm))
    dashes = []
    for start in starts:
        end = min(start + dash_mm[0], at[-1])
        inside = line[(at > start) & (at < end)]
        ends = [np.array([np.interp(s, at, line[:, k]) for k in (0, 1)]) for s in (start, end)]
        dashes.append(np.vstack([ends[0], inside, ends[1]]))
    return dashes


def _picture_words(picture: NDArray[np.uint8], mark: Words, page: Page, scale: float) -> None:
    size = max(8, round(mark.size_mm * scale * 1.1))
    face = cv2.FontFace("sans")
    left, top, width, height = cv2.getTextSize((0, 0), mark.text, (0, 0), face, size, 400)
    stamp = np.full((height + 8, width + 8), 255, np.uint8)
    cv2.putText(stamp, mark.text, (4 - left, 4 - top), (0,), face, size, 400)
    if mark.turn_deg:
        stamp = _turned(stamp, mark.turn_deg)
    half = np.array(stamp.shape[::-1]) // 2
    x, y = np.round(_down(mark.at_mm[None], page)[0] * scale).astype(int) - half * [not mark.from_left, 1]
    x0, y0 = max(x, 0), max(y, 0)
    x1, y1 = min(x + stamp.shape[1], picture.shape[1]), min(y + stamp.shape[0], picture.shape[0])
    if x0 < x1 and y0 < y1:
        under = picture[y0:y1, x0:x1]
        np.minimum(under, stamp[y0 - y : y1 - y, x0 - x : x1 - x], out=under)


def _down(points: Points, page: Page) -> Points:
    """From the page's frame to one with y down and its corner at the origin."""
    return np.column_stack([points[:, 0] - page.low_mm[0], page.high_mm[1] - points[:, 1]])


def _hex(grey: float) -> str:
    level = round(255 * grey)
    return f"#{level:02x}{level:02x}{level:02x}"


def _turned(stamp: NDArray[np.uint8], turn_deg: float) -> NDArray[np.uint8]:
    """A picture on white turned counter-clockwise, all of it."""
    size = np.array(stamp.shape[::-1])
    turn = cv2.getRotationMatrix2D(((size - 1.0) / 2.0).tolist(), turn_deg, 1.0)
    larger = np.ceil(np.abs(turn[:, :2]) @ size - 1e-6).astype(int)
    turn[:, 2] += (larger - size) / 2.0
    return np.asarray(cv2.warpAffine(stamp, turn, larger.tolist(), borderValue=(255,)), dtype=np.uint8)
