"""How often the truth lies within 2u, over simulated set-ups of the geometry, and how large the errors are.

Each set-up draws lens, print, tone and noise from what the program assumes of them (tests/setups.py), so a sound
program holds the truth within 2u in about 95 of 100 cases in every class of set-ups.
"""

from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from itertools import product
from typing import Any
from unittest.mock import patch

import numpy as np

from flatmeasure.view import ripple as ripple_module
from flatmeasure.view.bundle import LENS_SHARE
from flatmeasure.view.rectification import rectify_references
from tests.setups import PANEL_MM, Setup, Situation, simulate

PANEL_MM2 = float(np.prod(np.ptp(PANEL_MM, axis=0)))
# Scales of what lies shifted, and turned and bent; whether the program is told that nothing does, and that the lens
# is exactly radial.
PRINTS = {"exact": ((0.0, 0.0), True), "true": ((0.0, 0.0), False), "usual": ((1.0, 1.0), False)}
# Standard deviations drawn and told to the program: of the log focal length, the centre, k1 and k2.
LENSES: dict[str, dict[str, Any]] = {
    "by its metadata": {"u_log_focal": 0.025, "u_radial": (0.02, 0.01)},
    "and by straight lines": {"u_log_focal": 0.025, "u_radial": (0.005, 0.006)},
    "calibrated": {"u_log_focal": 0.003, "u_centre": 0.001, "u_radial": (0.001, 0.001)},
}
POINT_U_PX = 0.1  # scatter of each corner of the panel, also told to the program


@dataclass(frozen=True, eq=False)
class Trial:
    """Errors of one set-up and their stated u: four edges (mm) and the area (mm2)."""

    situation: Situation
    edge_errors: np.ndarray
    edge_u: np.ndarray
    area_error: float
    area_u: float


def run_trials(count: int, seed: int = 2024) -> list[Trial]:
    """``count`` set-ups over 1 to 4 squares, heights, tilts, sides and noise levels."""
    trials = []
    for index in range(count):
        rng = np.random.default_rng([seed, index])
        situation = Situation(
            squares=1 + index % 4,
            coded=bool(rng.integers(2)),
            side_mm=float(rng.choice([60.0, 100.0, 150.0])),
            height_mm=float(rng.uniform(1100, 2000)),
            tilt_deg=float(rng.uniform(0, 30)),
            turn_deg=float(rng.uniform(-180, 180)),
            noise_px=float(rng.choice([0.03, 0.08, 0.2])),
            thickness_mm=float(rng.choice([0.0, 3.0])),
        )
        trials.append(attempt(situation, simulate(situation, rng), rng))
    return trials


def attempt(situation: Situation, setup: Setup, rng: np.random.Generator) -> Trial:
    """Solve one set-up and compare the panel's edges and area with the truth."""
    view = rectify_references(setup.references, setup.prior)
    ends = setup.panel_px + POINT_U_PX * rng.standard_normal(setup.panel_px.shape)
    nexts = np.roll(ends, -1, axis=0)
    lengths = [view.distance(a, b, setup.thickness_mm, u_px=POINT_U_PX) for a, b in zip(ends, nexts, strict=True)]
    true_lengths = np.linalg.norm(np.roll(setup.panel_mm, -1, axis=0) - setup.panel_mm, axis=1)
    area = view.area(setup.panel_px, setup.thickness_mm)  # the vertices are taken as exact
    return Trial(
        situation,
        np.array([q.value for q in lengths]) - true_lengths,
        np.array([q.u for q in lengths]),
        area.value - PANEL_MM2,
        area.u,
    )


def print_coverage(count: int = 600) -> None:
    """Table by class of set-ups."""
    trials = run_trials(count)
    print(f"coverage: {count} simulated set-ups, panel 700 x 600 mm, picture 4000 x 3000, 26 mm equivalent")
    heads = f"{'n':>5s} {'edges 2u':>9s} {'area 2u':>8s} {'edge rms mm':>12s} {'rms of u':>9s} {'area rms %':>11s}"
    print(f"  {'class':24s} {heads}")
    for name, chosen in _classes(trials).items():
        if chosen:
            _print_row(name, chosen)


def print_design_table(count: int = 100) -> None:
    """Errors in one situation with the true side known exactly, by squares and by what is known of print and lens.

    "Exact" is the design's own case: lines lie where a perfect print and an exactly radial lens have them, and the
    program takes that for granted.
    """
    print(f"geometry: 1500 mm high, tilt 12 deg, 100 mm squares of exactly known side, {count} set-ups each")
    print(f"  {'squares, their print and place':34s} {'lens':24s} {'edge rms mm':>12s} {'area rms %':>11s}")
    for (print_, (ripple, told)), beside, (lens, u_lens), squares in product(
        PRINTS.items(), (True, False), LENSES.items(), (1, 2, 4)
    ):
        lens_share = 0.0 if told else LENS_SHARE
        situation = Situation(
            squares, noise_px=0.08, u_log_size=0.0, ripple=ripple, lens_share=lens_share, beside=beside, **u_lens
        )
        with patch.multiple(ripple_module, PRINT_MM=np.zeros(3), LOCATED_PX=np.zeros(3)) if told else nullcontext():
            trials = [
                attempt(situation, simulate(situation, rng), rng)
                for rng in (np.random.default_rng([squares, index]) for index in range(count))
            ]
        edge = np.sqrt(np.mean(np.square([t.edge_errors for t in trials])))
        area = 100 * np.sqrt(np.mean(np.square([t.area_error for t in trials]))) / PANEL_MM2
        name = f"{squares}, {print_}, {'beside' if beside else 'off corners'}"
        print(f"  {name:34s} {lens:24s} {edge:12.3f} {area:11.3f}")


def _classes(trials: list[Trial]) -> dict[str, list[Trial]]:
    def where(key: Callable[[Situation], bool]) -> list[Trial]:
        return [trial for trial in trials if key(trial.situation)]

    return {
        "all": trials,
        **{f"{n} square{'s' * (n > 1)}": where(lambda s, n=n: s.squares == n) for n in (1, 2, 3, 4)},
        "plain": where(lambda s: not s.coded),
        "coded": where(lambda s: s.coded),
        **{f"side {a:g} mm": where(lambda s, a=a: s.side_mm == a) for a in (60.0, 100.0, 150.0)},
        "under 1500 mm high": where(lambda s: s.height_mm < 1500),
        "over 1500 mm high": where(lambda s: s.height_mm >= 1500),
        **{f"tilt {a} to {a + 10} deg": where(lambda s, a=a: a <= s.tilt_deg < a + 10) for a in (0, 10, 20)},
        **{f"noise {a:g} px": where(lambda s, a=a: s.noise_px == a) for a in (0.03, 0.08, 0.2)},
    }


def _print_row(name: str, trials: list[Trial]) -> None:
    errors = np.concatenate([t.edge_errors for t in trials])
    us = np.concatenate([t.edge_u for t in trials])
    area_errors, area_us = np.array([t.area_error for t in trials]), np.array([t.area_u for t in trials])
    rms = np.sqrt(np.mean(errors**2)), np.sqrt(np.mean(us**2)), 100 * np.sqrt(np.mean(area_errors**2)) / PANEL_MM2
    print(
        f"  {name:24s} {len(trials):5d} {np.mean(np.abs(errors) <= 2 * us):9.3f} "
        f"{np.mean(np.abs(area_errors) <= 2 * area_us):8.3f} {rms[0]:12.3f} {rms[1]:9.3f} {rms[2]:11.3f}"
    )
