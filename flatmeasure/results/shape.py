"""A fitted outline ready to be measured: its points, which edge each belongs to, and how causes of error move them.

Camera, lens, pose and the references' size move all points together, as do the cloth's thickness and a common shift of
the outline; contact shadow and the cloth's wall shift each edge by itself. Each is a displacement field of the whole
outline. A measure's share of the variance is its squared change along each field (GUM, 5.2.2), so that what cancels
within a length or an area does cancel, and what adds up adds up.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from flatmeasure.edges.fitting import FittedOutline, chain_to_fit, fit_between, fit_outline
from flatmeasure.edges.joints import Break
from flatmeasure.errors import ClothNotFound
from flatmeasure.outline.refinement import Outline
from flatmeasure.photos.camera import Points
from flatmeasure.polygons import polygon_area
from flatmeasure.view.rectification import Rectification

SPACING_MM = 4.0  # of the points that carry an edge's displacement: a lens bends nothing visibly within that
# A located outline is off by what its noise does not show: all round by tone curve and sharpening, and side by side by
# contact shadow and by the cloth's own wall (0.15 px all round and 0.25 px a side, rms over renders).
U_SHIFT_PX = 0.1
U_SIDE_PX, U_SIDE_SHARE = 0.12, 0.12  # pixels, and share of the thickness as seen
U_LEAST_PX = 0.08  # and point by point, whatever the noise: threads, texture, compression (over the same renders)
U_THICKNESS_GIVEN = 0.1  # a ruler's reading, mm, plus a tenth of it
U_THICKNESS_UNKNOWN = 0.5  # most cloth is 0.2 to 1.5 mm thick (common practice)
LEAST_OF_TRACED, MOST_OF_TRACED = 0.5, 2.0  # area within the fitted edges over that within the points they follow
TOO_NARROW = "A piece of cloth is too narrow in this photo for its edges to be told apart."
GO_NEARER = "Photograph it from nearer, or with a finer camera."
# A wall that turns away from the light is as dark as the shadow at its foot: so much of it is taken for ground, where
# the ground beside is darker by the second of these shares, and nothing where by no more than the first (renders).
WALL_LOST, SUNLIT, SHADED = 0.6, 0.35, 0.5
MITRE_LIMIT = 5.0
SLIDE_LIMIT = 0.1  # of 1 - cos^2: edges that meet smoothly have no corner to slide
OWN_FIELDS = ("thickness of the cloth", "tone at the cloth's edge")  # displacement fields beyond the camera's


@dataclass(frozen=True, eq=False)
class Shape:
    """A fitted outline, its points closed and evenly spaced."""

    points_mm: Points  # (P, 2), closed
    points_px: Points
    starts: NDArray[np.intp]  # (E,) index of each edge's first point (outer outlines only)
    fields: Points  # (K, P, 2) displacement by one standard deviation of each cause shared with other outlines
    sides: Points  # (E, P, 2) the same of each edge by itself
    fit: FittedOutline

    @cached_property
    def moves(self) -> Points:
        """(K + E, P, 2) displacements by every cause, its edges' own among them."""
        return np.concatenate([self.fields, self.sides])


def shape_of(
    outline: Outline, view: Rectification, thickness_mm: float, breaks: Sequence[Break] | None = None
) -> Shape:
    """Fit an outline's edges; a hole is fitted the other way round and turned back, since it is fitted as a shape.

    Where ``breaks`` are given, edges run between them, the first from the first.

    Raises
    ------
    ClothNotFound
        The edges enclose another area than the outline, as those of a narrow strip may.
    """
    at, u_mm = on_mat(outline, view, thickness_mm)
    traced_mm2 = float(polygon_area(at))
    hole = traced_mm2 < 0
    turn = slice(None, None, -1 if hole else 1)
    found = at[turn], u_mm[turn], outline.weak[turn]
    fit = _from_lower_left(fit_outline(*found)) if breaks is None else fit_between(chain_to_fit(*found), breaks)
    parts = [_resample(edge.points_mm)[:-1] for edge in fit.edges]
    points = np.concatenate(parts)[turn]
    if not (hole or LEAST_OF_TRACED * traced_mm2 < float(polygon_area(points)) < MOST_OF_TRACED * traced_mm2):
        raise ClothNotFound(f"{TOO_NARROW} {GO_NEARER}")
    starts = np.cumsum([0, *[len(part) for part in parts[:-1]]])
    ahead = _segment_normals(points)
    normals = _mitre(np.roll(ahead, 1, axis=0), ahead)
    seen = view.to_picture(points, thickness_mm)
    step = view.to_picture(points + normals, thickness_mm) - seen
    z_mm = heights_mm(seen, step / np.linalg.norm(step, axis=1, keepdims=True), view, thickness_mm)
    seen = view.to_picture(points, z_mm)
    corners = (len(points) - 1 - starts)[::-1] if hole else starts
    fields = _fields(seen, normals, z_mm, view, thickness_mm)
    return Shape(points, seen, starts, fields, _sides(points, seen, corners, view, thickness_mm), fit)


