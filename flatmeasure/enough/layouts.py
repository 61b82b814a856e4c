"""From parts and boards to an exact layout of all parts."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.depth_maps import Maps
from flatmeasure.enough.nofit import Regions
from flatmeasure.enough.parts import Part, Places
from flatmeasure.enough.search import Search
from flatmeasure.enough.settling import settle

Watch = Callable[[float], bool]  # told the share of the effort that is spent; False ends the search

SHALLOW_PX = 2.5  # overlaps no deeper than this are given to `settle`
PATIENCE = 80  # sweeps without a better state before the search is thrown elsewhere
CELLS = 60_000  # of all boards' grids together
LONGEST_PAUSE = 16  # sweeps
PULSE_S = 0.2
FAULT_MM2 = 1e-6  # a layout with a greater overlap is none
FINEST_MM, COARSEST_MM = 1.0, 8.0
MAPS_BYTES = 3e8  # for all maps of pairs


@dataclass(frozen=True, eq=False)
class Layout:
    """Parts laid on boards, exactly.

    Attributes
    ----------
    parts : tuple of Part
    places : Places
        Parts that found no place have board -1.
    margin_mm : float
        By how much the boards' edges could still come in everywhere; infinite when nothing is placed.
    """

    parts: tuple[Part, ...]
    places: Places
    margin_mm: float

    @property
    def complete(self) -> bool:
        """Whether every part is placed."""
        return len(self.places.placed) == len(self.parts)

    @property
    def value(self) -> float:
        """Of the parts that are placed."""
        return float(sum(self.parts[i].value for i in self.places.placed))

    def outlines(self) -> dict[int, shapely.Polygon]:
        """Cut outlines on their boards, by part."""
        return {
            int(i): self.parts[i].stances[self.places.stance[i]].laid(self.places.at_mm[i]) for i in self.places.placed
        }


@dataclass(frozen=True, eq=False)
class Outcome:
    """What a search came to.

    Attributes
    ----------
    layout : Layout
        Complete if all parts were placed.
    rough : Places
        Where all parts lay, overlaps included, when they overlapped least: a start for another search.
    sweeps : int
    stopped : bool
        Whether it was cut short.
    """

    layout: Layout
    rough: Places
    sweeps: int
    stopped: bool


@dataclass
class Pause:
    """Sweeps to wait before `settle` is tried again: it costs as much as several, and so often fails on like states."""

    until: int = 0
    length: int = 1

    def is_over(self, sweep: int) -> bool:
        """Whether it may be tried now."""
        return sweep >= self.until

    def grow(self, sweep: int) -> None:
        """Wait after a failure, longer each time."""
        self.until, self.length = sweep + self.length, min(2 * self.length, LONGEST_PAUSE)


@dataclass
class Pulse:
    """Asks a watch again within a long step of the work, not more often than is of use."""

    watch: Watch
    share: float
    asked: float = field(default_factory=time.monotonic)

    def goes_on(self) -> bool:
        """Whether the watch has not ended the work."""
        if time.monotonic() < self.asked + PULSE_S:
            return True
        self.asked = time.monotonic()
        return self.watch(self.share)


def grid_step_mm(parts: Sequence[Part], boards: Sequence[BaseGeometry], cells: int = CELLS) -> float:
    """A step for which all boards together have about that many cells, and the maps of all pairs of stances have room.

    The map of two stances is as wide as both together, and as high; twice its cells are kept. Of far more parts than
    there is room for, most never meet.
    """
    boxes = [board.bounds for board in boards if not board.is_empty]
    area = sum((right - left) * (high - low) for left, low, right, high in boxes)
    stances = {part.stances[k] for part in parts for choices in part.choices for k in choices}
    width, height = 2.0 * np.array([stance.half_size_mm for stance in stances]).reshape(-1, 2).T
    pairs = 2.0 * (len(stances) * float(width @ height) + float(np.sum(width)) * float(np.sum(height)))
    room, wanted = sum(board.area for board in boards), sum(part.area_mm2 for part in parts)
    pairs *= min(room / wanted, 1.0) if wanted else 1.0
    finest = max(FINEST_MM, float(np.sqrt(2.0 * pairs * np.dtype(np.float32).itemsize / MAPS_BYTES)))
    return float(np.clip(np.sqrt(area / cells), finest, max(finest, COARSEST_MM)))


def find_layout(
    parts: Sequence[Part],
    boards: Sequence[BaseGeometry],
    sweeps: int,
    watch: Watch = lambda share: True,
    *,
    maps: Maps | None = None,
    start: Places | None = None,
    seed: int = 0,
) -> Outcome:
    """Search for places for all parts, and nothing less.

    Parameters
    ----------
    parts : sequence of Part
    boards : sequence of geometry
        Cloth that may be used, grain up.
    sweeps : int
        Effort: how often all parts that overlap are moved.
    watch : callable
        Told the share of the effort that is spent, before every sweep and several times in a long one; when it answers
        False the search ends.
    maps : Maps, optional
        Of the same parts from an earlier search, on these boards.
    start : Places, optional
    seed : int

    Returns
    -------
    Outcome
        Its layout is empty where not all parts were placed. The same for the same input, unless ``watch`` cut it short.
    """
    parts = tuple(parts)
    maps = maps or Maps(Regions(boards), grid_step_mm(parts, boards))
    nothing = Layout(parts, Places.none(len(parts)), np.inf)
    if not all(has_home(part, maps) for part in parts):
        return Outcome(nothing, nothing.places, 0, False)
    search = Search(parts, maps, seed).lay(start)
    rough, lowest, waited = search.places(), search.overlap, 0
    stopped, done = False, 0
    pause = Pause()
    for done in range(sweeps + 1):
        if search.deepest <= SHALLOW_PX and pause.is_over(done):
            exact = settle_layout(parts, search.places(), maps)
            if exact is not None:
                return Outcome(exact, exact.places, done, stopped)
            pause.grow(done)
        pulse = Pulse(watch, done / max(sweeps, 1))
        stopped = not watch(pulse.share)
        if stopped or done == sweeps:
            break
        search.sweep(pulse.goes_on)
        waited += 1
        if search.overlap < lowest - 1e-9:
            rough, lowest, waited = search.places(), search.overlap, 0
        elif waited > PATIENCE:
            search.shake()
            pause = Pause()
            waited = 0
    return Outcome(nothing, rough, done, stopped)


def has_home(part: Part, maps: Maps) -> bool:
    """Whether a part lies on a board at all, alone."""
    return any(maps.edge(board, part.stances[k]) is not None for board in part.boards for k in part.choices[board])


def settle_layout(parts: tuple[Part, ...], places: Places, maps: Maps) -> Layout | None:
    """Every board settled, or None when one can't be: all are first only pushed apart, so that a failure shows soon."""
    exact, margin = places.copy(), np.inf
    boards = [int(board) for board in np.unique(places.board[places.placed])]
    for only_apart, board in [*((True, board) for board in boards), *((False, board) for board in boards)]:
        settled = settle(parts, exact, maps.regions, board, 3.0 * maps.step_mm, only_apart=only_apart)
        if settled is None:
            return None
        exact.at_mm[places.board == board] = settled.at_mm
        margin = margin if only_apart else min(margin, settled.margin_mm)
    layout = Layout(parts, exact, float(margin))
    return layout if fault_of(layout, maps.regions.boards) <= FAULT_MM2 else None


def fault_of(layout: Layout, boards: Sequence[BaseGeometry]) -> float:
    """Greatest overlap of two cut outlines, or area of one outside its board, in mm2: the exact check, by shapely."""
    laid = list(layout.outlines().items())
    worst = 0.0
    for k, (i, shape) in enumerate(laid):
        board = int(layout.places.board[i])
        worst = max(worst, float(shape.difference(boards[board]).area))
        for j, other in laid[:k]:
            if layout.places.board[j] == board:
                worst = max(worst, float(shape.intersection(other).area))
    return worst
