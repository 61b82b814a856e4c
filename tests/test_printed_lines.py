"""Lines printed on the mat that run beside the cloth: where they are, and that they do not drag the outline along."""

import numpy as np
import pytest

from flatmeasure.outline.refinement import refine_outline
from flatmeasure.photos.camera import project
from flatmeasure.photos.photo import Photo, load_photo
from flatmeasure.synthetic.rendering import render_photo
from flatmeasure.synthetic.scene import Mat, see_loop
from flatmeasure.view.grid import rectify_on_grid
from flatmeasure.view.grid_lines import grid_lines
from flatmeasure.view.rectification import rectify
from tests.test_grid import PANEL, scene_on
from tests.test_outline import (
    CENTRE,
    CLOTH,
    GROUND,
    SIZE_PX,
    Floats,
    distance,
    from_corners,
    paint,
    photograph,
    rectangle,
    spoiled,
)

LINE = (0.45, 0.48, 0.46)
DARK, BRIGHT = (60, 66, 62), (170, 176, 170)


@pytest.mark.parametrize("gap_px", [1.5, 2.5, 3.5])
@pytest.mark.parametrize("width_px", [1.2, 2.4])
def test_line_beside_the_edge_is_ground(gap_px: float, width_px: float) -> None:
    loop = rectangle(200.0, 170.0, 0.0)
    line_px = CENTRE[0] + 100.0 + gap_px + 0.5 * width_px
    share = np.clip(0.5 * width_px + 0.5 - np.abs(np.arange(SIZE_PX[0]) - line_px), 0.0, min(width_px, 1.0))
    ground = paint(GROUND) * (1.0 - share[:, None]) + np.array(LINE) * share[:, None]
    photo = photograph(paint(CLOTH), ground, [loop])

    def lines_px(points: Floats, normals: Floats) -> Floats:
        with np.errstate(divide="ignore"):
            ahead = (line_px - points[:, 0]) / normals[:, 0]
        return np.where(np.abs(normals[:, 0]) > 0.9, ahead, np.inf)[:, None]

    def error(**known: object) -> float:
        outline = refine_outline(photo, spoiled(loop, 1.0), **known)  # type: ignore[arg-type]
        beside = (outline.normals_px[:, 0] > 0.9) & (from_corners(outline.points_px, loop) > 10)
        assert beside.sum() > 20
        return float(np.abs(distance(outline.points_px, loop)[beside]).mean())

    unaware, aware = error(), error(lines_px=lines_px)
    assert aware < 0.15  # unaware of it up to 1.5
    assert aware < 0.5 * unaware


@pytest.mark.parametrize("colour", [DARK, BRIGHT])
def test_lines_are_where_the_grid_is_printed(colour: tuple[int, int, int]) -> None:
    scene = scene_on(Mat(grid_mm=10.0, grid_colour=colour))
    photo = Photo(load_photo(render_photo(scene)).rgb, "scene", "", focal_35mm=26.0)
    alone = rectify(photo, square_mm=100.0)
    assert grid_lines(photo, alone) is None
    lines = grid_lines(photo, rectify_on_grid(photo, alone, 10.0, covered_px=[see_loop(PANEL, scene)]))
    assert lines is not None
    # points 3 mm to the left of upright lines of the rendered grid look right, along the lines that run across
    at = np.array([[x, y] for x in (-300.0, -180.0, 290.0) for y in (-250.0, 41.0, 270.0)])
    beside_px, on_px = (
        project(np.column_stack([at[:, 0] + shift, at[:, 1], np.zeros(9)]), scene.camera, scene.pose)
        for shift in (-3.0, 0.0)
    )
    apart_px = np.linalg.norm(on_px - beside_px, axis=1)
    ahead = lines.ahead_px(beside_px, (on_px - beside_px) / apart_px[:, None])
    assert ahead.shape == (9, 4)
    assert np.all(np.sum(np.isfinite(ahead), axis=1) == 2)
    assert np.all(np.min(np.abs(ahead - apart_px[:, None]), axis=1) < 0.35)
