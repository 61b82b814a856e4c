"""Where a seam serves: a piece is laid where most of it lies on free cloth, and what sticks out is cut off.

For every direction the seam is put just so far in that the part that stays, with its allowance, lies on the cloth (to a
whole millimetre from its end); the best direction is the one that cuts off least.
"""

from collections.abc import Iterator, Sequence

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import MultiPoint, Polygon
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.depth_maps import inside_grid
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.seams import ACROSS_DEG, ALONG_DEG, NARROWEST_PART_MM, Seams, allowance_of, extent, split_piece
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel_parts import polygons

CELLS = 30_000  # of a cloth's grid
PLACES = 3  # on each cloth, for each turn
DIRECTION_STEP_DEG = 15.0
ROOM_MM = 1.0  # between the part that stays and the cloth's edge: a layout without any is hard to find


def serving_seams(piece: PatternPiece, free: Sequence[BaseGeometry]) -> tuple[Seams, ...]:
    """Seams with which the greater part of a piece lies on free cloth.

    Parameters
    ----------
    piece : PatternPiece
    free : sequence of geometry
        Cloth that is not taken, grain up.

    Returns
    -------
    tuple of Seams
        At most three, one seam each: the one that cuts off least of those across and along the grain, and the best
        slanted one where it cuts off less than those.
    """
    best: dict[str, tuple[float, Seams]] = {}
    for outside in _sticking_out(piece, free):
        for direction in np.arange(0.0, 360.0, DIRECTION_STEP_DEG):
            seams = _inward_seam(piece, outside, float(direction))
            parts = split_piece(piece, seams) if seams else None
            if seams is None or parts is None:
                continue
            kind = {ACROSS_DEG: "across", ALONG_DEG: "along"}.get(seams.normal_deg, "slanted")
            cut_off = parts[1 if direction < 180.0 else 0].cut.area
            if kind not in best or cut_off < best[kind][0] - 1e-6:
                best[kind] = cut_off, seams
    straight = [best[kind] for kind in ("across", "along") if kind in best]
    slanted = [best["slanted"]] if "slanted" in best else []
    if straight and slanted and slanted[0][0] >= min(area for area, _ in straight):
        slanted = []
    return tuple(seams for _, seams in [*sorted(straight, key=lambda one: one[0]), *slanted])


def _inward_seam(piece: PatternPiece, outside: Points, direction_deg: float) -> Seams | None:
    """The seam across a direction that leaves the points on its far side, the allowance between."""
    normal = np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))])
    low, high = extent(piece.finished, direction_deg)
    at = min(float(np.min(outside @ normal)) - allowance_of(piece) - ROOM_MM, high - NARROWEST_PART_MM)
    at = low + float(np.floor(at - low))
    if at < low + NARROWEST_PART_MM:
        return None
    return Seams(direction_deg, (at,)) if direction_deg < 180.0 else Seams(direction_deg - 180.0, (-at,))


def _sticking_out(piece: PatternPiece, free: Sequence[BaseGeometry]) -> Iterator[Points]:
    """Points (N, 2) of what lies beside the cloth, in the piece's own frame, for the places where that is least."""
    for cloth in (one for one in free if not one.is_empty):
        step = _step(cloth)
        for mirrored in (False, True) if piece.pair else (False,):
            seen = affinity.scale(piece.cut, -1.0, 1.0, origin=(0, 0)) if mirrored else piece.cut
            for turn in piece.turns_deg():
                shape = affinity.rotate(seen, turn, origin=(0, 0))
                for at in _best_places(shape, cloth, step):
                    beside = affinity.translate(shape, *at).difference(cloth)
                    rest = beside.buffer(-0.75 * step).buffer(1.75 * step)  # places are known to a step only
                    points = [np.asarray(part.exterior.coords) for part in polygons(rest)]
                    if points:
                        back = _turned(np.concatenate(points) - at, -turn)
                        yield back * ([-1.0, 1.0] if mirrored else [1.0, 1.0])


def _step(cloth: BaseGeometry) -> float:
    left, low, right, high = cloth.bounds
    return max(float(np.sqrt((right - left) * (high - low) / CELLS)), 1.0)


def _best_places(shape: Polygon, cloth: BaseGeometry, step: float) -> list[Points]:
    """Shifts with which most of a shape lies on a cloth, apart from each other."""
    left, low, right, high = cloth.bounds
    x0, y0, x1, y1 = shape.bounds
    mask = inside_grid(shape, np.arange(x0, x1, step), np.arange(y0, y1, step))
    rows, columns = mask.shape
    x, y = np.arange(left - columns * step, right, step), np.arange(low - rows * step, high, step)
    free = inside_grid(
        cloth,
        np.append(x, x[-1] + step * np.arange(1, columns + 1)),
        np.append(y, y[-1] + step * np.arange(1, rows + 1)),
    )
    covered = cv2.matchTemplate(free, mask, cv2.TM_CCORR)
    found = []
    for _ in range(PLACES):
        alike = np.argwhere(covered > np.max(covered) - 0.5)  # in cells, which are whole numbers
        for corner in dict.fromkeys(tuple(map(int, one)) for one in (*_ends(alike), *_ends(alike[:, ::-1])[:, ::-1])):
            row, column = corner
            found.append(np.array([x[0] + column * step - x0, y[0] + row * step - y0]))
        row, column = alike[0]
        near = (slice(max(k - n // 4, 0), k + n // 4 + 1) for k, n in ((row, rows), (column, columns)))
        covered[tuple(near)] = 0.0
    return found


def _ends(cells: NDArray[np.intp]) -> NDArray[np.intp]:
    """The first and last of cells (N, 2) in their own order."""
    order = np.lexsort((cells[:, 1], cells[:, 0]))
    return cells[order[[0, -1]]]


def _turned(points: Points, turn_deg: float) -> Points:
    return shapely.get_coordinates(affinity.rotate(MultiPoint(points), turn_deg, origin=(0, 0)))
