"""Every placed piece: on its cloth, on the mat of the photo that shows the cloth, and in that photo."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import polylabel, unary_union

from flatmeasure.enough.boards import Board
from flatmeasure.enough.parts import Part, Stance
from flatmeasure.enough.verdict import Answer
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel_parts import ring_points
from flatmeasure.pieces.picture_map import picture_map

GRAIN_SHARE = 0.7  # of the stretch inside the piece
INSIDE_MM = 2.0  # precision of the middle of a piece's widest part
DENSE_MM = 20.0  # between points of an outline in a photo, so that a lens bends it


@dataclass(frozen=True, eq=False)
class Placement:
    """A piece where it is cut.

    Attributes
    ----------
    part : Part
    board : Board
    stance : Stance
    outline : Polygon
        To cut along, in the board's frame.
    """

    part: Part
    board: Board
    stance: Stance
    outline: Polygon

    @property
    def outline_on_mat_mm(self) -> Points:
        """(N, 2) outline in the mat's frame of the cloth's photo."""
        return self.board.to_mat(ring_points(self.outline))

    @property
    def grain_on_mat_mm(self) -> Points:
        """(2, 2) line through the piece along its grain, towards its top, in the mat's frame."""
        return self.board.to_mat(_grain_line(self.outline, 90.0 + self.stance.turn_deg))


@dataclass(frozen=True, eq=False)
class PlacedOutline:
    """A placed piece in the photo of its cloth.

    Attributes
    ----------
    piece : str
        Name of the pattern piece.
    copy : int
        From 1 on.
    mirrored : bool
        Whether it is the mirror image that is cut there.
    cloth, layer : str
        The cloth's name; its layer is ``"both"``, ``"upper"``, ``"lower"`` or, of cloth in one layer, empty.
    outline_px : (N, 2) array
    grain_px : (2, 2) array
        Along its grain, towards its top.
    """

    piece: str
    copy: int
    mirrored: bool
    cloth: str
    layer: str
    outline_px: Points
    grain_px: Points


def placements(answer: Answer) -> Iterator[Placement]:
    """The placed pieces of an answer."""
    layout = answer.layout
    for i, outline in layout.outlines().items():
        part = layout.parts[i]
        yield Placement(part, answer.boards[layout.places.board[i]], part.stances[layout.places.stance[i]], outline)


def uncut(answer: Answer, cloths: Sequence[BaseGeometry]) -> list[BaseGeometry]:
    """What of each cloth lies outside the placed pieces; ``cloths`` are those of the answer's boards, or smaller."""
    laid = answer.layout.outlines()
    cuts = [
        unary_union([shape for i, shape in laid.items() if answer.layout.places.board[i] == k])
        for k in range(len(cloths))
    ]
    return [cloth.difference(cut.buffer(1e-3)) for cloth, cut in zip(cloths, cuts, strict=True)]


def placed_outlines_px(layout: dict[str, Any], measurement: dict[str, Any], cloth: str = "") -> list[PlacedOutline]:
    """A layout in pixels of the photo that shows the cloth.

    Parameters
    ----------
    layout : dict
        An answer's JSON object (`answer_text.answer_to_dict`).
    measurement : dict
        JSON object of the measurement of that photo.
    cloth : str, optional
        Only what lies on the cloth of this name; needed where the cloths were measured in several photos.

    Returns
    -------
    list of PlacedOutline

    Raises
    ------
    PieceUnreadable
        If the measurement does not tell where its outlines lie in the photo.
    """
    view = picture_map(measurement)
    return [
        PlacedOutline(
            piece["piece"],
            piece["copy"],
            piece["mirrored"],
            piece["cloth"],
            piece["layer"],
            view.to_picture(_dense(np.asarray(piece["outline_on_mat_mm"], dtype=np.float64))),
            view.to_picture(np.asarray(piece["grain_on_mat_mm"], dtype=np.float64)),
        )
        for piece in layout["pieces"]
        if cloth in ("", piece["cloth"])
    ]


def _grain_line(shape: Polygon, angle_deg: float) -> Points:
    """Two points inside a piece, along a direction."""
    middle = np.asarray(polylabel(Polygon(shape.exterior), INSIDE_MM).coords[0])
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    far = float(np.hypot(*np.ptp(ring_points(shape), axis=0)))
    crossed = LineString([middle - far * along, middle + far * along]).intersection(Polygon(shape.exterior))
    inside = min(getattr(crossed, "geoms", [crossed]), key=lambda line: line.distance(Point(middle)))
    ends = np.asarray(inside.coords)
    ends = ends[np.argsort(ends @ along)][[0, -1]]
    return np.asarray(ends.mean(axis=0) + GRAIN_SHARE * (ends - ends.mean(axis=0)))


def _dense(ring: Points) -> Points:
    """The ring with further points on its long sides."""
    sides = np.roll(ring, -1, axis=0) - ring
    counts = 1 + (np.hypot(*sides.T) / DENSE_MM).astype(int)
    return np.concatenate(
        [at + np.arange(n)[:, None] / n * side for at, side, n in zip(ring, sides, counts, strict=True)]
    )
