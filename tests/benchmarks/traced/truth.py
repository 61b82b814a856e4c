"""What a traced scene's picture shows: outlines in pixels, the truth file, and checks of both against the render."""

from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.polygon import orient

from tests.benchmarks.traced.camera import Camera, raised
from tests.benchmarks.traced.curves import Shape

Array = NDArray[np.float64]
Picture = NDArray[np.float32]


def silhouette(camera: Camera, shape: Shape, top_mm: float, rise: Any = None) -> Polygon:
    """The piece in the picture: its top with its walls."""

    def tops(p: Array) -> Array:
        return camera.see(raised(p, top_mm + (rise(p) if rise else 0.0)))

    rings = [shape.outline(1.5), *(h.points(1.5) for h in shape.holes)]
    top = Polygon(tops(rings[0]), [tops(r) for r in rings[1:]])
    walls = []
    for ring in rings:
        upper, lower = tops(ring), camera.see(raised(ring, 0.0))
        quads: Any = np.stack([lower, np.roll(lower, -1, 0), np.roll(upper, -1, 0), upper], axis=1)
        walls += list(shapely.convex_hull(shapely.polygons(quads)))
    seen: Any = shapely.union_all([top.buffer(1e-6), *walls], grid_size=1e-5)
    if isinstance(seen, MultiPolygon):
        seen = max(seen.geoms, key=lambda g: g.area)
    holes = [r for r in seen.interiors if Polygon(r).area > 20]
    return orient(Polygon(seen.exterior, holes), -1.0)


def piece_truth(
    camera: Camera, shape: Shape, cloth: str, top_mm: float, wrinkle_mm: float, rise: Any
) -> dict[str, Any]:
    """Entry of scene-truth/1 for one piece."""
    seen = silhouette(camera, shape, top_mm, rise)
    corners = shape.corners
    z = top_mm + (rise(corners) if rise else np.zeros(len(corners)))
    n = len(shape.sides)
    edges = [
        {"name": s.name, "from": i, "to": (i + 1) % n, "length_mm": s.length, "kind": s.kind}
        for i, s in enumerate(shape.sides)
    ]
    return {
        "shape": shape.name,
        "cloth": cloth,
        "thickness_mm": top_mm,
        "wrinkle_mm": wrinkle_mm,
        "area_mm2": shape.area,
        "perimeter_mm": shape.perimeter,
        "corners_mm": corners.tolist(),
        "edges": edges,
        "outline_mm": shape.outline(2.0).round(4).tolist(),
        "holes_mm": [h.points(2.0).round(4).tolist() for h in shape.holes],
        "hole_edges": [
            [{"name": h.name, "from": None, "to": None, "length_mm": h.length, "kind": "curve"}] for h in shape.holes
        ],
        "corners_px": camera.see(raised(corners, z)).round(3).tolist(),
        "outline_px": np.array(seen.exterior.coords)[:-1].round(3).tolist(),
        "holes_px": [np.array(r.coords)[:-1].round(3).tolist() for r in seen.interiors],
    }


def cover_offset(cover: Picture, outlines: list[Polygon]) -> float:
    """Mean distance in px by which the rendered cloth is larger than its outlines in truth."""
    frame = box(-0.5, -0.5, cover.shape[1] - 0.5, cover.shape[0] - 0.5)
    area = sum(o.intersection(frame).area for o in outlines)
    return float((cover.sum(dtype=np.float64) - area) / sum(o.length for o in outlines))


def worst_cover(cover: Picture, outlines: list[Polygon]) -> float:
    """Largest distance (95th percentile) between the half-covered line and the outline, where both are in the frame."""
    h, w = cover.shape
    far = []
    for o in outlines:
        for ring in (o.exterior, *o.interiors):
            at = np.array(
                [ring.interpolate(t, normalized=True).coords[0] for t in np.linspace(0, 1, 600, endpoint=False)]
            )
            ahead = np.array(
                [ring.interpolate(t + 1e-4, normalized=True).coords[0] for t in np.linspace(0, 1, 600, endpoint=False)]
            )
            d = ahead - at
            n = np.column_stack([d[:, 1], -d[:, 0]]) / np.hypot(*d.T)[:, None]
            s = np.linspace(-4, 4, 33)
            xy = at[:, None] + n[:, None] * s[None, :, None]
            inside = ((xy > 1) & (xy < [w - 2, h - 2])).all(axis=(1, 2))
            v = cv2.remap(cover, xy[..., 0].astype(np.float32), xy[..., 1].astype(np.float32), cv2.INTER_LINEAR)
            width = v.sum(axis=1) * 0.25
            offset = width - 4.125
            clean = inside & (np.abs(v[:, 0] - v[:, -1]) > 0.9)
            far.append(np.abs(offset[clean]))
    return float(np.percentile(np.concatenate(far), 95)) if far else 0.0


def reference_offsets(linear: Picture, references: list[dict[str, Any]]) -> list[float]:
    """Distance in px of each reference edge, where half the light is, from the truth (positive: figure too large)."""
    found = []
    grey = linear.mean(axis=2)
    for r in references:
        c = np.array(r["corners_px"])
        centre = c.mean(axis=0)
        for a, b in zip(c, np.roll(c, -1, 0), strict=True):
            t = np.linspace(0.12, 0.88, 80)[:, None]
            at = a + (b - a) * t
            n = np.array([(b - a)[1], -(b - a)[0]]) / np.hypot(*(b - a))
            n = n if n @ (at.mean(axis=0) - centre) > 0 else -n
            s = np.linspace(-5, 5, 81)
            xy = (at[:, None] + n * s[None, :, None]).astype(np.float32)
            v = cv2.remap(grey, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR).mean(axis=0)
            inner, outer = v[:12].mean(), v[-12:].mean()
            found.append(float(((v - outer) / (inner - outer)).sum() * 0.125 - 5.0625))
    return found
