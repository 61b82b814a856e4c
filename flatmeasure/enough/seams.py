"""A pattern piece in parts: straight seams anywhere, with the allowance on both sides, finished measures kept.

Seams are parallel lines in the frame of `PatternPiece.cut`, where the grain runs up.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel_parts import polygons
from flatmeasure.units import LengthUnit, format_length

SEAM_MM = 10.0  # allowance of a new seam of a piece that states none
NARROWEST_PART_MM = 40.0
ACROSS_DEG, ALONG_DEG = 90.0, 0.0  # normals of seams across and along the grain


@dataclass(frozen=True)
class Seams:
    """Parallel straight seams.

    Attributes
    ----------
    normal_deg : float
        Direction across them, 0 to 180 counter-clockwise from the right: 90 for seams across the grain.
    at_mm : tuple of float
        Where they lie along it, ascending.
    """

    normal_deg: float
    at_mm: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Split:
    """A piece of which some copies are made of parts.

    Attributes
    ----------
    piece : PatternPiece
        As it was.
    seams : Seams
    parts : tuple of PatternPiece
        Of one copy that is not the mirror image.
    copies : int
        How many are made of parts.
    """

    piece: PatternPiece
    seams: Seams
    parts: tuple[PatternPiece, ...]
    copies: int

    def told(self, unit: LengthUnit) -> str:
        """What to do, one sentence."""
        piece, count = self.piece, len(self.seams.at_mm)
        who = piece.name if self.copies == piece.pieces else f"{self.copies} of {piece.pieces} {piece.name}"
        return (
            f"Make {who} of {count + 1} parts, with {_where(piece, self.seams, unit)} (finished), "
            f"{format_length(allowance_of(piece), unit)} of allowance on both sides."
        )


def allowance_of(piece: PatternPiece) -> float:
    """Allowance on both sides of a new seam."""
    return piece.wanted_mm or SEAM_MM


def seams_at(piece: PatternPiece, shares: Sequence[float], normal_deg: float) -> Seams:
    """Seams at shares of the finished piece's extent, from its lower or left end."""
    low, high = extent(piece.finished, normal_deg)
    return Seams(normal_deg, tuple(low + share * (high - low) for share in shares))


def extent(shape: Polygon, normal_deg: float) -> tuple[float, float]:
    """Least and greatest place of a shape along a direction."""
    along = np.asarray(shape.exterior.coords) @ _normal(normal_deg)
    return float(np.min(along)), float(np.max(along))


def split_piece(piece: PatternPiece, seams: Seams) -> tuple[PatternPiece, ...] | None:
    """A piece in parts that sewn together have its finished measures.

    Parameters
    ----------
    piece : PatternPiece
    seams : Seams

    Returns
    -------
    tuple of PatternPiece or None
        From the lower or left end on, grain up, with the allowance of the piece and of the seams included; None where a
        part would be too narrow or fall in two.
    """
    allowance = allowance_of(piece)
    low, high = extent(piece.finished, seams.normal_deg)
    bounds = [low, *seams.at_mm, high]
    parts = []
    for k, word in enumerate(_words(seams)):
        start = -np.inf if k == 0 else bounds[k]
        end = np.inf if k == len(seams.at_mm) else bounds[k + 1]
        cut = polygons(_band(piece.cut, seams.normal_deg, start - allowance, end + allowance))
        sewn = polygons(_band(piece.finished, seams.normal_deg, start, end))
        if len(cut) != 1 or len(sewn) != 1 or bounds[k + 1] - bounds[k] < NARROWEST_PART_MM:
            return None
        parts.append(
            replace(
                piece,
                name=f"{piece.name}, {word} part",
                drawn=cut[0],
                sewn=sewn[0],
                grain_deg=90.0,
                included_mm=piece.wanted_mm,
                value=None if piece.value is None else piece.value * cut[0].area / piece.cut.area,
            )
        )
    return tuple(parts)


