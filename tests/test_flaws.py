"""Flaws are proposed on cloth with a texture of its own, and no print, stripe or plaid is taken for one."""

import cv2
import numpy as np
import pytest

from flatmeasure.cloth.flaws import FlawZone
from tests.benchmarks.flaws import OUTLINE, PATTERNED, PLAIN, find_flaws, shot


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
