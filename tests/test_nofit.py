"""No-fit and inner-fit regions against shapely's own overlap, and against closed forms."""

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from flatmeasure.enough.nofit import FreeRegion, free_halfplanes, innerfit_region, nofit_region

U_SHAPE = Polygon([(0, 0), (100, 0), (100, 100), (60, 100), (60, 30), (40, 30), (40, 100), (0, 100)])
L_SHAPE = Polygon([(0, 0), (70, 0), (70, 20), (20, 20), (20, 90), (0, 90)])
RING = box(-80, -80, 80, 80).difference(box(-50, -30, 50, 45))
SMALL_RING = Point(0, 0).buffer(30).difference(box(-12, -12, 12, 12))
CLOTH = Point(0, 0).buffer(300, quad_segs=20).difference(box(60, 60, 110, 140))


def test_rectangles_sum() -> None:
    """Minkowski sum of boxes a x b and c x d: (a + c) x (b + d)."""
    region = nofit_region(box(0, 0, 30, 50), box(-10, -5, 10, 5))
    assert region.area.area == pytest.approx(50 * 60, abs=1e-3)
    assert region.gap(np.array([50.0, 20.0])) == pytest.approx(10.0, abs=1e-4)
    assert region.gap(np.array([15.0, 50.0])) == pytest.approx(-5.0, abs=1e-4)


def test_equal_pieces_overlap_in_the_same_place() -> None:
    """The swept outlines leave slits and holes where one piece lies in the other: those are no free places."""
    house = Polygon([(-62, -87), (-87, -37), (-112, -12), (-87, 12), (-87, 37), (-62, 87), (112, 37), (112, -62)])
    for other in (house, box(-50, -12, 50, 12)):
        assert not nofit_region(house, other).is_free(np.zeros(2))


def test_a_notch_is_a_free_place() -> None:
    tongue = box(-5, -30, 5, 30)
    region = nofit_region(U_SHAPE, tongue)
    assert region.gap(np.array([50.0, 65.0])) == pytest.approx(5.0, abs=1e-4)
    assert not region.is_free(np.array([50.0, 55.0]))
    wide = nofit_region(U_SHAPE, box(-15, -30, 15, 30))
    assert not wide.is_free(np.array([50.0, 65.0]))


def test_a_ring_has_room_inside_for_what_fits() -> None:
    """A closed C: the inside is reached by no path, yet it is a place."""
    c_shape = Polygon(
        [(0, 0), (100, 0), (100, 100), (0, 100), (0, 51), (20, 51), (20, 80), (80, 80), (80, 20), (20, 20)]
    )
    assert nofit_region(c_shape, box(-10, -10, 10, 10)).is_free(np.array([50.0, 50.0]))


@pytest.mark.parametrize(
    ("fixed", "moving"),
    [(U_SHAPE, L_SHAPE), (L_SHAPE, U_SHAPE), (L_SHAPE, L_SHAPE), (RING, SMALL_RING), (SMALL_RING, RING)],
)
def test_nofit_against_overlap(fixed: Polygon, moving: Polygon) -> None:
    region = nofit_region(fixed, moving)
    for x, y in np.random.default_rng(1).uniform(-120, 120, (300, 2)):
        overlap = affinity.translate(moving, x, y).intersection(fixed).area
        assert region.is_free(np.array([x, y])) == (overlap < 1e-6)


def test_a_ring_in_a_ring() -> None:
    """A small ring in a large one's hole 100 x 75 wide: its middle may be in a box of (100 - 60) x (75 - 60)."""
    for fixed, moving in ((RING, SMALL_RING), (SMALL_RING, RING)):
        region = nofit_region(fixed, moving)
        hollows = [Polygon(ring) for ring in region.area.interiors]
        assert [hollow.area for hollow in hollows] == pytest.approx([40.0 * 15.0], rel=1e-3)


@pytest.mark.parametrize("piece", [U_SHAPE, RING])
def test_innerfit_against_containment(piece: Polygon) -> None:
    region = innerfit_region(CLOTH, piece)
    for x, y in np.random.default_rng(2).uniform(-330, 330, (300, 2)):
        outside = affinity.translate(piece, x, y).difference(CLOTH).area
        assert region.is_free(np.array([x, y])) == (outside < 1e-6)


