"""The runs behind the accuracy page: each gives plain numbers, kept as JSON, from which the page is written."""

import json
from collections.abc import Iterator
from typing import Any

import numpy as np

from flatmeasure.errors import FlatMeasureError
from flatmeasure.photos.camera import Camera, Points, Pose, to_plane
from flatmeasure.pipeline import measure
from flatmeasure.polygons import polygon_area
from flatmeasure.quantity import Quantity
from flatmeasure.results.measurement import Measurement, Piece
from flatmeasure.synthetic.scene import Scene, see
from flatmeasure.view.rectification import rectify_references
from tests.benchmarks.accuracy import FOLDERS, options
from tests.benchmarks.boards import FOLDER, SETS, run_boards
from tests.benchmarks.coverage import run_trials
from tests.benchmarks.jigsaw import USES, Verdict, solve
from tests.benchmarks.repeatability import Pair, run_pairs
from tests.benchmarks.scoring import CORNER_REACH_MM, CORNER_REACH_PX, match_corners, pair_pieces, score_scene
from tests.benchmarks.tone import run_tones
from tests.setups import SIZE_PX, Situation, simulate

Row = dict[str, Any]
DISTANCES_MM = (100, 200, 300, 400, 500, 600, 700, 800)
LENGTH_MM = 200.0
GRID_MM = 10.0
JIGSAWS, JIGSAW_SWEEPS = 10, 1500


def coverage_rows(count: int = 600) -> list[Row]:
    """Errors and stated u of simulated set-ups."""
    return [
        {
            "squares": t.situation.squares,
            "coded": t.situation.coded,
            "side_mm": t.situation.side_mm,
            "height_mm": t.situation.height_mm,
            "tilt_deg": t.situation.tilt_deg,
            "noise_px": t.situation.noise_px,
            "edge_errors_mm": t.edge_errors.tolist(),
            "edge_u_mm": t.edge_u.tolist(),
            "area_error_mm2": t.area_error,
            "area_u_mm2": t.area_u,
        }
        for t in run_trials(count)
    ]


def distance_rows(count: int = 60) -> list[Row]:
    """Error and u of a length of 200 mm, square to the way from the first square, at distances along that way."""
    rows = []
    for squares in (1, 2, 4):
        for index in range(count):
            situation = Situation(squares=squares, noise_px=0.08)
            setup = simulate(situation, np.random.default_rng([squares, index]))
            view = rectify_references(setup.references, setup.prior)
            start = to_plane(setup.references[0].corners_px, setup.camera, setup.pose).mean(axis=0)
            along = -start / np.linalg.norm(start)  # the panel lies about the origin
            across = np.array([-along[1], along[0]]) * LENGTH_MM / 2.0
            shown = Scene(setup.camera, setup.pose, SIZE_PX)
            for distance in DISTANCES_MM:
                ends = see(np.array([start + distance * along - across, start + distance * along + across]), shown)
                found = view.distance(ends[0], ends[1], u_px=0.0)
                rows.append(
                    {"squares": squares, "distance_mm": distance, "error_mm": found.value - LENGTH_MM, "u_mm": found.u}
                )
    return rows


def scene_rows(*, grid_alone: bool = False) -> list[Row]:
    """Every quantity of every piece of the rendered scenes; with ``grid_alone`` only the mat's grid is a reference."""
    rows: list[Row] = []
    seen: set[str] = set()
    for folder in FOLDERS:
        for path in sorted(folder.glob("*.json")):
            truth = json.loads(path.read_text())
            if truth.get("schema") != "scene-truth/1" or truth["name"] in seen or truth["expect"] != "measured":
                continue
            seen.add(truth["name"])
            chosen = options(truth)
            if grid_alone:
                chosen = {"grid_mm": GRID_MM, "thickness_mm": chosen["thickness_mm"]}
            try:
                found = measure(path.with_suffix(".jpg"), lens="none", **chosen)  # type: ignore[arg-type]
            except FlatMeasureError as error:
                rows.append({"scene": truth["name"], "error": str(error)})
                continue
            rows += _quantities(truth, found)
    return rows


def _quantities(truth: Row, found: Measurement) -> Iterator[Row]:
    result = found.to_dict()
    lens, rotation = truth["camera"], np.array(truth["camera"]["R"])
    true_view = (
        Camera(lens["f"], (lens["cx"], lens["cy"]), (lens["k1"], lens["k2"])),
        Pose(rotation, -rotation @ np.array(lens["C"])),
    )
    scores = {score.scene: score for score in score_scene(truth, result)}
    for mine, its in pair_pieces(result["pieces"], truth["pieces"]):
        piece, true = found.pieces[mine], truth["pieces"][its]
        score = scores[f"{truth['name']}/{true['shape']}"]
        common = {
            "scene": truth["name"],
            "shape": true["shape"],
            "squares": len(found.rectification.laid),
            "outline_p95_mm": score.outline_p95_mm,
            "limit": piece.area_budget[0][0],
        }
        both = [to_plane(piece.outline_px, *view, found.thickness_mm) for view in (_solved(found), true_view)]
        by_view = float(abs(polygon_area(both[0])) - abs(polygon_area(both[1])))
        yield {**common, "what": "area", **_error(piece.area, true["area_mm2"]), "by_view": by_view}
        yield {**common, "what": "perimeter", **_error(piece.perimeter, true["perimeter_mm"])}
        yield from ({**common, **row} for row in _edges(piece, true, truth, found, true_view))


