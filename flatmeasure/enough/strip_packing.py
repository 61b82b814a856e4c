"""The shortest length of cloth of a given width from which all parts can be cut.

A first layout on ample length; then, again and again, the length is cut down a little, the parts that stick out or
overlap are laid anew from where they were, and what is found is pushed together exactly. When even the least cut fails,
parts of like size change places, more of them from failure to failure.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon, box

from flatmeasure.enough.depth_maps import Maps
from flatmeasure.enough.layouts import SHALLOW_PX, Layout, Pause, Watch, grid_step_mm, has_home
from flatmeasure.enough.nofit import Regions
from flatmeasure.enough.parts import Part, Places
from flatmeasure.enough.search import Search
from flatmeasure.enough.settling import settle

FIRST_DENSITY, FIRST_SWEEPS = 0.5, 30  # of the ample length, and to find a first layout on it
FIRST_CUT, LEAST_CUT = 0.02, 0.002  # share of the length that is cut off
BOLDER_CUT = 0.005  # where parts change places
PATIENCE, LEAST_PATIENCE = 150, 40  # sweeps without a better state before the cut is taken back and a smaller one made
PATIENCE_SHARE = 6  # of the effort, at most, is spent on waiting once
CELLS = 90_000
HAIR_MM = 0.001


@dataclass(frozen=True, eq=False)
class StripLayout:
    """Parts on a strip of cloth, its length running up.

    Attributes
    ----------
    layout : Layout
    width_mm, length_mm : float
    sweeps : int
    """

    layout: Layout
    width_mm: float
    length_mm: float
    sweeps: int

    @property
    def density(self) -> float:
        """Share of the strip that is cut out."""
        return sum(part.area_mm2 for part in self.layout.parts) / (self.width_mm * self.length_mm)


def pack_strip(
    parts: Sequence[Part], width_mm: float, sweeps: int, watch: Watch = lambda share: True, seed: int = 0
) -> StripLayout | None:
    """Lay all parts on a strip, as short as the search finds it.

    Parameters
    ----------
    parts : sequence of Part
        Their choices are those of board 0.
    width_mm : float
    sweeps : int
        Effort, as in `layouts.find_layout`.
    watch : callable
    seed : int

    Returns
    -------
    StripLayout or None
        None where a part is wider than the cloth. The same for the same input, unless ``watch`` ended it.
    """
    parts = tuple(parts)
    length = _ample(parts, width_mm)
    boards = [_strip(width_mm, length)]
    maps = Maps(Regions(boards), grid_step_mm(parts, boards, CELLS))
    if not all(has_home(part, maps) for part in parts):
        return None
    outcome = None
    while outcome is None:  # on ample length something is soon found, and it is not given up before
        outcome, _ = _laid(parts, maps, None, _Effort(0, FIRST_SWEEPS, 0), lambda share: True, seed)
        maps, length = (maps, length) if outcome else (maps.on([_strip(width_mm, 1.5 * length)]), 1.5 * length)
    best = StripLayout(outcome, width_mm, length - outcome.margin_mm, 0)
    cut, spent, shakes = FIRST_CUT, 0, 0
    while spent < sweeps and watch(spent / sweeps):
        length = best.length_mm * (1.0 - cut)
        maps = maps.on([_strip(width_mm, length)])
        effort = _Effort(spent, sweeps, shakes)
        outcome, spent = _laid(parts, maps, best.layout.places, effort, watch, seed + spent)
        if outcome is not None:
            best, shakes = StripLayout(outcome, width_mm, length - outcome.margin_mm, spent), 0
        elif cut > LEAST_CUT:
            cut /= 2.0
        else:
            cut, shakes = BOLDER_CUT, shakes + 1
    return best


def _strip(width_mm: float, length_mm: float) -> Polygon:
    """The cloth, a hair wider, so that a part as wide as it fits."""
    return box(-HAIR_MM, 0.0, width_mm + HAIR_MM, length_mm)


def _ample(parts: Sequence[Part], width_mm: float) -> float:
    longest = max(2.0 * stance.half_size_mm[1] for part in parts for stance in part.stances)
    return float(max(sum(part.area_mm2 for part in parts) / width_mm / FIRST_DENSITY, 1.01 * longest))


@dataclass(frozen=True)
class _Effort:
    """Sweeps spent so far, those allowed, and how often parts may change places when the search gets stuck."""

    spent: int
    sweeps: int
    shakes: int


def _laid(
    parts: tuple[Part, ...], maps: Maps, start: Places | None, effort: _Effort, watch: Watch, seed: int
) -> tuple[Layout | None, int]:
    """An exact layout on a strip, and the sweeps spent so far; None when patience or effort ran out."""
    spent, sweeps, shakes = effort.spent, effort.sweeps, effort.shakes
    search = Search(parts, maps, seed).lay(start)
    lowest, waited, pause = search.overlap, 0, Pause()
    patience = min(PATIENCE, max(LEAST_PATIENCE, sweeps // PATIENCE_SHARE))
    while spent < sweeps and watch(spent / max(sweeps, 1)):
        if search.all_placed and search.deepest <= SHALLOW_PX and pause.is_over(spent):
            settled = settle(parts, search.places(), maps.regions, 0, 3.0 * maps.step_mm, strip=True)
            if settled is not None:
                places = search.places()
                return Layout(parts, Places(places.board, places.stance, settled.at_mm), settled.margin_mm), spent
            pause.grow(spent)
        if waited > patience and shakes == 0:
            return None, spent
        if waited > patience:
            search.shake()
            lowest, waited, shakes, pause = search.overlap, 0, shakes - 1, Pause()
        search.sweep()
        spent += 1
        waited += 1
        if search.overlap < lowest - 1e-9:
            lowest, waited = search.overlap, 0
    return None, sweeps
