"""Pattern pieces from drawings in true units: every closed line of an SVG or a DXF is a piece.

In an SVG a piece's name is its shape's data-name or id; the attributes data-count, data-pair, data-grain, data-turns
and data-bias say the rest; a shape whose data-group is not "outline" is no piece. In a DXF the name is that of the
block or layer. A block whose lines stand on the layers of our own exports, or on those of ASTM D6673, is one piece: its
outline, its cut-outs, its grain.
"""

import io
import re
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from flatmeasure.enough.pattern import PatternPiece, Turns, check_piece, polygon_of
from flatmeasure.errors import PatternInvalid
from flatmeasure.photos.camera import Points

CURVE_MM = 0.002  # a curve's chords leave it by no more: over a full turn that is 4 um of length
ARC_CUBICS = 4  # at least so many for an arc: with one, a half circle comes out a thousandth too wide
CLOSED_MM = 0.1  # ends this near are one
SAME_MM = 1e-6  # two points this near would make a side whose direction is rounding
MM_PER_DXF_UNIT = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}  # $INSUNITS
MAX_POINTS = 20_000
UP_DEG = 90.0  # the grain where a drawing does not tell it
DXF_LAYERS = (("OUTLINE", "CUTOUTS", "GRAIN"), ("1", "11", "7"))  # our own; ASTM D6673: boundary, cut-outs, grain line


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
    """Name, rings and attributes of each shape that may be a piece."""
    import svgelements

    for shape in drawing.elements(lambda one: isinstance(one, svgelements.Shape)):
        values = shape.values.get("attributes", shape.values)
        if values.get("data-group", "outline") != "outline":
            continue
        rings = [_flat(part) for part in svgelements.Path(shape).as_subpaths()]
        rings = [ring for ring in rings if len(ring) > 1]
        if rings:
            yield str(values.get("data-name") or shape.values.get("id") or ""), rings, values


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
        found = [] if scale is None else _dxf_pieces(document, scale)
    except Exception as error:  # the reader raises whatever a damaged file leads to
        raise PatternInvalid(f"{name} is no DXF that can be read ({_reason(error)}).") from error
    if scale is None:
        raise PatternInvalid(f"{name} does not say its unit: save it with $INSUNITS set to mm, cm or inches.")
    pieces: list[PatternPiece] = []
    for label, rings, grain_deg in found:
        known = [piece.name for piece in pieces]
        number = 2 + sum(one.startswith(f"{label} ") for one in known)
        label = f"{label} {number}" if label in known else label
        _check_closed(rings, label)
        pieces.append(check_piece(PatternPiece(label, _outline(label, rings), grain_deg=grain_deg)))
    return _some(pieces, name)


def _dxf_pieces(document: Any, scale: float) -> list[tuple[str, list[Points], float]]:
    """Name, rings and grain of every piece."""
    found: list[tuple[str, list[Points], float]] = []
    for entity in document.modelspace():
        if entity.dxftype() != "INSERT":
            found += [(label, [ring], UP_DEG) for label, ring in _dxf_rings([entity], scale)]
            continue
        label, inside = str(entity.dxf.name), list(entity.virtual_entities())
        there = {str(one.dxf.layer) for one in inside}
        layers = next((layers for layers in DXF_LAYERS if layers[0] in there), None)
        if layers is None:
            found += [(label, [ring], UP_DEG) for _, ring in _dxf_rings(inside, scale)]
            continue
        rings = [ring for layer, ring in _dxf_rings(inside, scale) if layer in layers[:2]]
        lines = [one for one in inside if one.dxftype() == "LINE" and one.dxf.layer == layers[2]]
        grain_deg = float((lines[0].dxf.end - lines[0].dxf.start).angle_deg) % 180.0 if lines else UP_DEG
        found.append((str(document.blocks.get(label).block.dxf.description or label), rings, grain_deg))
    return [one for one in found if one[1]]


def _dxf_rings(entities: Iterable[Any], scale: float) -> list[tuple[str, Points]]:
    """Points of every line that may be closed, with its layer or, inside a further block, that block's name."""
    from ezdxf import path

    found: list[tuple[str, Points]] = []
    for entity in entities:
        if entity.dxftype() == "INSERT":
            found += [(str(entity.dxf.name), ring) for _, ring in _dxf_rings(entity.virtual_entities(), scale)]
        elif entity.dxftype() in {"LWPOLYLINE", "POLYLINE", "CIRCLE", "ELLIPSE", "SPLINE"}:
            line = path.make_path(entity, segments=ARC_CUBICS)
            points = np.array([[p.x, p.y] for p in line.flattening(CURVE_MM / scale, segments=4)]) * scale
            if len(points) > 1:
                found.append((str(entity.dxf.layer), points))
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
    """The largest ring, the others its holes; a last point that is the first but for rounding is left out."""
    rings = [ring[:-1] if np.hypot(*(ring[0] - ring[-1])) < SAME_MM else ring for ring in rings]
    rings = sorted(rings, key=lambda ring: -abs(float(Polygon(ring).area)) if len(ring) > 2 else 0.0)
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
