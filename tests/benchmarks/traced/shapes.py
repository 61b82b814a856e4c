"""Shapes of cloth for the traced scenes, their measures drawn at random."""

from collections.abc import Callable

import numpy as np

from tests.benchmarks.traced.curves import Corners, Rng, Shape, Side, arch, closed, line, oval, vec


def aline(r: Rng) -> Shape:
    w, h, n = r.uniform(85, 190), r.uniform(170, 330), r.uniform(380, 620)
    corners: Corners = [(-h, 0), (h * r.uniform(0.85, 1), r.uniform(-5, 5)), (w, n), (-w, n * r.uniform(0.97, 1.0))]
    sags = [r.uniform(8, 30), r.uniform(-8, 8), r.uniform(-22, -6), r.uniform(-8, 8)]
    return closed("aline", corners, dict(enumerate(sags)))


def gore(r: Rng) -> Shape:
    w, h, n = r.uniform(40, 90), r.uniform(120, 240), r.uniform(350, 620)
    return closed("gore", [(-h, 0), (h, 0), (w, n), (-w, n)], {0: r.uniform(12, 40), 2: -r.uniform(5, 15)})


def bodice(r: Rng) -> Shape:
    w, n = r.uniform(190, 280), r.uniform(300, 420)
    shoulder, neck_w, drop = r.uniform(90, 130), r.uniform(60, 85), r.uniform(25, 45)
    arm_y = n * r.uniform(0.5, 0.62)
    corners: Corners = [(0, 0)]
    darts = int(r.integers(0, 3))
    for x in {1: [0.45], 2: [0.32, 0.68], 0: []}[darts]:
        at, half, high = w * x + r.uniform(-10, 10), r.uniform(9, 22), r.uniform(95, 150)
        corners += [(at - half, -2), (at + r.uniform(-6, 6), high), (at + half, -2)]
    corners += [(w, r.uniform(-4, 8)), (w * r.uniform(1.02, 1.12), arm_y), (neck_w + shoulder, n - drop), (neck_w, n)]
    corners.append((0, n * r.uniform(0.72, 0.82)))
    k = 3 * darts
    return closed("bodice", corners, {k + 2: -r.uniform(25, 45), k + 4: -r.uniform(12, 26)})


def sleeve(r: Rng) -> Shape:
    top, hem, under, cap = r.uniform(150, 210), r.uniform(100, 150), r.uniform(120, 380), r.uniform(95, 160)
    skew = r.uniform(-12, 12)
    p, q, crown = np.array([top, under]), np.array([-top, under + r.uniform(-8, 8)]), np.array([skew, under + cap])
    right = np.array([p, p + vec(-top * 0.45, r.uniform(0, 14)), crown + vec(top * r.uniform(0.4, 0.6), 0), crown])
    left = np.array([crown, crown - vec(top * r.uniform(0.4, 0.6), 0), q + vec(top * 0.45, r.uniform(0, 14)), q])
    a, b = np.array([-hem, 0.0]), np.array([hem, 0.0])
    hem_sag = r.choice([0.0, r.uniform(5, 14)])
    return Shape(
        "sleeve",
        (
            Side("underarm left", (line(q, a),)),
            Side("hem", (arch(a, b, hem_sag) if hem_sag else line(a, b),)),
            Side("underarm right", (line(b, p),)),
            Side("cap", (right, left)),
        ),
    )


