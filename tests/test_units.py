"""Lengths typed and shown.

Checks from outside: the inch of the international yard and pound agreement of 1959 (25.4 mm exactly); the rounding
examples of the GUM, 7.2.6, and of the Particle Data Group's Review of Particle Physics, introduction, 5.3 (0.827 +-
0.119 reads 0.83 +- 0.12, 0.827 +- 0.367 reads 0.8 +- 0.4; from memory); ISO 216 and ISO/IEC 7810 sizes.
"""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatmeasure.errors import OptionInvalid
from flatmeasure.quantity import Quantity
from flatmeasure.units import LengthUnit, format_quantity, nearest_sixteenth, parse_length, parse_size, rounded


@pytest.mark.parametrize(
    ("text", "length_mm"),
    [
        ("100mm", 100.0),
        ("10 cm", 100.0),
        ("0.8mm", 0.8),
        ("0,8 mm", 0.8),
        ("1.5 m", 1500.0),
        ("1in", 25.4),
        ("4in", 101.6),
        ("36 inches", 914.4),  # the yard of 1959: 0.9144 m
        ("1/2in", 12.7),
        ("1 1/2 in", 38.1),
        ("1-1/2 inch", 38.1),
        ("1½in", 38.1),
        ("¾ in", 19.05),
        ('5/8"', 15.875),  # the common seam allowance
        ("5/8”", 15.875),
        ("5/8''", 15.875),
        ("100 MM", 100.0),
        (" 100 mm. ", 100.0),
    ],
)
def test_parse_length(text: str, length_mm: float) -> None:
    assert parse_length(text) == pytest.approx(length_mm, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("100", "has no unit"),
        ("1 1/2", "has no unit"),
        ("", "has no unit|not a length"),
        ("mm", "not a length"),
        ("-5mm", "negative"),
        ("\N{MINUS SIGN}5mm", "negative"),
        ("0mm", "zero"),
        ("0", "has no unit"),
        ("inf mm", "not a length"),
        ("infmm", "not a length"),
        ("nan mm", "not a length"),
        ("1e3mm", "not a length"),
        ("1,000mm", "not a length"),
        ("1/0in", "not a length"),
        ("11/2/3in", "not a length"),
        ("1.2.3mm", "not a length"),
        ("10 furlongs", "not a length"),
        ("10 mm 5", "has no unit"),
        ("1.5 1/2in", "not a length"),
        ("101m", "more than 100 m"),
        ("9" * 30 + "mm", "more than 100 m"),
        ("9" * 5000 + "/1mm", "not a length"),
        ("/2in", "not a length"),
    ],
)
def test_parse_length_failure(text: str, message: str) -> None:
    with pytest.raises(OptionInvalid, match=message) as caught:
        parse_length(text, "side")
    assert "side" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_zero_where_it_makes_sense() -> None:
    assert parse_length("0", zero_allowed=True) == 0.0
    assert parse_length("0 mm", zero_allowed=True) == 0.0
    with pytest.raises(OptionInvalid, match="negative"):
        parse_length("-0.1mm", zero_allowed=True)


@pytest.mark.parametrize(
    ("text", "size_mm"),
    [
        ("210x297mm", (210.0, 297.0)),  # A4, ISO 216
        ("210mmx297mm", (210.0, 297.0)),
        ("21 cm × 297 mm", (210.0, 297.0)),
        ("85.60*53.98mm", (85.60, 53.98)),  # ID-1, ISO/IEC 7810
        ("8.5x11in", (215.9, 279.4)),
        ('8 1/2" X 11"', (215.9, 279.4)),
        ("210mm x 297", (210.0, 297.0)),
    ],
)
def test_parse_size(text: str, size_mm: tuple[float, float]) -> None:
    assert parse_size(text) == pytest.approx(size_mm, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("210x297", "has no unit"),
        ("210mm", "not two lengths"),
        ("1x2x3mm", "not two lengths"),
        ("x297mm", "not a length"),
        ("0x297mm", "zero"),
        ("-1x297mm", "negative"),
        ("210x200m", "more than 100 m"),
    ],
)
def test_parse_size_failure(text: str, message: str) -> None:
    with pytest.raises(OptionInvalid, match=message):
        parse_size(text, "rectangle")


@given(st.text(max_size=12) | st.text("0123456789 ./,-x\"'½cmin", max_size=12))
def test_any_text_is_a_sensible_length_or_refused(text: str) -> None:
    for parse in (parse_length, parse_size):
        try:
            found = parse(text)
        except OptionInvalid:
            continue
        for length_mm in found if isinstance(found, tuple) else (found,):
            assert math.isfinite(length_mm)
            assert 0.0 < length_mm <= 100_000.0


@given(st.floats(0.01, 5000.0), st.floats(0.001, 50.0), st.sampled_from(LengthUnit))
def test_shown_lengths_read_back_within_their_rounding(value_mm: float, u_mm: float, unit: LengthUnit) -> None:
    value, uncertainty, symbol = rounded(Quantity(value_mm, u_mm, "mm"), unit)
    assert len(uncertainty.replace(".", "").strip("0")) <= 2
    for shown, true_mm in ((value, value_mm), (uncertainty, 2.0 * u_mm)):
        if float(shown) > 0.0:
            read_mm = parse_length(f"{shown}{symbol}")
            assert abs(read_mm - true_mm) <= max(0.051 * 2.0 * u_mm * 2.8, 1e-9)  # half a unit of U's last digit
    assert ("." in value) == ("." in uncertainty)
    if "." in value:
        assert len(value.split(".")[1]) == len(uncertainty.split(".")[1])


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (0.827, 0.119 / 2, "0.83 ± 0.12 mm"),
        (0.827, 0.367 / 2, "0.8 ± 0.4 mm"),
        (702.342, 0.31, "702.3 ± 0.6 mm"),
        (702.342, 0.05, "702.34 ± 0.10 mm"),
        (702.342, 0.4995, "702.3 ± 1.0 mm"),
        (702.342, 21.0, "700 ± 40 mm"),
        (702.342, 61.0, "700 ± 120 mm"),
        (100.0, 0.0, "100.000 ± 0.000 mm"),
        (float("nan"), 0.1, "unknown ± unknown mm"),
    ],
)
def test_format_in_millimetres(value: float, u: float, shown: str) -> None:
    assert format_quantity(Quantity(value, u, "mm"), LengthUnit.MM) == shown


@pytest.mark.parametrize(
    ("quantity", "unit", "shown"),
    [
        (Quantity(702.342, 0.31, "mm"), LengthUnit.CM, "70.23 ± 0.06 cm"),
        (Quantity(702.342, 0.31, "mm"), LengthUnit.IN, "27.651 ± 0.024 in"),
        (Quantity(62370.0, 40.0, "mm2"), LengthUnit.MM, "623.7 ± 0.8 cm²"),
        (Quantity(62370.0, 40.0, "mm2"), LengthUnit.IN, "96.67 ± 0.12 in²"),
        (Quantity(1_116_000.0, 900.0, "mm2"), LengthUnit.CM, "1.1160 ± 0.0018 m²"),
        (Quantity(90.123, 0.071, "deg"), LengthUnit.IN, "90.12 ± 0.14°"),
    ],
)
def test_format_in_other_units(quantity: Quantity, unit: LengthUnit, shown: str) -> None:
    assert format_quantity(quantity, unit) == shown


@pytest.mark.parametrize(
    ("length_mm", "shown"),
    [
        (25.4, "1"),
        (15.875, "5/8"),
        (38.1, "1 1/2"),
        (701.675, "27 5/8"),
        (0.5, "0"),
        (25.4 * (2 + 1 / 16), "2 1/16"),
        (25.4 * 1.99, "2"),
    ],
)
def test_nearest_sixteenth(length_mm: float, shown: str) -> None:
    assert nearest_sixteenth(length_mm) == shown


@given(st.integers(1, 16_000))
def test_sixteenths_read_back_exactly(sixteenths: int) -> None:
    length_mm = float(Fraction(sixteenths, 16)) * 25.4
    assert parse_length(nearest_sixteenth(length_mm) + '"') == pytest.approx(length_mm, rel=1e-12)
