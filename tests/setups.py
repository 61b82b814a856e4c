"""Simulated set-ups of the geometry alone: what located references look like under a known camera, without a picture.

Every unknown is drawn from what ``camera_prior`` and ``bundle`` say of it, so that a stated u can be held against the
error actually made.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from flatmeasure.photos.camera import Camera, Points, Pose
from flatmeasure.references.figures import U_LOG_SIZE, Boundary, Reference, Step, border, code_boundaries
from flatmeasure.synthetic.scene import LaidReference, Scene, View, scene_camera, see
from flatmeasure.view.bundle import LENS_SHARE, U_GROWTH_PX, CameraPrior
from flatmeasure.view.ripple import U_LOG_SCALE, fixed_sizes_px, print_sizes_px

SIZE_PX = (4000, 3000)
PANEL_MM = np.array([[-350.0, -300.0], [350.0, -300.0], [350.0, 300.0], [-350.0, 300.0]])
STEP_SPACING_PX = 3.0  # of the observations along a step
FOCAL_35MM = 26.0
U_LOG_FOCAL, U_CENTRE, U_RADIAL = 0.03, 0.01, (0.02, 0.01)


@dataclass(frozen=True)
class Situation:
    """What a photographer chooses: number, kind and side of the squares, view, and how sharp the picture is."""

    squares: int = 2
    coded: bool = True
    side_mm: float = 100.0
    height_mm: float = 1500.0
    tilt_deg: float = 12.0
    turn_deg: float = 0.0
    noise_px: float = 0.05
    thickness_mm: float = 0.0
    u_log_size: float = U_LOG_SIZE
    ripple: tuple[float, float] | None = None  # scales of shifts, and of turns and bends, of the lines; drawn when None
    u_log_focal: float = U_LOG_FOCAL
    u_centre: float = U_CENTRE
    u_radial: tuple[float, float] = U_RADIAL
    lens_share: float = LENS_SHARE  # by how much the lens turns a line against its radial model
    beside: bool = False  # squares beside the middle of the panel's sides, not off its corners


@dataclass(frozen=True, eq=False)
class Setup:
    """One simulated photo: the truth, and what the program gets to see."""

    camera: Camera
    pose: Pose
    references: tuple[Reference, ...]
    prior: CameraPrior
    panel_mm: Points
    panel_px: Points
    thickness_mm: float


def simulate(situation: Situation, rng: np.random.Generator) -> Setup:
    """Draw camera, lens, print and noise, and observe the squares."""
    u_centre_px = situation.u_centre * SIZE_PX[0]
    u_lens = [situation.u_log_focal, u_centre_px, u_centre_px, *situation.u_radial]
    log_focal, cx, cy, k1, k2 = rng.standard_normal(5) * u_lens
    view = View(
        situation.height_mm,
        situation.tilt_deg,
        situation.turn_deg,
        roll_deg=float(rng.uniform(-10, 10)),
        aim_mm=(float(rng.uniform(-40, 40)), float(rng.uniform(-40, 40))),
        focal_35mm=FOCAL_35MM * float(np.exp(log_focal)),
        radial=(float(k1), float(k2)),
        offset_px=(float(cx), float(cy)),
    )
    camera, pose = scene_camera(SIZE_PX, view)
    scene = Scene(camera, pose, SIZE_PX)
    scale, growth_px = (
        float(np.exp(situation.u_log_size * rng.standard_normal())),
        U_GROWTH_PX * float(rng.standard_normal()),
    )
    ripple = situation.ripple or tuple(np.exp(np.array(U_LOG_SCALE) * rng.standard_normal(2)))
    noise = Noise(situation.noise_px, ripple, growth_px, situation.lens_share)
    references = tuple(_observe(laid, scale, noise, scene, rng) for laid in _lay(situation, rng))
    panel_px = see(PANEL_MM, scene, situation.thickness_mm)
    known = replace(known_prior(), covariance=np.diag(np.square(u_lens)), lens_share=situation.lens_share)
    return Setup(camera, pose, references, known, PANEL_MM, panel_px, situation.thickness_mm)


def known_prior() -> CameraPrior:
    """The prior of a photo with metadata (see ``camera_prior``), from which ``simulate`` draws."""
    scene_view = scene_camera(SIZE_PX, View(focal_35mm=FOCAL_35MM))[0]
    mean = np.array([np.log(scene_view.focal_px), *scene_view.principal_point_px, 0.0, 0.0])
    u = np.array([U_LOG_FOCAL, U_CENTRE * SIZE_PX[0], U_CENTRE * SIZE_PX[0], *U_RADIAL])
    return CameraPrior(mean, np.diag(u**2))


def _lay(situation: Situation, rng: np.random.Generator) -> list[LaidReference]:
    """Squares round the panel: the first at one side or corner, the second opposite, then the other two."""
    gap = situation.side_mm * 0.5 + 40.0
    off_corners = np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]]) * np.array([350.0 + gap, 250.0])
    beside = np.array([[-1, 0], [1, 0], [0, 1], [0, -1]]) * np.array([350.0 + gap, 300.0 + gap])
    places = beside if situation.beside else off_corners
    kind: Literal["coded", "dark"] = "coded" if situation.coded else "dark"
    return [
        LaidReference(
            kind,
            (situation.side_mm, situation.side_mm),
            (float(at[0] + rng.uniform(-25, 25)), float(at[1] + rng.uniform(-25, 25))),
            turn_deg=float(rng.uniform(-180, 180)),
            code=index,
        )
        for index, at in enumerate(places[: situation.squares])
    ]


@dataclass(frozen=True)
class Noise:
    """Of each point by itself, the scales of what a line's points have in common, the growth of dark areas, and by how
    much of its length the lens turns a line."""

    point_px: float
    ripple: tuple[float, float]
    growth_px: float
    lens_share: float


def _observe(laid: LaidReference, scale: float, noise: Noise, scene: Scene, rng: np.random.Generator) -> Reference:
    """What locating a square's steps would yield."""

    def seen(uv: Points) -> Points:
        centre = np.array(laid.centre_mm)
        return see(centre + scale * (laid.at(uv) - centre), scene)

    coded = laid.kind == "coded"
    lines = border(dark_inside=True, reach=0.1) + (code_boundaries(laid.code) if coded else ())
    steps = tuple(_observe_step(line, seen, laid.size_mm[0], noise, rng) for line in lines)
    corners_px = seen(np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])) + 0.1 * rng.standard_normal((4, 2))
    return Reference(
        "coded" if coded else "plain-dark", laid.code if coded else None, laid.size_mm, corners_px, steps, None, 0.8
    )


