"""References that do not lie flat are noticed, and said."""

from dataclasses import replace

import numpy as np
import pytest

from flatmeasure.errors import ReferenceImplausible
from flatmeasure.photos.photo import Photo
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import LaidReference, Scene, View, scene_camera, see
from flatmeasure.view.rectification import Rectification, rectify
from tests.benchmarks.boards import FOLDER, run_boards

SIZE = (2000, 1500)
SQUARES = (
    LaidReference("coded", (100, 100), (-360.0, -220.0), 8, code=1),
    LaidReference("coded", (100, 100), (370.0, 210.0), -15, code=2),
    LaidReference("coded", (100, 100), (360.0, -230.0), 30, code=3),
)
ENDS_MM = np.array([[-250.0, 0.0], [250.0, 30.0]])
LENGTH_MM = float(np.linalg.norm(ENDS_MM[1] - ENDS_MM[0]))


def scene(*squares: LaidReference) -> Scene:
    camera, pose = scene_camera(SIZE, View(1250, 10, turn_deg=5))
    return Scene(camera, pose, SIZE, squares)


def view_of(*squares: LaidReference) -> Rectification:
    return rectify(Photo(render_photo(scene(*squares)), "squares", "", focal_35mm=26.0), square_mm=100.0)


def off_in_u(view: Rectification) -> float:
    """Error of a length across the mat, in units of its u."""
    seen = view.distance(*see(ENDS_MM, scene()))
    return abs(seen.value - LENGTH_MM) / seen.u


def codes(view: Rectification) -> list[str]:
    return [note.code for note in view.notes]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_flat_squares_are_not_blamed(count: int) -> None:
    view = view_of(*SQUARES[:count])
    assert codes(view) == []
    assert off_in_u(view) < 2.5


@pytest.mark.parametrize("arched_mm", [3.0, 6.0])
def test_a_bent_square_is_said(arched_mm: float) -> None:
    view = view_of(replace(SQUARES[0], arched_mm=arched_mm))
    assert codes(view) == ["reference-uneven"]
    assert off_in_u(view) < 2.5


def test_a_strongly_bent_square_is_refused() -> None:
    with pytest.raises(ReferenceImplausible, match="lay it flat"):
        view_of(replace(SQUARES[0], arched_mm=12.0))


@pytest.mark.parametrize("lifted_mm", [15.0, 30.0])
def test_a_lifted_square_among_three_is_left_out_by_name(lifted_mm: float) -> None:
    view = view_of(SQUARES[0], replace(SQUARES[1], lifted_mm=lifted_mm), SQUARES[2])
    assert codes(view) == ["reference-left-out"]
    assert "coded square 2" in view.notes[0].message
    assert off_in_u(view) < 2.5


def test_a_lifted_square_beside_another_is_said() -> None:
    view = view_of(SQUARES[0], replace(SQUARES[1], lifted_mm=20.0))
    assert codes(view) == ["reference-uneven"]
    assert off_in_u(view) < 2.5


@pytest.mark.skipif(not (FOLDER / "dji_wall").exists(), reason="the photographs are not part of the repository")
@pytest.mark.parametrize("place", ["centre", "corner"])
def test_a_real_print_that_no_plane_fits_is_measured_and_said(place: str) -> None:
    """A wavy poster. Source: see the benchmark of boards."""
    seen = list(run_boards("dji_wall", place))
    assert any("reference-uneven" in one.notes for one in seen)
    errors, plain = (np.abs(np.concatenate([getattr(s, k) for s in seen])) for k in ("errors", "homography_errors"))
    assert np.median(errors) < 0.03  # the poster's own waves are about 1 %
    if place == "corner":
        assert np.median(errors) < 0.5 * np.median(plain)


@pytest.mark.skipif(not (FOLDER / "gopro4_wide").exists(), reason="the photographs are not part of the repository")
def test_a_wide_lens_is_solved_from_one_square_in_a_corner() -> None:
    """15 mm equivalent: without a third radial term the median error was 2.6 %."""
    seen = list(run_boards("gopro4_wide", "corner"))
    errors, plain = (np.abs(np.concatenate([getattr(s, k) for s in seen])) for k in ("errors", "homography_errors"))
    assert np.median(errors) < 0.015
    assert np.median(errors) < 0.1 * np.median(plain)
    assert np.mean(np.abs(np.concatenate([one.in_u for one in seen])) <= 2) >= 0.88
