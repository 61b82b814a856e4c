"""Finding and outlining cloth where contrast is poor: overlap, outline error, and whether a miss was said."""

from dataclasses import dataclass

import numpy as np
from shapely.geometry import Polygon
from shapely.ops import unary_union

from flatmeasure.errors import FlatMeasureError
from flatmeasure.pipeline import measure
from flatmeasure.results.measurement import UNSURE, WEAK_SHARE, Measurement
from tests.benchmarks.contrast_scenes import CASES, Case, Shot, shoot

SEEDS = (1, 2, 3)
GOOD = 0.97  # overlap below which a person must be told


@dataclass(frozen=True)
class Outcome:
    """One shot: overlap with the truth, 95th percentile of the outline's error, and what was said about it."""

    overlap: float
    outline_p95_mm: float
    refused: bool
    doubted: bool

    @property
    def silent(self) -> bool:
        return self.overlap < GOOD and not (self.refused or self.doubted)


def outcome(shot: Shot) -> Outcome:
    """Measure a shot and hold it against its truth; pieces of references' size and smaller count too."""
    try:
        found = measure(shot.photo, square_mm=100.0)
    except FlatMeasureError:
        return Outcome(0.0, float("nan"), True, False)
    true = unary_union(shot.pieces_px)
    got = unary_union([Polygon(p.outline_px, p.holes_px).buffer(0) for p in found.pieces])
    if got.is_empty:
        return Outcome(0.0, float("nan"), True, False)
    overlap = float(got.intersection(true).area / got.union(true).area)
    return Outcome(overlap, _outline_p95_mm(got, true, shot.mm_per_px), False, _is_doubted(found))


def print_contrast() -> None:
    """Every case and seed, worst overlap first."""
    rows: list[tuple[Outcome, Case, int]] = [
        (outcome(shoot(case, seed)), case, seed) for case in CASES for seed in SEEDS
    ]
    print(f"contrast: {len(CASES)} kinds of scenes, {len(SEEDS)} of each, two squares, 4 megapixels")
    for case in CASES:
        own = [row[0] for row in rows if row[1] is case]
        said = "".join("R" if o.refused else "D" if o.doubted else "!" if o.silent else "." for o in own)
        overlaps = " ".join(f"{o.overlap:.3f}" for o in own)
        print(f"  {case.name:34s} IoU {overlaps}  p95 {np.nanmedian([o.outline_p95_mm for o in own]):6.2f} mm  {said}")
    every = [row[0] for row in rows]
    overlaps = np.array([o.overlap for o in every])
    poor = f"{np.mean(overlaps < GOOD):.0%} under {GOOD}"
    print(f"  IoU median {np.median(overlaps):.4f}, {poor}, worst {overlaps.min():.3f}")
    print(f"  outline p95: median {np.nanmedian([o.outline_p95_mm for o in every]):.2f} mm")
    refused, doubted, silent = (
        float(np.mean([getattr(o, what) for o in every])) for what in ("refused", "doubted", "silent")
    )
    print(f"  refused {refused:.0%}, doubted {doubted:.0%}, wrong without a word {silent:.0%}")


def _is_doubted(found: Measurement) -> bool:
    weak = any(edge.weak > WEAK_SHARE for piece in found.pieces for edge in piece.edges)
    return weak or any(piece.confidence < UNSURE for piece in found.pieces)


def _outline_p95_mm(got: Polygon, true: Polygon, mm_per_px: float) -> float:
    """Of the distances from points along either outline to the other."""
    apart = []
    for one, other in ((got.boundary, true.boundary), (true.boundary, got.boundary)):
        steps = np.arange(0.0, one.length, 8.0)
        apart += [other.distance(one.interpolate(step)) for step in steps]
    return float(np.percentile(apart, 95)) * mm_per_px
