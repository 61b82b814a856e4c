"""Splines, lines and curves fitted to points, and how their scatter is judged.

Outside checks: basis functions against scipy.interpolate.BSpline; a line against its errors-in-one-variable
covariance (N. R. Draper and H. Smith, "Applied Regression Analysis", section 1.4: var(slope) = s^2 / Sxx);
autocorrelation a^k of a first-order autoregressive series (from memory).
"""

import numpy as np
import pytest
from scipy.interpolate import BSpline

from flatmeasure.edges.curves import fit_curve, fit_edge, fit_line, followed
from flatmeasure.edges.noise import USUAL_CORRELATION_MM, USUAL_WORTH_MM, calibrated, correlation_mm
from flatmeasure.edges.splines import Basis


@pytest.mark.parametrize(("degree", "pieces"), [(1, 1), (3, 1), (3, 7)])
@pytest.mark.parametrize("derivative", [0, 1])
def test_basis_agrees_with_scipy(degree: int, pieces: int, derivative: int) -> None:
    basis = Basis(-3.0, 2.5, pieces, degree)
    knots = -3.0 + 2.5 * np.arange(-degree, pieces + degree + 1)
    t = np.linspace(-3.0, -3.0 + basis.span - 1e-9, 37)
    expected = BSpline(knots, np.eye(basis.count), degree)(t, derivative)
    np.testing.assert_allclose(basis.rows(t, derivative), expected, atol=1e-12)


def test_closed_basis_goes_round() -> None:
    basis = Basis(0.0, 1.5, 6, closed=True)
    t = np.array([0.0, 0.7, 4.4])
    np.testing.assert_allclose(basis.rows(t), basis.rows(t + basis.span), atol=1e-12)
    np.testing.assert_allclose(basis.rows(t).sum(axis=1), 1.0)


@pytest.mark.parametrize("basis", [Basis(1.0, 2.0, 5), Basis(0.0, 2.0, 5, closed=True), Basis(0.0, 9.0, 1, degree=1)])
def test_one_point_agrees_with_many(basis: Basis) -> None:
    coefficients = np.random.default_rng(1).normal(size=(basis.count, 2))
    t = np.array([-0.4, 1.3, 7.9, 11.5])
    for at in t:
        point, speed = basis.point_and_speed(coefficients, float(at))
        np.testing.assert_allclose(point, (basis.rows(np.array([at])) @ coefficients)[0], atol=1e-12)
        np.testing.assert_allclose(speed, (basis.rows(np.array([at]), 1) @ coefficients)[0], atol=1e-12)


def test_line_has_the_textbook_covariance() -> None:
    x = np.linspace(0.0, 200.0, 101)
    line = fit_line(np.column_stack([x, 0.3 * np.cos(x)]), np.full(len(x), 0.25))
    middle = float(line.t.mean())
    weight = float(line.weights.sum())
    assert line.u_across(middle) == pytest.approx(0.25 / np.sqrt(weight), rel=0.02)
    slope = 0.25 / np.sqrt(np.sum(line.weights * (line.t - middle) ** 2))
    assert line.u_direction_deg(middle) == pytest.approx(np.degrees(slope), rel=0.02)


def test_outliers_do_not_bend_a_line_but_its_shape_does() -> None:
    x = np.arange(0.0, 200.0, 1.3)
    flat = np.column_stack([x, np.zeros_like(x)])
    u = np.full(len(x), 0.1)
    bumped = flat.copy()
    bumped[60:64, 1] = 1.8
    assert fit_edge(bumped, u).is_line
    assert np.max(np.abs(fit_edge(bumped, u).at(np.array([0.0, 199.0]))[:, 1])) < 0.02
    bowed = np.column_stack([x, 2.0 * np.sin(np.pi * x / 200.0)])
    assert not fit_edge(bowed, u).is_line
    barely = np.column_stack([x, 0.4 * np.sin(np.pi * x / 200.0)])
    assert fit_edge(barely, u).is_line  # no cutter sees 0.4 mm


def test_followed_curve_is_nearer_to_a_sudden_bend() -> None:
    """A straight line passing into an arc of 60 mm: its end's direction is what smoothing falsifies first."""
    rng = np.random.default_rng(2)
    angle = np.linspace(0.0, 1.2, 60)
    arc = np.column_stack([120.0 + 60.0 * np.sin(angle), 60.0 * (1.0 - np.cos(angle))])
    points = np.vstack([np.column_stack([np.arange(0.0, 119.0, 1.2), np.zeros(100)]), arc])
    points += 0.02 * rng.normal(size=points.shape)
    simple = fit_curve(points, np.full(len(points), 0.02))
    supple = followed(simple, points)
    assert supple.basis.pieces >= simple.basis.pieces
    end = supple.direction(supple.last)
    assert np.arctan2(end[1], end[0]) == pytest.approx(1.2, abs=0.01)
    assert supple.length(supple.first, supple.last) == pytest.approx(120.0 + 72.0, abs=0.1)


@pytest.mark.parametrize("memory", [0.0, 0.6])
def test_scatter_and_correlation_are_read_off_the_residuals(memory: float) -> None:
    rng = np.random.default_rng(3)
    edges = []
    for _ in range(40):
        noise = np.zeros(400)
        for i in range(1, 400):
            noise[i] = memory * noise[i - 1] + 0.1 * np.sqrt(1 - memory**2) * rng.normal()
        edges.append(fit_line(np.column_stack([np.arange(400.0), noise]), np.full(400, 0.05)))
    lags = np.arange(1, 21)  # of 20 mm, with weights that fall off as the estimate's do
    seen_mm, seen = 1 + 2 * np.sum((1 - lags / 21) * memory**lags), sum(edge.span for edge in edges)
    expected = (seen_mm * seen + USUAL_CORRELATION_MM * USUAL_WORTH_MM) / (seen + USUAL_WORTH_MM)
    assert correlation_mm(edges, 1.0) == pytest.approx(expected, rel=0.1)
    grown = calibrated(edges, 1.0)
    ratio = np.mean([np.trace(g.covariance) / np.trace(e.covariance) for g, e in zip(grown, edges, strict=True)])
    assert ratio == pytest.approx(4.0 * expected, rel=0.1)  # twice the stated u, and correlated


@pytest.mark.parametrize("weak", ["first half", "second half", "every other", "both ends"])
@pytest.mark.parametrize("seed", range(6))
def test_curve_through_points_of_which_half_are_worth_nothing_stays_near_them(weak: str, seed: int) -> None:
    """33 points of an arc, 4 mm apart, known to 0.2 to 1 mm or to 310 mm, with a zig-zag of 5 mm in the middle."""
    angle = np.arange(33) * 4.0 / 150.0
    points = 150.0 * np.column_stack([np.sin(angle), 1.0 - np.cos(angle)])
    points[13:20, 0] += 5.0 * (-1.0) ** np.arange(7)
    u_mm = np.random.default_rng(seed).uniform(0.2, 1.0, 33)
    half = {
        "first half": slice(0, 16),
        "second half": slice(17, 33),
        "every other": slice(0, 33, 2),
        "both ends": [*range(8), *range(25, 33)],
    }[weak]
    u_mm[half] = 310.0
    curve = followed(fit_curve(points, u_mm), points)
    along = curve.at(np.linspace(curve.first, curve.last, 200))
    assert np.max(np.min(np.linalg.norm(along[:, None] - points, axis=2), axis=1)) < 15.0
    assert curve.length(curve.first, curve.last) == pytest.approx(128.0, rel=0.25)
