"""What is fuzzed: each target takes bytes, and ends in a result or in one of our own plain sentences."""

import io
import json
import random
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from flatmeasure.enough.pattern_drawing import read_dxf, read_svg
from flatmeasure.enough.pattern_file import pattern_from_dict, read_pattern
from flatmeasure.errors import FlatMeasureError
from flatmeasure.photos.photo import load_photo
from flatmeasure.pieces.panel_file import panels_from_dict, read_panels
from flatmeasure.pipeline import measure
from flatmeasure.units import format_length, parse_length, parse_size
from flatmeasure.view.lens_profile import load_profile

ROOT = Path(__file__).parents[2]
ODD = (None, True, -1, 0, 1e308, 1e-308, float("nan"), float("inf"), "", "x" * 1000, [], {}, [[]], [0], -0.5, 10**30)


def photo(data: bytes) -> None:
    """A file said to be a photo."""
    _plainly(lambda: load_photo(data, max_megapixels=4.0))


def picture(data: bytes) -> None:
    """A picture of coded squares, patches and noise, drawn at random: measured, or refused in a sentence."""
    rng = np.random.default_rng(list(data[:64]))
    _plainly(lambda: measure(_drawn(rng), square_mm=float(rng.uniform(1.0, 300.0)), thickness_mm=rng.uniform(0.0, 5.0)))


def options(data: bytes) -> None:
    """Lengths and sizes as people type them."""
    text = data.decode("utf-8", "replace")[:200]
    _plainly(lambda: [format_length(parse_length(text), unit) for unit in _units()])
    _plainly(lambda: parse_size(text))


def pattern(data: bytes) -> None:
    """A pattern whose JSON was changed here and there."""
    _plainly(lambda: pattern_from_dict(_changed(PATTERN, data)))
    _plainly(lambda: _file(data, "pattern.json", read_pattern))


def pieces(data: bytes) -> None:
    """A measurement whose JSON was changed here and there."""
    _plainly(lambda: panels_from_dict(_changed(MEASUREMENT, data)))
    _plainly(lambda: _file(data, "pieces.json", read_panels))


def profile(data: bytes) -> None:
    """The profile of a lens."""
    _plainly(lambda: _file(data, "lens.json", load_profile))


def svg(data: bytes) -> None:
    """A drawing in SVG."""
    _plainly(lambda: read_svg(data, "pattern.svg"))


def dxf(data: bytes) -> None:
    """A drawing in DXF."""
    _plainly(lambda: read_dxf(data, "pattern.dxf"))


def _plainly(run: Callable[[], object]) -> None:
    try:
        run()
    except FlatMeasureError as error:
        sentence = str(error)
        assert sentence.strip().endswith((".", "?", "!")), sentence
        assert "\n" not in sentence, sentence


