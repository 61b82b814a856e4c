"""Amounts of cloth: circle skirts, the trade's table of widths, layers."""

from dataclasses import replace

import numpy as np
import pytest

from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_file import panel_from_outline
from flatmeasure.pieces.totals import total_cloth
from flatmeasure.units import MM_PER_INCH
from tests.panels import circle, darted, gore, rectangle

YARD_MM = 914.4


def circle_skirt(waist_mm: float, length_mm: float) -> Panel:
    radius = waist_mm / (2.0 * np.pi)
    return panel_from_outline("A", circle(radius + length_mm, 3600), corners=[0], holes_mm=[circle(radius, 3600)])


def test_circle_skirt() -> None:
    """Waist 72 cm, 60 cm long: inner radius 11.46 cm (page on circle skirts); 15 630 cm2, hem 449.0 cm."""
    skirt = circle_skirt(720.0, 600.0)
    assert np.max(np.abs(skirt.holes_mm[0])) == pytest.approx(114.6, abs=0.05)
    assert total_cloth([[skirt]]).area.value == pytest.approx(1_563_000.0, rel=5e-4)
    assert skirt.edges[0].length.value == pytest.approx(4490.0, rel=2e-4)


def test_quarter_pattern_mistake() -> None:
    """A quarter of a 32 in waist, 8 in, laid as a radius gives 50.3 in all round; the right radius is 5.09 in
    (whatthecraft.com/circtrouble)."""
    for radius_in, round_in in ((8.0, 50.3), (5.09, 32.0)):
        angle = np.linspace(0.0, np.pi / 2, 361)
        arc = radius_in * MM_PER_INCH * np.column_stack([np.cos(angle), np.sin(angle)])
        quarter = panel_from_outline("A", np.vstack([[[0.0, 0.0]], arc]), corners=[0, 1, 361])
        assert 4.0 * quarter.edge("A2").length.value == pytest.approx(round_in * MM_PER_INCH, rel=1e-3)


@pytest.mark.parametrize(
    ("yards", "spread"),
    [
        ((1.75, 1.5, 1.5, 1.375, 1.25, 1.125, 1.0, 0.875), 0.08),
        ((5.0, 4.25, 4.125, 3.875, 3.375, 3.125, 2.875, 2.75), 0.096),
    ],
)
def test_table_of_cloth_widths(yards: tuple[float, ...], spread: float) -> None:
    """sewwithsarah.com: the same cloth in 35-36, 39, 41, 44-45, 50, 52-54, 58-60 and 66 in. Equal areas agree with the
    table as far as the table agrees with itself."""
    widths_in = (35.5, 39.0, 41.0, 44.5, 50.0, 53.0, 59.0, 66.0)
    areas = [rectangle(y * YARD_MM, w * MM_PER_INCH).area.value for y, w in zip(yards, widths_in, strict=True)]
    assert max(areas) / min(areas) - 1.0 == pytest.approx(spread, abs=0.01)
    lengths = [
        total_cloth([[rectangle(y * YARD_MM, w * MM_PER_INCH)]], 50.0 * MM_PER_INCH).roll_length.value
        for y, w in zip(yards, widths_in, strict=True)
    ]
    assert np.mean(lengths) == pytest.approx(yards[4] * YARD_MM, rel=0.05)


def test_layers_photos_and_their_uncertainty() -> None:
    front, back, sleeve = gore(), replace(darted(), layers=2), rectangle(300.0, 200.0)
    totals = total_cloth([[front, back], [sleeve]])
    assert [piece.area.value for piece in totals.photos[0]] == [front.area.value, 2.0 * back.area.value]
    assert totals.photo_areas[0].u == pytest.approx(front.area.u + 2.0 * back.area.u)
    assert totals.area.u == pytest.approx(np.hypot(totals.photo_areas[0].u, sleeve.area.u))
    assert totals.area.value == pytest.approx(front.area.value + 2.0 * back.area.value + 60_000.0)
    assert totals.roll_length.value == pytest.approx(totals.area.value / 1400.0)


def test_cut_off_piece_is_marked() -> None:
    assert not total_cloth([[replace(gore(), complete=False)]]).photos[0][0].complete
