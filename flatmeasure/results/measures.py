"""From a refined outline to a piece's measures, each with its uncertainty.

Two kinds of cause add up in each u (GUM, 5.1.2): displacement fields of the whole outline (`shape`), and the noise of
the edge's own points, from its fit.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.spatial import cKDTree

from flatmeasure.edges.joints import Break
from flatmeasure.outline.refinement import Outline
from flatmeasure.photos.camera import Points
from flatmeasure.polygons import polygon_area, sagitta
from flatmeasure.quantity import CORRELATION_MM, Quantity, root_sum_squares
from flatmeasure.results.measurement import UNSURE, WEAK_SHARE, Corner, Edge, Piece, Traced
from flatmeasure.results.shape import OWN_FIELDS, Shape, shape_of
from flatmeasure.view.rectification import Rectification

AROUND = 17  # points of an outline among which weak ones are counted: over some 60 px
SIDES_CAUSE = "shadow and wall at the cloth's edge"
UNSEEN_CAUSE = "where the outline hardly shows"
UNSEEN_MM = 3.0  # how far it lies off there, rms over a piece: area error over length, of path-traced scenes

Measure = Callable[[Points], NDArray[np.float64]]  # of displaced outlines (..., P, 2)


@dataclass(frozen=True, eq=False)
class GivenEdges:
    """Where edges start, in order along the outline, and their ids; no breaks, one id: a smooth closed outline."""

    breaks: tuple[Break, ...]
    ids: tuple[str, ...]


def measure_piece(
    name: str,
    outline: Outline,
    holes: Sequence[Outline],
    view: Rectification,
    thickness_mm: float,
    *,
    complete: bool,
    confidence: float,
    given: GivenEdges | None = None,
) -> Piece:
    """Measure one piece of cloth.

    Parameters
    ----------
    name : str
        The piece's id; its edges become name1, name2, ... counter-clockwise.
    outline, holes : Outline, sequence of Outline
    view : Rectification
    thickness_mm : float
        Height of the cloth's upper face above the mat.
    complete : bool
        False when the photo's frame cuts the piece off.
    confidence : float
    given : GivenEdges, optional
        Corners and the edges' names when they are known beforehand.

    Returns
    -------
    Piece

    Raises
    ------
    ClothNotFound
        Its edges enclose another area than its outline, as those of a narrow strip may.
    """
    outer = shape_of(outline, view, thickness_mm, None if given is None else given.breaks)
    inner = [shape_of(hole, view, thickness_mm) for hole in holes]
    names = [f"{name}{i + 1}" for i in range(len(outer.starts))] if given is None else given.ids
    edges = _edges(names, outer, outline)
    straight = [edge for edge in edges if edge.kind == "straight"] or list(edges)
    longest = max(straight, key=lambda edge: edge.chord.value)
    doubt = 1.0 - confidence if confidence < UNSURE else 0.0
    along, across = _extents(outer, longest)
    unseen_mm = sum(edge.weak * edge.length.value for edge in edges)
    area, budget = _area(outer, inner, view, UNSEEN_MM * unseen_mm, doubt)
    return Piece(
        id=name,
        complete=complete,
        confidence=confidence,
        area=area,
        area_budget=budget,
        perimeter=_doubted(_perimeter(outer), doubt),
        along=_doubted(along, doubt),
        across=_doubted(across, doubt),
        along_edge=longest.id,
        outline_mm=outer.points_mm,
        outline_px=outer.points_px,
        holes_mm=tuple(hole.points_mm for hole in inner),
        holes_px=tuple(hole.points_px for hole in inner),
        corners=_corners(outer),
        edges=edges,
        traced=Traced(outline, tuple(holes), outer.fit.breaks),
    )


def _change(points: Points, moves: Points, measure: Measure) -> NDArray[np.float64]:
    """Change of a measure along each displacement field."""
    return (measure(points + moves) - measure(points - moves)) / 2.0


def _polyline_length(points: Points) -> NDArray[np.float64]:
    return np.asarray(np.sum(np.hypot(*np.moveaxis(np.diff(points, axis=-2), -1, 0)), axis=-1))


def _chord(points: Points) -> NDArray[np.float64]:
    return np.asarray(np.linalg.norm(points[..., -1, :] - points[..., 0, :], axis=-1))


def _area(
    outer: Shape, inner: Sequence[Shape], view: Rectification, unseen_mm2: float, doubt: float
) -> tuple[Quantity, tuple[tuple[str, float], ...]]:
    """Net area, and what each cause contributes to its u, largest first."""
    shapes = [outer, *inner]
    value = sum(float(polygon_area(shape.points_mm)) for shape in shapes)
    changes = np.sum([_change(shape.points_mm, shape.fields, polygon_area) for shape in shapes], axis=0)
    sides = root_sum_squares(*(_change(shape.points_mm, shape.sides, polygon_area) for shape in shapes))
    noise = root_sum_squares(
        *(np.sqrt(CORRELATION_MM * _closed_length(shape.points_mm)) * _noise_mm(shape) for shape in shapes)
    )
    camera, own = changes[: -len(OWN_FIELDS)], np.abs(changes[-len(OWN_FIELDS) :])
    parts = {cause: float(np.sqrt(max(0.0, camera @ part @ camera))) for cause, part in view.causes.items()}
    parts |= dict(zip(OWN_FIELDS, own.tolist(), strict=True))
    parts |= {SIDES_CAUSE: sides, "noise of the outline": noise, UNSEEN_CAUSE: unseen_mm2}
    if doubt:
        parts["telling cloth from ground"] = doubt * value
    budget = tuple(sorted(parts.items(), key=lambda item: -item[1]))
    return _doubted(Quantity(value, root_sum_squares(changes, sides, noise, unseen_mm2), "mm2"), doubt), budget


def _doubted(quantity: Quantity, share: float) -> Quantity:
    """A measure of a whole piece that may be more or less than the cloth by a share of it."""
    return Quantity(quantity.value, root_sum_squares(quantity.u, share * quantity.value), quantity.unit)


def _noise_mm(shape: Shape) -> float:
    """Rms distance of the outline's points from its fitted edges."""
    lengths = np.array([edge.length_mm for edge in shape.fit.edges])
    squares = np.array([edge.residual_mm**2 for edge in shape.fit.edges])
    return float(np.sqrt(np.sum(squares * lengths) / np.sum(lengths)))


