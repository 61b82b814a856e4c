"""Two hundred damaged or absurd photos, made from a good one, and what may be said of each.

A photo that keeps the truth (``area_mm2``) is either refused in one sentence or measured so that the truth lies within
3u; of one that shows something else nothing may be measured that is not there.
"""

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from flatmeasure.photos.photo import display_light, linear_light

Rgb = NDArray[np.uint8]
IMAGES = Path(__file__).parents[1] / "test_images"
SOURCE, AREA_MM2, THICKNESS_MM, FOCAL_35MM = "bodice_linen.jpg", 81691.518, 0.6, 25


@dataclass(frozen=True)
class AbsurdPhoto:
    """A file said to be a photo.

    Attributes
    ----------
    name : str
        What was done to it.
    data : bytes
    area_mm2 : float, optional
        Area of the cloth where the photo still shows it whole, to scale; None where nothing can be told.
    """

    name: str
    data: bytes
    area_mm2: float | None


def absurd_photos() -> Iterator[AbsurdPhoto]:
    """All of them, always the same."""
    good = (IMAGES / SOURCE).read_bytes()
    rgb = cv2.cvtColor(cv2.imdecode(np.frombuffer(good, np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
    yield from _damaged_files(good)
    yield from _odd_files(rgb)
    yield from _degraded(rgb)
    yield from _misleading(rgb)
    yield from _without_sense()


def _damaged_files(good: bytes) -> Iterator[AbsurdPhoto]:
    rng = np.random.default_rng(20)
    for share in (0, 0.0001, 0.001, 0.003, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 0.9999):
        yield AbsurdPhoto(f"cut off after {share:.2%}", good[: int(share * len(good))], AREA_MM2)
    for count in (1, 2, 5, 20, 100, 1000):
        for where, (first, last) in {"head": (0, 1000), "picture": (2000, len(good))}.items():
            for trial in range(3):
                data = bytearray(good)
                for place in rng.integers(first, last, count):
                    data[place] = int(rng.integers(256))
                yield AbsurdPhoto(f"{count} bytes of the {where} changed, {trial}", bytes(data), None)
    for start, end in ((0, 2), (2, 20), (100, 400), (5000, 9000)):
        yield AbsurdPhoto(f"bytes {start} to {end} missing", good[:start] + good[end:], None)
    yield AbsurdPhoto("text", b"This is no picture." * 50, None)
    yield AbsurdPhoto("zeros", bytes(5000), None)
    yield AbsurdPhoto("random bytes", rng.bytes(50_000), None)
    yield AbsurdPhoto("a photo with rubbish after its end", good + rng.bytes(5000), AREA_MM2)
    yield AbsurdPhoto("two photos in one file", good + good, AREA_MM2)


def _odd_files(rgb: Rgb) -> Iterator[AbsurdPhoto]:
    small = cv2.resize(rgb, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    picture = Image.fromarray(small)
    kinds: list[tuple[str, Image.Image, str, dict[str, object]]] = [
        ("grey JPEG", picture.convert("L"), "JPEG", {"quality": 95}),
        ("CMYK JPEG", picture.convert("CMYK"), "JPEG", {"quality": 95}),
        ("progressive JPEG", picture, "JPEG", {"quality": 95, "progressive": True}),
        ("PNG", picture, "PNG", {}),
        ("palette PNG", picture.convert("P", palette=Image.Palette.ADAPTIVE), "PNG", {}),
        ("black and white PNG", picture.convert("1"), "PNG", {}),
        ("transparent PNG", _see_through(picture), "PNG", {}),
        ("WebP", picture, "WEBP", {"quality": 95}),
        ("lossless WebP", picture, "WEBP", {"lossless": True}),
        ("TIFF", picture, "TIFF", {}),
        ("LZW TIFF", picture, "TIFF", {"compression": "tiff_lzw"}),
        ("GIF", picture, "GIF", {}),
        ("BMP", picture, "BMP", {}),
        ("icon", picture.resize((64, 64)), "ICO", {}),
        ("PDF", picture, "PDF", {}),
    ]
    for name, image, kind, extra in kinds:
        buffer = io.BytesIO()
        image.save(buffer, kind, **extra)
        yield AbsurdPhoto(name, buffer.getvalue(), AREA_MM2)
    slivers = [(1, 1), (2, 1500), (1500, 2), (3, 3), (7, 9), (30, 3000)]
    for width, height in (*slivers, (16, 16), (60, 45), (120, 90), (240, 180)):
        yield AbsurdPhoto(f"{width} x {height} px", _jpeg(cv2.resize(rgb, (width, height))), None)
    for width, height in ((20_000, 20_000), (65_000, 10)):
        buffer = io.BytesIO()
        Image.new("1", (width, height)).save(buffer, "PNG")
        yield AbsurdPhoto(f"{width} x {height} px in {len(buffer.getvalue()) // 1000} kB", buffer.getvalue(), None)
    for tag in range(2, 9):
        yield AbsurdPhoto(f"said to be turned, orientation {tag}", _jpeg(rgb, orientation=tag), None)
    yield AbsurdPhoto("orientation 77", _jpeg(rgb, orientation=77), AREA_MM2)
    for focal in (0, 1, 5, 13, 52, 400, 65535):
        yield AbsurdPhoto(f"said to be taken at {focal} mm", _jpeg(rgb, focal_35mm=focal), AREA_MM2)


def _degraded(rgb: Rgb) -> Iterator[AbsurdPhoto]:
    rng = np.random.default_rng(21)
    for sigma in (0.5, 1, 1.5, 2, 3, 4, 8, 16, 40):
        blurred = cv2.GaussianBlur(linear_light(rgb), (0, 0), sigma)  # a lens mixes light, not codes
        yield AbsurdPhoto(f"blurred by {sigma} px", _jpeg(display_light(blurred)), AREA_MM2)
    for length in (3, 5, 15, 40, 100):
        kernel = np.full((1, length), 1.0 / length)
        moved = cv2.filter2D(linear_light(rgb), -1, kernel)
        yield AbsurdPhoto(f"moved by {length} px", _jpeg(display_light(moved)), AREA_MM2)
    for sigma in (5, 15, 40, 100):
        noisy = np.clip(rgb + rng.normal(0, sigma, rgb.shape), 0, 255).astype(np.uint8)
        yield AbsurdPhoto(f"noise of {sigma}", _jpeg(noisy), AREA_MM2)
    for quality in (1, 5, 10, 15, 25, 40):
        yield AbsurdPhoto(f"JPEG quality {quality}", _jpeg(rgb, quality=quality), AREA_MM2)
    for gain in (0.01, 0.05, 0.15, 0.4, 1.5, 2.5, 5, 20):
        yield AbsurdPhoto(f"{gain:g} times as bright", _jpeg(np.clip(rgb * gain, 0, 255).astype(np.uint8)), AREA_MM2)
    for levels in (2, 3, 6):
        few = (np.round(rgb / 255 * (levels - 1)) * 255 / (levels - 1)).astype(np.uint8)
        yield AbsurdPhoto(f"{levels} levels", _jpeg(few), AREA_MM2)
    for cast in ((1, 0.3, 0.3), (0.3, 1, 0.3), (0.3, 0.3, 1), (1, 1, 0.1)):
        yield AbsurdPhoto(f"colour cast {cast}", _jpeg((rgb * np.array(cast)).astype(np.uint8)), AREA_MM2)
    for scale in (0.7, 0.5, 0.35, 0.25, 0.12, 0.06):
        yield AbsurdPhoto(f"scaled to {scale}", _jpeg(cv2.resize(rgb, None, fx=scale, fy=scale)), AREA_MM2)
    for gamma in (0.4, 0.7, 1.5, 2.2):
        toned = (255 * (rgb / 255) ** gamma).astype(np.uint8)
        yield AbsurdPhoto(f"gamma {gamma}", _jpeg(toned), AREA_MM2)
    yield AbsurdPhoto("a gradient of light", _jpeg(_lit(rgb, 0.15)), AREA_MM2)
    yield AbsurdPhoto("a steep gradient of light", _jpeg(_lit(rgb, 0.02)), AREA_MM2)
    for bar in (50, 300):
        padded = cv2.copyMakeBorder(rgb, bar, bar, 0, 0, cv2.BORDER_CONSTANT)
        yield AbsurdPhoto(f"black bars of {bar} px", _jpeg(padded), AREA_MM2)


def _misleading(rgb: Rgb) -> Iterator[AbsurdPhoto]:
    height, width = rgb.shape[:2]
    yield AbsurdPhoto("a negative", _jpeg(255 - rgb), None)
    yield AbsurdPhoto("mirrored", _jpeg(rgb[:, ::-1]), None)
    for turn in range(1, 4):
        yield AbsurdPhoto(f"turned by {90 * turn} degrees", _jpeg(np.rot90(rgb, turn)), AREA_MM2)
    for side in ("left", "right", "top", "bottom"):
        for share in (0.25, 0.5, 0.75):
            yield AbsurdPhoto(f"{share:.0%} of the {side} cut off", _jpeg(_cropped(rgb, side, share)), None)
    for factor in (0.5, 0.8, 1.25, 2.0):
        yield AbsurdPhoto(f"stretched by {factor}", _jpeg(cv2.resize(rgb, None, fx=factor, fy=1.0)), None)
    yield AbsurdPhoto("sheared", _jpeg(_warped(rgb, np.array([[1, 0.3, 0], [0, 1, 0]]))), None)
    yield AbsurdPhoto("two photos side by side", _jpeg(np.hstack([rgb, rgb])), None)
    yield AbsurdPhoto("the photo four times", _jpeg(np.tile(rgb[::2, ::2], (2, 2, 1))), None)
    yield AbsurdPhoto("doubly exposed", _jpeg((rgb // 2 + np.roll(rgb, 40, axis=1) // 2).astype(np.uint8)), None)
    waves = np.indices((height, width)).astype(np.float32)
    for swing in (4, 15):
        x = waves[1] + swing * np.sin(waves[0] / 60).astype(np.float32)
        yield AbsurdPhoto(f"waves of {swing} px", _jpeg(cv2.remap(rgb, x, waves[0], cv2.INTER_LINEAR)), None)
    for count in (1, 5, 20, 40):
        yield AbsurdPhoto(f"{count} patches stuck on", _jpeg(_patched(rgb, count)), None)
    for shift in (20, 120):
        torn = rgb.copy()
        torn[height // 2 :] = np.roll(torn[height // 2 :], shift, axis=1)
        yield AbsurdPhoto(f"lower half shifted by {shift} px", _jpeg(torn), None)
    yield AbsurdPhoto("a photo of a photo", _jpeg(_photo_of_photo(rgb)), None)


def _without_sense() -> Iterator[AbsurdPhoto]:
    rng = np.random.default_rng(22)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for name, colour in {"black": 0, "grey": 128, "white": 255}.items():
        yield AbsurdPhoto(name, _jpeg(np.full((900, 1200, 3), colour, np.uint8)), None)
    yield AbsurdPhoto("noise", _jpeg(rng.integers(0, 256, (900, 1200, 3), np.uint8)), None)
    blurred = cv2.GaussianBlur(rng.integers(0, 256, (900, 1200, 3), np.uint8), (0, 0), 12)
    yield AbsurdPhoto("clouds", _jpeg(cv2.normalize(blurred, None, 0, 255, cv2.NORM_MINMAX)), None)
    stripes = ((np.indices((900, 1200))[1] // 20) % 2 * 255).astype(np.uint8)
    yield AbsurdPhoto("stripes", _jpeg(np.dstack([stripes] * 3)), None)
    chess = ((np.indices((900, 1200)) // 60).sum(0) % 2 * 255).astype(np.uint8)
    yield AbsurdPhoto("a chessboard", _jpeg(np.dstack([chess] * 3)), None)
    for count in (1, 4, 30):
        sheet = np.full((900, 1200, 3), 235, np.uint8)
        for index in range(count):
            code = family.generateImageMarker(index, 120)
            row, column = divmod(index, 6)
            sheet[30 + 170 * row : 150 + 170 * row, 40 + 190 * column : 160 + 190 * column] = code[..., None]
        yield AbsurdPhoto(f"{count} squares and nothing else", _jpeg(sheet), None)
    for side in (8, 20, 45, 800):
        one = np.full((900, 1200, 3), 235, np.uint8)
        cv2.circle(one, (1000, 450), 150, (120, 30, 30), -1)
        one[40 : 40 + side, 40 : 40 + side] = family.generateImageMarker(3, side)[..., None]
        yield AbsurdPhoto(f"a square of {side} px", _jpeg(one), None)
    full = np.full((900, 1200, 3), (60, 80, 120), np.uint8)
    full[300:500, 300:500] = 235
    full[325:475, 325:475] = family.generateImageMarker(7, 150)[..., None]
    yield AbsurdPhoto("nothing but cloth around one square", _jpeg(full), None)


def _jpeg(rgb: Rgb, *, quality: int = 95, orientation: int = 1, focal_35mm: int = FOCAL_35MM) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif.get_ifd(0x8769)[0xA405] = focal_35mm
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(rgb)).save(buffer, "JPEG", quality=quality, exif=exif)
    return buffer.getvalue()


def _see_through(picture: Image.Image) -> Image.Image:
    clear = picture.convert("RGBA")
    clear.putalpha(128)
    return clear


def _lit(rgb: Rgb, least: float) -> Rgb:
    ramp = np.linspace(1.0, least, rgb.shape[1])[None, :, None]
    return (rgb * ramp).astype(np.uint8)


def _cropped(rgb: Rgb, side: str, share: float) -> Rgb:
    height, width = rgb.shape[:2]
    rows, columns = int(share * height), int(share * width)
    parts: dict[str, Callable[[], Rgb]] = {
        "left": lambda: rgb[:, columns:],
        "right": lambda: rgb[:, : width - columns],
        "top": lambda: rgb[rows:],
        "bottom": lambda: rgb[: height - rows],
    }
    return parts[side]()


def _warped(rgb: Rgb, matrix: NDArray[np.float64]) -> Rgb:
    height, width = rgb.shape[:2]
    return np.asarray(cv2.warpAffine(rgb, matrix, (int(width * 1.3), height)), dtype=np.uint8)


def _patched(rgb: Rgb, count: int) -> Rgb:
    rng = np.random.default_rng(count)
    patched = rgb.copy()
    height, width = rgb.shape[:2]
    for x, y in zip(rng.integers(0, width, count), rng.integers(0, height, count), strict=True):
        cv2.circle(patched, (int(x), int(y)), 60, rng.integers(0, 256, 3).tolist(), -1)
    return patched


def _photo_of_photo(rgb: Rgb) -> Rgb:
    """The photo as a print that lies on a table, seen at a slant."""
    height, width = rgb.shape[:2]
    table = np.full((height, width, 3), (120, 90, 60), np.uint8)
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    seen = np.array([[0.25, 0.2], [0.8, 0.25], [0.9, 0.9], [0.1, 0.8]], np.float32) * np.array([width, height])
    turn = cv2.getPerspectiveTransform(corners, seen.astype(np.float32))
    print_ = cv2.warpPerspective(rgb, turn, (width, height))
    inside = cv2.warpPerspective(np.full((height, width), 255, np.uint8), turn, (width, height)) > 127
    table[inside] = print_[inside]
    return table
