"""Corners put right by a person, who knows better where they are; the measures follow.

A corner set on the outline parts the edges there. It moves on to where they cross, when they do so within the accuracy
of a hand. A corner set off the outline says that the outline was wrong there, at a folded tip or in a shadow: from
where the outline heads for the given point on either side, it now runs straight to it.

An edge is named after the corner where it begins, and keeps its name as long as that corner stays, moved or not; the
edge behind a new corner takes the next free number.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from flatmeasure.edges.breaks import BLUNTEST_DEG
from flatmeasure.edges.fitting import chain_to_fit
from flatmeasure.edges.joints import FEWEST_POINTS, Break, Chain, Fits, between
from flatmeasure.errors import OptionInvalid
from flatmeasure.outline.leading import lead_through, nearest_place
from flatmeasure.outline.refinement import Outline
from flatmeasure.photos.camera import Points
from flatmeasure.pipeline import LEFT_OUT, REFUSAL, notes_on
from flatmeasure.results.measurement import Measurement, Piece
from flatmeasure.results.measures import GivenEdges, measure_piece
from flatmeasure.results.shape import on_mat

U_HAND_PX = 1.5  # of a point set by hand, in each direction
ON_OUTLINE_PX = 4.0  # a point set no farther from the outline was meant to lie on it
CROSSING_SHARE = 2.0  # of that u: a sharp corner no farther from the point is what was meant


@dataclass(frozen=True)
class MovedCorner:
    """A corner, by its place in the piece's list of corners from 0, and where it really is in the upright photo.

    Attributes
    ----------
    piece : str
        Id of the piece.
    corner : int
        Index in `Piece.corners`.
    to_px : (float, float)
        Where it belongs, in pixels of the upright photo.
    """

    piece: str
    corner: int
    to_px: tuple[float, float]


@dataclass(frozen=True)
class AddedCorner:
    """A corner that was missed.

    Attributes
    ----------
    piece : str
        Id of the piece.
    at_px : (float, float)
        In pixels of the upright photo.
    """

    piece: str
    at_px: tuple[float, float]


@dataclass(frozen=True)
class RemovedCorner:
    """A corner that is none: the edges on its two sides are one.

    Attributes
    ----------
    piece : str
        Id of the piece.
    corner : int
        Index in `Piece.corners`.
    """

    piece: str
    corner: int


@dataclass(frozen=True)
class Corrections:
    """What a person put right. All corners are counted as they were before.

    Attributes
    ----------
    moved_corners : tuple of MovedCorner
    added_corners : tuple of AddedCorner
    removed_corners : tuple of RemovedCorner
    """

    moved_corners: tuple[MovedCorner, ...] = ()
    added_corners: tuple[AddedCorner, ...] = ()
    removed_corners: tuple[RemovedCorner, ...] = ()

    @property
    def all(self) -> "tuple[MovedCorner | AddedCorner | RemovedCorner, ...]":
        """Every single one."""
        return (*self.moved_corners, *self.added_corners, *self.removed_corners)


@dataclass(frozen=True, eq=False)
class _Knot:
    """A corner while it is being worked on.

    Attributes
    ----------
    index : float
        Along the outline's points.
    at : Break
    edge : str
        The edge that begins here.
    is_loose : bool
        Set on the outline by hand: it may move on to where its edges cross.
    """

    index: float
    at: Break
    edge: str = ""
    is_loose: bool = False


@dataclass(frozen=True, eq=False)
class _Draft:
    """A piece while it is being worked on."""

    piece: Piece
    outline: Outline
    knots: tuple[_Knot, ...]


def correct(measurement: Measurement, corrections: Corrections) -> Measurement:
    """Measure again with corners put right by hand.

    Parameters
    ----------
    measurement : Measurement
        Of a photo, or corrected before.
    corrections : Corrections

    Returns
    -------
    Measurement
        Pieces without corrections are as they were, and so are edges that neither end in a corrected corner nor meet
        one that does, but for a little of their u: how an outline scatters is learned from all its edges.

    Raises
    ------
    OptionInvalid
        There is no such piece or corner, a corner is named twice, a point lies outside the photo, or the outline would
        cross itself.
    """
    _check(measurement, corrections)
    touched = {each.piece for each in corrections.all}
    pieces = tuple(
        _corrected(piece, measurement, corrections) if piece.id in touched else piece for piece in measurement.pieces
    )
    view = measurement.rectification
    refused = [note for note in measurement.warnings if note.code in (REFUSAL, LEFT_OUT)]
    notes = (*view.notes, *notes_on(measurement.photo, view, pieces), *refused)
    return replace(measurement, pieces=pieces, warnings=notes)


def _check(measurement: Measurement, corrections: Corrections) -> None:
    pieces = {piece.id: piece for piece in measurement.pieces}
    named: set[tuple[str, int]] = set()
    photo = measurement.photo
    for each in corrections.all:
        if each.piece not in pieces:
            known = ", ".join(pieces) or "none"
            raise OptionInvalid(f"There is no piece {each.piece} in this measurement; its pieces: {known}.")
        if isinstance(each, MovedCorner | RemovedCorner):
            count = len(pieces[each.piece].corners)
            if not 0 <= each.corner < count:
                raise OptionInvalid(
                    f"Piece {each.piece} has no corner {each.corner}: its corners count from 0 to {count - 1}."
                )
            if (each.piece, each.corner) in named:
                raise OptionInvalid(f"Corner {each.corner} of piece {each.piece} is corrected twice: do it once.")
            named.add((each.piece, each.corner))
        if isinstance(each, MovedCorner | AddedCorner):
            x, y = each.to_px if isinstance(each, MovedCorner) else each.at_px
            if not (-0.5 <= x <= photo.width_px - 0.5 and -0.5 <= y <= photo.height_px - 0.5):
                raise OptionInvalid(
                    f"The corner at {x:g},{y:g} lies outside the photo, which is {photo.width_px} x {photo.height_px} "
                    "pixels: give pixels of the upright photo."
                )


def _corrected(piece: Piece, measurement: Measurement, corrections: Corrections) -> Piece:
    if piece.traced is None:
        raise ValueError(f"Piece {piece.id} was not measured in a photo, so it can't be corrected.")
    draft = _draft(piece, measurement)
    moved = {each.corner: each.to_px for each in corrections.moved_corners if each.piece == piece.id}
    removed = {each.corner for each in corrections.removed_corners if each.piece == piece.id}
    if removed and not draft.knots:
        raise OptionInvalid(f"Piece {piece.id} has one smooth edge and no corner that could be removed.")
    kept = [(i, knot) for i, knot in enumerate(draft.knots) if i not in removed]
    draft = replace(draft, knots=tuple(knot for _, knot in kept))
    for place, (i, _) in enumerate(kept):
        if i in moved:
            draft = _moved(draft, place, np.array(moved[i], np.float64), measurement)
    added = [each.at_px for each in corrections.added_corners if each.piece == piece.id]
    # A smooth outline has a corner in name only: to move it is to say where there is one.
    for at_px in [*(moved.values() if not piece.traced.breaks else ()), *added]:
        draft = _added(draft, np.array(at_px, np.float64), measurement)
    draft = _sharpened(draft, measurement)
    chain = _chain(draft.outline, measurement)
    breaks = tuple(replace(knot.at, place=_place(chain, knot.index)) for knot in draft.knots)
    ids = tuple(knot.edge for knot in draft.knots) or (piece.edges[0].id,)
    again = measure_piece(
        piece.id,
        draft.outline,
        piece.traced.holes,
        measurement.rectification,
        measurement.thickness_mm,
        complete=piece.complete,
        confidence=piece.confidence,
        given=GivenEdges(breaks, ids),
    )
    return replace(
        again, flaws=tuple(f for f in piece.flaws if again.polygon.intersects(shapely.Polygon(f.outline_mm)))
    )


def _draft(piece: Piece, measurement: Measurement) -> _Draft:
    assert piece.traced is not None
    chain = _chain(piece.traced.outline, measurement)
    knots = tuple(
        _Knot(_index(chain, at.place), at, edge.id) for at, edge in zip(piece.traced.breaks, piece.edges, strict=False)
    )
    return _Draft(piece, piece.traced.outline, knots)


def _chain(outline: Outline, measurement: Measurement) -> Chain:
    at_mm, u_mm = on_mat(outline, measurement.rectification, measurement.thickness_mm)
    return chain_to_fit(at_mm, u_mm, outline.weak)


def _index(chain: Chain, place: float) -> float:
    return float(np.interp(place, chain.places, np.arange(len(chain.places))))


def _place(chain: Chain, index: float) -> float:
    return float(np.interp(index, np.arange(len(chain.places)), chain.places))


def _moved(draft: _Draft, place: int, to_px: Points, measurement: Measurement) -> _Draft:
    """One corner, by its place among those that stay, moved within the edges on its two sides."""
    old = draft.knots[place]
    others = (*draft.knots[:place], *draft.knots[place + 1 :])
    span = _span(draft, others, old.index)
    outline, knots, at = _set(draft, others, span, to_px, measurement, old.index)
    return replace(draft, outline=outline, knots=(*knots[:place], replace(at, edge=old.edge), *knots[place:]))


def _added(draft: _Draft, at_px: Points, measurement: Measurement) -> _Draft:
    """One more corner, on the edge nearest to it."""
    index, _ = nearest_place(draft.outline.points_px, np.arange(len(draft.outline.points_px)), at_px)
    span = _span(draft, draft.knots, index)
    outline, knots, at = _set(draft, draft.knots, span, at_px, measurement, index)
    if not knots:
        return replace(draft, outline=outline, knots=(replace(at, edge=draft.piece.edges[0].id),))
    number = 1 + max(int(knot.edge[len(draft.piece.id) :]) for knot in knots)
    count = len(outline.points_px)
    ahead = [(knot.index - knots[0].index) % count for knot in knots]
    before = int(np.searchsorted(ahead, (at.index - knots[0].index) % count, side="right"))
    named = replace(at, edge=f"{draft.piece.id}{number}")
    return replace(draft, outline=outline, knots=(*knots[:before], named, *knots[before:]))


def _span(draft: _Draft, others: Sequence[_Knot], index: float) -> NDArray[np.intp]:
    """Indices of the outline's points from the corner before a place to the one behind it, both left out."""
    count = len(draft.outline.points_px)
    if not others:
        return (np.arange(count) + int(index) - count // 2) % count
    back = min((index - knot.index) % count or count for knot in others)
    ahead = min((knot.index - index) % count or count for knot in others)
    first, last = int(np.floor(index - back)) + 1, int(np.ceil(index + ahead)) - 1
    return np.arange(first, last + 1) % count


def _set(
    draft: _Draft,
    others: tuple[_Knot, ...],
    span: NDArray[np.intp],
    at_px: Points,
    measurement: Measurement,
    near: float,
) -> tuple[Outline, tuple[_Knot, ...], _Knot]:
    """The outline with a corner at a point, the other corners on it, and that corner."""
    outline = draft.outline
    if len(span) < 2 * FEWEST_POINTS:
        raise OptionInvalid(f"There is no room for a corner at {_named(at_px)}: remove the corner beside it first.")
    index, distance = nearest_place(outline.points_px, span, at_px)
    if distance <= ON_OUTLINE_PX:
        at_mm, u_mm = _by_hand(at_px, outline.normals_px[int(index)], measurement)
        return outline, others, _Knot(index, Break(0.0, 0.0, at_mm, u_mm), is_loose=True)
    led = lead_through(outline, span, at_px, U_HAND_PX, near)
    if shapely.LinearRing(outline.points_px).is_simple and not shapely.LinearRing(led.outline.points_px).is_simple:
        raise OptionInvalid(f"With a corner at {_named(at_px)} the outline would cross itself: set it elsewhere.")
    others = tuple(replace(knot, index=(knot.index - led.start) % len(outline.points_px)) for knot in others)
    at_mm, u_mm = _by_hand(at_px, led.outline.normals_px[led.index], measurement)
    return led.outline, others, _Knot(led.index, Break(0.0, 0.0, at_mm, u_mm, is_exact=True))


def _named(at_px: Points) -> str:
    return f"{at_px[0]:.0f},{at_px[1]:.0f}"


def _by_hand(at_px: Points, normal_px: Points, measurement: Measurement) -> tuple[Points, float]:
    """A point set by hand in the mat frame, and its standard uncertainty in each direction, mm."""
    outline = Outline(at_px[None], normal_px[None], np.array([U_HAND_PX]), np.array([False]), np.zeros(1), 0.0)
    at_mm, u_mm = on_mat(outline, measurement.rectification, measurement.thickness_mm)
    return at_mm[0], float(u_mm[0])


def _sharpened(draft: _Draft, measurement: Measurement) -> _Draft:
    """Corners set on the outline moved to where their edges cross, where that is near: so a hand finds a sharp one."""
    chain = _chain(draft.outline, measurement)
    placed = [replace(knot.at, place=_place(chain, knot.index)) for knot in draft.knots]
    sharp = [Break(at.place) if knot.is_loose else at for knot, at in zip(draft.knots, placed, strict=True)]
    edges = [between(chain, at, sharp[(i + 1) % len(sharp)]) for i, at in enumerate(sharp)]
    if len(sharp) < 2 or min(len(edge) for edge in edges) < FEWEST_POINTS:
        return draft
    knots = []
    for knot, at, joint in zip(draft.knots, sharp, Fits(chain).joints(sharp), strict=True):
        if knot.is_loose and knot.at.at_mm is not None:
            off_mm = float(np.linalg.norm(joint.at_mm - knot.at.at_mm))
            is_sharp = abs(np.degrees(joint.turn_rad)) >= BLUNTEST_DEG
            if is_sharp and off_mm <= CROSSING_SHARE * knot.at.u_along_mm:
                knot = replace(knot, at=at)
        knots.append(knot)
    return replace(draft, knots=tuple(knots))
