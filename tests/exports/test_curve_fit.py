"""Few smooth pieces along many points: within tolerance, smooth between kinks, kinks exact."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from numpy.typing import NDArray
from shapely.geometry import LineString

from flatmeasure.exports.curve_fit import ARCS_TO_CUBICS, CUBICS_TO_POINTS, Arc, Cubic, Piece, fit_arcs, fit_cubics
from flatmeasure.pieces.panel import Panel, line_length
from tests.exports.shapes import smooth_panels
from tests.panels import circle

LINE_MM = CUBICS_TO_POINTS.line_mm + ARCS_TO_CUBICS.line_mm + 1e-3  # the check looks at 129 places along a piece
LENGTH_MM = CUBICS_TO_POINTS.length_mm + ARCS_TO_CUBICS.length_mm + 1e-3

Line = NDArray[np.float64]


def arc(radius: float, degrees: float, step_mm: float = 0.5) -> Line:
    count = int(radius * np.radians(degrees) / step_mm) + 1
    angle = np.radians(np.linspace(0.0, degrees, count))
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


def dense(piece: Piece) -> Line:
    """(1001, 2) points along a piece, by de Casteljau and by the circle's angle: not the fitter's own formulas."""
    t = np.linspace(0.0, 1.0, 1001)[:, None]
    if isinstance(piece, Cubic):
        points = [np.broadcast_to(at, (1001, 2)) for at in piece.control_mm]
        while len(points) > 1:
            points = [(1.0 - t) * a + t * b for a, b in pairwise(points)]
        return np.asarray(points[0])
    if piece.bulge == 0.0:
        return np.asarray(piece.start + t * (piece.end - piece.start))
    angle = 4.0 * np.arctan(piece.bulge)
    a, b = complex(*piece.start), complex(*piece.end)
    centre = (a * np.exp(1j * angle) - b) / (np.exp(1j * angle) - 1.0)
    turned = centre + (a - centre) * np.exp(1j * angle * t[:, 0])
    return np.column_stack([turned.real, turned.imag])


def drawn(pieces: tuple[Piece, ...]) -> Line:
    return np.concatenate([dense(piece) for piece in pieces])


def off(line: Line, pieces: tuple[Piece, ...]) -> float:
    """Hausdorff distance of the points' line and what is drawn, both ways."""
    return float(LineString(line).hausdorff_distance(LineString(drawn(pieces))))


def ends_turn_deg(before: Piece, after: Piece) -> float:
    """By how much the direction jumps where two pieces meet."""
    a, b = np.diff(dense(before)[-2:], axis=0)[0], np.diff(dense(after)[:2], axis=0)[0]
    return float(np.degrees(abs(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b))))


def test_quarter_circle_is_one_cubic() -> None:
    """Its handles are 4/3 tan(pi/8) = 0.5523 of the radius (textbooks), a little less for the best."""
    pieces = fit_cubics(arc(30.0, 90.0, 0.1))
    assert len(pieces) == 1
    assert isinstance(pieces[0], Cubic)
    handles = np.linalg.norm(np.diff(pieces[0].control_mm, axis=0)[[0, 2]], axis=1) / 30.0
    assert np.all((handles > 0.550) & (handles < 0.5535))


def test_arcs_of_a_circle_have_its_radius() -> None:
    pieces = fit_arcs(np.vstack([circle(80.0), circle(80.0)[:1]]))
    assert len(pieces) <= 8
    for piece in pieces:
        radius = np.hypot(*(piece.end - piece.start)) * (1.0 + piece.bulge**2) / (4.0 * abs(piece.bulge))
        assert radius == pytest.approx(80.0, abs=0.01)
    assert sum(4.0 * np.arctan(piece.bulge) for piece in pieces) == pytest.approx(2.0 * np.pi, abs=1e-3)


@settings(max_examples=8, deadline=None)
@given(smooth_panels())
def test_within_tolerance_smooth_and_few(panel: Panel) -> None:
    for edge in panel.edges:
        line = panel.edge_points(edge)
        for fit, most in ((fit_cubics, 16), (fit_arcs, 80)):
            pieces = fit(line)
            assert off(line, pieces) <= LINE_MM
            assert abs(line_length(drawn(pieces)) - line_length(line)) <= LENGTH_MM
            assert len(pieces) <= most
            turns = [ends_turn_deg(a, b) for a, b in pairwise(pieces)]
            assert max(turns, default=0.0) < 0.5
            assert dense(pieces[0])[0] == pytest.approx(line[0], abs=1e-9)
            assert dense(pieces[-1])[-1] == pytest.approx(line[-1], abs=1e-9)


@pytest.mark.parametrize("fit", [fit_cubics, fit_arcs])
def test_measured_curves_leave_as_few(fit: object, measured_panels: list[Panel]) -> None:
    share = {fit_cubics: 6, fit_arcs: 2}[fit]  # type: ignore[index]
    for panel in measured_panels:
        for edge in panel.edges:
            line = panel.edge_points(edge)
            pieces = fit(line)  # type: ignore[operator]
            assert off(line, pieces) <= LINE_MM
            assert len(pieces) <= max(len(line) // share, 1)


def test_kinks_stay() -> None:
    """Two arcs that meet at an angle: the meeting is an end of pieces, exactly."""
    first = arc(60.0, 70.0)
    second = first[-1] + np.array([-1.0, 1.0]) * arc(40.0, 80.0) - np.array([-40.0, 0.0])
    line = np.vstack([first, second[1:]])
    for fit in (fit_cubics, fit_arcs):
        ends = np.array([dense(piece)[-1] for piece in fit(line)])
        assert np.min(np.linalg.norm(ends - first[-1], axis=1)) < 1e-9
        assert len(ends) <= 14


def test_coarse_polygons_stay_polygons() -> None:
    """Twelve corners are no circle: every one stays."""
    line = np.vstack([circle(100.0, 12), circle(100.0, 12)[:1]])
    pieces = fit_cubics(line)
    assert len(pieces) == 12
    assert all(isinstance(piece, Arc) and piece.bulge == 0.0 for piece in pieces)


def test_noise_is_followed_not_smoothed_away() -> None:
    rng = np.random.default_rng(3)
    line = arc(100.0, 90.0, 2.0) + rng.normal(0.0, 0.3, (79, 2))
    assert off(line, fit_cubics(line)) <= LINE_MM


def test_arc_chords() -> None:
    """A chord of angle w leaves its arc by r (1 - cos w/2): the sagitta."""
    half = Arc(np.array([50.0, 0.0]), np.array([-50.0, 0.0]), 1.0)
    chords = half.chords(0.1)
    middles = (chords[:-1] + chords[1:]) / 2.0
    sagitta = 50.0 - np.linalg.norm(middles, axis=1)
    assert np.max(sagitta) <= 0.1
    assert np.max(sagitta) > 0.08
    assert np.min(chords[:, 1]) > -1e-9  # a positive bulge runs to the left
