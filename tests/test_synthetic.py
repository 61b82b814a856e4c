"""The synthetic photo shows each shape where the camera model puts it."""

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import ExifTags, Image, ImageOps
from scipy.optimize import curve_fit
from scipy.special import erf
from shapely.geometry import Polygon, box

from flatmeasure.photos.camera import to_plane
from flatmeasure.synthetic.coverage import coverage
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from flatmeasure.synthetic.scene import (
    LaidCloth,
    LaidReference,
    Mat,
    Scene,
    View,
    corners_px,
    scene_camera,
    see,
    silhouette_px,
)

SIZE = (900, 700)
GORE = np.array([[-150.0, -280.0], [210.0, -250.0], [160.0, 230.0], [-90.0, 200.0]])
VIEW = View(1300, 14, turn_deg=20, roll_deg=-7, radial=(-0.05, 0.01), offset_px=(6, -4))


def scene(view: View = VIEW, **changes: object) -> Scene:
    camera, pose = scene_camera(SIZE, view)
    references = (
        LaidReference("coded", (100, 100), (-300, -150), 12, code=7),
        LaidReference("dark", (100, 100), (330, 150), -5),
        LaidReference("light", (85.6, 53.98), (330, -200), 30),
    )
    cloths = (LaidCloth(GORE, thickness_mm=3.0),)
    return replace(Scene(camera, pose, SIZE, references, cloths), **changes)


def linear(photo: np.ndarray) -> np.ndarray:
    code = photo.astype(float).mean(axis=2) / 255
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def offsets_px(photo: np.ndarray, start: np.ndarray, end: np.ndarray, view: Scene) -> np.ndarray:
    """How far the picture's step lies from a straight side of the mat: a blurred step fitted to each of 20 profiles."""
    light = linear(photo).astype(np.float32)
    found = []
    for share in np.linspace(0.12, 0.88, 20):
        a, b = see(np.array([start + (share - 0.01) * (end - start), start + (share + 0.01) * (end - start)]), view)
        at, along = (a + b) / 2, (b - a) / np.linalg.norm(b - a)
        across = np.array([along[1], -along[0]])
        where = np.arange(-6, 6.01, 0.25)
        on = at + where[:, None] * across
        profile = cv2.remap(
            light, on[None, :, 0].astype(np.float32), on[None, :, 1].astype(np.float32), cv2.INTER_LINEAR
        )
        (x0, *_), _ = curve_fit(
            lambda x, x0, s, low, high: low + (high - low) * (1 + erf((x - x0) / s)) / 2,
            where, profile[0], [0.0, 1.3, profile[0, 0], profile[0, -1]],
        )  # fmt: skip
        found.append(x0)
    return np.array(found)


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("which", [1, 2])
def test_steps_lie_where_the_camera_model_puts_them(which: int, seed: int) -> None:
    """A fitted step is within 0.02 px of the projected side, for dark on light and light on dark, on all four sides."""
    view = scene(View(1300, 14, turn_deg=7.0 * seed, radial=(-0.05, 0.01)), noise=0.5)
    photo = render_photo(view, seed)
    corners = view.references[which].corners_mm
    offsets = [offsets_px(photo, corners[k], corners[(k + 1) % 4], view) for k in range(4)]
    assert np.abs(np.mean(offsets, axis=1)).max() < 0.02
    assert np.std(offsets) < 0.05


def test_encoded_grey_would_misplace_the_step() -> None:
    """Failure twin: the same fit in display-encoded values is off by far more, so the mixing is in linear light."""
    view = scene(noise=0.0)
    photo = render_photo(view)
    codes = photo.astype(float) / 255
    back = np.where(codes <= 0.0031308, 12.92 * codes, 1.055 * codes ** (1 / 2.4) - 0.055)  # undoes `linear`
    corners = view.references[1].corners_mm
    offsets = offsets_px(np.clip(255 * back, 0, 255), corners[0], corners[1], view)
    assert abs(offsets.mean()) > 0.1


def test_coverage_is_the_exact_share() -> None:
    """Against shapely's intersection of the polygon with every pixel's square; the polygon reaches beyond the frame."""
    rng = np.random.default_rng(3)
    for _ in range(10):
        angle = np.linspace(0, 2 * np.pi, 9, endpoint=False) + rng.uniform(0, 0.5, 9)
        radius = rng.uniform(3, 14, 9)
        loop = np.column_stack([9 + 1.3 * radius * np.cos(angle), 6 - radius * np.sin(angle)])
        share, window = coverage([loop], (17, 13))
        whole = np.zeros((13, 17))
        whole[window] = share
        shape = Polygon(loop)
        truth = [
            [shape.intersection(box(x - 0.5, y - 0.5, x + 0.5, y + 0.5)).area for x in range(17)] for y in range(13)
        ]
        np.testing.assert_allclose(whole, truth, atol=1e-6)


