"""What commands take for measured cloth: a file of ``measure --json``, or a photo, which is measured at once."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flatmeasure.pieces.panel import Panel
    from flatmeasure.results.measurement import Measurement


@dataclass(frozen=True, eq=False)
class MeasuredInput:
    """A measurement that a command works on.

    Attributes
    ----------
    source : Path
    data : dict
        The measurement's JSON object, with the notes a file carries.
    measurement : Measurement or None
        With its photo; None where only the file was given.
    """

    source: Path
    data: dict[str, Any]
    measurement: "Measurement | None" = None

    @property
    def panels(self) -> "Sequence[Panel]":
        """Its pieces.

        Raises
        ------
        PieceUnreadable
        """
        from flatmeasure.pieces.panel_file import panels_from_dict

        return panels_from_dict(self.data, self.source.name)


def file_input(source: Path) -> MeasuredInput:
    """A file that ``measure --json`` wrote.

    Raises
    ------
    PieceUnreadable
        It can't be read, or holds no measurement.
    """
    from flatmeasure.pieces.panel_file import load_measurement

    return MeasuredInput(source, load_measurement(source))


def measured_input(source: Path, square_mm: float | None, thickness_mm: float) -> MeasuredInput:
    """A file that ends in ``.json`` read, any other measured.

    Raises
    ------
    FlatMeasureError
        The file holds no measurement, or the photo can't be measured.
    """
    if source.suffix.lower() == ".json":
        return file_input(source)

    from flatmeasure.photos.photo import load_photo
    from flatmeasure.pipeline import measure

    found = measure(load_photo(source), square_mm=square_mm, thickness_mm=thickness_mm)
    return MeasuredInput(source, found.to_dict(), found)


def all_panels(inputs: Sequence[MeasuredInput]) -> "list[Panel]":
    """The pieces of all; where there are several inputs, a piece's name begins with its file's."""
    if len(inputs) == 1:
        return list(inputs[0].panels)
    return [replace(panel, id=f"{one.source.stem}:{panel.id}") for one in inputs for panel in one.panels]
