"""Strip packing on the open instances of the cutting and packing community, against the best published layouts.

Instances: ESICUP, 2-D irregular, as JSON from github JeroenGar/sparrow (MIT), commit a4bfbbe; the best lengths are
those of that project's record layouts (Gardeyn, Vanden Berghe, Wauters 2025, arXiv 2509.13329; 20 minutes a run, 100
runs, 16 cores). They are not part of this repository: the folder is given, or the benchmark is skipped.

The column "solver" is a general solver (spyrrow 0.9.0) in as many processor seconds, where it was run. The shopping
list does without it: on instances of the size of a home pattern, up to 30 pieces, the own packer is as dense, it needs
no other process, and its layout is the same every time; with 64 and 99 pieces it is about a point less dense.
"""

import json
import os
import time
from pathlib import Path

import numpy as np
from shapely.geometry import Polygon, box

from flatmeasure.enough.parts import Part, make_stance
from flatmeasure.enough.strip_packing import StripLayout, pack_strip

FOLDER = Path(__file__).parents[3] / "shared" / "data" / "nesting"
BEST_DENSITY = {  # per cent, computed from the record layouts
    "albano": 89.82, "blaz1": 86.22, "dagli": 90.17, "fu": 92.40, "jakobs1": 89.25, "jakobs2": 87.72, "mao": 86.87,
    "marques": 92.01, "shapes0": 69.98, "shapes1": 76.72, "shirts": 90.92, "swim": 79.83, "trousers": 92.61,
}  # fmt: skip
GENERAL_SOLVER = {"albano": 87.88, "mao": 82.86, "marques": 89.21, "shirts": 86.37, "swim": 74.45, "trousers": 89.72}
WIDTH_MM = 1000.0  # every strip is scaled to this
SECONDS = 45.0  # of processor time, that of the general solver


def read_instance(name: str) -> tuple[list[Part], float]:
    """Parts of an instance, its strip 1 m wide with its length running up, and mm per unit."""
    data = json.loads((FOLDER / f"{name}.json").read_text())
    scale = WIDTH_MM / data["strip_height"]
    parts = []
    for item in data["items"]:
        shape = Polygon(np.array(item["shape"]["data"])[:, ::-1] * scale).buffer(0.0)
        stances = tuple(make_stance(shape, -turn) for turn in item["allowed_orientations"])
        choices = (tuple(range(len(stances))),)
        parts += [Part(f"{item['id']}-{k}", stances, 1.0, choices, choices) for k in range(item["demand"])]
    return parts, scale


def check(found: StripLayout) -> float:
    """Greatest overlap or area outside the strip (a thousandth of a millimetre is let pass), mm2, by shapely."""
    laid = list(found.layout.outlines().values())
    strip = box(-1e-3, 0.0, found.width_mm + 1e-3, found.length_mm)
    overlap = max(a.intersection(b).area for i, a in enumerate(laid) for b in laid[:i])
    return float(max(overlap, *(shape.difference(strip).area for shape in laid)))


def print_nesting() -> None:
    """Density reached in `SECONDS` of one processor."""
    if not FOLDER.exists():
        print(f"nesting: skipped, no instances in {FOLDER.name}/")
        return
    seconds = float(os.environ.get("SECONDS_EACH", SECONDS))
    print(f"strip packing, {seconds:.0f} s of one processor each: density in per cent")
    print(f"{'instance':10} {'pieces':>6} {'found':>7} {'best':>7} {'solver':>7} {'sweeps':>7} {'fault mm2':>9}")
    for name, best in BEST_DENSITY.items():
        parts, _ = read_instance(name)
        until = time.process_time() + seconds
        found = pack_strip(parts, WIDTH_MM, 10**9, lambda share, until=until: time.process_time() < until)  # type: ignore[misc]
        if found is None:
            print(f"{name:10} no layout")
            continue
        solver = f"{GENERAL_SOLVER[name]:7.2f}" if name in GENERAL_SOLVER else " " * 7
        print(
            f"{name:10} {len(parts):6} {100 * found.density:7.2f} {best:7.2f} {solver} "
            f"{found.sweeps:7} {check(found):9.1e}",
            flush=True,
        )
