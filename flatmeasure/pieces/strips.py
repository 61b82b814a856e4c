"""Strips and binding from one piece or several leftovers, by placing the strips.

The cloth is ruled in bands as wide as a strip; a free stretch of a band that is long enough gives a strip. The ruling
is shifted until most length comes out. Strips for a binding are sewn end to end:

- square ends, seam across: each join takes the allowance of both ends, 2 a;
- slanted ends (45 degrees, as bias strips have where they end along the grain): 2 a / sin 45.

The handbook's estimate for the same cloth is its area over the strip's width: no offcuts, no joins.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.rectangles import Direction, angles_deg, free_stretches, usable
from flatmeasure.quantity import Quantity, root_sum_squares

RULINGS = 16  # shifts of the ruling that are tried within one strip's width
TOUCH_MM = 1e-6  # a strip may touch the outline
PROBE_MM = 0.05  # outline shift by which a strip's sensitivity is found
SAFE = 2.0  # coverage factor of the sure count


class Ends(StrEnum):
    """How strips end and are joined."""

    SQUARE = "square"
    SLANTED = "slanted"


@dataclass(frozen=True)
class StripPlan:
    """What strips are wanted.

    Attributes
    ----------
    width_mm : float
        Cut width.
    direction : Direction
        How strips run.
    ends : Ends
    allowance_mm : float
        Of the seams that join them.
    shortest_mm : float
        No strip shorter than this.
    """

    width_mm: float
    direction: Direction = Direction.BIAS
    ends: Ends = Ends.SLANTED
    allowance_mm: float = 6.35
    shortest_mm: float = 100.0


@dataclass(frozen=True, eq=False)
class Strip:
    """One strip.

    Attributes
    ----------
    panel : str
        Id of the piece it is cut from.
    length : Quantity
        Of a square-ended strip its length, of a slanted one the length of either long side.
    corners_mm : (4, 2) array
    """

    panel: str
    length: Quantity
    corners_mm: Points


@dataclass(frozen=True, eq=False)
class Strips:
    """All strips that were placed.

    Attributes
    ----------
    plan : StripPlan
    strips : tuple of Strip
        Longest first.
    total : Quantity
        Sum of their lengths, mm.
    joined : Quantity
        Length of the binding they make, joins taken off, mm.
    estimate : Quantity
        The handbook's estimate: usable area over strip width, mm.
    sure_count : int
        How many strips come out even if the cloth is smaller by twice its uncertainty.
    double_fold_mm : float
        Finished width of a double-fold binding from these strips: a quarter (common practice).
    """

    plan: StripPlan
    strips: tuple[Strip, ...]
    total: Quantity
    joined: Quantity
    estimate: Quantity
    sure_count: int
    double_fold_mm: float


@dataclass(frozen=True, eq=False)
class _Ruled:
    """A ruling's strips in its own axes (strips along x, slanted ends made square by a shear)."""

    cloth: BaseGeometry
    stretches: list[tuple[float, float, float]]  # y of the lower side, x from, x to
    angle_deg: float
    lean: float  # x shift per y: 0, 1 or -1

    @property
    def length(self) -> float:
        return sum(x1 - x0 for _, x0, x1 in self.stretches)


def place_strips(panels: Panel | Sequence[Panel], plan: StripPlan) -> Strips:
    """Place strips on one piece or several.

    Parameters
    ----------
    panels : Panel or sequence of Panel
        Grain known. Every piece is used for itself; joins run over all strips.
    plan : StripPlan

    Returns
    -------
    Strips
        A strip between two places of the outline that meet it at angles a has
        u^2 = (L scale)^2 + (k shift)^2 + (k point)^2 / 2 with k = sum 1 / sin a, found by growing the cloth; scale and
        shift are common to the strips of one piece, and pieces count as independent.

    Raises
    ------
    ValueError
        If a panel's grain is not known.
    """
    pieces = [panels] if isinstance(panels, Panel) else list(panels)
    strips: list[Strip] = []
    shared, own = [], []
    for panel in pieces:
        ruled = _best(usable(panel), angles_deg(panel, plan.direction), plan)
        k = _sensitivities(ruled, plan)
        lengths = np.array([x1 - x0 for _, x0, x1 in ruled.stretches])
        shared += [panel.error.scale * float(np.sum(lengths)), panel.error.shift_mm * float(np.sum(k))]
        own += list(panel.error.point_mm * k / np.sqrt(2.0))
        strips += [_strip(panel, ruled, i, float(k[i]), plan) for i in range(len(lengths))]
    strips.sort(key=lambda strip: -strip.length.value)
    u = root_sum_squares(np.array(shared), np.array(own))
    total = Quantity(sum(strip.length.value for strip in strips), u, "mm")
    lost = float(max(len(strips) - 1, 0) * per_join_mm(plan))
    return Strips(
        plan=plan,
        strips=tuple(strips),
        total=total,
        joined=replace(total, value=max(total.value - lost, 0.0)),
        estimate=_estimate(pieces, plan),
        sure_count=min(len(strips), sum(_sure_count(panel, plan) for panel in pieces)),
        double_fold_mm=plan.width_mm / 4.0,
    )


