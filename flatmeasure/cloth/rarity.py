"""How strange each colour of a piece is: how far from any that the piece shows in other places too.

The colours of stripes, plaid and prints come back all over the piece, and so do threads, sequins and glare; those of a
stain stand in one place. Where two colours meet, their mixtures come back as well, so a colour spread evenly is held
only against others that are spread evenly.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.ground import over_channels

Values = NDArray[np.float32]
Mask = NDArray[np.bool_]

_SCALE = np.array([1.0, 1.6, 1.6], np.float32)  # of CIE L*a*b* codes: clean cloth varies less in hue than in lightness
_BIN, _COARSER, _MOST_COLOURS = 5.0, 1.25, 900  # scaled codes; bins grow until there are few enough
_ALIKE = 1.5  # bins apart that count as one colour
_CELL = 0.15  # of the root of the piece's area: a flaw covers a few cells that lie together
_FEW_CELLS = 4  # a colour seen in no more cells away from a place is strange there
_PRESENT = 0.004  # of a cell's pixels
_EVEN_STEP = 4.0  # scaled codes from a pixel to the next


def strangeness(away: Values, inside: Mask, reach: float) -> Values:
    """Distance, in scaled codes, of each pixel's colour from the nearest that shows in other places of the piece.

    Parameters
    ----------
    away : (H, W, 3) float32 array
        Colours less the light's slow changes, CIE L*a*b* codes.
    inside : (H, W) bool array
        The piece.
    reach : float
        Root of the piece's area, pixels.
    """
    rows, columns = np.nonzero(inside)
    colour, colours, width = _counted(away[rows, columns] * _SCALE)
    apart = _apart(colours)
    side = max(2.0, _CELL * reach)
    grid = (int(inside.shape[0] / side) + 1, int(inside.shape[1] / side) + 1)
    cell = (rows / side).astype(np.int64) * grid[1] + (columns / side).astype(np.int64)
    place = colour * (grid[0] * grid[1]) + cell
    even_at = _is_even(away)
    broadly = cv2.morphologyEx(even_at.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)).astype(bool)
    even, broad = even_at[rows, columns], broadly[rows, columns]
    strange = np.zeros(inside.shape, np.float32)
    for these, compared in ((~broad, np.ones_like(even)), (broad, even)):
        counts = np.bincount(place[compared], minlength=len(colours) * grid[0] * grid[1]).astype(np.float32)
        alike = (apart <= _ALIKE).astype(np.float32) @ counts.reshape(len(colours), -1)
        shown = (alike > _PRESENT * side**2).reshape(len(colours), *grid)
        strange[rows[these], columns[these]] = (
            width * _from_common(counts.reshape(len(colours), -1) > 0, shown, apart)[colour[these], cell[these]]
        )
    return strange


def _counted(colours: Values) -> tuple[NDArray[np.int64], Values, float]:
    """Number of each colour's bin (N, 3) -> (N,), the bins in use (U, 3), and their width in scaled codes."""
    width, channels = _BIN, np.ascontiguousarray(colours.T)
    while True:
        bins = np.rint(channels / np.float32(width)).astype(np.int64)
        bins -= bins.min(axis=1, keepdims=True)
        extent = tuple(int(count) for count in bins.max(axis=1) + 1)
        flat = np.ravel_multi_index(tuple(bins), extent)
        used = np.flatnonzero(np.bincount(flat))
        if len(used) <= _MOST_COLOURS:
            number = np.zeros(int(used[-1]) + 1, np.int64)
            number[used] = np.arange(len(used))
            return number[flat], np.stack(np.unravel_index(used, extent), axis=1).astype(np.float32), width
        width *= _COARSER


def _apart(colours: Values) -> Values:
    """(U, U) distances between colours (U, 3)."""
    square = np.square(colours).sum(axis=1)
    return np.asarray(np.sqrt(np.maximum(square[:, None] + square - 2.0 * colours @ colours.T, 0.0)), np.float32)


def _from_common(present: Mask, shown: Mask, apart: Values) -> Values:
    """(U, C) distance of each colour, seen from each of C cells, to the nearest that is common elsewhere.

    ``present`` (U, C) tells which colours each cell holds at all, ``shown`` (U, rows, columns) which it shows plainly.
    """
    _, height, width = shown.shape
    padded = np.pad(shown.astype(np.float32), ((0, 0), (1, 1), (1, 1)))
    across = padded[:, :, :width] + padded[:, :, 1:-1] + padded[:, :, 2:]
    near = across[:, :height] + across[:, 1:-1] + across[:, 2:]
    common = (padded.sum(axis=(1, 2))[:, None, None] - near > _FEW_CELLS).reshape(len(apart), -1)
    distance = np.zeros(common.shape, np.float32)
    for k in np.flatnonzero(common.any(axis=0)):
        rare = np.flatnonzero(present[:, k] & ~common[:, k])
        distance[rare, k] = apart[np.ix_(rare, np.flatnonzero(common[:, k]))].min(axis=1)
    return distance


def _is_even(away: Values) -> Mask:
    """Whether a pixel and those around it have nearly the same colour."""
    steps = [cv2.Sobel(away, cv2.CV_32F, dx, 1 - dx, scale=0.125) * _SCALE for dx in (0, 1)]
    even = over_channels(np.square(steps[0]) + np.square(steps[1])) < _EVEN_STEP**2
    return np.asarray(even, dtype=bool)
