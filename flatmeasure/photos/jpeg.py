"""JPEG: decoded fast, and refused when a part of the picture is missing."""

import io

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image


def decode_jpeg(data: bytes) -> NDArray[np.uint8]:
    """Decode with OpenCV, twice as fast as Pillow and equal to the last bit.

    Returns
    -------
    (H, W, 3) uint8 RGB array, not turned by the orientation tag.

    Raises
    ------
    ValueError
        Not decodable, or cut short, which decoders fill up with flat grey without a word.
    """
    end = data.find(b"\xff\xd9", _start_of_scan(data))
    if end < 0:
        raise ValueError("no end-of-image marker")
    rgb = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
    if rgb is None:
        raise ValueError("not decodable")
    pixels: NDArray[np.uint8] = rgb.astype(np.uint8, copy=False)
    if np.ptp(pixels[-8:, -8:], axis=(0, 1)).max() == 0 and _wants_more(data, end):
        raise ValueError("end-of-image marker before the end of the picture")
    return pixels


def _start_of_scan(data: bytes) -> int:
    """Where the coded picture starts: the end of the first start-of-scan marker (ITU-T T.81, annex B)."""
    at = 2
    while data[at : at + 2] != b"\xff\xda":
        if at + 4 > len(data) or data[at] != 0xFF:
            raise ValueError("no start-of-scan marker")
        is_fill = data[at + 1] == 0xFF
        at += 1 if is_fill else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return at + 2


def _wants_more(data: bytes, end: int) -> bool:
    """Whether a JPEG stops early: then its decoder eats bytes put in before the end marker, and the picture changes.

    Asked only when the last block is flat, as it is in a picture that stops early and in a few sound ones.
    """
    pictures = []
    for stream in (data, data[:end] + b"\x5a\xa5\x33\xcc" * 64 + data[end:]):
        small = Image.open(io.BytesIO(stream))
        small.draft("L", (small.width // 8, small.height // 8))
        pictures.append(small.tobytes())
    return pictures[0] != pictures[1]