def _observe_step(
    line: Boundary, seen: Callable[[Points], Points], side_mm: float, noise: Noise, rng: np.random.Generator
) -> Step:
    start, end = np.array(line.start), np.array(line.end)
    length_px = float(np.linalg.norm(np.subtract(*seen(np.array([start, end])))))
    length_mm = side_mm * float(np.linalg.norm(end - start))
    count = max(2, int(0.8 * length_px / STEP_SPACING_PX))
    fractions = np.linspace(0.1, 0.9, count)
    on_line = start + fractions[:, None] * (end - start)
    exact = seen(on_line)
    ahead = seen(on_line + 0.01 * (end - start)) - exact
    right_hand = np.column_stack([-ahead[:, 1], ahead[:, 0]])  # y runs down
    normals = right_hand / np.linalg.norm(ahead, axis=1, keepdims=True)
    x = (2.0 * fractions - 1.0) / 0.8
    modes = np.column_stack([np.ones(count), np.sqrt(3.0) * x, np.sqrt(5.0) * (1.5 * x**2 - 0.5)])
    shift, turn = noise.ripple
    fixed_px, print_px = fixed_sizes_px(length_px, noise.lens_share), print_sizes_px(length_mm, length_px / length_mm)
    common_px = np.hypot(fixed_px, print_px * [shift, turn, turn]) * rng.standard_normal(3)
    off = noise.point_px * rng.standard_normal(count) + modes @ common_px - noise.growth_px
    u_px = np.full(count, noise.point_px)
    return Step(line.start, line.end, fractions, exact + off[:, None] * normals, normals, u_px)
