"""The answer in a few sentences that a person reads first, and as JSON."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from shapely.ops import unary_union

from flatmeasure.enough.layouts import Layout
from flatmeasure.enough.pattern_file import pattern_to_dict
from flatmeasure.enough.placements import placements
from flatmeasure.enough.shopping import Leftovers, Purchase
from flatmeasure.enough.splitting import WayOut
from flatmeasure.enough.verdict import Answer, Verdict
from flatmeasure.pieces.panel_parts import polygons, ring_points
from flatmeasure.pieces.piece_json import as_json
from flatmeasure.units import LengthUnit, format_length, mm_per_unit

SCHEMA = "flatmeasure.layout/1"


def answer_lines(answer: Answer, unit: LengthUnit) -> Iterator[str]:
    """What a person reads: the answer, why, and what lies on which cloth."""
    yield _answer_line(answer, unit)
    if answer.verdict in (Verdict.NOT_ENOUGH, Verdict.NOT_FOUND):
        yield _partial_line(answer.layout)
    yield from board_lines(answer)


def board_lines(answer: Answer) -> Iterator[str]:
    """What lies on which cloth."""
    for k, board in enumerate(answer.boards):
        names = [answer.layout.parts[i].name for i in np.flatnonzero(answer.layout.places.board == k)]
        both = ", both layers together" if board.layers == 2 else ""
        yield f"  {board.label}{both}: {', '.join(names) or 'nothing'} ({used_share(answer, k):.0%} of it used)"


def _answer_line(answer: Answer, unit: LengthUnit) -> str:
    if answer.verdict is Verdict.ENOUGH:
        k_u = _round(max((board.u_mm for board in answer.boards), default=0.0) * answer.coverage, unit)
        return (
            f"Enough: all pieces fit, with {_round(answer.margin_mm, unit)} to spare at the cloth's edges "
            f"(beyond the {k_u} that the measurement may be off)."
        )
    if answer.verdict is Verdict.TOO_CLOSE:
        return (
            "Too close to call: it fits only if the measurement is lucky. "
            "Measure again with a second square, on the other side of the cloth."
        )
    if answer.verdict is Verdict.NOT_ENOUGH:
        assert answer.shortage is not None
        return f"Not enough: {answer.shortage.message}"
    return "No layout of all pieces was found; that is no proof that there is none. More effort may find one."


def way_out_lines(way: WayOut | None, unit: LengthUnit) -> Iterator[str]:
    """The change that makes it fit, or that none was found."""
    if way is None:
        yield "No way out was found by another grain, less allowance or a few seams."
        return
    seams = f" New seams to sew: {way.seams}." if way.seams else ""
    yield f"A way out: {way.message}{seams} Then all pieces fit, with {_round(way.answer.margin_mm, unit)} to spare."
    yield from board_lines(way.answer)


def leftover_lines(left: Leftovers, unit: LengthUnit) -> Iterator[str]:
    """What the rest of the cloth still gives."""
    if left.rectangle is not None:
        length, width = left.rectangle.length.value, left.rectangle.width.value
        size = f"{_round(length, unit)} by {_round(width, unit)}"
        yield f"Left over: {size} on {left.rectangle_on} as the largest rectangle"
    if left.strips is not None and left.strips.strips:
        binding = format_length(left.strips.plan.width_mm, unit)
        yield f"  or {left.strips.joined.value / 1000.0:.1f} m of straight strips {binding} wide, joins taken off"


def purchase_lines(purchases: tuple[Purchase, ...], unit: LengthUnit) -> Iterator[str]:
    """Length to buy by width."""
    for one in purchases:
        width = format_length(one.width_mm, unit)
        if one.length_mm is None or one.buy_mm is None or one.strip is None:
            yield f"{width:>10} wide: too narrow, a piece does not fit across"
        else:
            needed, buy = format_length(one.length_mm, unit), format_length(one.buy_mm, unit)
            yield f"{width:>10} wide: buy {buy} ({needed} as laid, {one.strip.density:.0%} of it used)"


def way_out_to_dict(way: WayOut) -> dict[str, Any]:
    """The way out as JSON: its message, the pieces it needs, and their layout."""
    return {
        "message": way.message,
        "seams": way.seams,
        "pattern": pattern_to_dict(way.pieces),
        "layout": answer_to_dict(way.answer),
    }


def _partial_line(layout: Layout) -> str:
    missing = [part.name for part, board in zip(layout.parts, layout.places.board, strict=True) if board < 0]
    return f"The most valuable that fits: all but {', '.join(missing)}." if missing else "All pieces were placed."


def _round(length_mm: float, unit: LengthUnit) -> str:
    """A margin, rounded down to what it is good for."""
    length = length_mm / mm_per_unit(unit)
    digits = {LengthUnit.MM: 1 if length < 2.0 else 0, LengthUnit.CM: 1, LengthUnit.IN: 2}[unit]
    return f"{np.floor(length * 10**digits) / 10**digits:.{digits}f} {unit}"


def used_share(answer: Answer, board: int) -> float:
    """Share of a board's area that is cut out."""
    areas = [answer.layout.parts[i].area_mm2 for i in np.flatnonzero(answer.layout.places.board == board)]
    return float(sum(areas) / answer.boards[board].cloth.area)


def answer_to_dict(answer: Answer) -> dict[str, Any]:
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
    return {
        "schema": SCHEMA,
        "verdict": str(answer.verdict),
        "margin_mm": answer.margin_mm if np.isfinite(answer.margin_mm) else None,
        "coverage": answer.coverage,
        "reason": as_json(answer.shortage),
        "stopped": answer.stopped,
        "missing": [
            part.name for part, k in zip(answer.layout.parts, answer.layout.places.board, strict=True) if k < 0
        ],
        "cloths": [
            {
                "name": board.label,
                "u_mm": board.u_mm,
                "used": used_share(answer, k),
                "leftover_mm": _leftover(answer, k),
            }
            for k, board in enumerate(answer.boards)
        ],
        "pieces": pieces,
    }


def _leftover(answer: Answer, board: int) -> list[Any]:
    """Outlines of what is left of a board, its larger parts only."""
    placed = answer.layout.outlines()
    cut = unary_union([shape for i, shape in placed.items() if answer.layout.places.board[i] == board])
    rest = answer.boards[board].cloth.difference(cut.buffer(1e-6))
    return [as_json(ring_points(part)) for part in polygons(rest) if part.area > 2500.0]