def tshirt(r: Rng) -> Shape:
    w, n = r.uniform(190, 265), r.uniform(440, 640)
    neck, arm = r.uniform(70, 98), r.uniform(130, 190)
    reach, droop, wide = r.uniform(150, 210), r.uniform(80, 140), r.uniform(105, 145)
    neck_p, arm_p = np.array([neck, n]), np.array([w * 1.0, n - arm - 25])
    tip = np.array([w + reach * 0.8, n - droop])
    low = tip + np.array([-0.42, -0.91]) * wide
    flip = np.array([-1.0, 1.0])
    top_r = np.array([tip, tip + vec(-reach * 0.35, droop * 0.5), neck_p + vec(reach * 0.7, -20), neck_p])
    a, b = np.array([-w * 1.03, 0.0]), np.array([w * 1.03, r.uniform(-8, 8)])
    sides = (
        Side("hem", (arch(a, b, r.uniform(2, 8)),)),
        Side("side right", (line(b, arm_p),)),
        Side("underarm right", (line(arm_p, low),)),
        Side("opening right", (line(low, tip),)),
        Side("shoulder right", (top_r,)),
        Side("back neck", (arch(neck_p, neck_p * flip, -r.uniform(8, 16)),)),
        Side("shoulder left", ((top_r * flip)[::-1],)),
        Side("opening left", (line(tip * flip, low * flip),)),
        Side("underarm left", (line(low * flip, arm_p * flip),)),
        Side("side left", (line(arm_p * flip, a),)),
    )
    deep = r.uniform(45, 80)
    front = arch(neck_p * flip, neck_p, deep)
    rib = arch((neck_p + vec(14, -3)) * flip, neck_p + vec(14, -3), deep + 14)
    opening = Side("opening", (front, sides[5].curves[0]))
    armhole = np.array([arm_p, arm_p + vec(-14, 60), arm_p + vec(-22, arm * 0.7), [w * 0.93, n - droop * 0.35]])
    drawn = (front, rib, line(a + vec(4, 18), b + vec(-4, 18)), armhole, armhole * flip)
    seams = tuple(Side("seam", (curve,)) for curve in drawn)
    return Shape("tshirt", sides, seams=seams, shaded=(opening,))


def remnant(r: Rng) -> Shape:
    w, h = r.uniform(420, 720), r.uniform(300, 460)
    low, high, deep = h * r.uniform(0.25, 0.4), h * r.uniform(0.7, 0.9), r.uniform(60, 130)
    a, b = np.array([w, low]), np.array([w - r.uniform(-15, 15), high])
    bite = np.array([a, a + vec(-deep * 1.35, -r.uniform(0, 25)), b + vec(-deep * 1.35, r.uniform(-5, 25)), b])
    first = (w + r.uniform(-10, 10), r.uniform(-10, 10))
    last = [(w - r.uniform(0, 30), h), (r.uniform(-15, 15), h + r.uniform(-20, 20))]
    base = closed("remnant", [(0, 0), first, (a[0], a[1]), (b[0], b[1]), *last])
    sides = list(base.sides)
    sides[2] = Side("bite", (bite,))
    return Shape("remnant", tuple(sides))


def scrap(r: Rng) -> Shape:
    while True:
        n = int(r.integers(6, 10))
        at = np.sort((np.arange(n) + r.uniform(-0.28, 0.28, n)) * 2 * np.pi / n)
        far = r.uniform(150, 290, n)
        p = np.column_stack([np.cos(at), np.sin(at)]) * far[:, None]
        d = np.roll(p, -1, 0) - p
        way = d @ [1, 1j]
        turn = np.degrees(np.angle(way / np.roll(way, 1)))
        longest = int(np.hypot(*d.T).argmax())
        if np.abs(turn).min() > 22 and turn.min() > -70 and turn.max() < 125 and np.hypot(*d.T).min() > 60:
            break
    a, b = p[longest], p[(longest + 1) % n]
    inward = np.array([-(b - a)[1], (b - a)[0]]) * r.uniform(0.35, 0.7)
    along = b - a
    bay = np.array([a, a + along * r.uniform(0.15, 0.3) + inward, b - along * r.uniform(0.15, 0.3) + inward * 0.9, b])
    sides = [Side(f"side {i}", (line(p[i], p[(i + 1) % n]),)) for i in range(n)]
    sides[longest] = Side("bay", (bay,))
    return Shape("scrap", tuple(sides))


