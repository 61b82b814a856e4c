"""What the options of the `flatmeasure piece` commands mean, and where their results go.

What takes long to import is imported inside the functions, so that help comes at once.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from flatmeasure.commands.measured_input import all_panels, file_input
from flatmeasure.errors import OptionInvalid
from flatmeasure.files import check_writable, json_bytes, write_file
from flatmeasure.units import LengthUnit, parse_length

if TYPE_CHECKING:
    from flatmeasure.pieces.panel import Grain, Panel
    from flatmeasure.pieces.piece_drawing import Mark
    from flatmeasure.pieces.rectangles import Direction


@dataclass(frozen=True)
class Out:
    """Where results go, checked before the work is done."""

    unit: LengthUnit
    json_path: Path | None = None
    drawing: Path | None = None
    save: Path | None = None

    def check(self, *inputs: Path) -> None:
        for path, endings in ((self.json_path, ()), (self.drawing, (".svg",)), (self.save, ())):
            for source in inputs:
                check_writable(path, source, endings)

    def finish(
        self,
        lines: Iterable[str],
        found: Any,
        marked: "Sequence[tuple[Panel, Sequence[Mark]]]" = (),
        new: "Sequence[Panel]" = (),
    ) -> None:
        from flatmeasure.pieces.piece_drawing import Sketch, draw_pieces
        from flatmeasure.pieces.piece_json import as_json, pieces_to_dict
        from flatmeasure.pieces.piece_text import MEANING

        if self.json_path is not None:
            write_file(self.json_path, json_bytes({"schema": "flatmeasure.piece/1", "found": as_json(found)}))
        if self.save is not None:
            write_file(self.save, json_bytes(pieces_to_dict(new)))
        if self.drawing is not None:
            write_file(self.drawing, draw_pieces([Sketch(panel, tuple(marks)) for panel, marks in marked], self.unit))
        for line in (*lines, MEANING):
            typer.echo(line)


@contextmanager
def plainly(panel: "Panel") -> Iterator[None]:
    """Turn what a function refuses into a sentence about the piece."""
    try:
        yield
    except KeyError as error:
        names = ", ".join(edge.id + (f" ({edge.label})" if edge.label else "") for edge in panel.edges)
        raise OptionInvalid(f"Piece {panel.id} has no edge {error.args[0]!r}: it has {names}.") from error
    except ValueError as error:
        advice = " Tell it with --grain or `flatmeasure piece note`." if "grain" in str(error) else ""
        raise OptionInvalid(f"Piece {panel.id}: {error}.{advice}") from error


def panels_of(file: Path, piece: str | None) -> "Sequence[Panel]":
    """The pieces of a file, or the one that was asked for."""
    panels = file_input(file).panels
    return panels if piece is None else [named(panels, piece)]


def panels_of_all(files: Sequence[Path]) -> "list[Panel]":
    """The pieces of several files; of more than one, a piece's name begins with its file's."""
    return all_panels([file_input(file) for file in files])


def named(panels: "Sequence[Panel]", name: str) -> "Panel":
    """The piece of this name."""
    for panel in panels:
        if panel.id.lower() == name.strip().lower():
            return panel
    raise OptionInvalid(f"There is no piece {name!r}: there is {', '.join(panel.id for panel in panels)}.")


def only(panels: "Sequence[Panel]") -> "Panel":
    """The one piece there is; where there are several, one must be named."""
    if len(panels) > 1:
        raise OptionInvalid(f"Say which piece with --piece: {', '.join(panel.id for panel in panels)}.")
    return panels[0]


def with_edge(panels: "Sequence[Panel]", edge: str) -> "Panel":
    """The first piece that has an edge of this name."""
    for panel in panels:
        if any(edge.strip().lower() in (one.id.lower(), one.label.lower()) for one in panel.edges):
            return panel
    every = ", ".join(one.id for panel in panels for one in panel.edges)
    raise OptionInvalid(f"There is no edge {edge!r}: there is {every}.")


def edge_id(panel: "Panel", name: str) -> str:
    """Id of the edge that has this name or label."""
    with plainly(panel):
        return panel.edge(name).id


def pair_of(text: str, what: str) -> tuple[str, str]:
    """``EDGE=VALUE`` in two."""
    name, sign, value = text.rpartition("=")
    if not sign or not name.strip() or not value.strip():
        raise OptionInvalid(f"The {what} {text!r} is not of the kind EDGE={what.upper()}: put the edge and = first.")
    return name.strip(), value.strip()


def allowances_of(
    panels: "Sequence[Panel]", panel: "Panel", all_edges_mm: float, single: list[str] | None
) -> dict[str, float]:
    """Allowance of each edge of a piece: one for all, others for single edges."""
    by_edge = dict.fromkeys((edge.id for edge in panel.edges), all_edges_mm)
    for text in single or []:
        name, value = pair_of(text, "allowance")
        if with_edge(panels, name) is panel:
            by_edge[edge_id(panel, name)] = parse_length(value, f"allowance of {name}", zero_allowed=True)
    return by_edge


def given_grain(panel: "Panel", text: str) -> "Grain":
    """``A2`` or ``A2+45``: along an edge, or turned from it counter-clockwise."""
    from flatmeasure.pieces.grain import grain_from_edge

    found = re.fullmatch(r"(?P<edge>.+?)(?P<turn>[+-]\d+(?:\.\d+)?)?", text.strip())
    if not found:
        raise OptionInvalid(f"The grain {text!r} is no edge: write it like A2, or turned by an angle like A2+45.")
    with plainly(panel):
        return grain_from_edge(panel, found["edge"], float(found["turn"] or 0.0))


def grained(panels: "Sequence[Panel]", grain: str | None) -> "list[Panel]":
    """The pieces, the one that has the edge with its grain along it."""
    if grain is None:
        return list(panels)
    edge = re.sub(r"[+-]\d+(\.\d+)?$", "", grain.strip())
    owner = with_edge(panels, edge)
    return [replace(panel, grain=given_grain(panel, grain)) if panel is owner else panel for panel in panels]


def seen_grain(measurement: dict[str, Any], panel: "Panel", photo: Path | None) -> "Grain":
    """The grain as the photo shows it."""
    from flatmeasure.photos.photo import load_photo
    from flatmeasure.pieces.grain import see_grain
    from flatmeasure.pieces.picture_map import picture_map, piece_texture

    if photo is None:
        raise OptionInvalid("To see the grain, give the photo that was measured with --photo.")
    picture = load_photo(photo)
    if measurement.get("photo", {}).get("sha256") not in (None, picture.sha256):
        raise OptionInvalid(f"{photo.name} is not the photo that was measured: give that one.")
    grain = see_grain(piece_texture(picture.rgb, panel, picture_map(measurement)), panel)
    if grain is None:
        raise OptionInvalid(f"The photo shows no grain on piece {panel.id}: give an edge, such as --grain A2.")
    return grain


def line_of(measurement: dict[str, Any], text: str) -> Any:
    """``X,Y X,Y ...`` in pixels of the upright photo as (K, 2) mm."""
    import numpy as np

    from flatmeasure.pieces.picture_map import picture_map

    number = r"-?\d+(?:\.\d+)?"
    pairs = re.findall(rf"({number})\s*,\s*({number})", text)
    if len(pairs) < 2 or re.sub(rf"{number}\s*,\s*{number}", "", text).strip(" ;"):
        raise OptionInvalid(f'The line {text!r} must be two or more points of the photo, such as "100,200 900,210".')
    return picture_map(measurement).to_mat(np.array(pairs, dtype=np.float64))


def flaw_of(measurement: dict[str, Any], panel: "Panel", text: str) -> list[list[float]]:
    """``X,Y,SIZE``: a round zone about a pixel of the upright photo, mm; or the number of a flaw that was proposed."""
    if text.strip().isdecimal():
        return _proposed_flaw(measurement, panel, int(text))
    import numpy as np
    from shapely.geometry import Polygon

    from flatmeasure.pieces.picture_map import picture_map

    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*,\s*(\d+(?:\.\d+)?)\s*,(.+)", text)
    if not found:
        raise OptionInvalid(
            f"The flaw {text!r} must be a pixel of the photo and a size, such as 1200,800,30mm, or the number of a "
            "suspected flaw."
        )
    middle = picture_map(measurement).to_mat(np.array([[float(found[1]), float(found[2])]]))[0]
    turn = np.arange(24) * 2.0 * np.pi / 24
    ring = middle + parse_length(found[3], "size of the flaw") / 2.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    if not panel.outer.intersects(Polygon(ring)):
        raise OptionInvalid(f"The flaw {text!r} does not lie on piece {panel.id}: give a pixel on the cloth.")
    return [[round(float(x), 3), round(float(y), 3)] for x, y in ring]


def _proposed_flaw(measurement: dict[str, Any], panel: "Panel", number: int) -> list[list[float]]:
    piece = next(one for one in measurement["pieces"] if str(one["id"]) == panel.id)
    proposed: list[dict[str, Any]] = piece.get("flaws", [])
    if not 1 <= number <= len(proposed):
        known = f"its suspected flaws count from 1 to {len(proposed)}" if proposed else "none is suspected there"
        raise OptionInvalid(f"Piece {panel.id} has no suspected flaw {number}: {known}.")
    ring: list[list[float]] = proposed[number - 1]["outline_mm"]
    return ring


def span_of(text: str) -> tuple[float, float]:
    """``LENGTH-LENGTH`` in mm."""
    low, sign, high = text.partition("-")
    if not sign:
        raise OptionInvalid(f"The levels {text!r} are not two distances: write them like 10cm-40cm.")
    span = parse_length(low, "distance", zero_allowed=True), parse_length(high, "distance")
    if span[0] >= span[1]:
        raise OptionInvalid(f"In the levels {text!r} the first distance must be the smaller one.")
    return span


def ratio_of(text: str | None) -> float | None:
    """``L:W`` as a number."""
    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*", text)
    if not found or float(found[1]) == 0.0 or not 0.01 <= float(found[1]) / (float(found[2]) or 1e9) <= 100.0:
        raise OptionInvalid(f"The shape {text!r} must be length to width, such as 3:2.")
    return float(found[1]) / float(found[2])


def direction_of(text: str) -> "Direction":
    """``along``, ``across`` or ``bias``."""
    from flatmeasure.pieces.rectangles import Direction

    if text not in list(Direction):
        raise OptionInvalid(f"The direction {text!r} is not known: choose along, across or bias.")
    return Direction(text)


def dart_marks(cuts: Iterable[Any]) -> "list[Mark]":
    """Where darts and notches come to a point."""
    import numpy as np

    from flatmeasure.pieces.piece_drawing import Mark

    return [Mark("other", np.array([cut.tip_mm - 0.01, cut.tip_mm]), text=cut.kind) for cut in cuts]
