"""Closed chains of cubic curves in mm, with exact lengths and areas: the outlines of the traced scenes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Rng = np.random.Generator
Corners = list[tuple[float, float]]

_GAUSS_AT, _GAUSS_WEIGHT = np.polynomial.legendre.leggauss(24)
_AT = (np.arange(16)[:, None] + (_GAUSS_AT + 1) / 2).ravel() / 16  # 16 panels a curve: lengths good to 1e-9
_WEIGHT = np.tile(_GAUSS_WEIGHT, 16) / 32


def bezier(curve: Array, t: Array) -> Array:
    """Points (N, 2) of the cubic with control points (4, 2)."""
    s = 1 - t
    return np.stack([s**3, 3 * s * s * t, 3 * s * t * t, t**3], axis=1) @ curve


def bezier_slope(curve: Array, t: Array) -> Array:
    """Derivative (N, 2) of the cubic by its parameter."""
    s = 1 - t
    return 3 * np.stack([s * s, 2 * s * t, t * t], axis=1) @ np.diff(curve, axis=0)


@dataclass(frozen=True)
class Side:
    """One edge of a piece: cubics that join smoothly, run through with the cloth on the left."""

    name: str
    curves: tuple[Array, ...]

    @property
    def kind(self) -> str:
        steps = np.diff(self.curves[0], axis=0)
        return "straight" if len(self.curves) == 1 and np.ptp(steps, axis=0).max() < 1e-9 else "curve"

    @property
    def length(self) -> float:
        return sum(float(np.linalg.norm(bezier_slope(c, _AT), axis=1) @ _WEIGHT) for c in self.curves)

    @property
    def area_part(self) -> float:
        """Its share in the area, after Green."""
        part = 0.0
        for c in self.curves:
            p, d = bezier(c, _AT), bezier_slope(c, _AT)
            part += float((p[:, 0] * d[:, 1] - p[:, 1] * d[:, 0]) @ _WEIGHT) / 2
        return part

    def points(self, step_mm: float) -> Array:
        """Points about a step apart, without the last."""
        parts = []
        for c in self.curves:
            n = max(2, int(np.ceil(np.linalg.norm(np.diff(c, axis=0), axis=1).sum() / step_mm)))
            parts.append(bezier(c, np.arange(n) / n))
        return np.vstack(parts)

    def moved(self, turn_deg: float, shift: Array) -> "Side":
        a = np.radians(turn_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        return Side(self.name, tuple(c @ turn.T + shift for c in self.curves))


@dataclass(frozen=True)
class Shape:
    """A piece: its sides counter-clockwise, its holes clockwise (one side each), and lines drawn upon it."""

    name: str
    sides: tuple[Side, ...]
    holes: tuple[Side, ...] = ()
    seams: tuple[Side, ...] = ()
    shaded: tuple[Side, ...] = ()  # closed: cloth that is seen through an opening, darker

    def moved(self, turn_deg: float, shift: Array) -> "Shape":
        def move(sides: tuple[Side, ...]) -> tuple[Side, ...]:
            return tuple(s.moved(turn_deg, shift) for s in sides)

        return Shape(self.name, move(self.sides), move(self.holes), move(self.seams), move(self.shaded))

    def outline(self, step_mm: float) -> Array:
        return np.vstack([s.points(step_mm) for s in self.sides])

    @property
    def corners(self) -> Array:
        return np.array([s.curves[0][0] for s in self.sides])

    @property
    def sharpest_deg(self) -> float:
        """Smallest angle of the cloth at a corner."""
        ends = np.array([0.0, 1.0])
        slopes = [[bezier_slope(c, ends) @ [1, 1j] for c in (s.curves[0], s.curves[-1])] for s in self.sides]
        turns = [
            np.angle(after[0][0] / before[1][1]) for before, after in zip(slopes[-1:] + slopes, slopes, strict=False)
        ]
        return 180 - float(np.degrees(max(turns)))

    @property
    def area(self) -> float:
        return sum(s.area_part for s in (*self.sides, *self.holes))

    @property
    def perimeter(self) -> float:
        return sum(s.length for s in self.sides)


def vec(x: float, y: float) -> Array:
    return np.array([x, y], float)


def line(p: Array, q: Array) -> Array:
    return np.array([p, p + (q - p) / 3, q - (q - p) / 3, q])


def arch(p: Array, q: Array, sag: float) -> Array:
    """A curve from p to q that swells by `sag` to the right of the way: outwards where positive."""
    d = q - p
    out = np.array([d[1], -d[0]]) / np.hypot(*d)
    c = line(p, q)
    c[1:3] += out * sag * 4 / 3
    return c


def oval(name: str, centre: Array, half_w: float, half_h: float) -> Side:
    """Clockwise, from four cubics."""
    k = 0.5522847498
    quarter = np.array([[1, 0], [1, -k], [k, -1], [0, -1]])
    curves = []
    for i in range(4):
        c, s = np.cos(-i * np.pi / 2), np.sin(-i * np.pi / 2)
        turned = quarter @ np.array([[c, s], [-s, c]])
        curves.append(turned * [half_w, half_h] + centre)
    return Side(name, tuple(curves))


def closed(name: str, corners: Corners, sags: dict[int, float] | None = None) -> Shape:
    """A polygon, counter-clockwise, of which some sides swell."""
    p = np.array(corners, float)
    sides = []
    for i in range(len(p)):
        q = p[(i + 1) % len(p)]
        sag = (sags or {}).get(i, 0.0)
        sides.append(Side(f"side {i}", (arch(p[i], q, sag) if sag else line(p[i], q),)))
    return Shape(name, tuple(sides))
