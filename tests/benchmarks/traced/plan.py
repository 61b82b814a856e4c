"""What is in a traced scene and where: drawn by its number, nothing rendered yet."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon, box

from tests.benchmarks.traced.camera import Camera, raised
from tests.benchmarks.traced.curves import Rng, Shape
from tests.benchmarks.traced.shapes import SHAPES
from tests.benchmarks.traced.textures import CLOTHS, MATS

Array = NDArray[np.float64]

LEAST_ANGLE_DEG, LONGEST_TONGUE_MM = 32, 16
FAULTS = ("cut", "bare", "hidden", "blurred", "dark")  # of every eighth scene, in turn


@dataclass(frozen=True)
class Plan:
    """What a scene is made of, before anything has its place."""

    number: int
    fault: str | None
    shapes: tuple[str, ...]
    cloths: tuple[str, ...]
    mat: str
    floor: str
    light: str
    kind: str  # of the references
    references: int
    side_mm: float
    thickness_mm: float
    wrinkle_mm: float
    edge_wave_mm: float
    tilt_deg: float
    orientation: int
    size_px: tuple[int, int]

    @property
    def name(self) -> str:
        return f"t{self.number:03d}_{'_'.join(self.shapes)}_{self.cloths[0]}_{self.fault or self.mat}"


def plan(number: int) -> Plan:
    """Shapes and cloths in turn, so that few scenes show each; the rest by the number as seed."""
    r = np.random.default_rng([7, number])
    shapes, cloths, mats = list(SHAPES), list(CLOTHS), list(MATS)
    fault = FAULTS[number // 8 % len(FAULTS)] if number % 8 == 7 else None
    pieces = int(r.choice([1, 1, 1, 1, 2, 3])) if fault is None else 1
    chosen = [shapes[number * 5 % len(shapes)]]
    if pieces > 1:
        small = [s for s in ("collar", "yoke", "gore", "bodice", "scrap") if s != chosen[0]]
        chosen += [str(x) for x in r.choice(small, pieces - 1, replace=False)]
    cloth = cloths[(number * 5 + number // 13) % len(cloths)]
    mat = mats[(number * 3 + number // 7) % len(mats)]
    while (
        (cloth in ("white", "linen", "beige") and mat == "white")
        or (cloth == "darkgreen" and mat == "green")
        or (cloth == "navy" and mat == "darkblue")
    ):
        mat = str(r.choice(mats))
    kinds = ["coded", "coded", "plain-black", "coded"] + (
        ["plain-white"] if mat in ("green", "darkblue", "wood", "carpet", "grey") else ["plain-black"]
    )
    thick = {"wool": (2.4, 3.5), "satin": (0.3, 0.5)}.get(cloth, (0.3, 2.0))
    big = number % 5 == 3
    return Plan(
        number,
        fault,
        tuple(chosen),
        (cloth, *(str(x) for x in r.choice(cloths, pieces - 1))),
        mat,
        str(r.choice(["wood", "carpet"])) if mat not in ("wood", "carpet") else mat,
        str(r.choice(["window", "two", "hard", "warm", "dim"], p=[0.3, 0.3, 0.15, 0.15, 0.1])),
        str(r.choice(kinds)),
        int(r.choice([1, 2, 3, 4], p=[0.25, 0.35, 0.15, 0.25])) if fault != "hidden" else 1,
        float(r.choice([50, 80, 100, 100, 120, 150], p=[0.1, 0.2, 0.25, 0.15, 0.15, 0.15])),
        round(float(r.uniform(*thick)), 1),
        float(r.choice([0.0, 0.5, 1.0])),
        float(r.choice([0.0, 0.0, 0.4])),
        float(r.uniform(0, 25)) if r.random() < 0.4 else float(r.uniform(2, 15)),
        int(r.choice([1, 3, 6, 8], p=[0.55, 0.1, 0.2, 0.15])),
        (4000, 3000) if big else (3000, 2250),
    )


@dataclass(frozen=True)
class Laid:
    """Everything in its place on the mat."""

    pieces: tuple[Shape, ...]
    references: tuple[tuple[Array, float, int], ...]  # centre, turn in degrees, code
    mat_mm: tuple[float, float]


def _ground(shape: Shape) -> Polygon:
    return Polygon(shape.outline(8))


def _has_body(ground: Polygon) -> bool:
    """A piece that does not cross itself and has no thin tongues."""
    opened = ground.buffer(-5).buffer(5)
    return ground.is_valid and opened.geom_type == "Polygon" and ground.hausdorff_distance(opened) < LONGEST_TONGUE_MM


def square(centre: Array, turn_deg: float, half: float) -> Array:
    a = np.radians(turn_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return np.asarray(np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]]) * half @ turn.T + centre)


def card_half(p: Plan) -> float:
    """Half the side of what a reference is printed on."""
    return p.side_mm / 2 if p.kind == "plain-white" else p.side_mm / 2 * 1.4


def lay(p: Plan, r: Rng) -> Laid:
    """Pieces apart from one another on the mat, then references in the free places, spread out."""
    while True:
        mat = (float(r.choice([900, 1200, 1200, 1300])), float(r.choice([600, 900, 900, 1000])))
        if p.mat in ("wood", "carpet"):
            mat = (1500.0, 1100.0)
        field = box(-mat[0] / 2, -mat[1] / 2, mat[0] / 2, mat[1] / 2).buffer(-12)
        laid: list[Shape] = []
        for name in p.shapes:
            for _ in range(30):
                shape = SHAPES[name](r)
                if shape.sharpest_deg < LEAST_ANGLE_DEG or not _has_body(_ground(shape)):
                    continue
                turn = float(r.uniform(0, 360))
                shape = shape.moved(turn, np.zeros(2))
                spread = 90 if len(p.shapes) == 1 else 350
                middle = np.array(_ground(shape).envelope.centroid.coords[0])
                shape = shape.moved(0, r.uniform(-1, 1, 2) * [spread, spread * 0.5] - middle)
                if field.contains(_ground(shape)) and all(_ground(shape).distance(_ground(o)) > 25 for o in laid):
                    laid.append(shape)
                    break
        if len(laid) < len(p.shapes):
            continue
        found = _lay_references(p, r, field, laid)
        if found is not None:
            return Laid(tuple(laid), tuple(found), mat)


def _lay_references(p: Plan, r: Rng, field: Polygon, laid: list[Shape]) -> list[tuple[Array, float, int]] | None:
    half = card_half(p)
    codes = r.permutation(50)
    wanted = 0 if p.fault == "bare" else p.references
    if p.fault == "hidden":  # the cloth's rim runs through the square's middle
        edge = _ground(laid[0]).exterior.interpolate(float(r.random()), normalized=True)
        return [(np.array(edge.coords[0]), float(r.uniform(0, 90)), int(codes[0]))]
    reach = shapely.union_all([_ground(s) for s in laid]).envelope.buffer(half * 2.6 + 60)
    found: list[tuple[Array, float, int]] = []
    for _ in range(400):
        if len(found) == wanted:
            return found
        if p.references in (2, 4) and len(found) % 2 == 1 and r.random() < 0.8:  # opposite the last
            centre = -found[-1][0] + r.normal(size=2) * 60
        else:
            b = field.bounds
            centre = np.array([r.uniform(b[0], b[2]), r.uniform(b[1], b[3])])
        turn = float(r.choice([r.uniform(0, 360), r.uniform(-6, 6)]))
        card = Polygon(square(centre, turn, half))
        free = all(_ground(s).distance(card) > 12 for s in laid)
        apart = all(np.hypot(*(centre - c)) > half * 2.9 + 20 for c, _, _ in found)
        if free and apart and field.contains(card) and reach.contains(card):
            found.append((centre, turn, int(codes[len(found)])))
    return found if len(found) == wanted else None


def aim(p: Plan, laid: Laid, r: Rng) -> Camera | None:
    """A camera that sees all of it with some room, or cuts the first piece where the plan says so."""
    width, height = p.size_px if p.orientation in (1, 3) else p.size_px[::-1]
    if p.orientation in (6, 8) and r.random() < 0.5:
        width, height = height, width
    f = float(r.uniform(24, 28)) / 43.2666 * float(np.hypot(width, height))
    a, roll = np.radians(p.tilt_deg), np.radians(r.uniform(-10, 10))
    turn = np.array([[1, 0, 0], [0, -np.cos(a), -np.sin(a)], [0, np.sin(a), -np.cos(a)]])
    turn = np.array([[np.cos(roll), np.sin(roll), 0], [-np.sin(roll), np.cos(roll), 0], [0, 0, 1]]) @ turn
    k1, k2 = float(r.uniform(-0.06, 0.05)), float(r.uniform(-0.01, 0.01))
    points = np.vstack(
        [s.outline(20) for s in laid.pieces] + [square(c, t, card_half(p)) for c, t, _ in laid.references]
    )
    middle = (points.min(axis=0) + points.max(axis=0)) / 2 + r.normal(size=2) * 15
    room = r.uniform(1.03, 1.5)
    if p.fault == "cut":
        side = r.choice(["x", "y"])
        middle = (
            middle
            + (np.array([1, 0]) if side == "x" else np.array([0, 1]))
            * np.ptp(laid.pieces[0].outline(20), axis=0).max()
            * 0.9
        )
    for high in np.arange(700, 1801, 20.0):
        centre = np.array([middle[0], middle[1] - high * np.tan(a), high])
        camera = Camera(
            width, height, f, width / 2 - 0.5 + r.normal() * 5, height / 2 - 0.5 + r.normal() * 5, k1, k2, turn, centre
        )
        half = np.array([width, height]) / 2
        far = float((np.abs(camera.see(raised(points, 0.0)) - half) / half).max())
        if p.fault == "cut" and high >= 1100:
            outline = camera.see(raised(laid.pieces[0].outline(5), 0.0))
            part = float(((outline > 0) & (outline < [width, height])).all(axis=1).mean())
            return camera if 0.35 < part < 0.93 else None
        if p.fault != "cut" and far * room < 1:
            return camera
    return None
