"""Accuracy on rendered scenes with exact truth: test_images/, and more scenes where they lie beside the repository.

``python -m tests.benchmarks.accuracy FOLDER ...`` scores other folders of scenes.
"""

import json
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from flatmeasure.errors import FlatMeasureError
from flatmeasure.pipeline import measure
from tests.benchmarks.scoring import PieceScore, score_scene

ROOT = Path(__file__).parents[2]
FOLDERS = (ROOT / "test_images", ROOT.parent / "shared" / "data" / "scenes")


def print_accuracy() -> None:
    """A table by piece and a summary, for each folder of scenes that is there."""
    for folder in FOLDERS:
        truths = truths_in(folder)
        if truths:
            _print_folder(folder, truths)


def truths_in(folder: Path) -> list[dict[str, Any]]:
    """What is true of the scenes in a folder; none where there is no such folder."""
    truths = [json.loads(path.read_text()) for path in sorted(folder.glob("*.json"))]
    return [truth for truth in truths if truth.get("schema") == "scene-truth/1"]


def _print_folder(folder: Path, truths: list[dict[str, Any]]) -> None:
    print(f"accuracy: {folder.name}, {len(truths)} scenes")
    print(f"  {'piece':34s} {'area %':>8s} {'edges max mm':>13s} {'outline p95 mm':>15s} {'corners':>8s} {'edges':>6s}")
    scores: list[PieceScore] = []
    faults: list[str] = []
    for truth in truths:
        try:
            result = measure(folder / f"{truth['name']}.jpg", **options(truth)).to_dict()
        except FlatMeasureError as error:
            if truth["expect"] == "measured":
                faults.append(f"{truth['name']}: {error}")
            continue
        except Exception as crash:  # the other scenes are still worth a figure
            faults.append(f"{truth['name']}: crashed with {type(crash).__name__}: {crash}")
            continue
        faults += _faults(truth, result)
        if truth["expect"] == "measured":
            scores += score_scene(truth, result)
    for score in scores:
        print(
            f"  {score.scene:34s} {100 * score.area_error:+8.3f} {_percentile(score.edge_errors_mm, 100):13.2f} "
            f"{score.outline_p95_mm:15.2f} {score.corners_found:4d}/{score.corners_true}({score.corners_given})"
            f" {score.edges_whole:3d}/{score.edges_true}"
        )
    _print_summary(scores)
    for fault in faults:
        print("  FAULT", fault)


def options(truth: dict[str, Any]) -> dict[str, float]:
    """What the photographer says of a scene: the squares' side and the cloth's thickness."""
    sides = {reference["side_mm"] for reference in truth["references"]}
    thickness = truth["pieces"][0]["thickness_mm"] if truth["pieces"] else 0.0
    return {"square_mm": max(sides, default=100.0), "thickness_mm": thickness}


def _faults(truth: dict[str, Any], result: dict[str, Any]) -> Iterable[str]:
    pieces, name = result["pieces"], truth["name"]
    if truth["expect"] == "refused":
        yield f"{name}: must be refused"
    if truth["expect"] == "incomplete" and all(piece["complete"] for piece in pieces):
        yield f"{name}: cut off by the frame, yet called complete"
    if truth["expect"] == "measured" and len(pieces) != len(truth["pieces"]):
        yield f"{name}: {len(pieces)} pieces found of {len(truth['pieces'])}"


def _print_summary(scores: list[PieceScore]) -> None:
    if not scores:
        return
    edges = np.concatenate([s.edge_errors_mm for s in scores])
    z = np.concatenate([[s.area_z, s.perimeter_z, *s.edge_z] for s in scores])
    print(f"  {'median area %':44s} {_percentile([100 * s.area_error for s in scores], 50):.3f}")
    print(f"  {'median edge mm':44s} {_percentile(edges, 50):.3f}")
    for name, chosen in (
        ("one square", [s for s in scores if s.references == 1]),
        ("two or more squares", [s for s in scores if s.references > 1]),
    ):
        if chosen:
            errors = np.concatenate([s.edge_errors_mm for s in chosen])
            print(
                f"  {'95th percentile area %, ' + name:44s} {_percentile([100 * s.area_error for s in chosen], 95):.3f}"
            )
            print(f"  {'95th percentile edge mm, ' + name:44s} {_percentile(errors, 95):.3f}")
    print(f"  {'outline distance p95 mm, median':44s} {np.median([s.outline_p95_mm for s in scores]):.3f}")
    found, true, given = (sum(getattr(s, f"corners_{k}") for s in scores) for k in ("found", "true", "given"))
    print(f"  {'corner recall, precision':44s} {found / true:.3f}, {found / given:.3f}")
    print(f"  {'edges found whole':44s} {sum(s.edges_whole for s in scores) / sum(s.edges_true for s in scores):.3f}")
    print(f"  {'truth within 2u':44s} {np.mean(np.abs(z) <= 2):.3f}")


def _percentile(errors: Iterable[float], share: float) -> float:
    sizes = np.abs(np.asarray(list(errors)))
    return float(np.percentile(sizes, share)) if len(sizes) else float("nan")


if __name__ == "__main__":
    for name in sys.argv[1:]:
        _print_folder(Path(name), truths_in(Path(name)))
