"""Layouts: exact, the same every time, and found where one is known to exist."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage
from shapely.geometry import Point, Polygon, box

from flatmeasure.enough.depth_maps import Maps
from flatmeasure.enough.layouts import fault_of, find_layout
from flatmeasure.enough.most_valuable import lay_most
from flatmeasure.enough.nofit import Regions
from flatmeasure.enough.parts import Part, make_stance
from flatmeasure.enough.strip_packing import pack_strip
from flatmeasure.masks import distance_px

CLOTH = Polygon([(0, 0), (400, 20), (430, 300), (200, 340), (-20, 280)]).difference(Point(150, 150).buffer(25))
EXACT_MM2 = 1e-6


def part(outline: Polygon, name: str = "piece", value: float = 1.0, turns: Sequence[float] = (0.0, 180.0)) -> Part:
    stances = tuple(make_stance(outline, turn) for turn in turns)
    choices = (tuple(range(len(stances))),)
    return Part(name, stances, value, choices, choices)


def triangles(count: int) -> list[Part]:
    return [part(Polygon([(0, 0), (110, 0), (20, 90)]), f"triangle {k}") for k in range(count)]


def test_layout_is_exact() -> None:
    found = find_layout(triangles(10), [CLOTH], 200)
    assert found.layout.complete
    assert fault_of(found.layout, [CLOTH]) < EXACT_MM2
    distance = min(shape.distance(CLOTH.boundary) for shape in found.layout.outlines().values())
    assert found.layout.margin_mm == pytest.approx(distance, abs=0.01)


def test_same_effort_same_layout() -> None:
    first, second = (find_layout(triangles(10), [CLOTH], 60) for _ in range(2))
    assert np.array_equal(first.layout.places.at_mm, second.layout.places.at_mm)


def test_two_halves_of_a_rectangle_find_each_other() -> None:
    """A rectangle cut along its diagonal: only one way round fits, to a hundredth of a millimetre."""
    half = Polygon([(0, 0), (200, 0), (0, 120)])
    found = find_layout([part(half, "a"), part(half, "b")], [box(0, 0, 200.02, 120.02)], 200)
    assert found.layout.complete
    assert fault_of(found.layout, [box(0, 0, 200.02, 120.02)]) < EXACT_MM2


def test_five_rectangles_that_fill_a_square() -> None:
    """The pinwheel: four 60 x 40 round a 20 x 20 in a 100 x 100 square; nothing but this order fits."""
    parts = [part(box(0, 0, 60, 40), str(k), turns=(0.0, 90.0)) for k in range(4)]
    parts.append(part(box(0, 0, 20, 20), "middle"))
    found = find_layout(parts, [box(0, 0, 100.05, 100.05)], 600)
    assert found.layout.complete
    assert fault_of(found.layout, [box(0, 0, 100.05, 100.05)]) < EXACT_MM2


def test_what_does_not_fit_is_left_out_by_value() -> None:
    cloth = box(0, 0, 100, 100)
    dear, cheap = part(box(0, 0, 90, 60), "dear", 9.0), part(box(0, 0, 90, 60), "cheap", 1.0)
    found = lay_most([cheap, dear], [cloth], 20)
    assert [found.layout.parts[i].name for i in found.layout.places.placed] == ["dear"]
    assert fault_of(found.layout, [cloth]) < EXACT_MM2


def test_the_most_valuable_not_the_densest() -> None:
    """Of two that exclude each other the dearer is laid, though the other is worth more for its area."""
    dense, dear = part(box(0, 0, 60, 60), "dense", 5.0), part(box(0, 0, 90, 90), "dear", 10.0)
    found = lay_most([dense, dear], [box(0, 0, 100, 100)], 20)
    assert [found.layout.parts[i].name for i in found.layout.places.placed] == ["dear"]


def test_two_that_are_worth_more_than_the_one_that_bars_them() -> None:
    """A square worth 5 is both the dearest and the densest in value; beside it neither of two halves worth 4 fits."""
    square = part(box(0, 0, 70, 69), "square", 5.0)
    halves = [part(box(0, 0, 48, 98), f"half {k}", 4.0) for k in (1, 2)]
    found = lay_most([square, *halves], [box(0, 0, 101, 101)], 80)
    assert [found.layout.parts[i].name for i in found.layout.places.placed] == ["half 1", "half 2"]


def test_far_too_many_pieces() -> None:
    """Twenty times the cloth's area: it is filled nonetheless, and ended at once there is something."""
    kinds = [part(box(0, 0, 40 + k, 30), turns=(0.0,)) for k in range(6)]
    some = [replace(kind, name=f"{k}") for kind in kinds for k in range(30)]
    cloth = box(0, 0, 200, 63)
    found = lay_most(some, [cloth], 16)
    assert len(found.layout.places.placed) >= 8  # two rows of four
    assert fault_of(found.layout, [cloth]) < EXACT_MM2
    ended = lay_most(some, [cloth], 10**6, lambda share: False)
    assert ended.stopped
    assert 1 <= len(ended.layout.places.placed) <= len(found.layout.places.placed)
    assert fault_of(ended.layout, [cloth]) < EXACT_MM2


