"""``python -m tests.benchmarks report``: runs everything and writes docs/accuracy.md with its charts.

The rows of every run are kept in docs/accuracy/results.json; ``write_page`` writes the page from them alone. With
``RUNS=scenes,grid`` in the environment only those are run again.
"""

import json
import os
import platform
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from tests.benchmarks.boards import SETS
from tests.benchmarks.coverage import PANEL_MM2
from tests.benchmarks.report_charts import charts, pooled, rms
from tests.benchmarks.report_runs import JIGSAW_SWEEPS, RUNS
from tests.benchmarks.tone import CLOTHS, CURVES
from tests.benchmarks.worst import worst_table
from tests.setups import FOCAL_35MM, PANEL_MM, SIZE_PX

Row = dict[str, Any]
Results = dict[str, list[Row]]
DOCS = Path(__file__).parents[2] / "docs"
CHARTS = "accuracy"
RESULTS = DOCS / CHARTS / "results.json"


def print_report() -> None:
    """Run all, or those named, keep the rows, and write the page."""
    chosen = os.environ.get("RUNS", ",".join(RUNS)).split(",")
    results: Results = json.loads(RESULTS.read_text()) if RESULTS.exists() else {}
    for name in chosen:
        results[name] = RUNS[name]()
        print(f"report: {name}, {len(results[name])} rows", flush=True)
    results["made_with"] = [{"Python": platform.python_version(), "numpy": np.__version__, "OpenCV": cv2.__version__}]
    (DOCS / CHARTS).mkdir(exist_ok=True)
    RESULTS.write_text(json.dumps(_rounded(results), separators=(",", ":")) + "\n")
    write_page(json.loads(RESULTS.read_text()))


def write_page(results: Results, docs: Path = DOCS) -> None:
    """accuracy.md and its charts, from the rows."""
    for name, chart in charts(results).items():
        (docs / CHARTS / name).write_text(chart.svg())
    parts = (_head, _short, _geometry, _scenes, _grid, _boards, _pairs, _tone, _worst, _jigsaws, _limits)
    (docs / "accuracy.md").write_text("\n".join(part(results) for part in parts))


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _rounded(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(one) for one in value]
    return float(f"{value:.5g}") if isinstance(value, float) else value


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(row) + " |" for row in [heads, ["---"] * len(heads), *rows]]
    return "\n".join(lines) + "\n"


def _within(errors: np.ndarray, u: np.ndarray) -> str:
    return f"{100 * np.mean(np.abs(errors) <= 2 * u):.0f} %"


def _measured(rows: Sequence[Row], *whats: str) -> list[Row]:
    return [row for row in rows if row.get("what", "").split(" ")[0] in whats]


def _head(results: Results) -> str:
    return (
        "# How exact it is\n\n"
        "Every figure, table and chart on this page is written by `python -m tests.benchmarks report` from runs it has "
        "just made; none is typed by hand. How the numbers come about, and what u and U are, stands in "
        "[method](method.md). Edge: a side of the cloth between two corners. rms: root mean square.\n\n"
        "Made with " + ", ".join(f"{name} {version}" for name, version in results["made_with"][0].items()) + ".\n"
    )


def _short(results: Results) -> str:
    scenes, coverage, pairs = results["scenes"], results["coverage"], results["pairs"]
    area = _measured(scenes, "area")
    errors = np.abs([100 * row["error"] / row["true"] for row in area])
    edges = np.abs([row["error"] for row in _measured(scenes, "edge")])
    quantities = _measured(scenes, "area", "perimeter", "edge")
    held = _within(np.array([r["error"] for r in quantities]), np.array([r["u"] for r in quantities]))
    simulated = _within(pooled(coverage, "edge_errors_mm"), pooled(coverage, "edge_u_mm"))
    agree = np.abs(np.concatenate([row["edge_en"] for row in pairs if "edge_en" in row])) < 1
    rows = [
        ["area, rendered photos", f"median error {np.median(errors):.2f} %, worst {errors.max():.2f} %"],
        ["edges, rendered photos", f"median error {np.median(edges):.2f} mm, worst {edges.max():.1f} mm"],
        ["truth within ± (U = 2u), rendered photos", held],
        ["truth within ±, simulated set-ups, edges", simulated],
        ["two photos of one panel agree within their joint U, edges", f"{100 * agree.mean():.0f} %"],
    ]
    return "## In short\n\n" + table(["", ""], rows)


