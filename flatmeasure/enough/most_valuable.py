"""All parts on boards, or else the most valuable that are found to fit.

First every part is put where there is room, the densest in value first: the best so far if the search is ended at once.
Then all together are searched for; from where they overlap least, those are dropped that overlap most for their value.
Where their area alone is too much, other orders are tried instead. Short searches find room for further ones.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.depth_maps import Maps
from flatmeasure.enough.layouts import (
    Layout,
    Outcome,
    Pulse,
    Watch,
    find_layout,
    grid_step_mm,
    has_home,
    settle_layout,
)
from flatmeasure.enough.nofit import Regions
from flatmeasure.enough.parts import Part, Places, Stance
from flatmeasure.enough.search import Search

SWEEPS_AN_ORDER, MOST_ORDERS = 4, 20  # of the effort
DISORDER = 0.4  # spread of the logarithm of what comes first
FILLING = 8  # share of the effort for each part that is tried in addition to those that fit


def lay_most(
    parts: Sequence[Part],
    boards: Sequence[BaseGeometry],
    sweeps: int,
    watch: Watch = lambda share: True,
    *,
    maps: Maps | None = None,
    start: Places | None = None,
    seed: int = 0,
) -> Outcome:
    """Search for places for all parts; where that fails, for the most valuable.

    Parameters
    ----------
    parts, boards, sweeps, watch, maps, start, seed
        As in `layouts.find_layout`.

    Returns
    -------
    Outcome
        The same for the same input, unless ``watch`` cut it short.
    """
    parts = tuple(parts)
    maps = maps or Maps(Regions(boards), grid_step_mm(parts, boards))
    housed = [i for i, part in enumerate(parts) if has_home(part, maps)]
    if len(housed) < len(parts):
        found = _laid([parts[i] for i in housed], maps, sweeps, watch, None, seed)
        places = [_spread(one, housed, len(parts)) for one in (found.layout.places, found.rough)]
        return replace(found, layout=Layout(parts, places[0], found.layout.margin_mm), rough=places[1])
    return _laid(parts, maps, sweeps, watch, start, seed)


def _laid(parts: Sequence[Part], maps: Maps, sweeps: int, watch: Watch, start: Places | None, seed: int) -> Outcome:
    parts, boards = tuple(parts), maps.regions.boards
    if not parts:
        nothing = Layout(parts, Places.none(0), np.inf)
        return Outcome(nothing, nothing.places, 0, False)
    first = _one_by_one(parts, maps, Pulse(watch, 0.0).goes_on)
    begun = first.places()
    rough = [first]
    if first.all_placed or sum(part.area_mm2 for part in parts) <= sum(board.area for board in boards):
        start = begun if first.all_placed else start
        found = find_layout(parts, boards, sweeps, watch, maps=maps, start=start, seed=seed)
        if found.layout.complete:
            return found
        rough.append(Search(parts, maps).lay(found.rough))
    else:
        chosen, stopped = _best_order(first, maps, min(sweeps // SWEEPS_AN_ORDER, MOST_ORDERS), watch, seed)
        rough.append(chosen)
        found = Outcome(Layout(parts, Places.none(len(parts)), np.inf), begun, 0, stopped)
    best = max((_exact(one, maps) for one in rough), key=lambda layout: layout.value)
    return _filled_up(replace(found, layout=best), maps, sweeps, watch)


def _one_by_one(parts: tuple[Part, ...], maps: Maps, goes_on: Callable[[], bool]) -> Search:
    """Every part that finds room beside those before it: in order of value for its area, or of value."""
    by_area = sorted(range(len(parts)), key=lambda k: -parts[k].area_mm2)
    orders = (
        tuple(sorted(by_area, key=lambda k: -float(f"{parts[k].value / parts[k].area_mm2:.6g}"))),
        tuple(sorted(by_area, key=lambda k: -parts[k].value)),
    )
    trials = [_add_all(Search(parts, maps), order, goes_on) for order in dict.fromkeys(orders)]
    return max(trials, key=lambda trial: sum(parts[i].value for i in trial.places().placed))


def _best_order(first: Search, maps: Maps, count: int, watch: Watch, seed: int) -> tuple[Search, bool]:
    """The most valuable of many orders drawn at random, the valuable mostly first; whether ``watch`` cut it short."""
    random, parts = np.random.default_rng(seed), tuple(first.parts)
    value, area = np.array([(part.value, part.area_mm2) for part in parts]).T
    best = first
    for k in range(count):
        pulse = Pulse(watch, k / count)
        if not watch(pulse.share):
            return best, True
        wish = value / area ** random.uniform() * np.exp(DISORDER * random.normal(size=len(parts)))
        trial = _add_all(Search(parts, maps), np.argsort(-wish, kind="stable").tolist(), pulse.goes_on)
        best = max(best, trial, key=lambda one: float(value[one.board >= 0].sum()))
    return best, False


def _add_all(trial: Search, order: Sequence[int], goes_on: Callable[[], bool] = lambda: True) -> Search:
    """What finds room beside what lies there; something at least. Of a kind that found none no more is tried."""
    full: set[_Kind] = set()
    for i in order:
        if np.any(trial.board >= 0) and not goes_on():
            break
        if _kind(trial.parts[i]) not in full and not trial.add(i):
            full.add(_kind(trial.parts[i]))
    return trial


def _exact(trial: Search, maps: Maps) -> Layout:
    """Parts dropped, those first that overlap most for their value, until the rest is exact; then room is filled."""
    parts, value = tuple(trial.parts), np.array([part.value for part in trial.parts])
    exact = None
    while exact is None and len(placed := np.flatnonzero(trial.board >= 0)):
        if trial.deepest <= 1.0:
            exact = settle_layout(parts, trial.places(), maps)
        if exact is None:
            depth = trial.edge_depth + trial.pair_depth.sum(axis=1) + 1e-6
            trial.drop(int(placed[np.argmax((depth / value)[placed])]))
    if exact is None:
        return Layout(parts, Places.none(len(parts)), np.inf)
    placed = trial.places().placed
    _add_all(trial, sorted(np.flatnonzero(trial.board < 0).tolist(), key=lambda k: -value[k]))
    if len(trial.places().placed) == len(placed):
        return exact
    return settle_layout(parts, trial.places(), maps) or exact


def _filled_up(found: Outcome, maps: Maps, sweeps: int, watch: Watch) -> Outcome:
    """Further parts, the most valuable first, one of each kind as far as short searches find room for them."""
    layout, parts = found.layout, found.layout.parts
    room = sum(board.area for board in maps.regions.boards) - sum(parts[i].area_mm2 for i in layout.places.placed)
    full: set[_Kind] = set()
    missing = sorted(np.flatnonzero(layout.places.board < 0).tolist(), key=lambda k: -parts[k].value)
    for k, i in enumerate(missing):
        if found.stopped:
            break
        if _kind(parts[i]) in full or parts[i].area_mm2 > room:
            continue
        chosen = [*layout.places.placed.tolist(), i]
        start = Places(layout.places.board[chosen], layout.places.stance[chosen], layout.places.at_mm[chosen])
        share = max(found.sweeps / max(sweeps, 1), k / len(missing))
        tried = find_layout(
            [parts[one] for one in chosen],
            maps.regions.boards,
            sweeps // FILLING,
            lambda _, share=share: watch(share),  # type: ignore[misc]
            maps=maps,
            start=start,
        )
        if tried.layout.complete:
            room -= parts[i].area_mm2
            layout = Layout(parts, _spread(tried.layout.places, chosen, len(parts)), tried.layout.margin_mm)
        else:
            full.add(_kind(parts[i]))
        found = replace(found, layout=layout, stopped=tried.stopped)
    return found


_Kind = tuple[tuple[Stance, ...], tuple[tuple[int, ...], ...]]


def _kind(part: Part) -> _Kind:
    """The same for parts that may lie in the same ways."""
    return part.stances, part.choices


def _spread(places: Places, indices: list[int], count: int) -> Places:
    whole = Places.none(count)
    whole.board[indices], whole.stance[indices], whole.at_mm[indices] = places.board, places.stance, places.at_mm
    return whole
