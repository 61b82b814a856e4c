"""The charts of the accuracy page, from the rows of `report_runs`."""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from tests.benchmarks.charts import Axis, Chart, Series, nice_top

Row = dict[str, Any]
TILTS_DEG = (0, 5, 10, 15, 20, 25, 30)
HEIGHTS_MM = (1100, 1280, 1460, 1640, 1820, 2000)
U_BINS = 12
DECADES_MM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


def charts(results: dict[str, list[Row]]) -> dict[str, Chart]:
    """Chart of each file name."""
    rows = results["coverage"]
    return {
        "distance.svg": _distance(results["distance"]),
        "squares.svg": _squares(rows),
        "tilt.svg": _by(
            rows, "tilt_deg", TILTS_DEG, "camera's tilt, degrees", "Error of the panel's edges, by the camera's tilt"
        ),
        "height.svg": _by(
            rows, "height_mm", HEIGHTS_MM, "camera's height, mm", "Error of the panel's edges, by the camera's height"
        ),
        "uncertainty.svg": _uncertainty(rows),
    }


def rms(values: Sequence[float] | np.ndarray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def pooled(rows: Sequence[Row], key: str) -> np.ndarray:
    """All values of rows that hold lists, one after the other."""
    return np.concatenate([np.asarray(row[key], dtype=float) for row in rows])


def _count(squares: int) -> str:
    return f"{squares} square{'s' * (squares > 1)}"


def _distance(rows: Sequence[Row]) -> Chart:
    distances = sorted({row["distance_mm"] for row in rows})
    series = []
    for style, squares in enumerate((1, 2, 4)):
        chosen = [[r for r in rows if r["squares"] == squares and r["distance_mm"] == d] for d in distances]
        series.append(Series(_count(squares), distances, [rms([r["error_mm"] for r in c]) for c in chosen], style))
    top, ticks = nice_top([y for one in series for y in one.y])
    return Chart(
        "Error of a 200 mm length, by its distance from the first square",
        Axis("distance from the first square, mm", 0, max(distances) + 50, distances),
        Axis("rms error, mm", 0, top, ticks),
        series,
    )


def _squares(rows: Sequence[Row]) -> Chart:
    counts = (1, 2, 3, 4)
    chosen = [[r for r in rows if r["squares"] == n] for n in counts]
    errors = [rms(pooled(c, "edge_errors_mm")) for c in chosen]
    stated = [rms(pooled(c, "edge_u_mm")) for c in chosen]
    top, ticks = nice_top([*errors, *stated])
    return Chart(
        "Error of the panel's edges, by the number of squares",
        Axis("squares in the picture", 0.7, 4.3, counts),
        Axis("mm", 0, top, ticks),
        [Series("rms error", counts, errors, 0), Series("stated u (rms)", counts, stated, 1, hollow=True)],
    )


def _by(rows: Sequence[Row], key: str, borders: Sequence[float], label: str, title: str) -> Chart:
    middles = [(a + b) / 2.0 for a, b in pairwise(borders)]
    classes: list[tuple[str, Callable[[Row], bool]]] = [
        ("1 square", lambda r: r["squares"] == 1),
        ("2 to 4", lambda r: r["squares"] > 1),
    ]
    series = []
    for style, (name, wanted) in enumerate(classes):
        bins = [[r for r in rows if wanted(r) and a <= r[key] < b] for a, b in pairwise(borders)]
        series.append(Series(f"{name}: error", middles, [rms(pooled(c, "edge_errors_mm")) for c in bins], style))
        stated = [rms(pooled(c, "edge_u_mm")) for c in bins]
        series.append(Series(f"{name}: u", middles, stated, style, hollow=True))
    top, ticks = nice_top([y for one in series for y in one.y])
    return Chart(
        title, Axis(label, borders[0], borders[-1], borders), Axis("rms over edges, mm", 0, top, ticks), series
    )


def _uncertainty(rows: Sequence[Row]) -> Chart:
    errors, u = np.abs(pooled(rows, "edge_errors_mm")), pooled(rows, "edge_u_mm")
    low, high = DECADES_MM[0], DECADES_MM[-1]
    least = max(tick for tick in DECADES_MM if tick < u.min())
    borders = np.quantile(u, np.linspace(0, 1, U_BINS + 1))
    bins = [(u >= a) & (u <= b) for a, b in pairwise(borders)]
    return Chart(
        "Stated u and the error made: all edges of all set-ups",
        Axis("stated standard uncertainty u, mm", least, high, DECADES_MM[DECADES_MM.index(least) :], logarithmic=True),
        Axis("error, mm", low, high, DECADES_MM, logarithmic=True),
        [
            Series("one edge", np.minimum(u, high).tolist(), np.clip(errors, low, high).tolist(), 3, joined=False),
            Series("rms of each twelfth", [rms(u[b]) for b in bins], [rms(errors[b]) for b in bins], 0),
            Series("error = u", [least, high], [least, high], 1, marked=False),
            Series("error = 2u", [least, high / 2.0], [2.0 * least, high], 2, marked=False),
        ],
    )
