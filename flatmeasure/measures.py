"""From a refined outline to a piece's measures, each with its uncertainty.

Two kinds of cause add up in each u (GUM, 5.1.2): displacement fields of the whole outline (`shape`), and the noise of
the edge's own points, from its fit.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from flatmeasure.camera import Points
from flatmeasure.measurement import Corner, Edge, Piece
from flatmeasure.outline import Outline
from flatmeasure.quantity import Quantity, root_sum_squares
from flatmeasure.rectification import Rectification, polygon_area
from flatmeasure.shape import OWN_FIELDS, Shape, shape_of

CORRELATION_MM = 5.0  # wrinkles and weave move neighbouring outline points together over about this length
SIDES_CAUSE = "shadow and wall at the cloth's edge"

Measure = Callable[[Points], NDArray[np.float64]]  # of displaced outlines (..., P, 2)


def measure_piece(
    name: str,
    outline: Outline,
    holes: Sequence[Outline],
    view: Rectification,
    thickness_mm: float,
    *,
    complete: bool,
    confidence: float,
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

    Returns
    -------
    Piece
    """
    outer = shape_of(outline, view, thickness_mm)
    inner = [shape_of(hole, view, thickness_mm) for hole in holes]
    edges = _edges(name, outer, outline, view)
    straight = [edge for edge in edges if edge.kind == "straight"] or list(edges)
    longest = max(straight, key=lambda edge: edge.chord.value)
    along, across = _extents(outer, longest)
    area, budget = _area(outer, inner, view)
    return Piece(
        id=name,
        complete=complete,
        confidence=confidence,
        area=area,
        area_budget=budget,
        perimeter=_perimeter(outer),
        along=along,
        across=across,
        along_edge=longest.id,
        outline_mm=outer.points_mm,
        outline_px=outer.points_px,
        holes_mm=tuple(hole.points_mm for hole in inner),
        holes_px=tuple(hole.points_px for hole in inner),
        corners=_corners(outer),
        edges=edges,
    )


def _change(points: Points, fields: Points, measure: Measure) -> NDArray[np.float64]:
    """Change of a measure along each displacement field."""
    return (measure(points + fields) - measure(points - fields)) / 2.0


def _shared(shape: Shape, measure: Measure) -> NDArray[np.float64]:
    """Change of a measure along each displacement field of an outline, its edges' own among them."""
    return _change(shape.points_mm, np.concatenate([shape.fields, shape.sides]), measure)


def _polyline_length(points: Points) -> NDArray[np.float64]:
    return np.asarray(np.sum(np.linalg.norm(np.diff(points, axis=-2), axis=-1), axis=-1))


def _area(outer: Shape, inner: Sequence[Shape], view: Rectification) -> tuple[Quantity, tuple[tuple[str, float], ...]]:
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
    parts |= {SIDES_CAUSE: sides, "noise of the outline": noise}
    budget = tuple(sorted(parts.items(), key=lambda item: -item[1]))
    return Quantity(value, root_sum_squares(changes, sides, noise), "mm2"), budget


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
    return Quantity(value, root_sum_squares(_shared(shape, _closed_length), *own), "mm")


def _edge_slice(shape: Shape, index: int) -> NDArray[np.intp]:
    """Indices of an edge's points, both corners included."""
    start = shape.starts[index]
    stop = shape.starts[index + 1] if index + 1 < len(shape.starts) else len(shape.points_mm)
    return np.arange(start, stop + 1) % len(shape.points_mm)


