"""How much cloth: per piece, photo and garment, and as a length from the roll."""

from collections.abc import Sequence
from dataclasses import dataclass

from flatmeasure.pieces.panel import Panel
from flatmeasure.quantity import Quantity, root_sum_squares

ROLL_WIDTH_MM = 1400.0


@dataclass(frozen=True)
class PieceTotal:
    """A piece's cloth.

    Attributes
    ----------
    id : str
    layers : int
    layer_area, area : Quantity
        Of one layer and of all.
    complete : bool
        False when the photo cuts the piece off: there is more of it.
    """

    id: str
    layers: int
    layer_area: Quantity
    area: Quantity
    complete: bool


@dataclass(frozen=True)
class Totals:
    """All cloth together.

    Attributes
    ----------
    photos : tuple of tuple of PieceTotal
        By photo, then by piece.
    photo_areas : tuple of Quantity
    area : Quantity
    roll_width_mm : float
    roll_length : Quantity
        The same area as a length of cloth of that width. An amount of cloth, not the length to buy: pieces laid on a
        roll leave gaps, and the trade's own tables of widths differ by 8 to 10 % in area.
    """

    photos: tuple[tuple[PieceTotal, ...], ...]
    photo_areas: tuple[Quantity, ...]
    area: Quantity
    roll_width_mm: float
    roll_length: Quantity


def total_cloth(photos: Sequence[Sequence[Panel]], roll_width_mm: float = ROLL_WIDTH_MM) -> Totals:
    """Cloth of all pieces.

    Parameters
    ----------
    photos : sequence of sequence of Panel
        The pieces of each photo.
    roll_width_mm : float

    Returns
    -------
    Totals
        Within a photo the pieces share camera, lens and reference, so their u add up as they are; between photos they
        are independent and add up in squares (GUM, 5.2.2 and 5.1.2).
    """
    pieces = tuple(tuple(_piece(panel) for panel in panels) for panels in photos)
    areas = tuple(
        Quantity(sum(piece.area.value for piece in photo), sum(piece.area.u for piece in photo), "mm2")
        for photo in pieces
    )
    area = Quantity(sum(one.value for one in areas), root_sum_squares(*(one.u for one in areas)), "mm2")
    return Totals(
        photos=pieces,
        photo_areas=areas,
        area=area,
        roll_width_mm=roll_width_mm,
        roll_length=Quantity(area.value / roll_width_mm, area.u / roll_width_mm, "mm"),
    )


def _piece(panel: Panel) -> PieceTotal:
    area = Quantity(panel.layers * panel.area.value, panel.layers * panel.area.u, "mm2")
    return PieceTotal(panel.id, panel.layers, panel.area, area, panel.complete)
