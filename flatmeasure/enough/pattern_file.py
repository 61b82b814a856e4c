"""Pattern pieces from files: the JSON described here, SVG and DXF in true units, or measured pieces.

The JSON of a pattern::

    {"schema": "flatmeasure.pattern/1",
     "unit": "mm",                          mm, cm or in: of all numbers below
     "pieces": [
       {"name": "front",
        "outline": [[0, 0], [210, 0], ...], or one of: "rectangle": [width, height], "circle": diameter,
                                            "strip": [length along the grain, width]
        "holes": [[[x, y], ...]],           left out: none
        "count": 1,                         of a pair, how many pairs
        "pair": true,                       each with its mirror image; left out: false
        "grain": 90,                        degrees from the x axis, counter-clockwise; left out: up (90)
        "turns": "both",                    both (left out), one way, quarter, any
        "bias": false,
        "allowance": {"included": 10, "wanted": 15},    left out: 0; "wanted" left out: as included
        "sewn": [[x, y], ...],              finished outline, where the allowance is not the same all round
        "value": 3}]}                       worth when not all fit; left out: its area
"""

import json
import math
from pathlib import Path, PurePath
from typing import Any

import numpy as np
from shapely.geometry import Point, Polygon, box

from flatmeasure.enough.pattern import PatternPiece, Turns, check_piece, polygon_of
from flatmeasure.enough.pattern_drawing import read_dxf, read_svg
from flatmeasure.errors import PatternInvalid, PieceUnreadable
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_file import SCHEMA_PREFIX, panels_from_dict
from flatmeasure.units import LengthUnit, mm_per_unit

SCHEMA = "flatmeasure.pattern/1"
MAX_BYTES = 50_000_000
CIRCLE_SEGMENTS = 64  # a quarter; as a polygon round the circle, so that nothing of it is missing
_SHAPES = ("outline", "rectangle", "circle", "strip")
_FIELDS = {"name", "holes", "count", "pair", "grain", "turns", "bias", "allowance", "sewn", "value", *_SHAPES}


def read_pattern(path: Path) -> tuple[PatternPiece, ...]:
    """The pattern pieces of a file, by its ending: .json, .svg or .dxf.

    Parameters
    ----------
    path : Path

    Returns
    -------
    tuple of PatternPiece
        In the order of the file; at least one.

    Raises
    ------
    PatternInvalid
        It can't be read, or a piece in it can't be cut.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise PatternInvalid(f"{path.name} is larger than {MAX_BYTES // 1_000_000} MB: no pattern is.")
        content = path.read_bytes()
    except OSError as error:
        raise PatternInvalid(f"{path.name} cannot be read: {error.strerror or error}.") from error
    return pattern_from_bytes(content, path.name)


def pattern_from_bytes(content: bytes, name: str) -> tuple[PatternPiece, ...]:
    """The pattern pieces of a file's content, by the ending of its name.

    Raises
    ------
    PatternInvalid
    """
    kind = PurePath(name).suffix.lower()
    if kind == ".svg":
        return read_svg(content, name)
    if kind == ".dxf":
        return read_dxf(content, name)
    try:
        data = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise PatternInvalid(f"{name} is not JSON, and its name ends in neither .svg nor .dxf.") from error
    return pattern_from_dict(data, name)


def pattern_from_dict(data: Any, name: str = "the pattern") -> tuple[PatternPiece, ...]:
    """The pieces of a pattern's or a measurement's JSON object.

    Raises
    ------
    PatternInvalid
    """
    schema = str(data.get("schema", "")) if isinstance(data, dict) else ""
    if schema.startswith(SCHEMA_PREFIX):
        try:
            return tuple(piece_from_panel(panel) for panel in panels_from_dict(data, name))
        except PieceUnreadable as error:
            raise PatternInvalid(str(error)) from error
    if schema != SCHEMA:
        raise PatternInvalid(f'{name} is no pattern: its "schema" must be "{SCHEMA}".')
    if data.get("unit") not in list(LengthUnit):
        raise PatternInvalid(f'{name} must say its "unit": mm, cm or in.')
    if not isinstance(data.get("pieces"), list) or not data["pieces"]:
        raise PatternInvalid(f'{name} has no "pieces".')
    scale = mm_per_unit(LengthUnit(data["unit"]))
    pieces = tuple(_piece(piece, k, scale) for k, piece in enumerate(data["pieces"]))
    names = [piece.name for piece in pieces]
    twice = {one for one in names if names.count(one) > 1}
    if twice:
        raise PatternInvalid(f"Two pieces of {name} are called {min(twice)}: give each a name of its own.")
    return pieces


def piece_from_panel(panel: Panel) -> PatternPiece:
    """A measured piece as a pattern piece, with the allowance it has; its grain, if known, becomes the piece's."""
    grain = panel.grain.angle_deg if panel.grain else 90.0
    return check_piece(PatternPiece(panel.id, Polygon(panel.outline_mm, panel.holes_mm), grain_deg=grain))


