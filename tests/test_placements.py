"""Placed pieces on the mat and in the photo, against the camera of a rendered scene."""

import json

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from flatmeasure.enough.answer_text import answer_to_dict
from flatmeasure.enough.boards import Board, board_of
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.placements import placed_outlines_px, placements
from flatmeasure.enough.verdict import Effort, is_enough
from flatmeasure.photos.camera import Camera, Points, distort
from flatmeasure.pieces.panel import Grain, Panel
from tests.panels import rectangle

CAMERA = Camera(3000.0, (2000.0, 1500.0), (0.05, 0.0))
PIECES = [PatternPiece("front", Polygon([(0, 0), (150, 0), (150, 200), (60, 250), (0, 180)]), count=2, pair=True)]


def seen(points_mm: Points) -> Points:
    """Pixels of places on the mat, through a camera 1.2 m above it, looking down with a tilt of 10 degrees."""
    c, s = np.cos(np.radians(170.0)), np.sin(np.radians(170.0))
    turn = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    at = np.column_stack([points_mm, np.zeros(len(points_mm))]) @ turn.T + [-250.0, 200.0, 1200.0]
    return distort(at[:, :2] / at[:, 2:], CAMERA)


def measured(panel: Panel) -> dict[str, object]:
    """A measurement of a panel, as `picture_map` needs it."""
    sides = [
        panel.outline_mm + t * (np.roll(panel.outline_mm, -1, axis=0) - panel.outline_mm) for t in (0.0, 0.25, 0.5)
    ]
    outline = np.concatenate(sides)
    lens = {"focal_px": 3000.0, "principal_point_px": [2000.0, 1500.0], "radial": [0.05, 0.0]}
    piece = {"id": panel.id, "outline_mm": outline.tolist(), "outline_px": seen(outline).tolist()}
    return {"rectification": {"camera": lens}, "pieces": [piece]}


def test_pieces_lie_in_the_photo_where_they_lie_on_the_mat() -> None:
    panel = rectangle(500.0, 420.0)
    board = board_of(Panel(**{**vars(panel), "grain": Grain(10.0, 0.1, "given")}))
    answer = is_enough(PIECES, [board], effort=Effort(200))
    assert answer.layout.complete
    layout = json.loads(json.dumps(answer_to_dict(answer)))
    found = placed_outlines_px(layout, measured(panel), "A")
    assert [(one.piece, one.copy, one.mirrored) for one in found] == [
        ("front", 1, False), ("front", 1, True), ("front", 2, False), ("front", 2, True),
    ]  # fmt: skip
    for one, placed in zip(found, placements(answer), strict=True):
        corners = seen(placed.outline_on_mat_mm)
        away = np.linalg.norm(corners[:, None] - one.outline_px, axis=2).min(axis=1)
        assert np.max(away) < 0.05
        assert len(one.outline_px) > 2 * len(corners)  # sides bend with the lens
        assert one.grain_px == pytest.approx(seen(placed.grain_on_mat_mm), abs=0.05)


def test_grain_points_to_the_top_along_the_cloths_grain() -> None:
    panel = Panel(**{**vars(rectangle(500.0, 420.0)), "grain": Grain(10.0, 0.1, "given")})
    answer = is_enough(PIECES, [board_of(panel)], effort=Effort(200))
    for one in placements(answer):
        tail, tip = one.grain_on_mat_mm
        angle = np.degrees(np.arctan2(*(tip - tail)[::-1]))
        assert angle % 180.0 == pytest.approx(10.0, abs=1e-6)
        upside_down = one.stance.turn_deg == 180.0
        assert bool(angle % 360.0 > 180.0) is upside_down
        assert Polygon(one.outline_on_mat_mm).contains(Polygon([tail, tip, (tail + tip) / 2 + 0.01]))


def test_only_the_cloth_that_is_asked_for() -> None:
    boards = [Board("A", box(0, 0, 110, 110), 0.0), Board("B", box(0, 0, 110, 110), 0.0)]
    answer = is_enough([PatternPiece("a", box(0, 0, 100, 100), count=2)], boards, effort=Effort(20))
    found = placed_outlines_px(answer_to_dict(answer), measured(rectangle(110.0, 110.0)), "B")
    assert [(one.cloth, one.layer) for one in found] == [("B", "")]
