"""Ways out when pieces do not fit: the cheapest change that makes them fit.

In this order: the grain a little off; less seam allowance; a piece, or only those copies of it that found no place,
made of two or three parts, with the seam allowance added on both sides of each new seam, so that the finished measures
stay. Fewest seams come first, and of as many those that cut off least.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from heapq import heappop, heappush
from itertools import count

from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.boards import Board, LayRules, outlines_of
from flatmeasure.enough.layouts import Layout
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.placements import uncut
from flatmeasure.enough.seam_places import serving_seams
from flatmeasure.enough.seams import ACROSS_DEG, ALONG_DEG, Seams, Split, seams_at, split_copies, split_piece
from flatmeasure.enough.shortage import Shortage, TooLittle
from flatmeasure.enough.verdict import Answer, Effort, Progress, Stop, Verdict, is_enough
from flatmeasure.units import LengthUnit, format_length

TOLERANCES_DEG = (2.0, 5.0)
ALLOWANCES_MM = (10.0, 6.0)
SHARES = ((0.5,), (0.35,), (0.65,), (1.0 / 3.0, 2.0 / 3.0))  # where seams go, of a piece's extent
MOST_SPLITS = 3
TARGETS = 2  # pieces that are tried to be split, of those that found no place
MOST_TRIALS = 100
SHARE_OF_EFFORT = 6  # a trial takes so much less effort than the answer did


@dataclass(frozen=True)
class OffGrain:
    """Lay the pieces a little off the grain."""

    tolerance_deg: float

    def told(self, _unit: LengthUnit) -> str:
        """What to do, one sentence."""
        return f"Lay the pieces up to {self.tolerance_deg:g} degrees off the grain."


@dataclass(frozen=True)
class LessAllowance:
    """Take less seam allowance for some pieces."""

    allowance_mm: float
    names: tuple[str, ...]

    def told(self, unit: LengthUnit) -> str:
        """What to do, one sentence."""
        return f"Take a seam allowance of {format_length(self.allowance_mm, unit)} for {', '.join(self.names)}."


Step = OffGrain | LessAllowance | Split


@dataclass(frozen=True, eq=False)
class WayOut:
    """A change with which everything fits.

    Attributes
    ----------
    steps : tuple
        What to change.
    pieces : tuple of PatternPiece
        All pieces, the changed ones among them.
    answer : Answer
        Its layout.
    """

    steps: tuple[Step, ...]
    pieces: tuple[PatternPiece, ...]
    answer: Answer

    @property
    def splits(self) -> tuple[Split, ...]:
        """The pieces that are made of parts."""
        return _splits(self.steps)

    @property
    def seams(self) -> int:
        """New seams to sew."""
        return _seams(self.steps)

    def told(self, unit: LengthUnit) -> str:
        """What to change, a sentence for each step."""
        return " ".join(step.told(unit) for step in self.steps)


@dataclass(frozen=True, eq=False)
class _Change:
    steps: tuple[Step, ...]
    pieces: tuple[PatternPiece, ...]
    rules: LayRules


def _splits(steps: tuple[Step, ...]) -> tuple[Split, ...]:
    return tuple(step for step in steps if isinstance(step, Split))


def _seams(steps: tuple[Step, ...]) -> int:
    return sum(len(split.seams.at_mm) * split.copies for split in _splits(steps))


def find_way_out(
    answer: Answer,
    pieces: Sequence[PatternPiece],
    boards: Sequence[Board],
    rules: LayRules,
    effort: Effort,
    *,
    on_progress: Progress | None = None,
    should_stop: Stop | None = None,
) -> WayOut | None:
    """The cheapest change that was found to make all pieces fit.

    Parameters
    ----------
    answer : Answer
        To the pieces as they are.
    pieces, boards, rules, effort, on_progress, should_stop
        As given to `verdict.is_enough`.

    Returns
    -------
    WayOut or None
        None where none was found.
    """
    trials = _Trials(
        tuple(boards),
        replace(effort, sweeps=max(effort.sweeps // SHARE_OF_EFFORT, 1), sure_only=True),
        on_progress,
        should_stop or (lambda: False),
    )
    for change in [*_looser(tuple(pieces), rules), *_thriftier(tuple(pieces), rules)]:
        found = trials.of(change)
        if found.verdict is Verdict.ENOUGH:
            return WayOut(change.steps, change.pieces, found)
        if found.stopped:
            return None
    if _is_hopeless(answer.shortage):
        return None
    return _split(answer, _Change((), tuple(pieces), rules), trials)


@dataclass(eq=False)
class _Trials:
    """Answers to changes, one after the other."""

    boards: tuple[Board, ...]
    effort: Effort
    on_progress: Progress | None
    should_stop: Stop
    done: int = 0

    def of(self, change: _Change) -> Answer:
        self.done += 1

        def tell(share: float, _what: str) -> None:
            if self.on_progress is not None:
                self.on_progress(share, f"a way out, trial {self.done}")

        return is_enough(
            change.pieces,
            self.boards,
            change.rules,
            self.effort,
            on_progress=tell,
            should_stop=self.should_stop,
        )


def _looser(pieces: tuple[PatternPiece, ...], rules: LayRules) -> Iterator[_Change]:
    for tolerance in TOLERANCES_DEG:
        if tolerance > rules.tolerance_deg:
            yield _Change((OffGrain(tolerance),), pieces, replace(rules, tolerance_deg=tolerance))


def _thriftier(pieces: tuple[PatternPiece, ...], rules: LayRules) -> Iterator[_Change]:
    for allowance in ALLOWANCES_MM:
        wide = tuple(piece.name for piece in pieces if piece.wanted_mm > allowance)
        if wide:
            fewer = tuple(replace(piece, wanted_mm=min(piece.wanted_mm, allowance)) for piece in pieces)
            yield _Change((LessAllowance(allowance, wide),), fewer, rules)


def _split(answer: Answer, change: _Change, trials: _Trials) -> WayOut | None:
    """Split pieces that found no place: fewest seams first, and of as many those to the layout that was fullest."""
    whole = {piece.name for piece in change.pieces}
    number = count()
    waiting: list[tuple[int, float, int, _Change, Answer | None]] = [
        (0, _missing(answer.layout), next(number), change, answer)
    ]
    while waiting and trials.done < MOST_TRIALS and not trials.should_stop():
        _, missing, _, change, known = heappop(waiting)
        if known is not None:
            for one in _candidates(known, change, whole, trials.effort.coverage):
                heappush(waiting, (_seams(one.steps), missing, next(number), one, None))
            continue
        found = trials.of(change)
        if found.verdict is Verdict.ENOUGH:
            return WayOut(change.steps, change.pieces, found)
        if len(change.steps) < MOST_SPLITS and not _is_hopeless(found.shortage):
            heappush(waiting, (_seams(change.steps) + 1, _missing(found.layout), next(number), change, found))
    return None


def _is_hopeless(shortage: Shortage | None) -> bool:
    """Whether there is too little of all cloth together: seams only take more."""
    return isinstance(shortage, TooLittle) and not shortage.only


def _missing(layout: Layout) -> float:
    """Share of the pieces' value that found no place."""
    return 1.0 - layout.value / sum(part.value for part in layout.parts)


