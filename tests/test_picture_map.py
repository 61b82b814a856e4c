"""From pixels to the mat by what a measurement file remembers: against the camera that took the picture."""

from typing import Any

import numpy as np
import pytest

from flatmeasure.errors import PieceUnreadable
from flatmeasure.photos.camera import Camera, Pose, pose_from_rodrigues, project, to_plane
from flatmeasure.pieces.grain import see_grain
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.picture_map import picture_map, piece_texture
from tests.panels import gore

CAMERA = Camera(1500.0, (812.0, 596.0), (-0.04, 0.01))
SIZE = (1200, 1600)


def pose() -> Pose:
    return pose_from_rodrigues(np.array([np.pi - 0.2, 0.06, 0.15]), np.array([-20.0, 240.0, 1350.0]))


def remembered(panel: Panel) -> dict[str, Any]:
    """The measurement of a panel that lies on the mat."""
    corners = np.column_stack([panel.outline_mm, np.zeros(len(panel.outline_mm))])
    return {
        "rectification": {
            "camera": {
                "focal_px": CAMERA.focal_px,
                "principal_point_px": list(CAMERA.principal_point_px),
                "radial": list(CAMERA.radial),
            }
        },
        "pieces": [{"outline_mm": panel.outline_mm.tolist(), "outline_px": project(corners, CAMERA, pose()).tolist()}],
    }


def test_against_the_camera() -> None:
    view = picture_map(remembered(gore()))
    places = np.random.default_rng(2).uniform([-300.0, -100.0], [300.0, 650.0], (50, 2))
    seen = project(np.column_stack([places, np.zeros(50)]), CAMERA, pose())
    assert np.abs(view.to_mat(seen) - places).max() < 1e-3
    assert np.abs(view.to_picture(places) - seen).max() < 1e-3
    assert view.residual_mm < 1e-4


def test_grain_seen_through_the_camera() -> None:
    """Stripes at 64 degrees on the mat, photographed askew through a bending lens, are found at 64 degrees."""
    row, column = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float64)
    mat = to_plane(np.column_stack([column.ravel(), row.ravel()]), CAMERA, pose())
    across = mat @ [-np.sin(np.radians(64.0)), np.cos(np.radians(64.0))]
    grey = np.where((across / 18.0) % 1.0 < 0.5, 90, 140).reshape(SIZE)
    noise = np.random.default_rng(4).normal(0.0, 3.0, SIZE)
    rgb = np.repeat((grey + noise).astype(np.uint8)[..., None], 3, axis=2)
    grain = see_grain(piece_texture(rgb, gore(), picture_map(remembered(gore()))), gore())
    assert grain is not None
    assert grain.angle_deg == pytest.approx(64.0, abs=0.3)
    assert grain.source == "stripes 18 mm apart"


@pytest.mark.parametrize("spoiled", [{"rectification": {}}, {"pieces": [{"outline_mm": [[0, 0]]}]}])
def test_file_without_pixels_failure(spoiled: dict[str, Any]) -> None:
    with pytest.raises(PieceUnreadable, match="where its pieces lie"):
        picture_map(remembered(gore()) | spoiled)
