"""From parts and boards to an exact layout: all parts, or else the most valuable that were found to fit."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.nofit import Regions
from flatmeasure.enough.parts import Part, Places
from flatmeasure.enough.placing import Maps
from flatmeasure.enough.search import Search
from flatmeasure.enough.settling import settle

Watch = Callable[[float], bool]  # told the share of the effort that is spent; False ends the search

SHALLOW_PX = 2.5  # overlaps no deeper than this are given to `settle`
PATIENCE = 80  # sweeps without a better state before the search is thrown elsewhere
CELLS = 60_000  # of all boards' grids together
LONGEST_PAUSE = 16  # sweeps
FILLING = 8  # share of the effort for each part that is tried in addition to those that fit
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
        The best; complete if all parts were placed.
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


def grid_step_mm(parts: Sequence[Part], boards: Sequence[BaseGeometry], cells: int = CELLS) -> float:
    """A step for which all boards together have about that many cells, and the maps of all pairs of stances have room.

    The map of two stances is as wide as both together, and as high; twice its cells are kept.
    """
    boxes = [board.bounds for board in boards if not board.is_empty]
    area = sum((right - left) * (high - low) for left, low, right, high in boxes)
    stances = {part.stances[k] for part in parts for choices in part.choices for k in choices}
    width, height = 2.0 * np.array([stance.half_size_mm for stance in stances]).reshape(-1, 2).T
    pairs = 2.0 * (len(stances) * float(width @ height) + float(np.sum(width)) * float(np.sum(height)))
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
    partial: bool = True,
) -> Outcome:
    """Search for places for all parts.

    Parameters
    ----------
    parts : sequence of Part
    boards : sequence of geometry
        Cloth that may be used, grain up.
    sweeps : int
        Effort: how often all parts that overlap are moved.
    watch : callable
        Told the share of the effort that is spent, before every sweep; when it answers False the search ends.
    maps : Maps, optional
        Of the same parts from an earlier search, on these boards.
    start : Places, optional
    seed : int
    partial : bool
        Whether the most valuable parts are looked for when not all were placed.

    Returns
    -------
    Outcome
        The same for the same input, unless ``watch`` cut it short.
    """
    parts = tuple(parts)
    maps = maps or Maps(Regions(boards), grid_step_mm(parts, boards))
    homeless = [i for i, part in enumerate(parts) if not _has_home(part, maps)]
    if homeless:
        return _without(parts, homeless, maps, sweeps, watch, seed)
    search = Search(parts, maps, seed, start)
    rough, lowest, waited = search.places(), search.overlap, 0
    best, stopped, done = Layout(parts, Places.none(len(parts)), np.inf), False, 0
    pause = Pause()
    for done in range(sweeps + 1):
        if search.deepest <= SHALLOW_PX and pause.is_over(done):
            exact = settle_layout(parts, search.places(), maps)
            if exact is not None:
                return Outcome(exact, exact.places, done, stopped)
            pause.grow(done)
        if done == 0 and partial:
            best = _most_valuable(search, maps)
        stopped = not watch(done / max(sweeps, 1))
        if stopped or done == sweeps:
            break
        search.sweep()
        waited += 1
        if search.overlap < lowest - 1e-9:
            rough, lowest, waited = search.places(), search.overlap, 0
        elif waited > PATIENCE:
            search.shake()
            pause = Pause()
            waited = 0
    if partial:
        last = _most_valuable(Search(parts, maps, seed, rough), maps)
        best = _filled_up(max(best, last, key=lambda one: one.value), maps, 0 if stopped else sweeps // FILLING, watch)
    return Outcome(best, rough, done, stopped)


def _has_home(part: Part, maps: Maps) -> bool:
    return any(maps.edge(board, part.stances[k]) is not None for board in part.boards for k in part.choices[board])


def _without(parts: tuple[Part, ...], homeless: list[int], maps: Maps, sweeps: int, watch: Watch, seed: int) -> Outcome:
    """The outcome for the parts that fit somewhere alone; the others have no place."""
    others = [i for i in range(len(parts)) if i not in homeless]
    if not others:
        nothing = Layout(parts, Places.none(len(parts)), np.inf)
        return Outcome(nothing, nothing.places, 0, False)
    found = find_layout([parts[i] for i in others], maps.regions.boards, sweeps, watch, maps=maps, seed=seed)
    spread = [_spread(places, others, len(parts)) for places in (found.layout.places, found.rough)]
    return replace(found, layout=Layout(parts, spread[0], found.layout.margin_mm), rough=spread[1])


def _spread(places: Places, indices: list[int], count: int) -> Places:
    whole = Places.none(count)
    whole.board[indices], whole.stance[indices], whole.at_mm[indices] = places.board, places.stance, places.at_mm
    return whole


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


def _most_valuable(search: Search, maps: Maps) -> Layout:
    """Parts dropped, those first that overlap most for their value, until the rest is exact; then room is filled."""
    parts, trial = tuple(search.parts), Search(search.parts, maps, 0, search.places())
    value = np.array([part.value for part in parts])
    exact = None
    while exact is None and len(placed := np.flatnonzero(trial.board >= 0)):
        if trial.deepest <= 1.0:
            exact = settle_layout(parts, trial.places(), maps)
        if exact is None:
            depth = trial.edge_depth + trial.pair_depth.sum(axis=1) + 1e-6
            trial.drop(int(placed[np.argmax((depth / value)[placed])]))
    if exact is None:
        return Layout(parts, Places.none(len(parts)), np.inf)
    for i in sorted(np.flatnonzero(trial.board < 0), key=lambda k: -value[k]):
        trial.add(int(i))
    return settle_layout(parts, trial.places(), maps) or exact


def _filled_up(layout: Layout, maps: Maps, sweeps: int, watch: Watch) -> Layout:
    """The layout with further parts, the most valuable first, as far as short searches find room for them."""
    missing = [i for i in range(len(layout.parts)) if layout.places.board[i] < 0]
    for i in sorted(missing, key=lambda k: -layout.parts[k].value) if sweeps else []:
        chosen = [*map(int, layout.places.placed), i]
        start = Places(layout.places.board[chosen], layout.places.stance[chosen], layout.places.at_mm[chosen])
        some = [layout.parts[k] for k in chosen]
        found = find_layout(
            some, maps.regions.boards, sweeps, lambda share: watch(1.0), maps=maps, start=start, partial=False
        )
        if found.layout.complete:
            places = _spread(found.layout.places, chosen, len(layout.parts))
            layout = Layout(layout.parts, places, found.layout.margin_mm)
        elif found.stopped:
            break
    return layout


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
