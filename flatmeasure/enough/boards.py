"""Cloth to cut from.

A board is a measured piece seen from its right side with its grain running up. In two layers cut together (right sides
together, as cloth is folded) a piece comes out with its mirror image.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.parts import inner_cloth
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.rectangles import usable
from flatmeasure.quantity import root_sum_squares


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
        Standard uncertainty of the place of its outline.
    face : Face
    layers : int
        1, or 2 that are cut together.
    turn_deg : float
        Counter-clockwise from the mat's frame to the board's, before it is mirrored.
    mirrored : bool
        Whether the photo shows its wrong side.
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

    The outline's u: a scale error moves a place by scale x its distance from the middle, at most R; so
    u^2 = (scale R)^2 + shift^2 + point^2, the same all round.
    """
    turn = 90.0 - (panel.grain.angle_deg if panel.grain else 90.0)
    cloth = affinity.rotate(usable(panel), turn, origin=(0, 0))
    if face is Face.WRONG:
        cloth = affinity.scale(cloth, -1.0, 1.0, origin=(0, 0))
    reach = shapely.minimum_bounding_radius(panel.outer)
    return Board(
        name=name or panel.id,
        cloth=cloth,
        u_mm=root_sum_squares(panel.error.scale * reach, panel.error.shift_mm, panel.error.point_mm),
        face=face,
        layers=min(panel.layers, 2),
        turn_deg=turn,
        mirrored=face is Face.WRONG,
    )


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
