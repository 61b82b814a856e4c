"""Lens calibration: against published results, OpenCV, and rendered photos of a known camera."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from flatmeasure.calibration.lens import calibrate_photos
from flatmeasure.calibration.lens_fit import LensView, fit_lens
from flatmeasure.errors import OptionInvalid, ProfileUnreadable, ReferenceNotFound, ViewsUnfit
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, load_photo
from flatmeasure.references.checkerboard import find_board
from flatmeasure.references.figures import UNIT_CORNERS, Reference, Saddles
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from flatmeasure.synthetic.scene import LaidReference, Mat, Scene, View, scene_camera, see
from flatmeasure.view.bundle import CameraPrior
from flatmeasure.view.lens_profile import LensProfile, lens_for, load_profile, save_profile
from flatmeasure.view.rectification import rectify
from tests.command_line import status_of

SIZE = (1600, 1200)
CAMERA = ("Invented", "Model 7")
FOCAL_35MM, RADIAL, OFFSET_PX = 26.6, (-0.06, 0.02), (14.0, -9.0)  # the metadata will say 27
CARDS = tuple(
    LaidReference("coded", (90.0, 90.0), at, turn_deg=turn, code=code, border_mm=15.0, marks=True)
    for code, at, turn in ((0, (-140.0, -95.0), 3.0), (8, (150.0, 100.0), 88.0), (14, (155.0, -90.0), -4.0))
)
SIDES = [(24.0, turn) for turn in (0.0, 80.0, 170.0, 260.0)] + [(4.0, 30.0)]


def scene(view: View, references: tuple[LaidReference, ...]) -> Scene:
    view = replace(view, focal_35mm=FOCAL_35MM, radial=RADIAL, offset_px=OFFSET_PX)
    camera, pose = scene_camera(SIZE, view)
    return Scene(camera, pose, SIZE, references=references, mat=Mat(size_mm=(900.0, 700.0)))


def shot(view: View, references: tuple[LaidReference, ...], seed: int, orientation: int = 1) -> bytes:
    picture = render_photo(scene(view, references), seed)
    return encode_jpeg(picture, orientation=orientation, focal_35mm=27, camera=CAMERA)


@pytest.fixture(scope="module")
def photos() -> list[bytes]:
    """Cards from four sides and from above, the aim moved about so that they reach the picture's corners."""
    aims = [(-60.0, 0.0), (0.0, 60.0), (70.0, -20.0), (0.0, -50.0), (20.0, 20.0)]
    views = [View(560.0, tilt, turn, aim_mm=aim) for (tilt, turn), aim in zip(SIDES, aims, strict=True)]
    return [shot(view, CARDS, seed) for seed, view in enumerate(views)]


@pytest.fixture(scope="module")
def profile(photos: list[bytes]) -> LensProfile:
    return calibrate_photos(photos, square_mm=90.0).profile


def board_view(name: str, uv: Points, size_mm: tuple[float, float], points_px: Points) -> LensView:
    nearest = [int(np.argmin(np.abs(uv - corner).sum(axis=1))) for corner in UNIT_CORNERS]
    seen = Saddles(uv, points_px, np.full(len(uv), 0.3))
    board = Reference("board", None, size_mm, points_px[nearest], (), None, float("nan"), seen)
    return LensView(name, (board,), np.eye(5), (640, 480))


def zhang_corners(folder: Path) -> list[np.ndarray]:
    """Z. Zhang's published calibration data: (256, 2) corners of 64 squares in each of five photos, 640 x 480."""
    return [np.loadtxt(folder / f"data{i}.txt").reshape(-1, 2) for i in range(1, 6)]


def zhang_views(folder: Path) -> list[LensView]:
    """The same beside the board's own corners."""
    model = np.loadtxt(folder / "Model.txt").reshape(-1, 2)
    extent = np.ptp(model, axis=0)
    uv = (model - model.min(axis=0)) / extent  # seen from behind: a board of points has no front
    size_mm = (float(extent[0]) * 25.4, float(extent[1]) * 25.4)
    return [board_view(f"data{i + 1}", uv, size_mm, points) for i, points in enumerate(zhang_corners(folder))]


