"""Path-traced scenes of cloth beside references, with exact truth (schema scene-truth/1), drawn by seed.

    python -m tests.benchmarks.traced_scenes FOLDER [FIRST [COUNT]] [--strata 4] [--redo]

Writes FOLDER/NAME.jpg with NAME.json for scene numbers FIRST, FIRST + 1, ... Needs `pip install mitsuba` and an LLVM
library besides what the tests need; nothing else of the project imports it. Each picture is checked as it is made: the
rendered cloth against the truth's outlines, the references' edges against theirs. `python -m tests.benchmarks.accuracy
FOLDER` scores the folder.
"""

import argparse
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image
from shapely.geometry import Polygon

from tests.benchmarks.traced.camera import Camera, raised
from tests.benchmarks.traced.curves import Rng, Shape
from tests.benchmarks.traced.plan import Laid, Plan, aim, card_half, lay, plan, square
from tests.benchmarks.traced.render import Lamp, Light, Part, Relief, Tracer
from tests.benchmarks.traced.textures import CLOTHS, MATS, Surface, carpet, colour, wood
from tests.benchmarks.traced.truth import cover_offset, piece_truth, reference_offsets, worst_cover

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

LIGHTS: dict[str, Callable[[Rng], Light]] = {
    "window": lambda r: Light(0.55, (Lamp((-1800, float(r.uniform(-900, 900)), 2300), 1400, 0.45),)),
    "two": lambda r: Light(
        0.45, (Lamp((-1700, 600, 2200), 1200, 0.35), Lamp((1800, -900, 2000), 900, 0.25, (1, 0.92, 0.85)))
    ),
    "hard": lambda r: Light(
        0.4, (Lamp((float(r.choice([-1500, 1500])), float(r.uniform(-1000, 1200)), 1900), 60, 0.6),)
    ),
    "warm": lambda r: Light(
        0.3, (Lamp((float(r.uniform(-800, 800)), 800, 2300), 500, 0.7, (1, 0.72, 0.45)),), (1, 0.8, 0.6)
    ),
    "dim": lambda r: Light(0.6, (Lamp((900, float(r.uniform(-900, 900)), 2100), 700, 0.4, (1, 0.88, 0.75)),)),
}


def waves(r: Rng, depth_mm: float, longest_mm: float = 260) -> Callable[[Array], tuple[Array, Array]]:
    """Low waves over the mat: height and slopes (N, 2) of points (N, 2)."""
    n = 7
    length, way, phase = r.uniform(70, longest_mm, n), r.uniform(0, 2 * np.pi, n), r.uniform(0, 2 * np.pi, n)
    k = 2 * np.pi / length[:, None] * np.column_stack([np.cos(way), np.sin(way)])
    part = depth_mm * length / length.sum()

    def at(points: Array) -> tuple[Array, Array]:
        turn = points @ k.T + phase
        return (np.sin(turn) + 1) / 2 @ part, np.cos(turn) / 2 @ (part[:, None] * k)

    return at


def relief(shape: Shape, wave: Callable[[Array], tuple[Array, Array]], r: Rng) -> Relief:
    """Waves, a rim that bends down, drawn seams and what is seen through an opening."""
    mm = 0.5
    low = shape.outline(8).min(axis=0) - 6
    w, h = (np.ceil((np.ptp(shape.outline(8), axis=0) + 12) / mm)).astype(int)
    y, x = np.mgrid[:h, :w] * mm
    _, slopes = wave(np.column_stack([x.ravel() + low[0] + mm / 2, y.ravel() + low[1] + mm / 2]))

    def px(points: Array) -> NDArray[np.int32]:
        return np.asarray(np.round(((points - low) / mm - 0.5) * 16), np.int32)

    mask = np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [px(shape.outline(2)), *(px(s.points(2)) for s in shape.holes)], 1, shift=4)
    inward = cv2.distanceTransform(mask, cv2.DIST_L2, 5).astype(np.float64) * mm
    gy, gx = np.gradient(cv2.GaussianBlur(inward, (0, 0), 2), mm)
    width = 2.5 * np.exp(0.4 * cv2.GaussianBlur(r.normal(size=(h, w)), (0, 0), 12) * 40)
    rim = (r.uniform(0.0, 0.2) * np.exp(-inward / width))[..., None] * np.stack([gx, gy], axis=2)
    factor = np.ones((h, w), np.float32)
    for s in shape.shaded:
        cv2.fillPoly(factor, [px(s.points(2))], 0.55, cv2.LINE_AA, 4)
    for s in shape.seams:
        cv2.polylines(factor, [px(np.vstack([s.points(2), s.curves[-1][-1:]]))], False, 0.62, 2, cv2.LINE_AA, 4)
    values = np.dstack([factor, slopes.reshape(h, w, 2) + rim]).astype(np.float32)
    return Relief(values, (float(low[0]), float(low[1])), (w * mm, h * mm))


