"""A focal length in the metadata that is not the picture's: zoomed into, cropped, or wrongly written."""

from dataclasses import replace

import numpy as np
import pytest

from flatmeasure.photos.camera import Points
from flatmeasure.view.rectification import Rectification, rectify_references
from tests.setups import PANEL_MM, SIZE_PX, Setup, Situation, simulate

CLEAN = (0.5, 0.3)  # a print on card
SIDES_MM = np.linalg.norm(np.roll(PANEL_MM, -1, axis=0) - PANEL_MM, axis=1)


def setup(index: int, **situation: float) -> Setup:
    return simulate(Situation(noise_px=0.05, ripple=CLEAN, **situation), np.random.default_rng([13, index]))  # type: ignore[arg-type]


def measured(known: Setup, factor: float = 1.0, centre_off_px: Points | None = None) -> Rectification:
    """The view with a stated focal length that is the picture's divided by ``factor``."""
    mean = known.prior.mean.copy()
    mean[0] -= np.log(factor)
    mean[1:3] += 0.0 if centre_off_px is None else centre_off_px
    return rectify_references(known.references, replace(known.prior, mean=mean))


def errors(view: Rectification, known: Setup) -> tuple[Points, Points]:
    """Of the panel's sides: relative error, and in units of the stated u."""
    found = [
        view.distance(a, b, u_px=0.0) for a, b in zip(known.panel_px, np.roll(known.panel_px, -1, axis=0), strict=True)
    ]
    off = np.array([q.value for q in found]) - SIDES_MM
    return off / SIDES_MM, off / np.array([q.u for q in found])


def said(view: Rectification) -> bool:
    return "focal-contradicted" in [note.code for note in view.notes]


@pytest.mark.parametrize("factor", [0.5, 0.7, 1.4, 1.92])  # 25 mm where the photo says 13 is 1.92
@pytest.mark.parametrize("squares", [2, 3])
def test_a_false_focal_length_gives_way_to_the_squares(factor: float, squares: int) -> None:
    known = setup(0, squares=squares, tilt_deg=20.0, turn_deg=40.0)
    view = measured(known, factor)
    relative, in_u = errors(view, known)
    assert said(view)
    assert np.max(np.abs(relative)) < 0.006
    assert np.max(np.abs(in_u)) < 2.0
    u_log_focal = np.sqrt(view.solution.covariance[0, 0])
    assert abs(np.log(view.camera.focal_px / known.camera.focal_px)) < 2.0 * u_log_focal < 0.7


def test_a_cropped_picture_is_told_with_its_centre_free() -> None:
    known = setup(1, squares=3, tilt_deg=20.0)
    view = measured(known, 1.5, 0.15 * np.array(SIZE_PX))
    relative, in_u = errors(view, known)
    assert said(view)
    assert np.max(np.abs(relative)) < 0.01
    assert np.max(np.abs(in_u)) < 2.0


def test_one_square_seen_steeply_contradicts_too() -> None:
    known = setup(2, squares=1, side_mm=150.0, tilt_deg=28.0, turn_deg=30.0)
    view = measured(known, 0.5)
    assert said(view)
    assert np.max(np.abs(errors(view, known)[1])) < 2.0


def test_what_cannot_be_seen_is_not_contradicted() -> None:
    """One square from above: any focal length shows it like this, and u says so."""
    known = setup(3, squares=1, side_mm=60.0, tilt_deg=0.0)
    assert not said(measured(known, 1.3))


def test_a_true_focal_length_is_left_alone() -> None:
    """By chance one photo in a hundred is doubted; the prior's own scatter of 3 % is drawn here."""
    views = [measured(setup(i, squares=1 + i % 3, tilt_deg=20.0)) for i in range(60)]
    assert sum(said(view) for view in views) <= 2
    quiet = next(view for view in views if not said(view))
    assert quiet.solution.covariance[0, 0] <= 0.03**2 * (1 + 1e-9)
