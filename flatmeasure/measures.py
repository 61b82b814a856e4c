"""From a refined outline to a piece's measures, each with its uncertainty.

Three independent parts add up in each u (GUM, 5.1.2):

- *shared*: camera, lens, pose and the references' size move all points together (`Rectification.deviations`), as do the
  cloth's thickness and a common shift of the outline by tone curve and sharpening. Each is a displacement field of the
  whole outline; a measure's share of the variance is its squared change along each field, so that what cancels within a
  length or an area does cancel, and what adds up adds up.
- *own*: the noise of the edge's own points, from its fit.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from flatmeasure.camera import Points
from flatmeasure.edges import FittedOutline, fit_outline
from flatmeasure.measurement import Corner, Edge, Piece
from flatmeasure.outline import Outline
from flatmeasure.quantity import Quantity, root_sum_squares
from flatmeasure.rectification import Rectification, polygon_area

SPACING_MM = 4.0  # of the points that carry an edge's displacement: a lens bends nothing visibly within that
U_SHIFT_PX = 0.07  # common shift of a whole outline by tone curve and sharpening (dark squares: 0.03 px, measured)
U_THICKNESS_GIVEN = 0.1  # a ruler's reading, mm, plus a tenth of it
U_THICKNESS_UNKNOWN = 0.5  # most cloth is 0.2 to 1.5 mm thick (common practice)
CORRELATION_MM = 5.0  # wrinkles and weave move neighbouring outline points together over about this length
MITRE_LIMIT = 5.0
OWN_FIELDS = ("thickness of the cloth", "tone at the cloth's edge")  # displacement fields beyond the camera's

Measure = Callable[[Points], NDArray[np.float64]]  # of displaced outlines (..., P, 2)


@dataclass(frozen=True, eq=False)
class _Shape:
    """A fitted outline ready to be measured: its points, which belong to which edge, and how they move."""

    points_mm: Points  # (P, 2), closed
    points_px: Points
    starts: NDArray[np.intp]  # (E,) index of each edge's first point (outer outlines only)
    fields: Points  # (K, P, 2) displacement by one standard deviation of each shared cause
    fit: FittedOutline


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
    outer = _shape(outline, view, thickness_mm)
    inner = [_shape(hole, view, thickness_mm) for hole in holes]
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


def heights_mm(points_px: Points, normals_px: Points, view: Rectification, thickness_mm: float) -> Points:
    """Height (N,) of the cloth's edge that the picture shows at each outline point.

    Where the outline faces the point under the camera, the cloth's side wall is seen down to its foot on the mat; where
    it faces away, the upper edge hides the wall.
    """
    at = view.to_mat(points_px, thickness_mm)
    outward = view.to_mat(points_px + normals_px, thickness_mm) - at
    toward = np.sum(outward * (view.pose.centre_mm[:2] - at), axis=1) > 0.0
    return np.where(toward, 0.0, thickness_mm)


def _shape(outline: Outline, view: Rectification, thickness_mm: float) -> _Shape:
    """Fit an outline's edges; a hole is fitted the other way round and turned back, since it is fitted as a shape."""
    z_mm = heights_mm(outline.points_px, outline.normals_px, view, thickness_mm)
    at, u_mm = view.to_mat(outline.points_px, z_mm), outline.u_px * view.mm_per_px(outline.points_px)
    hole = polygon_area(at) < 0
    turn = slice(None, None, -1 if hole else 1)
    fit = _from_lower_left(fit_outline(at[turn], u_mm[turn], outline.weak[turn]))
    parts = [_resample(edge.points_mm)[:-1] for edge in fit.edges]
    points = np.concatenate(parts)[turn]
    starts = np.cumsum([0, *[len(part) for part in parts[:-1]]])
    normals = _outward(points)
    seen = view.to_picture(points, thickness_mm)
    step = view.to_picture(points + normals, thickness_mm) - seen
    z_mm = heights_mm(seen, step / np.linalg.norm(step, axis=1, keepdims=True), view, thickness_mm)
    seen = view.to_picture(points, z_mm)
    return _Shape(points, seen, starts, _fields(points, seen, normals, z_mm, view, thickness_mm), fit)


def _fields(
    points: Points, seen: Points, normals: Points, z_mm: Points, view: Rectification, thickness_mm: float
) -> Points:
    """(K, P, 2) displacements of the outline by one standard deviation of each shared cause, mm."""
    camera = view.deviations(seen, z_mm)
    u_thickness = U_THICKNESS_GIVEN + 0.1 * thickness_mm if thickness_mm > 0 else U_THICKNESS_UNKNOWN
    lifted = view.to_mat(seen, thickness_mm + u_thickness) - view.to_mat(seen, thickness_mm)
    thickness = np.where((z_mm > 0)[:, None] | (thickness_mm <= 0), lifted, 0.0)
    shift = normals * (U_SHIFT_PX * view.mm_per_px(seen))[:, None]
    return np.concatenate([camera, thickness[None], shift[None]])


def _from_lower_left(fit: FittedOutline) -> FittedOutline:
    """The same outline beginning at the corner nearest the photographer's left: edge names then stay put."""
    first = int(np.argmin(fit.corners_mm @ np.array([1.0, 1.0])))
    return FittedOutline(
        corners_mm=np.roll(fit.corners_mm, -first, axis=0),
        angles_deg=np.roll(fit.angles_deg, -first),
        u_corners_mm=np.roll(fit.u_corners_mm, -first),
        u_angles_deg=np.roll(fit.u_angles_deg, -first),
        edges=fit.edges[first:] + fit.edges[:first],
        outline_mm=fit.outline_mm,
    )


