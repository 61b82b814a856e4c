"""How an edge runs: straight or curved, its chord, depth and radii."""

from dataclasses import dataclass

import numpy as np

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel, PanelEdge, line_length
from flatmeasure.polygons import cross, sagitta
from flatmeasure.quantity import Quantity, root_sum_squares

WINDOW_SHARE, WINDOW_MM = 0.25, (40.0, 150.0)  # a radius is read over a quarter of the edge, within these bounds
STEPS = 12  # windows overlap: so many starts within one window's length


@dataclass(frozen=True)
class EdgeShape:
    """How an edge runs.

    Attributes
    ----------
    id, label, kind : str
    length, chord, depth : Quantity
        Along it, straight between its ends, and its greatest distance from the chord (from its start when closed).
    bends : str
        Seen from the cloth: ``"straight"``, ``"outward"``, ``"inward"`` or ``"both ways"``.
    radius_min, radius_max : Quantity or None
        Tightest and widest radius read over a window of the edge; None on a straight edge, and ``radius_max`` also
        where a part of a curve cannot be told from straight.
    """

    id: str
    label: str
    kind: str
    length: Quantity
    chord: Quantity
    depth: Quantity
    bends: str
    radius_min: Quantity | None
    radius_max: Quantity | None


def describe_edges(panel: Panel) -> tuple[EdgeShape, ...]:
    """The shape of each of a panel's edges.

    Parameters
    ----------
    panel : Panel

    Returns
    -------
    tuple of EdgeShape
        Going round, as the panel's edges.
    """
    return tuple(_shape(panel, edge) for edge in panel.edges)


def _shape(panel: Panel, edge: PanelEdge) -> EdgeShape:
    def chord_and_depth(moved: Panel) -> Points:
        return _chord_and_depth(moved.edge_points(edge))

    chord, depth = chord_and_depth(panel)
    u_chord, u_depth = panel.shared(chord_and_depth)
    own = panel.error.point_mm
    # The depth is one place against the line through two others: at its middle that line is off by point / sqrt(2).
    u_depth_mm = root_sum_squares(float(u_depth), own * np.sqrt(1.5))
    bends, tightest, widest = ("straight", None, None) if edge.kind == "straight" else _radii(panel, edge)
    return EdgeShape(
        id=edge.id,
        label=edge.label,
        kind=edge.kind,
        length=edge.length,
        chord=panel.length(float(chord), float(u_chord)),
        depth=Quantity(float(depth), u_depth_mm, "mm"),
        bends=bends,
        radius_min=tightest,
        radius_max=widest,
    )


def _chord_and_depth(line: Points) -> Points:
    return np.array([np.hypot(*(line[-1] - line[0])), float(sagitta(line))])


def _radii(panel: Panel, edge: PanelEdge) -> tuple[str, Quantity | None, Quantity | None]:
    """Which way a curve bends, and its tightest and widest radius.

    Over a window of chord w a circle of radius r rises by h: r = w^2 / (8 h) + h / 2. With u(h) = sqrt(1.5) point,
    u(r) = |w^2 / (8 h^2) - 1/2| u(h); scale adds r times itself, a shift changes every radius by itself.
    A window whose h is below 2 u(h) cannot be told from straight.
    """
    line = panel.edge_points(edge)
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    window = min(max(WINDOW_SHARE * at[-1], WINDOW_MM[0]), WINDOW_MM[1], line_length(line))
    starts = np.linspace(0.0, at[-1] - window, max(1, int((at[-1] - window) / window * STEPS)) + 1)
    start, middle, end = (_along(line, at, starts + window * share) for share in (0.0, 0.5, 1.0))
    chord = np.linalg.norm(end - start, axis=1)
    rise = cross(end - start, middle - start) / chord  # positive: bending inward, outlines being counter-clockwise
    u_rise = np.sqrt(1.5) * panel.error.point_mm
    bent = np.abs(rise) > max(2.0 * u_rise, 1e-6)
    if not np.any(bent):
        return "straight", None, None
    inward, outward = bool(np.any(bent & (rise > 0))), bool(np.any(bent & (rise < 0)))
    size = np.where(bent, np.abs(rise), np.nan)
    radius = chord**2 / (8.0 * size) + size / 2.0
    u_radius = np.abs(chord**2 / (8.0 * size**2) - 0.5) * u_rise
    tightest, widest = (
        Quantity(
            float(radius[k]),
            root_sum_squares(float(u_radius[k]), float(radius[k]) * panel.error.scale, panel.error.shift_mm),
            "mm",
        )
        for k in (int(np.nanargmin(radius)), int(np.nanargmax(radius)))
    )
    bends = "both ways" if inward and outward else "inward" if inward else "outward"
    return bends, tightest, widest if np.all(bent) else None


def _along(line: Points, at: Points, where: Points) -> Points:
    return np.column_stack([np.interp(where, at, line[:, 0]), np.interp(where, at, line[:, 1])])