def piece_to_dict(piece: PatternPiece) -> dict[str, Any]:
    """A piece as its file carries it, in mm."""
    found: dict[str, Any] = {
        "name": piece.name,
        "outline": _rounded(piece.drawn.exterior.coords[:-1]),
        "holes": [_rounded(ring.coords[:-1]) for ring in piece.drawn.interiors],
        "count": piece.count,
        "pair": piece.pair,
        "grain": piece.grain_deg,
        "turns": str(piece.turns),
        "bias": piece.bias,
        "allowance": {"included": piece.included_mm, "wanted": piece.wanted_mm},
    }
    if piece.sewn is not None:
        found["sewn"] = _rounded(piece.sewn.exterior.coords[:-1])
    return found if piece.value is None else found | {"value": piece.value}


def pattern_to_dict(pieces: tuple[PatternPiece, ...]) -> dict[str, Any]:
    """Pieces as a pattern file's JSON object."""
    return {"schema": SCHEMA, "unit": "mm", "pieces": [piece_to_dict(piece) for piece in pieces]}


def _rounded(points: Any) -> list[list[float]]:
    return [[round(float(x), 3), round(float(y), 3)] for x, y in points]


def _piece(data: Any, index: int, scale: float) -> PatternPiece:
    if not isinstance(data, dict):
        raise PatternInvalid(f"Piece {index + 1} of the pattern is no JSON object.")
    name = str(data.get("name") or f"piece {index + 1}")
    unknown = set(data) - _FIELDS
    if unknown:
        raise PatternInvalid(f"The piece {name} has a field {min(unknown)!r}, which is not known.")
    if data.get("turns", "both") not in list(Turns):
        raise PatternInvalid(f"The piece {name} has unknown turns: choose from {', '.join(Turns)}.")
    allowance = data.get("allowance", {})
    if not isinstance(allowance, dict) or set(allowance) - {"included", "wanted"}:
        raise PatternInvalid(f'The allowance of the piece {name} must be {{"included": ..., "wanted": ...}}.')
    included = _number(allowance.get("included", 0.0), f"allowance of the piece {name}") * scale
    wanted = allowance.get("wanted")
    value, sewn = data.get("value"), data.get("sewn")
    return check_piece(
        PatternPiece(
            name=name,
            drawn=_shape(data, name, scale),
            count=_count(data.get("count", 1), name),
            pair=_flag(data.get("pair", False), "pair", name),
            grain_deg=_number(data.get("grain", 90.0), f"grain of the piece {name}"),
            turns=Turns(data.get("turns", "both")),
            bias=_flag(data.get("bias", False), "bias", name),
            included_mm=included,
            wanted_mm=included if wanted is None else _number(wanted, f"allowance of the piece {name}") * scale,
            value=None if value is None else _number(value, f"value of the piece {name}"),
            sewn=None if sewn is None else _rings(name, [sewn], scale),
        )
    )


def _shape(data: dict[str, Any], name: str, scale: float) -> Polygon:
    given = [shape for shape in _SHAPES if shape in data]
    if len(given) != 1:
        raise PatternInvalid(f"The piece {name} needs exactly one of {', '.join(_SHAPES)}.")
    if given[0] == "outline":
        return _rings(name, [data["outline"], *data.get("holes", [])], scale)
    if given[0] == "circle":
        radius = _size(data["circle"], name) * scale / 2.0
        return Point(0, 0).buffer(radius / math.cos(math.pi / 4.0 / CIRCLE_SEGMENTS), quad_segs=CIRCLE_SEGMENTS)
    sides = data[given[0]]
    if not isinstance(sides, list) or len(sides) != 2:
        raise PatternInvalid(f"The {given[0]} of the piece {name} needs two lengths, like [300, 40].")
    first, second = (_size(side, name) * scale for side in sides)
    return box(0.0, 0.0, first, second) if given[0] == "rectangle" else box(0.0, 0.0, second, first)


def _rings(name: str, rings: list[Any], scale: float) -> Polygon:
    try:
        outline, *holes = (np.asarray(ring, float) * scale for ring in rings)
    except (TypeError, ValueError) as error:
        raise PatternInvalid(f"The outline of the piece {name} is no list of [x, y] points.") from error
    return polygon_of(name, outline, holes)


def _number(value: Any, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise PatternInvalid(f"The {what} must be a number.")
    return float(value)


def _size(value: Any, name: str) -> float:
    size = _number(value, f"size of the piece {name}")
    if size <= 0.0:
        raise PatternInvalid(f"The size of the piece {name} must be above 0.")
    return size


def _count(value: Any, name: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise PatternInvalid(f"The count of the piece {name} must be a whole number.")
    return value


def _flag(value: Any, field: str, name: str) -> bool:
    if not isinstance(value, bool):
        raise PatternInvalid(f'The field "{field}" of the piece {name} must be true or false.')
    return value
