"""Turning, moving or mirroring what is photographed changes no measure by more than its uncertainty."""

from dataclasses import dataclass

import numpy as np
import pytest

from flatmeasure.pipeline import measure
from flatmeasure.results.measurement import Piece
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Scene, View, scene_camera, turn_matrix

SIZE = (1400, 1000)
# Nothing symmetrical: four straight sides of different lengths and a bay.
BAY = np.column_stack([60 * np.cos(np.linspace(0, -np.pi, 60)), 60 * np.sin(np.linspace(0, -np.pi, 60))])
PANEL = np.concatenate(
    [[[-190.0, -160.0], [205.0, -130.0], [170.0, 180.0]], BAY + np.array([20.0, 175.0]), [[-140.0, 165.0]]]
)


@dataclass(frozen=True)
class Move:
    """What is done to everything on the mat before the photo is taken again."""

    turn_deg: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    mirror: bool = False

    def apply(self, points: np.ndarray) -> np.ndarray:
        """Points (N, 2) after the move; a mirrored outline runs the other way round, so it is reversed."""
        flipped = (points * [-1.0, 1.0])[::-1] if self.mirror else points
        return flipped @ turn_matrix(self.turn_deg).T + np.array(self.shift_mm)


def photo(move: Move, seed: int, view: View | None = None) -> np.ndarray:
    camera, pose = scene_camera(SIZE, view or View(1150, 9, radial=(-0.01, 0.0)))
    places = [move.apply(np.array([at]))[0] for at in ([-300.0, -150.0], [300.0, 120.0])]
    squares = tuple(
        LaidReference("coded", (80, 80), (float(x), float(y)), move.turn_deg + 10 * code, code)
        for code, (x, y) in enumerate(places)
    )
    cloth = LaidCloth(move.apply(PANEL), colour=(150, 60, 52))
    return render_photo(Scene(camera, pose, SIZE, squares, (cloth,)), seed)


def measured(picture: np.ndarray) -> Piece:
    (piece,) = measure(picture, square_mm=80.0).pieces
    return piece


def assert_agree(a: Piece, b: Piece) -> None:
    """Area, perimeter and the sorted lengths of all edges lie within their joint 2u, and the piece is the true one."""
    assert a.area.value == pytest.approx(b.area.value, abs=2 * np.hypot(a.area.u, b.area.u))
    assert a.perimeter.value == pytest.approx(b.perimeter.value, abs=2 * np.hypot(a.perimeter.u, b.perimeter.u))
    assert len(a.edges) == len(b.edges)
    lengths = [sorted((edge.length for edge in piece.edges), key=lambda q: q.value) for piece in (a, b)]
    for one, other in zip(*lengths, strict=True):
        assert one.value == pytest.approx(other.value, abs=2 * np.hypot(one.u, other.u))


@pytest.fixture(scope="module")
def plain() -> Piece:
    return measured(photo(Move(), 0))


def test_the_panel_is_measured_true(plain: Piece) -> None:
    truth = LaidCloth(PANEL).area_mm2
    assert abs(plain.area.value - truth) < 2 * plain.area.u
    assert plain.area.u < 0.01 * truth


@pytest.mark.parametrize(
    "move",
    [
        Move(turn_deg=37.0),
        Move(turn_deg=180.0),
        Move(shift_mm=(25.0, -18.0)),
        Move(mirror=True),
        Move(turn_deg=-70.0, shift_mm=(-12.0, 9.0), mirror=True),
    ],
    ids=["turned", "upside down", "moved", "mirrored", "all"],
)
def test_moving_the_scene_changes_no_measure(plain: Piece, move: Move) -> None:
    assert_agree(plain, measured(photo(move, 1)))


def test_another_place_of_the_camera_changes_no_measure(plain: Piece) -> None:
    """Two photos of the same panel, one from higher up and the other side."""
    other = View(1400, 16, turn_deg=160, roll_deg=5, aim_mm=(20.0, 10.0), radial=(0.015, 0.0))
    assert_agree(plain, measured(photo(Move(), 2, other)))


def test_turning_the_picture_changes_next_to_nothing(plain: Piece) -> None:
    """The same pixels, turned by a quarter: far within u, since only rounding and the order of sums differ."""
    turned = measured(np.ascontiguousarray(np.rot90(photo(Move(), 0))))
    assert turned.area.value == pytest.approx(plain.area.value, abs=0.5 * plain.area.u)
    assert turned.perimeter.value == pytest.approx(plain.perimeter.value, abs=0.5 * plain.perimeter.u)


def test_failure_a_stretched_panel_does_not_agree(plain: Piece) -> None:
    """The comparison would notice one per cent."""
    camera, pose = scene_camera(SIZE, View(1150, 9, radial=(-0.01, 0.0)))
    squares = tuple(
        LaidReference("coded", (80, 80), at, 10 * code, code) for code, at in enumerate([(-300, -150), (300, 120)])
    )
    cloth = LaidCloth(PANEL * [1.03, 1.0], colour=(150, 60, 52))
    stretched = measured(render_photo(Scene(camera, pose, SIZE, squares, (cloth,)), 0))
    with pytest.raises(AssertionError):
        assert_agree(plain, stretched)
