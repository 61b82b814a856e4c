"""Words in a PDF: Helvetica for what it has, else a typeface with more letters, else a question mark."""

from collections.abc import Sequence
from functools import cache

from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from flatmeasure.exports.lettering import Lettering
from flatmeasure.units import POINTS_PER_MM as MM

MIDDLE = 0.36  # of the letter size, from the baseline to the middle of a capital
LEADING = 1.3


def write(canvas: Canvas, lettering: Lettering) -> None:
    """A line of text, its middle at its place."""
    font, text = _font_for(lettering.text, lettering.bold)
    canvas.saveState()
    canvas.translate(*(float(at) * MM for at in lettering.at_mm))
    canvas.rotate(lettering.turn_deg)
    canvas.setFillGray(0.0)
    canvas.setFont(font, lettering.size_mm * MM)
    canvas.drawCentredString(0.0, -MIDDLE * lettering.size_mm * MM, text)
    canvas.restoreState()


def write_paragraphs(
    canvas: Canvas,
    paragraphs: Sequence[str],
    top_left_mm: tuple[float, float],
    size_mm: float,
    breadth_mm: float,
    *,
    bold: bool = False,
) -> float:
    """Paragraphs below one another, broken into lines; returns the height (mm) where they end."""
    left, y = top_left_mm
    canvas.setFillGray(0.0)
    for paragraph in paragraphs:
        font, text = _font_for(paragraph, bold)
        canvas.setFont(font, size_mm * MM)
        for line in simpleSplit(text, font, size_mm * MM, breadth_mm * MM):
            y -= LEADING * size_mm
            canvas.drawString(left * MM, (y + 0.3 * size_mm) * MM, line)
        y -= 0.5 * size_mm
    return y


def _font_for(text: str, bold: bool) -> tuple[str, str]:
    """A typeface that has the text's letters, and the text without those that none has."""
    try:
        text.encode("cp1252")
        return ("Helvetica-Bold" if bold else "Helvetica"), text
    except UnicodeEncodeError:
        font = _wider_font("VeraBd" if bold else "Vera")
        return font.fontName, "".join(one if ord(one) in font.face.charToGlyph else "?" for one in text)


@cache
def _wider_font(name: str) -> TTFont:
    """Bitstream Vera, which comes with reportlab."""
    font = TTFont(name, f"{name}.ttf")
    pdfmetrics.registerFont(font)
    return font
