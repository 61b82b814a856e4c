"""Lengths as people type and read them; inside, everything is millimetres.

A number without a unit is refused: 10 could be millimetres, centimetres or inches, and a wrong guess would spoil every
measure by a factor that nobody notices.
"""

import math
import re
import unicodedata
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from flatmeasure.errors import OptionInvalid
from flatmeasure.quantity import Quantity

MM_PER_INCH = 25.4  # exactly: international yard and pound agreement, 1959
POINTS_PER_MM = 72.0 / MM_PER_INCH  # a point of PDF is 1/72 in (ISO 32000-1, 8.3.2.3)
MAX_LENGTH_MM = 100_000.0  # a hundred metres: no cloth lies flat in one photo beyond that

_MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}
_INCH_SPELLINGS = ("inches", "inch", "in", '"', "''", "”", "″")
_UNIT_OF_SPELLING = {"mm": "mm", "cm": "cm", "m": "m"} | dict.fromkeys(_INCH_SPELLINGS, "in")
_DECIMAL = re.compile(r"\d+(?:[.,]\d+)?")
_MIXED = re.compile(r"(?:(?P<whole>\d+)(?:\s+|-))?(?P<over>\d+)/(?P<under>\d+)")
_THOUSANDS = re.compile(r"\d,\d{3}(?!\d)")
_TIMES = re.compile(r"[x×*]")
_LONGEST_TEXT = 40
_ADVICE = 'write it like 100mm, 10cm or 4in (also 1 1/2in or 5/8")'


class LengthUnit(StrEnum):
    """The unit a person chose to read lengths in; areas follow it."""

    MM = "mm"
    CM = "cm"
    IN = "in"


class Size(NamedTuple):
    """Sides of a rectangle, in the order in which they were given."""

    width_mm: float
    height_mm: float


def parse_length(text: str, name: str = "length", *, zero_allowed: bool = False) -> float:
    """A length a person typed, in mm.

    Parameters
    ----------
    text : str
        A decimal (with point or comma), a fraction, or a whole number and a fraction; then mm, cm, m, in, inch, inches
        or an inch mark. Such as ``100mm``, ``10 cm``, ``4in``, ``1/2in``, ``1 1/2 in``, ``5/8"``, ``0,8 mm``.
    name : str
        What the length is of, for the message.
    zero_allowed : bool
        Whether 0 (with or without a unit) is a sensible answer.

    Raises
    ------
    OptionInvalid
        No number, no unit, an unknown unit; not above zero; over 100 m.
    """
    if zero_allowed and text.strip() == "0":
        return 0.0
    amount, unit = _split_unit(text, name)
    if unit is None:
        raise OptionInvalid(f"The {name} {text.strip()!r} has no unit: {_ADVICE}.")
    return _checked(_amount(amount, text, name) * _MM_PER_UNIT[unit], text, name, zero_allowed)


def parse_size(text: str, name: str = "size") -> Size:
    """Width and height a person typed.

    Parameters
    ----------
    text : str
        Two lengths with x, × or * between them; a unit written once holds for both. Such as ``210x297mm``,
        ``210mmx297mm``, ``8.5 x 11 in``.
    name : str
        What the size is of, for the message.

    Raises
    ------
    OptionInvalid
        Not two lengths, or one that `parse_length` refuses.
    """
    parts = _TIMES.split(text.lower())
    if len(parts) != 2:
        raise OptionInvalid(f"The {name} {text.strip()!r} is not two lengths: write it like 210x297mm or 8.5x11in.")
    (first, first_unit), (second, second_unit) = (_split_unit(part, name) for part in parts)
    width_unit, height_unit = first_unit or second_unit, second_unit or first_unit
    if width_unit is None or height_unit is None:
        raise OptionInvalid(f"The {name} {text.strip()!r} has no unit: write it like 210x297mm or 8.5x11in.")
    width_mm = _amount(first, text, name) * _MM_PER_UNIT[width_unit]
    height_mm = _amount(second, text, name) * _MM_PER_UNIT[height_unit]
    return Size(_checked(width_mm, text, name, False), _checked(height_mm, text, name, False))


def _split_unit(text: str, name: str) -> tuple[str, str | None]:
    """The amount as written, and the unit's name or None."""
    plain = _spell_out_fractions(text.strip().lower())
    if plain.startswith(("-", "−")):
        raise OptionInvalid(f"The {name} {text.strip()!r} is negative: {_ADVICE}.")
    amount = plain.rstrip("abcdefghijklmnopqrstuvwxyz\"'”″. ")
    spelling = plain[len(amount) :].strip(" .")
    if len(plain) > _LONGEST_TEXT or (spelling and spelling not in _UNIT_OF_SPELLING):
        raise OptionInvalid(f"The {name} {text.strip()!r} is not a length: {_ADVICE}.")
    return amount, _UNIT_OF_SPELLING.get(spelling)


