"""A measurement held against the truth of its scene: areas, edges, corners and outlines.

Pieces are paired by their overlap in the picture, corners by mutual nearness; an edge is compared where both its
corners were found and the outline runs from one to the other in one or more whole edges.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from shapely.geometry import LineString, Polygon

MIN_OVERLAP = 0.3
CORNER_REACH_MM, CORNER_REACH_PX = 4.0, 6.0  # whichever is wider


@dataclass(frozen=True, eq=False)
class PieceScore:
    """One piece against its truth."""

    scene: str
    references: int
    area_error: float  # relative
    area_z: float  # error over u
    perimeter_z: float
    edge_errors_mm: np.ndarray
    edge_z: np.ndarray
    outline_p95_mm: float
    corners_found: int
    corners_true: int
    corners_given: int
    edges_whole: int
    edges_true: int


def score_scene(truth: dict[str, Any], result: dict[str, Any]) -> list[PieceScore]:
    """Scores of all paired pieces."""
    camera = truth["camera"]
    mm_per_px = camera["height_mm"] / camera["f"] / np.cos(np.radians(camera["tilt_deg"]))
    pairs = pair_pieces(result["pieces"], truth["pieces"])
    return [_score(truth, result["pieces"][found], truth["pieces"][true], mm_per_px) for found, true in pairs]


def pair_pieces(found: list[dict[str, Any]], true: list[dict[str, Any]]) -> list[tuple[int, int]]:
    """Pairs of indices, greatest overlap (intersection over union) first."""
    shapes = [[_solid(piece) for piece in pieces] for pieces in (found, true)]
    overlaps = [
        (a.intersection(b).area / a.union(b).area, i, j)
        for i, a in enumerate(shapes[0])
        for j, b in enumerate(shapes[1])
    ]
    pairs: list[tuple[int, int]] = []
    for overlap, i, j in sorted(overlaps, reverse=True):
        if overlap > MIN_OVERLAP and all(i != a and j != b for a, b in pairs):
            pairs.append((i, j))
    return pairs


def _score(truth: dict[str, Any], piece: dict[str, Any], true: dict[str, Any], mm_per_px: float) -> PieceScore:
    matched = match_corners(piece, true, max(CORNER_REACH_PX, CORNER_REACH_MM / mm_per_px))
    lengths = [(_walk(piece, matched, edge), edge["length_mm"]) for edge in true["edges"]]
    known = [(got, length) for got, length in lengths if got is not None]
    errors = np.array([got[0] - length for got, length in known])
    whole = np.array([got[2] == 1 for got, _ in known], dtype=bool)
    u = np.array([got[1] for got, _ in known])
    area, perimeter = piece["area"], piece["perimeter"]
    return PieceScore(
        scene=f"{truth['name']}/{true['shape']}",
        references=len(truth["references"]),
        area_error=area["value"] / true["area_mm2"] - 1,
        area_z=(area["value"] - true["area_mm2"]) / area["u"],
        perimeter_z=(perimeter["value"] - true["perimeter_mm"]) / perimeter["u"],
        edge_errors_mm=errors,
        edge_z=errors[whole] / u[whole],
        outline_p95_mm=_outline_distance(piece, true) * mm_per_px,
        corners_found=len(matched),
        corners_true=len(true["corners_px"]),
        corners_given=len(piece["corners"]),
        edges_whole=int(whole.sum()),
        edges_true=len(true["edges"]),
    )


def _solid(piece: dict[str, Any]) -> Polygon:
    return Polygon(piece["outline_px"]).buffer(0)


def match_corners(piece: dict[str, Any], true: dict[str, Any], reach_px: float) -> dict[int, int]:
    """True corner index to found corner index, mutual nearest within reach."""
    found_px = np.array([corner["at_px"] for corner in piece["corners"]])
    apart = np.linalg.norm(np.array(true["corners_px"])[:, None] - found_px[None], axis=2)
    nearest = apart.argmin(axis=1)
    return {j: int(i) for j, i in enumerate(nearest) if apart[j, i] < reach_px and apart[:, i].argmin() == j}


def _walk(piece: dict[str, Any], matched: dict[int, int], edge: dict[str, Any]) -> tuple[float, float, int] | None:
    """Length, u and number of found edges from one end of a true edge to the other."""
    if edge["from"] not in matched or edge["to"] not in matched:
        return None
    following = {e["from"]: e for e in piece["edges"]}
    at, goal, length, variance = matched[edge["from"]], matched[edge["to"]], 0.0, 0.0
    for count in range(1, len(piece["edges"]) + 1):
        step = following[at]
        length += step["length"]["value"]
        variance += step["length"]["u"] ** 2
        at = step["to"]
        if at == goal:
            return length, float(np.sqrt(variance)), count
    return None


def _outline_distance(piece: dict[str, Any], true: dict[str, Any]) -> float:
    """95th percentile of the distance between two outlines, both ways, px."""
    rings = [LineString([*p["outline_px"], p["outline_px"][0]]) for p in (piece, true)]
    shares = np.linspace(0, 1, 400)
    apart = [b.distance(a.interpolate(s, normalized=True)) for a, b in (rings, rings[::-1]) for s in shares]
    return float(np.percentile(apart, 95))
