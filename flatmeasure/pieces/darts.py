"""Darts, notches and slits: cuts into (or tabs out of) an edge, told from the piece's own corners.

A dart is a V taken out of an edge to be sewn shut: its legs run to a point inside the cloth. A notch is a small V or
square cut, or a small tab, that marks where edges meet; a slit is a cut with hardly any width. Pattern notches are 3 to
10 mm deep, darts 50 to 300 mm (common practice).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel, PanelEdge
from flatmeasure.quantity import Quantity, root_sum_squares

NOTCH_DEPTH_MM = 15.0  # no deeper: a notch; deeper: a dart
SLIT_WIDTH_MM = 3.0  # a slit gapes no wider than this, nor than a fifth of its depth
DART_DEPTH_MM = 350.0
DART_OPENING_DEG = 60.0
UNLIKE_LEGS = 0.6  # of the longer leg: a shorter one belongs to another shape
MOUTH_DEG = 50.0  # how much the edges beside a mouth may slant against it


@dataclass(frozen=True, eq=False)
class Cut:
    """A dart, notch or slit.

    Attributes
    ----------
    kind : str
        ``"dart"``, ``"notch"``, ``"slit"`` or ``"tab"`` (a notch cut outward).
    edges : tuple of str
        Ids of the edges it is made of.
    beside : (str, str)
        Ids of the edges it interrupts: with the cut closed they are one.
    tip_mm : (2,) array
    intake : Quantity
        Width of its mouth, mm.
    depth : Quantity
        From the middle of the mouth to the tip (to the middle of the bottom), mm.
    legs : (Quantity, Quantity)
        Straight lengths of its two sides, mm.
    opening : Quantity
        Angle between its legs, deg.
    """

    kind: str
    edges: tuple[str, ...]
    beside: tuple[str, str]
    tip_mm: Points
    intake: Quantity
    depth: Quantity
    legs: tuple[Quantity, Quantity]
    opening: Quantity


def find_cuts(panel: Panel) -> tuple[Cut, ...]:
    """Darts, notches and slits of a panel.

    Parameters
    ----------
    panel : Panel

    Returns
    -------
    tuple of Cut
        Going round.
    """
    count = len(panel.edges)
    cuts: list[Cut] = []
    taken: set[str] = set()
    for size in (2, 3):  # V shapes, then square ones
        for k in range(count if count >= size + 2 else 0):
            run = [panel.edges[(k + i) % count] for i in range(size)]
            beside = (panel.edges[k - 1], panel.edges[(k + size) % count])
            if taken.isdisjoint(edge.id for edge in run):
                cut = _cut(panel, run, beside)
                if cut:
                    cuts.append(cut)
                    taken.update(cut.edges)
    order = {edge.id: k for k, edge in enumerate(panel.edges)}
    return tuple(sorted(cuts, key=lambda cut: order[cut.edges[0]]))


def _cut(panel: Panel, run: Sequence[PanelEdge], beside: tuple[PanelEdge, PanelEdge]) -> Cut | None:
    at = [run[0].first, run[0].last, run[-1].first, run[-1].last]
    intake, depth, first, second, opening = numbers = _measures(panel, at)
    kind = _kind(panel, at, numbers, square=len(run) == 3)
    if kind is None or not _mouth_in_line(panel, at, beside):
        return None
    shared = panel.shared(lambda moved: _measures(moved, at))
    own = panel.error.point_mm
    # A leg of length l turns by point * sqrt(2) / l when its ends move across it.
    u_opening = np.degrees(own * np.sqrt(2.0) * root_sum_squares(1.0 / first, 1.0 / second))
    return Cut(
        kind=kind,
        edges=tuple(edge.id for edge in run),
        beside=(beside[0].id, beside[1].id),
        tip_mm=(panel.outline_mm[at[1]] + panel.outline_mm[at[2]]) / 2.0,
        intake=panel.length(float(intake), float(shared[0])),
        depth=Quantity(float(depth), root_sum_squares(float(shared[1]), own * np.sqrt(1.5)), "mm"),
        legs=(panel.length(float(first), float(shared[2])), panel.length(float(second), float(shared[3]))),
        opening=Quantity(float(opening), root_sum_squares(float(shared[4]), float(u_opening)), "deg"),
    )


def _measures(panel: Panel, at: Sequence[int]) -> Points:
    """Intake, depth, two legs, opening (5,) of the cut with mouth at[0], at[3] and bottom at[1], at[2]."""
    a, p, q, b = panel.outline_mm[list(at)]
    first, second = a - p, b - q
    lengths = np.hypot(*first), np.hypot(*second)
    cosine = first @ second / (lengths[0] * lengths[1])
    depth = np.hypot(*((p + q) / 2.0 - (a + b) / 2.0))
    return np.array([np.hypot(*(b - a)), depth, *lengths, np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))])


def _kind(panel: Panel, at: Sequence[int], numbers: Points, *, square: bool) -> str | None:
    intake, depth, first, second, opening = numbers
    a, p, _, b = panel.outline_mm[list(at)]
    inward = (b - a)[0] * (p - a)[1] - (b - a)[1] * (p - a)[0] > 0.0  # the tip on the cloth's side of the mouth
    if min(first, second) < UNLIKE_LEGS * max(first, second):
        return None
    if inward and intake <= min(SLIT_WIDTH_MM, depth / 5.0):
        return "slit"
    if depth <= NOTCH_DEPTH_MM and intake <= 2.0 * NOTCH_DEPTH_MM:
        return "notch" if inward else "tab"
    if inward and not square and depth <= DART_DEPTH_MM and opening <= DART_OPENING_DEG:
        return "dart"
    return None


def _mouth_in_line(panel: Panel, at: Sequence[int], beside: tuple[PanelEdge, PanelEdge]) -> bool:
    """Whether the edges on both sides of the mouth run along it, as one edge with a cut in it does."""
    before, after = panel.edge_points(beside[0]), panel.edge_points(beside[1])
    mouth = panel.outline_mm[at[3]] - panel.outline_mm[at[0]]
    return all(_angle_deg(mouth, run) <= MOUTH_DEG for run in (before[-1] - before[-2], after[1] - after[0]))


def _angle_deg(a: Points, b: Points) -> float:
    return float(np.degrees(np.arccos(np.clip(a @ b / (np.hypot(*a) * np.hypot(*b)), -1.0, 1.0))))