def left_views(folder: Path) -> list[LensView]:
    """OpenCV's left01 to left14, corners as its own detector gave them: 9 x 6 crossings 25 mm apart."""
    data = json.loads((folder / "corners.json").read_text())
    columns, rows = data["inner_corners"]
    v, u = np.mgrid[:rows, :columns]
    uv = np.column_stack([u.ravel() / (columns - 1), v.ravel() / (rows - 1)])
    views = []
    for name, photo in data["photos"].items():
        grid = np.array(photo["corners"]).reshape(rows, columns, 2)
        right, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
        grid = grid if right[0] * down[1] > right[1] * down[0] else grid[:, ::-1]
        views.append(board_view(name, uv, (200.0, 125.0), grid.reshape(-1, 2)))
    return views


VIEWS = {"zhang1998": zhang_views, "opencv_left": left_views}
START = CameraPrior(np.array([np.log(600.0), 0.0, 0.0, 0.0, 0.0]), np.diag(np.square([0.3, 12.0, 12.0, 0.1, 0.05])))
CENTRE = np.array([319.5, 239.5])
BROAD = CameraPrior(START.mean, np.diag(np.square([1.0, 100.0, 100.0, 1.0, 1.0])))


def views_of(shared_data: Path, name: str) -> list[LensView]:
    folder = shared_data / "boards" / name
    if not folder.is_dir():
        pytest.skip("the board data are not here")
    return VIEWS[name](folder)


@pytest.mark.parametrize("name", list(VIEWS))
def test_same_as_opencv(shared_data: Path, name: str) -> None:
    """``cv2.calibrateCameraExtended`` on the same corners with the same model: numbers, rms, and u no smaller."""
    views = views_of(shared_data, name)
    fit = fit_lens(views, START, BROAD)
    seen = [view.references[0] for view in views]
    flat = [np.column_stack([r.saddles.uv * r.size_mm, np.zeros(len(r.saddles.uv))]) for r in seen if r.saddles]
    points = [r.saddles.points_px for r in seen if r.saddles]
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3 | cv2.CALIB_USE_INTRINSIC_GUESS
    guess = np.array([[700.0, 0.0, 319.5], [0.0, 700.0, 239.5], [0.0, 0.0, 1.0]])
    rms, matrix, bend, _, _, sd, *_ = cv2.calibrateCameraExtended(
        [f.astype(np.float32) for f in flat],
        [p.astype(np.float32) for p in points],
        (640, 480),
        guess,
        np.zeros(5),
        flags=flags,
    )
    assert np.exp(fit.mean[0]) == pytest.approx(matrix[0, 0], rel=1e-4)
    assert fit.mean[1:3] + CENTRE == pytest.approx(matrix[:2, 2], abs=0.02)
    assert fit.mean[3:] == pytest.approx(bend.ravel()[:2], abs=5e-4)
    assert np.sqrt(2.0 * np.mean(np.square(fit.residual_px))) == pytest.approx(rms, rel=1e-3)
    u = np.sqrt(np.diag(fit.covariance))
    assert (u[1:] >= 0.99 * sd.ravel()[[2, 3, 4, 5]]).all()
    assert (u[1:] <= 4.0 * sd.ravel()[[2, 3, 4, 5]]).all()


def test_board_photos(shared_data: Path) -> None:
    """Real photos of a board: crossings found in linear light fit better than those of OpenCV's detector."""
    folder = shared_data / "boards" / "opencv_left"
    if not folder.is_dir():
        pytest.skip("the board data are not here")
    files = sorted(folder.glob("*.jpg"))[:6]
    found = calibrate_photos(files, square_mm=25.0, board=(9, 6))
    reference = fit_lens([v for v in left_views(folder) if v.name in {f.name for f in files}], START, BROAD)
    assert np.mean([value for _, value in found.residual_px]) < 0.85 * np.mean(reference.residual_px)
    assert np.exp(found.profile.mean[0]) == pytest.approx(np.exp(reference.mean[0]), rel=0.01)


