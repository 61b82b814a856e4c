"""Which edges of different pieces are of one length, and so may be sewn to each other."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from flatmeasure.pieces.darts import find_cuts
from flatmeasure.pieces.panel import Panel
from flatmeasure.quantity import Quantity, root_sum_squares

COVERAGE = 2.0
MOST_EASE = 0.08  # of the shorter edge; eased sleeve heads take 5 to 8 % (common practice)


@dataclass(frozen=True)
class SeamLine:
    """A length to be sewn: an edge, or the edges that one becomes when the darts and notches in it are closed.

    Attributes
    ----------
    panel, name : str
        Piece and edge ids, such as ``"A1+A4"``; labels where given.
    length : Quantity
    """

    panel: str
    name: str
    length: Quantity


@dataclass(frozen=True)
class Match:
    """Two edges that may belong together.

    Attributes
    ----------
    first, second : SeamLine
        The first is the longer one where there is ease.
    difference : Quantity
        First less second, mm.
    ease : float
        Difference over the second's length where it is more than its uncertainty explains, else 0.
    """

    first: SeamLine
    second: SeamLine
    difference: Quantity
    ease: float


def seam_lines(panel: Panel) -> tuple[SeamLine, ...]:
    """A panel's edges, those that a dart or notch interrupts taken together."""
    cuts = find_cuts(panel)
    inside = {edge for cut in cuts for edge in cut.edges}
    runs = [[edge] for edge in panel.edges if edge.id not in inside]
    for cut in cuts:
        before = next((run for run in runs if run[-1].id == cut.beside[0]), None)
        after = next((run for run in runs if run[0].id == cut.beside[1]), None)
        if before is not None and after is not None and before is not after:
            before += after
            runs.remove(after)
    lines = []
    for run in runs:
        value = sum(edge.length.value for edge in run)
        scale = panel.error.scale
        own = [max(edge.length.u**2 - (edge.length.value * scale) ** 2, 0.0) ** 0.5 for edge in run]
        name = "+".join(edge.label or edge.id for edge in run)
        lines.append(SeamLine(panel.id, name, Quantity(value, root_sum_squares(value * scale, *own), "mm")))
    return tuple(lines)


def edge_matches(panels: Sequence[Panel], most_ease: float = MOST_EASE) -> tuple[Match, ...]:
    """Pairs of edges of different panels that agree within their uncertainty, then those with ease, nearest first.

    Parameters
    ----------
    panels : sequence of Panel
    most_ease : float
        Pairs whose difference is more than this share of the shorter edge are left out.

    Returns
    -------
    tuple of Match
        u(difference)^2 = u(first)^2 + u(second)^2; what both share in one photo would cancel: this is the safe side.
    """
    matches = []
    for one, other in combinations(panels, 2):
        for a in seam_lines(one):
            for b in seam_lines(other):
                first, second = (a, b) if a.length.value >= b.length.value else (b, a)
                difference = first.length.value - second.length.value
                u = root_sum_squares(first.length.u, second.length.u)
                ease = difference / second.length.value if difference > COVERAGE * u else 0.0
                if ease <= most_ease:
                    matches.append(Match(first, second, Quantity(difference, u, "mm"), ease))
    return tuple(sorted(matches, key=lambda match: (match.ease, match.difference.value)))
