"""The photo: read once, upright, checked before it is decoded; and linear light.

Location metadata is never read, so it cannot be kept.
"""

import hashlib
import io
import os
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from flatmeasure.errors import OptionInvalid, PhotoUnreadable
from flatmeasure.photos.jpeg import decode_jpeg

Pixels = NDArray[np.uint8]
Light = NDArray[np.float32]
Floating = TypeVar("Floating", bound=np.floating)
PhotoSource = str | os.PathLike[str] | bytes | Pixels

DEFAULT_MEGAPIXELS = 80.0
MEGAPIXELS_CEILING = 178.0  # Pillow refuses above twice its MAX_IMAGE_PIXELS, 178.9 million

_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
_BYTES_PER_PIXEL = 8  # the largest a picture file sensibly is: four channels of 16 bits, not compressed
_COARSEST_STEP = 128  # of a JPEG block's mean, in eighths of a code: its colours bleed over whole blocks
_FOCAL_35MM_RANGE = (8.0, 1000.0)  # a wider lens is a fisheye, or the figure is wrong

_ORIENTATION, _MAKE, _MODEL, _EXIF_DIRECTORY, _FOCAL_35MM = 0x0112, 0x010F, 0x0110, 0x8769, 0xA405  # CIPA DC-008 (Exif)


