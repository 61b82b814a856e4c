"""The stash and the answers whether its cloth is enough, over HTTP."""

import json
from typing import Any
from xml.etree import ElementTree

import httpx
import numpy as np
import pytest
from shapely.geometry import Polygon

from service.reply_models import AnswerReply, PieceList, PieceReply, PlacedReply
from tests.service.servers import (
    LINEN,
    LINEN_OPTIONS,
    PINAFORE,
    finished_job,
    send_photo,
    wait_until_running,
)

PATTERN = {**PINAFORE, "pieces": PINAFORE["pieces"][:2]}  # the bib and a pair of pockets: they fit with ease
TOO_MUCH = {
    "schema": "flatmeasure.pattern/1",
    "unit": "mm",
    "pieces": [{"name": "tile", "circle": 93, "count": 38, "turns": "any"}],
}


def asked(client: httpx.Client, cloth: str, **further: Any) -> httpx.Response:
    question = {"cloth": [cloth], "pattern": PATTERN, "effort": "quick", **further}
    return client.post("/v1/answers", json=question)


@pytest.fixture(scope="module")
def answer(client: httpx.Client, plaid: dict[str, Any]) -> dict[str, Any]:
    """The pinafore's bib and pockets on the plaid remnant."""
    reply = asked(client, f"{plaid['id']}:A", rules={"face": "both"})
    assert reply.status_code == 201, reply.text
    found: dict[str, Any] = reply.json()
    return found


def test_pieces_are_listed_and_found(client: httpx.Client, plaid: dict[str, Any]) -> None:
    listed = PieceList.model_validate(client.get("/v1/pieces?q=PLAID").json()).items
    assert [piece.id for piece in listed] == [f"{plaid['id']}:A"]
    piece = PieceReply.model_validate(client.get(f"/v1/pieces/{plaid['id']}:A").json())
    assert piece.outline_mm == plaid["measurement"]["pieces"][0]["outline_mm"]
    assert client.get("/v1/pieces?q=plaid+velvet").json()["items"] == []


def test_thumbnail_is_the_outline(client: httpx.Client, plaid: dict[str, Any]) -> None:
    reply = client.get(f"/v1/pieces/{plaid['id']}:A/thumbnail")
    assert reply.headers["content-type"] == "image/svg+xml"
    root = ElementTree.fromstring(reply.content)
    width, height = map(float, root.attrib["viewBox"].split()[2:])
    outline = np.array(plaid["measurement"]["pieces"][0]["outline_mm"])
    assert np.allclose(np.ptp(outline, axis=0) / [width, height], 1 / 1.08, atol=0.03)


def test_hidden_piece_stays_measured(client: httpx.Client) -> None:
    measured = send_photo(client, LINEN, LINEN_OPTIONS).json()
    piece = f"{measured['id']}:A"
    assert client.delete(f"/v1/pieces/{piece}").status_code == 204
    assert client.get(f"/v1/pieces/{piece}").status_code == 404
    assert client.get(f"/v1/measurements/{measured['id']}").status_code == 200
    body = {"base": 1, "corrections": {"notes": {"A": {"name": "front"}}}}
    client.post(f"/v1/measurements/{measured['id']}/revisions", json=body)
    assert client.get("/v1/pieces?q=front").json()["items"] == []  # a later revision does not bring it back
    assert asked(client, piece).status_code == 422
    client.delete(f"/v1/measurements/{measured['id']}")


def test_enough(client: httpx.Client, plaid: dict[str, Any], answer: dict[str, Any]) -> None:
    told = AnswerReply.model_validate(answer)
    assert told.verdict == "enough"
    assert told.text.startswith("Enough: ")
    assert client.get(f"/v1/answers/{told.id}").json() == answer


def test_placed_pieces_lie_on_the_cloth_in_the_photo(
    client: httpx.Client, plaid: dict[str, Any], answer: dict[str, Any]
) -> None:
    placed = PlacedReply.model_validate(client.get(f"/v1/answers/{answer['id']}/placed").json()).placed
    assert sorted(one.piece for one in placed) == ["bib", "pocket", "pocket"]
    piece = plaid["measurement"]["pieces"][0]
    cloth = Polygon(piece["outline_px"], piece["holes_px"])
    outlines = [Polygon(one.outline_px) for one in placed]
    assert all(cloth.buffer(0.5).contains(outline) for outline in outlines)
    assert all(a.intersection(b).area < 1.0 for k, a in enumerate(outlines) for b in outlines[:k])


