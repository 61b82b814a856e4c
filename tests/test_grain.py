"""The grain: by an edge, by an angle, and seen in textures drawn at known angles; and when it is not to be seen."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from flatmeasure.pieces.grain import grain_from_edge, grain_sizes, see_grain
from flatmeasure.pieces.panel import Grain, OutlineError
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.picture_map import Texture
from tests.panels import ERROR, circle, gore, rectangle

MM_PER_PX = 0.4


def drawn(kind: str, angle_deg: float, period_mm: float, seed: int = 1) -> Texture:
    """Cloth of 256 x 320 mm whose lines run at an angle, counter-clockwise from the mat's x axis; noise of 4 levels."""
    shape = (640, 800)
    row, column = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    along, across = (column * c - row * s) * MM_PER_PX, (column * s + row * c) * MM_PER_PX
    band, other = (across / period_mm) % 1.0 < 0.4, (along / period_mm) % 1.0 < 0.4
    wave = np.sin(2.0 * np.pi * across / period_mm)
    cloth = {
        "stripes": 40.0 * band,
        "soft stripes": 6.0 * wave,
        "checks": 20.0 * band + 20.0 * other,
        "weave": 4.0 * wave + 4.0 * np.sin(2.0 * np.pi * along / period_mm),
        "twill": 6.0 * wave,
        "plain": np.zeros(shape),
    }[kind]
    noise = np.random.default_rng(seed).normal(0.0, 4.0, shape)
    grey = cv2.GaussianBlur((120.0 + cloth + noise).astype(np.float32), (0, 0), 0.7)
    return Texture(grey, np.ones(shape, bool), MM_PER_PX)


@pytest.mark.parametrize("angle", [0.0, 33.3, 101.7])
@pytest.mark.parametrize(("kind", "period"), [("stripes", 12.0), ("stripes", 40.0), ("soft stripes", 20.0)])
def test_stripes_run_along_the_grain(kind: str, angle: float, period: float) -> None:
    grain = see_grain(drawn(kind, angle, period), gore())
    assert grain is not None
    assert (grain.angle_deg - angle + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=2.0 * grain.u_deg)
    assert grain.source.startswith("stripes")
    assert grain.confidence > 0.9


@pytest.mark.parametrize("angle", [0.0, 11.4, 62.8])
@pytest.mark.parametrize(("kind", "period"), [("checks", 25.0), ("weave", 1.6)])
def test_two_directions_are_told_but_not_which(kind: str, angle: float, period: float) -> None:
    """Of the two the one is given along which the piece is longer, and it says so."""
    grain = see_grain(drawn(kind, angle, period), gore())
    assert grain is not None
    assert (grain.angle_deg - angle + 45.0) % 90.0 - 45.0 == pytest.approx(0.0, abs=2.0 * grain.u_deg)
    assert "may be the other" in grain.source
    assert abs((grain.angle_deg - 90.0 + 90.0) % 180.0 - 90.0) < 60.0  # a gore is higher than wide


@pytest.mark.parametrize(("kind", "angle", "period"), [("plain", 0.0, 1.0), ("twill", 60.0, 1.6)])
def test_unknown_is_an_answer(kind: str, angle: float, period: float) -> None:
    assert see_grain(drawn(kind, angle, period), gore()) is None


def test_too_small_to_see() -> None:
    texture = drawn("stripes", 20.0, 12.0)
    inside = np.zeros_like(texture.inside)
    inside[300:400, 300:500] = True
    assert see_grain(replace(texture, inside=inside), gore()) is None


def test_one_drawn_line_is_no_grain() -> None:
    """A seam across plain cloth is strong in the few windows it crosses, no more."""
    texture = drawn("plain", 0.0, 1.0)
    grey = texture.grey.copy()
    cv2.line(grey, (0, 100), (799, 160), 40.0, 3)
    assert see_grain(replace(texture, grey=grey), gore()) is None


def test_along_an_edge() -> None:
    grain = grain_from_edge(gore(), "A2")
    assert grain.angle_deg == pytest.approx(np.degrees(np.arctan2(590.0, -105.0)))
    assert grain.u_deg == pytest.approx(np.degrees(np.sqrt(2.0) * ERROR.point_mm / np.hypot(590.0, 105.0)))
    assert grain_from_edge(gore(), "A2", 45.0).angle_deg == pytest.approx(grain.angle_deg + 45.0)


def test_sizes_along_and_across() -> None:
    """600 x 400 with the grain at 30 degrees: extents 600 cos + 400 sin and 600 sin + 400 cos."""
    panel = replace(rectangle(600.0, 400.0), grain=Grain(30.0, 0.5, "given"))
    c, s = np.cos(np.radians(30.0)), np.sin(np.radians(30.0))
    along, across = grain_sizes(panel)
    assert along.value == pytest.approx(600.0 * c + 400.0 * s)
    assert across.value == pytest.approx(600.0 * s + 400.0 * c)
    slope = np.radians(0.5) * abs(-600.0 * s + 400.0 * c)
    exact = replace(rectangle(600.0, 400.0, OutlineError()), grain=Grain(30.0, 0.5, "given"))
    assert grain_sizes(exact)[0].u == pytest.approx(slope, rel=1e-3)
    assert along.u > slope


def test_sizes_without_grain_failure() -> None:
    with pytest.raises(ValueError, match="not known"):
        grain_sizes(gore())


def test_closed_edge_failure() -> None:
    with pytest.raises(ValueError, match="no direction"):
        grain_from_edge(panel_from_outline("A", circle(100.0), corners=[0]), "A1")
