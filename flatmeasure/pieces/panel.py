"""A measured piece of cloth as a cutter handles it: outline, named edges, and how sure its place is.

A panel's uncertainty is told by three independent causes, so that any further measure can inherit it:

- *scale*: all lengths too long by the same share (camera, lens, reference);
- *shift*: the whole outline too far out by the same distance (tone curve, blur, thickness);
- *point*: one place of the outline off by chance, neighbours within `CORRELATION_MM` together.

A measure m then has u(m)^2 = (dm by scale)^2 + (dm by shift)^2 + (its own points' part)^2 (GUM, 5.1.2).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from shapely import get_parts, make_valid
from shapely.geometry import Polygon

from flatmeasure.photos.camera import Points
from flatmeasure.quantity import CORRELATION_MM, Quantity, root_sum_squares

MITRE_LIMIT = 10.0  # sharper points than 11 degrees move no farther than this times the shift

Measure = Callable[["Panel"], NDArray[np.float64]]


@dataclass(frozen=True)
class OutlineError:
    """Standard uncertainties of an outline, by cause.

    Attributes
    ----------
    scale : float
        Relative, common to all lengths.
    shift_mm : float
        Of the whole outline along its outward normals.
    point_mm : float
        Of a single place along its normal.
    """

    scale: float = 0.0
    shift_mm: float = 0.0
    point_mm: float = 0.0


@dataclass(frozen=True)
class Grain:
    """Direction of the lengthwise grain.

    Attributes
    ----------
    angle_deg : float
        From the mat's x axis, counter-clockwise, 0 to 180.
    u_deg : float
    source : str
        Where it is from, such as ``"edge A1"`` or ``"weave"``.
    confidence : float
        0..1; 1 when it was given.
    """

    angle_deg: float
    u_deg: float
    source: str
    confidence: float = 1.0


@dataclass(frozen=True, eq=False)
class PanelEdge:
    """A side between two corners.

    Attributes
    ----------
    id, label : str
        Stable name, such as ``"A1"``, and the user's own, such as ``"centre front"`` (may be empty).
    first, last : int
        Indices into the outline of its two ends; ``last`` may be below ``first`` where the outline closes.
    kind : str
        ``"straight"`` or ``"curve"``.
    length : Quantity
    """

    id: str
    label: str
    first: int
    last: int
    kind: str
    length: Quantity


@dataclass(frozen=True, eq=False)
class Panel:
    """One piece of cloth, lying flat.

    Attributes
    ----------
    id : str
    complete : bool
        False when the photo cuts it off.
    area : Quantity
        Net of holes, one layer.
    outline_mm : (N, 2) array
        Counter-clockwise; begins at the first edge's start.
    holes_mm : tuple of (M, 2) array
    edges : tuple of PanelEdge
        Going round; together they are the whole outline.
    error : OutlineError
    grain : Grain or None
        None while unknown.
    layers : int
        Of cloth lying on each other.
    flaws_mm : tuple of (K, 2) array
        Zones that no cut part may touch.
    """

    id: str
    complete: bool
    area: Quantity
    outline_mm: Points
    holes_mm: tuple[Points, ...]
    edges: tuple[PanelEdge, ...]
    error: OutlineError
    grain: Grain | None = None
    layers: int = 1
    flaws_mm: tuple[Points, ...] = ()

    @cached_property
    def polygon(self) -> Polygon:
        """The cloth, holes left out."""
        return _valid(Polygon(self.outline_mm, self.holes_mm))

    @cached_property
    def outer(self) -> Polygon:
        """The cloth with its holes filled."""
        return _valid(Polygon(self.outline_mm))

    def edge_points(self, edge: PanelEdge) -> Points:
        """(K, 2) points of an edge, both ends included."""
        count = (edge.last - edge.first) % len(self.outline_mm) or len(self.outline_mm)
        return self.outline_mm[np.arange(edge.first, edge.first + count + 1) % len(self.outline_mm)]

    def edge(self, name: str) -> PanelEdge:
        """The edge with this id or label.

        Raises
        ------
        KeyError
            If there is none.
        """
        for edge in self.edges:
            if name.strip().lower() in (edge.id.lower(), edge.label.lower()):
                return edge
        raise KeyError(name)

    def moved(self, *, scale: float = 0.0, shift_mm: float = 0.0) -> "Panel":
        """The same panel with every length grown by a share, or its outline moved outward by a distance."""
        outline = self.outline_mm + shift_mm * outward(self.outline_mm)
        holes = tuple(hole + shift_mm * outward(hole) for hole in self.holes_mm)
        grow = 1.0 + scale
        return replace(
            self,
            outline_mm=outline * grow,
            holes_mm=tuple(hole * grow for hole in holes),
            flaws_mm=tuple(flaw * grow for flaw in self.flaws_mm),
        )

    def shared(self, measure: Measure) -> NDArray[np.float64]:
        """What scale and shift contribute to the u of measures.

        Parameters
        ----------
        measure : callable
            From a panel to an array of any shape.

        Returns
        -------
        array of that shape
            Root sum square of the half differences between the panel moved up and down by one standard uncertainty of
            each cause (first order, GUM, 5.1.3 note 2).
        """
        steps: list[dict[str, float]] = [{"scale": self.error.scale}, {"shift_mm": self.error.shift_mm}]
        halves = [
            (measure(self.moved(**step)) - measure(self.moved(**{k: -v for k, v in step.items()}))) / 2.0
            for step in steps
            if any(step.values())
        ]
        zero = np.zeros_like(measure(self)) if not halves else np.zeros_like(halves[0])
        return np.asarray(np.sqrt(sum((half**2 for half in halves), start=zero)))

    def length(self, value_mm: float, shared_mm: float) -> Quantity:
        """A length between two places of the outline: each end adds its own part, u^2 = shared^2 + 2 point^2."""
        return Quantity(value_mm, root_sum_squares(shared_mm, self.error.point_mm, self.error.point_mm), "mm")

    def area_of(self, value_mm2: float, shared_mm2: float, bound_mm: float) -> Quantity:
        """An area of which the outline bounds ``bound_mm``.

        Its own part: bound/c independent stretches of length c (`CORRELATION_MM`), each off by ``point``, move
        the area by sqrt(bound / c) * c * point.
        """
        own = np.sqrt(CORRELATION_MM * max(bound_mm, 0.0)) * self.error.point_mm
        return Quantity(value_mm2, root_sum_squares(shared_mm2, own), "mm2")


def outward(points: Points) -> Points:
    """Mitre normals (N, 2) of a closed ring with the cloth on its left: along them by d, every side moves out by d."""
    ahead = np.roll(points, -1, axis=0) - points
    side = np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.linalg.norm(ahead, axis=1, keepdims=True)
    before = np.roll(side, 1, axis=0)
    cosine = np.sum(side * before, axis=1, keepdims=True)
    return np.asarray((side + before) / np.maximum(1.0 + cosine, 2.0 / MITRE_LIMIT**2))


def _valid(polygon: Polygon) -> Polygon:
    """The polygon; when an outline moved a little folds over itself in a sharp corner, without that fold."""
    if polygon.is_valid:
        return polygon
    parts = get_parts(get_parts(make_valid(polygon)))  # twice: a collection may hold several polygons as one
    return max((part for part in parts if isinstance(part, Polygon)), key=lambda part: float(part.area))


def line_length(points: Points) -> float:
    """Length of a polyline (K, 2)."""
    return float(np.sum(np.linalg.norm(np.diff(points, axis=0), axis=1)))


def edge_lengths(panel: Panel) -> NDArray[np.float64]:
    """Lengths (E,) of a panel's edges from its points."""
    return np.array([line_length(panel.edge_points(edge)) for edge in panel.edges])


