"""What a person marks as cloth or not cloth, read from the command line."""

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from flatmeasure.errors import OptionInvalid

if TYPE_CHECKING:
    from flatmeasure.cloth.hints import Hints

_NUMBER = r"[+-]?\d+(?:\.\d+)?"


def parse_hints(
    cloth: Sequence[str], not_cloth: Sequence[str], within: Sequence[str], outside: Sequence[str]
) -> "Hints | None":
    """Hints from texts of points and boxes; None when there are none.

    Raises
    ------
    OptionInvalid
    """
    if not (cloth or not_cloth or within or outside):
        return None

    import numpy as np

    from flatmeasure.cloth.hints import Hints

    def strokes(texts: Sequence[str], option: str) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], ...]:
        return tuple(np.array(_numbers(text, option, 2), np.float64).reshape(-1, 2) for text in texts)

    def boxes(texts: Sequence[str], option: str) -> tuple[tuple[float, float, float, float], ...]:
        found = [_numbers(text, option, 4) for text in texts]
        return tuple((box[i], box[i + 1], box[i + 2], box[i + 3]) for box in found for i in range(0, len(box), 4))

    return Hints(
        strokes(cloth, "--cloth"),
        strokes(not_cloth, "--not-cloth"),
        boxes(within, "--within"),
        boxes(outside, "--outside"),
    )


def _numbers(text: str, option: str, each: int) -> list[float]:
    """All numbers of a text such as "10,20 30,40", a group of so many after the other."""
    group = r"\s*,\s*".join([_NUMBER] * each)
    if not re.fullmatch(rf"\s*{group}(?:[\s;]+{group})*\s*", text):
        example = "1200,900" if each == 2 else "100,100,2900,1900"
        raise OptionInvalid(f'{option} can\'t be "{text}": give pixels of the upright photo, such as {example}.')
    return [float(number) for number in re.findall(_NUMBER, text)]