def test_known_camera(photos: list[bytes]) -> None:
    """Rendered photos: the truth lies within 3 u in every number, and u is worth having."""
    found = calibrate_photos(photos, square_mm=90.0)
    truth = scene_camera(SIZE, View(focal_35mm=FOCAL_35MM))[0].focal_px
    error = found.profile.mean - [np.log(truth), *OFFSET_PX, *RADIAL]
    u = np.sqrt(np.diag(found.profile.covariance))
    assert (np.abs(error) < 3.0 * u).all()
    assert u[0] < 0.01  # against 0.03 from the metadata
    assert u[3] < 0.01  # against 0.03
    assert found.profile.camera == "Invented Model 7"
    assert found.profile.size_px == SIZE
    assert found.profile.distance_mm == pytest.approx(620.0, rel=0.15)
    assert max(value for _, value in found.residual_px) < 0.1
    assert found.notes == ()


def test_profile_makes_one_square_surer(profile: LensProfile) -> None:
    """One square beside 500 mm of mat: with the profile u is at most half, and the error stays within 2.5 u."""
    view = View(900.0, 14.0, aim_mm=(100.0, 20.0))
    photo = load_photo(shot(view, CARDS[:1], 9))
    ends = see(np.array([[-50.0, -100.0], [400.0, 150.0]]), scene(view, ()))
    truth = float(np.hypot(450.0, 250.0))
    without = rectify(photo, printed_side_mm=90.0, lens="none").distance(*ends, u_px=0.0)
    known = rectify(photo, printed_side_mm=90.0, lens=profile).distance(*ends, u_px=0.0)
    assert known.u < 0.6 * without.u
    assert abs(known.value - truth) < 2.5 * known.u


def test_pictures_are_turned_back_to_the_sensor(photos: list[bytes], profile: LensProfile) -> None:
    """The same pixels stored under another orientation tag: the lens stands where it stood on the sensor."""
    pictures = [load_photo(photo).rgb for photo in photos]
    turned = [np.ascontiguousarray(np.rot90(picture, -1)) for picture in pictures]  # as held upright
    stored = [encode_jpeg(picture, orientation=6, focal_35mm=27, camera=CAMERA) for picture in turned]
    found = calibrate_photos(stored, square_mm=90.0).profile
    assert found.size_px == SIZE
    u = np.sqrt(np.diag(profile.covariance))
    assert (np.abs(found.mean - profile.mean) < 0.5 * u).all()


def photo_like(width: int, height: int, orientation: int) -> Photo:
    pixels: NDArray[np.uint8] = np.zeros((height, width, 3), np.uint8)
    return Photo(pixels, "like.jpg", "", 27.0, "Invented Model 7", orientation)


@pytest.mark.parametrize(
    ("orientation", "offset"),
    [
        (1, (14, -9)),
        (2, (-14, -9)),
        (3, (-14, 9)),
        (4, (14, 9)),
        (5, (-9, 14)),
        (6, (9, 14)),
        (7, (9, -14)),
        (8, (-9, -14)),
    ],
)
def test_principal_point_turns_with_the_picture(orientation: int, offset: tuple[float, float]) -> None:
    """Worked out by hand from the tag's table (TIFF 6.0, tag 274): which side of the sensor is the picture's top."""
    known = LensProfile(
        "Invented Model 7", 27.0, (1600, 1200), np.array([7.0, 14.0, -9.0, -0.06, 0.02]),
        np.diag([1e-6, 4.0, 1.0, 1e-6, 1e-6]), 5, 600.0,
    )  # fmt: skip
    width, height = (1200, 1600) if orientation >= 5 else (1600, 1200)
    prior = known.prior(photo_like(width, height, orientation))
    assert prior.mean[1:3] - [(width - 1) / 2, (height - 1) / 2] == pytest.approx(offset)
    assert (prior.covariance[1, 1] > prior.covariance[2, 2]) == (orientation < 5)
    assert prior.mean[[0, 3, 4]] == pytest.approx([7.0, -0.06, 0.02])


