"""What to buy for pieces of lining or interfacing, and what is left of the cloth after cutting."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely.ops import unary_union

from flatmeasure.enough.boards import Board, LayRules
from flatmeasure.enough.laying import Lay, make_parts
from flatmeasure.enough.layouts import Watch
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.strip_packing import StripLayout, pack_strip
from flatmeasure.enough.verdict import Answer
from flatmeasure.pieces.panel import Grain, Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.panel_parts import polygons
from flatmeasure.pieces.rectangles import CutRectangle, Direction, largest_rectangle
from flatmeasure.pieces.strips import Ends, StripPlan, Strips, place_strips

WIDTHS_MM = (600.0, 900.0, 1120.0, 1400.0, 1500.0)  # cloth and interfacing as sold
STEP_MM = 50.0  # shops cut by
SWEEPS = 250
SMALLEST_LEFTOVER_MM2 = 5000.0
BINDING_MM = 40.0
MOST_LEFTOVERS = 12


@dataclass(frozen=True, eq=False)
class Purchase:
    """How much to buy of cloth of a width.

    Attributes
    ----------
    width_mm : float
    length_mm : float or None
        Needed, as laid; None where a piece is too wide.
    buy_mm : float or None
        Rounded up to what shops cut.
    strip : StripLayout or None
        The layout.
    """

    width_mm: float
    length_mm: float | None
    buy_mm: float | None
    strip: StripLayout | None


def shopping_list(
    pieces: Sequence[PatternPiece],
    widths_mm: Sequence[float] = WIDTHS_MM,
    rules: LayRules = LayRules(),  # noqa: B008 - frozen
    sweeps: int = SWEEPS,
    watch: Watch = lambda share: True,
) -> tuple[Purchase, ...]:
    """Length of cloth needed for all pieces, laid in one layer, for each width.

    Parameters
    ----------
    pieces : sequence of PatternPiece
    widths_mm : sequence of float
    rules : LayRules
    sweeps : int
        Effort for each width.
    watch : callable
        As in `layouts.find_layout`.
    """
    found = []
    for k, width in enumerate(widths_mm):
        roll = Board("roll", unary_union([]), 0.0)
        parts = tuple(part.loosened() for part in make_parts(pieces, Lay((roll,)), rules))

        def share_of_all(share: float, k: int = k) -> bool:
            return watch((k + share) / len(widths_mm))

        strip = pack_strip(parts, width, sweeps, share_of_all)
        length = strip.length_mm if strip else None
        buy = math.ceil(length / STEP_MM - 1e-6) * STEP_MM if length is not None else None
        found.append(Purchase(width, length, buy, strip))
    return tuple(found)


@dataclass(frozen=True, eq=False)
class Leftovers:
    """What the cloth still gives after the pieces are cut.

    Attributes
    ----------
    parts : tuple of Panel
        What is left, largest first, in the boards' frames; named after the board.
    rectangle : CutRectangle or None
        The largest with its sides along and across the grain, of all parts.
    rectangle_on : str
        The part it lies on.
    strips : Strips or None
        Straight binding from all parts.
    """

    parts: tuple[Panel, ...]
    rectangle: CutRectangle | None
    rectangle_on: str
    strips: Strips | None


def leftovers(answer: Answer, binding_mm: float = BINDING_MM) -> Leftovers:
    """What is left of the cloth after a layout: parts, the largest rectangle, straight strips for binding.

    The cloth counts as small as the layout takes it, so all of this can be cut for sure.
    """
    panels = []
    laid = answer.layout.outlines()
    for k, board in enumerate(answer.boards):
        cut = unary_union([shape for i, shape in laid.items() if answer.layout.places.board[i] == k])
        rest = board.cloth.buffer(-max(answer.coverage, 0.0) * board.u_mm).difference(cut.buffer(1e-3))
        for part in polygons(rest.buffer(-0.5).buffer(0.5)):
            if part.area > SMALLEST_LEFTOVER_MM2 and part.is_valid:
                holes = [np.asarray(ring.coords[:-1]) for ring in part.interiors]
                panel = panel_from_outline(board.name, np.asarray(part.exterior.coords[:-1]), holes_mm=holes)
                panels.append(replace(panel, grain=Grain(90.0, 0.0, "board")))
    panels = sorted(panels, key=lambda one: -one.polygon.area)[:MOST_LEFTOVERS]
    ways = (Direction.ALONG, Direction.ACROSS)
    rectangles = [(largest_rectangle(panel, way), panel.id) for panel in panels for way in ways]
    best = max(rectangles, key=lambda one: one[0].area.value if one[0] else 0.0, default=(None, ""))
    plan = StripPlan(binding_mm, Direction.ALONG, Ends.SQUARE)
    strips = place_strips(panels, plan) if panels else None
    return Leftovers(tuple(panels), best[0], best[1], strips)