def per_join_mm(plan: StripPlan) -> float:
    """Length that every join of two strips takes."""
    return 2.0 * plan.allowance_mm * (float(np.sqrt(2.0)) if plan.ends is Ends.SLANTED else 1.0)


def _estimate(pieces: Sequence[Panel], plan: StripPlan) -> Quantity:
    """Area over width; u(A) of each usable area as `Panel.area_of` has it."""
    areas = []
    for panel in pieces:
        cloth = usable(panel)
        shared = root_sum_squares(2.0 * cloth.area * panel.error.scale, cloth.length * panel.error.shift_mm)
        areas.append(panel.area_of(cloth.area, shared, cloth.length))
    u = root_sum_squares(np.array([area.u for area in areas]))
    return Quantity(sum(area.value for area in areas) / plan.width_mm, u / plan.width_mm, "mm")


def _sure_count(panel: Panel, plan: StripPlan) -> int:
    """Strips that come out of the cloth smaller by twice the uncertainty of its outline about its middle."""
    error = panel.error
    reach = float(np.hypot(*np.ptp(panel.outline_mm, axis=0))) / 2.0
    less = SAFE * root_sum_squares(reach * error.scale, error.shift_mm, error.point_mm)
    cloth = usable(panel).buffer(-less, join_style="mitre")
    return len(_best(cloth, angles_deg(panel, plan.direction), plan).stretches)


def _best(cloth: BaseGeometry, angles: Sequence[float], plan: StripPlan) -> _Ruled:
    """The ruling with most length, over its shift, the two bias directions and the two ways ends may slant."""
    leans = (1.0, -1.0) if plan.ends is Ends.SLANTED else (0.0,)
    found = []
    for angle in angles:
        turned = affinity.rotate(cloth, -angle, origin=(0, 0))
        for lean in leans:
            sheared = affinity.affine_transform(turned, [1.0, -lean, 0.0, 1.0, 0.0, 0.0])
            for shift in np.arange(RULINGS) / RULINGS * plan.width_mm:
                found.append(_Ruled(sheared, _rule(sheared, plan, float(shift)), angle, lean))
    return max(found, key=lambda ruled: ruled.length)


def _rule(cloth: BaseGeometry, plan: StripPlan, shift: float) -> list[tuple[float, float, float]]:
    if cloth.is_empty:
        return []
    _, bottom, _, top = cloth.bounds
    # From the middle: the same strips whichever end of the cloth is called its bottom.
    middle = (bottom + top) / 2.0 + shift
    first = middle - np.floor((middle - bottom + TOUCH_MM) / plan.width_mm) * plan.width_mm
    stretches = []
    for low in np.arange(first, top - plan.width_mm + TOUCH_MM, plan.width_mm):
        for x0, x1 in free_stretches(cloth, float(low) + TOUCH_MM, float(low) + plan.width_mm - TOUCH_MM):
            if x1 - x0 >= plan.shortest_mm:
                stretches.append((float(low), float(x0), float(x1)))
    return stretches


def _sensitivities(ruled: _Ruled, plan: StripPlan) -> NDArray[np.float64]:
    """(S,) change of each strip's length per mm of outline shift, by growing the cloth a little."""
    grown = ruled.cloth.buffer(PROBE_MM, join_style="mitre")
    k = []
    for low, x0, x1 in ruled.stretches:
        free = free_stretches(grown, low + TOUCH_MM, low + plan.width_mm - TOUCH_MM)
        within = free[(free[:, 0] <= x0 + 1e-6) & (free[:, 1] >= x1 - 1e-6)]
        longer = float(within[0, 1] - within[0, 0] - (x1 - x0)) if len(within) else 2.0 * PROBE_MM
        k.append(longer / PROBE_MM)
    return np.array(k)


def _strip(panel: Panel, ruled: _Ruled, index: int, k: float, plan: StripPlan) -> Strip:
    low, x0, x1 = ruled.stretches[index]
    error, high = panel.error, low + plan.width_mm
    u = root_sum_squares((x1 - x0) * error.scale, k * error.shift_mm, k * error.point_mm / np.sqrt(2.0))
    corners = np.array([[x0, low], [x1, low], [x1, high], [x0, high]])
    corners[:, 0] += ruled.lean * corners[:, 1]
    c, s = np.cos(np.radians(ruled.angle_deg)), np.sin(np.radians(ruled.angle_deg))
    return Strip(panel.id, Quantity(x1 - x0, u, "mm"), corners @ np.array([[c, s], [-s, c]]))
