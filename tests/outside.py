"""Published figures and the same figures from this project: one list for the test and for the page of docs.

Each entry names its source. "memory" marks a value not read but remembered; "computed" one that follows from the
source's inputs by its stated rule; "practice" common practice of the trade.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import cv2
import numpy as np
from scipy.special import ellipe

from flatmeasure.edges.fitting import fit_outline
from flatmeasure.photos.camera import Camera, Pose, project
from flatmeasure.pieces.allowance import apply_allowance
from flatmeasure.pieces.panel import Grain, OutlineError, Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.strips import Direction, Ends, StripPlan, place_strips
from flatmeasure.polygons import polygon_area
from flatmeasure.quantity import root_sum_squares
from flatmeasure.units import MM_PER_INCH
from flatmeasure.view.bundle import CameraPrior
from flatmeasure.view.line_tracing import TracedLine
from flatmeasure.view.straight_lines import lens_from_lines

EXACT = OutlineError(0.0, 0.0, 0.0)
BOARDS = Path(__file__).parents[2] / "shared" / "data" / "boards"


@dataclass(frozen=True)
class Check:
    """One published figure.

    Attributes
    ----------
    quantity, source : str
    unit : str
    published : float
    ours : callable
        Works the figure out with this project's code.
    within : float
        Half a unit of the last printed digit, or the spread that the source itself states.
    known : str
        ``"read"``, ``"computed"``, ``"memory"`` or ``"practice"``.
    data : Path, optional
        Data that the check needs and the repository does not hold.
    """

    quantity: str
    source: str
    unit: str
    published: float
    ours: Callable[[], float]
    within: float
    known: str = "read"
    data: Path | None = None


def area_of(points: list[tuple[float, float]]) -> float:
    return abs(float(polygon_area(np.array(points, dtype=float))))


def circle(radius: float, count: int = 3600) -> np.ndarray:
    angle = 2 * np.pi * np.arange(count) / count
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


def rounded(width: float, height: float, radius: float) -> np.ndarray:
    """A card with round corners, counter-clockwise."""
    quarter = np.linspace(0, np.pi / 2, 200)
    arc = radius * np.column_stack([np.cos(quarter), np.sin(quarter)])
    half = np.array([width, height]) / 2 - radius
    turned = [arc, arc[:, ::-1] * [-1, 1], -arc, arc[:, ::-1] * [1, -1]]
    signs = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    return np.concatenate([half * sign + part for sign, part in zip(signs, turned, strict=True)])


def rectangle(width: float, height: float, grain: Grain | None = None) -> Panel:
    panel = panel_from_outline("A", [[0, 0], [width, 0], [width, height], [0, height]], error=EXACT)
    return panel if grain is None else Panel(**{**vars(panel), "grain": grain})


def ring_area(outer: float, inner: float) -> float:
    return panel_from_outline("A", circle(outer), corners=[0], holes_mm=[circle(inner)], error=EXACT).area.value


def bias_estimate_in(side_in: float, strip_in: float) -> float:
    """Inches of bias strip in a square: area over width."""
    cloth = rectangle(side_in * MM_PER_INCH, side_in * MM_PER_INCH, Grain(90.0, 0.0, "given", 1.0))
    plan = StripPlan(strip_in * MM_PER_INCH, Direction.BIAS, Ends.SLANTED, MM_PER_INCH / 4)
    return place_strips(cloth, plan).estimate.value / MM_PER_INCH


def cut_side_in(finished_in: float, allowance_in: float) -> float:
    side = finished_in * MM_PER_INCH
    return apply_allowance(rectangle(side, side), -allowance_in * MM_PER_INCH).edges[0].new_length.value / MM_PER_INCH


def fitted_perimeter(points: np.ndarray) -> float:
    """Perimeter as the measuring code fits it to an outline."""
    ring = np.vstack([points, points[:1]])
    places = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    even = np.arange(0.3, places[-1], 1.1)
    outline = np.column_stack([np.interp(even, places, ring[:, k]) for k in (0, 1)])
    edges = fit_outline(outline, np.full(len(outline), 0.1), np.zeros(len(outline), dtype=bool)).edges
    return sum(edge.length_mm for edge in edges)


def ellipse_perimeter() -> float:
    return 4 * 300.0 * float(ellipe(1 - (180.0 / 300.0) ** 2))


def farthest_from_opencv() -> float:
    """Greatest distance, px, between this camera model's projection of 500 points and OpenCV's."""
    rng = np.random.default_rng(3)
    points = np.column_stack([rng.uniform(-600, 600, (500, 2)), rng.uniform(0, 5, 500)])
    turn = cv2.Rodrigues(np.array([np.pi - 0.2, 0.05, 0.1]))[0]
    camera, pose = Camera(3100.0, (2010.0, 1490.0), (-0.11, 0.04)), Pose(turn, np.array([20.0, -40.0, 1500.0]))
    matrix = np.array([[3100.0, 0, 2010.0], [0, 3100.0, 1490.0], [0, 0, 1]])
    seen, _ = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], pose.translation_mm, matrix, np.array([-0.11, 0.04, 0, 0])
    )
    return float(np.max(np.linalg.norm(seen[:, 0] - project(points, camera, pose), axis=1)))


@cache
def zhang_fit() -> tuple[float, float, float, float, float, float]:
    """Focal length, centre, k1, k2 and rms per point of the lens fitted to Z. Zhang's five views."""
    from tests.test_lens import BROAD, CENTRE, START, fit_lens, zhang_views  # that file has the reader of the data

    fit = fit_lens(zhang_views(BOARDS / "zhang1998"), START, BROAD)
    centre = fit.mean[1:3] + CENTRE
    rms = float(np.sqrt(2.0 * np.mean(np.square(fit.residual_px))))
    return float(np.exp(fit.mean[0])), float(centre[0]), float(centre[1]), float(fit.mean[3]), float(fit.mean[4]), rms


