"""A described scene: known shapes on a mat, a known camera, and where each appears (the truth of a synthetic photo).

Units, axes and pixel centres: see ``camera``.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from shapely.geometry import Polygon
from shapely.ops import unary_union

from flatmeasure.photos.camera import Camera, Points, Pose, focal_from_35mm, project
from flatmeasure.references.figures import UNIT_CORNERS

Height = Callable[[Points], Points]  # (N,) mm above the mat at places (N, 2)
Colour = tuple[int, int, int]  # red, green, blue as a picture file holds them (sRGB, 0 to 255)

CHORD_PX = 6.0  # the lens bends a straight side: it is drawn as chords of about this length


@dataclass(frozen=True)
class View:
    """How the photographer holds the camera.

    Attributes
    ----------
    height_mm : float
        Of the camera above the mat.
    tilt_deg : float
        Between the optical axis and straight down, looking away from the photographer.
    turn_deg : float
        How far the photographer has walked round the aim, counter-clockwise seen from above.
    roll_deg : float
        Turn of the camera about its optical axis.
    aim_mm : tuple of float
        Point of the mat on the optical axis.
    focal_35mm : float
        Focal length, 35 mm equivalent.
    radial : tuple of float
        k1, k2 (see ``Camera``).
    offset_px : tuple of float
        Of the principal point from the picture's centre.
    """

    height_mm: float = 1500.0
    tilt_deg: float = 12.0
    turn_deg: float = 0.0
    roll_deg: float = 0.0
    aim_mm: tuple[float, float] = (0.0, 0.0)
    focal_35mm: float = 26.0
    radial: tuple[float, float] = (0.0, 0.0)
    offset_px: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class LaidReference:
    """A square or rectangle of known size lying on the mat.

    Attributes
    ----------
    kind
        ``"coded"`` (open ArUco family 4x4_50), ``"dark"`` (plain, on a light card) or ``"light"`` (plain).
    size_mm : tuple of float
        Width and height.
    centre_mm, turn_deg
        Where it lies; turned counter-clockwise seen from above.
    code : int
        Which of the 50 codes; coded squares only.
    border_mm : float
        Width of the card's light border round a coded or dark figure.
    marks : bool
        Whether a coded card has checkers in the corners of its margin (``figures.corner_marks``).
    lifted_mm : float
        Height of its right side above the mat, its left side lying on it.
    arched_mm : float
        Height to which it bulges midway between left and right.
    """

    kind: Literal["coded", "dark", "light"]
    size_mm: tuple[float, float]
    centre_mm: tuple[float, float]
    turn_deg: float = 0.0
    code: int = 0
    border_mm: float = 20.0
    marks: bool = False
    lifted_mm: float = 0.0
    arched_mm: float = 0.0

    @property
    def corners_mm(self) -> Points:
        """(4, 2) corners in the mat frame: top left, top right, bottom right, bottom left of the unturned figure."""
        return self.at(UNIT_CORNERS)

    def at(self, share: Points, margin_mm: float = 0.0) -> Points:
        """Points of the figure, or of the card ``margin_mm`` broader, in the mat frame.

        ``share`` is (N, 2): 0 to 1 rightwards from its left and downwards from its top side.
        """
        size = np.array(self.size_mm) + 2.0 * margin_mm
        flat = (share - 0.5) * size * [1.0, -1.0]
        return np.asarray(flat @ turn_matrix(self.turn_deg).T + np.array(self.centre_mm))

    def height_mm(self, points_mm: Points) -> Points:
        """(N,) height of the figure's sheet over places (N, 2) of the mat."""
        across = (points_mm - np.array(self.centre_mm)) @ turn_matrix(self.turn_deg)[:, 0] / self.size_mm[0] + 0.5
        return np.asarray(self.lifted_mm * across + self.arched_mm * 4.0 * across * (1.0 - across))


@dataclass(frozen=True, eq=False)
class LaidCloth:
    """A flat piece of cloth: a prism of its thickness standing on the mat.

    Attributes
    ----------
    outline_mm : (N, 2) array, mat frame, counter-clockwise
    holes_mm : tuple of (N, 2) arrays, clockwise
    colour, stripe_colour, stripe_mm
        Stripes along Y, as broad as the gaps between them; 0 for plain cloth.
    thickness_mm : float
    """

    outline_mm: Points
    holes_mm: tuple[Points, ...] = ()
    colour: Colour = (38, 48, 92)
    stripe_colour: Colour = (200, 190, 170)
    stripe_mm: float = 0.0
    thickness_mm: float = 0.0

    @property
    def area_mm2(self) -> float:
        """Net area of one layer."""
        return float(Polygon(self.outline_mm, self.holes_mm).area)


@dataclass(frozen=True)
class Mat:
    """What the cloth lies on; ``grid_mm`` is the spacing of its printed lines (1 mm broad), 0 for none."""

    size_mm: tuple[float, float] = (1200.0, 900.0)
    colour: Colour = (118, 124, 120)
    grid_mm: float = 0.0
    grid_colour: Colour = (170, 176, 170)


