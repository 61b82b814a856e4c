"""Photographs by real cameras of boards with many equal squares: one square is known, the others are the truth.

The photographs are not part of this repository; where they lie beside it, figures are made, else the part is left out.
Sources: OpenCV's calibration example (left01 to left14), udacity/CarND-Camera-Calibration (calibration_wide, an action
camera of 15 mm equivalent), Theta-Limited/camera-calibration (one photo of a poster that is visibly wavy).
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from flatmeasure.references.figures import Square
from flatmeasure.view.rectification import rectify

FOLDER = Path(__file__).parents[3] / "shared" / "data" / "boards"
SETS = ("opencv_left", "gopro4_wide", "dji_wall")
SIDE_MM = 25.0  # unstated: figures are relative
DISTANCES = 60


@dataclass(frozen=True, eq=False)
class Seen:
    """Distances of one photo: relative errors, those of the square's plain homography, errors over u, and notes."""

    name: str
    errors: np.ndarray
    homography_errors: np.ndarray
    in_u: np.ndarray
    notes: tuple[str, ...]


def run_boards(name: str, place: str) -> Iterator[Seen]:
    """Every photo of a set, the known square being the one at the board's ``"centre"`` or at a ``"corner"``."""
    data = json.loads((FOLDER / name / "corners.json").read_text())
    rng = np.random.default_rng(1)
    for photo, entry in data["photos"].items():
        path = FOLDER / name / photo
        if path.exists() and "corners" in entry:
            columns = entry.get("cols") or data["inner_corners"][0]
            rows = entry.get("rows") or data["inner_corners"][1]
            yield _seen(path, np.array(entry["corners"], dtype=float).reshape(rows, columns, 2), place, rng)


def _seen(path: Path, corners_px: np.ndarray, place: str, rng: np.random.Generator) -> Seen:
    rows, columns = corners_px.shape[:2]
    row, column = ((rows - 1) // 2, (columns - 1) // 2) if place == "centre" else (0, 0)
    square = corners_px[[row, row, row + 1, row + 1], [column, column + 1, column + 1, column]]
    view = rectify(path, [Square(square, SIDE_MM)], lens="none")
    px = corners_px.reshape(-1, 2)
    mm = SIDE_MM * np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2)
    to_mm = cv2.getPerspectiveTransform(
        square.astype(np.float32), np.array([[0, 0], [SIDE_MM, 0], [SIDE_MM, SIDE_MM], [0, SIDE_MM]], np.float32)
    )
    flat = cv2.perspectiveTransform(px[:, None], to_mm)[:, 0]
    ends = rng.integers(0, len(px), (DISTANCES, 2))
    ends = ends[ends[:, 0] != ends[:, 1]]
    true = np.linalg.norm(mm[ends[:, 0]] - mm[ends[:, 1]], axis=1)
    found = [view.distance(px[a], px[b]) for a, b in ends]
    value, u = np.array([q.value for q in found]), np.array([q.u for q in found])
    plain = np.linalg.norm(flat[ends[:, 0]] - flat[ends[:, 1]], axis=1)
    notes = tuple(note.code for note in view.notes)
    return Seen(path.name, value / true - 1.0, plain / true - 1.0, (value - true) / u, notes)


def print_boards() -> None:
    """Median error, the homography's, and how often the truth lies within 2u, for each set and place."""
    for name in SETS:
        if not (FOLDER / name).exists():
            print(f"boards: {name} is not here")
            continue
        for place in ("centre", "corner"):
            seen = list(run_boards(name, place))
            errors, plain = (
                100 * np.abs(np.concatenate([getattr(s, k) for s in seen])) for k in ("errors", "homography_errors")
            )
            within = np.mean(np.abs(np.concatenate([s.in_u for s in seen])) <= 2)
            uneven = sum("reference-uneven" in s.notes for s in seen)
            print(
                f"boards: {name:12s} {place:7s} {len(seen):3d} photos, median {np.median(errors):.2f} %, "
                f"homography {np.median(plain):.2f} %, within 2u {within:.2f}, said not flat {uneven}"
            )
