"""Jigsaws: irregular cloth cut into pieces, so that a full layout is known to exist, at 70, 80 and 90 per cent of use.

A cloth with a hole is cut by straight lines into pieces; every piece is then taken smaller by the same distance all
round until the pieces' area is the wanted share of the cloth's. Pieces may be turned by 180 degrees.
"""

import os
import time

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import split

from flatmeasure.enough.boards import Board
from flatmeasure.enough.layouts import fault_of
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.verdict import Answer, Effort, Verdict, is_enough

PIECES = 10
USES = (0.7, 0.8, 0.9)
PUZZLES = 10
SWEEPS = 4000


def make_cloth(seed: int) -> Polygon:
    """An irregular cloth of about 90 x 70 cm with a hole."""
    random = np.random.default_rng(seed)
    angle = np.sort(random.uniform(0.0, 2.0 * np.pi, 14))
    corners = np.column_stack([450.0 * np.cos(angle), 350.0 * np.sin(angle)]) * random.uniform(0.8, 1.15, (14, 1))
    hole = Point(random.uniform(-150.0, 150.0, 2)).buffer(30.0, quad_segs=4)
    return Polygon(corners).buffer(0.0).difference(hole)


def make_jigsaw(seed: int, use: float, count: int = PIECES) -> tuple[Polygon, list[PatternPiece]]:
    """A cloth and pieces that are known to fit on it, in random order and turn."""
    random = np.random.default_rng(1000 + seed)
    cloth = make_cloth(seed)
    parts = [cloth]
    while len(parts) < count:
        largest = max(parts, key=lambda part: part.area)
        angle, middle = random.uniform(0.0, np.pi), np.asarray(largest.centroid.coords[0])
        along = 2000.0 * np.array([np.cos(angle), np.sin(angle)])
        halves = list(split(largest, LineString([middle - along, middle + along])).geoms)
        parts = [part for part in parts if part is not largest] + halves
    low, high = 0.0, 60.0
    for _ in range(40):
        middle_mm = (low + high) / 2.0
        smaller = [part.buffer(-middle_mm, join_style="mitre") for part in parts]
        low, high = (middle_mm, high) if sum(part.area for part in smaller) > use * cloth.area else (low, middle_mm)
    pieces = [max(getattr(part, "geoms", [part]), key=lambda one: one.area) for part in smaller if not part.is_empty]
    order = random.permutation(len(pieces))
    turned = [affinity.rotate(pieces[k], float(random.choice([0.0, 180.0])), origin=(0, 0)) for k in order]
    return cloth, [PatternPiece(f"piece {k + 1}", shape) for k, shape in enumerate(turned)]


def solve(seed: int, use: float, sweeps: int = SWEEPS) -> tuple[Answer, float, float]:
    """The answer, processor seconds, and the worst fault of the layout (mm2)."""
    cloth, pieces = make_jigsaw(seed, use)
    start = time.process_time()
    answer = is_enough(pieces, [Board("cloth", cloth, 0.0)], effort=Effort(sweeps))
    return answer, time.process_time() - start, fault_of(answer.layout, [cloth])


def print_jigsaw() -> None:
    """Share solved and time, for each share of use."""
    puzzles = int(os.environ.get("PUZZLES", PUZZLES))
    print(f"jigsaws of {PIECES} pieces, {puzzles} each, {SWEEPS} sweeps at most; seconds of one processor")
    for use in USES:
        results = [solve(seed, use) for seed in range(puzzles)]
        solved = [seconds for answer, seconds, _ in results if answer.verdict is Verdict.ENOUGH]
        every = [seconds for _, seconds, _ in results]
        placed = np.mean([len(answer.layout.places.placed) / len(answer.layout.parts) for answer, _, _ in results])
        print(
            f"use {use:.0%}: solved {len(solved)} of {puzzles}, pieces placed {placed:.0%}; median "
            f"{np.median(solved) if solved else float('nan'):.1f} s when solved, {np.max(every):.1f} s at most; "
            f"worst fault {max(fault for _, _, fault in results):.1e} mm2",
            flush=True,
        )
