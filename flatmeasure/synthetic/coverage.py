"""How much of every pixel a polygon covers, exactly.

The signed-area method of font rasterisers: cut every side at the pixel borders, let each cut piece add its height to
its pixel's row and its area to its pixel, and sum along the rows. No sampling, so no error but rounding.
"""

import numpy as np
from numpy.typing import NDArray

Loop = NDArray[np.float64]


def coverage(loops_px: list[Loop], size_px: tuple[int, int]) -> tuple[NDArray[np.float32], tuple[slice, slice]]:
    """Share of each pixel's unit square that lies inside closed outlines.

    Parameters
    ----------
    loops_px : list of (N, 2) arrays, (x, y), pixel centres at whole numbers
        Counter-clockwise as seen adds, clockwise takes off; overlapping loops count twice, cut at 1.
    size_px : tuple of int
        Width and height of the picture; loops may reach beyond it.

    Returns
    -------
    share : (h, w) float32 array, 0 to 1
    window : pair of slices (rows, columns)
        Where that array lies in the picture: the loops' bounding box.
    """
    loops = [loop + 0.5 for loop in loops_px]  # pixel (i, j) is now the square from (j, i) to (j + 1, i + 1)
    every = np.concatenate(loops)
    limit = np.array(size_px)
    low = np.clip(np.floor(every.min(axis=0)), 0, limit).astype(int)
    high = np.clip(np.ceil(every.max(axis=0)), low, limit).astype(int)
    width, height = (int(n) for n in high - low)
    window = slice(low[1], high[1]), slice(low[0], high[0])
    if width == 0 or height == 0:
        return np.zeros((height, width), np.float32), window
    pieces = np.concatenate([_cut(loop - low) for loop in loops])
    return _accumulate(pieces, width, height), window


def _cut(loop: Loop) -> NDArray[np.float64]:
    """Sides of a loop cut at every pixel border: (M, 2, 2) start and end points."""
    ends = np.roll(loop, -1, axis=0)
    # parts no longer than a pixel cross at most one border in each direction
    parts = np.ceil(np.abs(ends - loop).max(axis=1) + 1e-9).astype(int)
    side = np.repeat(np.arange(len(loop)), parts)
    step = np.arange(len(side)) - np.repeat(np.cumsum(parts) - parts, parts)
    run = (ends - loop)[side]
    start = loop[side] + run * (step / parts[side])[:, None]
    stop = loop[side] + run * ((step + 1) / parts[side])[:, None]
    border = np.maximum(np.floor(start), np.floor(stop))
    move = stop - start
    at = np.divide(border - start, move, out=np.zeros_like(move), where=np.floor(start) != np.floor(stop))
    share = np.sort(np.column_stack([np.zeros(len(at)), np.clip(at, 0.0, 1.0), np.ones(len(at))]), axis=1)
    points = start[:, None] + share[:, :, None] * move[:, None]
    return np.stack([points[:, :-1], points[:, 1:]], axis=2).reshape(-1, 2, 2)


def _accumulate(pieces: NDArray[np.float64], width: int, height: int) -> NDArray[np.float32]:
    """Sum the cut pieces' areas over the pixels to the right of them."""
    middle = pieces.mean(axis=1)
    row = np.floor(middle[:, 1]).astype(int)
    inside = (row >= 0) & (row < height) & (middle[:, 0] < width)
    middle, row, drop = middle[inside], row[inside], (pieces[:, 1, 1] - pieces[:, 0, 1])[inside]
    x = np.maximum(middle[:, 0], 0.0)  # what lies left of the picture covers whole rows of it
    column = np.floor(x).astype(int)
    right = drop * (x - column)
    cell = row * (width + 1) + column
    total = np.bincount(np.concatenate([cell, cell + 1]), np.concatenate([drop - right, right]), height * (width + 1))
    share = np.cumsum(total.reshape(height, width + 1), axis=1)[:, :width]
    return np.clip(share, 0.0, 1.0).astype(np.float32)
