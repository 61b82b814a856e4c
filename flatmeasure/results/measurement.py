"""What one photo yields: frozen results, and the JSON they become.

Outlines run counter-clockwise and holes clockwise in the mat frame; edges follow the outline; pixels are those of the
upright photo.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from flatmeasure.edges.joints import Break
from flatmeasure.errors import Note
from flatmeasure.outline.refinement import Outline
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo
from flatmeasure.quantity import Quantity
from flatmeasure.view.rectification import PlacedReference, Rectification

SCHEMA = "flatmeasure.measurement/1"
# Confidence: pieces above it were within 1.8 % of their true area, those below off by up to 22 %.
UNSURE = 0.9
WEAK_SHARE = 0.15  # of points without a clear step: from here on an edge is called unclear, a stretch drawn dashed
# Far below u, far above what the order changes in which a processor sums: the same photo gives the same digits.
DIGITS = {"mm2": 2, "mm": 4, "deg": 4}
MM_DIGITS, PX_DIGITS = 3, 2  # a micrometre and a hundredth of a pixel: below anything a photo can tell


@dataclass(frozen=True, eq=False)
class Corner:
    """Where two edges meet.

    Attributes
    ----------
    at_mm, at_px : (2,) array
    angle : Quantity
        Interior angle of the cloth, deg.
    """

    at_mm: Points
    at_px: Points
    angle: Quantity


@dataclass(frozen=True, eq=False)
class Edge:
    """A side of the cloth between two corners.

    Attributes
    ----------
    id : str
        Piece and number, such as ``"A1"``.
    start, end : int
        Indices into the piece's corners ("from" and "to" in JSON).
    kind : str
        ``"straight"`` or ``"curve"``.
    length, chord, depth : Quantity
        Along the edge, straight between its ends, and its greatest distance from that chord; mm.
    points_mm, points_px : (K, 2) array
        The fitted edge.
    weak : float
        Share of the edge along which the picture shows no clear step, 0..1.
    unsure : (K,) array of bool
        Points in the midst of places without a clear step.
    """

    id: str
    start: int
    end: int
    kind: str
    length: Quantity
    chord: Quantity
    depth: Quantity
    points_mm: Points
    points_px: Points
    weak: float
    unsure: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Traced:
    """What a piece was measured from, so that a person can correct it.

    Attributes
    ----------
    outline : Outline
    holes : tuple of Outline
    breaks : tuple of Break
        Where along the outline each edge starts, in the order of the edges; none of a smooth closed outline.
    """

    outline: Outline
    holes: tuple[Outline, ...]
    breaks: tuple[Break, ...]


@dataclass(frozen=True, eq=False)
class Flaw:
    """A place in a piece that a cutter may want to avoid: a proposal, nothing is cut off for it.

    Attributes
    ----------
    kind : str
        ``"stain"``, ``"hole"``, ``"worn"`` or ``"mark"``.
    confidence : float
        0 to 1.
    outline_mm, outline_px : (N, 2) array
    """

    kind: str
    confidence: float
    outline_mm: Points
    outline_px: Points


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece of cloth.

    Attributes
    ----------
    id : str
        ``"A"``, ``"B"``, ...
    complete : bool
        False when the photo's frame cuts it off: measures are then of the part seen.
    confidence : float
        How sure it is that this is cloth and all of it, 0..1.
    area : Quantity
        Net of holes, one layer, mm2.
    area_budget : tuple of (str, float)
        What makes up the area's u, by cause, largest first: each cause's own standard uncertainty, mm2.
    perimeter : Quantity
        Of the outer outline, mm.
    along, across : Quantity
        Extent along the longest straight edge (the longest chord where no edge is straight) and across it, mm.
    along_edge : str
        The edge ``along`` refers to.
    outline_mm, outline_px : (N, 2) array
    holes_mm, holes_px : tuple of (M, 2) array
    corners : tuple of Corner
    edges : tuple of Edge
    traced : Traced or None
        None of a piece that was not measured in a photo.
    flaws : tuple of Flaw
        Proposed, the surest first.
    """

    id: str
    complete: bool
    confidence: float
    area: Quantity
    area_budget: tuple[tuple[str, float], ...]
    perimeter: Quantity
    along: Quantity
    across: Quantity
    along_edge: str
    outline_mm: Points
    outline_px: Points
    holes_mm: tuple[Points, ...]
    holes_px: tuple[Points, ...]
    corners: tuple[Corner, ...]
    edges: tuple[Edge, ...]
    traced: Traced | None = None
    flaws: tuple[Flaw, ...] = ()

    @property
    def polygon(self) -> Polygon:
        """The cloth in the mat frame, holes left out."""
        return Polygon(self.outline_mm, self.holes_mm)

    @property
    def weak(self) -> float:
        """Share of the outline along which the cloth has no clear step to the ground."""
        lengths = np.array([edge.length.value for edge in self.edges])
        return float(lengths @ [edge.weak for edge in self.edges] / np.sum(lengths))

    def to_dict(self) -> dict[str, Any]:
        """The piece as JSON (design, section 3)."""
        return {
            "id": self.id,
            "complete": self.complete,
            "confidence": round(self.confidence, 3),
            "area": _written(self.area),
            "area_budget": [{"cause": cause, "u": round(u, 2)} for cause, u in self.area_budget],
            "perimeter": _written(self.perimeter),
            "along": _written(self.along),
            "across": _written(self.across),
            "along_edge": self.along_edge,
            "outline_mm": _listed(self.outline_mm, MM_DIGITS),
            "holes_mm": [_listed(hole, MM_DIGITS) for hole in self.holes_mm],
            "outline_px": _listed(self.outline_px, PX_DIGITS),
            "holes_px": [_listed(hole, PX_DIGITS) for hole in self.holes_px],
            "corners": [
                {
                    "at_mm": _listed(corner.at_mm, MM_DIGITS),
                    "at_px": _listed(corner.at_px, PX_DIGITS),
                    "angle": _written(corner.angle),
                }
                for corner in self.corners
            ],
            "edges": [
                {
                    "id": edge.id,
                    "from": edge.start,
                    "to": edge.end,
                    "kind": edge.kind,
                    "length": _written(edge.length),
                    "chord": _written(edge.chord),
                    "depth": _written(edge.depth),
                    "weak": round(edge.weak, 3),
                    "points_mm": _listed(edge.points_mm, MM_DIGITS),
                }
                for edge in self.edges
            ],
            "flaws": [
                {
                    "kind": flaw.kind,
                    "confidence": flaw.confidence,
                    "outline_mm": _listed(flaw.outline_mm, MM_DIGITS),
                    "outline_px": _listed(flaw.outline_px, PX_DIGITS),
                }
                for flaw in self.flaws
            ],
        }