@dataclass(frozen=True, eq=False)
class Photo:
    """A picture as the camera saw it, turned upright.

    Attributes
    ----------
    rgb : (H, W, 3) uint8 array
        sRGB-encoded, of the upright picture.
    name : str
        The file's name without its folder.
    sha256 : str
        Hexadecimal digest of the file's bytes, or of the pixels when an array was given.
    focal_35mm : float or None
        35 mm equivalent focal length from the metadata, when it is plausible.
    camera : str or None
        Make and model.
    orientation : int
        The tag, 1 to 8, by which the stored pixels were turned upright.
    """

    rgb: Pixels
    name: str
    sha256: str
    focal_35mm: float | None = None
    camera: str | None = None
    orientation: int = 1

    @property
    def width_px(self) -> int:
        """Width of the upright picture."""
        return int(self.rgb.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the upright picture."""
        return int(self.rgb.shape[0])


def load_photo(source: PhotoSource, *, max_megapixels: float = DEFAULT_MEGAPIXELS) -> Photo:
    """Read a photo.

    Parameters
    ----------
    source : path, bytes of a file, or (H, W, 3) uint8 RGB array
        A file may be JPEG, PNG, WebP, TIFF, or HEIC when pillow-heif is installed. What it is is read from its first
        bytes, not from its name. Of several pages the first is taken.
    max_megapixels : float
        Larger pictures are refused from their header, before anything is decoded.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoUnreadable
        The file is missing, is no picture of these kinds, is damaged or cut short, is animated, or is too large.
    OptionInvalid
        ``max_megapixels`` is not above 0 and at most 178.
    ValueError
        An array of another shape or type.

    Notes
    -----
    An embedded colour profile does not change the pixels. Phones embed Display P3, whose tone curve is that of sRGB, so
    linear light comes out right; its wider primaries only make colours a little paler, and colours are not measured.
    """
    if not 0.0 < max_megapixels <= MEGAPIXELS_CEILING:
        raise OptionInvalid(f"The limit on megapixels must be above 0 and at most {MEGAPIXELS_CEILING:.0f}.")
    if isinstance(source, np.ndarray):
        return _from_array(source)
    if isinstance(source, bytes):
        return _from_bytes(source, "photo", max_megapixels)
    path = Path(source)
    name = "".join(c for c in path.name if c.isprintable())
    return _from_bytes(_read_file(path, name, max_megapixels), name, max_megapixels)


def _from_array(rgb: Pixels) -> Photo:
    if rgb.dtype != np.uint8 or rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.size == 0:
        raise ValueError(f"A photo given as an array must be (H, W, 3) uint8 RGB, not {rgb.shape} {rgb.dtype}.")
    pixels = np.ascontiguousarray(rgb)
    return Photo(pixels, "array", hashlib.sha256(pixels.data).hexdigest())


def _read_file(path: Path, name: str, max_megapixels: float) -> bytes:
    try:
        if not path.exists():
            raise PhotoUnreadable(f"There is no file {name}: check the path.")
        if not path.is_file():
            raise PhotoUnreadable(f"{name or path} is not a file: give the path of a photo.")
        if path.stat().st_size > max_megapixels * 1e6 * _BYTES_PER_PIXEL:
            raise PhotoUnreadable(f"{name} is too large for a photo: save it again as JPEG.")
        return path.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a path with a zero byte
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "the path is not valid"
        raise PhotoUnreadable(f"{name} can't be read ({reason}): copy the photo to where you may read it.") from error


def _from_bytes(data: bytes, name: str, max_megapixels: float) -> Photo:
    if not data:
        raise PhotoUnreadable(f"{name} is empty: copy the photo again.")
    picture = _open_header(data, name, max_megapixels)
    rgb = _decode(picture, data, name)
    orientation, focal_35mm, camera = _metadata(picture)
    return Photo(_upright(rgb, orientation), name, hashlib.sha256(data).hexdigest(), focal_35mm, camera, orientation)


def _open_header(data: bytes, name: str, max_megapixels: float) -> Image.Image:
    """Format, size and metadata, without decoding a pixel."""
    has_heif = _register_heif()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow's remarks on size and on odd metadata; the size is checked below
            picture = Image.open(io.BytesIO(data), formats=_FORMATS if has_heif else _FORMATS[:-1])
    except Image.DecompressionBombError as error:
        raise PhotoUnreadable(_too_large(name, max_megapixels)) from error
    except Exception as error:  # hostile headers make Pillow's readers fail in many ways; all mean the same
        if data[4:8] == b"ftyp" and not has_heif:
            raise PhotoUnreadable(
                f"{name} is a HEIC picture: install flatmeasure[heic] to read it, or save it as JPEG."
            ) from error
        raise PhotoUnreadable(f"{name} is not a picture: give a JPEG, PNG, WebP, TIFF or HEIC file.") from error
    width_px, height_px = picture.size
    if width_px * height_px > max_megapixels * 1e6:
        raise PhotoUnreadable(_too_large(name, max_megapixels))
    if picture.mode == "1":
        raise PhotoUnreadable(f"{name} holds nothing but black and white: give the photo as the camera wrote it.")
    if picture.format in ("PNG", "WEBP") and getattr(picture, "is_animated", False):
        raise PhotoUnreadable(f"{name} is an animation: give a single picture.")
    tables = getattr(picture, "quantization", None) or {}
    if any(table[0] > _COARSEST_STEP for table in tables.values() if table):
        raise PhotoUnreadable(f"{name} was compressed to coarse blocks: give the photo as the camera wrote it.")
    return picture


def _too_large(name: str, max_megapixels: float) -> str:
    return f"{name} has more than {max_megapixels:g} megapixels: make it smaller, or raise the limit on megapixels."


def _register_heif() -> bool:
    try:
        from pillow_heif import register_heif_opener
    except ImportError:
        return False
    register_heif_opener()
    return True


def _decode(picture: Image.Image, data: bytes, name: str) -> Pixels:
    """Pixels as stored (a TIFF or HEIC comes already upright, its reader sees to that)."""
    try:
        # MPO is a JPEG with further pictures behind it, as phones write.
        if picture.format in ("JPEG", "MPO") and picture.mode in ("RGB", "L"):
            return decode_jpeg(data)
        return _to_rgb(picture)
    except MemoryError as error:
        raise PhotoUnreadable(f"{name} is too large for this computer's memory: make it smaller.") from error
    except Exception as error:
        raise PhotoUnreadable(f"{name} is damaged or cut short: copy it again from the camera.") from error


def _to_rgb(picture: Image.Image) -> Pixels:
    """Decode with Pillow whatever is not a plain JPEG; 16 bits become 8, transparency becomes white."""
    picture.load()
    if picture.mode.startswith("I;16"):
        grey = (np.asarray(picture) >> 8).astype(np.uint8)
        return np.repeat(grey[:, :, None], 3, axis=2)
    if picture.mode in ("I", "F"):
        raise ValueError("32-bit pixels have no agreed range")
    if picture.has_transparency_data:
        seen = picture.convert("RGBA")
        picture = Image.new("RGBA", seen.size, "white")
        picture.alpha_composite(seen)
    return np.array(picture.convert("RGB"), dtype=np.uint8)


def _metadata(picture: Image.Image) -> tuple[int, float | None, str | None]:
    """Orientation (1 to 8), 35 mm focal length and camera; a broken metadata block counts as none."""
    try:
        exif = picture.getexif()
        orientation = exif.get(_ORIENTATION, 1)
        focal = exif.get_ifd(_EXIF_DIRECTORY).get(_FOCAL_35MM, 0)
        make, model = (_clean(exif.get(tag)) for tag in (_MAKE, _MODEL))
    except Exception:  # metadata is written by anybody; Pillow fails on it in many ways, and the pixels are still good
        return 1, None, None
    camera = model if model.lower().startswith(make.lower()) else f"{make} {model}".strip()
    return (
        orientation if orientation in range(1, 9) else 1,
        _plausible_focal(focal),
        camera or None,
    )


def _clean(text: object) -> str:
    if not isinstance(text, str):
        return ""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:60]


def _plausible_focal(focal: object) -> float | None:
    try:
        focal_mm = float(focal)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    low, high = _FOCAL_35MM_RANGE
    return focal_mm if low <= focal_mm <= high else None


def _upright(rgb: Pixels, orientation: int) -> Pixels:
    """Apply the orientation tag (TIFF 6.0, tag 274): the only place where a picture is turned."""
    if orientation >= 5:
        rgb = rgb.transpose(1, 0, 2)
    if orientation in (2, 3, 6, 7):
        rgb = rgb[:, ::-1]
    if orientation in (3, 4, 7, 8):
        rgb = rgb[::-1]
    return np.ascontiguousarray(rgb)


def _srgb_table() -> Light:
    code = np.arange(256) / 255.0
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


_LINEAR_OF_CODE = _srgb_table()
_LUMINANCE_WEIGHTS = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)


def linear_light(pixels: Pixels) -> Light:
    """Decode sRGB (IEC 61966-2-1): codes 0..255 of any shape to linear light 0..1 of the same shape.

    An optical blur mixes light, not codes: edges must be located in this scale.
    """
    flat = np.ascontiguousarray(pixels).reshape(1, -1)
    return np.asarray(cv2.LUT(flat, _LINEAR_OF_CODE), dtype=np.float32).reshape(pixels.shape)


def display_light(linear: NDArray[np.floating]) -> Pixels:
    """Encode linear light 0..1 (cut to that range) as sRGB codes 0..255 of the same shape (IEC 61966-2-1)."""
    encoded: Pixels = np.rint(unrounded_codes(linear)).astype(np.uint8)
    return encoded


def unrounded_codes(linear: NDArray[Floating]) -> NDArray[Floating]:
    """The codes of `display_light` before they are rounded, for what is yet to be added, such as noise."""
    light = np.clip(linear, 0.0, 1.0)
    code: NDArray[Floating] = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055) * 255.0
    return code


def luminance(linear_rgb: Light) -> Light:
    """Luminance (..., ) of linear RGB (..., 3), by the weights of ITU-R BT.709, whose primaries sRGB shares."""
    return linear_rgb @ _LUMINANCE_WEIGHTS