def test_coverage_takes_holes_off_and_leaves_what_is_outside() -> None:
    square = np.array([[2.0, 2.0], [2.0, 10.0], [10.0, 10.0], [10.0, 2.0]])
    hole = (square[::-1] - 6.0) / 2 + 6.0
    share, _ = coverage([square, hole], (20, 16))
    assert share.sum() == pytest.approx(64 - 16, abs=1e-5)
    assert coverage([square + 100], (20, 16))[0].size == 0


def test_thick_cloth_shows_its_top_edge_away_from_the_camera() -> None:
    """Straight above, every side of a thick cloth shows its top, scaled by H / (H - t) (similar triangles)."""
    view = scene(View(1000, 0.0, radial=(0.0, 0.0)))
    flat, thick = LaidCloth(GORE), LaidCloth(GORE, thickness_mm=10.0)
    ratio = silhouette_px(thick, view).area / silhouette_px(flat, view).area
    assert ratio == pytest.approx((1000 / 990) ** 2, rel=1e-9)


def test_silhouette_is_the_union_of_both_faces_and_walls() -> None:
    """Seen from one side, the near side shows the bottom edge, the far side the top edge."""
    view = scene(View(1300, 45, aim_mm=(0.0, 600.0)))  # the camera stands 420 mm before the hem
    cloth = LaidCloth(GORE, thickness_mm=8.0)
    seen = silhouette_px(cloth, view)
    assert seen.geom_type == "Polygon"
    for z in (0.0, 4.0, 8.0):  # every slice of the prism lies inside what is seen
        assert Polygon(see(GORE, view, z)).difference(seen.buffer(0.01)).area == pytest.approx(0.0, abs=1e-6)
    near, far = see(GORE[:2], view), see(GORE[2:], view, 8.0)
    for corner in (*near, *far):
        assert np.min(np.linalg.norm(np.asarray(seen.exterior.coords) - corner, axis=1)) < 1e-6


def test_silhouette_failure() -> None:
    hole = np.array([[900.0, 0.0], [900.0, 50.0], [950.0, 0.0]])
    with pytest.raises(ValueError, match="hole"):
        silhouette_px(LaidCloth(GORE, (hole,), thickness_mm=1.0), scene())


def test_corners_are_where_coded_squares_are_detected() -> None:
    """OpenCV's own detector names the code and the corners in our order."""
    view = scene()
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, codes, _ = detector.detectMarkers(cv2.cvtColor(render_photo(view), cv2.COLOR_RGB2GRAY))
    assert codes.ravel().tolist() == [7]
    assert np.abs(corners[0][0] - corners_px(view.references[0], view)).max() < 1.5


def test_same_seed_same_photo() -> None:
    view = scene(mat=Mat(grid_mm=50), shadow_mm=(6.0, -4.0), light_gradient=(0.3, -0.2))
    assert np.array_equal(render_photo(view, 4), render_photo(view, 4))
    assert not np.array_equal(render_photo(view, 4), render_photo(view, 5))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_jpeg_stores_what_its_tag_turns_upright(orientation: int) -> None:
    """Pillow's own reading of the orientation tag gives the upright picture back."""
    photo = render_photo(scene())
    image = Image.open(io.BytesIO(encode_jpeg(photo, orientation=orientation, focal_35mm=26.4)))
    assert image.getexif().get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] == 26
    upright = np.asarray(ImageOps.exif_transpose(image))
    assert upright.shape == photo.shape
    assert np.abs(upright.astype(int) - photo).mean() < 4


def test_scene_camera_height_tilt_and_aim() -> None:
    view = View(1234.0, 17.0, turn_deg=40.0, roll_deg=9.0, aim_mm=(55.0, -66.0))
    camera, pose = scene_camera(SIZE, view)
    assert pose.centre_mm[2] == pytest.approx(1234.0)
    assert pose.tilt_deg == pytest.approx(17.0)
    np.testing.assert_allclose(
        to_plane(np.array([camera.principal_point_px]), camera, pose), [[55.0, -66.0]], atol=1e-9
    )
