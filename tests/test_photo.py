"""Reading photos, and linear light.

Checks from outside: Pillow's ``ImageOps.exif_transpose`` for the orientation tag; the closed formula of IEC 61966-2-1.
"""

import hashlib
import io
import struct
import time
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from flatmeasure.errors import OptionInvalid, PhotoUnreadable
from flatmeasure.photos.photo import display_light, linear_light, load_photo, luminance


def picture(width: int = 61, height: int = 43) -> np.ndarray:
    """Not square, not symmetric, with noise."""
    y, x = np.mgrid[:height, :width]
    noise = np.random.default_rng(1).integers(0, 20, (height, width, 3))
    return np.clip(np.stack([3 * x, 4 * y, 200 - x - y], axis=2) + noise, 0, 255).astype(np.uint8)


def encoded(pixels: np.ndarray | Image.Image, kind: str, **options: object) -> bytes:
    file = io.BytesIO()
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    image.save(file, kind, **options)
    return file.getvalue()


def one_bit_png(width: int, height: int) -> bytes:
    """A black picture of any size in next to nothing."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = zlib.compressobj(9)
    row = bytes(1 + (width + 7) // 8)
    body = b"".join(rows.compress(row) for _ in range(height)) + rows.flush()
    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("kind", "options"),
    [("PNG", {}), ("WEBP", {"lossless": True}), ("TIFF", {}), ("TIFF", {"compression": "tiff_lzw"})],
)
def test_lossless_formats_keep_every_pixel(kind: str, options: dict[str, object], tmp_path: Path) -> None:
    data = encoded(picture(), kind, **options)
    path = tmp_path / "panel.jpg"  # the name lies
    path.write_bytes(data)
    photo = load_photo(path)
    np.testing.assert_array_equal(photo.rgb, picture())
    assert (photo.width_px, photo.height_px) == (61, 43)
    assert photo.name == "panel.jpg"
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.focal_35mm is None
    assert photo.camera is None


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 0}])
def test_jpeg_is_decoded_as_pillow_decodes_it(options: dict[str, object]) -> None:
    data = encoded(picture(), "JPEG", **options)
    np.testing.assert_array_equal(load_photo(data).rgb, np.asarray(Image.open(io.BytesIO(data)).convert("RGB")))


def test_heic() -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    pillow_heif.register_heif_opener()
    data = encoded(picture(64, 48), "HEIF", quality=-1, chroma=444)  # as good as lossless
    assert np.abs(load_photo(data).rgb.astype(int) - picture(64, 48)).max() <= 2  # rounding to YCbCr


def test_heic_without_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flatmeasure.photos.photo._register_heif", lambda: False)
    with pytest.raises(PhotoUnreadable, match="flatmeasure\\[heic\\]"):
        load_photo(b"\x00\x00\x00\x18ftypheic" + bytes(40))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied_once(kind: str, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = encoded(picture(), kind, exif=exif, **({"lossless": True} if kind == "WEBP" else {}))
    truth = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    np.testing.assert_array_equal(load_photo(data).rgb, np.asarray(truth))
    assert load_photo(data).rgb.flags.c_contiguous


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_impossible_orientation_is_ignored(orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    np.testing.assert_array_equal(load_photo(encoded(picture(), "PNG", exif=exif)).rgb, picture())


def test_modes() -> None:
    grey = picture()[:, :, 0]
    thrice = np.repeat(grey[:, :, None], 3, axis=2)
    np.testing.assert_array_equal(load_photo(encoded(grey, "PNG")).rgb, thrice)
    np.testing.assert_array_equal(load_photo(encoded(grey, "TIFF")).rgb, thrice)
    assert np.abs(load_photo(encoded(grey, "JPEG", quality=100)).rgb.astype(int) - thrice).max() <= 3
    sixteen = grey.astype(np.uint16) * 257  # ITU: 8 bits times 257 fill 16 bits
    np.testing.assert_array_equal(load_photo(encoded(sixteen, "PNG")).rgb, thrice)
    np.testing.assert_array_equal(load_photo(encoded(sixteen, "TIFF")).rgb, thrice)
    few = Image.fromarray(picture()).quantize(16)
    np.testing.assert_array_equal(load_photo(encoded(few, "PNG")).rgb, np.asarray(few.convert("RGB")))
    with pytest.raises(PhotoUnreadable, match="black and white"):
        load_photo(encoded(Image.fromarray(grey > 90), "PNG"))


def test_transparent_becomes_white() -> None:
    rgba = np.dstack([picture(), np.full((43, 61), 255, np.uint8)])
    rgba[:10, :20, 3] = 0
    for kind in ("PNG", "TIFF"):
        rgb = load_photo(encoded(rgba, kind)).rgb
        assert (rgb[:10, :20] == 255).all()
        np.testing.assert_array_equal(rgb[10:], picture()[10:])


def test_cmyk_jpeg_has_its_colours() -> None:
    plain = np.full((40, 56, 3), (200, 60, 30), np.uint8)
    rgb = load_photo(encoded(Image.fromarray(plain).convert("CMYK"), "JPEG", quality=95)).rgb
    assert np.abs(rgb.astype(int) - plain).max() <= 6


def test_colour_profile_leaves_the_pixels_alone() -> None:
    from PIL import ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    np.testing.assert_array_equal(load_photo(encoded(picture(), "PNG", icc_profile=profile)).rgb, picture())


def test_camera_metadata_is_read_and_location_is_not() -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Hazel\x00", "Hazel  Pocket 7\n"
    exif.get_ifd(0x8769)[0xA405] = 26
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (48.0, 51.0, 29.0)
    photo = load_photo(encoded(picture(), "JPEG", exif=exif))
    assert photo.focal_35mm == 26.0
    assert photo.camera == "Hazel Pocket 7"
    assert "gps" not in " ".join(vars(photo)).lower()
    assert not any("48" in str(value) for value in (photo.name, photo.camera, photo.focal_35mm))


@pytest.mark.parametrize("focal", [0, 1, 65535])
def test_absurd_focal_length_counts_as_none(focal: int) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = focal
    assert load_photo(encoded(picture(), "JPEG", exif=exif)).focal_35mm is None


def test_broken_metadata_is_tolerated() -> None:
    rng = np.random.default_rng(3)
    exif = Image.Exif()
    exif[0x010F] = "Hazel"
    exif.get_ifd(0x8769)[0xA405] = 26
    sound = exif.tobytes()
    for _ in range(60):
        bad = bytearray(sound)
        for at in rng.integers(6, len(bad), 5):
            bad[at] = rng.integers(256)
        photo = load_photo(encoded(picture(), "JPEG", exif=bytes(bad)))
        assert photo.rgb.size == picture().size
    load_photo(encoded(picture(), "JPEG", exif=b"Exif\x00\x00" + b"\xff" * 60_000))
    load_photo(encoded(picture(), "JPEG", exif=b"Exif\x00\x00II*\x00\x08\x00\x00\x00"))


def test_array_is_taken_as_it_is() -> None:
    photo = load_photo(picture())
    np.testing.assert_array_equal(photo.rgb, picture())
    assert photo.sha256 == hashlib.sha256(picture().tobytes()).hexdigest()
    assert load_photo(picture()[:, ::-1]).rgb.flags.c_contiguous


@pytest.mark.parametrize(
    "wrong", [picture().astype(float), picture()[:, :, 0], np.zeros((4, 5, 4), np.uint8), np.zeros((0, 5, 3), np.uint8)]
)
def test_array_failure(wrong: np.ndarray) -> None:
    with pytest.raises(ValueError, match="must be \\(H, W, 3\\) uint8 RGB"):
        load_photo(wrong)


def test_bomb_is_refused_from_its_header() -> None:
    bomb = one_bit_png(32_000, 32_000)
    assert len(bomb) < 200_000
    tracemalloc.start()
    started = time.process_time()
    with pytest.raises(PhotoUnreadable, match="more than 80 megapixels"):
        load_photo(bomb)
    took_s = time.process_time() - started
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak_bytes < 5_000_000
    assert took_s < 5.0  # decoding it takes 10 s and 6 GB; the header, a millisecond


@pytest.mark.parametrize("size", [(8_200, 10_000), (9_500, 10_000), (13_000, 13_500)])
def test_limit_on_megapixels(size: tuple[int, int]) -> None:
    with pytest.raises(PhotoUnreadable, match="more than 80 megapixels"):
        load_photo(one_bit_png(*size))


def test_limit_can_be_moved() -> None:
    pixels = 61 * 43
    assert load_photo(encoded(picture(), "PNG"), max_megapixels=pixels / 1e6).width_px == 61
    with pytest.raises(PhotoUnreadable, match=r"more than 0\.0026 megapixels"):
        load_photo(encoded(picture(), "PNG"), max_megapixels=0.0026)
    for nonsense in (0.0, -1.0, float("nan"), float("inf"), 179.0):
        with pytest.raises(OptionInvalid, match="megapixels"):
            load_photo(picture(), max_megapixels=nonsense)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("kept", [0.02, 0.5, 0.9, 0.99])
def test_cut_short(kind: str, kept: float) -> None:
    data = encoded(picture(320, 200), kind)
    with pytest.raises(PhotoUnreadable, match="photo"):
        load_photo(data[: int(len(data) * kept)])


def test_jpeg_cut_short_but_filled_up() -> None:
    """Half of the picture is there, the rest of the file zeros, or the end marker follows at once."""
    data = encoded(picture(320, 200), "JPEG")
    half = data[: len(data) * 6 // 10]
    for broken in (half + bytes(len(data) - len(half)), half + b"\xff\xd9"):
        with pytest.raises(PhotoUnreadable, match="damaged or cut short"):
            load_photo(broken)


@pytest.mark.parametrize("options", [{}, {"optimize": True}, {"progressive": True}, {"restart_marker_rows": 1}])
def test_flat_corner_is_no_damage(options: dict[str, object]) -> None:
    """The twin of the test above: a sound picture whose lower half is flat."""
    flat = picture(320, 200)
    flat[90:] = 128
    assert load_photo(encoded(flat, "JPEG", **options)).height_px == 200


def test_jpeg_with_bytes_after_its_end() -> None:
    assert load_photo(encoded(picture(), "JPEG") + b"more" * 100).width_px == 61


def test_animation_is_refused() -> None:
    frames = [Image.fromarray(picture()), Image.fromarray(picture()[::-1])]
    for kind in ("PNG", "WEBP"):
        with pytest.raises(PhotoUnreadable, match="animation"):
            load_photo(encoded(frames[0], kind, save_all=True, append_images=frames[1:]))


def test_first_page_is_taken() -> None:
    other = Image.fromarray(picture()[::-1])
    np.testing.assert_array_equal(
        load_photo(encoded(picture(), "TIFF", save_all=True, append_images=[other])).rgb, picture()
    )
    behind = encoded(picture(), "MPO", save_all=True, append_images=[other], quality=100)
    assert np.abs(load_photo(behind).rgb.astype(int) - picture()).mean() < 12


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "empty"),
        (b"This is a shopping list, not a photo.\n" * 20, "not a picture"),
        (bytes(5000), "not a picture"),
        (b"\xff\xd8\xff\xe0" + bytes(300), "not a picture|damaged"),
        (b"GIF89a" + bytes(300), "not a picture"),
        (b"\x89PNG\r\n\x1a\n" + b"\xff" * 300, "not a picture|damaged"),
    ],
)
def test_no_picture(content: bytes, message: str, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(content)
    with pytest.raises(PhotoUnreadable, match=message) as caught:
        load_photo(path)
    assert "photo.jpg" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_path_failure(tmp_path: Path) -> None:
    with pytest.raises(PhotoUnreadable, match=r"no file absent\.jpg"):
        load_photo(tmp_path / "absent.jpg")
    with pytest.raises(PhotoUnreadable, match="not a file"):
        load_photo(str(tmp_path))
    with pytest.raises(PhotoUnreadable):
        load_photo("zero\x00byte.jpg")


def test_linear_light_follows_the_standard() -> None:
    """IEC 61966-2-1: C/12.92 up to 0.04045, ((C + 0.055)/1.055)^2.4 above; mid grey 188 is half the light."""
    codes = np.arange(256, dtype=np.uint8)
    truth = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (np.arange(256) / 255).tolist()]
    linear = linear_light(codes)
    assert linear.dtype == np.float32
    np.testing.assert_allclose(linear, truth, rtol=1e-6)
    assert linear[188] == pytest.approx(0.5, abs=0.005)
    np.testing.assert_array_equal(display_light(linear), codes)
    assert linear_light(picture()[::2, ::3]).shape == picture()[::2, ::3].shape
    np.testing.assert_array_equal(display_light(np.array([-1.0, 2.0])), [0, 255])


def test_luminance_weights_are_those_of_bt_709() -> None:
    np.testing.assert_allclose(luminance(np.eye(3, dtype=np.float32)), [0.2126, 0.7152, 0.0722], rtol=1e-6)
    white = luminance(linear_light(np.full((2, 3, 3), 255, np.uint8)))
    assert white.dtype == np.float32
    np.testing.assert_allclose(white, np.ones((2, 3)), rtol=1e-6)


@pytest.mark.parametrize(("quality", "is_read"), [(5, False), (10, True)])
def test_jpegs_of_coarse_blocks_are_refused(quality: int, is_read: bool) -> None:
    buffer = io.BytesIO()
    Image.fromarray(picture()).save(buffer, "JPEG", quality=quality)
    if is_read:
        assert load_photo(buffer.getvalue()).width_px == 61
    else:
        with pytest.raises(PhotoUnreadable, match="coarse blocks"):
            load_photo(buffer.getvalue())
