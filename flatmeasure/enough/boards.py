"""Cloth to cut from.

A board is a measured piece seen from its right side with its grain running up. In two layers cut together (right sides
together, as cloth is folded) a piece comes out with its mirror image.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import shapely
from scipy.special import ndtr, ndtri
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.parts import inner_cloth
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import OutlineError, Panel
from flatmeasure.pieces.rectangles import usable
from flatmeasure.quantity import CORRELATION_MM, root_sum_squares

COVER = 2.0  # coverage factor of a statement, about 95 % (JCGM 100)


class Face(StrEnum):
    """The side of the cloth that the photo shows."""

    RIGHT = "right"
    WRONG = "wrong"
    BOTH = "both"  # both sides may be used


@dataclass(frozen=True, eq=False)
class Board:
    """A piece of cloth to cut from.

    Attributes
    ----------
    name : str
    cloth : geometry
        As measured, holes and flaws left out, in the board's frame.
    u_mm : float
        Standard uncertainty of the place of its outline, everywhere at once.
    face : Face
    layers : int
        1, or 2 that are cut together.
    turn_deg : float
        Counter-clockwise from the mat's frame to the board's, before it is mirrored.
    mirrored : bool
        Whether the photo shows its wrong side.
    error : OutlineError
        Of the measured piece, by cause.
    layer : str
        ``"upper"`` or ``"lower"`` where it is one of two layers that are cut by themselves.
    """

    name: str
    cloth: BaseGeometry
    u_mm: float
    face: Face = Face.RIGHT
    layers: int = 1
    turn_deg: float = 0.0
    mirrored: bool = False
    error: OutlineError = OutlineError()  # noqa: RUF009 - frozen
    layer: str = ""

    @property
    def label(self) -> str:
        """Its name, and which layer it is."""
        return f"{self.name}, {self.layer} layer" if self.layer else self.name

    def to_mat(self, points_mm: Points) -> Points:
        """Points (N, 2) of the board in the mat's frame of its photo."""
        points = np.asarray(points_mm, dtype=np.float64) * ([-1.0, 1.0] if self.mirrored else [1.0, 1.0])
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        return np.asarray(points @ np.array([[c, -s], [s, c]]))


def board_of(panel: Panel, face: Face = Face.RIGHT, name: str | None = None) -> Board:
    """A measured piece as a board; without a known grain, the mat's y axis counts as its grain.

    Parameters
    ----------
    panel : Panel
    face : Face
        The side of the cloth that the photo shows.
    name : str, optional
        What answers call it; the panel's id when None.

    Returns
    -------
    Board
        Its u is `outline_u_mm` of the panel.
    """
    turn = 90.0 - (panel.grain.angle_deg if panel.grain else 90.0)
    cloth = affinity.rotate(usable(panel), turn, origin=(0, 0))
    if face is Face.WRONG:
        cloth = affinity.scale(cloth, -1.0, 1.0, origin=(0, 0))
    return Board(
        name=name or panel.id,
        cloth=cloth,
        u_mm=outline_u_mm(panel),
        face=face,
        layers=min(panel.layers, 2),
        turn_deg=turn,
        mirrored=face is Face.WRONG,
        error=panel.error,
    )


def outline_u_mm(panel: Panel) -> float:
    """How far in its outline may lie, everywhere at once, as a standard uncertainty.

    A scale error moves a place by scale x its distance from the middle, at most R, and a shift moves all alike:
    u^2 = (scale R)^2 + shift^2. The places' own errors are independent from one correlation length to the next, so of n
    places the worst counts: its quantile that is as sure as `COVER` standard uncertainties of a single one.
    """
    error = panel.error
    together = root_sum_squares(error.scale * shapely.minimum_bounding_radius(panel.outer), error.shift_mm)
    places = max(panel.polygon.length / CORRELATION_MM, 1.0)
    return together + error.point_mm * joint_coverage(COVER, places) / COVER


def joint_coverage(coverage: float, count: float) -> float:
    """The k that none of ``count`` independent errors exceeds, as surely as one alone does not exceed ``coverage``."""
    return float(ndtri(ndtr(coverage) ** (1.0 / count))) if count > 1.0 else coverage


def separate_layers(boards: Sequence[Board]) -> tuple[Board, ...]:
    """Boards of which each layer is cut by itself: the lower one shows its other side."""
    single: list[Board] = []
    for board in boards:
        if board.layers == 1:
            single.append(board)
            continue
        lower = affinity.scale(board.cloth, -1.0, 1.0, origin=(0, 0))
        single.append(replace(board, layers=1, layer="upper"))
        single.append(replace(board, layers=1, layer="lower", cloth=lower, mirrored=not board.mirrored))
    return tuple(single)


@dataclass(frozen=True)
class LayRules:
    """How pieces may lie.

    Attributes
    ----------
    tolerance_deg : float
        The grain of a piece may differ from the cloth's by so much.
    clearance_mm : float
        Between pieces.
    """

    tolerance_deg: float = 0.0
    clearance_mm: float = 0.0


def outlines_of(boards: Sequence[Board], coverage: float) -> tuple[BaseGeometry, ...]:
    """Boards smaller all round by ``coverage`` standard uncertainties; larger where that is negative."""
    return tuple(inner_cloth(board.cloth, coverage * board.u_mm) for board in boards)