def triangles(outline: Array, holes: list[Array] | None = None) -> Array:
    """Triangles (N, 3, 2) that fill an outline."""
    made: Any = shapely.constrained_delaunay_triangles(Polygon(outline, holes or []))
    return np.array([np.array(g.exterior.coords)[:3] for g in made.geoms])


def _code(kind: str, code: int) -> Picture:
    """The figure with its quiet zone as reflectance, one texel a cell, row 0 lowest."""
    aruco = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    bits = cv2.aruco.generateImageMarker(aruco, code, 6) if kind == "coded" else np.zeros((6, 6), np.uint8)
    cells = np.pad(bits, 1, constant_values=255)[::-1]
    return np.where(cells[..., None] > 0, colour(225, 225, 224), colour(26, 26, 27)).astype(np.float32)


def parts_of(p: Plan, laid: Laid, rises: list[Any], wave: Any, r: Rng) -> list[Part]:
    """Floor, mat, cards and cloths as solids."""
    floor = (wood if p.floor == "wood" else carpet)(r)
    parts = [_plate(floor, (9000, 9000), -2.5, -2.5, float(r.choice([0, 90])))]
    surface = MATS[p.mat](r) if p.mat not in ("wood", "carpet") else floor
    if p.mat in ("wood", "carpet") and (p.mat == "wood" or r.random() < 0.5):
        parts = [_plate(floor, (9000, 9000), 0.0, 0.0, float(r.choice([0, 90])))]
    else:
        parts.append(_plate(surface, laid.mat_mm, -2.5, 0.0, 0.0))
    card = round(float(r.uniform(0.2, 0.3)), 2)
    for centre, turn, code in laid.references:
        ring = square(centre, turn, card_half(p))
        if p.kind == "plain-white":
            tone = colour(228, 228, 226)[None, None]
            parts.append(Part(Surface(tone, (1, 1)), triangles(ring), (ring,), 0.0, card))
        else:
            start = square(centre, turn, p.side_mm / 6 * 4)[0]
            tile = Surface(_code(p.kind, code), (p.side_mm / 6 * 8, p.side_mm / 6 * 8), 0.01)
            parts.append(
                Part(tile, triangles(ring), (ring,), 0.0, card, turn, (float(start[0]), float(start[1])), True)
            )
    for shape, cloth, rise in zip(laid.pieces, p.cloths, rises, strict=True):
        rings = [shape.outline(1.5), *(s.points(1.5) for s in shape.holes)]
        turn = float(r.choice([0, r.uniform(0, 180)]))
        parts.append(
            Part(
                CLOTHS[cloth](r),
                triangles(rings[0], rings[1:]),
                tuple(rings),
                0.0,
                p.thickness_mm,
                turn,
                (0.0, 0.0),
                relief=relief(shape, wave, r),
                is_cloth=True,
                swell_mm=rise,
            )
        )
    return parts


def _plate(surface: Surface, size: tuple[float, float], low: float, top: float, turn: float) -> Part:
    w, h = size[0] / 2, size[1] / 2
    ring = np.array([[-w, -h], [w, -h], [w, h], [-w, h]])
    return Part(surface, triangles(ring), (ring,), low, top, turn)


def develop(p: Plan, linear: Picture, light: Light, r: Rng) -> tuple[NDArray[np.uint8], dict[str, float]]:
    """Exposure, blur and noise in linear light, sRGB, sharpening."""
    full = light.ambient * np.array(light.ambient_rgb) + sum(lamp.power * np.array(lamp.rgb) for lamp in light.lamps)
    bright = float(r.uniform(0.55, 0.9)) * (0.3 if p.light == "dim" else 1) * (0.006 if p.fault == "dark" else 1)
    balance = full / full.mean() if p.light == "warm" else np.ones(3)
    v = linear * (bright / full.mean() / balance**0.4).astype(np.float32)
    scale = p.size_px[0] / 3000
    blur = float(r.uniform(0.7, 1.1)) if p.fault != "blurred" else float(r.uniform(7, 11)) * scale
    v = cv2.GaussianBlur(v, (0, 0), blur)
    noise = float(r.choice([0.6, 1.0, 1.0, 1.6])) * (1.5 if p.light == "dim" else 1)
    v += r.standard_normal(v.shape).astype(np.float32) * (0.006 * noise * np.sqrt(np.clip(v, 0, None) + 0.003))
    v = np.clip(v, 0, 1)
    codes = 255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.power(np.maximum(v, 1e-6), 1 / 2.4) - 0.055)
    amount = float(r.uniform(0.05, 0.3))
    codes = codes + amount * (codes - cv2.GaussianBlur(codes, (0, 0), 1.2))
    return np.clip(np.round(codes), 0, 255).astype(np.uint8), {"noise": noise, "blur_px": blur, "sharpening": amount}


