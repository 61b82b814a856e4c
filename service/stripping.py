"""Photos without their metadata, and with the same pixels to the last bit.

Kept of a photo are its coded pixels, untouched, and three values that measuring needs: the orientation, the 35 mm
equivalent focal length, and the camera's make and model (by which a lens profile is known). Place, time, serial
numbers, names, thumbnails and whatever else was written into it, or behind it, are gone before it is stored.

JPEG and PNG are taken apart without decoding them (ITU-T T.81 annex B; W3C PNG, section 5), which is also where
their size is read. Other kinds are decoded by a worker and kept as PNG.
"""

import re
import struct
import zlib
from collections.abc import Iterator

from PIL import Image

from flatmeasure.errors import PhotoUnreadable

_JPEG, _PNG = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}  # start-of-frame markers
_SCAN, _END, _COMMENT, _EXIF = 0xDA, 0xD9, 0xFE, 0xE1
_JFIF, _ADOBE = 0xE0, 0xEE  # say how colours are coded
_BARE = {0x01, *range(0xD0, 0xD8)}  # markers without a length
_IN_SCAN = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")  # the marker that ends a scan's coded data
_CHUNKS = (b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND")
_LARGEST_EXIF = 1 << 20
_ORIENTATION, _MAKE, _MODEL, _EXIF_DIRECTORY, _FOCAL_35MM = 0x0112, 0x010F, 0x0110, 0x8769, 0xA405  # CIPA DC-008


def can_strip(data: bytes) -> bool:
    """Whether a file is one that is taken apart without decoding it."""
    return data.startswith((_JPEG, _PNG))


def strip(data: bytes, max_megapixels: float) -> bytes:
    """A JPEG or PNG file without metadata.

    Raises
    ------
    PhotoUnreadable
        It is damaged, cut short, or has too many pixels.
    """
    try:
        return _strip_jpeg(data, max_megapixels) if data.startswith(_JPEG) else _strip_png(data, max_megapixels)
    except (struct.error, IndexError, ValueError) as error:
        raise PhotoUnreadable("The photo is damaged or cut short: copy it again from the camera.") from error


def check_size(width_px: int, height_px: int, max_megapixels: float) -> None:
    """Refuse a picture with too many pixels.

    Raises
    ------
    PhotoUnreadable
    """
    if width_px * height_px > max_megapixels * 1e6:
        raise PhotoUnreadable(f"The photo has more than {max_megapixels:g} megapixels: make it smaller.")


def needed_metadata(exif: Image.Exif) -> bytes:
    """What measuring needs of a photo's metadata, as a TIFF structure; empty when there is nothing."""
    kept = Image.Exif()
    try:
        orientation = exif.get(_ORIENTATION)
        if isinstance(orientation, int) and 2 <= orientation <= 8:
            kept[_ORIENTATION] = orientation
        for tag in (_MAKE, _MODEL):
            text = exif.get(tag)
            if isinstance(text, str) and text.strip("\0 "):
                kept[tag] = "".join(c for c in text if c.isprintable())[:60]
        focal = float(exif.get_ifd(_EXIF_DIRECTORY).get(_FOCAL_35MM, 0))
        if focal.is_integer() and 0 < focal < 65536:
            kept.get_ifd(_EXIF_DIRECTORY)[_FOCAL_35MM] = int(focal)
    except Exception:  # metadata is written by anybody and Pillow fails on it in many ways: then there is none
        return b""
    return kept.tobytes().removeprefix(b"Exif\0\0") if len(kept) else b""


def _parsed(raw: bytes) -> bytes:
    exif = Image.Exif()
    try:
        exif.load(raw)
    except Exception:  # as above
        return b""
    return needed_metadata(exif)


def _strip_jpeg(data: bytes, max_megapixels: float) -> bytes:
    kept = []
    exif = b""
    for marker, segment in _segments(data):
        if marker == _EXIF and not exif and segment[4:10] == b"Exif\0\0":
            exif = _parsed(segment[4:])
        if marker in _FRAMES:
            height, width = struct.unpack(">HH", segment[5:9])
            check_size(width, height, max_megapixels)
        is_ours = marker in (_JFIF, _ADOBE) and segment[4:9] in (b"JFIF\0", b"Adobe")
        if is_ours or not (0xE0 <= marker <= 0xEF or marker == _COMMENT):
            kept.append(segment)
    if exif:
        body = b"Exif\0\0" + exif
        kept.insert(0, b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body)
    return b"\xff\xd8" + b"".join(kept)


def _segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Markers with their segments up to the end of the first picture; a scan's with its coded data."""
    at = 2
    while True:
        if data[at] != 0xFF:
            raise ValueError("no marker where one must be")
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == _END:
            yield marker, data[at : at + 2]
            return
        end = at + 2
        if marker not in _BARE:
            (length,) = struct.unpack(">H", data[at + 2 : at + 4])
            end += length
            if length < 2 or end > len(data):
                raise ValueError("a segment reaches beyond the file")
        if marker == _SCAN:
            found = _IN_SCAN.search(data, end)
            if found is None:
                raise ValueError("no end of the picture")
            end = found.start()
        yield marker, data[at:end]
        at = end


def _strip_png(data: bytes, max_megapixels: float) -> bytes:
    kept = []
    exif = b""
    for kind, chunk in _chunks(data):
        if kind == b"IHDR":
            width, height = struct.unpack(">II", chunk[8:16])
            check_size(width, height, max_megapixels)
        if kind == b"eXIf" and len(chunk) < _LARGEST_EXIF:
            exif = _parsed(b"Exif\0\0" + chunk[8:-4])
        if kind in _CHUNKS:
            kept.append(chunk)
    if exif:
        body = b"eXIf" + exif
        kept.insert(1, struct.pack(">I", len(exif)) + body + struct.pack(">I", zlib.crc32(body)))
    return _PNG + b"".join(kept)


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = len(_PNG)
    kind = b""
    while kind != b"IEND":
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind, end = data[at + 4 : at + 8], at + 12 + length
        if end > len(data):
            raise ValueError("a chunk reaches beyond the file")
        yield kind, data[at:end]
        at = end
