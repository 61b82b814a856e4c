"""The stash: pieces of cloth that were measured, to be searched through and used."""

import json
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from fastapi.responses import Response

from service.measurements import Cursor, Limit, Words
from service.paging import next_link
from service.replies import file_reply, json_reply
from service.reply_models import PieceList, PieceReply
from service.running import Here

router = APIRouter(prefix="/v1/pieces", tags=["pieces"])

Id = Annotated[str, Path(pattern=r"^[0-9a-f]{16}:[A-Z]{1,2}$", description="Measurement and piece.")]
SVG = "image/svg+xml"
MARGIN_SHARE = 0.04  # of the longer side
_STYLE = "path{fill:#c9ced6;stroke:#23272e}@media(prefers-color-scheme:dark){path{fill:#4a515c;stroke:#f1f3f6}}"


class SvgReply(Response):
    """For the API's description."""

    media_type = SVG


@router.get("", response_model=PieceList, summary="List the stash, newest first")
def list_pieces(request: Request, service: Here, q: Words = None, limit: Limit = 20, cursor: Cursor = None) -> Response:
    """Pieces of every measurement's latest revision whose names or labels hold all the words."""
    rows = service.pieces.page(q, limit + 1, cursor)
    last = rows[limit - 1] if len(rows) > limit else None
    seen = (last["created"], last["measurement"], last["piece"]) if last else ()
    link = next_link("/v1/pieces", seen, q=q, limit=limit) if last else None
    return json_reply(request, {"items": [represented(row) for row in rows[:limit]], "next": link})


@router.get("/{piece}", response_model=PieceReply, summary="Fetch a piece")
def get_piece(request: Request, service: Here, piece: Id) -> Response:
    """One piece of the stash."""
    return json_reply(request, represented(service.pieces.get(*piece.split(":"))))


@router.get("/{piece}/thumbnail", response_class=SvgReply, summary="A piece's outline")
def get_thumbnail(request: Request, service: Here, piece: Id) -> Response:
    """The outline as a small SVG, as one looks down on the mat."""
    row = service.pieces.get(*piece.split(":"))
    return file_reply(request, outline_picture(json.loads(row["summary"])), SVG)


@router.delete("/{piece}", status_code=204, summary="Take a piece from the stash")
def hide_piece(service: Here, piece: Id) -> Response:
    """Take it from the stash, as when the cloth is used up; its measurement stays."""
    service.pieces.hide(*piece.split(":"))
    return Response(status_code=204)


def represented(row: Mapping[str, Any]) -> dict[str, Any]:
    """A piece as the API tells it."""
    summary = json.loads(row["summary"])
    stash_id = f"{row['measurement']}:{row['piece']}"
    named = summary.pop("name") or f"{row['measurement_name']} {row['piece']}"
    return {
        "id": stash_id,
        "measurement": row["measurement"],
        "piece": row["piece"],
        "name": named,
        "created": row["created"],
        **summary,
        "thumbnail": f"/v1/pieces/{stash_id}/thumbnail",
    }


def outline_picture(summary: dict[str, Any]) -> bytes:
    """A small SVG of an outline with its holes."""
    xs, ys = zip(*summary["outline_mm"], strict=True)
    left, top, width, height = min(xs), max(ys), max(xs) - min(xs), max(ys) - min(ys)
    margin = MARGIN_SHARE * max(width, height)
    width, height = width + 2.0 * margin, height + 2.0 * margin
    lines = [
        "M" + "L".join(f"{x - left + margin:.1f} {top - y + margin:.1f}" for x, y in ring) + "Z"
        for ring in [summary["outline_mm"], *(summary["holes_mm"] or ())]
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.1f} {height:.1f}"><style>{_STYLE}</style>'
        f'<path d="{"".join(lines)}" fill-rule="evenodd" stroke-width="2" vector-effect="non-scaling-stroke"/></svg>'
    ).encode()
