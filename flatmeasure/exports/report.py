"""A measurement as a page for a person: the photo with its outline, the measures with their ±, settings, warnings.

One HTML file that holds everything, without scripts, for a screen of any width and for paper. Whatever comes from
files or people is escaped.
"""

import base64
import math
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from flatmeasure.exports.cut_piece import CutPiece, cut_pieces, plain_text
from flatmeasure.exports.report_style import STYLE
from flatmeasure.quantity import Quantity
from flatmeasure.results.measurement import WEAK_SHARE
from flatmeasure.units import LengthUnit, format_length, format_quantity, tape_reading

POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
MEANING = (
    "± holds the true value in about 95 of 100 cases (twice the standard uncertainty). "
    "The angle is that of the corner an edge starts from."
)
CAUSES_SHOWN = 4


def report_html(measurement: dict[str, Any], overlay_jpeg: bytes | None, unit: LengthUnit = LengthUnit.MM) -> str:
    """The report of one photo.

    Parameters
    ----------
    measurement : dict
        ``Measurement.to_dict()``, or its file's JSON object; notes in it (names, labels, allowances) are told too.
    overlay_jpeg : bytes or None
        The photo with what was measured drawn in, as JPEG; None leaves the picture out.
    unit : LengthUnit

    Returns
    -------
    str
        An HTML document that needs no other file.

    Raises
    ------
    PieceUnreadable
        It is no measurement, or a piece in it is damaged.
    """
    pieces = cut_pieces(measurement)
    title = f"Measured: {_photo_name(measurement)}"
    body = [f"<h1>{_text(title)}</h1>", *_warnings(measurement), *_picture(overlay_jpeg)]
    if len(pieces) > 1:
        body.append(_summary(pieces, unit))
    for piece, data in zip(pieces, measurement["pieces"], strict=True):
        body += _piece(piece, data, unit)
    body += [f"<p class='meaning'>{MEANING}</p>", _settings(measurement, unit)]
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            '<head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{_text(title)}</title>",
            f"<style>{STYLE}</style></head>",
            "<body><main>",
            *body,
            "</main></body></html>\n",
        ]
    )


def _text(text: Any, longest: int = 400) -> str:
    return escape(plain_text(str(text), longest), quote=True)


def _photo_name(measurement: dict[str, Any]) -> str:
    return str(_dict(measurement.get("photo")).get("name") or "cloth")


def _picture(overlay_jpeg: bytes | None) -> list[str]:
    if not overlay_jpeg:
        return []
    data = base64.b64encode(overlay_jpeg).decode()
    return [f'<figure><img alt="The photo with the measured outlines" src="data:image/jpeg;base64,{data}"></figure>']


def _warnings(measurement: dict[str, Any]) -> list[str]:
    notes = [note for note in _list(measurement.get("warnings")) if isinstance(note, dict)]
    if not notes:
        return []
    items = [f"<li>{_text(note.get('message', ''))} {_text(note.get('advice', ''))}</li>" for note in notes]
    return ['<section class="notes"><h2>Please note</h2><ul>', *items, "</ul></section>"]


def _summary(pieces: Sequence[CutPiece], unit: LengthUnit) -> str:
    rows = [
        (_name(piece), format_quantity(piece.panel.area, unit), str(len(piece.panel.edges)), str(piece.panel.layers))
        for piece in pieces
    ]
    return _table(("Piece", "Area", "Edges", "Layers"), rows, "summary")


def _name(piece: CutPiece) -> str:
    name = plain_text(piece.name)
    return f"{piece.panel.id} {name}" if name else piece.panel.id


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], kind: str) -> str:
    """A table; cells are escaped here, further lines in a cell become small ones."""
    cells = "".join(f"<th scope='col'>{_text(one)}</th>" for one in head)
    lines = [f"<div class='wide'><table class='{kind}'><thead><tr>{cells}</tr></thead><tbody>"]
    for first, *others in rows:
        inside = f"<th scope='row'>{_cell(first)}</th>" + "".join(f"<td>{_cell(one)}</td>" for one in others)
        lines.append(f"<tr>{inside}</tr>")
    return "\n".join([*lines, "</tbody></table></div>"])


def _cell(text: str) -> str:
    first, *others = text.split("\n")  # the parts hold none: their own line breaks are gone
    return _text(first) + "".join(f"<small>{_text(other)}</small>" for other in others)