def test_picture_turned_without_saying_so(profile: LensProfile) -> None:
    """Either way is possible: the centre, as unsure as the principal point's distance from it."""
    prior = profile.prior(photo_like(1200, 1600, 1))
    assert prior.mean[1:3] == pytest.approx([599.5, 799.5])
    assert np.sqrt(prior.covariance[1, 1]) >= 14.0 * 0.8
    with pytest.raises(OptionInvalid, match="is for pictures of 1600 x 1200"):
        profile.prior(photo_like(1500, 1200, 1))


def test_focus_elsewhere_makes_the_focal_length_less_sure(profile: LensProfile) -> None:
    sure = replace(profile, covariance=1e-12 * np.eye(5))
    near, far = (replace(sure, distance_mm=d).prior(photo_like(*SIZE, 1)).covariance[0, 0] for d in (200.0, 2000.0))
    assert np.sqrt(near) > 0.008 > 0.005 > np.sqrt(far) > 0.003


def test_profile_is_kept_and_picked_up(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, photos: list[bytes], profile: LensProfile
) -> None:
    monkeypatch.setattr("flatmeasure.view.lens_profile.profiles_folder", lambda: tmp_path / "lenses")
    photo = load_photo(photos[0])
    assert lens_for(photo, "stored") is None
    path = save_profile(profile, tmp_path / "lenses")
    assert [p.name for p in (tmp_path / "lenses").iterdir()] == [path.name]
    for source in ("stored", path, tmp_path / "lenses"):
        known = lens_for(photo, source)
        assert known is not None
        assert known.mean.tolist() == profile.mean.tolist()
        assert known.covariance.tolist() == profile.covariance.tolist()
    notes = {note.code: note.message for note in rectify(photo, square_mm=90.0).notes}
    assert "Invented Model 7" in notes["lens-profile"]
    assert "lens-profile" not in {note.code for note in rectify(photo, square_mm=90.0, lens="none").notes}


@pytest.mark.parametrize(
    "change", [{"camera": "Invented Model 8"}, {"focal_35mm": 52.0}, {"focal_35mm": None}, {"camera": None}]
)
def test_profile_is_not_for_other_lenses(
    tmp_path: Path, photos: list[bytes], profile: LensProfile, change: dict[str, object]
) -> None:
    save_profile(profile, tmp_path)
    photo = load_photo(photos[0])
    assert lens_for(photo, tmp_path) is not None
    assert lens_for(replace(photo, **change), tmp_path) is None  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: "not json",
        lambda data: json.dumps([1, 2]),
        lambda data: json.dumps(data | {"schema": "flatmeasure.lens/9"}),
        lambda data: json.dumps(data | {"mean": [1.0, 2.0]}),
        lambda data: json.dumps(data | {"covariance": (-np.eye(5)).tolist()}),
        lambda data: json.dumps({k: v for k, v in data.items() if k != "photos"}),
    ],
)
def test_damaged_profile_failure(tmp_path: Path, profile: LensProfile, spoil) -> None:  # type: ignore[no-untyped-def]
    path = save_profile(profile, tmp_path)
    path.write_text(spoil(json.loads(path.read_text())))
    with pytest.raises(ProfileUnreadable, match="calibrate the lens again"):
        load_profile(path)


def test_missing_profile_failure(photos: list[bytes], tmp_path: Path) -> None:
    with pytest.raises(OptionInvalid, match="no lens profile"):
        lens_for(load_photo(photos[0]), tmp_path / "absent")