def test_a_piece_without_any_place_does_not_stop_the_others() -> None:
    found = lay_most([part(box(0, 0, 500, 500), "huge"), part(box(0, 0, 50, 50), "small")], [CLOTH], 20)
    assert [found.layout.parts[i].name for i in found.layout.places.placed] == ["small"]


def test_the_watcher_ends_the_search() -> None:
    shares: list[float] = []

    def watch(share: float) -> bool:
        shares.append(share)
        return len(shares) < 3

    parts = [part(box(0, 0, 60, 60), str(k)) for k in range(2)]
    found = lay_most(parts, [box(0, 0, 100, 100)], 1000, watch)
    assert found.stopped
    assert len(shares) == 3
    assert len(found.layout.places.placed) == 1


def test_depth_maps_agree_with_overlap() -> None:
    """Depth 0 exactly where shapely sees no overlap; elsewhere about the way out."""
    a, b = (
        make_stance(Polygon([(0, 0), (80, 0), (80, 30), (30, 30), (30, 70), (0, 70)]), 0.0),
        make_stance(box(0, 0, 30, 20), 0.0),
    )
    maps = Maps(Regions([CLOTH]), 2.0)
    depth = maps.pair(b, a).depth_px
    rows, columns = depth.shape
    for row, column in np.random.default_rng(0).integers(0, [rows, columns], (200, 2)):
        offset = (np.array([column, row]) - np.array([columns, rows]) // 2) * 2.0
        overlap = b.laid(offset).intersection(a.exact).area
        assert (depth[row, column] > 0.0) == (overlap > 1e-6)


def test_strip_of_tiles_is_full() -> None:
    """Twelve 50 x 40 tiles on cloth 100 mm wide: six rows of two, 240 mm; nothing shorter exists (area)."""
    tiles = [part(box(0, 0, 50, 40), str(k)) for k in range(12)]
    found = pack_strip(tiles, 100.01, 400)
    assert found is not None
    assert 240.0 * 100.0 / 100.01 <= found.length_mm < 242.0
    assert fault_of(found.layout, [box(-0.001, 0, 100.011, found.length_mm)]) < EXACT_MM2


def test_strip_of_triangles_interlocks() -> None:
    """Right triangles pair to rectangles: 8 of 100 x 50 on 100 mm need 200 mm; side by side without turning 400."""
    found = pack_strip([part(Polygon([(0, 0), (100, 0), (0, 50)]), str(k)) for k in range(8)], 100.02, 600)
    assert found is not None
    assert 199.9 < found.length_mm < 203.0


def test_strip_too_narrow() -> None:
    assert pack_strip([part(box(0, 0, 120, 10))], 100.0, 10) is None


@pytest.mark.parametrize("shift", [0.1, 0.35, 0.6, 0.85])
def test_a_place_between_the_grid_is_found(shift: float) -> None:
    """On a coarse grid a piece that fits to 0.1 mm is found wherever it lies between the grid's places."""
    cloth = box(0, 0, 1000.1 + shift, 1500.05).difference(box(0, 0, 1000, 900))
    found = lay_most([part(box(0, 0, 1000.0 + shift, 600.0), turns=(0.0,))], [cloth], 20)
    assert found.layout.complete


def test_as_many_as_fit() -> None:
    """Nine 50 mm squares on a 151 x 101 mm cloth: six, and never fewer."""
    found = lay_most([part(box(0, 0, 50, 50), str(k)) for k in range(9)], [box(0, 0, 151, 101)], 160)
    assert len(found.layout.places.placed) == 6


def test_distances_are_the_same_wherever_they_lie_in_memory() -> None:
    """Equal to the last bit to those of scipy, whose squares are exact; OpenCV's own differ in one of a few places."""
    blocked = np.random.default_rng(0).random((61, 83)) < 0.97
    exact = ndimage.distance_transform_edt(blocked).astype(np.float32)
    kept = []
    for size in range(1, 400, 7):
        kept.append(np.empty(size))
        assert np.array_equal(distance_px(blocked), exact)