def _file(data: bytes, name: str, read: Callable[[Path], object]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        read(path)


def _changed(seed: Any, data: bytes) -> Any:
    """A deep copy of a JSON value with a few leaves or branches replaced, dropped or doubled, as the bytes decide."""
    value = json.loads(json.dumps(seed))
    dice = random.Random(data)
    for _ in range(dice.randint(1, 4)):
        node, key = value, None
        while isinstance(node, dict | list) and node and (key is None or dice.random() < 0.8):
            parent, key = node, dice.choice(list(node) if isinstance(node, dict) else range(len(node)))
            node = parent[key]
        if key is None:
            return dice.choice(ODD)
        _change(parent, key, dice)
    return value


def _change(parent: Any, key: Any, dice: random.Random) -> None:
    kind = dice.randrange(4)
    if kind == 0:
        del parent[key]
    elif kind == 1 and isinstance(parent, list):
        parent.insert(key, parent[key])
    elif kind == 2 and isinstance(parent[key], int | float):
        parent[key] *= dice.choice([-1, 0, 1e-6, 1.5, 1e6])
    else:
        parent[key] = dice.choice(ODD)


def _drawn(rng: np.random.Generator) -> np.ndarray:
    """A small picture with up to three coded squares and five patches, sharp, blurred or noisy."""
    height, width = (int(n) for n in rng.integers(40, 420, 2))
    canvas = np.full((height, width, 3), rng.integers(0, 256, 3), np.uint8)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for _ in range(rng.integers(0, 6)):
        corners = rng.uniform(-20, max(height, width), (int(rng.integers(3, 9)), 2)).astype(np.int32)
        cv2.fillPoly(canvas, [corners], rng.integers(0, 256, 3).tolist())
    for _ in range(rng.integers(0, 4)):
        side = int(rng.integers(20, 90))
        code = np.pad(family.generateImageMarker(int(rng.integers(50)), side), side // 6, constant_values=255)
        x, y = int(rng.integers(width)), int(rng.integers(height))
        part = canvas[y : y + len(code), x : x + len(code)]
        part[:] = code[: part.shape[0], : part.shape[1], None]
    noisy = canvas + rng.normal(0, rng.choice([0, 1, 10, 60]), canvas.shape)
    return cv2.GaussianBlur(np.clip(noisy, 0, 255).astype(np.uint8), (0, 0), float(rng.uniform(0.3, 3.0)))


def _units() -> Iterable[Any]:
    from flatmeasure.units import LengthUnit

    return LengthUnit


def _pictures() -> list[bytes]:
    seeds = []
    picture = Image.fromarray(np.random.default_rng(1).integers(0, 256, (48, 64, 3), np.uint8))
    for kind, extra in (("JPEG", {}), ("PNG", {}), ("WEBP", {}), ("TIFF", {}), ("JPEG", {"progressive": True})):
        buffer = io.BytesIO()
        exif = Image.Exif()
        exif[0x0112], exif[0x010F] = 6, "Maker"
        exif.get_ifd(0x8769)[0xA405] = 26
        picture.save(buffer, kind, exif=exif, **extra)
        seeds.append(buffer.getvalue())
    return seeds


def _drawing_svg() -> list[bytes]:
    head = '<svg xmlns="http://www.w3.org/2000/svg" width="300mm" height="200mm" viewBox="0 0 300 200">'
    shapes = (
        '<rect x="5" y="5" width="100" height="80" data-count="2"/>',
        '<g transform="rotate(10) scale(2)"><path id="a" d="M10 10 h50 v30 c-10 5 -20 5 -50 0 a5 5 0 0 1 0 -30z"/></g>',
        '<circle cx="60" cy="60" r="40"/><polygon points="0,0 50,0 50,50"/>',
    )
    return [f"{head}{shape}</svg>".encode() for shape in shapes]


def _drawing_dxf() -> list[bytes]:
    import ezdxf

    drawing = ezdxf.new("R2010", units=4)
    drawing.modelspace().add_lwpolyline([(0, 0), (300, 0), (300, 200), (0, 200)], close=True)
    drawing.modelspace().add_circle((600, 100), 80)
    drawing.modelspace().add_spline([(0, 300), (100, 400), (200, 300), (0, 300)])
    text = io.StringIO()
    drawing.write(text)
    return [text.getvalue().encode()]


def _measurement() -> dict[str, Any]:
    """A measurement of one square piece, with every field that is read back."""
    places = [[0.0, 0.0], [300.0, 0.0], [300.0, 200.0], [0.0, 200.0]]
    sides = [300.0, 200.0, 300.0, 200.0]
    edges = [
        {"id": f"A{k + 1}", "from": k, "to": (k + 1) % 4, "kind": "straight", "length": _quantity(side, "mm")}
        | {"points_mm": [places[k], places[(k + 1) % 4]]}
        for k, side in enumerate(sides)
    ]
    corners = [{"at_mm": at, "angle": _quantity(90.0, "deg")} for at in places]
    hole = [[100.0, 50.0], [100.0, 90.0], [140.0, 90.0], [140.0, 50.0]]
    piece = {"id": "A", "complete": True, "area": _quantity(58400.0, "mm2"), "outline_mm": places, "holes_mm": [hole]}
    piece |= {"corners": corners, "edges": edges, "labels": {"A1": "hem"}, "grain": {"angle_deg": 90.0, "u_deg": 1.0}}
    piece |= {"layers": 2, "flaws_mm": [[[10, 10], [20, 10], [20, 20]]]}
    return {"schema": "flatmeasure.measurement/1", "pieces": [piece]}


def _quantity(value: float, unit: str) -> dict[str, Any]:
    return {"value": value, "u": 0.2, "unit": unit}


MEASUREMENT = _measurement()
PATTERN = json.loads((ROOT / "test_images" / "pinafore.json").read_text("utf-8"))
NUMBERS = [bytes([n, 7 * n % 256, n * n % 256]) for n in range(16)]
JSON_SEEDS = [json.dumps(PATTERN).encode(), json.dumps(MEASUREMENT).encode()]

TARGETS = {
    "photo": photo,
    "picture": picture,
    "options": options,
    "pattern": pattern,
    "pieces": pieces,
    "profile": profile,
    "svg": svg,
    "dxf": dxf,
}
SEEDS: dict[str, Callable[[], list[bytes]]] = {
    "photo": _pictures,
    "picture": lambda: NUMBERS,
    "options": lambda: [b"100mm", b"4 1/2 in", b"210x297mm", b'3.5\xc2\xbd"', b"1e3 cm"],
    "pattern": lambda: [*NUMBERS, *JSON_SEEDS],
    "pieces": lambda: [*NUMBERS, *JSON_SEEDS],
    "profile": lambda: [b'{"schema": "flatmeasure.lens/1", "mean": [8, 0, 0, 0, 0]}'],
    "svg": _drawing_svg,
    "dxf": _drawing_dxf,
}