@dataclass(frozen=True, eq=False)
class Scene:
    """All that a picture shows.

    Attributes
    ----------
    camera, pose, size_px
        See ``scene_camera``; the size is (width, height).
    light_gradient : tuple of float
        Relative change of the light from the left to the right and from the top to the bottom of the picture.
    shadow_mm : tuple of float or None
        How far the cloth throws its shadow on the mat.
    blur_px : float
        Standard deviation of the optical blur (Gaussian), besides the pixel's own square.
    noise : float
        Standard deviation in steps of the 8-bit picture: photon noise is nearly even after sRGB encoding.
    """

    camera: Camera
    pose: Pose
    size_px: tuple[int, int]
    references: tuple[LaidReference, ...] = ()
    cloths: tuple[LaidCloth, ...] = ()
    mat: Mat = field(default_factory=Mat)
    floor_colour: Colour = (150, 118, 90)
    light_gradient: tuple[float, float] = (0.0, 0.0)
    shadow_mm: tuple[float, float] | None = None
    blur_px: float = 0.7
    noise: float = 1.0


def scene_camera(size_px: tuple[int, int], view: View) -> tuple[Camera, Pose]:
    """Camera and pose for a picture of (width, height) pixels."""
    width, height = size_px
    centre = ((width - 1) / 2 + view.offset_px[0], (height - 1) / 2 + view.offset_px[1])
    camera = Camera(focal_from_35mm(view.focal_35mm, width, height), centre, view.radial)
    tilt = np.radians(view.tilt_deg)
    forward = np.array([0.0, np.sin(tilt), -np.cos(tilt)])
    down = np.array([0.0, -np.cos(tilt), -np.sin(tilt)])
    axes = np.stack([[1.0, 0.0, 0.0], down, forward])  # the camera's x, y, z in the mat frame, before turn and roll
    turn, roll = np.eye(3), np.eye(3)
    turn[:2, :2], roll[:2, :2] = turn_matrix(view.turn_deg), turn_matrix(view.roll_deg)
    rotation = roll @ axes @ turn.T
    eye_mm = np.array([*view.aim_mm, 0.0]) - view.height_mm / np.cos(tilt) * (turn @ forward)
    return camera, Pose(rotation, -rotation @ eye_mm)


def turn_matrix(angle_deg: float) -> Points:
    """(2, 2) counter-clockwise rotation."""
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[cos, -sin], [sin, cos]])


def see(points_mm: Points, scene: Scene, z_mm: float | Points = 0.0) -> Points:
    """Points (N, 2) of the mat frame at a height, or each at its own, in pixels."""
    heights = np.broadcast_to(np.asarray(z_mm, dtype=np.float64), (len(points_mm),))
    return project(np.column_stack([points_mm, heights]), scene.camera, scene.pose)


def see_loop(loop_mm: Points, scene: Scene, z_mm: float | Height = 0.0) -> Points:
    """A closed outline (N, 2) of straight sides in pixels (M, 2), the sides cut into chords for the lens to bend.

    ``z_mm`` is its height, or tells it for places (N, 2).
    """
    mm_per_px = scene.pose.centre_mm[2] / scene.camera.focal_px
    run = np.roll(loop_mm, -1, axis=0) - loop_mm
    parts = np.maximum(np.ceil(np.linalg.norm(run, axis=1) / (CHORD_PX * mm_per_px)), 1).astype(int)
    side = np.repeat(np.arange(len(loop_mm)), parts)
    step = np.arange(len(side)) - np.repeat(np.cumsum(parts) - parts, parts)
    at = loop_mm[side] + run[side] * (step / parts[side])[:, None]
    return see(at, scene, z_mm(at) if callable(z_mm) else z_mm)


def corners_px(reference: LaidReference, scene: Scene) -> Points:
    """(4, 2) true corners of a reference in the picture, in the order of ``LaidReference.corners_mm``."""
    return see(reference.corners_mm, scene, reference.height_mm(reference.corners_mm))


def silhouette_px(cloth: LaidCloth, scene: Scene) -> Polygon:
    """What the picture shows of a cloth, in pixels: its lower and upper face and its side walls together.

    Raises
    ------
    ValueError
        The outline crosses itself, or a hole lies outside it.
    """
    if not Polygon(cloth.outline_mm, cloth.holes_mm).is_valid:
        raise ValueError("The cloth's outline crosses itself, or a hole lies outside it.")
    loops = (cloth.outline_mm, *cloth.holes_mm)
    low = [see_loop(loop, scene) for loop in loops]
    if cloth.thickness_mm == 0:
        return Polygon(low[0], low[1:])
    high = [see_loop(loop, scene, cloth.thickness_mm) for loop in loops]
    parts = [Polygon(low[0], low[1:]), Polygon(high[0], high[1:])]
    for a, b in zip(low, high, strict=True):
        walls = np.stack([a, np.roll(a, -1, axis=0), np.roll(b, -1, axis=0), b], axis=1)
        parts += [hull for wall in walls if isinstance(hull := Polygon(wall).convex_hull, Polygon)]
    seen = unary_union(parts)
    if not isinstance(seen, Polygon):
        raise ValueError("The cloth's outline touches itself.")
    return seen
