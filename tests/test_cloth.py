"""Cloth on synthetic grounds with known masks; shapes are drawn on a picture twice as large, then halved."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from shapely.geometry import Polygon

from flatmeasure.cloth.evidence import in_a_print
from flatmeasure.cloth.ground import view_ground
from flatmeasure.cloth.hints import Hints
from flatmeasure.cloth.regions import ClothRegion
from flatmeasure.cloth.segmentation import find_cloth, segment_cloth
from flatmeasure.errors import ClothNotFound
from flatmeasure.photos.photo import Photo, load_photo

WIDTH, HEIGHT = 900, 660
MAT = (70, 120, 95)
SHIRT = [(300, 150), (620, 170), (660, 500), (480, 560), (280, 480)]


def ground(colour: tuple[int, int, int] = MAT, grid: int = 0) -> NDArray[np.float32]:
    picture = np.empty((2 * HEIGHT, 2 * WIDTH, 3), np.float32)
    picture[:] = colour
    if grid:
        for at in range(0, 2 * WIDTH, 2 * grid):
            cv2.line(picture, (at, 0), (at, 2 * HEIGHT), [c + 40 for c in colour], 3)
            cv2.line(picture, (0, at), (2 * WIDTH, at), [c + 40 for c in colour], 3)
    return picture


def lay(picture: NDArray[np.float32], points: list[tuple[int, int]], colour: tuple[int, int, int]) -> None:
    weave = np.random.default_rng(len(points)).normal(1.0, 0.12, picture.shape[:2]).astype(np.float32)
    cloth = cv2.fillPoly(np.zeros(picture.shape[:2], np.uint8), [np.array(points, np.int32) * 2], 1) > 0
    picture[cloth] = np.array(colour, np.float32) * cv2.GaussianBlur(weave, (0, 0), 1.2)[cloth, None]


def shoot(picture: NDArray[np.float32], seed: int = 0) -> Photo:
    """Halve, light unevenly from left to right, add noise."""
    small = cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    small *= np.linspace(0.92, 1.06, WIDTH, dtype=np.float32)[None, :, None]
    small += np.random.default_rng(seed).normal(0.0, 2.0, small.shape)
    return load_photo(np.clip(np.rint(small), 0, 255).astype(np.uint8))


def overlap(region: ClothRegion, points: list[tuple[int, int]], holes: tuple[list[tuple[int, int]], ...] = ()) -> float:
    """Intersection over union."""
    found = Polygon(region.outline_px, region.holes_px)
    truth = Polygon(points, holes)
    return float(found.intersection(truth).area / found.union(truth).area)


def shoelace(points: NDArray[np.float64]) -> float:
    x, y = points.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2.0


@pytest.mark.parametrize("colour", [(200, 60, 50), (235, 235, 230), (30, 32, 45), (110, 110, 60)])
@pytest.mark.parametrize("grid", [0, 40])
def test_plain_cloth(colour: tuple[int, int, int], grid: int) -> None:
    picture = ground(grid=grid)
    lay(picture, SHIRT, colour)
    (region,) = find_cloth(shoot(picture))
    assert overlap(region, SHIRT) > 0.985
    assert region.holes_px == ()
    assert region.confidence > 0.5
    assert not region.touches_frame


def test_shadow_is_no_cloth() -> None:
    picture = ground(grid=40)
    shade = np.zeros(picture.shape[:2], np.float32)
    cv2.fillPoly(shade, [np.array(SHIRT, np.int32) * 2 + 36], 1.0)
    picture *= 1.0 - 0.35 * cv2.GaussianBlur(shade, (0, 0), 6.0)[:, :, None]
    lay(picture, SHIRT, (200, 160, 150))
    (region,) = find_cloth(shoot(picture))
    assert overlap(region, SHIRT) > 0.975


def test_hole_is_kept_and_print_is_filled() -> None:
    hole = [(430, 280), (520, 290), (510, 380), (420, 370)]
    picture = ground()
    lay(picture, SHIRT, (190, 60, 60))
    lay(picture, hole, MAT)
    (holed,) = find_cloth(shoot(picture))
    assert len(holed.holes_px) == 1
    assert overlap(holed, SHIRT, (hole,)) > 0.98
    assert shoelace(holed.outline_px) < 0 < shoelace(holed.holes_px[0])

    picture = ground()
    lay(picture, SHIRT, (190, 60, 60))
    for x in range(340, 600, 60):
        for y in range(220, 460, 60):
            cv2.circle(picture, (2 * x, 2 * y), 26, MAT, -1)
    (dotted,) = find_cloth(shoot(picture))
    assert dotted.holes_px == ()
    assert overlap(dotted, SHIRT) > 0.98


def lay_reference(
    picture: NDArray[np.float32], at: tuple[int, int] = (120, 510), side: int = 60
) -> NDArray[np.float64]:
    """A dark square on a light card; its corners."""
    square = np.array(at) + side * np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    card = square + 10 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    cv2.fillPoly(picture, [card * 2], (240, 240, 240))
    cv2.fillPoly(picture, [square * 2], (25, 25, 25))
    return square.astype(np.float64)


def test_two_pieces_largest_first() -> None:
    small = [(680, 120), (800, 130), (790, 300), (690, 290)]
    picture = ground(grid=40)
    square = lay_reference(picture)
    lay(picture, SHIRT, (210, 190, 160))
    lay(picture, small, (35, 35, 60))
    first, second = segment_cloth(shoot(picture), references_px=[square], mm_per_px=100 / 60)
    assert overlap(first, SHIRT) > 0.985
    assert overlap(second, small) > 0.97


def test_things_beside_the_cloth() -> None:
    """A roll of tape and the reference's card are no cloth."""
    picture = ground(grid=40)
    square = lay_reference(picture)
    lay(picture, SHIRT, (210, 190, 160))
    for radius, colour in ((44, (235, 200, 90)), (30, (60, 60, 60)), (24, (245, 245, 245))):
        cv2.circle(picture, (1500, 400), radius, colour, -1)
    (region,) = segment_cloth(shoot(picture), references_px=[square], mm_per_px=100 / 60)
    assert overlap(region, SHIRT) > 0.985