def on_mat(outline: Outline, view: Rectification, thickness_mm: float) -> tuple[Points, Points]:
    """An outline's points (N, 2) in the mat frame and their uncertainties (N,), mm."""
    lost = WALL_LOST * np.clip((outline.shade - SUNLIT) / (SHADED - SUNLIT), 0.0, 1.0)
    seen_mm = heights_mm(outline.points_px, outline.normals_px, view, thickness_mm)
    z_mm = np.maximum(seen_mm, lost * thickness_mm)
    u_mm = np.hypot(outline.u_px, U_LEAST_PX) * view.mm_per_px(outline.points_px)
    return view.to_mat(outline.points_px, z_mm), u_mm


def _sides(points: Points, seen: Points, starts: NDArray[np.intp], view: Rectification, thickness_mm: float) -> Points:
    """(E, P, 2) displacements of the outline when one edge by itself shifts by one standard deviation, mm."""
    scale = view.mm_per_px(seen)
    u_mm = np.hypot(U_SIDE_PX * scale, U_SIDE_SHARE * thickness_mm)
    ahead = _segment_normals(points)
    before = np.roll(ahead, 1, axis=0)
    mitre = _mitre(before, ahead)
    fields = np.zeros((len(starts), *points.shape))
    for field, start, stop in zip(fields, starts, np.roll(starts, -1), strict=True):
        inside = np.arange(start, stop if stop > start else stop + len(points)) % len(points)
        field[inside] = mitre[inside]
        if len(starts) > 1:  # at its ends the edge slides along its neighbours
            field[start] = _slide(ahead[start], before[start])
            field[stop] = _slide(before[stop], ahead[stop])
    return fields * u_mm[:, None]


def _slide(moving: Points, staying: Points) -> Points:
    """Where the crossing of two lines goes when one moves by 1 along its normal (2,) and the other stays."""
    cosine = float(moving @ staying)
    return np.asarray((moving - cosine * staying) / max(1.0 - cosine**2, SLIDE_LIMIT))


def _fields(seen: Points, normals: Points, z_mm: Points, view: Rectification, thickness_mm: float) -> Points:
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
        breaks=fit.breaks[first:] + fit.breaks[:first],
    )


def _resample(line: Points) -> Points:
    """A polyline with further points on its long segments, none over SPACING_MM apart."""
    steps = np.diff(line, axis=0)
    parts = np.maximum(1, np.ceil(np.linalg.norm(steps, axis=1) / SPACING_MM).astype(int))
    segment = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(segment)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[segment]
    return np.concatenate([line[segment] + share[:, None] * steps[segment], line[-1:]])


def heights_mm(points_px: Points, normals_px: Points, view: Rectification, thickness_mm: float) -> Points:
    """Height (N,) of the cloth's edge that the picture shows at each outline point.

    Where the outline faces the point under the camera, the cloth's side wall is seen down to its foot on the mat; where
    it faces away, the upper edge hides the wall.
    """
    at = view.to_mat(points_px, thickness_mm)
    outward = view.to_mat(points_px + normals_px, thickness_mm) - at
    toward = np.sum(outward * (view.pose.centre_mm[:2] - at), axis=1) > 0.0
    return np.where(toward, 0.0, thickness_mm)


def _segment_normals(points: Points) -> Points:
    """Outward normals (P, 2) of a closed counter-clockwise polygon's segments, each starting at its point."""
    along = np.roll(points, -1, axis=0) - points
    return np.asarray(np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True))


def _mitre(before: Points, ahead: Points) -> Points:
    """Mitre normals (P, 2): moving a vertex along its own by d moves both its segments by d."""
    cosine = np.sum(before * ahead, axis=1, keepdims=True)
    return np.asarray((before + ahead) / np.maximum(1.0 + cosine, 2.0 / MITRE_LIMIT**2))