def split_copies(split: Split, hands: Sequence[bool]) -> tuple[PatternPiece, ...]:
    """The pieces when only some copies are split, whole copies first.

    Parameters
    ----------
    split : Split
    hands : sequence of bool
        For each copy that is made of parts, whether it is the mirror image.
    """
    piece, parts = split.piece, split.parts
    mirrored, own = sum(hands), len(hands) - sum(hands)
    if not piece.pair:
        return _some(piece, piece.count - len(hands)) + _all_some(parts, len(hands))
    pairs, odd = min(mirrored, own), abs(mirrored - own)
    split_hand, whole_hand = (
        (parts, mirror_image(piece)) if own > mirrored else (tuple(map(mirror_image, parts)), piece)
    )
    single = replace(whole_hand, name=f"{whole_hand.name}, single", pair=False)
    return (
        _some(piece, piece.count - pairs - odd)
        + _some(single, odd)
        + _all_some(parts, pairs)
        + _all_some(tuple(replace(one, name=f"{one.name}, single", pair=False) for one in split_hand), odd)
    )


def mirror_image(piece: PatternPiece) -> PatternPiece:
    """The piece turned over sideways."""
    drawn, sewn = (
        None if one is None else affinity.scale(one, -1.0, 1.0, origin=(0, 0)) for one in (piece.drawn, piece.sewn)
    )
    assert drawn is not None
    return replace(piece, name=f"{piece.name} mirrored", drawn=drawn, sewn=sewn, grain_deg=180.0 - piece.grain_deg)


def seam_lines(piece: PatternPiece, seams: Seams) -> tuple[Points, ...]:
    """(2, 2) ends of each seam on the finished outline, left or upper end first, in the frame of ``piece.cut``."""
    normal = _normal(seams.normal_deg)
    along = np.array([-normal[1], normal[0]])
    low, high = extent(piece.finished, (seams.normal_deg + 90.0) % 360.0)
    lines = []
    for at in seams.at_mm:
        crossed = LineString([at * normal + s * along for s in (low - 1.0, high + 1.0)]).intersection(piece.finished)
        ends = np.concatenate([np.asarray(one.coords) for one in getattr(crossed, "geoms", [crossed])])
        lines.append(ends[np.argsort(-(ends @ along))][[0, -1]])
    return tuple(lines)


def _where(piece: PatternPiece, seams: Seams, unit: LengthUnit) -> str:
    def rounded(lengths_mm: Iterable[float]) -> str:
        return " and ".join(format_length(round(length), unit) for length in lengths_mm)

    low, _ = extent(piece.finished, seams.normal_deg)
    count = "a seam" if len(seams.at_mm) == 1 else "two seams"
    places = rounded(at - low for at in seams.at_mm)
    if seams.normal_deg == ACROSS_DEG:
        return f"{count} across the grain {places} from its lower end"
    if seams.normal_deg == ALONG_DEG:
        return f"{count} along the grain {places} from its left edge"
    bottom = piece.finished.bounds[1]
    heights = rounded(y - bottom for _, y in sorted(seam_lines(piece, seams)[0].tolist()))
    return f"a slanted seam whose left and right end lie {heights} above its lower end"


def _some(piece: PatternPiece, count: int) -> tuple[PatternPiece, ...]:
    return (replace(piece, count=count),) if count else ()


def _all_some(parts: Sequence[PatternPiece], count: int) -> tuple[PatternPiece, ...]:
    return tuple(one for part in parts for one in _some(part, count))


def _words(seams: Seams) -> tuple[str, ...]:
    first, last = ("lower", "upper") if 45.0 <= seams.normal_deg <= 135.0 else ("left", "right")
    if seams.normal_deg > 135.0:
        first, last = last, first
    return (first, last) if len(seams.at_mm) == 1 else (first, "middle", last)


def _normal(normal_deg: float) -> Points:
    return np.array([np.cos(np.radians(normal_deg)), np.sin(np.radians(normal_deg))])


def _band(shape: Polygon, normal_deg: float, start: float, end: float) -> BaseGeometry:
    """What of a shape lies between two lines across a direction."""
    turned = affinity.rotate(shape, -normal_deg, origin=(0, 0)) if normal_deg else shape
    left, low, right, high = turned.bounds
    inside = turned.intersection(box(max(start, left - 1.0), low - 1.0, min(end, right + 1.0), high + 1.0))
    return affinity.rotate(inside, normal_deg, origin=(0, 0)) if normal_deg else inside