def _geometry(results: Results) -> str:
    rows = results["coverage"]
    width, height = np.ptp(PANEL_MM, axis=0)
    text = (
        "## The geometry, simulated\n\n"
        f"{len(rows)} set-ups of a panel of {width:.0f} x {height:.0f} mm in a picture of {SIZE_PX[0]} x {SIZE_PX[1]} "
        f"pixels, {FOCAL_35MM:g} mm equivalent. Lens, print, tone and noise of each are drawn from what the program "
        "assumes of them; a sound u then holds the truth within 2u in about 95 of 100 cases, in every class of "
        "set-ups.\n\n"
    )
    classes: list[tuple[str, Callable[[Row], bool]]] = [("all", lambda r: True)]
    classes += [(f"{n} square{'s' * (n > 1)}", lambda r, n=n: r["squares"] == n) for n in (1, 2, 3, 4)]  # type: ignore[misc]
    classes += [("plain squares", lambda r: not r["coded"]), ("coded squares", lambda r: r["coded"])]
    classes += [(f"side {a:g} mm", lambda r, a=a: r["side_mm"] == a) for a in (60.0, 100.0, 150.0)]  # type: ignore[misc]
    classes += [(f"tilt {a} to {a + 10}°", lambda r, a=a: a <= r["tilt_deg"] < a + 10) for a in (0, 10, 20)]  # type: ignore[misc]
    classes += [("under 1.5 m high", lambda r: r["height_mm"] < 1500), ("over 1.5 m", lambda r: r["height_mm"] >= 1500)]
    classes += [(f"noise {a:g} px", lambda r, a=a: r["noise_px"] == a) for a in (0.03, 0.08, 0.2)]  # type: ignore[misc]
    lines = []
    for name, wanted in classes:
        chosen = [row for row in rows if wanted(row)]
        errors, u = pooled(chosen, "edge_errors_mm"), pooled(chosen, "edge_u_mm")
        area, u_area = (np.array([row[key] for row in chosen]) for key in ("area_error_mm2", "area_u_mm2"))
        lines.append(
            [
                name,
                f"{len(chosen)}",
                _within(errors, u),
                _within(area, u_area),
                f"{rms(errors):.2f}",
                f"{rms(u):.2f}",
                f"{100 * rms(area) / PANEL_MM2:.2f}",
            ]
        )
    heads = ["set-ups", "n", "edges within 2u", "areas within 2u", "edge rms, mm", "stated u rms, mm", "area rms, %"]
    pictures = (
        "\n![Error by distance from the first square](accuracy/distance.svg)\n\n"
        "Two squares at opposite corners take most of the error off, and its growth with distance; more bring little. "
        "What is left with several squares is the tolerance of their print.\n\n"
        "![Error by number of squares](accuracy/squares.svg)\n\n"
        "![Error by tilt](accuracy/tilt.svg)\n\n![Error by height](accuracy/height.svg)\n\n"
        "![Stated u and the error made](accuracy/uncertainty.svg)\n\n"
        "Each grey dot is one edge. The black line should follow the diagonal (error = u): where it lies below, u is "
        "too careful.\n"
    )
    return text + table(heads, lines) + pictures


def _scene_table(rows: Sequence[Row]) -> str:
    lines = []
    for area in _measured(rows, "area"):
        its = [r for r in _measured(rows, "edge") if (r["scene"], r["shape"]) == (area["scene"], area["shape"])]
        edges = np.abs([r["error"] for r in its])
        lines.append(
            [
                f"{area['scene']}, {area['shape']}",
                f"{area['squares']}",
                f"{100 * area['error'] / area['true']:+.2f}",
                f"{200 * area['u'] / area['true']:.2f}",
                f"{np.median(edges):.2f}",
                f"{edges.max():.2f}",
                f"{np.mean([2000 * r['u'] for r in its]) / 1000:.2f}",
                area["limit"],
            ]
        )
    heads = ["photo, piece", "squares", "area error, %", "± %", "edges: median error, mm", "worst, mm", "mean ±, mm"]
    return table([*heads, "what limits the area"], lines)


def _scenes(results: Results) -> str:
    rows = results["scenes"]
    refused = [f"- {row['scene']}: {row['error']}\n" for row in rows if "what" not in row]
    return (
        "## Rendered photos\n\n"
        "Pictures of an independent path tracer with exact truth: cloth of known outline and thickness, fibres, "
        "contact shadows, uneven light, lens distortion, blur, mild sharpening, noise, JPEG.\n\n"
        + _scene_table(rows)
        + "".join(refused)
    )


def _grid(results: Results) -> str:
    rows = results["grid"]
    without = len({row["scene"] for row in rows if "what" not in row})
    return (
        "## The mat's grid alone\n\n"
        "The same photos measured with `--grid 10mm` and no square: the squares in them are not used. "
        f"The {without} others have no printed grid and are refused.\n\n" + _scene_table(rows)
    )


def _boards(results: Results) -> str:
    rows = results["boards"]
    if not rows:
        return "## Real cameras\n\nThe photographs were not at hand when this page was made.\n"
    lines = []
    for name in SETS:
        for place in ("centre", "corner"):
            chosen = [row for row in rows if (row["set"], row["place"]) == (name, place)]
            ours, plain = (100 * np.abs(pooled(chosen, key)) for key in ("errors", "homography_errors"))
            uneven = sum("reference-uneven" in row["notes"] for row in chosen)
            lines.append(
                [
                    name,
                    place,
                    f"{len(chosen)}",
                    f"{np.median(ours):.2f}",
                    f"{np.median(plain):.2f}",
                    f"{100 * np.mean(np.abs(pooled(chosen, 'in_u')) <= 2):.0f} %",
                    f"{uneven}",
                ]
            )
    heads = [
        "photos",
        "known square",
        "n",
        "median error, %",
        "of its plain homography, %",
        "within 2u",
        "said not flat",
    ]
    return (
        "## Real cameras\n\n"
        "Published photographs of boards with many equal squares; they are not part of this repository. One square is "
        "taken as known, distances all over the board are the truth. This is harder than a photo of cloth should be: "
        "one small square, and cameras of which little is known. `opencv_left`: an old camera of 0.3 megapixels, no "
        "metadata. `gopro4_wide`: an action camera of 15 mm equivalent. `dji_wall`: a poster that is visibly wavy, "
        "which is said. With the square at a corner of the board, where lenses bend most, u is too small.\n\n"
        + table(heads, lines)
    )


