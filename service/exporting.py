"""What a worker does to export a measurement: drawings, patterns and tables by the library."""

from collections.abc import Callable, Mapping
from typing import Any

from flatmeasure.exports.cut_piece import cut_pieces
from flatmeasure.units import LengthUnit


def export_measurement(payload: Mapping[str, Any], _report: Callable[[float, str], bool]) -> bytes:
    """A measurement in another form.

    Parameters
    ----------
    payload : mapping
        ``document`` (a measurement with its notes), ``name``, ``kind``, ``unit`` and, for some, ``choice`` or
        ``overlay``, a JPEG file.

    Returns
    -------
    bytes
        The file.
    """
    unit = LengthUnit(payload["unit"])
    content = _FORMS[payload["kind"]](payload, unit)
    return content if isinstance(content, bytes) else content.encode()


def _table(payload: Mapping[str, Any], unit: LengthUnit) -> str:
    from flatmeasure.exports.tables import edges_csv, pieces_csv

    rows = pieces_csv if payload["choice"] == "pieces" else edges_csv
    return rows(cut_pieces(payload["document"]), unit, payload["name"])


def _svg(payload: Mapping[str, Any], unit: LengthUnit) -> str:
    from flatmeasure.exports.outline_svg import outline_svg

    return outline_svg(cut_pieces(payload["document"]), unit)


def _dxf(payload: Mapping[str, Any], unit: LengthUnit) -> bytes:
    from flatmeasure.exports.outline_dxf import Scheme, outline_dxf

    return outline_dxf(cut_pieces(payload["document"]), scheme=Scheme(payload["choice"]), unit=unit)


def _pattern(payload: Mapping[str, Any], unit: LengthUnit) -> bytes:
    from flatmeasure.exports.page_tiles import PatternPaper
    from flatmeasure.exports.pattern_pdf import pattern_pdf

    return pattern_pdf(cut_pieces(payload["document"]), PatternPaper(payload["choice"]), unit)


def _report(payload: Mapping[str, Any], unit: LengthUnit) -> str:
    from flatmeasure.exports.report import report_html

    return report_html(payload["document"], payload["overlay"], unit)


_FORMS: dict[str, Callable[[Mapping[str, Any], LengthUnit], str | bytes]] = {
    "table.csv": _table,
    "outline.svg": _svg,
    "outline.dxf": _dxf,
    "pattern.pdf": _pattern,
    "report.html": _report,
}
