"""What a person says of pieces beside what was measured: names, labels, allowances, grain, layers, flaws.

Notes stay with their piece and edge when the outline is found anew: the piece that covers the old one's place, the edge
whose ends lie nearest.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from flatmeasure import grain_from_edge
from flatmeasure.errors import FlatMeasureError
from flatmeasure.pieces.panel_file import panel_from_dict
from service.problems import Problem, invalid

FIELDS = ("name", "labels", "allowances_mm", "grain", "layers", "flaws_mm")
NEAR_SHARE = 0.02  # of a piece's extent: an end that lies so near is the same corner

Document = dict[str, Any]


def with_notes(document: Document, notes: Mapping[str, Mapping[str, Any]]) -> Document:
    """A measurement with notes on its pieces: a field given as None is taken away, one left out stays.

    Raises
    ------
    Problem
        422: no such piece or edge.
    """
    known = {piece["id"] for piece in document["pieces"]}
    for piece_id in notes:
        if piece_id not in known:
            raise invalid(f"There is no piece {piece_id}: the pieces are {', '.join(sorted(known))}.")
    pieces = [_noted(piece, notes.get(piece["id"], {})) for piece in document["pieces"]]
    return document | {"pieces": pieces}


def carried(old: Document, new: Document, keeps_names: bool) -> Document:
    """A measurement with the notes of an earlier one of the same photo.

    Parameters
    ----------
    old, new : dict
    keeps_names : bool
        Whether pieces and edges of one name are the same ones, as when only corners were corrected.
    """
    pieces = []
    for piece in new["pieces"]:
        before = next((one for one in old["pieces"] if keeps_names and one["id"] == piece["id"]), None)
        before = before or _same_piece(piece, old["pieces"])
        if before is None:
            pieces.append(piece)
            continue
        names = {edge["id"] for edge in piece["edges"]}
        edges = {name: name for name in names} if keeps_names else _same_edges(before, piece)
        pieces.append(_noted(piece, _moved_notes(before, edges)))
    return new | {"pieces": pieces}


def _noted(piece: Document, notes: Mapping[str, Any]) -> Document:
    noted = {**piece, **notes}
    noted = {field: value for field, value in noted.items() if field not in FIELDS or value not in (None, "", {}, [])}
    for field in ("labels", "allowances_mm"):
        unknown = sorted(set(noted.get(field, {})) - {edge["id"] for edge in piece["edges"]})
        if unknown:
            raise invalid(_no_edge(piece, unknown[0]))
    grain = noted.get("grain")
    if grain is not None and "edge" in grain:
        noted["grain"] = _along_edge(piece, grain["edge"])
    elif grain is not None:
        noted["grain"] = {"u_deg": 0.0, "source": "given", **grain, "angle_deg": grain["angle_deg"] % 180.0}
    return noted


def _no_edge(piece: Document, edge: str) -> str:
    return f"Piece {piece['id']} has no edge {edge}: its edges are {', '.join(one['id'] for one in piece['edges'])}."


def _along_edge(piece: Document, edge: str) -> Document:
    try:
        grain = grain_from_edge(panel_from_dict({**piece, "grain": None}), edge)
    except KeyError as error:
        raise invalid(_no_edge(piece, edge)) from error
    except ValueError as error:
        raise invalid(f"The grain can't run along {edge}, which is closed in itself: give angle_deg.") from error
    except FlatMeasureError as error:
        raise Problem(422, "piece-unreadable", str(error)) from error
    return {"edge": edge, "angle_deg": grain.angle_deg, "u_deg": grain.u_deg, "source": grain.source}


def _same_piece(piece: Document, candidates: list[Document]) -> Document | None:
    """The piece that had more than half of its place in common with this one."""
    place = _place(piece)
    shared = [(place.intersection(_place(one)).area, k) for k, one in enumerate(candidates)]
    most, k = max(shared, default=(0.0, 0))
    return candidates[k] if most > 0.5 * place.area else None


def _place(piece: Document) -> Polygon:
    return Polygon(piece["outline_px"]).buffer(0)


def _moved_notes(old: Document, edges: Mapping[str, str]) -> Document:
    """Notes of an old piece under the names its edges have now."""
    notes = {field: old[field] for field in FIELDS if field in old}
    for field in ("labels", "allowances_mm"):
        if field in notes:
            notes[field] = {edges[edge]: value for edge, value in notes[field].items() if edge in edges}
    if "edge" in notes.get("grain", {}):
        edge = edges.get(notes["grain"]["edge"])
        notes["grain"] = None if edge is None else {"edge": edge}
    return notes


def _same_edges(old: Document, new: Document) -> dict[str, str]:
    """From each old edge to the new one whose ends lie nearest, if one of its ends is the same corner."""
    if not old["corners"] or not new["corners"]:
        return {a["id"]: b["id"] for a, b in zip(old["edges"], new["edges"], strict=False)}
    near = NEAR_SHARE * float(np.max(np.ptp(np.array(new["outline_px"]), axis=0)))
    after = _ends(new)
    found: dict[str, str] = {}
    for edge, ends in zip(old["edges"], _ends(old), strict=True):
        off = np.linalg.norm(after - ends, axis=2)  # (E, 2): of both ends
        best = int(np.argmin(off.sum(axis=1)))
        name = new["edges"][best]["id"]
        if off[best].min() < near and name not in found.values():
            found[edge["id"]] = name
    return found


def _ends(piece: Document) -> "np.ndarray[Any, np.dtype[np.float64]]":
    """(E, 2, 2) px: the ends of each edge."""
    corners = np.array([corner["at_px"] for corner in piece["corners"]], dtype=np.float64)
    return np.array([[corners[edge["from"]], corners[edge["to"]]] for edge in piece["edges"]])