def _piece(piece: CutPiece, data: dict[str, Any], unit: LengthUnit) -> list[str]:
    panel = piece.panel
    facts = [("area" + (", net of holes" if panel.holes_mm else ""), format_quantity(panel.area, unit))]
    for name, key in (("perimeter", "perimeter"), ("extent along", "along"), ("extent across", "across")):
        if (quantity := _quantity(data.get(key))) is not None:
            edge = f" {data.get('along_edge', '')}" if key != "perimeter" else ""
            fraction = tape_reading(quantity, unit)
            facts.append((name + edge, format_quantity(quantity, unit) + (f" ({fraction})" if fraction else "")))
    if panel.grain is not None:
        facts.append(("grain, from the x axis", f"{panel.grain.angle_deg:.1f}°, {panel.grain.source}"))
    if panel.layers > 1:
        facts.append(("layers", str(panel.layers)))
    body = [f"<section class='piece'><h2>Piece {_text(_name(piece))}</h2>"]
    if not panel.complete:
        body.append("<p class='caution'>The photo cuts this piece off: the measures are of the part seen.</p>")
    body.append(_definitions(facts))
    body.append(_table(("Edge", "Length", "Angle"), _edges(piece, data, unit), "edges"))
    causes = _causes(data)
    if causes:
        body.append(f"<p class='causes'>What makes the area unsure, largest first: {_text(', '.join(causes))}.</p>")
    return [*body, "</section>"]


def _edges(piece: CutPiece, data: dict[str, Any], unit: LengthUnit) -> list[list[str]]:
    rows = []
    corners = _list(data.get("corners"))
    for edge, told in zip(piece.panel.edges, _list(data.get("edges")) or [{}] * len(piece.panel.edges), strict=True):
        kind = edge.kind + (", partly unclear" if _number(told.get("weak")) >= WEAK_SHARE else "")
        seam = _allowance(piece.allowances_mm.get(edge.id, 0.0), unit)
        chord = _quantity(told.get("chord")) if edge.kind == "curve" else None
        more = [tape_reading(edge.length, unit), f"chord {format_quantity(chord, unit)}" if chord else ""]
        length = "\n".join([format_quantity(edge.length, unit), *filter(None, more)])
        start = told.get("from")
        corner = corners[start] if isinstance(start, int) and 0 <= start < len(corners) else None
        angle = _quantity(corner.get("angle")) if isinstance(corner, dict) else None
        name = "\n".join(filter(None, [plain_text(f"{edge.id} {edge.label}"), kind, seam]))
        rows.append([name, length, format_quantity(angle, unit) if angle else ""])
    return rows


def _allowance(mm: float, unit: LengthUnit) -> str:
    """Whether the measured outline is the cut edge, with its allowance, or the stitching line, without."""
    return f"{'with' if mm > 0.0 else 'plus'} {format_length(abs(mm), unit)} allowance" if mm else ""


def _definitions(facts: Iterable[tuple[str, str]]) -> str:
    inside = "".join(f"<div><dt>{_text(name)}</dt><dd>{_text(value)}</dd></div>" for name, value in facts)
    return f"<dl>{inside}</dl>"


def _causes(data: dict[str, Any]) -> list[str]:
    budget = [part for part in _list(data.get("area_budget")) if isinstance(part, dict)]
    total = math.sqrt(sum(_number(part.get("u")) ** 2 for part in budget))
    shares = [(str(part.get("cause", "")), _number(part.get("u"))) for part in budget[:CAUSES_SHOWN]]
    return [f"{cause} {100.0 * (u / total) ** 2:.0f} %" for cause, u in shares if total and u > 0.05 * total]


def _settings(measurement: dict[str, Any], unit: LengthUnit) -> str:
    photo, view = _dict(measurement.get("photo")), _dict(measurement.get("rectification"))
    camera = _dict(view.get("camera"))
    facts = [("photo", _photo_name(measurement))] if photo else []
    if photo.get("width_px") and photo.get("height_px"):
        facts.append(("picture", f"{photo['width_px']} × {photo['height_px']} px"))
    for reference in _list(view.get("references")):
        facts.append(("reference", _reference(reference, unit)))
    facts.append(("thickness of the cloth", format_length(_number(measurement.get("thickness_mm")), unit)))
    if camera:
        facts.append(("camera above the mat", format_length(_number(camera.get("height_mm")), unit)))
        facts.append(("tilt", f"{_number(camera.get('tilt_deg')):.1f}°"))
    if photo.get("sha256"):
        facts.append(("check sum (SHA-256)", str(photo["sha256"])))
    return f"<section class='settings'><h2>Settings and photo</h2>{_definitions(facts)}</section>"


def _reference(reference: Any, unit: LengthUnit) -> str:
    if not isinstance(reference, dict):
        return "unknown"
    sides = [format_length(_number(side), unit) for side in _list(reference.get("size_mm"))]
    size = f"{sides[0]} square" if len(set(sides)) == 1 else " × ".join(sides)
    code = reference.get("code")
    kind = str(reference.get("kind", "")) + (f" {code}" if code is not None else "")
    return f"{kind}, {size}"


def _quantity(value: Any) -> Quantity | None:
    """A measured value of the JSON; None where it is missing, as in pieces made by hand."""
    try:
        return Quantity(float(value["value"]), float(value["u"]), str(value["unit"]))
    except (KeyError, TypeError, ValueError):
        return None


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else 0.0


def _dict(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []
