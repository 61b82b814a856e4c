"""The table: all figures, their units, and plain text where there is no terminal."""

import io
import re

import pytest
from rich.console import Console

from flatmeasure.display.table import print_table
from flatmeasure.units import LengthUnit

from .results import measurement


def printed(unit: LengthUnit, width: int = 80) -> str:
    stream = io.StringIO()
    print_table(measurement(), unit, Console(file=stream, width=width, highlight=False))
    return stream.getvalue()


def test_every_figure_is_there() -> None:
    text = printed(LengthUnit.MM)
    assert re.search(r"area +1712\.3 ± 1\.6 cm² +net of holes", text)
    assert re.search(r"perimeter +1672\.3 ± 1\.4 mm", text)
    assert re.search(r"extent along A1 +480\.1 ± 0\.6 mm", text)
    assert re.search(r"extent across A1 +387\.2 ± 0\.6 mm", text)
    assert re.search(r"A1 +straight +480\.1 ± 0\.6 mm +90\.12 ± 0\.14°", text)
    assert re.search(r"A3 +curve +391\.2 ± 0\.6 mm +391\.2 ± 0\.4 mm +90\.12 ± 0\.14°", text)
    assert "Piece B (cut off by the frame: the part seen)" in text
    assert "Only one reference was found. Lay squares on opposite sides of the cloth." in " ".join(text.split())


def test_inches_come_with_sixteenths() -> None:
    text = printed(LengthUnit.IN)
    assert re.search(r"perimeter +65\.84 ± 0\.06 in +65 13/16 in", text)
    assert re.search(r"A1 +straight +18\.902 ± 0\.024 in +18 7/8 in", text)  # 480.1 mm
    assert re.search(r"area +265\.41 ± 0\.25 in²", text)
    assert "mm" not in text


@pytest.mark.parametrize("unit", LengthUnit)
def test_no_colour_codes_and_at_most_80_columns(unit: LengthUnit) -> None:
    text = printed(unit)
    assert "\x1b" not in text
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "…" not in text  # nothing was cut
