"""Pictures of pieces made of parts."""

import numpy as np
import pytest
from shapely.geometry import LineString, Polygon, box

from flatmeasure.display.page import Line, Page, Words, page_picture
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.seams import ACROSS_DEG, Seams, Split, split_piece
from flatmeasure.enough.split_drawing import split_pages
from flatmeasure.units import LengthUnit

SKIRT = PatternPiece("skirt", Polygon([(0, 0), (400, 0), (330, 640), (70, 640)]), included_mm=10, wanted_mm=15)


def drawn(seams: Seams) -> Page:
    parts = split_piece(SKIRT, seams)
    assert parts is not None
    return split_pages((Split(SKIRT, seams, parts, 1),), LengthUnit.CM)[0]


@pytest.mark.parametrize(
    "seams", [Seams(ACROSS_DEG, (300.0,)), Seams(ACROSS_DEG, (200.0, 400.0)), Seams(45.0, (400.0,))]
)
def test_whole_and_parts_side_by_side(seams: Seams) -> None:
    page = drawn(seams)
    cuts = [Polygon(mark.rings_mm[0]) for mark in page.marks if isinstance(mark, Line) and mark.fill == 1.0]
    assert len(cuts) == 1 + 1 + len(seams.at_mm)
    assert not any(a.intersects(b) for k, a in enumerate(cuts) for b in cuts[:k])
    sheet = box(*page.low_mm, *page.high_mm)
    assert all(cut.within(sheet) for cut in cuts)
    assert np.min(page_picture(page, 600)) < 100


def test_the_seam_is_drawn_where_it_is_sewn() -> None:
    """Across a trapezium 300 mm above its drawn hem: as long as the finished piece is wide there."""
    page = drawn(Seams(ACROSS_DEG, (300.0,)))
    seam = next(m for m in page.marks if isinstance(m, Line) and not m.closed and m.dash_mm and m.width_mm)
    width = SKIRT.finished.intersection(LineString([(-99, 300), (499, 300)])).length
    assert LineString(seam.rings_mm[0]).length == pytest.approx(width)
    words = [mark.text for mark in page.marks if isinstance(mark, Words)]
    assert f"new seam, {width / 10:.4g} cm long, 1.5 cm of allowance on both sides" in words
    assert sum(text.startswith("cut ") for text in words) == 2
