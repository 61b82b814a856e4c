"""Empty drawings at true scale: an SVG whose user unit is a millimetre, a PDF that no viewer shrinks to the paper."""

from typing import IO
from xml.etree import ElementTree

from reportlab.pdfgen.canvas import Canvas

SVG = "http://www.w3.org/2000/svg"


def svg_root(width_mm: float, height_mm: float) -> ElementTree.Element:
    """The root of an SVG document of a size, its origin at the upper left, y down."""
    size = {
        "width": f"{width_mm:.2f}mm",
        "height": f"{height_mm:.2f}mm",
        "viewBox": f"0 0 {width_mm:.2f} {height_mm:.2f}",
    }
    return ElementTree.Element("svg", {"xmlns": SVG, **size})


def svg_ground(root: ElementTree.Element) -> None:
    """A white ground over all of a drawing."""
    ElementTree.SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": "#ffffff"})


def svg_bytes(root: ElementTree.Element) -> bytes:
    """The document as the content of a file."""
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True))


def pdf_canvas(file: IO[bytes], title: str) -> Canvas:
    """A PDF canvas, in points, whose pages are yet to be sized; the same drawing always gives the same bytes."""
    canvas = Canvas(file, invariant=1)
    canvas.setTitle(title)
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas
