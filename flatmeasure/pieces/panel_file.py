"""Panels from the JSON that ``measure`` writes, and the notes a person adds to it.

A piece in the file may carry fields of its own beside the measured ones: ``labels`` (edge id to name), ``grain``
(``angle_deg``, ``u_deg``, ``source``, ``confidence``), ``layers`` and ``flaws_mm`` (zones, mat frame). A piece made
from measured ones states its ``error`` too; for a measured one it is worked out from the stated uncertainties.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from shapely.geometry import LineString, Polygon
from shapely.validation import explain_validity

from flatmeasure.errors import PieceUnreadable
from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Grain, OutlineError, Panel, PanelEdge, explain_error, line_length
from flatmeasure.quantity import Quantity

SCHEMA_PREFIX = "flatmeasure.measurement/"
_MAKE_ANEW = "measure the photo again, or mend the file"
MAX_BYTES = 100_000_000
MAX_MM = 100_000.0
MAX_LAYERS = 1000
THIN_MM = 1e-3  # coordinates are written to a micrometre


def read_panels(source: str | Path) -> tuple[Panel, ...]:
    """The pieces of a file that ``measure`` wrote.

    Parameters
    ----------
    source : path

    Returns
    -------
    tuple of Panel
        In the order of the file; at least one.

    Raises
    ------
    PieceUnreadable
        No such file, no JSON, another kind of JSON, or a piece that is damaged.
    """
    path = Path(source)
    return panels_from_dict(load_measurement(path), path.name)


def load_measurement(path: Path) -> dict[str, Any]:
    """The JSON object of a measurement file, checked to be one.

    Raises
    ------
    PieceUnreadable
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise PieceUnreadable(
                f"{path.name} is larger than {MAX_BYTES // 1_000_000} MB: give the file that `measure --json` wrote."
            )
        data = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise PieceUnreadable(f"{path.name} cannot be read ({error.strerror or error}): check the path.") from error
    except (ValueError, RecursionError) as error:
        raise PieceUnreadable(f"{path.name} is not JSON: give the file that `measure --json` wrote.") from error
    if not isinstance(data, dict) or not str(data.get("schema", "")).startswith(SCHEMA_PREFIX):
        raise PieceUnreadable(f"{path.name} holds no measurement: give the file that `measure --json` wrote.")
    return data


def panels_from_dict(data: dict[str, Any], name: str = "the measurement") -> tuple[Panel, ...]:
    """The pieces of a measurement given as its JSON object (``Measurement.to_dict()``).

    Parameters
    ----------
    data : dict
    name : str
        What messages call it, such as the file's name.

    Returns
    -------
    tuple of Panel
        In the order of the measurement; at least one.

    Raises
    ------
    PieceUnreadable
        It is no measurement, or a piece in it is damaged.
    """
    pieces = data.get("pieces") if isinstance(data, dict) else None
    if not isinstance(pieces, list) or not pieces:
        raise PieceUnreadable(f"{name} holds no pieces: measure the photo again.")
    return tuple(panel_from_dict(piece, name) for piece in pieces)


def panel_from_dict(piece: Any, name: str = "the measurement") -> Panel:
    """One piece of a measurement as a panel.

    Raises
    ------
    PieceUnreadable
    """
    label = f"Piece {piece.get('id', '?')} of {name}" if isinstance(piece, dict) else f"A piece of {name}"
    try:
        return _panel(piece)
    except (KeyError, TypeError, IndexError, AttributeError) as error:
        told = f"{label} lacks a field or has one of the wrong kind ({error}): {_MAKE_ANEW}."
        raise PieceUnreadable(told) from error
    except (ValueError, OverflowError) as error:
        raise PieceUnreadable(f"{label} is damaged, {error}: {_MAKE_ANEW}.") from error


def panel_from_outline(
    name: str,
    outline_mm: Points | Sequence[Sequence[float]],
    *,
    corners: Sequence[int] | None = None,
    holes_mm: Sequence[Points] = (),
    error: OutlineError = OutlineError(),  # noqa: B008 - frozen
) -> Panel:
    """A panel of one's own, from its outline.

    Parameters
    ----------
    name : str
    outline_mm : (N, 2) array
        Either way round.
    corners : sequence of int, optional
        Indices of the outline's points that are corners; all when None.
    holes_mm : sequence of (M, 2) array
    error : OutlineError

    Returns
    -------
    Panel
        Counter-clockwise; edges run from corner to corner.

    Raises
    ------
    ValueError
        If the outline crosses itself or has no area.
    """
    outline = np.asarray(outline_mm, dtype=np.float64)
    marks = sorted(range(len(outline)) if corners is None else corners)
    if not Polygon(outline).exterior.is_ccw:
        outline, marks = outline[::-1], sorted(len(outline) - 1 - i for i in marks)
    ends = [*marks[1:], marks[0]]
    edges = [
        {"id": f"{name}{k + 1}", "from": k, "to": (k + 1) % len(marks), "points_mm": _run(outline, a, b)}
        for k, (a, b) in enumerate(zip(marks, ends, strict=True))
    ]
    piece = {"id": name, "outline_mm": outline, "holes_mm": list(holes_mm), "edges": edges}
    return _with_stated_error(_panel(piece), error)


def _run(outline: Points, first: int, last: int) -> Points:
    count = (last - first) % len(outline) or len(outline)
    return outline[np.arange(first, first + count + 1) % len(outline)]


def _panel(piece: dict[str, Any]) -> Panel:
    parts = _edge_parts(piece)
    outline = np.concatenate([part[:-1] for part in parts])
    holes = tuple(_clockwise(_ring(hole)) for hole in piece.get("holes_mm", ()))
    _check_shape(outline, holes)
    firsts = np.cumsum([0, *[len(part) - 1 for part in parts]])
    edges = tuple(
        _edge(edge, piece, part, (int(first), int(last) % len(outline)))
        for edge, part, first, last in zip(_edge_dicts(piece), parts, firsts[:-1], firsts[1:], strict=True)
    )
    polygon = Polygon(outline, holes)
    panel = Panel(
        id=str(piece["id"]),
        complete=bool(piece.get("complete", True)),
        area=_quantity(piece["area"], "area", "mm2") if "area" in piece else Quantity(polygon.area, 0.0, "mm2"),
        outline_mm=outline,
        holes_mm=holes,
        edges=edges,
        error=OutlineError(),
        grain=_grain(piece.get("grain")),
        layers=_layers(piece.get("layers", 1)),
        flaws_mm=tuple(_ring(flaw) for flaw in piece.get("flaws_mm", ())),
    )
    if abs(panel.area.value - polygon.area) > 0.02 * polygon.area + 6.0 * panel.area.u:
        raise ValueError(f"its area of {panel.area.value:.0f} mm2 is not that of its outline, {polygon.area:.0f} mm2")
    error = _error(piece["error"]) if "error" in piece else explain_error(panel)
    return replace(panel, error=error)


def _with_stated_error(panel: Panel, error: OutlineError) -> Panel:
    """The panel's own area and edges with the u that a given error leads to."""
    sure = replace(panel, error=error)
    lengths = [line_length(sure.edge_points(edge)) for edge in sure.edges]
    spread = sure.shared(lambda p: np.array([*(line_length(p.edge_points(e)) for e in p.edges), p.polygon.area]))
    edges = tuple(
        replace(edge, length=sure.length(length, float(u)))
        for edge, length, u in zip(sure.edges, lengths, spread[:-1], strict=True)
    )
    area = sure.area_of(sure.polygon.area, float(spread[-1]), sure.polygon.length)
    return replace(sure, edges=edges, area=area)


def _edge_dicts(piece: dict[str, Any]) -> list[dict[str, Any]]:
    """The piece's edges; a piece without corners has one, closed in itself."""
    return list(piece.get("edges") or [{"id": f"{piece['id']}1", "from": 0, "to": 0}])


def _edge_parts(piece: dict[str, Any]) -> list[Points]:
    """Points (K, 2) of each edge, going round, each beginning where the one before ends."""
    outline = _ring(piece["outline_mm"])
    if not Polygon(outline).exterior.is_ccw:
        raise ValueError("its outline runs clockwise")
    edges = _edge_dicts(piece)
    starts = [int(edge["from"]) for edge in edges]
    if [int(edge["to"]) for edge in edges] != starts[1:] + starts[:1]:
        raise ValueError("its edges do not follow each other round the outline")
    if all("points_mm" in edge for edge in edges):
        return [_thinned(part) for part in _joined([_points(edge["points_mm"]) for edge in edges])]
    corners = _points([corner["at_mm"] for corner in piece["corners"]]) if piece.get("corners") else outline[:1]
    nearest = [int(np.argmin(np.sum((outline - corners[start]) ** 2, axis=1))) for start in starts]
    ends = nearest[1:] + nearest[:1]
    if sum((b - a) % len(outline) or len(outline) for a, b in zip(nearest, ends, strict=True)) != len(outline):
        raise ValueError("its corners do not follow each other round the outline")
    return [_run(outline, a, b) for a, b in zip(nearest, ends, strict=True)]


