"""Proofs that cloth is not enough: bounds that no layout can pass, on cloth grown by its uncertainty.

- A piece that lies nowhere in any cloth, even alone: its exact inner-fit region is empty for every turn. Turns between
  those that are tried are covered by taking the piece smaller by what the step of turning moves its outline.
- Pieces whose area together is more than that of all the cloths they could be cut from.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.nofit import innerfit_region
from flatmeasure.enough.parts import Part, Stance
from flatmeasure.pieces.panel_parts import polygons

TOUCH_MM = 0.01  # a piece is taken smaller by this, so that one that just fits is not refused
SIMPLER_MM = 0.05
WIDEST_STEP_DEG = 3.0  # between turns that are tried within the tolerance


@dataclass(frozen=True)
class Shortage:
    """Why no layout can exist.

    Attributes
    ----------
    kind : str
        ``"area"`` or ``"piece"``.
    parts : tuple of str
        The pieces it is about.
    message : str
        One sentence.
    """

    kind: str
    parts: tuple[str, ...]
    message: str


def find_shortage(parts: Sequence[Part], boards: Sequence[BaseGeometry], names: Sequence[str]) -> Shortage | None:
    """The first proof found that the parts can't all be cut from the boards, or None.

    Parameters
    ----------
    parts : sequence of Part
    boards : sequence of geometry
        Cloth grown by its uncertainty.
    names : sequence of str
        Of the boards.
    """
    wanted, there = sum(part.area_mm2 for part in parts), sum(board.area for board in boards)
    if wanted > there:
        return Shortage("area", tuple(part.name for part in parts), _too_much(wanted, there, "All pieces"))
    homes: dict[tuple[Stance, ...], frozenset[int]] = {}
    for part in parts:
        if part.stances not in homes:
            homes[part.stances] = frozenset(board for board in part.boards if _may_fit(part, board, boards))
        if not homes[part.stances]:
            return Shortage("piece", (part.name,), _too_long(part, boards, names))
    return _crowded(parts, [homes[part.stances] for part in parts], boards, names)


def _crowded(
    parts: Sequence[Part], homes: list[frozenset[int]], boards: Sequence[BaseGeometry], names: Sequence[str]
) -> Shortage | None:
    """Parts that must all be cut from a few boards with less area than they have (Hall's condition, by area)."""
    sets = set(homes)
    unions = sets | {a | b for a, b in combinations(sets, 2)}
    for allowed in sorted(unions, key=lambda one: (len(one), sorted(one))):
        bound = [part for part, home in zip(parts, homes, strict=True) if home <= allowed]
        wanted, there = sum(part.area_mm2 for part in bound), sum(boards[k].area for k in allowed)
        if wanted > there:
            few = ", ".join(part.name for part in bound)
            only = " and ".join(names[k] for k in sorted(allowed))
            message = _too_much(wanted, there, f"{few} (only {only})")
            return Shortage("area", tuple(part.name for part in bound), message)
    return None


def _too_much(wanted: float, there: float, who: str) -> str:
    return f"{who} need {wanted / 1e4:.0f} dm² of cloth, and there are at most {there / 1e4:.0f} dm²."


def _may_fit(part: Part, board: int, boards: Sequence[BaseGeometry]) -> bool:
    """Whether a part, or what is left of it between two turns that are tried, lies in a board."""
    count = 1 + 2 * int(np.ceil(part.tilt_deg / WIDEST_STEP_DEG))
    turns = np.linspace(-part.tilt_deg, part.tilt_deg, count) if part.tilt_deg else np.zeros(1)
    half_step = np.radians(part.tilt_deg / (count - 1)) if part.tilt_deg else 0.0
    for k in part.choices[board]:
        exact = part.stances[k].exact
        reach = float(np.max(np.linalg.norm(shapely.get_coordinates(exact), axis=1)))
        for turn in sorted(turns, key=abs):
            core = _core(affinity.rotate(exact, float(turn), origin=(0, 0)), TOUCH_MM + reach * half_step)
            if core is None or _lies_in(boards[board], core):
                return True
    return False


def _core(shape: Polygon, smaller_mm: float) -> Polygon | None:
    """A polygon with few vertices inside a filled shape, ``smaller_mm`` from its edge; None where nothing is left."""
    cores = polygons(Polygon(shape.exterior).buffer(-smaller_mm - SIMPLER_MM, join_style="mitre").simplify(SIMPLER_MM))
    return cores[0] if cores else None


def _lies_in(board: BaseGeometry, core: Polygon) -> bool:
    return not innerfit_region(board, core).area.is_empty


def _too_long(part: Part, boards: Sequence[BaseGeometry], names: Sequence[str]) -> str:
    left, low, right, high = part.stances[0].exact.bounds
    size = f"{high - low:.0f} mm along its grain and {right - left:.0f} mm across"
    if not part.boards:
        return f"{part.name} may be cut from none of the cloths."
    largest = max(part.boards, key=lambda k: boards[k].area)
    x0, y0, x1, y1 = boards[largest].bounds
    return (
        f"{part.name} ({size}) fits nowhere, not even alone; the largest cloth, {names[largest]}, is "
        f"{y1 - y0:.0f} mm along and {x1 - x0:.0f} mm across at its longest and widest."
    )