def sash(r: Rng) -> Shape:
    n, w = r.uniform(560, 900), r.uniform(45, 90)
    first: Corners = [(0, 0), (n, 0)]
    ends: dict[int, Corners] = {
        0: [(n + w * r.uniform(0.4, 0.8), w * 0.5), (n, w)],
        1: [(n + w * r.uniform(-0.6, 0.6), w)],
        2: [(n, w)],
    }
    return closed("sash", [*first, *ends[int(r.integers(0, 3))], (w * r.uniform(0, 0.5), w)])


def holed(r: Rng) -> Shape:
    w, h, round_mm = r.uniform(320, 560), r.uniform(320, 560), r.uniform(35, 90)
    k = 0.5522847498 * round_mm
    a, b, e = np.array([0.0, 0.0]), np.array([w, r.uniform(-12, 12)]), np.array([r.uniform(-15, 15), h])
    p, q = np.array([w, h - round_mm]), np.array([w - round_mm, h])
    rounded = np.array([p, p + vec(0, k), q + vec(k, 0), q])
    ways = {"hem": line(a, b), "right": line(b, p), "rounded corner": rounded, "top": line(q, e), "left": line(e, a)}
    sides = tuple(Side(name, (curve,)) for name, curve in ways.items())
    half = r.uniform(30, 95)
    centre = np.array([w * r.uniform(0.4, 0.55), h * r.uniform(0.4, 0.65)])
    hole = oval("opening", centre, half, half * r.choice([1.0, r.uniform(0.6, 1.0)]))
    return Shape("holed", sides, (hole,))


def collar(r: Rng) -> Shape:
    n, w = r.uniform(190, 250), r.uniform(65, 100)
    p: Corners = [(-n, 0), (n, 0), (n + r.uniform(5, 40), w), (-n - r.uniform(5, 40), w)]
    sag = r.uniform(15, 60)
    return closed("collar", p, {0: -sag, 2: sag * r.uniform(0.6, 1.2)})


def yoke(r: Rng) -> Shape:
    n, h, neck, drop = r.uniform(190, 260), r.uniform(120, 180), r.uniform(65, 90), r.uniform(25, 50)
    right, left = (n - r.uniform(5, 25), h - drop), (-n + r.uniform(5, 25), h - drop)
    p: Corners = [(-n, 0), (n, 0), right, (neck, h), (-neck, h), left]
    return closed("yoke", p, {0: r.uniform(4, 16), 1: -r.uniform(5, 14), 3: -r.uniform(22, 45), 5: -r.uniform(5, 14)})


def trouser(r: Rng) -> Shape:
    hem, knee_in, n, seat = r.uniform(90, 140), r.uniform(-10, 10), r.uniform(520, 680), r.uniform(60, 90)
    rise, waist = r.uniform(150, 200), r.uniform(100, 130)
    a, b = np.array([-hem, 0.0]), np.array([hem, 0.0])
    fork, front = np.array([hem + seat, n - rise]), np.array([waist * 0.85, n])
    back = np.array([-waist - r.uniform(5, 20), n + r.uniform(-6, 12)])
    inseam = np.array([b, b + vec(knee_in, (n - rise) * 0.4), fork - vec(seat * 0.5, (n - rise) * 0.35), fork])
    crotch = np.array([fork, fork + vec(-seat * 0.8, r.uniform(4, 14)), front + vec(4, -rise * 0.6), front])
    side = arch(back, a, r.uniform(4, 14))
    ways = {"hem": line(a, b), "inseam": inseam, "crotch": crotch, "waist": line(front, back), "side": side}
    return Shape("trouser", tuple(Side(name, (curve,)) for name, curve in ways.items()))


SHAPES: dict[str, Callable[[Rng], Shape]] = {
    f.__name__: f for f in (aline, gore, bodice, sleeve, tshirt, remnant, scrap, sash, holed, collar, yoke, trouser)
}