def _joined(parts: list[Points]) -> list[Points]:
    """The parts without repeated points, checked to form one ring."""
    clean = [part[np.append(True, np.any(np.diff(part, axis=0) != 0.0, axis=1))] for part in parts]
    after = clean[1:] + clean[:1]
    gaps = [float(np.hypot(*(b[0] - a[-1]))) for a, b in zip(clean, after, strict=True)]
    if max(gaps) > 0.1:
        raise ValueError(f"there is a gap of {max(gaps):.1f} mm between two of its edges")
    if min(len(part) for part in clean) < 2:
        raise ValueError("one of its edges is a single point")
    return clean


def _thinned(part: Points) -> Points:
    """The part without points that rounding alone sets off a straight line."""
    return np.asarray(LineString(part).simplify(THIN_MM).coords)


def _edge(edge: dict[str, Any], piece: dict[str, Any], part: Points, at: tuple[int, int]) -> PanelEdge:
    name = str(edge["id"])
    chord = float(np.hypot(*(part[-1] - part[0])))
    length = line_length(part)
    kind = str(edge.get("kind", "straight" if length - chord < 1e-3 * length else "curve"))
    if kind not in ("straight", "curve"):
        raise ValueError(f"the kind of edge {name} is neither straight nor curve")
    stated = _quantity(edge["length"], f"length of {name}", "mm") if "length" in edge else Quantity(length, 0.0, "mm")
    if abs(stated.value - length) > 0.02 * length + 1.0 + 6.0 * stated.u:
        raise ValueError(f"the length of edge {name}, {stated.value:.1f} mm, is not that of its points ({length:.1f})")
    label = str(piece.get("labels", {}).get(name, ""))
    return PanelEdge(name, label, at[0], at[1], kind, stated)


def _check_shape(outline: Points, holes: tuple[Points, ...]) -> None:
    for ring, word in [(outline, "outline"), *[(hole, "hole") for hole in holes]]:
        shape = Polygon(ring)
        if not shape.is_valid:
            raise ValueError(f"its {word} crosses itself ({explain_validity(shape)})")
        if shape.area < 1.0:
            raise ValueError(f"its {word} has no area")
    if not Polygon(outline, holes).is_valid:
        raise ValueError("one of its holes leaves the outline or touches another")


def _points(values: Any) -> Points:
    points = np.asarray(values, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) == 0:
        raise ValueError("a list of points is no list of [x, y] pairs")
    if not np.all(np.isfinite(points)) or np.max(np.abs(points)) > MAX_MM:
        raise ValueError("a point is not finite or lies over 100 m away")
    return points


def _ring(values: Any) -> Points:
    """A closed ring without repeated points."""
    points = _points(values)
    distinct = points[np.any(points != np.roll(points, 1, axis=0), axis=1)]
    if len(distinct) < 3:
        raise ValueError("an outline needs at least three points")
    return distinct


def _clockwise(ring: Points) -> Points:
    return ring[::-1] if Polygon(ring).exterior.is_ccw else ring


def _quantity(value: dict[str, Any], what: str, unit: str) -> Quantity:
    quantity = Quantity(float(value["value"]), float(value["u"]), str(value["unit"]))
    if quantity.unit != unit or not math.isfinite(quantity.value + quantity.u) or min(quantity.value, quantity.u) < 0.0:
        raise ValueError(f"its {what} is not a measured value in {unit}")
    return quantity


def _grain(value: dict[str, Any] | None) -> Grain | None:
    if value is None:
        return None
    angle, u = float(value["angle_deg"]), float(value.get("u_deg", 0.0))
    if not math.isfinite(angle + u) or u < 0.0:
        raise ValueError("the angle of its grain is no angle")
    return Grain(angle % 180.0, u, str(value.get("source", "given")), float(value.get("confidence", 1.0)))


def _error(value: dict[str, Any]) -> OutlineError:
    error = OutlineError(float(value["scale"]), float(value["shift_mm"]), float(value["point_mm"]))
    if (
        not math.isfinite(error.scale + error.shift_mm + error.point_mm)
        or min(error.scale, error.shift_mm, error.point_mm) < 0
    ):
        raise ValueError("its error has a part that is no uncertainty")
    return error


def _layers(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MAX_LAYERS:
        raise ValueError(f"its number of layers is not a whole number from 1 to {MAX_LAYERS}")
    return value
