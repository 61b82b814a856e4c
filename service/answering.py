"""What a worker does to answer whether pieces can be cut from cloth."""

import base64
import json
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from flatmeasure import Answer, Board, LayRules, Panel, PatternPiece, Verdict, board_of
from flatmeasure.enough.boards import Face
from flatmeasure.enough.seams import Split
from flatmeasure.enough.splitting import WayOut
from flatmeasure.pieces.panel_file import panel_from_dict
from flatmeasure.units import LengthUnit

SWEEPS = {"quick": 150, "normal": 800, "long": 5000}


@dataclass(frozen=True, eq=False)
class _Cloth:
    """A piece of the stash: its id, the measurement that shows it, and as a panel under a name of its own."""

    id: str
    document: dict[str, Any]
    panel: Panel


class _Watch:
    """Tells how far the search is, and ends it when a person says so or time is up."""

    def __init__(self, report: Callable[[float, str], bool], limit_s: float) -> None:
        self._report = report
        self._until = time.monotonic() + limit_s
        self._goes_on = True

    def show(self, share: float, what: str) -> None:
        """Tell how far it is."""
        self._goes_on = self._report(share, what) and self._goes_on

    def is_over(self) -> bool:
        """Whether the best so far is to be given."""
        return not self._goes_on or time.monotonic() > self._until


def answer_question(payload: Mapping[str, Any], report: Callable[[float, str], bool]) -> dict[str, Any]:
    """Whether the pieces can be cut, how, and if not, a way out.

    Parameters
    ----------
    payload : mapping
        A `models.Question` as plain values, with ``cloth`` as ids, names and measurements, and ``pattern_file``
        (``name``, ``content`` in base 64) where there is no ``pattern``.
    report : callable

    Returns
    -------
    dict
        ``document``: what the API tells; ``drawings``: files by name; ``placed``: outlines in the photo, by cloth.
    """
    from flatmeasure.enough.splitting import find_way_out
    from flatmeasure.enough.verdict import Effort, is_enough

    report(0.0, "reading the pattern")
    pieces = _pattern(payload)
    cloth = _cloth(payload["cloth"])
    boards = [board_of(one.panel, Face(payload["rules"]["face"])) for one in cloth]
    rules = LayRules(payload["rules"]["tolerance_deg"], payload["rules"]["clearance_mm"])
    effort = Effort(SWEEPS[payload["effort"]])
    watch = _Watch(report, payload["limit_s"])
    answer = is_enough(pieces, boards, rules, effort, on_progress=watch.show, should_stop=watch.is_over)
    way = None
    if answer.verdict is not Verdict.ENOUGH and not answer.stopped:
        way = find_way_out(answer, pieces, boards, rules, effort, on_progress=watch.show, should_stop=watch.is_over)
    report(0.95, "drawing the layout")
    shown = way.answer if way else answer
    document = _document(answer, way, LengthUnit(payload["unit"]))
    return {
        "document": document | {"warnings": list(_warnings(cloth))},
        "drawings": {
            **_drawings(shown, boards, way.splits if way else ()),
            "pieces.json": _pieces_json(way.pieces if way else pieces),
        },
        "placed": _placed(document, cloth),
    }


def _pattern(payload: Mapping[str, Any]) -> tuple[PatternPiece, ...]:
    from flatmeasure.enough.pattern_file import pattern_from_bytes, pattern_from_dict

    if payload.get("pattern") is not None:
        return pattern_from_dict(payload["pattern"])
    file = payload["pattern_file"]
    return pattern_from_bytes(base64.b64decode(file["content"]), file["name"])


def _cloth(given: Sequence[Mapping[str, Any]]) -> list[_Cloth]:
    """The cloth, each under a name that no other has."""
    found: list[_Cloth] = []
    taken: set[str] = set()
    for one in given:
        piece = next(piece for piece in one["document"]["pieces"] if piece["id"] == one["piece"])
        plain = piece.get("name") or f"{one['name']} {one['piece']}"
        name = next(name for name in _numbered(plain) if name not in taken)
        taken.add(name)
        found.append(_Cloth(one["id"], one["document"], replace(panel_from_dict(piece), id=name)))
    return found


def _numbered(name: str) -> Iterator[str]:
    yield name
    number = 2
    while True:
        yield f"{name} ({number})"
        number += 1


def _warnings(cloth: Sequence[_Cloth]) -> Iterator[str]:
    for one in cloth:
        if one.panel.grain is None:
            yield f"The grain of {one.panel.id} is not known and was taken to run up the photo."
        if not one.panel.complete:
            yield f"The photo cuts off {one.panel.id}: there is more of it than was used."


def _document(answer: Answer, way: WayOut | None, unit: LengthUnit) -> dict[str, Any]:
    from flatmeasure.enough.answer_text import (
        answer_lines,
        answer_to_dict,
        leftover_lines,
        way_out_lines,
        way_out_to_dict,
    )
    from flatmeasure.enough.leftovers import leftovers

    left = None if answer.stopped else leftovers(way.answer if way else answer)
    lines = list(answer_lines(answer, unit))
    if answer.verdict is not Verdict.ENOUGH:
        lines += way_out_lines(way, unit)
    layout = answer_to_dict(answer, None if way else left)
    return {
        "verdict": str(answer.verdict),
        "text": "\n".join([*lines, *(leftover_lines(left, unit) if left else ())]),
        "margin_mm": layout["margin_mm"],
        "stopped": answer.stopped,
        "layout": layout,
        "way_out": way_out_to_dict(way, left) if way else None,
    }


def _drawings(answer: Answer, boards: Sequence[Board], splits: tuple[Split, ...]) -> dict[str, bytes]:
    """Pages in each unit, with those of pieces that are made of parts; the first page on a cloth is its picture."""
    from flatmeasure.display.page import page_svg
    from flatmeasure.enough.layout_drawing import cutting_pdf, layout_pages
    from flatmeasure.enough.split_drawing import split_pages

    names = [board.name for board in boards]
    used = sorted({int(k) for k in answer.layout.places.board if k >= 0})
    drawings: dict[str, bytes] = {}
    for unit in LengthUnit:
        pages = layout_pages(answer.layout, answer.boards, answer.coverage, unit)
        if not pages:
            return {}
        drawings[f"layout-{unit}.pdf"] = cutting_pdf([*pages, *split_pages(splits, unit)], "Layout")
        for k, page in zip(used, pages, strict=True):
            drawings.setdefault(f"layout-{unit}-{names.index(answer.boards[k].name)}.svg", page_svg(page))
    return drawings


def _pieces_json(pieces: tuple[PatternPiece, ...]) -> bytes:
    from flatmeasure.enough.pattern_file import pattern_to_dict

    return json.dumps(pattern_to_dict(pieces), ensure_ascii=False).encode()


def _placed(document: dict[str, Any], cloth: Sequence[_Cloth]) -> dict[str, Any]:
    """What is to be cut, in pixels of each cloth's photo."""
    from flatmeasure.enough.placements import placed_outlines_px

    layout = document["way_out"]["layout"] if document["way_out"] else document["layout"]
    return {
        one.id: [
            {
                "piece": placed.piece,
                "copy": placed.copy,
                "mirrored": placed.mirrored,
                "layer": placed.layer,
                "outline_px": placed.outline_px.round(2).tolist(),
                "grain_px": placed.grain_px.round(2).tolist(),
            }
            for placed in placed_outlines_px(layout, one.document, one.panel.id)
        ]
        for one in cloth
    }
