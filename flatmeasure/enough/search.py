"""Search for a layout: parts may overlap at first and are moved, one at a time, to where they overlap least.

Every pair of parts has a weight that grows while the two overlap and fades when they do not, so that the search leaves
places from which no single move helps (guided local search: Egeblad, Nielsen and Odgaard 2007; on raster maps: Umetani
and Murakami 2022). When what overlaps is shallower than the raster's step, `settling.settle` makes the layout exact.

The order of all this depends on a seed only, so the same effort gives the same layout.
"""

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.enough.depth_maps import BoardMap, Map, Maps
from flatmeasure.enough.parts import Part, Places, Stance

GROWTH, FADE = 1.0, 0.95  # of the weights, after every sweep
SMALL_MAP = 20_000  # cells of an edge's map: up to here every place is looked at
RAISED = 1.3  # least growth of an overlapping pair's weight


class Search:
    """State of a search for one set of parts on one set of boards, of which none lies anywhere at first."""

    def __init__(self, parts: Sequence[Part], maps: Maps, seed: int = 0) -> None:
        count = len(parts)
        self.parts, self.maps = parts, maps
        self.random = np.random.default_rng(seed)
        self.pair_weight = np.ones((count, count))
        self.edge_weight = np.ones(count)
        self.board = np.full(count, -1)
        self.stance = np.zeros(count, dtype=np.intp)
        self.cell = np.zeros((count, 2), dtype=np.intp)
        self.pair_depth = np.zeros((count, count))
        self.edge_depth = np.zeros(count)
        root = np.sqrt([part.area_mm2 for part in parts])
        self.size = np.sqrt(np.outer(root, root)) / np.mean(root)  # large parts are harder to put elsewhere

    def lay(self, start: Places | None = None) -> "Search":
        """Every part where it was, or else, the largest first, where it overlaps least."""
        if start is not None:
            for i in start.placed.tolist():
                board = int(start.board[i])
                self._put_near(i, board, int(start.stance[i]), self.maps.cell(board, start.at_mm[i]))
        for i in sorted(np.flatnonzero(self.board < 0).tolist(), key=lambda k: -self.parts[k].area_mm2):
            self._move(i)
        return self

    def drop(self, i: int) -> None:
        """Take a part off its board."""
        self.board[i] = -1
        self.edge_depth[i] = 0.0
        self.pair_depth[i] = self.pair_depth[:, i] = 0.0

    def add(self, i: int) -> bool:
        """Put a part that is off where there is room for it; whether there was."""
        self._move(i)
        if self.board[i] >= 0 and (self.edge_depth[i] > 0.0 or np.any(self.pair_depth[i] > 0.0)):
            self.drop(i)
        return bool(self.board[i] >= 0)

    def places(self) -> Places:
        """Where the parts lie now, overlaps included."""
        at = [self.maps.at_mm(int(b), c) if b >= 0 else np.zeros(2) for b, c in zip(self.board, self.cell, strict=True)]
        return Places(self.board.copy(), self.stance.copy(), np.array(at).reshape(-1, 2))

    @property
    def all_placed(self) -> bool:
        """Whether every part lies on a board."""
        return bool(np.all(self.board >= 0))

    @property
    def overlap(self) -> float:
        """Sum of all depths, not weighted."""
        return float(np.sum(self.pair_depth * self.size) / 2.0 + np.sum(self.edge_depth))

    @property
    def deepest(self) -> float:
        """The greatest depth, px."""
        return float(max(np.max(self.pair_depth, initial=0.0), np.max(self.edge_depth, initial=0.0)))

    def sweep(self, goes_on: Callable[[], bool] = lambda: True) -> None:
        """Move every part that overlaps to where it overlaps least; then let the weights follow."""
        for i in self.random.permutation(len(self.parts)):
            if not goes_on():
                break
            if self.edge_depth[i] > 0.0 or np.any(self.pair_depth[i] > 0.0):
                self._move(int(i))
        deepest = max(self.deepest, 1e-9)
        self.pair_weight = _followed(self.pair_weight, self.pair_depth / deepest)
        self.edge_weight = _followed(self.edge_weight, self.edge_depth / deepest)

    def shake(self) -> None:
        """Throw the search elsewhere: two parts of like size change places, weights start anew."""
        self.pair_weight[:], self.edge_weight[:] = 1.0, 1.0
        order = np.argsort([-part.area_mm2 for part in self.parts])
        for _ in range(max(1, len(order) // 12)):
            first = int(self.random.integers(0, max(1, (2 * len(order)) // 3)))
            second = min(len(order) - 1, first + int(self.random.integers(1, 4)))
            a, b = int(order[first]), int(order[second])
            place_a, place_b = (int(self.board[a]), self.cell[a].copy()), (int(self.board[b]), self.cell[b].copy())
            self._put_anyhow(a, *place_b)
            self._put_anyhow(b, *place_a)

    def _put_anyhow(self, i: int, board: int, cell: NDArray[np.intp]) -> None:
        """In any stance that a part may have on a board, as near to a cell as it lies on the board."""
        choices = self.parts[i].choices[board]
        if choices:
            self._put_near(i, board, choices[int(self.random.integers(0, len(choices)))], cell)

    def _put_near(self, i: int, board: int, stance: int, cell: NDArray[np.intp]) -> None:
        """As near to a cell as the part lies on the board, if it does."""
        edge = self.maps.edge(board, self.parts[i].stances[stance])
        if edge is not None:
            last = np.array(edge.first) + np.array(edge.depth_px.shape)[::-1] - 1
            self._put(i, board, stance, np.clip(cell, edge.first, last))

    def _move(self, i: int) -> None:
        """Put a part where its weighted depth is least, over all its boards, stances and places."""
        best: tuple[float, int, int, NDArray[np.intp]] | None = None
        for board in self.parts[i].boards:
            here = [int(j) for j in np.flatnonzero(self.board == board) if j != i]
            for k in self.parts[i].choices[board]:
                stance = self.parts[i].stances[k]
                edge = self.maps.edge(board, stance)
                if edge is None:
                    continue
                value, cell = self._least(i, here, stance, edge)
                if best is None or value < best[0] - 1e-6:
                    best = (value, board, k, cell)
                if value <= 0.0:
                    break
            if best is not None and best[0] <= 0.0:
                break
        if best is not None:
            self._put(i, *best[1:])

    def _least(self, i: int, here: list[int], stance: Stance, edge: BoardMap) -> tuple[float, NDArray[np.intp]]:
        """Least weighted depth of a part in a stance, over the edge and in the parts ``here``, and its cell.

        On large maps at every second row and column first, then at all places next to the best one of those.
        """
        pairs = [self.maps.pair(stance, self.parts[j].stances[self.stance[j]]) for j in here]
        full = [pair.depth_px for pair in pairs]
        x0, y0 = edge.first
        begin = [
            (x - x0 - depth.shape[1] // 2, y - y0 - depth.shape[0] // 2)
            for depth, (x, y) in zip(full, self.cell[here].tolist(), strict=True)
        ]
        weights = [*(self.pair_weight[i, here] * self.size[i, here]).tolist(), float(self.edge_weight[i])]
        top = left = 0
        near = edge.depth_px
        if near.size > SMALL_MAP:
            quarters = [pair.quarters[2 * (y & 1) + (x & 1)] for pair, (x, y) in zip(pairs, begin, strict=True)]
            coarse = _weighted_sum(edge.quarter, quarters, [((x + 1) // 2, (y + 1) // 2) for x, y in begin], weights)
            row, column = divmod(int(np.argmin(coarse)), coarse.shape[1])
            top, left = max(2 * row - 1, 0), max(2 * column - 1, 0)
            near = near[top : 2 * row + 2, left : 2 * column + 2]
        total = _weighted_sum(near, full, [(x - left, y - top) for x, y in begin], weights)
        row, column = divmod(int(np.argmin(total)), total.shape[1])
        return float(total[row, column]), np.array([left + column + edge.first[0], top + row + edge.first[1]])

    def _put(self, i: int, board: int, stance: int, cell: NDArray[np.intp]) -> None:
        self.board[i], self.stance[i], self.cell[i] = board, stance, cell
        mine = self.parts[i].stances[stance]
        edge = self.maps.edge(board, mine)
        assert edge is not None
        column, row = cell - edge.first
        self.edge_depth[i] = edge.depth_px[row, column]
        self.pair_depth[i] = self.pair_depth[:, i] = 0.0
        here = [j for j in np.flatnonzero(self.board == board).tolist() if j != i]
        if not here:
            return
        depths = [self.maps.pair(mine, self.parts[j].stances[self.stance[j]]).depth_px for j in here]
        sizes = np.array([depth.shape[::-1] for depth in depths])
        at = cell - self.cell[here] + sizes // 2
        for k in np.flatnonzero(np.all((at >= 0) & (at < sizes), axis=1)).tolist():
            self.pair_depth[i, here[k]] = self.pair_depth[here[k], i] = depths[k][at[k, 1], at[k, 0]]


def _followed(weight: NDArray[np.float64], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights after a sweep: of what overlaps they grow with its depth, of the rest they fade towards 1."""
    grown = weight * np.where(share > 0.0, RAISED + GROWTH * share, FADE)
    return np.asarray(np.clip(grown, 1.0, 1e6))


def _weighted_sum(edge: Map, depths: list[Map], begin: list[tuple[int, int]], weights: list[float]) -> Map:
    """An edge's map and others, each from a (column, row) of it on, times their weights; the edge's comes last."""
    total: Map = edge * np.float32(weights[-1])
    rows, columns = total.shape
    for depth, (left, low), weight in zip(depths, begin, weights[:-1], strict=True):
        high, wide = depth.shape
        x0, y0, x1, y1 = max(left, 0), max(low, 0), min(left + wide, columns), min(low + high, rows)
        if x0 < x1 and y0 < y1:
            window = total[y0:y1, x0:x1]
            cv2.scaleAdd(depth[y0 - low : y1 - low, x0 - left : x1 - left], weight, window, window)
    return total