def _closed_length(points: Points) -> NDArray[np.float64]:
    return _polyline_length(np.concatenate([points, points[..., :1, :]], axis=-2))


def _perimeter(shape: Shape) -> Quantity:
    own = [edge.u_length_mm for edge in shape.fit.edges]
    value = sum(edge.length_mm for edge in shape.fit.edges)
    return Quantity(value, root_sum_squares(_change(shape.points_mm, shape.moves, _closed_length), *own), "mm")


def _edge_slice(shape: Shape, index: int) -> NDArray[np.intp]:
    """Indices of an edge's points, both corners included."""
    start = shape.starts[index]
    stop = shape.starts[index + 1] if index + 1 < len(shape.starts) else len(shape.points_mm)
    return np.arange(start, stop + 1) % len(shape.points_mm)


def _edges(names: Sequence[str], shape: Shape, outline: Outline) -> tuple[Edge, ...]:
    weak, unsure = _weak_share(shape, outline), _unsure(shape, outline)
    return tuple(_edge(name, shape, i, float(weak[i]), unsure) for i, name in enumerate(names))


def _edge(name: str, shape: Shape, index: int, weak: float, unsure: NDArray[np.bool_]) -> Edge:
    fitted, count = shape.fit.edges[index], len(shape.starts)
    at = _edge_slice(shape, index)
    points, moves = shape.points_mm[at], shape.moves[:, at]
    u_ends = shape.fit.u_corners_mm[[index, (index + 1) % count]]

    def quantity(value: float, measure: Measure, *own: float | NDArray[np.float64]) -> Quantity:
        return Quantity(value, root_sum_squares(_change(points, moves, measure), *own), "mm")

    return Edge(
        id=name,
        start=index,
        end=(index + 1) % count,
        kind=fitted.kind,
        length=quantity(fitted.length_mm, _polyline_length, fitted.u_length_mm),
        chord=quantity(fitted.chord_mm, _chord, u_ends),
        depth=quantity(float(sagitta(points)), sagitta, fitted.residual_mm),
        points_mm=points,
        points_px=shape.points_px[at],
        weak=weak,
        unsure=unsure[at],
    )