def test_thin_strip() -> None:
    strip = [(150, 300), (740, 380), (738, 396), (148, 316)]
    picture = ground((150, 105, 60))
    lay(picture, strip, (40, 38, 40))
    (region,) = find_cloth(shoot(picture))
    assert overlap(region, strip) > 0.92


def test_cut_off_by_the_frame() -> None:
    cut = [(500, 200), (WIDTH, 180), (WIDTH, 480), (480, 450)]
    picture = ground()
    lay(picture, cut, (200, 60, 50))
    (region,) = find_cloth(shoot(picture))
    assert region.touches_frame
    assert overlap(region, cut) > 0.97


def test_mat_on_a_floor_of_the_cloth_s_colour() -> None:
    """With a reference the mat is known, and the floor around it is not searched."""
    picture = ground((165, 125, 90))
    lay(picture, [(90, 60), (820, 80), (840, 610), (70, 600)], MAT)
    square = lay_reference(picture)
    lay(picture, SHIRT, (170, 130, 92))
    (region,) = segment_cloth(shoot(picture), references_px=[square], mm_per_px=100 / 60)
    assert overlap(region, SHIRT) > 0.98


@pytest.mark.parametrize("grid", [0, 40])
def test_nothing(grid: int) -> None:
    photo = shoot(ground(grid=grid))
    for find in (segment_cloth, find_cloth):
        with pytest.raises(ClothNotFound, match="looks like cloth"):
            find(photo)


def test_same_photo_same_result() -> None:
    picture = ground(grid=40)
    lay(picture, SHIRT, (120, 110, 120))
    first, second = (find_cloth(shoot(picture)) for _ in range(2))
    assert len(first) == len(second) == 1
    np.testing.assert_array_equal(first[0].outline_px, second[0].outline_px)
    assert first[0].confidence == second[0].confidence


def test_hints() -> None:
    """A person takes one of two pieces off, opens a print's dot, and confines the search to a box."""
    other = [(690, 120), (800, 130), (790, 300), (700, 290)]
    picture = ground()
    lay(picture, SHIRT, (190, 60, 60))
    lay(picture, other, (60, 60, 190))
    photo = shoot(picture)
    assert len(find_cloth(photo)) == 2
    for hints in (
        Hints(not_cloth_px=(np.array([[745.0, 200.0]]),)),
        Hints(not_cloth_boxes_px=((670, 100, 820, 320),)),
        Hints(cloth_boxes_px=((250, 120, 680, 600),)),
    ):
        (region,) = find_cloth(photo, hints)
        assert overlap(region, SHIRT) > 0.98


