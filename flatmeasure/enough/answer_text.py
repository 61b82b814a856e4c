"""The answer in a few sentences that a person reads first, and as JSON."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from flatmeasure.enough.layouts import Layout
from flatmeasure.enough.leftovers import Leftovers
from flatmeasure.enough.parts import Part
from flatmeasure.enough.pattern_file import pattern_to_dict
from flatmeasure.enough.placements import placements, uncut
from flatmeasure.enough.shopping import Purchase
from flatmeasure.enough.shortage import Shortage
from flatmeasure.enough.splitting import WayOut
from flatmeasure.enough.verdict import Answer, Verdict
from flatmeasure.pieces.panel_parts import polygons, ring_points
from flatmeasure.pieces.piece_json import as_json
from flatmeasure.pieces.rectangles import CutRectangle
from flatmeasure.pieces.strips import Strips
from flatmeasure.quantity import Quantity
from flatmeasure.units import LengthUnit, format_length, format_quantity, mm_per_unit

SCHEMA, PURCHASE_SCHEMA = "flatmeasure.layout/1", "flatmeasure.purchase/1"
MOST_STRAPS = 4
MOST_COPIES_NAMED = 4
SMALLEST_MM2 = 2500.0  # of a leftover that JSON tells


def answer_lines(answer: Answer, unit: LengthUnit) -> Iterator[str]:
    """What a person reads: the answer, why, and what lies on which cloth."""
    yield _answer_line(answer, unit)
    if answer.verdict in (Verdict.NOT_ENOUGH, Verdict.NOT_FOUND):
        yield _partial_line(answer.layout)
    yield from board_lines(answer)


def board_lines(answer: Answer) -> Iterator[str]:
    """What lies on which cloth."""
    for k, board in enumerate(answer.boards):
        names = _names([answer.layout.parts[i] for i in np.flatnonzero(answer.layout.places.board == k)])
        both = ", both layers together" if board.layers == 2 else ""
        yield f"  {board.label}{both}: {names or 'nothing'} ({used_share(answer, k):.0%} of it used)"


def _answer_line(answer: Answer, unit: LengthUnit) -> str:
    if answer.verdict is Verdict.ENOUGH:
        return f"Enough: all pieces fit, {_to_spare(answer, unit)}."
    if answer.verdict is Verdict.TOO_CLOSE:
        return (
            "Too close to call: it fits only if the measurement is lucky. "
            "Measure again with a second square, on the other side of the cloth."
        )
    if answer.verdict is Verdict.NOT_ENOUGH:
        assert answer.shortage is not None
        return f"Not enough: {answer.shortage.told(unit)}"
    return "No layout of all pieces was found; that is no proof that there is none. More effort may find one."


def _to_spare(answer: Answer, unit: LengthUnit) -> str:
    k_u = _round(max((board.u_mm for board in answer.boards), default=0.0) * answer.coverage, unit)
    spare = _round(answer.margin_mm, unit)
    return f"with {spare} to spare at the cloth's edges (beyond the {k_u} that the measurement may be off)"


def way_out_lines(way: WayOut | None, unit: LengthUnit) -> Iterator[str]:
    """The change that makes it fit, or that none was found."""
    if way is None:
        yield "No way out was found by another grain, less allowance or a few seams."
        return
    seams = f" New seams to sew: {way.seams}." if way.seams else ""
    yield f"A way out: {way.told(unit)}{seams} Then all pieces fit, {_to_spare(way.answer, unit)}."
    yield from board_lines(way.answer)


def leftover_lines(left: Leftovers, unit: LengthUnit) -> Iterator[str]:
    """What the rest of the cloth still gives."""
    if not left.rectangles:
        return
    yield "The rest of the cloth still gives one of these:"
    for one in left.rectangles:
        yield f"  a rectangle of {_size(one.rectangle, unit)} on {one.cloth}"
    for strips, what in (
        (left.bias_binding, "bias binding, joined from {} strips at 45° to the grain"),
        (left.straight_binding, "straight binding, joined from {} strips along the grain"),
    ):
        if strips.strips:
            width = format_length(strips.plan.width_mm, unit)
            yield f"  {_measured(strips.joined, unit)} of {width} wide {what.format(len(strips.strips))}"
    if left.straps.strips:
        lengths = ", ".join(_measured(strip.length, unit) for strip in left.straps.strips[:MOST_STRAPS])
        yield f"  straps {format_length(left.straps.plan.width_mm, unit)} wide along the grain: {lengths}"
    if left.once_more:
        yield f"  another, for a facing or interfacing, of: {', '.join(left.once_more)}"


def leftovers_to_dict(left: Leftovers) -> dict[str, Any]:
    """The same as JSON; places in the cloths' own frames."""
    return {
        "rectangles": [{"cloth": one.cloth} | as_json(one.rectangle) for one in left.rectangles],
        "bias_binding": _strips_to_dict(left.bias_binding),
        "straight_binding": _strips_to_dict(left.straight_binding),
        "straps": _strips_to_dict(left.straps),
        "once_more": list(left.once_more),
    }


def _strips_to_dict(found: Strips) -> dict[str, Any]:
    return {
        "width_mm": found.plan.width_mm,
        "joined": found.joined.to_dict(),
        "sure_count": found.sure_count,
        "strips": [
            {"cloth": strip.panel, "length": strip.length.to_dict(), "corners_mm": as_json(strip.corners_mm)}
            for strip in found.strips
        ],
    }


