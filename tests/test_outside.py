"""The geometry and its uncertainty against answers from outside the project; single figures stand in ``outside``."""

import json
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import Polygon

from flatmeasure.photos.camera import Camera, Pose, project, to_plane
from flatmeasure.polygons import polygon_area
from flatmeasure.synthetic.rendering import PAPER, encode_jpeg, render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Mat, Scene, View, scene_camera, see
from flatmeasure.view.bundle import solve
from flatmeasure.view.rectification import rectify, rectify_references
from tests.setups import Situation, simulate

SIZE = (1500, 1100)


def test_polygon_area_against_shapely() -> None:
    rng = np.random.default_rng(5)
    for count in (3, 5, 40):
        angle = np.sort(rng.uniform(0, 2 * np.pi, count))
        points = 1e4 + rng.uniform(50, 300, count)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        assert polygon_area(points) == pytest.approx(_signed(points), rel=1e-9)


def _signed(points: np.ndarray) -> float:
    ring = Polygon(points)
    return ring.area if ring.exterior.is_ccw else -ring.area


@pytest.mark.parametrize("sides", [3, 4, 6, 360])
def test_polygon_area_against_closed_forms(sides: int) -> None:
    """A regular polygon in a circle of radius R: n R^2 sin(2 pi / n) / 2; towards pi R^2 (handbook formula)."""
    angle = 0.3 + 2 * np.pi * np.arange(sides) / sides
    area = float(polygon_area(np.column_stack([40 + 250 * np.cos(angle), 250 * np.sin(angle) - 7])))
    assert area == pytest.approx(sides * 250**2 * np.sin(2 * np.pi / sides) / 2, rel=1e-12)
    if sides == 360:
        assert area == pytest.approx(np.pi * 250**2, rel=1e-4)


@pytest.mark.parametrize("name", ["gore_navy", "bodice_linen", "holed_plaid", "sleeve_floral"])
def test_project_against_an_independent_renderer(name: str, test_images: Path) -> None:
    """The path tracer's own projection of the squares' corners; their paper is 0.1 mm thick."""
    truth = json.loads((test_images / f"{name}.json").read_text())
    lens, rotation = truth["camera"], np.array(truth["camera"]["R"])
    camera = Camera(lens["f"], (lens["cx"], lens["cy"]), (lens["k1"], lens["k2"]))
    pose = Pose(rotation, -rotation @ np.array(lens["C"]))
    assert pose.centre_mm[2] == pytest.approx(lens["height_mm"], abs=1e-6)
    assert pose.tilt_deg == pytest.approx(lens["tilt_deg"], abs=1e-6)
    for reference in truth["references"]:
        corners = np.column_stack([reference["corners_mm"], np.full(4, 0.1)])
        np.testing.assert_allclose(project(corners, camera, pose), reference["corners_px"], atol=0.001)


@pytest.mark.parametrize("squares", [1, 3])
def test_first_order_against_monte_carlo(squares: int) -> None:
    """JCGM 101:2008, 5.9 and 8: the solution's distribution drawn 4000 times and carried through the camera model."""
    rng = np.random.default_rng(squares)
    setup = simulate(Situation(squares=squares, tilt_deg=20.0), rng)
    view = rectify_references(setup.references, setup.prior)
    ordered = sorted(setup.references, key=lambda r: -abs(float(polygon_area(r.corners_px))))
    solution = solve(ordered, setup.prior)
    draws = rng.multivariate_normal(solution.unknowns, solution.covariance, 4000, method="cholesky")
    seen = np.stack([to_plane(setup.panel_px, *solution.camera_and_pose(draw)) for draw in draws])
    area, length = view.area(setup.panel_px), view.distance(*setup.panel_px[:2], u_px=0.0)
    assert area.u == pytest.approx(np.std(polygon_area(seen)), rel=0.05)
    assert length.u == pytest.approx(np.std(np.linalg.norm(seen[:, 1] - seen[:, 0], axis=1)), rel=0.05)