def test_a_reference_may_lie_beside_the_cloth() -> None:
    """An L on cloth like it, 10 mm narrower all round: the middle of its box lies in the open corner of the cloth."""
    cloth = Polygon([(0, 0), (500, 0), (500, 100), (100, 100), (100, 500), (0, 500)])
    region = innerfit_region(cloth, affinity.translate(cloth.buffer(-10, join_style="mitre"), -250, -250))
    assert region.gap(np.array([250.0, 250.0])) == pytest.approx(10.0, abs=1e-4)


def test_a_hole_of_the_piece_round_one_of_the_cloth() -> None:
    """A hole 100 x 75 wide may be shifted by 25 mm to each side round one of 50 x 25, and no farther."""
    cloth = box(-300, -300, 300, 300).difference(box(-25, -5, 25, 20))
    region = innerfit_region(cloth, RING)
    assert region.gap(np.zeros(2)) == pytest.approx(25.0, abs=1e-4)
    assert region.is_free(np.array([24.9, 0.0]))
    assert not region.is_free(np.array([25.1, 0.0]))


def test_innerfit_margin_is_how_much_the_cloth_could_shrink() -> None:
    region = innerfit_region(CLOTH, L_SHAPE)
    place = np.array([-100.0, -50.0])
    margin = region.gap(place)
    laid = affinity.translate(L_SHAPE, *place)
    assert margin == pytest.approx(laid.distance(CLOTH.boundary), abs=1e-3)


def test_innerfit_is_empty_when_too_large() -> None:
    assert innerfit_region(box(0, 0, 50, 50), box(0, 0, 60, 10)).area.is_empty


@pytest.mark.parametrize("start", [(50.0, 65.0), (130.0, 40.0), (120.0, 130.0), (-60.0, 20.0)])
def test_halfplanes_hold_free_places_only(start: tuple[float, float]) -> None:
    region, reach = nofit_region(U_SHAPE, box(-5, -10, 5, 10)), 40.0
    normals, offsets = free_halfplanes(region, np.array(start), reach)
    assert np.all(normals @ start >= offsets - 1e-9)
    tried = start + np.random.default_rng(3).uniform(-reach, reach, (500, 2)) / np.sqrt(2.0)
    inside = tried[np.all(tried @ normals.T >= offsets + 1e-4, axis=1)]
    assert len(inside) > 10
    assert all(region.is_free(point) for point in inside)


def test_halfplanes_lead_out_of_an_overlap() -> None:
    region = FreeRegion(box(0, 0, 100, 100), True)
    normals, offsets = free_halfplanes(region, np.array([95.0, 50.0]), 20.0)
    assert normals == pytest.approx(np.array([[1.0, 0.0]]))
    assert offsets == pytest.approx([100.0])


def test_segments_have_the_free_side_on_their_right() -> None:
    for region in (nofit_region(U_SHAPE, L_SHAPE), innerfit_region(CLOTH, L_SHAPE)):
        along = region.segments[:, 1] - region.segments[:, 0]
        right = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
        beside = region.segments.mean(axis=1) + 1e-3 * right
        assert np.mean([region.is_free(point) for point in beside]) > 0.99
    assert shapely.is_valid(region.area)


def test_halfplanes_from_a_deep_overlap_hold_free_places_only() -> None:
    """Carried out of a deep overlap, the point's surroundings are looked at as far as it may move."""
    region = FreeRegion(box(-30, -100, 0, 100).union(box(12, -100, 40, 100)), True)
    start, reach = np.array([-14.0, 0.0]), 20.0
    normals, offsets = free_halfplanes(region, start, reach)
    tried = start + np.random.default_rng(4).uniform(-reach, reach, (2000, 2)) * [2.0, 1.0]
    inside = tried[np.all(tried @ normals.T >= offsets + 1e-4, axis=1) & (np.hypot(*(tried - start).T) < reach)]
    assert len(inside) > 10
    assert all(region.is_free(point) for point in inside)


@pytest.mark.parametrize("angle_deg", range(0, 360, 30))
def test_halfplanes_from_outside_a_narrow_room(angle_deg: float) -> None:
    """From beyond the tip of a narrow room the way in is between its sides, wherever the point lies."""
    room = FreeRegion(Polygon([(0, 0), (50, 4), (50, -4)]), False)
    start = np.array([0.0, 0.0]) + 15.0 * np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    normals, offsets = free_halfplanes(room, start, 20.0)
    tried = start + np.random.default_rng(5).uniform(-20.0, 20.0, (2000, 2))
    inside = tried[np.all(tried @ normals.T >= offsets + 1e-4, axis=1) & (np.hypot(*(tried - start).T) < 20.0)]
    assert all(room.is_free(point) for point in inside)