def _edges(name: str, shape: Shape, outline: Outline, view: Rectification) -> tuple[Edge, ...]:
    weak = _weak_share(shape, outline)
    edges = []
    for i, fitted in enumerate(shape.fit.edges):
        at = _edge_slice(shape, i)

        def length(points: Points, at: NDArray[np.intp] = at) -> NDArray[np.float64]:
            return _polyline_length(points[..., at, :])

        def chord(points: Points, at: NDArray[np.intp] = at) -> NDArray[np.float64]:
            return np.asarray(np.linalg.norm(points[..., at[-1], :] - points[..., at[0], :], axis=-1))

        def depth(points: Points, at: NDArray[np.intp] = at) -> NDArray[np.float64]:
            return _sagitta(points[..., at, :])

        u_ends = shape.fit.u_corners_mm[[i, (i + 1) % len(shape.fit.corners_mm)]]
        edges.append(
            Edge(
                id=f"{name}{i + 1}",
                start=i,
                end=(i + 1) % len(shape.fit.edges),
                kind=fitted.kind,
                length=Quantity(fitted.length_mm, root_sum_squares(_shared(shape, length), fitted.u_length_mm), "mm"),
                chord=Quantity(fitted.chord_mm, root_sum_squares(_shared(shape, chord), u_ends), "mm"),
                depth=Quantity(
                    float(depth(shape.points_mm)), root_sum_squares(_shared(shape, depth), fitted.residual_mm), "mm"
                ),
                points_mm=shape.points_mm[at],
                points_px=shape.points_px[at],
                weak=float(weak[i]),
            )
        )
    return tuple(edges)


def _sagitta(points: Points) -> NDArray[np.float64]:
    """Greatest distance (...) of polylines (..., K, 2) from the chord between their ends."""
    chord = points[..., -1:, :] - points[..., :1, :]
    from_start = points - points[..., :1, :]
    cross = chord[..., 0] * from_start[..., 1] - chord[..., 1] * from_start[..., 0]
    length = np.linalg.norm(chord, axis=-1)
    straight_on = np.linalg.norm(from_start, axis=-1)  # a closed edge has no chord: distance from its start
    off = np.where(length > 1e-6, np.abs(cross) / np.maximum(length, 1e-6), straight_on)
    return np.asarray(np.max(off, axis=-1))


def _weak_share(shape: Shape, outline: Outline) -> NDArray[np.float64]:
    """Share of each edge's outline points without a clear step, (E,)."""
    nearest = cKDTree(shape.points_px).query(outline.points_px)[1]
    edge = np.searchsorted(shape.starts, nearest, side="right") - 1
    count = np.bincount(edge, minlength=len(shape.starts))
    return np.bincount(edge, outline.weak, len(shape.starts)) / np.maximum(count, 1)


def _corners(shape: Shape) -> tuple[Corner, ...]:
    corners = []
    fields = np.concatenate([shape.fields, shape.sides])
    for i, start in enumerate(shape.starts):
        before = (start - 1) % len(shape.points_mm)
        after = (start + 1) % len(shape.points_mm)

        def angle(points: Points, at: tuple[int, int, int] = (before, int(start), after)) -> NDArray[np.float64]:
            back = points[..., at[0], :] - points[..., at[1], :]
            ahead = points[..., at[2], :] - points[..., at[1], :]
            turn = np.arctan2(back[..., 1], back[..., 0]) - np.arctan2(ahead[..., 1], ahead[..., 0])
            return np.asarray(np.degrees(turn) % 360.0)

        moved = (angle(shape.points_mm + fields) - angle(shape.points_mm) + 180.0) % 360.0 - 180.0
        corners.append(
            Corner(
                at_mm=shape.points_mm[start],
                at_px=shape.points_px[start],
                angle=Quantity(
                    float(shape.fit.angles_deg[i]), root_sum_squares(moved, shape.fit.u_angles_deg[i]), "deg"
                ),
            )
        )
    return tuple(corners)


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
        return np.asarray(np.ptp(np.sum(points * unit[..., None, :], axis=-1), axis=-1))

    def quantity(turned: bool) -> Quantity:
        shared = _shared(shape, lambda points: extent(points, turned))
        return Quantity(float(extent(shape.points_mm, turned)), root_sum_squares(shared, own), "mm")

    return quantity(False), quantity(True)