def zhang(index: int) -> float:
    return zhang_fit()[index]


@cache
def lens_of_zhang_s_rows() -> CameraPrior:
    """The lens that the rows and columns of corners of Z. Zhang's five photos show by being straight."""
    from tests.test_lens import zhang_corners

    lines = []
    for photo in zhang_corners(BOARDS / "zhang1998"):
        corners = photo.reshape(8, 8, 4, 2)  # of each square from the upper left on
        rows = [corners[i][:, list(pair)].reshape(-1, 2) for i in range(8) for pair in ((0, 1), (3, 2))]
        columns = [corners[:, j][:, list(pair)].reshape(-1, 2) for j in range(8) for pair in ((0, 3), (1, 2))]
        lines += [TracedLine(line, 0.3) for line in (*rows, *columns)]
    mean = np.array([np.log(832.5), 303.959, 206.585, 0.0, 0.0])
    return lens_from_lines(CameraPrior(mean, np.diag(np.square([0.001, 0.5, 0.5, 0.3, 0.3]))), lines)


def by_rows(index: int) -> float:
    return float(lens_of_zhang_s_rows().mean[index])


GUM = "JCGM 100:2008 (GUM), H.1.4"
ZHANG = 'Z. Zhang, "A flexible new technique for camera calibration", 2000: result published with the data'
CIRCLE_SKIRT = "Circle skirt, waist 72 cm, length 60 cm: radius = waist / 2 pi"
ALLOWANCE = 'Page "Seam allowance sizes by project type"'
zhang_check = partial(Check, source=ZHANG, data=BOARDS / "zhang1998")

