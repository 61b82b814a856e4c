"""Small charts as SVG: lines and points on linear or logarithmic axes, told apart without colour too."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

WIDTH, HEIGHT = 640, 400
LEFT, RIGHT, TOP, BOTTOM = 70, 20, 64, 54
FONT = "font-family='Helvetica, Arial, sans-serif'"
# Okabe and Ito, "Color universal design", 2008; dark enough for black-and-white print
COLOURS = ("#000000", "#0072b2", "#d55e00", "#5d5d5d")
DASHES = ("", "7 4", "2 3", "10 3 2 3")
MARKERS = ("circle", "square", "triangle", "diamond")


@dataclass(frozen=True)
class Axis:
    """One axis: its label, range, ticks, and whether it is logarithmic."""

    label: str
    low: float
    high: float
    ticks: Sequence[float]
    logarithmic: bool = False

    def share(self, value: float) -> float:
        """0 at the low end, 1 at the high end."""
        if self.logarithmic:
            return float(np.log(max(value, self.low) / self.low) / np.log(self.high / self.low))
        return (value - self.low) / (self.high - self.low)


@dataclass(frozen=True)
class Series:
    """One named row of points; joined unless it is a cloud of single ones. Hollow markers where ``hollow``."""

    name: str
    x: Sequence[float]
    y: Sequence[float]
    style: int
    joined: bool = True
    hollow: bool = False
    marked: bool = True


@dataclass(frozen=True)
class Chart:
    """A chart with a title that says what is seen."""

    title: str
    x: Axis
    y: Axis
    series: Sequence[Series] = field(default_factory=tuple)

    def svg(self) -> str:
        """The whole drawing."""
        parts = [
            f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {WIDTH} {HEIGHT}' width='{WIDTH}' height='{HEIGHT}' "
            f"role='img' {FONT}>",
            f"<title>{escape(self.title)}</title>",
            f"<rect width='{WIDTH}' height='{HEIGHT}' fill='#ffffff'/>",
            f"<text x='{LEFT}' y='22' font-size='15' font-weight='bold'>{escape(self.title)}</text>",
            *self._grid(),
            *(part for one in self.series for part in self._drawn(one)),
            *self._legend(),
        ]
        return "\n".join([*parts, "</svg>", ""])

    def _at(self, x: float, y: float) -> tuple[float, float]:
        across, up = self.x.share(x), self.y.share(y)
        return LEFT + across * (WIDTH - LEFT - RIGHT), HEIGHT - BOTTOM - up * (HEIGHT - TOP - BOTTOM)

    def _grid(self) -> list[str]:
        parts = []
        for tick in self.y.ticks:
            x, y = self._at(self.x.low, tick)
            parts.append(f"<path d='M{LEFT} {y:.1f}H{WIDTH - RIGHT}' stroke='#d0d0d0' stroke-width='1'/>")
            parts.append(f"<text x='{x - 8:.1f}' y='{y + 4:.1f}' font-size='12' text-anchor='end'>{tick:g}</text>")
        for tick in self.x.ticks:
            x, y = self._at(tick, self.y.low)
            parts.append(f"<path d='M{x:.1f} {y:.1f}v5' stroke='#000000' stroke-width='1'/>")
            parts.append(f"<text x='{x:.1f}' y='{y + 19:.1f}' font-size='12' text-anchor='middle'>{tick:g}</text>")
        bottom, middle = HEIGHT - BOTTOM, (TOP + HEIGHT - BOTTOM) / 2
        parts.append(
            f"<path d='M{LEFT} {TOP}V{bottom}H{WIDTH - RIGHT}' fill='none' stroke='#000000' stroke-width='1'/>"
        )
        centre = (LEFT + WIDTH - RIGHT) / 2
        label = (
            f"<text x='{centre}' y='{HEIGHT - 12}' font-size='13' text-anchor='middle'>{escape(self.x.label)}</text>"
        )
        turned = f"transform='translate(18 {middle}) rotate(-90)' font-size='13' text-anchor='middle'"
        return [*parts, label, f"<text {turned}>{escape(self.y.label)}</text>"]

    def _drawn(self, one: Series) -> list[str]:
        at = [self._at(x, y) for x, y in zip(one.x, one.y, strict=True)]
        colour = COLOURS[one.style]
        parts = []
        if one.joined:
            way = "L".join(f"{x:.1f} {y:.1f}" for x, y in at)
            dash = f" stroke-dasharray='{DASHES[one.style]}'" if DASHES[one.style] else ""
            parts.append(f"<path d='M{way}' fill='none' stroke='{colour}' stroke-width='2'{dash}/>")
        if not one.marked:
            return parts
        if not one.joined:
            dots = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in at)
            stroke = f"stroke='{colour}' stroke-width='3' stroke-linecap='round' stroke-opacity='0.45'"
            return [*parts, f"<path d='{dots}' {stroke}/>"]
        return parts + [_marker(x, y, one.style, one.hollow) for x, y in at]

    def _legend(self) -> list[str]:
        parts, x = [], float(LEFT)
        for one in self.series:
            colour, dash = COLOURS[one.style], DASHES[one.style]
            if one.joined:
                parts.append(
                    f"<path d='M{x} 44h30' stroke='{colour}' stroke-width='2' stroke-dasharray='{dash or 'none'}'/>"
                )
            if one.marked and one.joined:
                parts.append(_marker(x + 15, 44, one.style, one.hollow))
            elif one.marked:
                parts.append(f"<circle cx='{x + 15}' cy='44' r='2' fill='{colour}' fill-opacity='0.6'/>")
            parts.append(f"<text x='{x + 36}' y='48' font-size='12'>{escape(one.name)}</text>")
            x += 58 + 6.3 * len(one.name)
        return parts


def _marker(x: float, y: float, style: int, hollow: bool) -> str:
    colour = COLOURS[style]
    paint = f"fill='{'#ffffff' if hollow else colour}' stroke='{colour}' stroke-width='1.5'"
    if MARKERS[style] == "circle":
        return f"<circle cx='{x:.1f}' cy='{y:.1f}' r='4' {paint}/>"
    shapes = {
        "square": "m-4 -4h8v8h-8z",
        "triangle": "m0 -5l5 9h-10z",
        "diamond": "m0 -5.5l5.5 5.5l-5.5 5.5l-5.5 -5.5z",
    }
    return f"<path d='M{x:.1f} {y:.1f}{shapes[MARKERS[style]]}' {paint}/>"


def nice_top(values: Sequence[float], steps: int = 5) -> tuple[float, list[float]]:
    """A round value above all, and ticks from 0 up to it."""
    largest = max(float(np.max(values)), 1e-9)
    step = largest / steps
    magnitude = 10.0 ** np.floor(np.log10(step))
    step = float(magnitude * min(m for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * magnitude >= step))
    count = int(np.ceil(largest / step))
    return step * count, [round(step * i, 10) for i in range(count + 1)]
