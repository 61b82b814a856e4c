"""Flaws are proposed on cloth with a texture of its own, and no print, stripe or plaid is taken for one."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely import Point, Polygon, contains, points

from flatmeasure.cloth.flaws import FlawZone, find_flaws
from flatmeasure.photos.photo import load_photo
from flatmeasure.pipeline import measure
from tests.benchmarks.flaws import AT_EDGE, DECOYS, OUTLINE, PATTERNED, PLAIN, outline_of, shot

PICTURES = Path(__file__).parents[1] / "test_images"
LARGE = 5  # a seed that gives a large blob


def proposed(zones: tuple[FlawZone, ...], at: np.ndarray) -> list[FlawZone]:
    """Those that hold a point."""
    return [z for z in zones if cv2.pointPolygonTest(z.outline_px.astype(np.float32), at.tolist(), False) >= 0]


@pytest.mark.parametrize(("cloth", "kind"), [("rose", "stain"), ("white", "stain"), ("rose", "hole"), ("teal", "worn")])
def test_a_flaw_is_proposed(cloth: str, kind: str) -> None:
    photo, at = shot(PLAIN[cloth], kind, 11)
    zones = find_flaws(photo, OUTLINE)
    (zone,) = proposed(zones, at)
    assert zone.kind == kind
    assert 0.3 <= zone.confidence <= 1.0
    x, y = zone.outline_px.T
    assert np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) < 0  # turns as a piece's outline
    assert len(zones) == 1


@pytest.mark.parametrize("cloth", ["plaid", "print", "stripes"])
def test_a_pattern_is_no_flaw(cloth: str) -> None:
    photo, _ = shot(PATTERNED[cloth], None, 11)
    assert find_flaws(photo, OUTLINE) == ()


def test_plain_cloth_has_none() -> None:
    photo, _ = shot(PLAIN["beige"], None, 11)
    assert find_flaws(photo, OUTLINE) == ()


@pytest.mark.parametrize(
    ("cloth", "place"),
    [*(("rose", place) for place in AT_EDGE), ("plaid", "across the edge"), ("plaid", "beside the edge")],
)
def test_a_stain_at_the_edge_is_proposed(cloth: str, place: str) -> None:
    photo, at = shot((PLAIN | PATTERNED)[cloth], "stain", LARGE, AT_EDGE[place])
    (zone,) = find_flaws(photo, OUTLINE)
    assert zone.kind == "stain"
    assert Polygon(zone.outline_px).distance(Point(at)) < 6.0


def test_a_hole_beside_the_edge_is_proposed() -> None:
    photo, at = shot(PLAIN["rose"], "hole", LARGE, AT_EDGE["beside the edge"])
    (zone,) = find_flaws(photo, OUTLINE)
    assert zone.kind == "hole"
    assert proposed((zone,), at)


@pytest.mark.parametrize("kind", DECOYS)
@pytest.mark.parametrize("cloth", ["rose", "beige"])
def test_seams_darts_and_shade_are_no_flaws(cloth: str, kind: str) -> None:
    photo, _ = shot(PLAIN[cloth], kind, 11)
    assert find_flaws(photo, outline_of(kind)) == ()


@pytest.mark.parametrize("cloth", ["print", "plaid"])
def test_a_motif_at_the_edge_is_no_flaw(cloth: str) -> None:
    """The same cloth cut along other lines, so that other motifs lie at the edge."""
    photo, _ = shot(PATTERNED[cloth], None, 11)
    for inset in (10.0, 23.0, 41.0):
        assert find_flaws(photo, np.asarray(Polygon(OUTLINE).buffer(-inset, join_style="mitre").exterior.coords)) == ()


@pytest.mark.parametrize(("corner", "aside_px"), [(2, (0, 0)), (2, (-14, 0)), (5, (0, 0)), (None, (0, 0))])
def test_a_stain_across_the_outline_is_told_and_bites_nothing_off(
    corner: int | None, aside_px: tuple[int, int]
) -> None:
    """On linen with a dart, on the dart's tip, beside it, on a corner and half over a side: 25 mm of another colour."""
    truth = json.loads((PICTURES / "bodice_linen.json").read_text(encoding="utf-8"))["pieces"][0]
    corners = np.array(truth["corners_px"])
    at = (corners[8] + corners[0]) / 2.0 if corner is None else corners[corner] + aside_px
    photo = load_photo(PICTURES / "bodice_linen.jpg")
    cloth = np.zeros(photo.rgb.shape[:2], np.uint8)
    cv2.fillPoly(cloth, [np.rint(truth["outline_px"]).astype(np.int32)], 255)
    stain = cv2.circle(np.zeros_like(cloth), np.rint(at).astype(int).tolist(), 25, 255, -1) & cloth
    share = 0.75 * cv2.GaussianBlur(stain.astype(np.float32) / 255.0, (0, 0), 1.2)[..., None]
    stained = np.rint(photo.rgb * (1.0 - share) + share * np.array([60, 45, 30], np.float32)).astype(np.uint8)
    (piece,) = measure(replace(photo, rgb=stained), thickness_mm=truth["thickness_mm"], square_mm=80.0).pieces
    assert abs(piece.area.value / truth["area_mm2"] - 1.0) < 0.003
    (flaw,) = piece.flaws
    assert flaw.kind == "stain"
    zone = np.zeros_like(cloth)
    cv2.fillPoly(zone, [np.rint(flaw.outline_px).astype(np.int32)], 255)
    assert ((zone & stain) > 0).sum() > 0.7 * ((zone | stain) > 0).sum()
    beside = contains(Polygon(flaw.outline_px), points(piece.traced.outline.points_px))
    assert beside.any()
    assert piece.traced.outline.weak[beside].all()
