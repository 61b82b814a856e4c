"""Proofs that cloth is not enough: bounds that no layout can pass, on cloth grown by its uncertainty.

- A piece that lies nowhere in any cloth, even alone: its exact inner-fit region is empty for every turn. Turns between
  those that are tried are covered by taking the piece smaller by what the step of turning moves its outline.
- Pieces whose area together is more than that of all the cloths they could be cut from.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import ClassVar

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.nofit import innerfit_region
from flatmeasure.enough.parts import Part, Stance
from flatmeasure.pieces.panel_parts import polygons
from flatmeasure.units import MM_PER_INCH, LengthUnit, format_length

TOUCH_MM = 0.01  # a piece is taken smaller by this, so that one that just fits is not refused
SIMPLER_MM = 0.05
WIDEST_STEP_DEG = 3.0  # between turns that are tried within the tolerance


@dataclass(frozen=True)
class TooLittle:
    """Pieces need more area than there is of the cloths they could be cut from.

    Attributes
    ----------
    parts : tuple of str
        The pieces it is about.
    only : tuple of str
        The cloths; none where it is about all pieces and all cloths.
    wanted_mm2, there_mm2 : float
    """

    kind: ClassVar[str] = "area"
    parts: tuple[str, ...]
    only: tuple[str, ...]
    wanted_mm2: float
    there_mm2: float

    def told(self, unit: LengthUnit) -> str:
        """One sentence."""
        wanted, there = _area(self.wanted_mm2, unit), _area(self.there_mm2, unit)
        if not self.only:
            return f"All pieces together need {wanted} of cloth, and there are at most {there}."
        return (
            f"{'; '.join(self.parts)} fit only on {' and '.join(self.only)}; together they need {wanted} of cloth, "
            f"and there are at most {there}."
        )


@dataclass(frozen=True)
class TooLong:
    """A piece fits nowhere, even alone.

    Attributes
    ----------
    parts : tuple of str
        The piece.
    size_mm : (float, float)
        Along its grain and across.
    cloth : str
        The largest it may be cut from; empty where there is none.
    cloth_mm : (float, float)
        Its greatest length along the grain and width across.
    """

    kind: ClassVar[str] = "piece"
    parts: tuple[str, ...]
    size_mm: tuple[float, float]
    cloth: str
    cloth_mm: tuple[float, float]

    def told(self, unit: LengthUnit) -> str:
        """One sentence."""
        if not self.cloth:
            return f"{self.parts[0]} may be cut from none of the cloths."
        along, across, long, wide = (format_length(round(one), unit) for one in (*self.size_mm, *self.cloth_mm))
        return (
            f"{self.parts[0]} ({along} along its grain and {across} across) fits nowhere, not even alone; "
            f"the largest cloth, {self.cloth}, is {long} along and {wide} across at its longest and widest."
        )


Shortage = TooLittle | TooLong


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
        return TooLittle(tuple(part.name for part in parts), (), wanted, there)
    homes: dict[tuple[Stance, ...], frozenset[int]] = {}
    for part in parts:
        if part.stances not in homes:
            homes[part.stances] = frozenset(board for board in part.boards if _may_fit(part, board, boards))
        if not homes[part.stances]:
            return _too_long(part, boards, names)
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
            only = tuple(names[k] for k in sorted(allowed))
            return TooLittle(tuple(part.name for part in bound), only, wanted, there)
    return None


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
            if core is None or not innerfit_region(boards[board], core).area.is_empty:
                return True
    return False


def _core(shape: Polygon, smaller_mm: float) -> Polygon | None:
    """The largest polygon with few vertices inside a shape, ``smaller_mm`` from its edge; None where none is left."""
    cores = polygons(shape.buffer(-smaller_mm - SIMPLER_MM, join_style="mitre").simplify(SIMPLER_MM))
    return cores[0] if cores else None


def _too_long(part: Part, boards: Sequence[BaseGeometry], names: Sequence[str]) -> TooLong:
    along_across = _along_across(part.stances[0].exact)
    if not part.boards:
        return TooLong((part.name,), along_across, "", (0.0, 0.0))
    largest = max(part.boards, key=lambda k: boards[k].area)
    return TooLong((part.name,), along_across, names[largest], _along_across(boards[largest]))


def _along_across(shape: BaseGeometry) -> tuple[float, float]:
    left, low, right, high = shape.bounds
    return high - low, right - left


def _area(area_mm2: float, unit: LengthUnit) -> str:
    """To four digits, in the units of `units.format_quantity`."""
    if unit is LengthUnit.IN:
        value, symbol = area_mm2 / MM_PER_INCH**2, "in²"
    else:
        value, symbol = (area_mm2 / 1e6, "m²") if area_mm2 >= 1e6 else (area_mm2 / 1e2, "cm²")
    return f"{float(f'{value:.4g}'):g} {symbol}"