def test_hint_adds_cloth_that_looks_like_shaded_ground() -> None:
    picture = ground()
    lay(picture, SHIRT, (200, 60, 60))
    yoke = [(300, 150), (620, 170), (625, 230), (295, 220)]
    lay(picture, yoke, (60, 102, 81))
    photo = shoot(picture)
    hints = Hints(cloth_px=(np.array([[320.0, 185.0], [600.0, 200.0]]),))
    (region,) = find_cloth(photo, hints)
    assert overlap(region, SHIRT) > 0.97


def test_grey_cloth_is_no_shadow() -> None:
    """Grey on white is told from shade by its sharp edge and its width; a soft shade as dark as it is left out."""
    white = (215, 215, 215)
    bib = [(430, 150), (560, 160), (550, 260), (440, 250)]
    picture = ground(white)
    lay(picture, SHIRT, (200, 60, 60))
    lay(picture, bib, (170, 170, 170))
    (region,) = find_cloth(shoot(picture))
    assert overlap(region, SHIRT) > 0.98

    picture = ground(white)
    shade = np.zeros(picture.shape[:2], np.float32)
    cv2.circle(shade, (1500, 300), 90, 1.0, -1)
    picture *= 1.0 - 0.21 * cv2.GaussianBlur(shade, (0, 0), 35.0)[:, :, None]
    lay(picture, SHIRT, (200, 60, 60))
    (region,) = find_cloth(shoot(picture))
    assert overlap(region, SHIRT) > 0.98


def test_squares_that_fill_the_photo() -> None:
    photo = shoot(ground())
    everywhere = np.array([[-50, -50], [2000, -50], [2000, 2000], [-50, 2000]], dtype=float)
    with pytest.raises(ClothNotFound, match="fill the whole photo"):
        segment_cloth(photo, references_px=[everywhere])


@pytest.mark.parametrize("colour", [(180, 40, 45), (34, 40, 72), (225, 224, 220)])
def test_cloth_close_beside_a_square_is_no_ground(colour: tuple[int, int, int]) -> None:
    """A sheet on a floor: what shows right around the squares is the sheet, but here also cloth."""
    picture = ground((120, 84, 70))
    cv2.rectangle(picture, (120, 100), (2 * WIDTH - 120, 2 * HEIGHT - 100), (122, 126, 130), -1)
    squares = [lay_reference(picture, at, side=40) for at in ((250, 200), (668, 400))]
    other = [(90, 300), (230, 310), (220, 560), (100, 550)]
    lay(picture, SHIRT, colour)
    lay(picture, other, (120, 160, 60))
    photo = shoot(picture)
    view = view_ground(np.float32(photo.rgb / 255.0), squares)
    assert np.quantile(view.distance[200:450, 320:600], 0.05) > 8.0
    assert np.quantile(view.distance[120:140, 100:700], 0.95) < 3.0
    found = segment_cloth(photo, references_px=squares, mm_per_px=1.5)
    assert len(found) == 2
    assert overlap(found[0], SHIRT) > 0.97
    assert overlap(found[1], other) > 0.95


def test_a_print_in_the_floor_s_colour_on_a_mat_that_is_cut_off_too() -> None:
    """Both mat and floor reach the picture's edge; on the mat, what has the floor's colour is cloth."""
    brown = (70, 50, 46)
    picture = ground(brown)
    mat = [(60, 70), (900, 60), (900, 660), (20, 660)]
    cv2.fillPoly(picture, [np.array(mat, np.int32) * 2], (50, 62, 110))
    squares = [lay_reference(picture, at) for at in ((150, 160), (760, 520))]
    lay(picture, SHIRT, (190, 160, 120))
    checks = picture.copy()
    cloth = cv2.fillPoly(np.zeros(picture.shape[:2], np.uint8), [np.array(SHIRT, np.int32) * 2], 1) > 0
    for y in range(0, 2 * HEIGHT, 80):
        for x in range(0, 2 * WIDTH, 80):
            cv2.rectangle(checks, (x, y), (x + 39, y + 39), brown, -1)
    picture[cloth] = checks[cloth]
    (region,) = segment_cloth(shoot(picture), references_px=squares, mm_per_px=1.5)
    assert overlap(region, SHIRT) > 0.99


