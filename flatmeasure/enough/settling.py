"""From a rough layout to an exact one: push parts apart, then away from the cloth's edge, by linear programs.

Round every part, and between every two neighbours, the free references are replaced by a convex part of them
(`nofit.free_halfplanes`); within it, the shifts that leave no overlap and the greatest margin to the cloth's edge are
a linear program. A few rounds of it settle. (Separation and compaction as linear programs: Li and Milenkovic 1995;
Gomes and Oliveira 2006.)
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import csr_array, eye_array, hstack

from flatmeasure.enough.nofit import FreeRegion, Regions, free_halfplanes
from flatmeasure.enough.parts import Part, Places, Stance
from flatmeasure.photos.camera import Points

APART_MM = 2e-4  # kept between parts, above what pyclipper and the linear program round
SLACK_COST = 1e3  # of a mm of overlap, against a mm of margin
ROUNDS = 14
ENOUGH_MM = 0.02  # rounds end when the margin grows by less


@dataclass(frozen=True, eq=False)
class Settled:
    """Parts of one board, without overlap.

    Attributes
    ----------
    at_mm : (N, 2) array
    margin_mm : float
        Distance from the nearest part to the board's edge, or to its upper end for a strip.
    """

    at_mm: Points
    margin_mm: float


@dataclass(frozen=True, eq=False)
class _Room:
    """A board's parts and what limits them."""

    stances: list[Stance]
    edges: list[FreeRegion]
    regions: Regions
    reach_mm: float
    strip: bool


@dataclass(frozen=True, eq=False)
class _Program:
    """Rows a . z >= b over the unknowns (x1, y1, ..., margin, slack per row)."""

    rows: list[NDArray[np.float64]]
    bounds: list[float]


def settle(
    parts: Sequence[Part],
    places: Places,
    regions: Regions,
    board: int,
    reach_mm: float,
    *,
    only_apart: bool = False,
    strip: bool = False,
) -> Settled | None:
    """Move a board's parts, a little, to where none overlaps and the margin is greatest.

    Parameters
    ----------
    parts : sequence of Part
    places : Places
        Only the parts on ``board`` are looked at.
    regions : Regions
    board : int
    reach_mm : float
        Farthest a part moves in a round.
    only_apart : bool
        Whether to end as soon as nothing overlaps, without making the margin greatest.
    strip : bool
        Whether the margin counts at the upper end only (strip packing).

    Returns
    -------
    Settled or None
        Of the board's parts in the order of ``np.flatnonzero(places.board == board)``; None when overlap remains.
    """
    here = np.flatnonzero(places.board == board)
    stances = [parts[i].stances[places.stance[i]] for i in map(int, here)]
    edges = [regions.within(board, stance) for stance in stances]
    if any(edge.area.is_empty for edge in edges):
        return None
    at, best, before = places.at_mm[here].copy(), None, np.inf
    for _ in range(ROUNDS):
        solved = _round(_Room(stances, edges, regions, reach_mm, strip), at, best.margin_mm if best else 0.0)
        if solved is None:
            return best
        at, slack, margin = solved
        if slack <= APART_MM / 2.0:
            if not strip:
                margin = min(edge.gap(place) for edge, place in zip(edges, at, strict=True))
            gained = margin - (best.margin_mm if best else -np.inf)
            if gained > 0.0 and margin >= 0.0:
                best = Settled(at.copy(), float(margin))
            if only_apart or gained < ENOUGH_MM:
                return best
        elif slack > 0.9 * before:
            return best
        before = slack
    return best


def _round(room: _Room, at: Points, margin_mm: float) -> tuple[Points, float, float] | None:
    """New places, the overlap left (mm, summed) and the margin; None where nothing was found."""
    count, reach = len(at), room.reach_mm
    program = _Program([], [])
    edge_reach = np.inf if room.strip else margin_mm + 2.0 * reach  # beyond, the margin stays above its limit below
    for i, edge in enumerate(room.edges):
        normals, offsets = free_halfplanes(edge, at[i], edge_reach)
        for normal, offset in zip(normals, offsets, strict=True):
            takes_part = not room.strip or normal[1] < -0.999
            _add(program, count, {i: normal}, offset + APART_MM, margin=-1.0 if takes_part else 0.0)
    for i, j in _neighbours(room.stances, at, 3.0 * reach):
        region = room.regions.between(room.stances[i], room.stances[j])
        normals, offsets = free_halfplanes(region, at[j] - at[i], 3.0 * reach)
        for normal, offset in zip(normals, offsets, strict=True):
            _add(program, count, {i: -normal, j: normal}, offset + APART_MM, margin=0.0)
    return _solved(program, at, reach, np.inf if room.strip else margin_mm + reach / 2.0)


def _neighbours(stances: list[Stance], at: Points, reach_mm: float) -> list[tuple[int, int]]:
    half = np.array([stance.half_size_mm for stance in stances])
    gap = np.max(np.abs(at[:, None] - at) - half[:, None] - half, axis=2)
    return [(int(i), int(j)) for i, j in np.argwhere(gap <= reach_mm) if i < j]


def _add(program: _Program, count: int, normals: dict[int, Points], bound: float, *, margin: float) -> None:
    row = np.zeros(2 * count + 1)
    for part, normal in normals.items():
        row[2 * part : 2 * part + 2] = normal
    row[-1] = margin
    program.rows.append(row)
    program.bounds.append(bound)


def _solved(program: _Program, at: Points, reach_mm: float, most_mm: float) -> tuple[Points, float, float] | None:
    count, rows = len(at), len(program.rows)
    if not rows:
        return at, 0.0, most_mm
    matrix = hstack([csr_array(np.array(program.rows)), eye_array(rows)], format="csr")
    cost = np.concatenate([np.zeros(2 * count), [-1.0], np.full(rows, SLACK_COST)])
    moves = [(float(place) - reach_mm, float(place) + reach_mm) for place in at.ravel()]
    limits = [*moves, (0.0, most_mm), *[(0.0, np.inf)] * rows]
    found: Any = linprog(cost, A_ub=-matrix, b_ub=-np.array(program.bounds), bounds=limits, method="highs")
    if found.x is None:
        return None
    return found.x[: 2 * count].reshape(-1, 2), float(np.sum(found.x[2 * count + 1 :])), float(found.x[2 * count])
