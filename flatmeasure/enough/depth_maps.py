"""Raster maps of how deep a part would lie in others, or over the cloth's edge, at every place of a grid.

A depth is the distance to the nearest place without overlap: the distance transform of the grid's places that lie in
the no-fit region of two parts, or outside the inner-fit region of a part. So the whole map of a part among others is a
sum of shifted arrays. Where it is 0 no parts overlap, exactly; on a cloth of many points a part may stick out by less
than a grid step.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.nofit import Regions
from flatmeasure.enough.parts import Stance
from flatmeasure.masks import distance_px
from flatmeasure.photos.camera import Points

Map = NDArray[np.float32]

FEW_POINTS = 60  # of a cloth's outline and holes: up to here its inner-fit regions are made for every stance


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

    @cached_property
    def quarter(self) -> Map:
        """Every second row and column of the depth."""
        return np.ascontiguousarray(self.depth_px[::2, ::2])


@dataclass(frozen=True, eq=False)
class PairMap:
    """Depth of one part in another.

    Attributes
    ----------
    depth_px : (H, W) float32 array
        By the difference of their cells; no difference is the middle entry.
    quarters : tuple of 4 arrays
        Every second row and column of it, from row y and column x on: entry 2 y + x.
    """

    depth_px: Map
    quarters: tuple[Map, ...]


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
    _pairs: dict[tuple[Stance, Stance], PairMap] = field(default_factory=dict)
    _edges: dict[tuple[int, Stance], BoardMap | None] = field(default_factory=dict)
    _outside: dict[int, Map] = field(default_factory=dict)

    def on(self, boards: Sequence[BaseGeometry]) -> "Maps":
        """Maps of the same parts on other boards."""
        return Maps(self.regions.on(boards), self.step_mm, self._pairs)

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

    def pair(self, moving: Stance, fixed: Stance) -> PairMap:
        """Depth of ``moving`` in ``fixed``."""
        key = (moving, fixed)
        if key not in self._pairs:
            reach = np.floor((moving.half_size_mm + fixed.half_size_mm) / self.step_mm).astype(int)
            x, y = (np.arange(-k, k + 1) * self.step_mm for k in reach)
            blocked = inside_grid(self.regions.between(fixed, moving).area, x, y) > 0.0
            depth = _depth(blocked)
            self._pairs[key] = _pair_map(depth)
            self._pairs[key[::-1]] = _pair_map(np.ascontiguousarray(depth[::-1, ::-1]))
        return self._pairs[key]

    def _edge(self, board: int, stance: Stance) -> BoardMap | None:
        simple = len(shapely.get_coordinates(self.regions.boards[board])) <= FEW_POINTS
        found = self._free_exactly(board, stance) if simple else self._free_by_correlation(board, stance)
        if found is None:
            return None
        free, first = found
        rows, columns = np.flatnonzero(free.any(axis=1)), np.flatnonzero(free.any(axis=0))
        free = free[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        return BoardMap(_depth(~free, padded=False), (int(columns[0] + first[0]), int(rows[0] + first[1])))

    def _free_exactly(self, board: int, stance: Stance) -> tuple[NDArray[np.bool_], NDArray[np.intp]] | None:
        """Free grid places, and the column and row of the first: those in the inner-fit region."""
        room = self.regions.within(board, stance).area
        if room.is_empty:
            return None
        bounds = (np.array(room.bounds).reshape(2, 2) - self.origin(board)) / self.step_mm
        first, last = np.floor(bounds[0]).astype(np.intp), np.ceil(bounds[1]).astype(np.intp)
        x, y = (self.origin(board)[k] + self.step_mm * np.arange(first[k], last[k] + 1) for k in (0, 1))
        free = inside_grid(room, x, y) > 0.0
        return (free, first) if free.any() else self._one_between(free, first, board, room)

    def _free_by_correlation(self, board: int, stance: Stance) -> tuple[NDArray[np.bool_], NDArray[np.intp]] | None:
        """The same to less than a grid step, where the exact region would take long: a cloth of many points."""
        half = np.floor(stance.half_size_mm / self.step_mm).astype(np.intp)
        mask = inside_grid(stance.outline, *(np.arange(-k, k + 1) * self.step_mm for k in half))
        outside = self._outside_of(board)
        if any(np.array(outside.shape) < mask.shape):
            return None
        free = cv2.matchTemplate(outside, mask, cv2.TM_CCORR) < 0.5
        if free.any():
            return free, half
        room = self.regions.within(board, stance).area
        return None if room.is_empty else self._one_between(free, half, board, room)

    def _one_between(
        self, free: NDArray[np.bool_], first: NDArray[np.intp], board: int, room: BaseGeometry
    ) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
        """Where no grid place is free, the one nearest to a free place stands for it."""
        place = np.asarray(room.representative_point().coords[0])
        column, row = np.clip(self.cell(board, place) - first, 0, np.array(free.shape)[::-1] - 1)
        free[row, column] = True
        return free, first

    def _outside_of(self, board: int) -> Map:
        if board not in self._outside:
            left, low, right, high = self.regions.boards[board].bounds
            counts = np.floor(np.array([right - left, high - low]) / self.step_mm).astype(int)
            x, y = (self.origin(board)[k] + np.arange(counts[k] + 1) * self.step_mm for k in (0, 1))
            self._outside[board] = 1.0 - inside_grid(self.regions.boards[board], x, y)
        return self._outside[board]


def inside_grid(shape: BaseGeometry, x: NDArray[np.float64], y: NDArray[np.float64]) -> Map:
    """1 at grid points in a shape, 0 outside: rows by y."""
    columns, rows = np.meshgrid(x, y)
    return np.asarray(shapely.contains_xy(shape, columns.ravel(), rows.ravel()).reshape(columns.shape), np.float32)


def _pair_map(depth: Map) -> PairMap:
    return PairMap(depth, tuple(np.ascontiguousarray(depth[y::2, x::2]) for y in (0, 1) for x in (0, 1)))


def _depth(blocked: NDArray[np.bool_], *, padded: bool = True) -> Map:
    """Distance (px) of blocked places to the nearest free one, 0 where free."""
    return distance_px(np.pad(blocked, 1, constant_values=not padded))[1:-1, 1:-1]
