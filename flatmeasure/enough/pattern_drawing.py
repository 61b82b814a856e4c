"""Pattern pieces from drawings in true units: every closed line of an SVG or a DXF is a piece.

In an SVG a piece's name is the id of its shape; the attributes data-count, data-pair, data-grain, data-turns and
data-bias say the rest. In a DXF the name is that of the block or layer.
"""

import io
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from flatmeasure.enough.pattern import PatternPiece, Turns, check_piece, polygon_of
from flatmeasure.errors import PatternInvalid
from flatmeasure.photos.camera import Points

CURVE_MM = 0.05  # a curve's chords leave it by no more
CLOSED_MM = 0.1  # ends this near are one
MM_PER_DXF_UNIT = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}  # $INSUNITS
MAX_POINTS = 20_000


def read_svg(content: bytes, name: str) -> tuple[PatternPiece, ...]:
    """The closed shapes of an SVG whose size is given in mm, cm or in.

    Raises
    ------
    PatternInvalid
    """
    import svgelements  # 0.1 s to import, and only drawings need it

    try:
        drawing = svgelements.SVG.parse(io.BytesIO(content), ppi=25.4)
        width = str(drawing.values.get("width", "")).strip()
        lines = list(_svg_lines(drawing))
    except Exception as error:  # the reader raises whatever a damaged file leads to
        raise PatternInvalid(f"{name} is no SVG that can be read ({_reason(error)}).") from error
    if not re.fullmatch(r"[\d.eE+-]+(mm|cm|in|pt|pc)", width):
        raise PatternInvalid(f"{name} does not say its size: give its width and height in mm.")
    pieces: list[PatternPiece] = []
    for label, rings, values in lines:
        label = label or f"piece {len(pieces) + 1}"
        _check_closed(rings, label)
        pieces.append(_with_notes(PatternPiece(label, _outline(label, rings)), values))
    return _some(pieces, name)


def _svg_lines(drawing: Any) -> Iterator[tuple[str, list[Points], Any]]:
    """Id, rings and attributes of each shape."""
    import svgelements

    for shape in drawing.elements(lambda one: isinstance(one, svgelements.Shape)):
        rings = [_flat(part) for part in svgelements.Path(shape).as_subpaths()]
        rings = [ring for ring in rings if len(ring) > 1]
        if rings:
            yield str(shape.values.get("id") or ""), rings, shape.values.get("attributes", shape.values)


def _reason(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def read_dxf(content: bytes, name: str) -> tuple[PatternPiece, ...]:
    """The closed lines of a DXF's model space and of the blocks that are used in it.

    Raises
    ------
    PatternInvalid
    """
    from ezdxf import recover

    try:
        document, _ = recover.read(io.BytesIO(content))
        scale = MM_PER_DXF_UNIT.get(document.header.get("$INSUNITS", 0))
        rings = [] if scale is None else _dxf_rings(document.modelspace(), scale)
    except Exception as error:  # the reader raises whatever a damaged file leads to
        raise PatternInvalid(f"{name} is no DXF that can be read ({_reason(error)}).") from error
    if scale is None:
        raise PatternInvalid(f"{name} does not say its unit: save it with $INSUNITS set to mm, cm or inches.")
    pieces: list[PatternPiece] = []
    for label, ring in rings:
        known = [piece.name for piece in pieces]
        number = 2 + sum(one.startswith(f"{label} ") for one in known)
        label = f"{label} {number}" if label in known else label
        _check_closed([ring], label)
        pieces.append(check_piece(PatternPiece(label, polygon_of(label, ring))))
    return _some(pieces, name)


def _dxf_rings(space: Any, scale: float, label: str | None = None) -> list[tuple[str, Points]]:
    from ezdxf import path

    found: list[tuple[str, Points]] = []
    for entity in space:
        if entity.dxftype() == "INSERT":
            found += _dxf_rings(entity.virtual_entities(), scale, str(entity.dxf.name))
        elif entity.dxftype() in {"LWPOLYLINE", "POLYLINE", "CIRCLE", "ELLIPSE", "SPLINE"}:
            line = path.make_path(entity)
            points = np.array([[p.x, p.y] for p in line.flattening(CURVE_MM / scale)]) * scale
            if len(points) > 1:
                found.append((label or str(entity.dxf.layer), points))
    return found


def _flat(part: Any) -> Points:
    """Points of an SVG subpath, y up; a repeated point for a closed one."""
    import svgelements

    path = svgelements.Path(part)
    points: list[tuple[float, float]] = []
    for segment in path:
        if isinstance(segment, svgelements.Move):
            points.append((segment.end.x, -segment.end.y))
        elif isinstance(segment, svgelements.Line | svgelements.Close):
            if segment.end is not None:
                points.append((segment.end.x, -segment.end.y))
        else:
            points += _curve(segment)
    return np.array(points).reshape(-1, 2)


def _curve(segment: Any) -> list[tuple[float, float]]:
    """Points after the first of a curve, close enough for its chords to leave it by no more than `CURVE_MM`."""
    count = 8
    while count < 1024:
        at = np.array([(p.x, -p.y) for p in (segment.point(t) for t in np.linspace(0.0, 1.0, 2 * count + 1))])
        sagitta = np.linalg.norm(at[1::2] - (at[:-1:2] + at[2::2]) / 2.0, axis=1)
        if np.max(sagitta) <= CURVE_MM:
            break
        count *= 2
    return [(float(x), float(y)) for x, y in at[2::2]]


def _check_closed(rings: list[Points], label: str) -> None:
    for ring in rings:
        if len(ring) > MAX_POINTS:
            raise PatternInvalid(f"The line {label} has more than {MAX_POINTS} points: simplify it.")
        if np.hypot(*(ring[0] - ring[-1])) > CLOSED_MM:
            raise PatternInvalid(f"The line {label} is open: close it to make a piece of it, or take it out.")


def _outline(label: str, rings: list[Points]) -> Polygon:
    """The largest ring, the others its holes."""
    rings = sorted(rings, key=lambda ring: -abs(float(Polygon(ring).area)) if len(ring) > 3 else 0.0)
    return polygon_of(label, rings[0], rings[1:])


def _with_notes(piece: PatternPiece, values: Any) -> PatternPiece:
    def read(key: str, default: str) -> str:
        return str(values.get(f"data-{key}", default)).strip()

    turns = read("turns", "both")
    if turns not in list(Turns):
        raise PatternInvalid(f"The piece {piece.name} has unknown turns: choose from {', '.join(Turns)}.")
    try:
        count, grain = int(read("count", "1")), float(read("grain", "90"))
    except ValueError as error:
        raise PatternInvalid(f"The piece {piece.name} has a count or a grain that is no number.") from error
    return check_piece(
        PatternPiece(
            name=piece.name,
            drawn=piece.drawn,
            count=count,
            pair=read("pair", "no") in ("yes", "true"),
            grain_deg=grain,
            turns=Turns(turns),
            bias=read("bias", "no") in ("yes", "true"),
        )
    )


def _some(pieces: list[PatternPiece], name: str) -> tuple[PatternPiece, ...]:
    if not pieces:
        raise PatternInvalid(f"{name} holds no closed line that could be a piece.")
    return tuple(pieces)