def _spell_out_fractions(text: str) -> str:
    """``1½`` as ``1 1/2``."""
    return "".join(
        " " + unicodedata.normalize("NFKC", c).replace("⁄", "/")
        if unicodedata.decomposition(c).startswith("<fraction>")
        else c
        for c in text
    ).strip()


def _amount(amount: str, text: str, name: str) -> float:
    if _DECIMAL.fullmatch(amount) and not _THOUSANDS.search(amount):
        return float(amount.replace(",", "."))
    mixed = _MIXED.fullmatch(amount)
    if not mixed or int(mixed["under"]) == 0:
        raise OptionInvalid(f"The {name} {text.strip()!r} is not a length: {_ADVICE}.")
    return int(mixed["whole"] or 0) + int(mixed["over"]) / int(mixed["under"])


def _checked(length_mm: float, text: str, name: str, zero_allowed: bool) -> float:
    if length_mm == 0.0 and not zero_allowed:
        raise OptionInvalid(f"The {name} {text.strip()!r} is zero: {_ADVICE}.")
    if length_mm > MAX_LENGTH_MM:
        raise OptionInvalid(f"The {name} {text.strip()!r} is more than 100 m, which no photo shows: {_ADVICE}.")
    return length_mm


def mm_per_unit(unit: LengthUnit) -> float:
    """Millimetres in one of the unit."""
    return _MM_PER_UNIT[unit]


def format_length(length_mm: float, unit: LengthUnit) -> str:
    """A known length for people, to four digits, such as ``100 mm`` or ``3.937 in``."""
    return f"{length_mm / _MM_PER_UNIT[unit]:.4g} {unit}"


def format_quantity(quantity: Quantity, unit: LengthUnit) -> str:
    """A quantity for people: value ± U with U = 2 u, such as ``702.3 ± 0.6 mm`` or ``90.12 ± 0.15°``.

    Areas are given in cm², from a square metre on in m²; in inches, in square inches.
    """
    value, uncertainty, symbol = rounded(quantity, unit)
    space = "" if symbol == "°" else " "
    return f"{value} ± {uncertainty}{space}{symbol}"


def rounded(quantity: Quantity, unit: LengthUnit) -> tuple[str, str, str]:
    """Value, expanded uncertainty U = 2 u and the unit's symbol, rounded alike.

    U keeps one or two significant digits (at most two: GUM, 7.2.6): two when they lie between 10 and 35, else one
    (Particle Data Group, Review of Particle Physics, introduction, 5.3).
    """
    scale, symbol = _scale(quantity, unit)
    value, uncertainty = quantity.value * scale, 2.0 * quantity.u * scale
    if not (math.isfinite(value) and math.isfinite(uncertainty)):
        return "unknown", "unknown", symbol
    decimals = _decimals(uncertainty)
    shown = max(decimals, 0)
    return f"{round(value, decimals):.{shown}f}", f"{round(uncertainty, decimals):.{shown}f}", symbol


def _scale(quantity: Quantity, unit: LengthUnit) -> tuple[float, str]:
    if quantity.unit == "deg":
        return 1.0, "°"
    if quantity.unit == "mm":
        return 1.0 / _MM_PER_UNIT[unit], str(unit)
    if unit is LengthUnit.IN:
        return MM_PER_INCH**-2, "in²"
    return (1e-6, "m²") if quantity.value >= 1e6 else (1e-2, "cm²")


def _decimals(uncertainty: float) -> int:
    if uncertainty <= 0.0:
        return 3
    exponent = math.floor(math.log10(uncertainty))
    leading = round(uncertainty / 10.0**exponent, 2)  # 1.00 to 10.00
    return -exponent if leading >= 3.55 else 1 - exponent  # from 9.5 on that reads 10, with two digits


def nearest_sixteenth(length_mm: float) -> str:
    """A length as inches and the nearest sixteenth, such as ``27 5/8``."""
    sixteenths = round(length_mm / MM_PER_INCH * 16.0)
    whole, rest = divmod(sixteenths, 16)
    if rest == 0:
        return str(whole)
    fraction = str(Fraction(rest, 16))
    return f"{whole} {fraction}" if whole else fraction


def tape_reading(length: Quantity, unit: LengthUnit) -> str:
    """A length in inches as a tape shows it, to the nearest sixteenth; empty in other units."""
    return f"{nearest_sixteenth(length.value)} in" if unit is LengthUnit.IN else ""
