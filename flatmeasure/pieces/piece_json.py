"""Panels and what was found on them, as JSON."""

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np

from flatmeasure.pieces.panel import Panel
from flatmeasure.quantity import Quantity

PIECES_SCHEMA = "flatmeasure.measurement/1"
MM_DIGITS = 3


def panel_to_dict(panel: Panel) -> dict[str, Any]:
    """A panel as a piece of a measurement file; `panel_from_dict` reads it back."""
    corner = {edge.first: k for k, edge in enumerate(panel.edges)}
    piece: dict[str, Any] = {
        "id": panel.id,
        "complete": panel.complete,
        "area": panel.area.to_dict(),
        "outline_mm": _rounded(panel.outline_mm),
        "holes_mm": [_rounded(hole) for hole in panel.holes_mm],
        "corners": [{"at_mm": _rounded(panel.outline_mm[edge.first])} for edge in panel.edges],
        "edges": [
            {
                "id": edge.id,
                "from": k,
                "to": corner[edge.last],
                "kind": edge.kind,
                "length": edge.length.to_dict(),
                "points_mm": _rounded(panel.edge_points(edge)),
            }
            for k, edge in enumerate(panel.edges)
        ],
        "error": as_json(panel.error),
        "layers": panel.layers,
        "labels": {edge.id: edge.label for edge in panel.edges if edge.label},
        "flaws_mm": [_rounded(flaw) for flaw in panel.flaws_mm],
    }
    if panel.grain is not None:
        piece["grain"] = as_json(panel.grain)
    return piece


def pieces_to_dict(panels: Sequence[Panel]) -> dict[str, Any]:
    """Panels as a file that `read_panels` reads."""
    return {"schema": PIECES_SCHEMA, "pieces": [panel_to_dict(panel) for panel in panels]}


def as_json(found: Any) -> Any:
    """Any result of this package as JSON values: dataclasses become objects, arrays lists rounded to a micrometre."""
    if isinstance(found, Quantity):
        return found.to_dict()
    if isinstance(found, Panel):
        return panel_to_dict(found)
    if is_dataclass(found) and not isinstance(found, type):
        return {field.name: as_json(getattr(found, field.name)) for field in fields(found)}
    if isinstance(found, np.ndarray):
        return _rounded(found)
    if isinstance(found, Enum):
        return found.value
    if isinstance(found, Mapping):
        return {str(key): as_json(value) for key, value in found.items()}
    if isinstance(found, list | tuple):
        return [as_json(value) for value in found]
    return found


def _rounded(points: Any) -> Any:
    return np.asarray(points, dtype=np.float64).round(MM_DIGITS).tolist()
