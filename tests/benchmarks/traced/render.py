"""Path tracing for the traced scenes: rays of the distorted camera, sky and area lamps with soft shadows, one bounce.

Mitsuba finds where rays meet the scene; light is gathered here, so that every sample of a pixel is stratified over
the pixel, the lamps and the sky. Needs `pip install mitsuba` (made with 3.9) and an LLVM library of version 16 or later
(the variable DRJIT_LIBLLVM_PATH says where).
"""

from dataclasses import dataclass, field
from typing import Any

import drjit as dr  # type: ignore[import-not-found, unused-ignore]
import mitsuba  # type: ignore[import-not-found, unused-ignore]
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.traced.camera import Camera
from tests.benchmarks.traced.textures import Surface

mi: Any = mitsuba  # its declared types do not know the variant's arrays
mi.set_variant("llvm_ad_rgb")

Array = NDArray[np.float64]
Picture = NDArray[np.float32]


@dataclass(frozen=True)
class Lamp:
    """A flat lamp about `at_mm` that faces the origin; `power` is what it gives to the origin's irradiance."""

    at_mm: tuple[float, float, float]
    size_mm: float
    power: float
    rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Light:
    """Sky of even radiance (its irradiance is `ambient`) and lamps."""

    ambient: float
    lamps: tuple[Lamp, ...]
    ambient_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Relief:
    """A map over a piece: factor on its reflectance and the slopes (x, y) that its shading shows."""

    values: Picture  # (H, W, 3), row 0 at the smallest y
    corner_mm: tuple[float, float]
    size_mm: tuple[float, float]


@dataclass(frozen=True)
class Part:
    """A solid that stands on `low` and is `top_mm` high: polygons as triangles, walls about them."""

    surface: Surface
    triangles_mm: Array  # (N, 3, 2)
    rings_mm: tuple[Array, ...]
    low_mm: float
    top_mm: float
    turn_deg: float = 0.0
    origin_mm: tuple[float, float] = (0.0, 0.0)
    printed: bool = False  # the tile is shown once, nearest texel, its edge going on outside
    relief: Relief | None = None
    is_cloth: bool = False
    swell_mm: Any = field(default=None)  # rise of the top's rim, a function of (N, 2) points