@pytest.mark.parametrize(
    ("path", "kind", "start"),
    [
        ("layout.svg", "image/svg+xml", b"<"),
        ("layout.svg?unit=in", "image/svg+xml", b"<"),
        ("layout.pdf", "application/pdf", b"%PDF-"),
        ("pieces.json", "application/json", b"{"),
    ],
)
def test_drawings(client: httpx.Client, answer: dict[str, Any], path: str, kind: str, start: bytes) -> None:
    reply = client.get(f"/v1/answers/{answer['id']}/{path}")
    assert (reply.status_code, reply.headers["content-type"]) == (200, kind)
    assert reply.content.startswith(start)


def test_pattern_as_a_file(client: httpx.Client, plaid: dict[str, Any]) -> None:
    question = {"cloth": [f"{plaid['id']}:A"], "effort": "quick"}
    square = b'<svg xmlns="http://www.w3.org/2000/svg" width="90mm" height="90mm" viewBox="0 0 90 90">'
    square += b'<path id="a" d="M5 5H85V85H5Z"/></svg>'
    files = {"pattern": ("pocket.svg", square, "image/svg+xml")}
    reply = client.post("/v1/answers", data={"request": json.dumps(question)}, files=files)
    assert reply.status_code == 201, reply.text
    assert reply.json()["verdict"] == "enough"
    at = reply.json()["links"]["self"]
    assert client.delete(at).status_code == 204
    assert client.get(at).status_code == client.get(f"{at}/layout.pdf").status_code == 404


def test_stopped_search_gives_the_best_so_far(client: httpx.Client, plaid: dict[str, Any]) -> None:
    question = {"cloth": [f"{plaid['id']}:A"], "pattern": TOO_MUCH, "effort": "long", "limit_s": 300}
    reply = client.post("/v1/answers", json=question, headers={"Prefer": "respond-async"})
    assert reply.status_code == 202
    job = reply.json()["id"]
    wait_until_running(client, job)
    measured = send_photo(client, LINEN, LINEN_OPTIONS)  # a worker is left for photos
    assert measured.status_code == 201
    client.delete(f"/v1/measurements/{measured.json()['id']}")
    assert client.get(f"/v1/jobs/{job}").json()["state"] == "running"
    assert client.delete(f"/v1/jobs/{job}").status_code == 202
    told = finished_job(client, job)
    assert told["state"] == "done"
    found = client.get(f"/v1/answers/{told['answer']}").json()
    assert found["stopped"]
    assert found["layout"]["pieces"]


@pytest.mark.parametrize(
    ("question", "status", "words"),
    [
        ({"pattern": None}, 422, "pattern is needed"),
        ({"pattern": {"schema": "x"}}, 422, "is no pattern"),
        ({"cloth": ["0123456789abcdef:A"]}, 422, "no piece"),
        ({"cloth": []}, 422, "cloth"),
        ({"effort": "endless"}, 422, "effort"),
        ({"rules": {"tolerance_deg": 90}}, 422, "tolerance_deg"),
    ],
)
def test_question_failure(
    client: httpx.Client, plaid: dict[str, Any], question: dict[str, Any], status: int, words: str
) -> None:
    reply = client.post("/v1/answers", json={"cloth": [f"{plaid['id']}:A"], "pattern": PATTERN, **question})
    assert reply.status_code == status
    assert words in reply.json()["detail"]


def test_question_in_a_strange_form(client: httpx.Client) -> None:
    assert client.post("/v1/answers", content=b"<x/>", headers={"Content-Type": "text/xml"}).status_code == 415
    assert client.post("/v1/answers", content=b"{", headers={"Content-Type": "application/json"}).status_code == 400
    assert client.post("/v1/answers", files={"pattern": ("a.svg", b"x")}).status_code == 422
