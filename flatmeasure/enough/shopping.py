"""What to buy for pieces of lining or interfacing."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon, box

from flatmeasure.enough.boards import Board, LayRules
from flatmeasure.enough.laying import Lay, make_parts
from flatmeasure.enough.layouts import Watch
from flatmeasure.enough.pattern import PatternPiece
from flatmeasure.enough.strip_packing import StripLayout, pack_strip
from flatmeasure.enough.verdict import Answer, Verdict

WIDTHS_MM = (600.0, 900.0, 1120.0, 1400.0, 1500.0)  # cloth and interfacing as sold
STEP_MM = 50.0  # shops cut by
SWEEPS = 250


@dataclass(frozen=True, eq=False)
class Purchase:
    """How much to buy of cloth of a width.

    Attributes
    ----------
    width_mm : float
    length_mm : float or None
        Needed, as laid; None where a piece is too wide.
    buy_mm : float or None
        Rounded up to what shops cut.
    strip : StripLayout or None
        The layout.
    """

    width_mm: float
    length_mm: float | None
    buy_mm: float | None
    strip: StripLayout | None

    def answer(self, name: str) -> Answer | None:
        """The layout on what is bought, in the form of other answers, on a cloth of that name."""
        if self.strip is None or self.buy_mm is None:
            return None
        cloth = Board(name, box(0.0, 0.0, self.width_mm, self.buy_mm), 0.0)
        return Answer(Verdict.ENOUGH, (cloth,), self.strip.layout, 0.0, 0.0, None, False)


def shopping_list(
    pieces: Sequence[PatternPiece],
    widths_mm: Sequence[float] = WIDTHS_MM,
    rules: LayRules = LayRules(),  # noqa: B008 - frozen
    sweeps: int = SWEEPS,
    watch: Watch = lambda share: True,
) -> tuple[Purchase, ...]:
    """Length of cloth needed for all pieces, laid in one layer, for each width.

    Parameters
    ----------
    pieces : sequence of PatternPiece
    widths_mm : sequence of float
    rules : LayRules
    sweeps : int
        Effort for each width.
    watch : callable
        As in `layouts.find_layout`; when it answers False the layouts so far are given.

    Returns
    -------
    tuple of Purchase
        In the order of the widths.
    """
    found = []
    for k, width in enumerate(widths_mm):
        roll = Board("roll", Polygon(), 0.0)
        parts = tuple(part.loosened() for part in make_parts(pieces, Lay((roll,)), rules))

        def share_of_all(share: float, k: int = k) -> bool:
            return watch((k + share) / len(widths_mm))

        strip = pack_strip(parts, width, sweeps, share_of_all)
        length = strip.length_mm if strip else None
        buy = math.ceil(length / STEP_MM - 1e-6) * STEP_MM if length is not None else None
        found.append(Purchase(width, length, buy, strip))
    return tuple(found)