def _solved(found: Measurement) -> tuple[Camera, Pose]:
    return found.rectification.camera, found.rectification.pose


def _error(quantity: Quantity, truth: float) -> Row:
    return {"true": truth, "error": quantity.value - truth, "u": quantity.u}


def _edges(piece: Piece, true: Row, truth: Row, found: Measurement, true_view: tuple[Camera, Pose]) -> Iterator[Row]:
    """Edges found whole, with the part of the error that the view has, and how smooth their ends are."""
    mm_per_px = truth["camera"]["height_mm"] / truth["camera"]["f"] / np.cos(np.radians(truth["camera"]["tilt_deg"]))
    corners = match_corners(piece.to_dict(), true, max(CORNER_REACH_PX, CORNER_REACH_MM / mm_per_px))
    errors = {}
    for edge in true["edges"]:
        ends = corners.get(edge["from"]), corners.get(edge["to"])
        mine = next((e for e in piece.edges if (e.start, e.end) == ends), None)
        if mine is not None:
            errors[mine.id] = mine.length.value - edge["length_mm"]
    for edge in true["edges"]:
        ends = corners.get(edge["from"]), corners.get(edge["to"])
        mine = next((e for e in piece.edges if (e.start, e.end) == ends), None)
        if mine is None:
            continue
        lengths = [_length(to_plane(mine.points_px, *view, found.thickness_mm)) for view in (_solved(found), true_view)]
        count = len(piece.edges)
        index = piece.edges.index(mine)
        beside = [piece.edges[index - 1], piece.edges[(index + 1) % count]]
        bends = [180.0 - piece.corners[k].angle.value for k in (mine.start, mine.end)]
        smoothest = int(np.argmin(np.abs(bends)))
        yield {
            "what": f"edge {mine.id}",
            **_error(mine.length, edge["length_mm"]),
            "by_view": lengths[0] - lengths[1],
            "turn_deg": bends[smoothest],
            "sharpest_deg": float(max(bends, key=abs)),
            "beside": beside[smoothest].id,
            "beside_error": errors.get(beside[smoothest].id),
        }


def _length(points_mm: Points) -> float:
    return float(np.sum(np.linalg.norm(np.diff(points_mm, axis=0), axis=1)))


def board_rows() -> list[Row]:
    """Distances on real boards, one row a photo and place of the known square."""
    return [
        {
            "set": name,
            "place": place,
            "photo": seen.name,
            "errors": seen.errors.tolist(),
            "homography_errors": seen.homography_errors.tolist(),
            "in_u": seen.in_u.tolist(),
            "notes": list(seen.notes),
        }
        for name in SETS
        if (FOLDER / name).exists()
        for place in ("centre", "corner")
        for seen in run_boards(name, place)
    ]


def pair_rows(count: int = 24) -> list[Row]:
    """Two photos of one panel."""
    rows: list[Row] = []
    for pair in run_pairs(count):
        if isinstance(pair, Pair):
            rows.append(
                {
                    "squares": pair.squares,
                    "area_en": pair.area_en,
                    "edge_en": pair.edge_en.tolist(),
                    "area_difference": pair.area_difference,
                    "edge_differences_mm": pair.edge_differences_mm.tolist(),
                }
            )
        else:
            rows.append({"error": str(pair)})
    return rows


def tone_rows() -> list[Row]:
    """The outline's shift under tone curves."""
    return [vars(trial) for trial in run_tones()]


def jigsaw_rows() -> list[Row]:
    """Pieces that are known to fit: are they found to?"""
    rows = []
    for use in USES:
        for seed in range(JIGSAWS):
            answer, seconds, fault = solve(seed, use, JIGSAW_SWEEPS)
            solved = answer.verdict is Verdict.ENOUGH
            rows.append({"use": use, "solved": solved, "seconds": seconds, "fault_mm2": fault})
    return rows


RUNS = {
    "coverage": coverage_rows,
    "distance": distance_rows,
    "scenes": scene_rows,
    "grid": lambda: scene_rows(grid_alone=True),
    "boards": board_rows,
    "pairs": pair_rows,
    "tone": tone_rows,
    "jigsaws": jigsaw_rows,
}