def _candidates(answer: Answer, change: _Change, whole: set[str], coverage: float) -> list[_Change]:
    """Splits of whole pieces: of the copies to split, and of all copies."""
    hands = _to_split(answer, whole)
    largest = sorted(hands, key=lambda name: (-_named(change.pieces, name).cut.area, name))
    short = {part.kind for part in answer.layout.parts if answer.shortage and part.name in answer.shortage.parts}
    targets = sorted(largest, key=lambda name: name not in short)[:TARGETS]
    cloths = outlines_of(answer.boards, max(answer.coverage, coverage))
    free = [*uncut(answer, cloths), *cloths]
    candidates = []
    for name in targets:
        piece = _named(change.pieces, name)
        others = tuple(one for one in change.pieces if one is not piece)
        every = [False] * piece.count + [True] * (piece.count if piece.pair else 0)
        for split in [hands[name]] + ([every] if len(every) > len(hands[name]) else []):
            for seams in _seams_to_try(piece, free):
                parts = split_piece(piece, seams)
                if parts is not None:
                    one = Split(piece, seams, parts, len(split))
                    new = others + split_copies(one, split)
                    candidates.append(_Change((*change.steps, one), new, change.rules))
    return candidates


def _to_split(answer: Answer, whole: set[str]) -> dict[str, list[bool]]:
    """Whole pieces of which copies found no place, and which hands; all where the layout has all but is not sure."""
    hands: dict[str, list[bool]] = {}
    for part, board in zip(answer.layout.parts, answer.layout.places.board, strict=True):
        if part.kind in whole and (board < 0 or answer.layout.complete):
            hands.setdefault(part.kind, []).extend(part.hands)
    return hands


def _seams_to_try(piece: PatternPiece, free: Sequence[BaseGeometry]) -> list[Seams]:
    """Seams where they serve, then some at usual places."""
    usual = [seams_at(piece, shares, normal) for normal in (ACROSS_DEG, ALONG_DEG) for shares in SHARES]
    return [*serving_seams(piece, free), *usual]


def _named(pieces: Sequence[PatternPiece], name: str) -> PatternPiece:
    return next(piece for piece in pieces if piece.name == name)