def _pairs(results: Results) -> str:
    rows = [row for row in results["pairs"] if "edge_en" in row]
    refused = [row["error"] for row in results["pairs"] if "error" in row]
    lines = []
    for squares in (1, 2, 4):
        chosen = [row for row in rows if row["squares"] == squares]
        en, area = pooled(chosen, "edge_en"), np.array([row["area_en"] for row in chosen])
        lines.append(
            [
                f"{squares}",
                f"{len(chosen)}",
                f"{100 * np.mean(np.abs(en) < 1):.0f} %",
                f"{rms(en):.2f}",
                f"{100 * np.mean(np.abs(area) < 1):.0f} %",
                f"{rms(pooled(chosen, 'edge_differences_mm')):.2f}",
                f"{100 * rms([row['area_difference'] for row in chosen]):.2f}",
            ]
        )
    heads = ["squares", "pairs", "edges with E_n below 1", "rms E_n", "areas with E_n below 1"]
    said = f" Of {len(results['pairs'])} pairs {len(refused)} were refused" if refused else ""
    return (
        "## Two photos of one panel\n\n"
        "By two cameras of unlike focal length and distortion from two places. E_n is the difference over the expanded "
        "uncertainty of the difference (ISO 13528); the common error of the printed squares is no part of it. An rms "
        f"of 0.5 would be a u neither too large nor too small.{said + '.' if said else ''}\n\n"
        + table([*heads, "edges differ by, rms mm", "areas differ by, rms %"], lines)
    )


def _tone(results: Results) -> str:
    rows = results["tone"]
    lines = []
    for cloth in CLOTHS:
        chosen = [row for row in rows if row["cloth"] == cloth]
        before, after = (rms([row[key] for row in chosen]) for key in ("before_px", "after_px"))
        lines.append([cloth, f"{before:.3f}", f"{after:.3f}"])
    growth = [row["growth_px"] for row in rows]
    return (
        "## Tone curves and sharpening\n\n"
        f"{len(CURVES)} tone curves, each with and without sharpening. By them dark squares seem to grow by "
        f"{min(growth):+.2f} to {max(growth):+.2f} px, which coded squares show; the same, in proportion to the step "
        "of light, is taken off the cloth's outline. Where the cloth is nearly as dark as the mat, the squares' black "
        "and white tell less of the curve between the two.\n\n"
        + table(["cloth on mat", "rms shift as found, px", "corrected, px"], lines)
    )


def _worst(results: Results) -> str:
    return (
        "## The worst ten\n\n"
        "Of all areas, perimeters and edges of the rendered photos, those with the largest error over u.\n\n"
        + worst_table(results["scenes"])
    )


def _jigsaws(results: Results) -> str:
    lines = []
    for use in sorted({row["use"] for row in results["jigsaws"]}):
        chosen = [row for row in results["jigsaws"] if row["use"] == use]
        solved = [row for row in chosen if row["solved"]]
        seconds = f"{np.median([row['seconds'] for row in chosen]):.0f}"
        fault = f"{max(row['fault_mm2'] for row in chosen):.0e}"
        lines.append([f"{100 * use:.0f} %", f"{len(solved)} of {len(chosen)}", seconds, fault])
    heads = ["share of the cloth used", "layout found", "median seconds", "worst overlap, mm²"]
    return (
        "## Is there enough cloth: jigsaws\n\n"
        "An irregular cloth with a hole is cut into ten pieces that are then made a little smaller, so that they are "
        f"known to fit; {JIGSAW_SWEEPS} sweeps of the search at most. "
        "Not finding a layout is answered with *no layout found*, never with *not enough*.\n\n"
        + table(heads, lines)
        + "\nMany photos at a time: [scale](scale.md).\n"
    )


def _limits(results: Results) -> str:
    return (
        "## What is not covered\n\n"
        "- **No photograph of real cloth with a tape measure beside it** is among these runs: truth is that of "
        "renders, simulations and printed boards. What threads, pile and hand-cut edges add is judged from renders.\n"
        "- **One square alone that does not lie on the mat but is itself flat** (lifted at one side) can't be told "
        "from a tilted camera. Two squares show it.\n"
        "- **Lenses wider than about 20 mm equivalent** with a small square at the picture's rim: u is too small.\n"
        "- Cloth that is not flat, a wrong size, the wrong edge: see [method](method.md).\n"
    )