@pytest.mark.parametrize(("patches", "is_print"), [(2, False), (9, True)])
def test_ground_colours_in_few_places_are_darts_and_no_print(patches: int, is_print: bool) -> None:
    """The network overlooks narrow darts: it takes all of this piece for cloth."""
    learned = np.full((120, 200), -4.0, np.float32)
    learned[20:100, 20:180] = 4.0
    ground_odds = np.where(learned > 0, 6.0, -3.0).astype(np.float32)
    for k in range(patches):
        ground_odds[20 if k % 2 else 60 : 40 if k % 2 else 80, 30 + 16 * k : 36 + 16 * k] = -3.0
    printed = in_a_print(ground_odds, learned, width=8.0)
    assert not printed[:15].any()
    assert (printed & (ground_odds < 0)).any() == is_print


def test_ground_of_a_print_is_left_to_the_network() -> None:
    """Flowers in many places, and what lies between them has the ground's own colour: all of it is cloth."""
    learned = np.full((120, 200), -4.0, np.float32)
    learned[20:100, 20:180] = 4.0
    learned[20:23, 20:180] = 1.0  # less sure at the rim
    odds = np.full((120, 200), -3.0, np.float32)
    for y in range(30, 95, 20):
        for x in range(30, 175, 20):
            odds[y : y + 9, x : x + 9] = 6.0
    printed = in_a_print(odds, learned, width=8.0)
    assert printed[20:100, 20:180].mean() > 0.98
    assert not printed[learned < 0].any()


def glare_on(picture: NDArray[np.float32], at: tuple[int, int], radius: int, strength: float) -> None:
    """A lamp's reflection: light added, fading out evenly."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]].astype(np.float32)
    away2 = np.square(x - 2 * at[0]) + np.square(y - 2 * at[1])
    picture += strength * np.exp(-0.5 * away2 / (2 * radius) ** 2)[:, :, None] * np.array([1.0, 0.95, 0.9], np.float32)


@pytest.mark.parametrize("at", [(700, 470), (240, 330)])
@pytest.mark.parametrize("cloth", [(150, 145, 140), (196, 170, 128)])
def test_a_lamp_s_reflection_on_the_floor_is_no_cloth(at: tuple[int, int], cloth: tuple[int, int, int]) -> None:
    picture = ground((84, 56, 40))
    square = lay_reference(picture, (90, 60))
    glare_on(picture, at, 70, 60.0)
    lay(picture, SHIRT, cloth)
    (region,) = segment_cloth(shoot(picture), references_px=[square], mm_per_px=1.5)
    assert overlap(region, SHIRT) > 0.975


def test_dark_cloth_close_beside_a_square_in_dim_light() -> None:
    """Half of the ring round the square is floor and cloth, and all of it dim."""
    picture = ground((135, 106, 87))
    cv2.rectangle(picture, (120, 100), (2 * WIDTH - 250, 2 * HEIGHT - 100), (58, 96, 76), -1)
    square = lay_reference(picture, (708, 290))
    beside = [(560, 120), (676, 160), (676, 560), (560, 520)]
    far = [(120, 120), (300, 140), (330, 500), (150, 520)]
    lay(picture, beside, (31, 36, 64))
    lay(picture, far, (92, 88, 84))
    found = segment_cloth(shoot(picture), references_px=[square], mm_per_px=1.5)
    assert len(found) == 2
    assert overlap(found[0], far) > 0.97
    assert overlap(found[1], beside) > 0.96


def test_a_gridded_mat_that_the_frame_cuts_off() -> None:
    """The picture's edge shows the mat's own colour on a short stretch; cloth lies on that part of it."""
    picture = ground((118, 80, 55))
    mat = [(0, 200), (900, 240), (900, 560), (0, 520)]
    sheet = ground((62, 67, 90), grid=36)
    inside = cv2.fillPoly(np.zeros(picture.shape[:2], np.uint8), [np.array(mat, np.int32) * 2], 1) > 0
    picture[inside] = sheet[inside]
    picture *= np.linspace(1.2, 0.75, picture.shape[1], dtype=np.float32)[None, :, None]
    square = lay_reference(picture, (110, 320), side=90)
    skirt = [(460, 250), (640, 255), (700, 530), (430, 520)]
    lay(picture, skirt, (46, 46, 47))
    (region,) = segment_cloth(shoot(picture), references_px=[square], mm_per_px=1.5)
    assert overlap(region, skirt) > 0.97
