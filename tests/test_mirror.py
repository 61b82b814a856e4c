"""Folds and pairs against pieces drawn symmetric, and drawn unlike by known amounts."""

from dataclasses import replace

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Polygon

from flatmeasure.pieces.mirror import best_fold, compare
from flatmeasure.pieces.panel import OutlineError, Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from tests.panels import ERROR, darted, gore, rectangle


def moved(
    outline: np.ndarray, angle_deg: float, by: tuple[float, float] = (140.0, -60.0), flip: bool = False
) -> np.ndarray:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    turned = np.array(outline) @ np.array([[c, s], [-s, c]]) + by
    return turned * [-1.0, 1.0] if flip else turned


def vest(bulge_mm: float = 0.0, angle_deg: float = 0.0, error: OutlineError = ERROR) -> Panel:
    """Symmetric about its middle line; one side's corner may stick out."""
    right = [[0.0, 0.0], [210.0, -15.0], [190.0, 260.0], [130.0, 420.0], [60.0, 430.0], [0.0, 360.0]]
    left = [[-x, y] for x, y in right[1:-1]][::-1]
    left[-1][0] -= bulge_mm
    return panel_from_outline("A", moved(np.array(right + left), angle_deg), error=error)


@pytest.mark.parametrize("angle", [0.0, 33.0, 118.0])
def test_axis_of_a_symmetric_piece(angle: float) -> None:
    fold = best_fold(vest(angle_deg=angle))
    assert (fold.angle_deg - angle - 90.0 + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=1e-3)
    assert fold.deviation.value < 1e-3
    assert fold.half.area.value == pytest.approx(vest().area.value / 2.0, rel=1e-4)
    assert "fold" in [edge.id for edge in fold.half.edges]
    assert fold.half.edge("fold").length.value == pytest.approx(360.0, rel=1e-4)


def test_what_is_left_when_one_side_sticks_out() -> None:
    """A corner 12 mm too far out leaves between half of it and all of it, and is found there."""
    panel = vest(12.0, 33.0)
    fold = best_fold(panel)
    assert 5.0 < fold.deviation.value < 12.0
    corners = moved(np.array([[-222.0, -15.0], [210.0, -15.0]]), 33.0)
    assert min(np.hypot(*(fold.where_mm - corner)) for corner in corners) < 20.0


def test_deviation_against_its_uncertainty() -> None:
    """With point noise alone, 95 of 100 deviations at a given place lie within 2 u; the greatest of many within 4 u."""
    rng = np.random.default_rng(3)
    for _ in range(10):
        panel = vest(0.0, 20.0, OutlineError(point_mm=0.3))
        noisy = replace(panel, outline_mm=panel.outline_mm + rng.normal(0.0, 0.3, panel.outline_mm.shape))
        fold = best_fold(noisy)
        assert fold.deviation.value < 4.0 * fold.deviation.u


def test_unlike_halves() -> None:
    assert best_fold(gore()).deviation.value > 10.0


def test_left_against_right() -> None:
    """The same bodice turned over, moved and turned: nothing is left; not turned over, much is."""
    left = darted()
    right = panel_from_outline("B", moved(left.outline_mm, 200.0, flip=True), error=ERROR)
    assert compare(left, right, mirrored=True).deviation.value < 1e-3
    assert compare(left, right, mirrored=False).deviation.value > 5.0


def test_where_and_by_how_much() -> None:
    """The right one's centre front, A9, was cut 6 mm short: it differs there, and only there."""
    left = darted()
    outline = left.outline_mm.copy()
    outline[outline[:, 0] < 1e-9, 0] = 6.0
    right = panel_from_outline("B", moved(outline, 75.0, flip=True), error=ERROR)
    found = compare(left, right, mirrored=True)
    by_edge = {edge.id: edge for edge in found.edges}
    assert by_edge["A9"].mean.value == pytest.approx(6.0, abs=0.6)  # the fit shares a little among the edges
    assert all(abs(by_edge[name].mean.value) < 1.0 for name in ("A1", "A5", "A6", "A7"))
    assert found.area.value == pytest.approx(left.area.value - right.area.value)
    assert Polygon(found.laid_mm).area == pytest.approx(right.area.value)
    assert Polygon(found.laid_mm).intersection(left.polygon).area > 0.97 * right.area.value


def test_larger_all_round() -> None:
    """A copy 3 mm smaller all round: the first is larger by 3 mm on every edge."""
    small = affinity.rotate(Polygon(rectangle(600.0, 400.0).outline_mm).buffer(-3.0, join_style="mitre"), 50.0)
    found = compare(
        rectangle(600.0, 400.0), panel_from_outline("B", np.array(small.exterior.coords[:-1])), mirrored=False
    )
    assert [edge.mean.value for edge in found.edges] == pytest.approx([3.0] * 4, abs=0.1)  # corners are 3 sqrt 2 away
