"""Raster maps of how deep a part would lie in others, or over the cloth's edge, at every place of a grid.

A depth is the distance to the nearest place without overlap: the distance transform, inside, of the places at which two
masks overlap (their correlation). So the whole map of a part among others is a sum of shifted arrays.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.nofit import Regions
from flatmeasure.enough.parts import Stance
from flatmeasure.photos.camera import Points

Map = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class BoardMap:
    """Depth over a board's edge, holes and flaws.

    Attributes
    ----------
    depth_px : (H, W) float32 array
        0 where the part lies in the cloth.
    first : (int, int)
        Grid column and row of its first entry.
    """

    depth_px: Map
    first: tuple[int, int]


@dataclass(frozen=True, eq=False)
class Maps:
    """Maps on a common grid, made when first asked for.

    Attributes
    ----------
    regions : Regions
    step_mm : float
    """

    regions: Regions
    step_mm: float
    _masks: dict[Stance, Map] = field(default_factory=dict)
    _pairs: dict[tuple[Stance, Stance], Map] = field(default_factory=dict)
    _edges: dict[tuple[int, Stance], BoardMap | None] = field(default_factory=dict)
    _outside: dict[int, Map] = field(default_factory=dict)

    def on(self, boards: Sequence[BaseGeometry]) -> "Maps":
        """Maps of the same parts on other boards."""
        return Maps(self.regions.on(boards), self.step_mm, self._masks, self._pairs)

    def origin(self, board: int) -> Points:
        """(2,) place of the grid's column 0, row 0."""
        left, low, right, high = self.regions.boards[board].bounds
        count = np.floor(np.array([right - left, high - low]) / self.step_mm)
        return np.array([left + right, low + high]) / 2.0 - count / 2.0 * self.step_mm

    def at_mm(self, board: int, cell: NDArray[np.intp]) -> Points:
        """Place of a grid cell (column, row)."""
        return np.asarray(self.origin(board) + self.step_mm * cell)

    def cell(self, board: int, at_mm: Points) -> NDArray[np.intp]:
        """The nearest grid cell to a place."""
        return np.asarray(np.round((at_mm - self.origin(board)) / self.step_mm), dtype=np.intp)

    def edge(self, board: int, stance: Stance) -> BoardMap | None:
        """Depth of a stance over a board's edge; None where it fits nowhere on it."""
        key = (board, stance)
        if key not in self._edges:
            self._edges[key] = self._edge(board, stance)
        return self._edges[key]

    def pair(self, moving: Stance, fixed: Stance) -> Map:
        """Depth of ``moving`` in ``fixed``, by the difference of their cells; no difference is the middle entry."""
        key = (moving, fixed)
        if key not in self._pairs:
            reach = np.floor((moving.half_size_mm + fixed.half_size_mm) / self.step_mm).astype(int)
            x, y = (np.arange(-k, k + 1) * self.step_mm for k in reach)
            blocked = inside_grid(self.regions.between(fixed, moving).area, x, y) > 0.0
            self._pairs[key] = _depth(blocked)
            self._pairs[key[::-1]] = self._pairs[key][::-1, ::-1]
        return self._pairs[key]

    def _mask(self, stance: Stance) -> Map:
        if stance not in self._masks:
            columns, rows = np.floor(stance.half_size_mm / self.step_mm).astype(int)
            x, y = np.arange(-columns, columns + 1) * self.step_mm, np.arange(-rows, rows + 1) * self.step_mm
            self._masks[stance] = inside_grid(stance.outline, x, y)
        return self._masks[stance]

    def _edge(self, board: int, stance: Stance) -> BoardMap | None:
        mask = self._mask(stance)
        outside = self._outside_of(board)
        if any(np.array(outside.shape) < mask.shape):
            return None
        free = _correlated(outside, mask) < 0.5
        if not free.any() and not self._free_between(free, board, stance):
            return None
        rows, columns = np.flatnonzero(free.any(axis=1)), np.flatnonzero(free.any(axis=0))
        free = free[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        half = np.array(mask.shape) // 2
        return BoardMap(_depth(~free, padded=False), (int(columns[0] + half[1]), int(rows[0] + half[0])))

    def _free_between(self, free: NDArray[np.bool_], board: int, stance: Stance) -> bool:
        """Where no grid place is free, mark the one nearest to an exactly free place, if there is one."""
        room = self.regions.within(board, stance).area
        if room.is_empty:
            return False
        place = room.representative_point()
        half = np.array(self._mask(stance).shape)[::-1] // 2
        column, row = self.cell(board, np.array([place.x, place.y])) - half
        free[np.clip(row, 0, free.shape[0] - 1), np.clip(column, 0, free.shape[1] - 1)] = True
        return True

    def _outside_of(self, board: int) -> Map:
        if board not in self._outside:
            left, low, right, high = self.regions.boards[board].bounds
            columns, rows = np.floor(np.array([right - left, high - low]) / self.step_mm).astype(int)
            start = self.origin(board)
            x, y = start[0] + np.arange(columns + 1) * self.step_mm, start[1] + np.arange(rows + 1) * self.step_mm
            self._outside[board] = 1.0 - inside_grid(self.regions.boards[board], x, y)
        return self._outside[board]


def inside_grid(shape: BaseGeometry, x: NDArray[np.float64], y: NDArray[np.float64]) -> Map:
    """1 at grid points in a shape, 0 outside: rows by y."""
    columns, rows = np.meshgrid(x, y)
    return np.asarray(shapely.contains_xy(shape, columns.ravel(), rows.ravel()).reshape(columns.shape), np.float32)


def _padded(mask: Map, by: tuple[int, ...], value: float) -> Map:
    return np.pad(mask, ((by[0], by[0]), (by[1], by[1])), constant_values=value).astype(np.float32)


def _correlated(picture: Map, mask: Map) -> Map:
    return np.asarray(cv2.matchTemplate(picture, mask, cv2.TM_CCORR), dtype=np.float32)


def _depth(blocked: NDArray[np.bool_], *, padded: bool = True) -> Map:
    """Distance (px) of blocked places to the nearest free one, 0 where free."""
    framed = np.pad(blocked.astype(np.uint8), 1, constant_values=0 if padded else 1)
    return np.asarray(cv2.distanceTransform(framed, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1], np.float32)