@pytest.mark.parametrize("squares", [1, 2, 4])
def test_stated_u_is_the_error_made(squares: int) -> None:
    """Rms of area error over u in 60 set-ups: 1 expected, 0.77 to 1.24 in 99 % of such samples (chi square)."""
    ratios = []
    for index in range(60):
        setup = simulate(Situation(squares=squares), np.random.default_rng([squares, index]))
        area = rectify_references(setup.references, setup.prior).area(setup.panel_px)
        ratios.append((area.value - 420_000.0) / area.u)
    assert 0.77 < np.sqrt(np.mean(np.square(ratios))) < 1.24


def test_u_grows_away_from_the_reference_and_falls_with_more() -> None:
    """Criminisi, Reid, Zisserman, "A plane measuring device", 1999, section 6: what the covariance must show."""
    u_mm = {}
    for squares in (1, 2, 4):
        setup = simulate(Situation(squares=squares), np.random.default_rng(8))
        view = rectify_references(setup.references, setup.prior)
        near, far = (view.to_picture(np.array([[x, 0.0], [x + 100.0, 0.0]])) for x in _places(view))
        u_mm[squares] = (view.distance(*near).u, view.distance(*far).u)
    assert u_mm[1][1] > 2 * u_mm[1][0]
    assert u_mm[1][1] > u_mm[2][1] > 0.9 * u_mm[4][1]


def _places(view) -> tuple[float, float]:
    """X of two 100 mm lengths: on the first reference, and 600 mm away from it toward the panel."""
    at = float(view.references[0].corners_mm[:, 0].mean())
    middle = float(view.to_mat(np.array([[2000.0, 1500.0]]))[0, 0])
    return at - 50.0, at - 50.0 + 600.0 * np.sign(middle - at)


def rounded(width: float, height: float, radius: float) -> np.ndarray:
    """Outline of a card with round corners, counter-clockwise."""
    quarter = np.linspace(0, np.pi / 2, 16)
    arcs = [
        np.array([sx, sy]) * (np.array([width, height]) / 2 - radius)
        + radius * np.column_stack([np.cos(quarter + turn), np.sin(quarter + turn)])
        for (sx, sy), turn in (((1, 1), 0), ((-1, 1), np.pi / 2), ((-1, -1), np.pi), ((1, -1), 1.5 * np.pi))
    ]
    return np.concatenate(arcs)


@pytest.mark.parametrize("turn_deg", [0.0, 33.0])
def test_a4_sheet_as_reference(turn_deg: float) -> None:
    """ISO 216:2007: 210 x 297 mm. Known lengths elsewhere on the mat come out within 2u, and u is below 1 %."""
    camera, pose = scene_camera(SIZE, View(1200, 10, turn_deg=turn_deg))
    sheet = LaidReference("light", (210, 297), (-250, 40), 8)
    view = Scene(camera, pose, SIZE, (sheet,), mat=Mat(colour=(60, 70, 68)))
    found = rectify(encode_jpeg(render_photo(view), focal_35mm=26), rectangle_mm=(210, 297))
    _check_lengths(found, view, 0.01)
    assert found.area(found.references[0].reference.corners_px).value == pytest.approx(62370, rel=0.005)


def test_id1_card_as_reference() -> None:
    """ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, corner radius 3.18 mm: the sides must be used, not the corners."""
    camera, pose = scene_camera(SIZE, View(700, 8, turn_deg=10))
    card = LaidCloth(rounded(85.60, 53.98, 3.18) + np.array([-120.0, 30.0]), colour=PAPER)
    view = Scene(camera, pose, SIZE, cloths=(card,), mat=Mat(colour=(60, 70, 68)))
    found = rectify(encode_jpeg(render_photo(view), focal_35mm=26), rectangle_mm=(85.60, 53.98))
    _check_lengths(found, view, 0.02)


def _check_lengths(found, view: Scene, share: float) -> None:
    """Two lengths of 200 mm, along and across, beside the reference: within 2.5u, u below a share of them."""
    for ends in ([[50.0, 20.0], [250.0, 20.0]], [[150.0, -80.0], [150.0, 120.0]]):
        length = found.distance(*see(np.array(ends), view), u_px=0.0)
        assert abs(length.value - 200.0) < 2.5 * length.u
        assert length.u < share * 200.0
