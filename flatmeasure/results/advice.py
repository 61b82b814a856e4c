"""What limits a photo, by cause, and which one change would help most: computed, not phrased.

Every change is a change of the least-squares problem: one more reference adds its (foreseen) observations, a lens
profile replaces the lens's priors, a measured print replaces the tolerance of its size. The foreseen uncertainty of the
largest piece's measures is then read off the changed covariance.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from flatmeasure.photos.camera import Points
from flatmeasure.references.figures import UNIT_CORNERS, Reference, Step
from flatmeasure.results.measurement import Piece
from flatmeasure.view.bundle import information_of
from flatmeasure.view.lens_profile import u_of_change
from flatmeasure.view.projection import LOG_SIZE
from flatmeasure.view.rectification import Rectification, foreseen

U_LOG_SIZE_MEASURED = 0.0003  # 0.03 mm in 100 mm: a calliper, or a long bar measured with a steel rule
WORTHWHILE = 0.8  # a change is worth naming when it leaves no more than this share of u
LENS_CAUSES = {"focal length": [0], "lens centre": [1, 2], "lens distortion": [3, 4]}  # of the camera's unknowns
POINTS_PER_SIDE, FORESEEN_U_PX = 16, 0.05


@dataclass(frozen=True)
class Remedy:
    """One change and what it would do to a length.

    Attributes
    ----------
    change : str
        What to do, as the start of a sentence: "a second square at the far side".
    edge : str
        The edge the figures speak of.
    u_now_mm, u_then_mm : float
        Standard uncertainty of its length now and with the change.
    """

    change: str
    edge: str
    u_now_mm: float
    u_then_mm: float


def best_remedy(view: Rectification, piece: Piece, size_px: tuple[int, int]) -> Remedy | None:
    """The one change that would cut the uncertainty of the piece's longest edge most, or None if none is worth it.

    Parameters
    ----------
    view : Rectification
    piece : Piece
    size_px : (int, int)
        Width and height of the photo: a further reference must be seen in it.
    """
    edge = max(piece.edges, key=lambda e: e.chord.value)
    ends = edge.points_px[[0, -1]]

    def u_shared(changed: Rectification) -> float:
        return changed.distance(ends[0], ends[1], u_px=0.0).u

    now = u_shared(view)
    own = max(0.0, edge.length.u**2 - now**2)
    remedies = [
        Remedy(change, edge.id, edge.length.u, float(np.sqrt(own + u_shared(changed) ** 2)))
        for change, changed in _changes(view, piece, size_px)
    ]
    best = min(remedies, key=lambda r: r.u_then_mm)
    return best if best.u_then_mm < WORTHWHILE * best.u_now_mm else None


def _changes(view: Rectification, piece: Piece, size_px: tuple[int, int]) -> Iterator[tuple[str, Rectification]]:
    known = view.solution.information
    u_lens = u_of_change(size_px, float(view.pose.centre_mm[2]))
    lens = {}
    for cause, rows in LENS_CAUSES.items():
        lens[cause] = np.zeros_like(known[cause])
        lens[cause][rows, rows] = 1.0 / np.square(u_lens[rows])
    yield "a calibrated lens", foreseen(view, {**known, **lens})
    if not view.laid:
        return
    size = np.zeros_like(known["size of the references"])
    size[LOG_SIZE, LOG_SIZE] = 1.0 / U_LOG_SIZE_MEASURED**2
    yield (
        "measuring the printed square's side with a calliper",
        foreseen(view, {**known, "size of the references": size}),
    )
    further = _further_square(view, piece, size_px)
    if further is not None:
        added = information_of(view.solution, further)
        padded = {cause: _padded(part, len(added)) for cause, part in known.items()}
        padded["locating the references"] = padded["locating the references"] + added
        yield _ordinal(len(view.laid)) + " square at the far side of the cloth", foreseen(view, padded)


def _ordinal(count: int) -> str:
    return {1: "a second", 2: "a third", 3: "a fourth"}.get(count, "one more")


def _padded(matrix: Points, size: int) -> Points:
    padded = np.zeros((size, size))
    padded[: len(matrix), : len(matrix)] = matrix
    return padded


def _further_square(view: Rectification, piece: Piece, size_px: tuple[int, int]) -> Reference | None:
    """A square like the first, as it would be seen across the cloth from the references, if the picture has room."""
    first = view.laid[0]
    middle = np.mean([placed.corners_mm.mean(axis=0) for placed in view.laid], axis=0)
    cloth = (piece.outline_mm.min(axis=0) + piece.outline_mm.max(axis=0)) / 2.0
    away = (cloth - middle) / max(float(np.linalg.norm(cloth - middle)), 1e-9)
    half_mm = float(np.max(piece.outline_mm @ away) - cloth @ away) + first.reference.size_mm[0]
    centre = cloth + away * half_mm
    width, height = first.reference.size_mm
    corners = centre + (UNIT_CORNERS - 0.5) * np.array([width, -height])
    seen = view.to_picture(corners)
    if np.any(seen < 0) or np.any(seen >= np.asarray(size_px)):
        return None
    return Reference("plain-dark", None, (width, height), seen, tuple(_sides(view, corners)), None, float("nan"))


def _sides(view: Rectification, corners_mm: Points) -> Iterator[Step]:
    fractions = np.linspace(0.08, 0.92, POINTS_PER_SIDE)
    for i in range(4):
        start, end = corners_mm[i], corners_mm[(i + 1) % 4]
        points = view.to_picture(start + fractions[:, None] * (end - start))
        along = points[-1] - points[0]
        normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
        yield Step(
            tuple(UNIT_CORNERS[i]),
            tuple(UNIT_CORNERS[(i + 1) % 4]),
            fractions,
            points,
            np.tile(normal, (POINTS_PER_SIDE, 1)),
            np.full(POINTS_PER_SIDE, FORESEEN_U_PX),
        )