def explain_error(panel: Panel) -> OutlineError:
    """The three causes that explain the uncertainties a panel was measured with.

    Each stated u^2 is a sum of the causes' squares with known weights:
    an edge of length L that grows by k per mm of shift: L^2 scale^2 + k^2 shift^2 + 2 point^2;
    the area A with boundary P that grows by k: (2 A)^2 scale^2 + k^2 shift^2 + c P point^2, c the correlation length.
    Solved for the squares by non-negative least squares of relative deviations, the area weighing as much as all edges.
    """
    lengths = edge_lengths(panel)
    wider, narrower = panel.moved(shift_mm=1e-3), panel.moved(shift_mm=-1e-3)
    longer = (edge_lengths(wider) - edge_lengths(narrower)) / 2e-3
    larger = (wider.polygon.area - narrower.polygon.area) / 2e-3
    rows = [[length**2, k**2, 2.0] for length, k in zip(lengths, longer, strict=True)]
    rows.append([4.0 * panel.area.value**2, larger**2, CORRELATION_MM * panel.polygon.length])
    stated = np.array([edge.length.u for edge in panel.edges] + [panel.area.u]) ** 2
    known = stated > 0.0
    if not np.any(known):
        return OutlineError()
    weight = np.append(np.ones(len(lengths)), np.sqrt(len(lengths)))[known]
    # Unknowns of like size: scale in parts of the mean edge length.
    unit = np.array([np.mean(lengths) ** 2, 1.0, 1.0])
    system = np.array(rows)[known] / unit / stated[known, None] * weight[:, None]
    squares = nnls(system, weight)[0] / unit
    scale, shift, point = np.sqrt(squares)
    return OutlineError(float(scale), float(shift), float(point))