def write_jpeg(path: Path, picture: NDArray[np.uint8], orientation: int, focal: int, encoding: tuple[int, int]) -> None:
    """Turn the upright picture so that its tag turns it back."""
    turns = {1: 0, 3: 2, 6: 1, 8: 3}[orientation]  # quarter turns anticlockwise
    stored = np.ascontiguousarray(np.rot90(picture, turns))
    image = Image.fromarray(stored)
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110] = orientation, "Testcam", "T1"
    exif.get_ifd(0x8769)[0xA405] = focal
    image.save(path, quality=encoding[0], exif=exif, subsampling=encoding[1])


def truth_of(p: Plan, laid: Laid, camera: Camera, rises: list[Any], card_mm: float) -> dict[str, Any]:
    references = []
    for centre, turn, code in laid.references:
        corners = square(centre, turn, p.side_mm / 2)
        entry = {
            "kind": p.kind,
            "side_mm": p.side_mm,
            "corners_mm": corners.tolist(),
            "corners_px": camera.see(raised(corners, card_mm)).round(3).tolist(),
        }
        references.append(entry | ({"code": code} if p.kind == "coded" else {}))
    expect = {"cut": "incomplete", None: "measured"}.get(p.fault, "refused")
    return {
        "schema": "scene-truth/1",
        "name": p.name,
        "image_px": [camera.width, camera.height],
        "note": "pixels of the upright picture, centres at whole numbers; mm in the mat frame, Z=0 on the mat",
        "expect": expect,
        "fault": p.fault,
        "mat": {"kind": p.mat, "size_mm": laid.mat_mm, "floor": p.floor},
        "light": {"kind": p.light},
        "references": references,
        "camera": {
            "f": camera.f,
            "cx": camera.cx,
            "cy": camera.cy,
            "k1": camera.k1,
            "k2": camera.k2,
            "R": camera.turn.tolist(),
            "C": camera.centre.tolist(),
            "height_mm": float(camera.centre[2]),
            "tilt_deg": p.tilt_deg,
        },
        "exif_orientation": p.orientation,
        "pieces": [
            piece_truth(camera, s, c, p.thickness_mm, p.wrinkle_mm, rise)
            for s, c, rise in zip(laid.pieces, p.cloths, rises, strict=True)
        ],
    }


def make(p: Plan, folder: Path, strata: int) -> str:
    """Render one scene, write it, and say what the checks found."""
    began = time.time()
    for attempt in range(60):
        r = np.random.default_rng([11, p.number, attempt])
        laid = lay(p, r)
        camera = aim(p, laid, r)
        if camera is not None:
            break
    else:
        return f"{p.name}: no place found"
    wave = waves(r, p.wrinkle_mm)
    edge = waves(r, p.edge_wave_mm, 160)
    rise = (lambda points: edge(points)[0]) if p.edge_wave_mm else None
    rises = [rise] * len(laid.pieces)
    light = LIGHTS[p.light](r)
    parts = parts_of(p, laid, rises, wave, r)
    card = next((q.top_mm for q in parts if q.top_mm > 0 and not q.is_cloth), 0.0)
    linear, cover = Tracer(parts, light, camera, p.number + 1).render(strata)
    truth = truth_of(p, laid, camera, rises, card)
    picture, taken = develop(p, linear, light, r)
    focal = round(camera.f * 43.2666 / float(np.hypot(camera.width, camera.height)))
    encoding = (int(r.integers(88, 96)), int(r.choice([1, 2])))  # quality; 4:2:2 or 4:2:0
    write_jpeg(folder / f"{p.name}.jpg", picture, p.orientation, focal, encoding)
    outlines = [Polygon(piece["outline_px"], piece["holes_px"]) for piece in truth["pieces"]]
    blurred = np.asarray(cv2.GaussianBlur(linear, (0, 0), 0.8), np.float32)
    offsets = reference_offsets(blurred, truth["references"]) if p.fault is None else [0.0]
    checks = {
        "cover_mean_px": cover_offset(cover, outlines),
        "cover_p95_px": worst_cover(cover, outlines),
        "references_mean_px": float(np.mean(offsets)),
        "references_worst_px": float(np.abs(offsets).max()),
    }
    truth |= taken | {
        "jpeg": encoding[0],
        "exif_focal_35mm": focal,
        "checks": checks,
        "card_mm": card,
        "edge_wave_mm": p.edge_wave_mm,
    }
    (folder / f"{p.name}.json").write_text(json.dumps(truth))
    return f"{p.name}: {time.time() - began:.0f} s " + " ".join(f"{k} {v:+.3f}" for k, v in checks.items())


def main() -> None:
    parser = argparse.ArgumentParser(description="Path-traced scenes with exact truth.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("first", type=int, nargs="?", default=0)
    parser.add_argument("count", type=int, nargs="?", default=8)
    parser.add_argument("--strata", type=int, default=4, help="samples a pixel, by its root")
    parser.add_argument("--redo", action="store_true", help="render what is there already, too")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    for number in range(given.first, given.first + given.count):
        p = plan(number)
        if given.redo or not (given.folder / f"{p.name}.json").exists():
            print(make(p, given.folder, given.strata), flush=True)


if __name__ == "__main__":
    main()
