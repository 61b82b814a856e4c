"""The same panel photographed twice, by different cameras from different places: do the two measurements agree?

Agreement is the normalised error E_n of ISO 13528, 9.6 (JCGM 200 compatibility): the difference over the expanded
uncertainty of the difference, U = 2u; compatible results lie within 1. Both photos show the same printed squares, so
the error of their side (drawn once for each pair) cancels in the difference and is no part of its u (GUM, F.1.2.3).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from flatmeasure.errors import FlatMeasureError
from flatmeasure.photos.photo import Photo, load_photo
from flatmeasure.pipeline import measure
from flatmeasure.quantity import Quantity
from flatmeasure.references.figures import U_LOG_SIZE
from flatmeasure.results.measurement import Piece
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Mat, Scene, View, scene_camera

SIZE_PX = (2000, 1500)
SIDE_MM = 100.0
THICKNESS_MM = 0.8
CURVE = np.linspace(-1.0, 1.0, 60)
PANEL_MM = np.concatenate(
    [
        np.column_stack([240 * CURVE, -200 - 30 * (1 - CURVE**2)]),
        np.array([[260.0, 60.0], [150.0, 210.0]]),
        np.column_stack([-150 * CURVE, 210 - 12 * (1 - CURVE**2)])[1:],
    ]
)
PLACES = ((-370.0, -210.0), (375.0, 215.0), (370.0, -220.0), (-365.0, 225.0))


@dataclass(frozen=True, eq=False)
class Pair:
    """Two photos of one panel.

    Attributes
    ----------
    squares : int
    area_en : float
        Normalised error of the area.
    edge_en : (E,) array
        Of the edges.
    area_difference, edge_differences_mm
        The second less the first, the area's as a share.
    """

    squares: int
    area_en: float
    edge_en: np.ndarray
    area_difference: float
    edge_differences_mm: np.ndarray


def run_pairs(count: int, seed: int = 7) -> Iterator[Pair | FlatMeasureError]:
    """Pairs of photos with one, two or four squares in turn; the error where one of the photos is refused."""
    for index in range(count):
        rng = np.random.default_rng([seed, index])
        try:
            yield photograph_twice((1, 2, 4)[index % 3], rng)
        except FlatMeasureError as error:
            yield error


def photograph_twice(squares: int, rng: np.random.Generator) -> Pair:
    """Measure the panel in two photos; both must find its five edges."""
    side_mm = SIDE_MM * float(np.exp(U_LOG_SIZE * rng.standard_normal()))
    laid = tuple(
        LaidReference("coded", (side_mm, side_mm), at, float(rng.uniform(-180, 180)), code=i)
        for i, at in enumerate(PLACES[:squares])
    )
    first, second = (_measured(laid, rng) for _ in range(2))
    count = len(first.edges)
    assert count == len(second.edges) == 5, "the edges of the panel are found otherwise in the two photos"
    # the mat frame follows the photographer: the second's edges begin elsewhere
    lengths = [np.array([edge.length.value for edge in piece.edges]) for piece in (first, second)]
    shift = min(range(count), key=lambda k: float(np.abs(lengths[0] - np.roll(lengths[1], -k)).sum()))
    edges = [(edge.length, second.edges[(i + shift) % count].length) for i, edge in enumerate(first.edges)]
    differences = np.array([b.value - a.value for a, b in edges])
    u = np.array([np.hypot(_u_own(a, U_LOG_SIZE), _u_own(b, U_LOG_SIZE)) for a, b in edges])
    area = second.area.value - first.area.value
    u_area = np.hypot(_u_own(first.area, 2.0 * U_LOG_SIZE), _u_own(second.area, 2.0 * U_LOG_SIZE))
    return Pair(squares, area / (2.0 * u_area), differences / (2.0 * u), area / first.area.value, differences)


def _u_own(quantity: Quantity, u_common: float) -> float:
    """What a quantity's u is without the part that is ``u_common`` of its value."""
    return float(np.sqrt(max(0.0, quantity.u**2 - (u_common * quantity.value) ** 2)))


def _measured(laid: tuple[LaidReference, ...], rng: np.random.Generator) -> Piece:
    focal_35mm = float(rng.choice([24.0, 26.0, 28.0]))
    view = View(
        height_mm=float(rng.uniform(1100, 1400)) * focal_35mm / 26.0,
        tilt_deg=float(rng.uniform(0, 20)),
        turn_deg=float(rng.uniform(-180, 180)),
        roll_deg=float(rng.uniform(-5, 5)),
        aim_mm=(float(rng.uniform(-30, 30)), float(rng.uniform(-30, 30))),
        focal_35mm=focal_35mm * float(np.exp(0.02 * rng.standard_normal())),
        radial=(float(0.02 * rng.standard_normal()), float(0.005 * rng.standard_normal())),
        offset_px=(float(8 * rng.standard_normal()), float(8 * rng.standard_normal())),
    )
    camera, pose = scene_camera(SIZE_PX, view)
    cloth = LaidCloth(PANEL_MM, colour=(150, 60, 52), thickness_mm=THICKNESS_MM)
    shown = Scene(camera, pose, SIZE_PX, laid, (cloth,), Mat(size_mm=(1300, 1000)), noise=2.0, blur_px=0.8)
    photo = load_photo(encode_jpeg(render_photo(shown, int(rng.integers(1000))), focal_35mm=focal_35mm))
    named: Photo = replace(photo, name="panel")
    (piece,) = measure(named, square_mm=SIDE_MM, thickness_mm=THICKNESS_MM, lens="none").pieces
    return piece


def print_repeatability(count: int = 30) -> None:
    """Share of compatible pairs by number of squares."""
    outcomes = list(run_pairs(count))
    pairs = [outcome for outcome in outcomes if isinstance(outcome, Pair)]
    print(f"repeatability: {count} pairs of photos of one panel, two cameras and places; refused {count - len(pairs)}")
    heads = f"{'edges E_n<1':>12s} {'rms 2E_n':>9s} {'area E_n<1':>11s} {'edge rms mm':>12s} {'area rms %':>11s}"
    print(f"  {'squares':8s} {heads}")
    for squares in (1, 2, 4):
        chosen = [p for p in pairs if p.squares == squares]
        en = np.concatenate([p.edge_en for p in chosen])
        area_en = np.array([p.area_en for p in chosen])
        edge_mm = np.sqrt(np.mean(np.concatenate([p.edge_differences_mm for p in chosen]) ** 2))
        area = 100 * np.sqrt(np.mean([p.area_difference**2 for p in chosen]))
        print(
            f"  {squares:<8d} {np.mean(np.abs(en) < 1):12.3f} {np.sqrt(np.mean(4 * en**2)):9.2f} "
            f"{np.mean(np.abs(area_en) < 1):11.3f} {edge_mm:12.2f} {area:11.3f}"
        )
