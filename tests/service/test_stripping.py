"""Photos lose their metadata before they are kept, and not a bit of their pixels."""

import io
import struct
import zlib
from typing import Any

import numpy as np
import pytest
from PIL import Image

from flatmeasure import PhotoUnreadable, load_photo
from service.stripping import can_strip, strip
from service.tasks import convert_photo
from tests.service.servers import PLAID

SECRETS = (b"51 deg", b"Ottilie", b"2026:01:31", b"SERIAL-77", b"a comment", b"behind the picture")


def picture(width: int = 64, height: int = 48) -> Image.Image:
    return Image.fromarray(np.random.default_rng(5).integers(0, 255, (height, width, 3), dtype=np.uint8))


def full_exif() -> Image.Exif:
    """Orientation, camera and focal length among things that are nobody's business (tags: CIPA DC-008)."""
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F], exif[0x0110] = "Acme", "Acme Lens 9"
    exif[0x013B], exif[0x0132] = "Ottilie", "2026:01:31 09:30:00"
    details = exif.get_ifd(0x8769)
    details[0xA405], details[0xA431], details[0x9003] = 26, "SERIAL-77", "2026:01:31 09:30:00"
    exif.get_ifd(0x8825)[0x0002] = (51.0, 12.0, 3.0)
    exif.get_ifd(0x8825)[0x001D] = "51 deg"
    return exif


def saved(kind: str, **options: Any) -> bytes:
    file = io.BytesIO()
    picture().save(file, kind, exif=full_exif(), **options)
    return file.getvalue()


def jpeg(**options: Any) -> bytes:
    return saved("JPEG", comment=b"a comment", quality=92, **options) + b"behind the picture"


def tagged_png() -> bytes:
    plain = saved("PNG")
    text = b"tEXtAuthor\0Ottilie"
    chunk = struct.pack(">I", len(text) - 4) + text + struct.pack(">I", zlib.crc32(text))
    return plain[:33] + chunk + plain[33:] + b"behind the picture"


@pytest.mark.parametrize(
    "photo",
    [jpeg(), jpeg(progressive=True), jpeg(icc_profile=b"Ottilie" * 99), jpeg(restart_marker_blocks=2), tagged_png()],
)
def test_same_pixels_without_secrets(photo: bytes) -> None:
    kept = strip(photo, 1.0)
    assert not [secret for secret in SECRETS if secret in kept]
    before, after = load_photo(photo), load_photo(kept)
    assert np.array_equal(before.rgb, after.rgb)
    assert (before.orientation, before.focal_35mm, before.camera) == (6, 26.0, "Acme Lens 9")
    assert (after.orientation, after.focal_35mm, after.camera) == (6, 26.0, "Acme Lens 9")
    tags = Image.open(io.BytesIO(kept)).getexif()
    assert set(tags) | set(tags.get_ifd(0x8769)) == {0x0112, 0x010F, 0x0110, 0x8769, 0xA405}
    assert not tags.get_ifd(0x8825)
    assert strip(kept, 1.0) == kept


def test_photo_of_the_project() -> None:
    before, after = load_photo(PLAID), load_photo(strip(PLAID.read_bytes(), 50.0))
    assert np.array_equal(before.rgb, after.rgb)
    assert (before.focal_35mm, before.orientation) == (after.focal_35mm, after.orientation)


@pytest.mark.parametrize("kind", ["WEBP", "TIFF"])
def test_other_kinds_become_png(kind: str) -> None:
    photo = saved(kind, lossless=True) if kind == "WEBP" else saved(kind)
    assert not can_strip(photo)
    kept = convert_photo({"content": photo, "max_megapixels": 1.0}, lambda share, step: True)
    assert can_strip(kept)
    assert not [secret for secret in SECRETS if secret in kept]
    assert np.array_equal(load_photo(photo).rgb, load_photo(kept).rgb)
    assert load_photo(photo).camera == load_photo(kept).camera == "Acme Lens 9"
    assert load_photo(photo).focal_35mm == load_photo(kept).focal_35mm == (26.0 if kind == "WEBP" else None)


@pytest.mark.parametrize("length", [3, 4, 20, 200, 700, -40])
@pytest.mark.parametrize("photo", [saved("JPEG", quality=92), saved("PNG")])
def test_cut_short_failure(photo: bytes, length: int) -> None:
    with pytest.raises(PhotoUnreadable, match="damaged or cut short"):
        strip(
            photo[:length] if photo[:3] == b"\xff\xd8\xff" else photo[: max(length, 9) if length > 0 else length], 1.0
        )


def test_size_is_read_before_anything_is_decoded() -> None:
    """A bomb: a few bytes that say they are 900 megapixels."""
    header = struct.pack(">IIBBBBB", 30_000, 30_000, 1, 0, 0, 0, 0)
    chunk = b"IHDR" + header
    bomb = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
    with pytest.raises(PhotoUnreadable, match="more than 50 megapixels"):
        strip(bomb, 50.0)
    frame = b"\xff\xd8\xff\xc0" + struct.pack(">HBHHB", 11, 8, 30_000, 30_000, 1) + b"\x01\x11\x00" + b"\xff\xd9"
    with pytest.raises(PhotoUnreadable, match="more than 50 megapixels"):
        strip(frame, 50.0)