def _weak_share(shape: Shape, outline: Outline) -> NDArray[np.float64]:
    """Share of each edge's outline points without a clear step, (E,)."""
    nearest = cKDTree(shape.points_px).query(outline.points_px)[1]
    edge = np.searchsorted(shape.starts, nearest, side="right") - 1
    count = np.bincount(edge, minlength=len(shape.starts))
    return np.bincount(edge, outline.weak, len(shape.starts)) / np.maximum(count, 1)


def _unsure(shape: Shape, outline: Outline) -> NDArray[np.bool_]:
    """Which of the fitted outline's points (P,) lie in the midst of weak ones."""
    around = uniform_filter1d(outline.weak.astype(np.float64), min(AROUND, len(outline.weak)), mode="wrap")
    return np.asarray(around[cKDTree(outline.points_px).query(shape.points_px)[1]] > WEAK_SHARE)


def _corners(shape: Shape) -> tuple[Corner, ...]:
    corners = []
    for start, angle_deg, own in zip(shape.starts, shape.fit.angles_deg, shape.fit.u_angles_deg, strict=True):
        at = np.arange(start - 1, start + 2) % len(shape.points_mm)
        points = shape.points_mm[at]
        moved = (_angle_deg(points + shape.moves[:, at]) - _angle_deg(points) + 180.0) % 360.0 - 180.0
        angle = Quantity(float(angle_deg), root_sum_squares(moved, own), "deg")
        corners.append(Corner(at_mm=points[1], at_px=shape.points_px[start], angle=angle))
    return tuple(corners)


def _angle_deg(points: Points) -> NDArray[np.float64]:
    """Angle on the left (...) at the middle one of three points (..., 3, 2), 0 to 360."""
    back, ahead = points[..., 0, :] - points[..., 1, :], points[..., 2, :] - points[..., 1, :]
    turn = np.arctan2(back[..., 1], back[..., 0]) - np.arctan2(ahead[..., 1], ahead[..., 0])
    return np.asarray(np.degrees(turn) % 360.0)


def _extents(shape: Shape, edge: Edge) -> tuple[Quantity, Quantity]:
    """Extent of the piece along an edge's chord and across it."""
    at = _edge_slice(shape, edge.start)
    own = np.sqrt(2.0) * float(np.median(shape.fit.u_corners_mm))

    def extent(points: Points, turned: bool) -> NDArray[np.float64]:
        chord = points[..., at[-1], :] - points[..., at[0], :]
        if edge.start == edge.end:  # a closed curve: no edge to go by
            chord = np.broadcast_to(np.array([1.0, 0.0]), chord.shape)
        if turned:
            chord = np.stack([-chord[..., 1], chord[..., 0]], axis=-1)
        unit = chord / np.linalg.norm(chord, axis=-1, keepdims=True)
        return np.asarray(np.ptp(points @ unit[..., None], axis=-2)[..., 0])

    def quantity(turned: bool) -> Quantity:
        shared = _change(shape.points_mm, shape.moves, lambda points: extent(points, turned))
        return Quantity(float(extent(shape.points_mm, turned)), root_sum_squares(shared, own), "mm")

    return quantity(False), quantity(True)
