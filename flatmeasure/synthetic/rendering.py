"""Draws a photo of a described scene: the source of truth for tests, documentation and benchmarks.

Every outline is carried through the exact camera model, and each pixel takes the exact share of its area that a shape
covers, mixed in linear light as a sensor does. Nothing is resampled, so a step lies where the camera model puts it.
"""

import io

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image
from shapely.geometry.polygon import orient

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import linear_light, unrounded_codes
from flatmeasure.references.figures import code_cells, corner_marks
from flatmeasure.synthetic.coverage import coverage
from flatmeasure.synthetic.scene import Colour, LaidCloth, LaidReference, Scene, see_loop, silhouette_px

Picture = NDArray[np.float32]  # (H, W, 3), linear light, 0 to 1

INK: Colour = (28, 27, 30)
PAPER: Colour = (238, 236, 230)
SHADOW_DEPTH = 0.45  # share of the light that a cast shadow takes away
GRID_LINE_MM = 1.0

# What a camera does to an upright picture before it stores it under an orientation tag (Exif 2.3, section 4.6.4)
STORED_AS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def render_photo(scene: Scene, seed: int = 0) -> NDArray[np.uint8]:
    """The picture a camera would take of the scene.

    Parameters
    ----------
    scene : Scene
    seed : int
        Of the noise.

    Returns
    -------
    (H, W, 3) uint8 array, sRGB, upright
    """
    width, height = scene.size_px
    picture = np.empty((height, width, 3), np.float32)
    picture[:] = _linear_of(scene.floor_colour)
    _paint_mat(picture, scene)
    for reference in scene.references:
        paint_reference(picture, reference, scene)
    for cloth in scene.cloths:
        _paint_shadow(picture, cloth, scene)
    for cloth in scene.cloths:
        _paint_cloth(picture, cloth, scene)
    across, down = scene.light_gradient
    picture *= 1.0 + across * np.linspace(-0.5, 0.5, width, dtype=np.float32)[None, :, None]
    picture *= 1.0 + down * np.linspace(-0.5, 0.5, height, dtype=np.float32)[:, None, None]
    if scene.blur_px > 0:
        cv2.GaussianBlur(picture, (0, 0), scene.blur_px, dst=picture)
    codes = unrounded_codes(picture)
    codes += scene.noise * np.random.default_rng(seed).standard_normal(codes.shape, dtype=np.float32)
    return np.clip(np.rint(codes), 0, 255).astype(np.uint8)


def encode_jpeg(
    photo: NDArray[np.uint8],
    *,
    orientation: int = 1,
    focal_35mm: float | None = None,
    camera: tuple[str, str] | None = None,
    quality: int = 92,
) -> bytes:
    """A JPEG file as a camera writes it.

    Parameters
    ----------
    photo : (H, W, 3) uint8 array, upright
    orientation : int
        Exif tag 274, 1 to 8: the pixels are stored so that applying the tag makes them upright.
    focal_35mm : float or None
        Exif tag 41989, rounded to a whole number as cameras do; None leaves it out.
    camera : tuple of str or None
        Make and model, Exif tags 271 and 272.
    """
    image = Image.fromarray(photo)
    if orientation in STORED_AS:
        image = image.transpose(STORED_AS[orientation])
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    if camera is not None:
        exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = camera
    if focal_35mm is not None:
        exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = round(focal_35mm)
    file = io.BytesIO()
    image.save(file, "JPEG", quality=quality, exif=exif)
    return file.getvalue()


def _paint_mat(picture: Picture, scene: Scene) -> None:
    width, height = scene.mat.size_mm
    _fill(picture, [see_loop(_box(width, height), scene)], scene.mat.colour)
    spacing = scene.mat.grid_mm
    if spacing <= 0:
        return
    for axis, size, line in ((0, width, _box(GRID_LINE_MM, height)), (1, height, _box(width, GRID_LINE_MM))):
        count = int(size / 2 / spacing)
        shifts = np.zeros((2 * count + 1, 2))
        shifts[:, axis] = spacing * np.arange(-count, count + 1)
        _fill(picture, [see_loop(line + shift, scene) for shift in shifts], scene.mat.grid_colour)


