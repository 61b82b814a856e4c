"""Ways out when pieces do not fit: the cheapest change that makes them fit.

In this order: the grain a little off; less seam allowance; a piece made of two or three parts, with the seam allowance
added on both sides of each new seam, so that the finished measures stay. Fewest seams come first.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import Polygon, box

from flatmeasure.enough.boards import Board, LayRules
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.verdict import Answer, Effort, Progress, Stop, Verdict, is_enough
from flatmeasure.pieces.panel_parts import polygons

TOLERANCES_DEG = (2.0, 5.0)
ALLOWANCES_MM = (10.0, 6.0)
SEAM_MM = 10.0  # allowance of a new seam of a piece that states none
SHARES = ((0.5,), (0.35,), (0.65,), (1.0 / 3.0, 2.0 / 3.0))  # where seams go, of a piece's extent
MOST_SPLITS = 3
TARGETS = 2  # pieces that are tried to be split, of those that found no place
SHORTEST_PART_MM = 40.0
SHARE_OF_EFFORT = 3  # a trial takes so much less effort than the answer did


@dataclass(frozen=True, eq=False)
class WayOut:
    """A change with which everything fits.

    Attributes
    ----------
    message : str
        What to change, one or two sentences.
    seams : int
        New seams to sew.
    pieces : tuple of PatternPiece
        All pieces, the changed ones among them.
    answer : Answer
        Its layout.
    """

    message: str
    seams: int
    pieces: tuple[PatternPiece, ...]
    answer: Answer


@dataclass(frozen=True, eq=False)
class _Change:
    message: str
    seams: int
    pieces: tuple[PatternPiece, ...]
    rules: LayRules


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
    """The cheapest change that was found to make all pieces fit, or None.

    Parameters
    ----------
    answer : Answer
        To the pieces as they are.
    pieces, boards, rules, effort, on_progress, should_stop
        As given to `verdict.is_enough`.
    """
    trial = _Trial(
        tuple(boards),
        replace(effort, sweeps=max(effort.sweeps // SHARE_OF_EFFORT, 1), sure_only=True),
        on_progress,
        should_stop,
    )
    for change in [*_looser(tuple(pieces), rules), *_thriftier(tuple(pieces), rules)]:
        found = trial.of(change)
        if found.verdict is Verdict.ENOUGH:
            return WayOut(change.message, 0, change.pieces, found)
        if found.stopped:
            return None
    if answer.shortage is not None and answer.shortage.kind == "area":
        return None  # seams only take more cloth
    return _split(answer, _Change("", 0, tuple(pieces), rules), trial)


@dataclass(frozen=True, eq=False)
class _Trial:
    boards: tuple[Board, ...]
    effort: Effort
    on_progress: Progress | None
    should_stop: Stop | None

    def of(self, change: _Change) -> Answer:
        def tell(share: float, _what: str) -> None:
            if self.on_progress is not None:
                self.on_progress(share, "a way out")

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
            message = f"Lay the pieces up to {tolerance:g} degrees off the grain."
            yield _Change(message, 0, pieces, replace(rules, tolerance_deg=tolerance))


def _thriftier(pieces: tuple[PatternPiece, ...], rules: LayRules) -> Iterator[_Change]:
    for allowance in ALLOWANCES_MM:
        wide = [piece.name for piece in pieces if piece.wanted_mm > allowance]
        if wide:
            fewer = tuple(replace(piece, wanted_mm=min(piece.wanted_mm, allowance)) for piece in pieces)
            message = f"Take a seam allowance of {allowance:g} mm for {', '.join(wide)}."
            yield _Change(message, 0, fewer, rules)


def _split(answer: Answer, change: _Change, trial: _Trial) -> WayOut | None:
    """Split pieces that found no place, one after the other, each where most of all finds a place."""
    whole = {piece.name for piece in change.pieces}
    for _ in range(MOST_SPLITS):
        best: tuple[float, _Change, Answer] | None = None
        for candidate in _candidates(answer, change, whole):
            found = trial.of(candidate)
            if found.verdict is Verdict.ENOUGH:
                return WayOut(candidate.message, candidate.seams, candidate.pieces, found)
            if found.stopped:
                return None
            if found.shortage is not None:
                continue
            placed = found.layout.value / sum(part.value for part in found.layout.parts)
            if best is None or placed > best[0]:
                best = placed, candidate, found
        if best is None:
            return None
        _, change, answer = best
    return None


def _candidates(answer: Answer, change: _Change, whole: set[str]) -> list[_Change]:
    """Splits of whole pieces that found no place, fewest seams first."""
    missing = [
        part.kind for part, board in zip(answer.layout.parts, answer.layout.places.board, strict=True) if board < 0
    ]
    targets = sorted(whole & set(missing), key=lambda name: (-_named(change.pieces, name).cut.area, name))[:TARGETS]
    candidates = []
    for name in targets:
        piece = _named(change.pieces, name)
        for across in (True, False):
            for shares in SHARES:
                parts = split_piece(piece, shares, across=across)
                if parts is not None:
                    others = tuple(one for one in change.pieces if one is not piece)
                    seams = change.seams + (len(parts) - 1) * piece.pieces
                    message = f"{change.message} {_told(piece, shares, across)}".strip()
                    candidates.append(_Change(message, seams, others + parts, change.rules))
    return sorted(candidates, key=lambda one: one.seams)


def _named(pieces: Sequence[PatternPiece], name: str) -> PatternPiece:
    return next(piece for piece in pieces if piece.name == name)


def split_piece(
    piece: PatternPiece, shares: Sequence[float], *, across: bool, seam_mm: float | None = None
) -> tuple[PatternPiece, ...] | None:
    """A piece in parts that sewn together have its finished measures.

    Parameters
    ----------
    piece : PatternPiece
    shares : sequence of float
        Where the seams go: shares of the finished piece's extent, from its lower or left end, ascending.
    across : bool
        Whether the seams run across the grain; else along it.
    seam_mm : float, optional
        Allowance on both sides of each; the piece's own when None.

    Returns
    -------
    tuple of PatternPiece or None
        From the lower or left end on, grain up, with the allowance of the piece and of the seams included; None where a
        part would be too small or fall in two.
    """
    allowance = seam_mm if seam_mm is not None else piece.wanted_mm or SEAM_MM
    axis = 1 if across else 0
    low, high = piece.finished.bounds[axis], piece.finished.bounds[axis + 2]
    seams = [low + share * (high - low) for share in shares]
    names = ("lower", "upper") if across else ("left", "right")
    words = names if len(seams) == 1 else (names[0], "middle", names[1])
    parts = []
    for word, start, end in zip(words, [-np.inf, *seams], [*seams, np.inf], strict=True):
        band = _band(piece.cut, axis, start - allowance, end + allowance)
        found = polygons(piece.cut.intersection(band))
        if len(found) != 1 or min(end, high) - max(start, low) < SHORTEST_PART_MM:
            return None
        share = found[0].area / piece.cut.area
        parts.append(
            replace(
                piece,
                name=f"{piece.name}, {word} part",
                drawn=found[0],
                grain_deg=90.0,
                included_mm=piece.wanted_mm,
                value=None if piece.value is None else piece.value * share,
            )
        )
    return tuple(parts)


def _band(shape: Polygon, axis: int, start: float, end: float) -> Polygon:
    left, low, right, high = shape.bounds
    if axis == 1:
        return box(left - 1.0, max(start, low - 1.0), right + 1.0, min(end, high + 1.0))
    return box(max(start, left - 1.0), low - 1.0, min(end, right + 1.0), high + 1.0)


def _told(piece: PatternPiece, shares: Sequence[float], across: bool) -> str:
    axis = 1 if across else 0
    extent = piece.finished.bounds[axis + 2] - piece.finished.bounds[axis]
    places = " and ".join(f"{share * extent:.0f} mm" for share in shares)
    seams = "a seam" if len(shares) == 1 else "two seams"
    where = "across the grain" if across else "along the grain"
    end = "lower end" if across else "left edge"
    return (
        f"Make {piece.name} of {len(shares) + 1} parts, with {seams} {where} {places} from its {end} (finished), "
        f"{piece.wanted_mm or SEAM_MM:g} mm of allowance on both sides."
    )
