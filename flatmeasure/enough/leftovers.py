"""What the cloth still gives after the pieces are cut: rectangles, binding, straps, and pieces once more.

Every leftover keeps its cloth's uncertainty, and so do the lengths taken from it, as if all its edges were measured:
the edges that are cut are surer than that.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.boards import Board, outlines_of
from flatmeasure.enough.depth_maps import inside_grid
from flatmeasure.enough.parts import Part
from flatmeasure.enough.placements import uncut
from flatmeasure.enough.verdict import Answer
from flatmeasure.masks import distance_px
from flatmeasure.pieces.panel import Grain, Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.panel_parts import polygons
from flatmeasure.pieces.rectangles import CutRectangle, Direction, largest_rectangle
from flatmeasure.pieces.strips import Ends, StripPlan, Strips, place_strips

SMALLEST_MM2 = 5000.0  # of a leftover that is worth keeping
THIN_MM = 0.02  # points of an outline that tell less are left out
MOST = 12  # leftovers that are looked at, largest first
MOST_RECTANGLES = 3
CRUMB_MM = 0.5  # leftovers hang together where they are wider than twice this, and stay so however they were measured
STEP_MM, MOST_STEPS = 1.0, 1000  # of the grid that places for a piece are looked for on


@dataclass(frozen=True)
class LeftoverPlan:
    """What leftovers are looked through for.

    Attributes
    ----------
    binding_mm : float
        Cut width of binding.
    strap_mm : float
        Cut width of straps.
    shortest_strap_mm : float
    """

    binding_mm: float = 40.0
    strap_mm: float = 60.0
    shortest_strap_mm: float = 300.0


@dataclass(frozen=True, eq=False)
class LeftRectangle:
    """A rectangle from a leftover.

    Attributes
    ----------
    cloth : str
        The cloth it lies on.
    rectangle : CutRectangle
        In the board's frame.
    """

    cloth: str
    rectangle: CutRectangle


@dataclass(frozen=True, eq=False)
class Leftovers:
    """What is left, and what can be cut from it; each line of it instead of the others, not beside them.

    Attributes
    ----------
    parts : tuple of Panel
        What is left, largest first, in the boards' frames; named after the board. Of doubled cloth, both layers.
    rectangles : tuple of LeftRectangle
        The largest of each of the largest leftovers, sides along and across the grain.
    bias_binding, straight_binding : Strips
        Strips at 45 degrees to the grain, and along it, to be joined.
    straps : Strips
        Long strips along the grain.
    once_more : tuple of str
        Pattern pieces of which another could be cut, each instead of the others: for facings or interfacing.
    """

    parts: tuple[Panel, ...]
    rectangles: tuple[LeftRectangle, ...]
    bias_binding: Strips
    straight_binding: Strips
    straps: Strips
    once_more: tuple[str, ...]


def leftovers(answer: Answer, plan: LeftoverPlan = LeftoverPlan()) -> Leftovers:
    """What is left of the cloth after a layout, and what it still gives; done in a second or two.

    Parameters
    ----------
    answer : Answer
    plan : LeftoverPlan
    """
    panels = sorted(_panels(answer), key=lambda one: -one.polygon.area)[:MOST]
    binding = StripPlan(plan.binding_mm)
    straight = StripPlan(plan.binding_mm, Direction.ALONG, Ends.SQUARE)
    straps = StripPlan(plan.strap_mm, Direction.ALONG, Ends.SQUARE, shortest_mm=plan.shortest_strap_mm)
    return Leftovers(
        parts=tuple(panels),
        rectangles=_rectangles(panels),
        bias_binding=place_strips(panels, binding),
        straight_binding=place_strips(panels, straight),
        straps=place_strips(panels, straps),
        once_more=_once_more(answer),
    )


def _panels(answer: Answer) -> Iterator[Panel]:
    for board, rest in zip(answer.boards, uncut(answer, [board.cloth for board in answer.boards]), strict=True):
        crumb_mm = max(CRUMB_MM, 2.0 * board.error.shift_mm)
        opened = rest.buffer(-crumb_mm, join_style="mitre").buffer(crumb_mm, join_style="mitre")
        for part in polygons(opened.intersection(rest).simplify(THIN_MM)):
            if part.area <= SMALLEST_MM2 or not part.is_valid:
                continue
            layers = (part, affinity.scale(part, -1.0, 1.0, origin=(0, 0))) if board.layers == 2 else (part,)
            for layer in layers:
                yield _panel(board, layer)


def _panel(board: Board, part: Polygon) -> Panel:
    holes = [np.asarray(ring.coords[:-1]) for ring in part.interiors]
    outline = np.asarray(part.exterior.coords[:-1])
    panel = panel_from_outline(board.label, outline, holes_mm=holes, error=board.error)
    return replace(panel, grain=Grain(90.0, 0.0, "board"))


def _rectangles(panels: list[Panel]) -> tuple[LeftRectangle, ...]:
    ways = (Direction.ALONG, Direction.ACROSS)
    found = []
    for panel in panels:
        both = [one for one in (largest_rectangle(panel, way) for way in ways) if one is not None]
        if both:
            found.append(LeftRectangle(panel.id, max(both, key=lambda one: one.area.value)))
    return tuple(sorted(found, key=lambda one: -one.rectangle.area.value)[:MOST_RECTANGLES])


def _once_more(answer: Answer) -> tuple[str, ...]:
    """Pattern pieces that fit in what is left, on cloth as small as the layout takes it."""
    rooms = [_Room(room) for room in uncut(answer, list(outlines_of(answer.boards, answer.coverage)))]
    first = {part.kind: part for part in reversed(answer.layout.parts)}
    return tuple(name for name, part in sorted(first.items()) if _fits(part, rooms))


def _fits(part: Part, rooms: list["_Room"]) -> bool:
    outlines = ((rooms[board], part.stances[k].outline) for board in part.boards for k in part.choices[board])
    return any(room.holds(outline) for room, outline in outlines)


class _Room:
    """What is left of a board, and where on a grid it is not."""

    def __init__(self, room: BaseGeometry) -> None:
        self._room = room
        self._corner_mm = np.array(room.bounds[:2])
        extent_mm = np.array(room.bounds[2:]) - self._corner_mm if not room.is_empty else np.zeros(2)
        self._step_mm = max(STEP_MM, float(np.max(extent_mm)) / MOST_STEPS)
        x, y = (np.arange(extent / self._step_mm) * self._step_mm for extent in extent_mm)
        self._outside = 1.0 - inside_grid(room, self._corner_mm[0] + x, self._corner_mm[1] + y)

    def holds(self, piece: Polygon) -> bool:
        """Whether the piece is found to lie in the room; one that fits by less than a step may be missed.

        It is tried where a correlation of both on the grid leaves it the most freedom.
        """
        left, low, right, high = piece.bounds
        x, y = (np.arange(a, b, self._step_mm) for a, b in ((left, right), (low, high)))
        mask = inside_grid(piece, x, y)
        if any(np.array(self._outside.shape) < mask.shape):
            return False
        free = cv2.matchTemplate(self._outside, mask, cv2.TM_CCORR) < 0.5
        freedom = distance_px(np.pad(free, 1))[1:-1, 1:-1]
        row, column = np.unravel_index(int(np.argmax(freedom)), freedom.shape)
        at = self._corner_mm + self._step_mm * np.array([column, row]) - (left, low)
        return bool(self._room.covers(affinity.translate(piece, *at)))
