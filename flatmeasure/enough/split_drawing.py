"""Pieces that a way out makes of parts: the whole piece with its new seams, and beside it every part."""

from collections.abc import Iterator

import numpy as np
from shapely import affinity

from flatmeasure.display.page import LETTER_WIDTH, Line, Page, Words
from flatmeasure.enough.layout_drawing import (
    LETTER_SHARE,
    RIGHT,
    UP,
    left_words,
    name_and_grain,
    outlines,
    scale_bar,
)
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.seams import Split, allowance_of, seam_lines
from flatmeasure.photos.camera import Points
from flatmeasure.units import LengthUnit, format_length

SEAM_LINE, SEAM_DASHES = 0.16, (1.0, 0.5)  # width, line and gap, in letters
GAP_LETTERS = 4.0  # between the pieces of a page
ROWS = 4.0  # below the pieces, in letters


def split_pages(splits: tuple[Split, ...], unit: LengthUnit) -> tuple[Page, ...]:
    """A page for every piece that was split, at true size.

    Parameters
    ----------
    splits : tuple of Split
        Of a way out.
    unit : LengthUnit
        Of the measures.
    """
    return tuple(_page(split, unit) for split in splits)


def _page(split: Split, unit: LengthUnit) -> Page:
    left, low, right, high = split.piece.cut.bounds
    widths = [one.cut.bounds[2] - one.cut.bounds[0] for one in (split.piece, *split.parts)]
    letter = LETTER_SHARE * max(1.3 * sum(widths), high - low)
    gap = GAP_LETTERS * letter
    marks = list(_whole(split, letter))
    reach = right
    lowest, highest = low, high
    for part in split.parts:
        x0, _, x1, y1 = part.cut.bounds
        shift = np.array([reach + gap - x0, 0.0])
        marks += _part(part, shift, letter, unit)
        reach += gap + max(x1 - x0, LETTER_WIDTH * letter * len(_size(part, unit)))
        highest = max(highest, y1)
    title = f"{split.piece.name}: {split.copies} made of {len(split.parts)} parts, grain up"
    marks.append(left_words(left, highest + 2.0 * letter, title, letter))
    marks += _legend(split, np.array([left, lowest - ROWS * letter]), letter, unit)
    corner = np.array([left - gap, lowest - (ROWS + 4.0) * letter])
    width = LETTER_WIDTH * letter * len(title)
    return Page(
        f"Parts of {split.piece.name}", corner, np.array([max(reach, left + width) + gap, highest + gap]), tuple(marks)
    )


def _whole(split: Split, letter: float) -> Iterator[Line | Words]:
    """The whole piece; its name stands in the greater part, clear of the seams."""
    piece = split.piece
    yield from outlines(piece.cut, piece.finished, letter)
    for line in seam_lines(piece, split.seams):
        yield Line((line,), SEAM_LINE * letter, dash_mm=tuple(one * letter for one in SEAM_DASHES), closed=False)
    roomiest = max((part.finished for part in split.parts), key=lambda shape: float(shape.area))
    yield from name_and_grain(f"{piece.name}, whole", 0.0, roomiest, letter)


def _part(part: PatternPiece, shift: Points, letter: float, unit: LengthUnit) -> Iterator[Line | Words]:
    cut, sewn = (affinity.translate(shape, *shift) for shape in (part.cut, part.finished))
    yield from outlines(cut, sewn, letter)
    yield from name_and_grain(part.name, 0.0, sewn, letter)
    left, low, _, _ = cut.bounds
    yield left_words(left, low - 1.2 * letter, _size(part, unit), 0.8 * letter)


def _size(part: PatternPiece, unit: LengthUnit) -> str:
    left, low, right, high = part.cut.bounds
    return f"cut {format_length(right - left, unit)} wide, {format_length(high - low, unit)} high"


def _legend(split: Split, at: Points, letter: float, unit: LengthUnit) -> Iterator[Line | Words]:
    yield from scale_bar(at, letter, unit)
    lengths = [float(np.hypot(*(line[1] - line[0]))) for line in seam_lines(split.piece, split.seams)]
    seams = " and ".join(format_length(length, unit) for length in lengths)
    here = at - 2.0 * letter * UP
    ends = np.array([here, here + 3.0 * letter * RIGHT])
    yield Line((ends,), SEAM_LINE * letter, dash_mm=tuple(one * letter for one in SEAM_DASHES), closed=False)
    allowance = format_length(allowance_of(split.piece), unit)
    text = f"new seam, {seams} long, {allowance} of allowance on both sides"
    yield left_words(here[0] + 3.6 * letter, here[1], text, 0.8 * letter)
