"""Is there enough cloth? The answer, and how sure it is.

- *enough*: a layout of all pieces was found on cloth smaller by ``coverage`` standard uncertainties of its outline
  (more of them for several cloths, so that all hold together as surely as one);
- *too close*: only on the cloth as it was measured, or larger by as much: it fits only if the measurement is lucky;
- *not enough*: a bound proves that there is no layout, even on cloth larger by as much;
- *not found*: none of these within the effort.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from flatmeasure.enough.boards import Board, LayRules, joint_coverage, outlines_of
from flatmeasure.enough.depth_maps import Maps
from flatmeasure.enough.laying import Lay, lays, make_parts
from flatmeasure.enough.layouts import Layout, Outcome, find_layout, grid_step_mm
from flatmeasure.enough.most_valuable import lay_most
from flatmeasure.enough.nofit import Regions
from flatmeasure.enough.parts import Part, Places, inner_cloth, outer_cloth
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.shortage import Shortage, find_shortage

Progress = Callable[[float, str], None]  # told the share of the work that is done and what it is
Stop = Callable[[], bool]
StepWatch = Callable[[float, str], bool]  # told the same; False ends the work

LATER = 4  # the first search takes so many times the effort of those after it
ROOMIER, LEAST_WISH_MM = 4, 2.0  # how often more margin is tried for, and how much more at least
EVEN_MM = 0.2  # cloth that differs by less is searched once only


class Verdict(StrEnum):
    """The answer."""

    ENOUGH = "enough"
    TOO_CLOSE = "too close to call"
    NOT_ENOUGH = "not enough"
    NOT_FOUND = "no layout found"


@dataclass(frozen=True)
class Effort:
    """How hard is searched.

    Attributes
    ----------
    sweeps : int
        Of the search for a layout; a sweep moves every piece that overlaps.
    coverage : float
        k: the cloth counts smaller by k standard uncertainties of its outline; of several cloths, by as many more as
        make all of them together as sure as one.
    seed : int
    sure_only : bool
        Whether only sure layouts matter: where none can exist nothing is laid, and the answer is never "too close".
    """

    sweeps: int = 600
    coverage: float = 2.0
    seed: int = 0
    sure_only: bool = False


@dataclass(frozen=True, eq=False)
class Answer:
    """Whether the cloth is enough.

    Attributes
    ----------
    verdict : Verdict
    boards : tuple of Board
        As the layout takes them: layers that are cut one by one stand one by one.
    layout : Layout
        Complete, or the most valuable part that was found.
    coverage : float
        The layout holds on cloth smaller by this many standard uncertainties; negative: larger.
    margin_mm : float
        By how much the cloth's edge could come in further.
    shortage : Shortage or None
        The proof of "not enough".
    stopped : bool
        Whether the search was cut short.
    """

    verdict: Verdict
    boards: tuple[Board, ...]
    layout: Layout
    coverage: float
    margin_mm: float
    shortage: Shortage | None
    stopped: bool


def is_enough(
    pieces: Sequence[PatternPiece],
    boards: Sequence[Board],
    rules: LayRules = LayRules(),  # noqa: B008 - frozen
    effort: Effort = Effort(),
    *,
    on_progress: Progress | None = None,
    should_stop: Stop | None = None,
) -> Answer:
    """Whether all pieces can be cut from the boards.

    Parameters
    ----------
    pieces : sequence of PatternPiece
    boards : sequence of Board
    rules : LayRules
    effort : Effort
    on_progress : callable, optional
        Told, many times a second, the share of the work that is done (0 to 1) and what is being done.
    should_stop : callable, optional
        Asked as often; when it answers True the best layout so far is given, ``Answer.stopped`` set.

    Returns
    -------
    Answer
        The same for the same input and effort, unless ``should_stop`` ended it.
    """
    watch = _both_hooks(on_progress, should_stop)
    measured = len({board.name for board in boards if board.u_mm > 0.0})
    effort = replace(effort, coverage=joint_coverage(effort.coverage, measured) if effort.coverage > 0.0 else 0.0)
    ways = list(lays(pieces, boards))
    answers = []
    for k, lay in enumerate(ways):
        last, later = k == len(ways) - 1, 0 < k < len(ways) - 1
        tried = replace(
            effort,
            sure_only=effort.sure_only or not last,
            sweeps=effort.sweeps // LATER if later else effort.sweeps,
        )
        answer = _answer(pieces, lay, rules, tried, _part_of_work(watch, k, len(ways)))
        answers.append(answer)
        if answer.verdict is Verdict.ENOUGH or answer.stopped:
            break
    ranked = [Verdict.ENOUGH, Verdict.TOO_CLOSE, Verdict.NOT_FOUND, Verdict.NOT_ENOUGH]
    return min(answers, key=lambda answer: (ranked.index(answer.verdict), -answer.layout.value))


def _both_hooks(on_progress: Progress | None, should_stop: Stop | None) -> StepWatch:
    """Both hooks as one, asked before every step."""

    def goes_on(share: float, what: str) -> bool:
        if on_progress is not None:
            on_progress(share, what)
        return should_stop is None or not should_stop()

    return goes_on


def _part_of_work(watch: StepWatch, index: int, count: int) -> StepWatch:
    return lambda share, what: watch((index + share) / count, what)


def _answer(pieces: Sequence[PatternPiece], lay: Lay, rules: LayRules, effort: Effort, watch: StepWatch) -> Answer:
    boards, parts = lay.boards, make_parts(pieces, lay, rules)
    grown = tuple(outer_cloth(board.cloth, effort.coverage * board.u_mm) for board in boards)
    shortage = find_shortage(parts, grown, [board.label for board in boards])
    if shortage is not None and effort.sure_only:
        nothing = Layout(parts, Places.none(len(parts)), np.inf)
        return Answer(Verdict.NOT_ENOUGH, boards, nothing, effort.coverage, nothing.margin_mm, shortage, False)
    coverages = _coverages(boards, effort, shortage)
    outcome, coverage = _search(parts, boards, effort, watch, coverages)
    if outcome.layout.complete and coverage == effort.coverage:
        outcome = _roomier(outcome, boards, effort, watch)
    verdict = Verdict.NOT_FOUND
    if shortage is not None:
        verdict = Verdict.NOT_ENOUGH
    elif outcome.layout.complete:
        verdict = Verdict.ENOUGH if coverage == effort.coverage else Verdict.TOO_CLOSE
    return Answer(verdict, boards, outcome.layout, coverage, outcome.layout.margin_mm, shortage, outcome.stopped)


def _coverages(boards: tuple[Board, ...], effort: Effort, shortage: Shortage | None) -> tuple[float, ...]:
    """The coverages to search with, until a layout is found: smaller cloth first."""
    k = effort.coverage
    even = max(board.u_mm for board in boards) * k < EVEN_MM
    return (k,) if shortage is not None or even or effort.sure_only else (k, 0.0, -k)


def _search(
    parts: tuple[Part, ...], boards: tuple[Board, ...], effort: Effort, watch: StepWatch, coverages: tuple[float, ...]
) -> tuple[Outcome, float]:
    """The first complete layout, or the best partial one on the smallest cloth."""
    loosened = tuple(part.loosened() for part in parts)
    steps = [(coverage, loosened) for coverage in coverages]
    if any(part.choices != part.further for part in parts):
        steps.insert(0, (coverages[0], parts))
    best: Outcome | None = None
    start = maps = None
    for k, (coverage, kind) in enumerate(steps):
        outlines = outlines_of(boards, coverage)
        maps = Maps(Regions(outlines), grid_step_mm(parts, outlines)) if maps is None else maps.on(outlines)
        sweeps = effort.sweeps if k == 0 else effort.sweeps // LATER
        outcome = lay_most(
            kind, outlines, sweeps, _named(watch, k, len(steps)), maps=maps, start=start, seed=effort.seed + k
        )
        if outcome.layout.complete:
            return outcome, coverage
        if best is None or (coverage == coverages[0] and outcome.layout.value > best.layout.value):
            best = outcome
        start = outcome.rough
        if outcome.stopped:
            best = replace(best, stopped=True)
            break
    assert best is not None
    return best, coverages[0]


def _roomier(outcome: Outcome, boards: tuple[Board, ...], effort: Effort, watch: StepWatch) -> Outcome:
    """The same pieces with more margin, as far as a short search finds it: on cloth taken smaller and smaller."""
    further = 0.0
    for _ in range(ROOMIER):
        wished = further + max(2.0 * (outcome.layout.margin_mm - further), LEAST_WISH_MM)
        smaller = tuple(inner_cloth(board.cloth, effort.coverage * board.u_mm + wished) for board in boards)
        tried = find_layout(
            outcome.layout.parts,
            smaller,
            effort.sweeps // 10,
            lambda share: watch(1.0, "room to spare"),
            start=outcome.layout.places,
            seed=effort.seed,
        )
        if not tried.layout.complete:
            break
        further = wished
        outcome = replace(tried, layout=replace(tried.layout, margin_mm=tried.layout.margin_mm + further))
    return outcome


def _named(watch: StepWatch, index: int, count: int) -> Callable[[float], bool]:
    return lambda share: watch((index + share) / count, f"search {index + 1} of {count}")