def paint_reference(picture: Picture, reference: LaidReference, scene: Scene) -> None:
    """Lay a reference on a picture in linear light, every pixel by the share of it that is covered."""

    def loop(left: float, top: float, right: float, bottom: float, margin_mm: float = 0.0) -> Points:
        corners = np.array([[left, top], [left, bottom], [right, bottom], [right, top]])
        return see_loop(reference.at(corners, margin_mm), scene, reference.height_mm)

    if reference.kind == "light":
        _fill(picture, [loop(0, 0, 1, 1)], PAPER)
        return
    _fill(picture, [loop(0, 0, 1, 1, reference.border_mm)], PAPER)
    _fill(picture, [loop(0, 0, 1, 1)], INK)
    if reference.kind == "coded":
        light = np.argwhere(code_cells(reference.code)) / 6
        _fill(picture, [loop(x, y, x + 1 / 6, y + 1 / 6) for y, x in light], PAPER)
    if reference.marks:
        cells = np.sort(corner_marks()[1], axis=1)
        _fill(picture, [loop(*low, *high) for low, high in cells], INK)


def _paint_shadow(picture: Picture, cloth: LaidCloth, scene: Scene) -> None:
    """The cloth's outline on the mat, moved along the light, softened by a third of that way."""
    if scene.shadow_mm is None:
        return
    away = np.array(scene.shadow_mm)
    loops = [see_loop(loop + away, scene) for loop in (cloth.outline_mm, *cloth.holes_mm)]
    softness_px = float(np.hypot(*away)) / 3 * scene.camera.focal_px / float(scene.pose.centre_mm[2])
    share = cv2.GaussianBlur(_whole(loops, scene), (0, 0), max(softness_px, 0.5))
    picture *= 1.0 - SHADOW_DEPTH * share[..., None]


def _paint_cloth(picture: Picture, cloth: LaidCloth, scene: Scene) -> None:
    seen = orient(silhouette_px(cloth, scene), sign=-1.0)  # y down: counter-clockwise as seen is a negative area
    loops = [np.asarray(ring.coords)[:-1] for ring in (seen.exterior, *seen.interiors)]
    if cloth.stripe_mm <= 0:
        _fill(picture, loops, cloth.colour)
        return
    low, high = cloth.outline_mm.min(axis=0), cloth.outline_mm.max(axis=0)
    band = np.array([[0.0, low[1]], [cloth.stripe_mm, low[1]], [cloth.stripe_mm, high[1]], [0.0, high[1]]])
    starts = np.arange(low[0], high[0], 2 * cloth.stripe_mm)
    bands = [see_loop(band + np.array([x, 0.0]), scene, cloth.thickness_mm) for x in starts]
    stripes = _whole(bands, scene)[..., None]
    colour = _linear_of(cloth.colour) * (1.0 - stripes) + _linear_of(cloth.stripe_colour) * stripes
    picture += _whole(loops, scene)[..., None] * (colour - picture)


def _fill(picture: Picture, loops_px: list[Points], colour: Colour) -> None:
    share, window = coverage(loops_px, (picture.shape[1], picture.shape[0]))
    picture[window] += share[..., None] * (_linear_of(colour) - picture[window])


def _whole(loops_px: list[Points], scene: Scene) -> NDArray[np.float32]:
    share = np.zeros(scene.size_px[::-1], np.float32)
    part, window = coverage(loops_px, scene.size_px)
    share[window] = part
    return share


def _box(width: float, height: float) -> Points:
    return np.array([[-width, -height], [width, -height], [width, height], [-width, height]]) / 2


def _linear_of(colour: Colour) -> NDArray[np.float32]:
    return linear_light(np.array(colour, np.uint8))