def test_too_few_photos_failure(photos: list[bytes]) -> None:
    with pytest.raises(ViewsUnfit, match=r"at least 4 photos .* found in 3"):
        calibrate_photos(photos[:3], square_mm=90.0)


def test_photo_without_squares_is_left_out(photos: list[bytes]) -> None:
    empty = shot(View(560.0), (), 3)
    found = calibrate_photos([*photos, empty], square_mm=90.0)
    assert [note.code for note in found.notes] == ["photo-left-out"]
    assert found.profile.photos == len(photos)
    with pytest.raises(ViewsUnfit, match="was left out"):
        calibrate_photos([*photos[:3], empty], square_mm=90.0)


def test_photos_from_one_side_failure() -> None:
    views = [View(560.0, 12.0, turn, aim_mm=(5.0 * turn, 0.0)) for turn in (0.0, 3.0, 6.0, 9.0)]
    alike = [shot(view, CARDS, seed) for seed, view in enumerate(views)]
    with pytest.raises(ViewsUnfit, match=r"nearly the same side .* tilt the camera to the left"):
        calibrate_photos(alike, square_mm=90.0)


def test_photos_of_two_lenses_failure(photos: list[bytes]) -> None:
    other = encode_jpeg(load_photo(photos[0]).rgb, focal_35mm=52, camera=CAMERA)
    with pytest.raises(ViewsUnfit, match="another camera, focal length or picture size"):
        calibrate_photos([*photos, other], square_mm=90.0)


def laid_board(columns: int, rows: int, side_mm: float) -> tuple[LaidReference, ...]:
    """A checkerboard of so many squares: dark ones on a light sheet."""
    sheet = LaidReference("light", ((columns + 1) * side_mm, (rows + 1) * side_mm), (0.0, 0.0))
    middle = np.array([columns - 1, rows - 1]) / 2
    cells = [(i, j) for j in range(rows) for i in range(columns) if (i + j) % 2 == 0]
    places = [tuple((np.array(cell) - middle) * side_mm) for cell in cells]
    return (sheet, *(LaidReference("dark", (side_mm, side_mm), (x, y), border_mm=0.0) for x, y in places))


def test_board_crossings_are_where_they_are() -> None:
    view = View(520.0, 20.0, 25.0)
    board = find_board(load_photo(shot(view, laid_board(8, 6, 30.0), 1)), (7, 5), 30.0)
    assert board.size_mm == (180.0, 120.0)
    assert board.saddles is not None
    assert len(board.saddles.uv) == 35
    flat = (board.saddles.uv - 0.5) * [180.0, -120.0]
    truth = see(flat, scene(view, ()))
    turned = see(-flat, scene(view, ()))  # either end of a board may come first
    error = min(np.abs(board.saddles.points_px - t).max() for t in (truth, turned))
    assert error < 0.06


def test_board_failure(photos: list[bytes]) -> None:
    with pytest.raises(ReferenceNotFound, match="7 x 5 inner crossings"):
        find_board(load_photo(photos[0]), (7, 5), 30.0)


def test_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, photos: list[bytes]
) -> None:
    files = [tmp_path / f"side{i}.jpg" for i in range(len(photos))]
    for file, photo in zip(files, photos, strict=True):
        file.write_bytes(photo)
    kept = tmp_path / "kept"
    assert status_of(monkeypatch, "lens", *files, "--square", "9cm", "--profiles", kept) == 0
    text = capsys.readouterr().out
    assert "Lens of Invented Model 7, 27 mm equivalent, 1600 x 1200 px, from 5 photos" in text
    assert "side4.jpg" in text
    (profile,) = kept.iterdir()
    assert load_profile(profile).photos == 5
    assert status_of(monkeypatch, "lens", *files[:2], "--square", "9cm", "--profiles", kept) == 3
    assert "at least 4 photos" in capsys.readouterr().err
    assert status_of(monkeypatch, "lens", *files, "--board", "9by6") == 2
    assert "such as 9x6" in capsys.readouterr().err