def _resample(line: Points) -> Points:
    """A polyline with further points on its long segments, none over SPACING_MM apart."""
    lengths = np.linalg.norm(np.diff(line, axis=0), axis=1)
    parts = np.maximum(1, np.ceil(lengths / SPACING_MM).astype(int))
    pieces = [a + (b - a) * np.arange(n)[:, None] / n for a, b, n in zip(line[:-1], line[1:], parts, strict=True)]
    return np.concatenate([*pieces, line[-1:]])


def _outward(points: Points) -> Points:
    """Mitre normals (P, 2) of a closed counter-clockwise polygon: moving along them by d moves every side by d."""
    ahead = np.roll(points, -1, axis=0) - points
    side = np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.linalg.norm(ahead, axis=1, keepdims=True)
    before = np.roll(side, 1, axis=0)
    cosine = np.sum(side * before, axis=1, keepdims=True)
    mitre = (side + before) / np.maximum(1.0 + cosine, 2.0 / MITRE_LIMIT**2)
    return np.asarray(mitre)


def _shared(shape: _Shape, measure: Measure) -> NDArray[np.float64]:
    """Change of a measure along each shared displacement field."""
    return (measure(shape.points_mm + shape.fields) - measure(shape.points_mm - shape.fields)) / 2.0


def _polyline_length(points: Points) -> NDArray[np.float64]:
    return np.asarray(np.sum(np.linalg.norm(np.diff(points, axis=-2), axis=-1), axis=-1))


def _area(
    outer: _Shape, inner: Sequence[_Shape], view: Rectification
) -> tuple[Quantity, tuple[tuple[str, float], ...]]:
    """Net area, and what each cause contributes to its u, largest first."""
    shapes = [outer, *inner]
    value = sum(float(polygon_area(shape.points_mm)) for shape in shapes)
    changes = np.sum([_shared(shape, polygon_area) for shape in shapes], axis=0)
    camera, (thickness, shift) = changes[: -len(OWN_FIELDS)], changes[-len(OWN_FIELDS) :]
    parts = {cause: float(np.sqrt(max(0.0, camera @ part @ camera))) for cause, part in view.causes.items()}
    parts |= dict(zip(OWN_FIELDS, (abs(float(thickness)), abs(float(shift))), strict=True))
    own = [np.sqrt(CORRELATION_MM * _closed_length(s.points_mm)) * _noise_mm(s) for s in shapes]
    parts["noise of the outline"] = root_sum_squares(*own)
    budget = tuple(sorted(parts.items(), key=lambda item: -item[1]))
    return Quantity(value, root_sum_squares(changes, *own), "mm2"), budget


def _noise_mm(shape: _Shape) -> float:
    """Rms distance of the outline's points from its fitted edges."""
    lengths = np.array([edge.length_mm for edge in shape.fit.edges])
    squares = np.array([edge.residual_mm**2 for edge in shape.fit.edges])
    return float(np.sqrt(np.sum(squares * lengths) / np.sum(lengths)))


def _closed_length(points: Points) -> NDArray[np.float64]:
    return _polyline_length(np.concatenate([points, points[..., :1, :]], axis=-2))


def _perimeter(shape: _Shape) -> Quantity:
    own = [edge.u_length_mm for edge in shape.fit.edges]
    value = sum(edge.length_mm for edge in shape.fit.edges)
    return Quantity(value, root_sum_squares(_shared(shape, _closed_length), *own), "mm")


def _edge_slice(shape: _Shape, index: int) -> NDArray[np.intp]:
    """Indices of an edge's points, both corners included."""
    start = shape.starts[index]
    stop = shape.starts[index + 1] if index + 1 < len(shape.starts) else len(shape.points_mm)
    return np.arange(start, stop + 1) % len(shape.points_mm)


def _edges(name: str, shape: _Shape, outline: Outline, view: Rectification) -> tuple[Edge, ...]:
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


def _weak_share(shape: _Shape, outline: Outline) -> NDArray[np.float64]:
    """Share of each edge's outline points without a clear step, (E,)."""
    nearest = cKDTree(shape.points_px).query(outline.points_px)[1]
    edge = np.searchsorted(shape.starts, nearest, side="right") - 1
    count = np.bincount(edge, minlength=len(shape.starts))
    return np.bincount(edge, outline.weak, len(shape.starts)) / np.maximum(count, 1)


def _corners(shape: _Shape) -> tuple[Corner, ...]:
    corners = []
    for i, start in enumerate(shape.starts):
        before = (start - 1) % len(shape.points_mm)
        after = (start + 1) % len(shape.points_mm)

        def angle(points: Points, at: tuple[int, int, int] = (before, int(start), after)) -> NDArray[np.float64]:
            back = points[..., at[0], :] - points[..., at[1], :]
            ahead = points[..., at[2], :] - points[..., at[1], :]
            turn = np.arctan2(back[..., 1], back[..., 0]) - np.arctan2(ahead[..., 1], ahead[..., 0])
            return np.asarray(np.degrees(turn) % 360.0)

        moved = (angle(shape.points_mm + shape.fields) - angle(shape.points_mm) + 180.0) % 360.0 - 180.0
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


def _extents(shape: _Shape, edge: Edge) -> tuple[Quantity, Quantity]:
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
