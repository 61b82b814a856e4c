"""Hard contrasts: cloth on what hardly differs from it, on busy grounds, among things, with known outlines."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon, box
from shapely.ops import unary_union

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import unrounded_codes
from flatmeasure.polygons import polygon_area
from flatmeasure.synthetic.coverage import coverage
from flatmeasure.synthetic.rendering import encode_jpeg, paint_reference
from flatmeasure.synthetic.scene import LaidReference, Scene, View, scene_camera, see, see_loop, turn_matrix
from tests.benchmarks.contrast_textures import (
    BEIGE,
    BLACK,
    GREY,
    NAVY,
    OLIVE,
    RED,
    ROSE,
    TEAL,
    WHITE,
    Picture,
    Rng,
    Texture,
    bands,
    carpet,
    dotted,
    linear,
    lined,
    plain,
    satin,
    sequins,
    sheet,
    tiles,
    wood,
)

SIZE_PX = (2400, 1800)
PLANE_MM = (2400, 2000)  # drawn at one pixel a millimetre about the mat frame's origin
MAT_MM = (1250, 920)


@dataclass(frozen=True)
class Case:
    """What lies on what, among which things; a mat lies between cloth and floor where there is one."""

    name: str
    cloth: Texture
    floor: Texture
    mat: Texture | None = None
    things: tuple[str, ...] = ()  # of ruler, scissors, pins, hand
    shape: str = "panel"  # scraps, straps, lace
    shadow: float = 0.35


FLOOR, GREEN = (150, 112, 78), (70, 120, 95)
CASES = (
    Case("navy on dark wood", plain(NAVY), wood((52, 40, 34))),
    Case("black on dark carpet", plain(BLACK), carpet((46, 46, 50))),
    Case("white on a white sheet", plain(WHITE), sheet((232, 231, 228))),
    Case("white on white tiles", plain(WHITE), tiles((226, 224, 220))),
    Case("white on a white mat", plain(WHITE), wood(FLOOR), lined((240, 240, 238), (200, 204, 206))),
    Case("beige on a green mat", plain(BEIGE, 0.01), wood(FLOOR), lined((70, 120, 95), (130, 170, 150))),
    Case("beige on oak", plain(BEIGE), wood((190, 156, 116))),
    Case("grey on a grey mat", plain(GREY), wood(FLOOR), lined((118, 122, 124), (160, 164, 166))),
    Case("stripes running into the ground", bands(WHITE, TEAL, True, False), sheet((230, 229, 226))),
    Case("stripes on a lined mat", bands(NAVY, WHITE, False, True), wood(FLOOR), lined((50, 74, 96), (150, 170, 185))),
    Case("plaid on a plaid blanket", bands(RED, NAVY, True, True), bands(OLIVE, BEIGE, True, True)),
    Case("plaid on wood", bands(RED, BLACK, True, True), wood(FLOOR)),
    Case("print on a printed sheet", dotted(ROSE, WHITE, RED, OLIVE), dotted(WHITE, TEAL, GREY)),
    Case("print in the mat's green", dotted(WHITE, GREEN, RED), wood(FLOOR), lined(GREEN, (150, 190, 170))),
    Case("satin with glare", satin((150, 60, 90)), carpet((190, 186, 178))),
    Case("white satin on tiles", satin((200, 198, 190)), tiles((170, 166, 160))),
    Case("sequins on wood", sequins((70, 70, 96)), wood((120, 88, 60))),
    Case("lace edge on a dark sheet", plain(WHITE), sheet((70, 72, 90)), shape="lace"),
    Case("straps on wood", plain(ROSE), wood(FLOOR), shape="straps"),
    Case("ten scraps on a mat", plain(OLIVE), wood(FLOOR), lined((60, 66, 70), (120, 126, 130)), shape="scraps"),
    Case("ten scraps on carpet", dotted(TEAL, WHITE, NAVY), carpet((160, 150, 140)), shape="scraps"),
    Case("ruler and scissors", plain(TEAL), wood(FLOOR), lined(WHITE, (160, 160, 160)), ("ruler", "scissors")),
    Case("pins and a hand", plain(RED), sheet((200, 206, 214)), None, ("pins", "hand")),
    Case("deep shadow", plain(ROSE), tiles((200, 190, 176)), shadow=0.7),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Shot:
    """A photo (JPEG) with the true outlines of its pieces in pixels, and its scale."""

    photo: bytes
    pieces_px: tuple[Polygon, ...]
    mm_per_px: float


def shoot(case: Case, seed: int) -> Shot:
    """Draw and photograph a case; the same seed gives the same file."""
    rng = np.random.default_rng([seed, *case.name.encode()])
    cv2.setRNGSeed(seed)
    height_mm = rng.uniform(1150, 1350)
    view = View(height_mm, rng.uniform(2, 14), turn_deg=rng.uniform(-8, 8), roll_deg=rng.uniform(-5, 5))
    camera, pose = scene_camera(SIZE_PX, view)
    at = ((-470, -310), (470, 310)) if rng.random() < 0.5 else ((-470, 310), (470, -310))
    squares = tuple(
        LaidReference("coded", (100, 100), place, rng.uniform(-10, 10), code=int(code))
        for place, code in zip(at, rng.choice(50, 2, replace=False), strict=True)
    )
    scene = Scene(camera, pose, SIZE_PX, squares)
    kept_clear = unary_union([Polygon(square.corners_mm).buffer(50) for square in squares])
    outlines = _outlines(case, rng, kept_clear)
    plane = _ground(case, rng)
    taken = unary_union([kept_clear, *(Polygon(outline).buffer(12) for outline in outlines)])
    for thing in case.things:
        if thing != "pins":
            _lay_thing(plane, thing, rng, taken)
    picture = _photographed(plane, scene)
    for square in squares:
        paint_reference(picture, square, scene)
    loops = [see_loop(outline, scene) for outline in outlines]
    share = np.minimum(sum((_covered(loop) for loop in loops), np.zeros(SIZE_PX[::-1], np.float32)), 1.0)
    if case.shape == "lace":
        share *= 1.0 - _mesh(scene, loops[0], rng)
    away = np.array(rng.uniform(3, 9) * np.array([1.0, 0.6]) * rng.choice([-1, 1], 2))
    cast = sum((_covered(see_loop(o + away, scene)) for o in outlines), np.zeros_like(share))
    picture *= 1.0 - case.shadow * cv2.GaussianBlur(np.minimum(cast, 1.0), (0, 0), rng.uniform(1.5, 6.0))[..., None]
    cloth = np.clip(case.cloth(rng, PLANE_MM[::-1]), 0.0, 1.0)
    turn = cv2.getRotationMatrix2D((PLANE_MM[0] / 2, PLANE_MM[1] / 2), rng.uniform(0, 360), 1.0)
    cloth = cv2.warpAffine(cloth, turn, PLANE_MM, borderMode=cv2.BORDER_REFLECT)
    picture += share[..., None] * (_photographed(np.asarray(cloth, np.float32), scene) - picture)
    if "pins" in case.things:
        _stick_pins(picture, loops[0], rng)
    return Shot(encode_jpeg(_developed(picture, rng), focal_35mm=26), tuple(map(Polygon, loops)), _scale(scene))


def _outlines(case: Case, rng: Rng, kept_clear: object) -> list[Points]:
    if case.shape == "straps":
        return [_strap_top(rng)]
    if case.shape != "scraps":
        return [_panel(rng, rng.uniform(260, 330), np.array([0.0, 0.0]))]
    outlines: list[Points] = []
    taken = kept_clear
    while len(outlines) < 10:
        outline = _panel(rng, rng.uniform(40, 95), rng.uniform([-500, -370], [500, 370]))
        if not Polygon(outline).intersects(taken):
            outlines.append(outline)
            taken = unary_union([taken, Polygon(outline).buffer(15)])
    return outlines


def _panel(rng: Rng, reach_mm: float, centre: Points) -> Points:
    """Four to seven corners, some sides hollowed or bulging; counter-clockwise."""
    count = int(rng.integers(4, 8))
    angles = (np.arange(count) + rng.uniform(-0.25, 0.25, count)) * 2 * np.pi / count
    corners = np.column_stack([np.cos(angles), np.sin(angles)]) * (reach_mm * rng.uniform(0.75, 1.1, count))[:, None]
    t = np.linspace(0, 1, 24, endpoint=False)[:, None]
    sides = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = end - start
        bulge = rng.choice([0.0, rng.uniform(-0.12, 0.15)])
        sides.append(start + t * along + 4 * bulge * t * (1 - t) * np.array([along[1], -along[0]]))
    return np.asarray(np.vstack(sides) @ turn_matrix(rng.uniform(0, 360)).T + centre)


def _strap_top(rng: Rng) -> Points:
    """A top with two straps of 12 to 20 mm."""
    width, wide = rng.uniform(12, 20), rng.uniform(110, 150)
    body = Polygon([(-wide, -250), (wide, -250), (wide * 0.9, 60), (-wide * 0.9, 60)])
    straps = [
        LineString([(side * wide * 0.6, 50), (side * rng.uniform(60, 90), 260)]).buffer(width / 2, cap_style="flat")
        for side in (-1, 1)
    ]
    whole = unary_union([body, *straps])
    return np.asarray(np.asarray(whole.exterior.coords)[:-1] @ turn_matrix(rng.uniform(-20, 20)).T)


def _ground(case: Case, rng: Rng) -> Picture:
    plane = np.ascontiguousarray(np.clip(case.floor(rng, PLANE_MM[::-1]), 0.0, 1.0))
    if case.mat is not None:
        left, top = (PLANE_MM[0] - MAT_MM[0]) // 2, (PLANE_MM[1] - MAT_MM[1]) // 2
        plane[top : top + MAT_MM[1], left : left + MAT_MM[0]] = case.mat(rng, MAT_MM[::-1])
    return plane


def _lay_thing(plane: Picture, thing: str, rng: Rng, taken: object) -> None:
    """A steel ruler, a pair of scissors, or a forearm from the lower edge, clear of what lies there."""
    middle = np.array(PLANE_MM) / 2
    for _ in range(200):
        centre, turn = rng.uniform([-560, -380], [560, 380]), turn_matrix(rng.uniform(0, 360))
        if thing == "hand":
            centre, turn = np.array([rng.uniform(-300, 300), -560.0]), turn_matrix(rng.uniform(60, 120))
        reach = {"ruler": (155.0, 16.0), "scissors": (105.0, 45.0), "hand": (200.0, 45.0)}[thing]
        if not Polygon(
            np.array(box(-reach[0], -reach[1], reach[0], reach[1]).exterior.coords) @ turn.T + centre
        ).intersects(taken):
            break

    def on_plane(points: object) -> NDArray[np.int32]:
        at = (np.asarray(points, np.float64) @ turn.T + centre) * [1, -1] + middle
        return np.asarray(np.rint(at * 16), np.int32)

    def area(points: object, codes: tuple[int, int, int]) -> None:
        cv2.fillPoly(plane, [on_plane(points)], linear(codes).tolist(), cv2.LINE_AA, 4)

    if thing == "ruler":
        area([(-150, -14), (150, -14), (150, 14), (-150, 14)], (196, 198, 200))
        for x in range(-145, 146, 5):
            area([(x, -14), (x + 0.8, -14), (x + 0.8, -6), (x, -6)], (30, 30, 30))
    elif thing == "scissors":
        area([(0, -4), (100, 12), (0, 8)], (190, 192, 196))
        area([(0, 4), (100, -12), (0, -8)], (176, 178, 184))
        for side in (-1, 1):
            ring = on_plane([(-60, side * 20)])[0]
            cv2.ellipse(plane, (ring // 16).tolist(), (38, 17), -20 * side, 0, 360, linear((180, 30, 30)).tolist(), 9)
    else:
        skin = (206, 158, 130)
        area([(-200, -38), (60, -32), (110, -42), (150, -30), (150, 30), (110, 42), (60, 32), (-200, 38)], skin)
        for y in (-26, -9, 9, 26):
            area([(140, y - 8), (196, y - 6), (200, y), (196, y + 6), (140, y + 8)], skin)


def _stick_pins(picture: Picture, loop_px: Points, rng: Rng) -> None:
    """Pins across the edge: a steel shaft and a coloured head inside."""
    for k in rng.choice(len(loop_px), 6, replace=False):
        inward = loop_px.mean(axis=0) - loop_px[k]
        inward = inward / np.linalg.norm(inward)
        head, tip = loop_px[k] + 22 * inward, loop_px[k] - 18 * inward
        cv2.line(picture, head.astype(int).tolist(), tip.astype(int).tolist(), (0.5, 0.5, 0.52), 2, cv2.LINE_AA)
        cv2.circle(picture, head.astype(int).tolist(), 5, linear((240, 220, 60)).tolist(), -1, cv2.LINE_AA)


def _mesh(scene: Scene, loop_px: Points, rng: Rng) -> Picture:
    """Openings of lace: holes of 3 mm, 7 mm apart, in a border 25 mm broad along the outline."""
    inside = (_covered(loop_px) > 0.5).astype(np.uint8)
    depth_mm = cv2.distanceTransform(inside, cv2.DIST_L2, 5) * _scale(scene)
    y, x = np.mgrid[0 : SIZE_PX[1], 0 : SIZE_PX[0]].astype(np.float32) * np.float32(_scale(scene) * 2 * np.pi / 7.0)
    openings = np.clip(4.0 * (np.sin(x + rng.random()) * np.sin(y) - 0.35), 0.0, 1.0)
    return np.asarray(openings * ((depth_mm > 2.0) & (depth_mm < 25.0)), np.float32)


def _photographed(plane: Picture, scene: Scene) -> Picture:
    """The plane as the camera sees it (the lens is straight: a homography)."""
    half = np.array(PLANE_MM) / 2
    flat = np.array([[0.0, 0.0], [PLANE_MM[0], 0.0], [*PLANE_MM], [0.0, PLANE_MM[1]]])
    seen = see((flat - half) * [1, -1], scene)
    view = cv2.getPerspectiveTransform((flat - 0.5).astype(np.float32), seen.astype(np.float32))
    return np.asarray(cv2.warpPerspective(plane, view, SIZE_PX, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT))


def _developed(picture: Picture, rng: Rng) -> NDArray[np.uint8]:
    """Uneven light, blur, noise."""
    width, height = SIZE_PX
    y, x = np.mgrid[-0.5 : 0.5 : height * 1j, -0.5 : 0.5 : width * 1j].astype(np.float32)
    across, down = rng.uniform(-0.35, 0.35, 2)
    picture *= (rng.uniform(0.75, 1.0) * (1.0 + np.float32(across) * x + np.float32(down) * y))[..., None]
    codes = unrounded_codes(cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.6, 1.0)))
    codes += rng.uniform(1.0, 3.5) * rng.standard_normal(codes.shape, dtype=np.float32)
    return np.clip(np.rint(codes), 0, 255).astype(np.uint8)


def _covered(loop_px: Points) -> Picture:
    share = np.zeros(SIZE_PX[::-1], np.float32)
    turn = loop_px if polygon_area(loop_px) < 0 else loop_px[::-1]
    part, window = coverage([turn], SIZE_PX)
    share[window] = part
    return share


def _scale(scene: Scene) -> float:
    return float(scene.pose.centre_mm[2] / scene.camera.focal_px)
