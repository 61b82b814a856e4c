"""Chord, depth and radii of edges against circles and ellipses."""

import numpy as np
import pytest

from flatmeasure.pieces.edge_shapes import EdgeShape, describe_edges
from flatmeasure.pieces.panel import OutlineError
from flatmeasure.pieces.panel_file import panel_from_outline
from tests.panels import ERROR, circle, gore


def arched(rise_of: np.ndarray, error: OutlineError = ERROR) -> EdgeShape:
    """The lower edge of a 400 x 300 piece, displaced by a rise at 201 even places."""
    bottom = np.column_stack([np.linspace(0.0, 400.0, 201), rise_of])
    return describe_edges(
        panel_from_outline("A", [*bottom, [400.0, 300.0], [0.0, 300.0]], corners=[0, 200, 201, 202], error=error)
    )[0]


def arc(radius: float) -> np.ndarray:
    """Rise of a circle over a chord of 400."""
    x = np.linspace(-200.0, 200.0, 201)
    return np.sqrt(radius**2 - x**2) - np.sqrt(radius**2 - 200.0**2)


@pytest.mark.parametrize("radius", [250.0, 400.0, 900.0])
def test_arc_closed_form(radius: float) -> None:
    """Arc over a chord of 400: length 2 r asin(200 / r), depth r - sqrt(r^2 - 200^2), one radius everywhere."""
    shape = arched(arc(radius))
    assert shape.chord.value == pytest.approx(400.0)
    assert shape.length.value == pytest.approx(2 * radius * np.arcsin(200.0 / radius), rel=1e-4)
    assert shape.depth.value == pytest.approx(radius - np.sqrt(radius**2 - 200.0**2), rel=1e-6)
    assert shape.radius_min is not None
    assert shape.radius_max is not None
    assert shape.radius_min.value == pytest.approx(radius, rel=2e-3)
    assert shape.radius_max.value == pytest.approx(radius, rel=2e-3)


def test_side_it_bends_to() -> None:
    assert arched(arc(400.0)).bends == "inward"
    assert arched(-arc(400.0)).bends == "outward"
    assert arched(20.0 * np.sin(np.linspace(0.0, 2 * np.pi, 201))).bends == "both ways"


def test_ellipse_radii() -> None:
    """Half axes 200 and 80: radii b^2/a = 32 at the ends, a^2/b = 500 in the middle; read over 124 mm, so softened."""
    x = np.linspace(-200.0, 200.0, 201)
    shape = arched(80.0 * np.sqrt(1.0 - (x / 200.0) ** 2))
    assert shape.radius_min is not None
    assert shape.radius_max is not None
    assert 32.0 < shape.radius_min.value < 110.0
    assert shape.radius_max.value == pytest.approx(500.0, rel=0.05)


def test_s_curve_has_no_widest_radius() -> None:
    assert arched(20.0 * np.sin(np.linspace(0.0, 2 * np.pi, 201))).radius_max is None


def test_straight_edge_has_no_radius() -> None:
    side = describe_edges(gore())[1]
    assert (side.kind, side.bends, side.radius_min, side.radius_max) == ("straight", "straight", None, None)
    assert side.depth.value < 1e-9
    assert side.chord.value == pytest.approx(side.length.value)


def test_closed_edge() -> None:
    shape = describe_edges(panel_from_outline("A", circle(100.0), corners=[0], error=ERROR))[0]
    assert shape.chord.value == 0.0
    assert shape.depth.value == pytest.approx(200.0)
    assert shape.radius_min is not None
    assert shape.radius_min.value == pytest.approx(100.0, rel=1e-3)


def test_stated_radius_uncertainty() -> None:
    """Noise of its own u on the points scatters the depth as stated, and radii fall within 3 of theirs."""
    rng = np.random.default_rng(5)
    depths, hits = [], []
    for _ in range(200):
        noise = rng.normal(0.0, ERROR.point_mm, 201)
        shape = arched(arc(400.0) + noise, OutlineError(point_mm=ERROR.point_mm))
        depths.append(shape.depth.value)
        assert shape.radius_min is not None
        hits.append(abs(shape.radius_min.value - 400.0) < 3.0 * shape.radius_min.u)
    assert np.std(depths) < 1.2 * arched(arc(400.0), OutlineError(point_mm=ERROR.point_mm)).depth.u
    assert np.mean(hits) > 0.9
