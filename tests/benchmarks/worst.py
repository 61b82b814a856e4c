"""The quantities farthest from their truth in units of u, and where each error comes from: told from the truth.

An error splits exactly into what the view has done (the same outline in the picture carried to the mat by the true
camera gives another value) and what the outline and its fitted edges have done.
"""

from collections.abc import Sequence
from typing import Any

Row = dict[str, Any]
WORST = 10
SMOOTH_DEG = 45.0  # edges that meet at less have no sharp corner
NARROW_DEG = 120.0  # a turn of more is the tip of a dart or a point of the cloth
CANCELS = 0.6  # of the error, left in the sum with the neighbour, at most


def worst_table(rows: Sequence[Row]) -> str:
    """Markdown table of the worst, each explained."""
    measured = [row for row in rows if "what" in row]
    chosen = sorted(measured, key=lambda row: -abs(row["error"] / row["u"]))[:WORST]
    lines = [
        "| quantity | true | error | u | error / u | where it comes from |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for row in chosen:
        unit = "mm²" if row["what"] == "area" else "mm"
        digits = 0 if row["what"] == "area" else 2
        lines.append(
            f"| {row['scene']}, {row['shape']}: {row['what']} | {row['true']:.{digits}f} {unit} "
            f"| {row['error']:+.{digits}f} | {row['u']:.{digits}f} | {row['error'] / row['u']:+.1f} | {why(row)} |"
        )
    return "\n".join(lines) + "\n"


def why(row: Row) -> str:
    """One sentence or two."""
    if "by_view" not in row:
        return "The sum of the edges' errors."
    view, outline = row["by_view"], row["error"] - row["by_view"]
    if abs(view) > abs(outline):
        return f"The view: {_amount(view, row)} of it. The largest cause stated for the piece is {row['limit']}."
    parts = [f"The outline: {_amount(outline, row)} of it; the view {_amount(view, row)}."]
    if abs(row.get("turn_deg", 180.0)) < SMOOTH_DEG:
        parts.append(
            f"It meets edge {row['beside']} at a turn of {abs(row['turn_deg']):.0f}°, "
            "so that where one ends and the other begins is not sharp"
        )
        beside = row.get("beside_error")
        if beside is not None and abs(row["error"] + beside) < CANCELS * abs(row["error"]):
            parts[-1] += f"; their sum is off by {row['error'] + beside:+.2f} mm"
        parts[-1] += "."
    elif abs(row.get("sharpest_deg", 0.0)) > NARROW_DEG:
        parts.append(
            f"It ends in a narrow corner of {180.0 - abs(row['sharpest_deg']):.0f}°, whose tip blur and shadow fill."
        )
    else:
        parts.append(
            f"Nineteen in twenty of the piece's points lie within {row['outline_p95_mm']:.2f} mm of the truth."
        )
    return " ".join(parts)


def _amount(value: float, row: Row) -> str:
    return f"{value:+.0f} mm²" if row["what"] == "area" else f"{value:+.2f} mm"
