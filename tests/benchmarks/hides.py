"""Pieces cut from leather hides: irregular outlines with holes, and zones of too low a quality.

Instances: Baldacci, Boschetti, Ganovelli, Maniezzo 2014, "Algorithms for nesting with defects", Discrete Applied
Mathematics 163, 17-33, as JSON from github JeroenGar/jagua-rs (MPL-2.0), commit 76aab0f. The yields of that paper are
not at hand, so none is compared; the share of each hide that is cut out is given, by order of the hides. They are not
part of this repository: the folder is given, or the benchmark is skipped.
"""

import json
import os
import time
from pathlib import Path
from typing import Any

import shapely
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from flatmeasure.enough.boards import Board, LayRules
from flatmeasure.enough.laying import Lay, make_parts
from flatmeasure.enough.layouts import Layout, fault_of
from flatmeasure.enough.most_valuable import lay_most
from flatmeasure.enough.parts import Part
from flatmeasure.enough.pattern import PatternPiece, Turns

FOLDER = Path(__file__).parents[3] / "shared" / "data" / "nesting" / "hides"
LONGER_MM = 2000.0  # the longer side of the first hide is taken for this long
SWEEPS = 40  # for each hide
HIDES = 2  # that are filled, of each instance


def read_instance(name: str) -> tuple[list[PatternPiece], list[BaseGeometry]]:
    """Pieces and hides of an instance; every zone below a hide's best quality is left out for all pieces."""
    data = json.loads((FOLDER / f"{name}.json").read_text())
    hides = [_hide(one) for one in data["bins"]]
    left, low, right, high = hides[0].bounds
    scale = LONGER_MM / max(right - left, high - low)
    pieces = [
        PatternPiece(f"{k}", _scaled(_polygon(item["shape"]), scale), count=item["demand"], turns=Turns.ANY)
        for k, item in enumerate(data["items"])
    ]
    return pieces, [_scaled(hide, scale) for hide in hides]


def _hide(data: dict[str, Any]) -> BaseGeometry:
    zones = [_polygon(zone["shape"]) for zone in data["zones"]]
    return shapely.difference(_polygon(data["shape"]), shapely.union_all(zones))


def _polygon(shape: dict[str, Any]) -> BaseGeometry:
    rings = shape["data"] if shape["type"] == "polygon" else {"outer": shape["data"], "inner": []}
    return shapely.make_valid(Polygon(rings["outer"], rings["inner"]))


def _scaled(shape: Any, scale: float) -> Any:
    return affinity.scale(shape, scale, scale, origin=(0, 0))


def fill(pieces: list[PatternPiece], hides: list[BaseGeometry], sweeps: int = SWEEPS) -> list[Layout]:
    """One hide after the other, each with the most that is found to fit of what is still wanted."""
    wanted = list(make_parts(pieces, Lay((Board("hide", hides[0], 0.0),)), LayRules()))
    layouts = []
    for hide in hides:
        if not wanted:
            break
        found = lay_most(wanted, [hide], sweeps).layout
        layouts.append(found)
        wanted = [part for part, board in zip(wanted, found.places.board, strict=True) if board < 0]
    return layouts


def print_hides() -> None:
    """Share of each hide that is cut out."""
    if not FOLDER.exists():
        print(f"hides: skipped, no instances in {FOLDER.name}/")
        return
    for name in sorted(path.stem for path in FOLDER.glob("*.json")):
        pieces, hides = read_instance(name)
        hides = hides[: int(os.environ.get("HIDES", HIDES))]
        start = time.process_time()
        layouts = fill(pieces, hides)
        seconds = time.process_time() - start
        shares = [
            sum(part.area_mm2 for part in placed(one)) / hide.area for one, hide in zip(layouts, hides, strict=False)
        ]
        fault = max(fault_of(one, [hide]) for one, hide in zip(layouts, hides, strict=False))
        left = len(layouts[-1].parts) - len(layouts[-1].places.placed)
        count = sum(piece.pieces for piece in pieces)
        print(
            f"{name}: {count} pieces on {len(layouts)} hides, {left} left; "
            f"cut out {' '.join(f'{share:.0%}' for share in shares)}; {seconds:.0f} s, fault {fault:.1e} mm2",
            flush=True,
        )


def placed(layout: Layout) -> list[Part]:
    """The parts that were placed."""
    return [layout.parts[i] for i in layout.places.placed]