def _size(rectangle: CutRectangle, unit: LengthUnit) -> str:
    return f"{_measured(rectangle.length, unit)} by {_measured(rectangle.width, unit)}"


def _measured(quantity: Quantity, unit: LengthUnit) -> str:
    """With its +-, where the cloth was measured."""
    return format_quantity(quantity, unit) if quantity.u > 0.0 else format_length(quantity.value, unit)


def purchase_lines(purchases: tuple[Purchase, ...], unit: LengthUnit) -> Iterator[str]:
    """Length to buy by width."""
    for one in purchases:
        width = format_length(one.width_mm, unit)
        if one.length_mm is None or one.buy_mm is None or one.strip is None:
            yield f"{width:>10} wide: too narrow, a piece does not fit across"
        else:
            needed, buy = format_length(one.length_mm, unit), format_length(one.buy_mm, unit)
            yield f"{width:>10} wide: buy {buy} ({needed} as laid, {one.strip.density:.0%} of it used)"


def purchases_to_dict(purchases: tuple[Purchase, ...], left: Leftovers | None = None) -> dict[str, Any]:
    """Lengths to buy as JSON, each with its layout; what is left if a single width was asked for."""
    found = []
    for one in purchases:
        answer = one.answer(f"{one.width_mm:g} mm wide")
        layout = None if answer is None else answer_to_dict(answer, left)
        found.append({"width_mm": one.width_mm, "length_mm": one.length_mm, "buy_mm": one.buy_mm, "layout": layout})
    return {"schema": PURCHASE_SCHEMA, "widths": found}


def way_out_to_dict(way: WayOut, left: Leftovers | None = None) -> dict[str, Any]:
    """The way out as JSON: what to change (in mm), the pieces it needs, their layout, and what that leaves if given."""
    return {
        "message": way.told(LengthUnit.MM),
        "seams": way.seams,
        "pattern": pattern_to_dict(way.pieces),
        "layout": answer_to_dict(way.answer, left),
    }


def _partial_line(layout: Layout) -> str:
    missing = [part for part, board in zip(layout.parts, layout.places.board, strict=True) if board < 0]
    if len(missing) == len(layout.parts):
        return "No piece found a place."
    return f"The most valuable that fits: all but {_names(missing)}." if missing else "All pieces were placed."


def _names(parts: Sequence[Part]) -> str:
    """Names in a row; many copies of a piece as their number."""
    alike: dict[tuple[str, tuple[bool, ...]], list[Part]] = {}
    for part in parts:
        alike.setdefault((part.kind, part.hands), []).append(part)
    told = []
    for (kind, hands), some in alike.items():
        many = f"{kind}{', mirrored' if hands == (True,) else ''} ({len(some)} times)"
        told += [many] if len(some) > MOST_COPIES_NAMED else [part.name for part in some]
    return "; ".join(told)


def _round(length_mm: float, unit: LengthUnit) -> str:
    """A margin, rounded down to what it is good for."""
    length = length_mm / mm_per_unit(unit)
    digits = {LengthUnit.MM: 1 if length < 2.0 else 0, LengthUnit.CM: 1, LengthUnit.IN: 2}[unit]
    return f"{np.floor(length * 10**digits) / 10**digits:.{digits}f} {unit}"


def used_share(answer: Answer, board: int) -> float:
    """Share of a board's area that is cut out."""
    areas = [answer.layout.parts[i].area_mm2 for i in np.flatnonzero(answer.layout.places.board == board)]
    return float(sum(areas) / answer.boards[board].cloth.area)


def answer_to_dict(answer: Answer, left: Leftovers | None = None) -> dict[str, Any]:
    """The answer as JSON: places both in the cloth's own frame and in the mat's frame of its photo."""
    pieces = [
        {
            "name": one.part.name,
            "piece": one.part.kind,
            "copy": one.part.copy,
            "cloth": one.board.name,
            "layer": "both" if one.board.layers == 2 else one.board.layer,
            "turn_deg": one.stance.turn_deg,
            "mirrored": one.stance.mirrored,
            "outline_mm": as_json(ring_points(one.outline)),
            "outline_on_mat_mm": as_json(one.outline_on_mat_mm),
            "grain_on_mat_mm": as_json(one.grain_on_mat_mm),
        }
        for one in placements(answer)
    ]
    left_over = uncut(answer, [board.cloth for board in answer.boards])
    return {
        "schema": SCHEMA,
        "verdict": str(answer.verdict),
        "margin_mm": answer.margin_mm if np.isfinite(answer.margin_mm) else None,
        "coverage": answer.coverage,
        "reason": _reason(answer.shortage),
        "stopped": answer.stopped,
        "missing": [
            part.name for part, k in zip(answer.layout.parts, answer.layout.places.board, strict=True) if k < 0
        ],
        "cloths": [
            {
                "name": board.label,
                "u_mm": board.u_mm,
                "used": used_share(answer, k),
                "leftover_mm": [as_json(ring_points(part)) for part in polygons(rest) if part.area > SMALLEST_MM2],
            }
            for k, (board, rest) in enumerate(zip(answer.boards, left_over, strict=True))
        ],
        "pieces": pieces,
    } | ({} if left is None else {"leftovers": leftovers_to_dict(left)})


def _reason(shortage: Shortage | None) -> dict[str, Any] | None:
    if shortage is None:
        return None
    return {"kind": shortage.kind, "parts": list(shortage.parts), "message": shortage.told(LengthUnit.MM)}