@dataclass(frozen=True, eq=False)
class Measurement:
    """All that one photo yielded.

    Attributes
    ----------
    photo : Photo
    rectification : Rectification
    thickness_mm : float
    pieces : tuple of Piece
        Largest first.
    warnings : tuple of Note
    """

    photo: Photo
    rectification: Rectification
    thickness_mm: float
    pieces: tuple[Piece, ...]
    warnings: tuple[Note, ...]

    def to_dict(self) -> dict[str, Any]:
        """The measurement as JSON (design, section 3)."""
        view = self.rectification
        return {
            "schema": SCHEMA,
            "photo": {
                "name": self.photo.name,
                "sha256": self.photo.sha256,
                "width_px": self.photo.width_px,
                "height_px": self.photo.height_px,
                "focal_35mm": self.photo.focal_35mm,
            },
            "rectification": {
                "references": [_reference(placed) for placed in view.references],
                "camera": {
                    "focal_px": round(view.camera.focal_px, 2),
                    "principal_point_px": [round(c, PX_DIGITS) for c in view.camera.principal_point_px],
                    "radial": [round(k, 6) for k in view.camera.radial],
                    "height_mm": round(float(view.pose.centre_mm[2]), 1),
                    "tilt_deg": round(view.pose.tilt_deg, 2),
                },
                "straight_lines_px": [_listed(ends, PX_DIGITS) for ends in view.straight_px],
                "growth_px": {"value": round(view.growth_px[0], 3), "u": round(view.growth_px[1], 3)},
            },
            "thickness_mm": self.thickness_mm,
            "pieces": [piece.to_dict() for piece in self.pieces],
            "warnings": [{"code": note.code, "message": note.message, "advice": note.advice} for note in self.warnings],
        }


def _reference(placed: PlacedReference) -> dict[str, Any]:
    reference = placed.reference
    return {
        "kind": reference.kind,
        "code": reference.code,
        "size_mm": list(reference.size_mm),
        "corners_px": _listed(reference.corners_px, PX_DIGITS),
        "corners_mm": _listed(placed.corners_mm, MM_DIGITS),
        "residual_px": round(placed.residual_px, 4),
    }


def _listed(points: Points, digits: int) -> Any:
    return points.round(digits).tolist()


def _written(quantity: Quantity) -> dict[str, float | str]:
    digits = DIGITS[quantity.unit]
    return Quantity(round(quantity.value, digits), round(quantity.u, digits), quantity.unit).to_dict()