CHECKS = (
    Check(
        "area of a polygon of five points",
        'Rosetta Code, "Shoelace formula for polygonal area"',
        "",
        30.0,
        lambda: area_of([(3, 4), (5, 11), (12, 8), (9, 5), (5, 6)]),
        1e-9,
    ),
    Check(
        "area of a quadrilateral",
        'Art of Problem Solving wiki, "Shoelace Theorem"',
        "",
        2.5,
        lambda: area_of([(2, 1), (2, 3), (1, 2), (0, 0)]),
        1e-9,
    ),
    Check(
        "area of a sheet of A4",
        "ISO 216:2007",
        "mm²",
        62370.0,
        lambda: area_of([(0, 0), (210, 0), (210, 297), (0, 297)]),
        1e-6,
    ),
    Check(
        "area of an ID-1 card with its round corners",
        "ISO/IEC 7810, 85.60 x 53.98 mm, radius 3.18 mm",
        "mm²",
        4612.0,
        lambda: panel_from_outline("A", rounded(85.60, 53.98, 3.18), corners=[0], error=EXACT).area.value,
        0.05,
        "computed",
    ),
    Check(
        "combined standard uncertainty of an end gauge",
        GUM,
        "nm",
        31.71,
        lambda: root_sum_squares(25.0, 9.7, 2.9, 16.7),
        0.05,
    ),
    Check(
        "u of the sum of four unit normals",
        "JCGM 101:2008, 9.2",
        "",
        2.0,
        lambda: root_sum_squares(1.0, 1.0, 1.0, 1.0),
        1e-9,
    ),
    Check(
        "u of a room's area, 3.955 ± 0.005 by 3.050 ± 0.005 m",
        "OpenStax College Physics 1.27",
        "m²",
        0.025,
        lambda: root_sum_squares(3.955 * 0.005, 3.050 * 0.005),
        5e-4,
        "computed",
    ),
    Check(
        "perimeter of an ellipse with half axes 300 and 180, as fitted to its outline",
        "NIST Digital Library of Mathematical Functions, 19.30.5",
        "mm",
        ellipse_perimeter(),
        lambda: fitted_perimeter(circle(1.0, 20000) * [300.0, 180.0]),
        0.05,
        "computed",
    ),
    Check(
        "projection of 500 points, greatest distance from OpenCV's projectPoints",
        "OpenCV, calib module, projectPoints",
        "px",
        0.0,
        farthest_from_opencv,
        1e-6,
        "computed",
    ),
    zhang_check(quantity="focal length", unit="px", published=832.5, ours=partial(zhang, 0), within=0.5),
    zhang_check(quantity="principal point, x", unit="px", published=303.959, ours=partial(zhang, 1), within=0.5),
    zhang_check(quantity="principal point, y", unit="px", published=206.585, ours=partial(zhang, 2), within=0.5),
    zhang_check(quantity="radial term k1", unit="", published=-0.228601, ours=partial(zhang, 3), within=0.002),
    zhang_check(quantity="radial term k2", unit="", published=0.190353, ours=partial(zhang, 4), within=0.002),
    zhang_check(
        quantity="k1 by straight rows alone", unit="", published=-0.228601, ours=partial(by_rows, 3), within=0.01
    ),
    zhang_check(
        quantity="k2 by straight rows alone", unit="", published=0.190353, ours=partial(by_rows, 4), within=0.05
    ),
    zhang_check(
        quantity="rms residual of a point",
        unit="px",
        published=0.335,
        ours=partial(zhang, 5),
        within=0.003,
        known="memory",
    ),
    Check(
        "cut side of a 20 in panel with 5/8 in allowance",
        ALLOWANCE,
        "in",
        21.25,
        lambda: cut_side_in(20.0, 5 / 8),
        1e-6,
    ),
    Check(
        "cut side of a 6 in block with 1/4 in allowance", ALLOWANCE, "in", 6.5, lambda: cut_side_in(6.0, 1 / 4), 1e-6
    ),
    Check(
        "cloth of a circle skirt",
        CIRCLE_SKIRT,
        "cm²",
        15630.0,
        lambda: ring_area(10 * (72 / (2 * np.pi) + 60), 10 * 72 / (2 * np.pi)) / 100,
        5.0,
        "computed",
    ),
    Check(
        "2 in bias strip from a 20 in square", "mydecozo.co.uk", "in", 200.0, lambda: bias_estimate_in(20.0, 2.0), 0.5
    ),
    Check(
        "2 in bias strip from a square of √500 in",
        "mydecozo.co.uk",
        "in",
        250.0,
        lambda: bias_estimate_in(22.36, 2.0),
        0.5,
    ),
    Check(
        "3.5 in bias strip from an 18.71 in square",
        "quiltersquestiontime.com",
        "in",
        100.0,
        lambda: bias_estimate_in(18.71, 3.5),
        0.5,
    ),
    Check("2 in bias strip from a 12 in square", "sewaquilt.com", "in", 72.0, lambda: bias_estimate_in(12.0, 2.0), 0.5),
    Check(
        "3 in bias strip from a 22 in square, its seam taken off",
        "victoryautony.com",
        "in",
        157.7,
        lambda: bias_estimate_in(21.75, 3.0),
        0.5,
    ),
)
