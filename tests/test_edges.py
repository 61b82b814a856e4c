"""Corners and edges of outlines whose lengths are known in closed form, clean and noisy.

Outside checks: perimeter of a circle, regular polygon, stadium and rounded rectangle by their textbook formulas;
of an ellipse by the complete elliptic integral (scipy.special.ellipe; NIST Digital Library of Mathematical Functions,
19.30.5); length of a parabola's arc by its antiderivative (from memory, checked there by quadrature).
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ellipe

from flatmeasure.edges.fitting import FittedOutline, fit_outline

STEP_MM = 1.1


def walk(*parts: np.ndarray) -> np.ndarray:
    """Closed outline through densely given parts, in even steps."""
    ring = np.vstack([*parts, parts[0][:1]])
    places = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    even = np.arange(0.3, places[-1], STEP_MM)
    return np.column_stack([np.interp(even, places, ring[:, k]) for k in (0, 1)])


def polygon(corners: list[tuple[float, float]]) -> np.ndarray:
    return walk(np.array(corners, dtype=float))


def arc(centre: tuple[float, float], radius: float, start_deg: float, end_deg: float) -> np.ndarray:
    angle = np.radians(np.linspace(start_deg, end_deg, 4001))
    return np.array(centre) + radius * np.column_stack([np.cos(angle), np.sin(angle)])


def regular(count: int, radius: float) -> list[tuple[float, float]]:
    angle = 2 * np.pi * np.arange(count) / count + 0.2
    return list(zip(radius * np.cos(angle), radius * np.sin(angle), strict=True))


def noisy(points: np.ndarray, seed: int, white: float = 0.1, correlated: float = 0.08) -> np.ndarray:
    """Noise across the outline, part of it shared by neighbours over some 10 mm."""
    rng = np.random.default_rng(seed)
    ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    across = np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.linalg.norm(ahead, axis=1, keepdims=True)
    kernel = np.exp(-0.5 * (np.arange(-20, 21) * STEP_MM / 7.0) ** 2)
    smooth = np.convolve(
        np.pad(rng.normal(size=len(points)), 20, mode="wrap"), kernel / np.linalg.norm(kernel), "valid"
    )
    return points + across * (white * rng.normal(size=len(points)) + correlated * smooth)[:, None]


def fitted(points: np.ndarray, u_mm: float = 0.13) -> FittedOutline:
    return fit_outline(points, np.full(len(points), u_mm), np.zeros(len(points), dtype=bool))


def perimeter(outline: FittedOutline) -> float:
    return sum(edge.length_mm for edge in outline.edges)


def farthest(found: np.ndarray, true: np.ndarray) -> float:
    """Greatest distance from a true corner to the nearest found."""
    return float(np.linalg.norm(np.asarray(true)[:, None] - found[None], axis=2).min(axis=1).max())


BODICE = [(0, 0), (95, 3), (103, 128), (122, 0), (231, 6), (240, 205), (170, 388), (63, 401), (-4, 290)]
SCRAP = [(0, 0), (174, 0), (330, 35), (420, 160), (300, 260), (180, 245), (60, 300)]
STRIP = [(0, 0), (640, 0), (655, 9), (640, 18), (0, 18)]


@pytest.mark.parametrize("count", [3, 5, 8, 12])
def test_regular_polygon(count: int) -> None:
    outline = fitted(polygon(regular(count, 200.0)))
    assert len(outline.edges) == count
    assert perimeter(outline) == pytest.approx(2 * count * 200.0 * np.sin(np.pi / count), rel=2e-4)
    assert outline.angles_deg == pytest.approx(np.full(count, 180.0 - 360.0 / count), abs=0.1)
    assert {edge.kind for edge in outline.edges} == {"straight"}


@pytest.mark.parametrize("radius", [25.0, 130.0, 400.0])
@pytest.mark.parametrize("seed", [None, 1])
def test_circle_has_one_closed_edge(radius: float, seed: int | None) -> None:
    points = walk(arc((40.0, -10.0), radius, 0.0, 360.0)[:-1])
    outline = fitted(points if seed is None else noisy(points, seed))
    assert len(outline.edges) == 1
    edge = outline.edges[0]
    assert edge.kind == "curve"
    error = edge.length_mm - 2 * np.pi * radius
    assert abs(error) < (2e-4 * 2 * np.pi * radius if seed is None else 4 * edge.u_length_mm)
    assert np.array_equal(edge.points_mm[0], edge.points_mm[-1])
    assert outline.corners_mm[0, 0] == pytest.approx(40.0 + radius, abs=0.3)  # the edge starts farthest right


def test_ellipse() -> None:
    angle = np.linspace(0.0, 2 * np.pi, 20001)[:-1]
    outline = fitted(walk(np.column_stack([220.0 * np.cos(angle), 130.0 * np.sin(angle)])))
    assert len(outline.edges) == 1
    assert perimeter(outline) == pytest.approx(4 * 220.0 * ellipe(1 - (130.0 / 220.0) ** 2), rel=2e-4)


@pytest.mark.parametrize("seed", [None, 2, 3])
def test_stadium(seed: int | None) -> None:
    points = walk(arc((150.0, 0.0), 60.0, -90.0, 90.0), arc((-90.0, 0.0), 60.0, 90.0, 270.0))
    outline = fitted(points if seed is None else noisy(points, seed))
    assert sorted(edge.kind for edge in outline.edges) == ["curve", "curve", "straight", "straight"]
    assert farthest(outline.corners_mm, [(-90, -60), (150, -60), (150, 60), (-90, 60)]) < (0.5 if seed is None else 3.0)
    assert perimeter(outline) == pytest.approx(2 * 240.0 + 2 * np.pi * 60.0, rel=2e-4 if seed is None else 5e-4)


@pytest.mark.parametrize("seed", [None, 4])
def test_rectangle_with_two_rounded_corners(seed: int | None) -> None:
    points = walk(
        np.array([[0.0, 0.0], [400.0, 0.0]]),
        arc((350.0, 200.0), 50.0, 0.0, 90.0),
        arc((40.0, 210.0), 40.0, 90.0, 180.0),
    )
    outline = fitted(points if seed is None else noisy(points, seed))
    true = [(0, 0), (400, 0), (400, 200), (350, 250), (40, 250), (0, 210)]
    assert len(outline.corners_mm) == 6
    assert farthest(outline.corners_mm, true) < (0.5 if seed is None else 3.0)
    arcs = sorted(edge.length_mm for edge in outline.edges if edge.kind == "curve")
    assert arcs == pytest.approx([20.0 * np.pi, 25.0 * np.pi], abs=1.0 if seed is None else 4.0)
    exact = 400.0 + 200.0 + 25.0 * np.pi + 310.0 + 20.0 * np.pi + 210.0
    assert perimeter(outline) == pytest.approx(exact, rel=2e-4 if seed is None else 5e-4)


def test_parabolic_hem_is_one_curve() -> None:
    x = np.linspace(0.0, 500.0, 5001)
    hem = np.column_stack([x, 30.0 * ((x / 250.0 - 1.0) ** 2 - 1.0)])
    outline = fitted(noisy(walk(hem, np.array([[400.0, 380.0], [120.0, 380.0]])), 5))
    exact = quad(lambda s: np.hypot(1.0, 30.0 * 2.0 * (s / 250.0 - 1.0) / 250.0), 0.0, 500.0)[0]
    assert [edge.kind for edge in outline.edges].count("curve") == 1
    edge = next(edge for edge in outline.edges if edge.kind == "curve")
    assert edge.length_mm == pytest.approx(exact, abs=4 * edge.u_length_mm)
    assert edge.chord_mm == pytest.approx(500.0, abs=1.0)


@pytest.mark.parametrize("shape", [BODICE, SCRAP, STRIP], ids=["bodice with dart", "blunt joints", "strip"])
@pytest.mark.parametrize("seed", range(4))
def test_corners_of_noisy_polygons(shape: list[tuple[float, float]], seed: int) -> None:
    outline = fitted(noisy(polygon(shape), seed))
    true = np.array(shape, dtype=float)
    assert len(outline.corners_mm) == len(true)
    assert farthest(outline.corners_mm, true) < 2.0
    exact = np.linalg.norm(np.roll(true, -1, axis=0) - true, axis=1)
    first = int(np.argmin(np.linalg.norm(true - outline.corners_mm[0], axis=1)))
    for edge, length in zip(outline.edges, np.roll(exact, -first), strict=True):
        assert edge.kind == "straight"
        assert edge.length_mm == pytest.approx(length, abs=4.5 * edge.u_length_mm)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("width", [5.0, 9.0])
def test_narrow_strip_with_round_ends_keeps_its_area(width: float, seed: int) -> None:
    """Its two long sides, were they the only edges, would enclose nothing."""
    radius = width / 2.0
    strip = walk(arc((200.0, 0.0), radius, -90, 90), arc((0.0, 0.0), radius, 90, 270))[::3]
    points = strip + np.random.default_rng(seed).normal(0.0, 0.4, strip.shape)
    outline = fitted(points, 0.4)
    x, y = outline.outline_mm.T
    area = 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))
    assert area == pytest.approx(200.0 * width + np.pi * radius**2, rel=0.1)


@pytest.mark.parametrize("seed", range(3))
def test_narrow_pointed_end(seed: int) -> None:
    """Three corners within 25 mm, and edges of 13 mm: a long window alone sees one half turn."""
    shape = [(0, 0), (400, 0), (409, 9), (400, 18), (0, 18)]
    outline = fitted(noisy(polygon(shape), 40 + seed))
    assert len(outline.corners_mm) == 5
    assert farthest(outline.corners_mm, np.array(shape, dtype=float)) < 1.5


def test_drop_has_one_corner() -> None:
    tip, radius = 180.0, 60.0
    touch = np.degrees(np.arccos(radius / tip))
    points = walk(np.array([[tip, 0.0]]), arc((0.0, 0.0), radius, touch, 360.0 - touch))
    outline = fitted(noisy(points, 7))
    sharp = np.flatnonzero(outline.angles_deg < 120)
    assert len(sharp) == 1
    assert outline.corners_mm[sharp[0]] == pytest.approx([tip, 0.0], abs=0.8)
    exact = 2 * np.sqrt(tip**2 - radius**2) + np.radians(360.0 - 2 * touch) * radius
    assert perimeter(outline) == pytest.approx(exact, rel=1e-3)


def test_smooth_bends_are_no_corners() -> None:
    """A sleeve cap: concave, convex, concave; and an outlier such as a grid line leaves."""
    x = np.linspace(200.0, -200.0, 4001)
    cap = np.column_stack([x, 150.0 + 45.0 * (1.0 + np.cos(np.pi * x / 200.0))])
    points = noisy(walk(np.array([[-150.0, 0.0], [150.0, 0.0]]), cap), 6)
    points[100:103] += (0.0, 1.5)
    outline = fitted(points)
    assert len(outline.corners_mm) == 4
    assert sorted(edge.kind for edge in outline.edges) == ["curve", "straight", "straight", "straight"]


def test_rounding_by_blur_moves_no_corner() -> None:
    points = polygon([(0, 0), (300, 0), (340, 220), (0, 180)])
    kernel = np.exp(-0.5 * (np.arange(-5, 6) * STEP_MM / 0.9) ** 2)
    blurred = np.column_stack(
        [np.convolve(np.pad(c, 5, mode="wrap"), kernel / kernel.sum(), "valid") for c in points.T]
    )
    outline = fitted(blurred)
    assert farthest(outline.corners_mm, [(0, 0), (300, 0), (340, 220), (0, 180)]) < 0.05


@pytest.mark.parametrize("seed", range(3))
def test_measures_do_not_depend_on_place_turn_or_start(seed: int) -> None:
    points = noisy(polygon(BODICE), seed)
    angle = 1.0 + seed
    turned = points @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) + (1000.0, -300.0)
    mirrored = (points * (-1.0, 1.0))[::-1]
    plain = sorted(edge.length_mm for edge in fitted(points).edges)
    for other in (turned, mirrored, np.roll(points, 321, axis=0)):
        assert sorted(edge.length_mm for edge in fitted(other).edges) == pytest.approx(plain, abs=0.05)


def test_stated_uncertainty_of_lengths() -> None:
    """Over seeded noise the errors in units of their stated u have a spread near 1: none is claimed too well."""
    true = np.array(SCRAP, dtype=float)
    exact = np.linalg.norm(np.roll(true, -1, axis=0) - true, axis=1)
    z = []
    for seed in range(12):
        outline = fitted(noisy(polygon(SCRAP), 100 + seed))
        first = int(np.argmin(np.linalg.norm(true - outline.corners_mm[0], axis=1)))
        lengths = np.roll(exact, -first)
        z += [(edge.length_mm - length) / edge.u_length_mm for edge, length in zip(outline.edges, lengths, strict=True)]
    assert np.mean(np.abs(z) < 2) > 0.88
    assert np.sqrt(np.mean(np.square(z))) > 0.4


def test_stated_uncertainty_of_angles_where_curves_end() -> None:
    """A gore's hem and waist meet its sides in angles known by formula; noise is drawn many times (JCGM 101:2008).

    A parabola of depth d over a chord c leaves it at the angle whose tangent is 4 d / c.
    """
    corners, depths = np.array([(0, 0), (400, 0), (300, 500), (100, 500)], dtype=float), {0: 25.0, 2: -6.0}
    points = walk(*[edge[:-1] for edge in gore_edges(corners, depths)])
    side = np.degrees(np.arctan2(500.0, 100.0))
    hem, waist = (np.degrees(np.arctan(4 * depth / chord)) for depth, chord in ((25.0, 400.0), (-6.0, 200.0)))
    exact = np.array([side + hem, side + hem, 180.0 - side + waist, 180.0 - side + waist])
    errors, stated = [], []
    for seed in range(40):
        outline = fitted(noisy(points, seed))
        order = np.linalg.norm(corners[:, None] - outline.corners_mm[None], axis=2).argmin(axis=1)
        errors.append(outline.angles_deg[order] - exact)
        stated.append(outline.u_angles_deg[order])
    z = np.array(errors) / np.array(stated)
    assert np.sqrt(np.mean(np.square(errors))) < 0.45
    assert 0.6 < np.sqrt(np.mean(z**2)) < 1.4
    assert np.mean(np.abs(z) < 2) > 0.85


def gore_edges(corners: np.ndarray, depths: dict[int, float]) -> list[np.ndarray]:
    """Sides of a polygon, some of them parabolas that bend outward by a depth."""
    t = np.linspace(0.0, 1.0, 2001)[:, None]
    edges = []
    for i, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        out = np.array([b[1] - a[1], a[0] - b[0]]) / np.linalg.norm(b - a)
        edges.append(a + t * (b - a) + 4 * t * (1 - t) * depths.get(i, 0.0) * out)
    return edges


def test_shorter_lines_are_less_certain() -> None:
    outline = fitted(polygon([(0, 0), (500, 0), (500, 40), (0, 300)]))
    short = int(np.argmin([edge.length_mm for edge in outline.edges]))
    far = [i for i in range(4) if i not in (short, (short + 1) % 4)]
    assert outline.u_angles_deg[short] > 3 * max(outline.u_angles_deg[far])


def test_outline_is_the_edges_joined() -> None:
    outline = fitted(noisy(polygon(BODICE), 9))
    for i, edge in enumerate(outline.edges):
        assert np.array_equal(edge.points_mm[0], outline.corners_mm[i])
        assert np.array_equal(edge.points_mm[-1], outline.corners_mm[(i + 1) % len(outline.edges)])
    x, y = outline.outline_mm.T
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    bx, by = np.array(BODICE, dtype=float).T
    assert area == pytest.approx(0.5 * float(np.sum(bx * np.roll(by, -1) - by * np.roll(bx, -1))), rel=1e-3)


SQUARE = polygon([(0, 0), (90, 0), (90, 60), (0, 60)])


@pytest.mark.parametrize(
    ("points", "message"),
    [
        (SQUARE[:12], "N >= 20"),
        (SQUARE[:, 0], "N >= 20"),
        (np.where(np.arange(len(SQUARE))[:, None] == 7, np.nan, SQUARE), "finite"),
        (SQUARE[::-1], "counter-clockwise"),
    ],
)
def test_fit_outline_failure(points: np.ndarray, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        fit_outline(points, np.full(len(points), 0.1), np.zeros(len(points), dtype=bool))


def test_fit_outline_failure_lengths() -> None:
    with pytest.raises(ValueError, match="one value per point"):
        fit_outline(SQUARE, np.full(3, 0.1), np.zeros(len(SQUARE), dtype=bool))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("step_mm", [1.5, 4.0])
def test_ragged_and_coarse_outlines_are_still_fitted(seed: int, step_mm: float) -> None:
    """A torn rim, its corners nearly running into each other, also in a small picture's coarse steps."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    radius = 150 + rng.uniform(-10, 10, 120)
    ring = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    ring = np.vstack([ring, ring[:1]])
    places = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    even = np.arange(0, places[-1] - 0.5 * step_mm, step_mm)
    points = np.column_stack([np.interp(even, places, ring[:, k]) for k in (0, 1)])
    fit = fit_outline(points, np.full(len(points), 0.05), np.zeros(len(points), dtype=bool))
    assert len(fit.edges) == len(fit.corners_mm)
    for edge, corner in zip(fit.edges, fit.corners_mm, strict=True):
        np.testing.assert_allclose(edge.points_mm[0], corner)
        assert np.isfinite(edge.length_mm)