def _mesh(parts: list[Part]) -> tuple[Any, NDArray[np.uint32]]:
    """The scene and each triangle's part."""
    corners, owner = [], []
    for index, part in enumerate(parts):
        rise: Any = part.swell_mm or (lambda p: np.zeros(len(p)))

        def lifted(p: Array, part: Part = part, rise: Any = rise) -> Array:
            return np.column_stack([p, part.top_mm + rise(p)])

        flat = part.triangles_mm.reshape(-1, 2)
        made = [lifted(flat).reshape(-1, 3, 3)]
        if part.top_mm > part.low_mm:
            for ring in part.rings_mm:
                after = np.roll(ring, -1, axis=0)
                a, b = (
                    np.column_stack([ring, np.full(len(ring), part.low_mm)]),
                    np.column_stack([after, np.full(len(ring), part.low_mm)]),
                )
                c, d = lifted(after), lifted(ring)
                made += [np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]
        tris = np.concatenate(made)
        corners.append(tris)
        owner.append(np.full(len(tris), index))
    points = np.concatenate(corners).reshape(-1, 3).astype(np.float32)
    mesh = mi.Mesh("scene", len(points), len(points) // 3)
    values = mi.traverse(mesh)
    values["vertex_positions"] = points.ravel()
    values["faces"] = np.arange(len(points), dtype=np.uint32)
    values.update()
    return mi.load_dict({"type": "scene", "mesh": mesh}), np.concatenate(owner).astype(np.uint32)


class Tracer:
    """Holds the scene on the renderer's side and traces passes of one sample a pixel."""

    def __init__(self, parts: list[Part], light: Light, camera: Camera, seed: int) -> None:
        self.parts, self.light, self.camera, self.seed = parts, light, camera, seed
        self.scene, owner = _mesh(parts)
        self.owner = mi.UInt32(owner)
        self.tiles = [self._texture(p.surface.tile, p.printed) for p in parts]
        self.reliefs: list[Any] = [self._texture(p.relief.values, False) if p.relief else None for p in parts]
        self.means = [mi.Color3f(*map(float, p.surface.tile.mean(axis=(0, 1)))) for p in parts]
        self.gloss = mi.Float([p.surface.gloss for p in parts])
        self.rough = mi.Float([p.surface.roughness for p in parts])
        self.cloth = mi.Float([float(p.is_cloth) for p in parts])

    @staticmethod
    def _texture(values: Picture, printed: bool) -> Any:
        modes = (dr.FilterMode.Nearest, dr.WrapMode.Clamp) if printed else (dr.FilterMode.Linear, dr.WrapMode.Repeat)
        return mi.Texture2f(mi.TensorXf(np.ascontiguousarray(values, np.float32)), True, False, *modes)

    def _ray(self, x: Any, y: Any) -> Any:
        c = self.camera
        dx, dy = (x - c.cx) / c.f, (y - c.cy) / c.f
        ux, uy = mi.Float(dx), mi.Float(dy)
        for _ in range(7):
            r2 = ux * ux + uy * uy
            scale = 1 / (1 + c.k1 * r2 + c.k2 * r2 * r2)
            ux, uy = dx * scale, dy * scale
        t = c.turn
        d = mi.Vector3f(*(ux * t[0, i] + uy * t[1, i] + t[2, i] for i in range(3)))
        return mi.Ray3f(mi.Point3f(*map(float, c.centre)), dr.normalize(d))

    def _look_up(self, part: Any, p: Any) -> tuple[Any, Any, Any]:
        """Reflectance and shading slopes at the points p that belong to each part."""
        albedo, sx, sy = mi.Color3f(0.5), mi.Float(0), mi.Float(0)
        for k, this in enumerate(self.parts):
            here = part == k
            a = np.radians(this.turn_deg)
            x, y = p.x - this.origin_mm[0], p.y - this.origin_mm[1]
            w, h = this.surface.tile_mm
            uv = mi.Point2f(
                (x * float(np.cos(a)) + y * float(np.sin(a))) / w, (y * float(np.cos(a)) - x * float(np.sin(a))) / h
            )
            got = mi.Color3f(*self.tiles[k].eval(uv, here))
            if this.relief is not None:
                r = this.relief
                f, dx, dy = self.reliefs[k].eval(
                    mi.Point2f((p.x - r.corner_mm[0]) / r.size_mm[0], (p.y - r.corner_mm[1]) / r.size_mm[1]), here
                )
                got, sx, sy = got * f, dr.select(here, dx, sx), dr.select(here, dy, sy)
            albedo = dr.select(here, got, albedo)
        return albedo, sx, sy

    def _lamps(self, p: Any, n: Any, eye: Any, u: Any, v: Any, spec: Any, power: Any) -> tuple[Any, Any]:
        """Irradiance from all lamps through one point on each, and what is mirrored to the eye."""
        flow, shine = mi.Color3f(0), mi.Color3f(0)
        for lamp in self.light.lamps:
            at = np.array(lamp.at_mm)
            far = float(np.linalg.norm(at))
            face = -at / far
            side = np.cross(face, [0.0, 1.0, 0.0])
            side /= np.linalg.norm(side)
            up = np.cross(side, face)
            q = mi.Point3f(
                *(
                    float(at[i]) + lamp.size_mm * ((u - 0.5) * float(side[i]) + (v - 0.5) * float(up[i]))
                    for i in range(3)
                )
            )
            d = q - p
            dist2 = dr.squared_norm(d)
            d = d * dr.rsqrt(dist2)
            facing = dr.maximum(0, -dr.dot(d, mi.Vector3f(*map(float, face))))
            strength = lamp.power * far**2 / float(at[2] / far) * facing / dist2
            lit = ~self.scene.ray_test(mi.Ray3f(p, d, dr.sqrt(dist2) * 0.999, 0.0, mi.Color0f()), dr.dot(n, d) > 0)
            e = dr.select(lit, strength * dr.maximum(0, dr.dot(n, d)), 0)
            tint = mi.Color3f(*lamp.rgb)
            flow += tint * e
            if power is not None:
                half = dr.maximum(0, dr.dot(n, dr.normalize(d + eye)))
                shine += tint * (e * spec * (power + 8) / 8 * dr.power(half, power))
        return flow, shine

    def trace(self, i: Any, strata: int) -> tuple[Any, Any]:
        """Radiance (white under unit irradiance is 1) and cloth's share, one sample a pixel."""
        c = self.camera
        n_pixels = c.width * c.height
        index = dr.arange(mi.UInt32, n_pixels)
        number = mi.Float(i)

        def fixed(k: int) -> Any:
            return mi.sample_tea_float32(index, mi.UInt32(self.seed * 64 + k))

        def spread(k: int, step: float) -> Any:
            at = fixed(k) + number * step
            return at - dr.floor(at)

        jx = mi.sample_tea_float32(index, mi.UInt32(self.seed * 64 + 1000) + 2 * i)
        jy = mi.sample_tea_float32(index, mi.UInt32(self.seed * 64 + 1001) + 2 * i)
        x = mi.Float(index % c.width) - 0.5 + (mi.Float(i % strata) + jx) / strata
        y = mi.Float(index // c.width) - 0.5 + (mi.Float(i // strata) + jy) / strata
        ray = self._ray(x, y)
        hit = self.scene.ray_intersect_preliminary(ray)
        seen = hit.is_valid()
        part = dr.gather(mi.UInt32, self.owner, hit.prim_index, seen)
        si = hit.compute_surface_interaction(ray, mi.RayFlags.Minimal)
        flat = mi.Normal3f(dr.select(dr.dot(si.n, ray.d) > 0, -si.n, si.n))
        p = si.p + flat * 0.02
        albedo, sx, sy = self._look_up(part, si.p)
        on_top = flat.z > 0.7
        n = dr.normalize(mi.Normal3f(flat.x - dr.select(on_top, sx, 0), flat.y - dr.select(on_top, sy, 0), flat.z))
        spec = dr.gather(mi.Float, self.gloss, part, seen)
        rough = dr.gather(mi.Float, self.rough, part, seen)
        power = 2 / (rough * rough * rough * rough) - 2
        flow, shine = self._lamps(p, n, -ray.d, spread(1, 0.7548777), spread(2, 0.5698403), spec, power)
        sky = mi.Color3f(*self.light.ambient_rgb) * self.light.ambient
        d = mi.Frame3f(n).to_world(
            mi.warp.square_to_cosine_hemisphere(mi.Point2f(spread(3, 0.6180340), spread(4, 0.4142136)))
        )
        flow += self._gathered(p, d, sky, spread(5, 0.7548777), spread(6, 0.5698403))
        return dr.select(seen, albedo * flow + shine + spec * sky, 0), dr.gather(mi.Float, self.cloth, part, seen)

    def _gathered(self, p: Any, d: Any, sky: Any, u: Any, v: Any) -> Any:
        """What comes from the sky, or from the surface that hides it, as the latter's even light."""
        ray = mi.Ray3f(p, d)
        hit = self.scene.ray_intersect_preliminary(ray)
        met = hit.is_valid()
        part = dr.gather(mi.UInt32, self.owner, hit.prim_index, met)
        si = hit.compute_surface_interaction(ray, mi.RayFlags.Minimal, met)
        n = mi.Normal3f(dr.select(dr.dot(si.n, ray.d) > 0, -si.n, si.n))
        flow, _ = self._lamps(si.p + n * 0.02, n, -d, u, v, 0.0, None)
        tone = mi.Color3f(0)
        for k, mean in enumerate(self.means):
            tone = dr.select(part == k, mean, tone)
        return dr.select(met, tone * (flow + 0.6 * sky), sky)

    def render(self, strata: int) -> tuple[Picture, Picture]:
        """Linear picture (H, W, 3) and the share of cloth in each pixel (H, W)."""
        c = self.camera
        total, cover = mi.Color3f(0), mi.Float(0)
        for i in range(strata * strata):
            got, share = self.trace(dr.opaque(mi.UInt32, i), strata)
            total, cover = total + got, cover + share
            dr.eval(total, cover)
        shape = (c.height, c.width)
        rgb = np.stack([np.array(ch).reshape(shape) for ch in total], axis=2) / strata**2
        return rgb.astype(np.float32), (np.array(cover).reshape(shape) / strata**2).astype(np.float32)
