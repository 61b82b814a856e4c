"""The overlay: everything measured is drawn, where it lies, and readable on any cloth.

Checks from outside: relative luminance and contrast as in the W3C's Web Content Accessibility Guidelines 2.1 (at least
3 to 1 for graphics, 4.5 to 1 for text); the scale bar against the known camera.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely import Polygon

from flatmeasure.display import overlay
from flatmeasure.display.labels import PLATE, TEXT, Label, place_labels
from flatmeasure.display.overlay import CASING, OUTLINE, REFERENCE, draw_overlay
from flatmeasure.photos.photo import linear_light, luminance
from flatmeasure.units import LengthUnit

from .results import measurement


def near(picture: np.ndarray, at: np.ndarray, colour: tuple[int, int, int], reach: int = 4) -> bool:
    """Whether a colour shows within some pixels of a point."""
    x, y = np.rint(at).astype(int)
    window = picture[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1].astype(int)
    return bool((np.abs(window - colour).max(axis=2) < 40).any())


def contrast(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
    light = luminance(linear_light(np.array([a, b], np.uint8)))
    return float((light.max() + 0.05) / (light.min() + 0.05))


def test_size_and_type() -> None:
    found = measurement()
    picture = draw_overlay(found.photo, found)
    assert picture.dtype == np.uint8
    assert picture.shape[2] == 3
    assert max(overlay._frame(found.photo, found).size) == 1600
    assert picture.shape[1] == 1600


@pytest.mark.parametrize("colour", [(250, 250, 250), (5, 5, 5), (255, 224, 92)])
def test_outline_shows_on_any_cloth(colour: tuple[int, int, int]) -> None:
    """Light line and dark casing both, half-way along every edge that no label could have been forced upon."""
    found = measurement(colour)
    frame = overlay._frame(found.photo, found)
    picture = draw_overlay(found.photo, found)
    edges = found.pieces[0].edges
    for edge in (edges[0], edges[2], edges[3]):
        for share in (0.1, 0.9):
            at = frame.shown(edge.points_px[int(share * 19)])
            assert near(picture, at, OUTLINE)
            assert near(picture, at, CASING, reach=7)
    for corner in found.pieces[0].corners:
        assert near(picture, frame.shown(corner.at_px), (255, 255, 255))
    hole = found.pieces[0].holes_px[0]
    assert near(picture, frame.shown((hole[0] + hole[1]) / 2), OUTLINE)
    square = found.rectification.references[0].reference.corners_px
    assert near(picture, frame.shown((square[0] + square[1]) / 2), REFERENCE)


def test_edge_is_broken_into_dashes_where_it_is_unsure() -> None:
    found = measurement()
    frame = overlay._frame(found.photo, found)
    picture = draw_overlay(found.photo, found)

    def share_drawn(edge: int, first: int, last: int) -> float:
        ends = frame.shown(found.pieces[0].edges[edge].points_px)[[first, last]]
        points = ends[0] + np.linspace(0, 1, 200)[:, None] * (ends[1] - ends[0])
        return float(np.mean([near(picture, at, OUTLINE, reach=1) for at in points]))

    assert share_drawn(0, 1, 6) > 0.98
    assert 0.3 < share_drawn(1, 1, 6) < 0.9
    assert share_drawn(1, 12, 17) > 0.98


def test_colours_differ_in_grey() -> None:
    for light in (OUTLINE, REFERENCE, (255, 255, 255)):
        assert contrast(light, CASING) > 3.0
    assert contrast(TEXT, PLATE) > 4.5


def test_ground_is_dimmed_and_cloth_is_not() -> None:
    found = measurement((200, 200, 200))
    pale = replace(found, photo=replace(found.photo, rgb=np.full_like(found.photo.rgb, 200)))
    frame = overlay._frame(pale.photo, pale)
    picture = overlay._calmed(pale.photo, pale, frame)
    on_cloth = frame.shown(found.rectification.to_picture(np.array([[-150.0, 0.0]])))[0]
    in_hole = frame.shown(found.rectification.to_picture(np.array([[10.0, 10.0]])))[0]
    value = [int(picture[round(y), round(x), 0]) for x, y in (on_cloth, in_hole)]
    assert value[0] > value[1] + 30


def test_labels_stand_clear_of_each_other_and_inside() -> None:
    rng = np.random.default_rng(5)
    cost = np.zeros((900, 1600), np.float32)
    labels = []
    for number in range(14):
        anchors = rng.uniform((200, 100), (1400, 800), (5, 2))
        angle = rng.uniform(0, 2 * np.pi)
        side = np.tile([np.cos(angle), np.sin(angle)], (5, 1))
        labels.append(Label((f"A{number}  702.3 ± 0.6 mm",), 31, anchors, side))
    boxes = [placed.box_px for placed in place_labels(labels, cost)]
    for i, (x, y, w, h) in enumerate(boxes):
        assert 0 <= x <= 1600 - w
        assert 0 <= y <= 900 - h
        for other_x, other_y, other_w, other_h in boxes[:i]:
            apart = x >= other_x + other_w or other_x >= x + w or y >= other_y + other_h or other_y >= y + h
            assert apart


def test_label_avoids_what_is_dear() -> None:
    cost = np.zeros((400, 800), np.float32)
    cost[:200] = 10.0
    side = np.array([[0.0, -1.0], [0.0, 1.0]])  # above is preferred, but dear
    label = Label(("A1",), 31, np.full((2, 2), (400.0, 200.0)), side)
    assert place_labels([label], cost)[0].box_px[1] >= 200


@pytest.mark.parametrize("unit", LengthUnit)
def test_scale_bar_has_a_round_length_and_lies_true(unit: LengthUnit) -> None:
    found = measurement()
    frame = overlay._frame(found.photo, found)
    bar = overlay._scale_bar(np.zeros((frame.size[1], frame.size[0]), np.float32), found.rectification, frame, unit)
    assert bar is not None
    length = bar.length_mm / {"mm": 1.0, "cm": 10.0, "in": 25.4}[unit]
    assert f"{length:e}"[0] in "125"
    assert float(f"{length:.0e}") == pytest.approx(length)
    ends_mm = found.rectification.to_mat(frame.in_photo(bar.points))[[0, 2]]
    assert np.linalg.norm(ends_mm[1] - ends_mm[0]) == pytest.approx(bar.length_mm, rel=1e-9)
    assert 0.07 * 1600 < np.linalg.norm(bar.points[2] - bar.points[0]) < 0.3 * 1600


def test_photo_and_drawing_agree_on_pixel_centres() -> None:
    frame = overlay._Frame(100, 50, 400, 300, 4.0)
    np.testing.assert_allclose(frame.shown(np.array([[99.5, 49.5]])), [[-0.5, -0.5]])  # the corner of the first pixel
    points = np.random.default_rng(2).uniform(0, 400, (9, 2))
    np.testing.assert_allclose(frame.in_photo(frame.shown(points)), points)


def test_cloth_that_fills_the_frame() -> None:
    found = measurement()
    width, height = found.photo.width_px - 1.0, found.photo.height_px - 1.0
    whole = np.array([[0.0, 0.0], [0.0, height], [width, height], [width, 0.0]])
    filled = replace(found, pieces=(replace(found.pieces[0], outline_px=whole),))
    assert draw_overlay(found.photo, filled).shape[1] == 1600


def test_name_of_a_small_piece_stands_beside_it() -> None:
    found = measurement()
    frame = overlay._frame(found.photo, found)
    cost = np.zeros((frame.size[1], frame.size[0]), np.float32)
    for piece in found.pieces:
        overlay._draw_piece(np.zeros((*cost.shape, 3), np.uint8), cost, piece, frame)
    names = [overlay._piece_label(piece, frame, LengthUnit.MM) for piece in found.pieces]
    for piece, placed in zip(found.pieces, place_labels(names, cost), strict=True):
        left, top, width, height = placed.box_px
        box = Polygon([(left, top), (left + width, top), (left + width, top + height), (left, top + height)])
        outline = Polygon(frame.shown(piece.outline_px))
        assert box.within(outline) if piece.id == "A" else not box.intersects(outline)


def test_measured_picture(test_images: Path) -> None:
    """The whole way, once: the drawing of a real measurement has its outline on the cloth's edge."""
    from flatmeasure.pipeline import measure

    found = measure(test_images / "gore_navy.jpg", square_mm=100.0, thickness_mm=0.8)
    picture = draw_overlay(found.photo, found)
    assert Image.fromarray(picture).size[0] == 1600
    assert len(found.pieces) == 1


@pytest.mark.parametrize("width_px", [700, 1200, 1600])
@pytest.mark.parametrize("name", ["A", "WWWW MMMM " * 20, "W" * 150])
def test_words_below_the_picture_are_whole(width_px: int, name: str) -> None:
    found = measurement()
    found = replace(found, photo=replace(found.photo, name=name))
    strip = overlay._legend(found, width_px)
    assert strip.shape[1] == width_px
    assert (strip == CASING).all(axis=2)[:, -overlay.SMALL_PX // 2 :].all()
    assert not (strip == CASING).all()
