"""The committed pictures, measured whole, against their truth: the path tracer's figures (test_images/README.md)."""

import json
from pathlib import Path

import numpy as np
import pytest

from flatmeasure.pipeline import measure
from tests.benchmarks.accuracy import options
from tests.benchmarks.scoring import PieceScore, pair_pieces, score_scene

ROOT = Path(__file__).parents[1] / "test_images"
# Relative area error and worst edge error in mm with two or more squares, and with one: the reach for 95 % of pieces.
LIMITS = {True: (0.005, 1.2), False: (0.012, 4.0)}
WORST_JOINT_MM = 4.0  # where a straight edge passes smoothly into a rounded corner is hard to tell
SMOOTH_DEG = 10.0


def scored(name: str) -> tuple[PieceScore, dict, dict]:
    truth = json.loads((ROOT / f"{name}.json").read_text())
    result = measure(ROOT / f"{name}.jpg", **options(truth)).to_dict()
    assert len(result["pieces"]) == 1
    (score,) = score_scene(truth, result)
    return score, truth, result


def joined_errors(true: dict, errors_mm: np.ndarray) -> list[float]:
    """Errors between real corners: edges that meet smoothly count as one, since their joint may lie a little aside."""
    outline = np.array(true["outline_mm"])[:, :2]
    at = [int(np.argmin(np.linalg.norm(outline - corner[:2], axis=1))) for corner in np.array(true["corners_mm"])]
    before = [outline[i] - outline[i - 1] for i in at]
    ahead = [outline[(i + 1) % len(outline)] - outline[i] for i in at]
    cosine = [a @ b / np.linalg.norm(a) / np.linalg.norm(b) for a, b in zip(before, ahead, strict=True)]
    sums: list[float] = []
    for edge, error in zip(true["edges"], errors_mm, strict=True):
        if sums and cosine[edge["from"]] > np.cos(np.radians(SMOOTH_DEG)):
            sums[-1] += error
        else:
            sums.append(error)
    return sums


@pytest.mark.parametrize("name", ["bodice_linen", "gore_navy", "holed_plaid", "sleeve_floral"])
def test_picture_against_its_truth(name: str) -> None:
    score, truth, result = scored(name)
    area, edge_mm = LIMITS[score.references > 1]
    assert abs(score.area_error) < area
    assert abs(score.area_z) < 3
    assert score.edges_whole == score.edges_true
    assert np.abs(joined_errors(truth["pieces"][0], score.edge_errors_mm)).max() < edge_mm
    assert np.abs(score.edge_errors_mm).max() < WORST_JOINT_MM
    assert score.outline_p95_mm < 0.8
    assert score.corners_found == score.corners_true
    assert len(result["pieces"][0]["holes_mm"]) == len(truth["pieces"][0]["holes_px"])
    squares = [r for r in result["rectification"]["references"] if r["kind"] != "grid"]
    assert len(squares) == len(truth["references"])


def test_scores_notice_what_is_wrong() -> None:
    """Failure twin: a truth of one per cent more area, its outline moved, is not met."""
    _, truth, result = scored("gore_navy")
    true = truth["pieces"][0]
    true["area_mm2"] *= 1.01
    true["outline_px"] = (np.array(true["outline_px"]) + np.array([8.0, 0.0])).tolist()
    (score,) = score_scene(truth, result)
    assert score.area_error < -0.005
    assert score.outline_p95_mm > 0.8


def test_pair_pieces_takes_the_greatest_overlap_once() -> None:
    def box(x: float) -> dict:
        return {"outline_px": [[x, 0], [x + 10, 0], [x + 10, 20], [x, 20]]}

    assert sorted(pair_pieces([box(0), box(30), box(90)], [box(31), box(1)])) == [(0, 1), (1, 0)]
