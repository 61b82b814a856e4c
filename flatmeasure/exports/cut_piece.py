"""A panel as it leaves: its name, the seam allowance of each edge, and the notches wanted, as a file's notes tell them.

Beside what `panel_file` reads, a piece of a measurement file may carry ``name``, ``allowances_mm`` (edge id or label to
mm: positive from the cut edge inward to the stitching line, negative where the outline is the stitching line) and
``notches_mm`` (edge id or label to distances along the edge from its start).
"""

import math
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from flatmeasure.errors import PieceUnreadable
from flatmeasure.pieces.allowance import LARGEST_ALLOWANCE_MM
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_file import panels_from_dict

LONGEST_NAME = 80


@dataclass(frozen=True, eq=False)
class CutPiece:
    """A panel and what its user noted for it.

    Attributes
    ----------
    panel : Panel
    name : str
        Empty where none was given.
    allowances_mm : mapping of edge id to float
        Of the edges that have one; positive inward.
    notches_mm : mapping of edge id to tuple of float
        Distances along the edge, from its start.
    """

    panel: Panel
    name: str = ""
    allowances_mm: Mapping[str, float] = field(default_factory=dict)
    notches_mm: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """Its name, or the panel's id where it has none."""
        return plain_text(self.name) or plain_text(self.panel.id) or "piece"


def cut_pieces(data: dict[str, Any], name: str = "the measurement") -> tuple[CutPiece, ...]:
    """The pieces of a measurement (``Measurement.to_dict()``, or its file's JSON object) with their notes.

    Parameters
    ----------
    data : dict
    name : str
        What messages call it, such as the file's name.

    Returns
    -------
    tuple of CutPiece
        In the order of the measurement.

    Raises
    ------
    PieceUnreadable
        It is no measurement, or a note makes no sense.
    """
    panels = panels_from_dict(data, name)
    return tuple(_noted(panel, piece) for panel, piece in zip(panels, data["pieces"], strict=True))


def as_cut_pieces(pieces: Sequence[Panel | CutPiece]) -> tuple[CutPiece, ...]:
    """Plain panels as pieces without notes."""
    return tuple(piece if isinstance(piece, CutPiece) else CutPiece(piece) for piece in pieces)


def plain_text(text: str, longest: int = LONGEST_NAME) -> str:
    """A user's text on one line, without control and formatting characters, which files and readers may trip over."""
    spaced = " ".join(text.split())
    plain = "".join(one for one in spaced if not unicodedata.category(one).startswith("C"))
    return plain if len(plain) <= longest else plain[: longest - 1] + "…"


def _noted(panel: Panel, piece: dict[str, Any]) -> CutPiece:
    label = f"Piece {plain_text(panel.id)}"
    name = piece.get("name") or ""
    allowances = piece.get("allowances_mm") or {}
    notches = piece.get("notches_mm") or {}
    if not isinstance(name, str) or not isinstance(allowances, dict) or not isinstance(notches, dict):
        raise PieceUnreadable(f"{label} has a name, allowances or notches of the wrong kind: note them again.")
    return CutPiece(
        panel,
        name,
        {_edge_id(panel, edge, label): _allowance(mm, label) for edge, mm in allowances.items() if mm},
        {_edge_id(panel, edge, label): _places(panel, edge, mm, label) for edge, mm in notches.items()},
    )


def _edge_id(panel: Panel, edge: str, label: str) -> str:
    try:
        return panel.edge(edge).id
    except KeyError as error:
        known = ", ".join(one.id for one in panel.edges)
        raise PieceUnreadable(f"{label} has a note for an edge {plain_text(edge)!r}: note one of {known}.") from error


def _number(value: Any, label: str, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise PieceUnreadable(f"{label} has {what} that is no number: note it again in mm.")
    return float(value)


def _allowance(value: Any, label: str) -> float:
    distance = _number(value, label, "an allowance")
    if abs(distance) > LARGEST_ALLOWANCE_MM:
        raise PieceUnreadable(
            f"{label} has an allowance of {distance:g} mm: give one of at most {LARGEST_ALLOWANCE_MM:g} mm."
        )
    return distance


def _places(panel: Panel, edge: str, values: Any, label: str) -> tuple[float, ...]:
    if not isinstance(values, list):
        raise PieceUnreadable(f"{label} has notches that are no list of distances: note them again.")
    places = tuple(_number(value, label, "a notch") for value in values)
    length = panel.edge(edge).length.value
    if not all(0.0 <= place <= length for place in places):
        raise PieceUnreadable(
            f"{label} has a notch outside its edge {plain_text(edge)}, which is {length:.0f} mm long: note it again."
        )
    return places
