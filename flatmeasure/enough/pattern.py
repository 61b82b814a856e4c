"""Pattern pieces: what is to be cut, how often, and how it may lie on the cloth.

A piece holds its outline as drawn. That may include a seam allowance, and another may be wanted: the cut outline is
the drawn one moved by the difference. Files of pieces are read by `pattern_file`.
"""

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient
from shapely.validation import explain_validity

from flatmeasure.errors import PatternInvalid
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.allowance import LARGEST_ALLOWANCE_MM
from flatmeasure.pieces.panel_parts import polygons

SMALLEST_MM, LARGEST_MM = 3.0, 20_000.0  # of a piece's longer side: outside, its unit was mistaken
MOST_COPIES = 200
SEWN_MM = 0.01  # a finished outline may leave the drawn one by rounding
MITRE_LIMIT = 5.0  # of the allowance: a sharper point is cut off there


class Turns(StrEnum):
    """How a piece may be turned against the cloth's grain."""

    BOTH = "both"  # along the grain, either way up
    ONE_WAY = "one way"  # nap or print: as drawn
    QUARTER = "quarter"  # along or across the grain
    ANY = "any"  # cloth or piece without grain


@dataclass(frozen=True, eq=False)
class PatternPiece:
    """A piece of a pattern.

    Attributes
    ----------
    name : str
    drawn : Polygon
        Outline as drawn, mm; may have holes.
    count : int
        How many are wanted; of a pair, how many pairs.
    pair : bool
        Whether each comes with its mirror image.
    grain_deg : float
        Direction of the lengthwise grain in the drawing, counter-clockwise from its x axis.
    turns : Turns
    bias : bool
        Whether the grain mark goes at 45 degrees to the cloth's grain.
    included_mm, wanted_mm : float
        Seam allowance that the drawn outline includes, and that is wanted.
    value : float or None
        What it is worth when not all fit; its area in cm2 when None.
    sewn : Polygon or None
        The finished outline in the drawing, where it is not the drawn one less the same allowance all round.
    """

    name: str
    drawn: Polygon
    count: int = 1
    pair: bool = False
    grain_deg: float = 90.0
    turns: Turns = Turns.BOTH
    bias: bool = False
    included_mm: float = 0.0
    wanted_mm: float = 0.0
    value: float | None = None
    sewn: Polygon | None = None

    @cached_property
    def cut(self) -> Polygon:
        """The outline to cut along, its grain running up."""
        return affinity.rotate(self._offset(self.wanted_mm), 90.0 - self.grain_deg, origin=(0, 0))

    @cached_property
    def finished(self) -> Polygon:
        """The stitching line, in the frame of `cut`."""
        return affinity.rotate(self.sewn or self._offset(0.0), 90.0 - self.grain_deg, origin=(0, 0))

    @property
    def pieces(self) -> int:
        """How many outlines are to be cut from single cloth."""
        return self.count * (2 if self.pair else 1)

    def turns_deg(self) -> tuple[float, ...]:
        """Turns of `cut` that are allowed on cloth whose grain runs up, the preferred ones first."""
        quarters = (0.0, 180.0, 90.0, 270.0)
        turns = {Turns.ONE_WAY: quarters[:1], Turns.BOTH: quarters[:2]}.get(self.turns, quarters)
        if not self.bias:
            return turns
        return tuple(dict.fromkeys((turn + slant) % 360.0 for slant in (45.0, 315.0) for turn in turns))

    def _offset(self, allowance_mm: float) -> Polygon:
        by = allowance_mm - self.included_mm
        if by == 0.0:
            return self.drawn
        parts = polygons(self.drawn.buffer(by, join_style="mitre", mitre_limit=MITRE_LIMIT))
        if len(parts) != 1:
            raise PatternInvalid(
                f"An allowance of {self.included_mm:g} mm leaves nothing whole of the piece {self.name}: "
                "it is narrower than that somewhere. Give a smaller one."
            )
        return parts[0]


def check_piece(piece: PatternPiece) -> PatternPiece:
    """The piece, if it can be cut.

    Raises
    ------
    PatternInvalid
        Crosses itself, has no area, or has a size, count or allowance that makes no sense.
    """
    name, shape = piece.name, piece.drawn
    if not shape.is_valid:
        raise PatternInvalid(f"The outline of the piece {name} crosses itself ({_where(shape)}): draw it anew.")
    left, low, right, high = shape.bounds
    longest = max(right - left, high - low)
    if not SMALLEST_MM <= longest <= LARGEST_MM:
        raise PatternInvalid(f"The piece {name} would be {_told(longest)} long: check the unit it is drawn in.")
    if shape.area < 1.0:
        raise PatternInvalid(f"The piece {name} has no area: give its outline.")
    if not 1 <= piece.count <= MOST_COPIES:
        raise PatternInvalid(f"The piece {name} is wanted {piece.count} times: give a count from 1 to {MOST_COPIES}.")
    for word, allowance in (("includes", piece.included_mm), ("is to have", piece.wanted_mm)):
        if not 0.0 <= allowance <= LARGEST_ALLOWANCE_MM:
            raise PatternInvalid(
                f"The piece {name} {word} an allowance of {allowance:g} mm: "
                f"give one from 0 to {LARGEST_ALLOWANCE_MM:g} mm."
            )
    if piece.value is not None and not (np.isfinite(piece.value) and piece.value > 0.0):
        raise PatternInvalid(f"The value of the piece {name} must be a number above 0.")
    if piece.sewn is not None and not piece.drawn.buffer(SEWN_MM).covers(piece.sewn):
        raise PatternInvalid(f"The finished outline of the piece {name} leaves its drawn one: draw it inside.")
    if piece.cut.area <= 0.0 or piece.finished.area <= 0.0:
        raise PatternInvalid(f"Nothing is left of the piece {name} without its allowance.")
    return piece


def polygon_of(name: str, outline: Points, holes: list[Points] | None = None) -> Polygon:
    """A piece's outline from its points, a repeated last point left out, checked to be one.

    Raises
    ------
    PatternInvalid
    """
    points = np.asarray(outline, dtype=np.float64)
    if points.ndim != 2 or points.shape[1:] != (2,) or not np.all(np.isfinite(points)):
        raise PatternInvalid(f"The outline of the piece {name} is no list of [x, y] points.")
    if len(np.unique(points, axis=0)) < 3:
        raise PatternInvalid(f"The outline of the piece {name} has fewer than three points.")
    shape = Polygon(points, holes or [])
    if shape.area == 0.0 and shape.convex_hull.area == 0.0:
        raise PatternInvalid(f"The outline of the piece {name} has no area: all its points lie on a line.")
    if not shape.is_valid:
        raise PatternInvalid(f"The outline of the piece {name} crosses itself ({_where(shape)}): draw it anew.")
    return orient(shape)


def _told(length_mm: float) -> str:
    return f"{length_mm / 1000.0:.4g} m" if length_mm >= 1000.0 else f"{length_mm:.4g} mm"


def _where(shape: Polygon) -> str:
    reason = explain_validity(shape)
    found = reason[reason.find("[") + 1 : reason.find("]")].split() if "[" in reason else []
    return f"at {float(found[0]):.0f}, {float(found[1]):.0f} mm" if len(found) == 2 else reason.lower()
