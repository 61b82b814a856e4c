"""Panels to export: measured in the committed pictures, and drawn by formula."""

import json
from pathlib import Path
from typing import Any

import pytest

from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_file import panels_from_dict
from flatmeasure.pipeline import measure

PICTURES = {  # side of the squares and thickness of the cloth, mm: test_images/README.md
    "gore_navy": (100.0, 0.8),
    "bodice_linen": (80.0, 0.6),
    "holed_plaid": (100.0, 1.0),
    "sleeve_floral": (100.0, 0.5),
}


@pytest.fixture(scope="session")
def measurements(test_images: Path) -> dict[str, dict[str, Any]]:
    """What each committed picture yields, as its file would carry it."""
    found = {
        name: measure(test_images / f"{name}.jpg", square_mm=side, thickness_mm=thickness)
        for name, (side, thickness) in PICTURES.items()
    }
    return {name: json.loads(json.dumps(one.to_dict())) for name, one in found.items()}


@pytest.fixture(scope="session")
def measured_panels(measurements: dict[str, dict[str, Any]]) -> list[Panel]:
    return [panel for data in measurements.values() for panel in panels_from_dict(data)]
