"""A photo is measured, fetched, corrected, named and deleted, over HTTP."""

import json
from typing import Any

import httpx
import numpy as np
import pytest

import flatmeasure
from flatmeasure.synthetic.rendering import encode_jpeg
from service.problems import CODES
from service.reply_models import JobReply, MeasurementList, MeasurementReply, ProblemDetails
from tests.service.servers import LINEN, LINEN_OPTIONS, PLAID, PLAID_OPTIONS, Server, finished_job, send_photo


@pytest.fixture
def linen(client: httpx.Client) -> Any:
    """The linen bodice, measured anew for each test."""
    measured = send_photo(client, LINEN, LINEN_OPTIONS).json()
    yield measured
    client.delete(f"/v1/measurements/{measured['id']}")


def revised(client: httpx.Client, measurement: dict[str, Any], **corrections: Any) -> httpx.Response:
    body = {"base": measurement["revision"], "corrections": corrections}
    return client.post(f"/v1/measurements/{measurement['id']}/revisions", json=body)


def test_measured_as_the_library_does(plaid: dict[str, Any]) -> None:
    """The service adds nothing and loses nothing: the same digits, though metadata were taken off the photo."""
    here = flatmeasure.measure(PLAID, square_mm=100, thickness_mm=1).to_dict()
    there = plaid["measurement"]
    assert there["pieces"] == json.loads(json.dumps(here["pieces"]))
    assert there["rectification"] == json.loads(json.dumps(here["rectification"]))
    assert there["photo"]["name"] == "holed_plaid.jpg"


def test_every_option_reaches_the_library(client: httpx.Client) -> None:
    """Nothing but the lines of the mat tells size here; a hint and a thickness beside."""
    hints = {"cloth_boxes_px": [[100.0, 100.0, 1400.0, 1100.0]]}
    sent = send_photo(client, LINEN, {"grid_mm": 10, "thickness_mm": 0.6, "hints": hints})
    assert sent.status_code == 201, sent.text
    boxes = flatmeasure.Hints(cloth_boxes_px=((100.0, 100.0, 1400.0, 1100.0),))
    here = flatmeasure.measure(LINEN, grid_mm=10, thickness_mm=0.6, hints=boxes).to_dict()
    assert sent.json()["measurement"]["pieces"] == json.loads(json.dumps(here["pieces"]))
    client.delete(f"/v1/measurements/{sent.json()['id']}")


def test_replies_are_as_described(client: httpx.Client, plaid: dict[str, Any]) -> None:
    MeasurementReply.model_validate(plaid)
    MeasurementList.model_validate(client.get("/v1/measurements").json())


def test_same_photo_and_options_are_measured_once(client: httpx.Client, plaid: dict[str, Any]) -> None:
    again = send_photo(client, PLAID, {"thickness_mm": 1.0, "square_mm": 100.0, "name": "another name"})
    assert again.status_code == 200
    assert again.json()["id"] == plaid["id"]
    assert again.json()["name"] == plaid["name"]


def test_other_options_are_another_measurement(client: httpx.Client, plaid: dict[str, Any]) -> None:
    other = send_photo(client, PLAID, {**PLAID_OPTIONS, "thickness_mm": 2})
    assert other.status_code == 201
    assert other.json()["id"] != plaid["id"]
    assert client.delete(f"/v1/measurements/{other.json()['id']}").status_code == 204
    assert client.get(f"/v1/measurements/{plaid['id']}/photo").status_code == 200  # the photo is still needed


def test_job(client: httpx.Client) -> None:
    reply = send_photo(client, LINEN, {**LINEN_OPTIONS, "name": "bodice"}, Prefer="respond-async")
    assert reply.status_code == 202
    job = JobReply.model_validate(reply.json())
    assert reply.headers["location"] == f"/v1/jobs/{job.id}"
    told = finished_job(client, job.id)
    assert (told["state"], told["progress"], told["problem"]) == ("done", 1.0, None)
    measured = client.get(f"/v1/measurements/{told['measurement']}").json()
    assert measured["name"] == "bodice"
    client.delete(f"/v1/measurements/{measured['id']}")


def test_unmeasurable_photo(client: httpx.Client, server: Server) -> None:
    """The library's own sentence comes back, and the photo is not kept."""
    before = {path for path in (server.folder / "photos").rglob("*") if path.is_file()}
    empty_mat = encode_jpeg(np.full((300, 400, 3), 127, np.uint8))
    reply = send_photo(client, empty_mat, {"square_mm": 100})
    problem = ProblemDetails.model_validate(reply.json())
    assert reply.status_code == 422
    assert reply.headers["content-type"] == "application/problem+json"
    with pytest.raises(flatmeasure.FlatMeasureError) as told:
        flatmeasure.measure(empty_mat, square_mm=100)
    assert (problem.detail, problem.code) == (str(told.value), CODES[type(told.value)])
    assert {path for path in (server.folder / "photos").rglob("*") if path.is_file()} == before


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ('{"square_mm": -1}', "square_mm"),
        ('{"square": 100}', "square"),
        ("no json", "JSON"),
        ('{"references": [{"corners_px": [[0,0],[1,0],[1,1],[0,1]]}]}', "side_mm"),
        ('{"square_mm": NaN}', ""),
        ('{"thickness_mm": 1e999}', "thickness_mm"),
        ('{"name": "a\\u0000b"}', "name"),
    ],
)
def test_options_failure(client: httpx.Client, options: str, words: str) -> None:
    reply = client.post("/v1/measurements", files={"photo": ("x.jpg", b"\xff\xd8\xff")}, data={"options": options})
    assert reply.status_code == 422
    assert words in reply.json()["detail"]


def test_pictures(client: httpx.Client, plaid: dict[str, Any]) -> None:
    at = f"/v1/measurements/{plaid['id']}"
    photo = plaid["measurement"]["photo"]
    whole = flatmeasure.load_photo(client.get(f"{at}/photo").content)
    assert (whole.width_px, whole.height_px) == (photo["width_px"], photo["height_px"])  # upright
    assert whole.orientation == 1
    assert flatmeasure.load_photo(client.get(f"{at}/photo?width=320").content).width_px == 320
    overlay = client.get(f"{at}/overlay?unit=cm")
    assert overlay.headers["content-type"] == "image/jpeg"
    assert max(flatmeasure.load_photo(overlay.content).rgb.shape) >= 1000
    assert client.get(f"{at}/photo?width=17").status_code == 422


def test_not_sent_twice(client: httpx.Client, plaid: dict[str, Any]) -> None:
    for path in ("", "/photo?width=320", "/table.csv"):
        first = client.get(f"/v1/measurements/{plaid['id']}{path}")
        again = client.get(f"/v1/measurements/{plaid['id']}{path}", headers={"If-None-Match": first.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")


def test_notes_make_a_revision(client: httpx.Client, linen: dict[str, Any]) -> None:
    notes = {"name": "front", "labels": {"A9": "centre front"}, "grain": {"edge": "A9"}, "allowances_mm": {"A1": 10}}
    reply = revised(client, linen, notes={"A": notes})
    assert reply.status_code == 201
    piece = reply.json()["measurement"]["pieces"][0]
    assert (piece["name"], piece["labels"], piece["allowances_mm"]) == ("front", {"A9": "centre front"}, {"A1": 10})
    panel = flatmeasure.panels_from_dict(reply.json()["measurement"])[0]
    assert panel.grain is not None
    assert panel.grain.angle_deg == flatmeasure.grain_from_edge(panel, "A9").angle_deg
    first = client.get(f"/v1/measurements/{linen['id']}?revision=1").json()
    assert "name" not in first["measurement"]["pieces"][0]
    taken = revised(client, reply.json(), notes={"A": {"name": None, "grain": None}}).json()
    assert set(taken["measurement"]["pieces"][0]) & {"name", "grain", "labels"} == {"labels"}


def test_corrections_make_revisions(client: httpx.Client, linen: dict[str, Any]) -> None:
    """Corners and hints as the library takes them, notes stay, and the way back."""
    named = revised(client, linen, notes={"A": {"name": "front", "labels": {"A2": "dart"}}}).json()
    corner = named["measurement"]["pieces"][0]["corners"][2]["at_px"]
    moved = revised(client, named, moved_corners=[{"piece": "A", "corner": 2, "to_px": [corner[0] + 6, corner[1]]}])
    assert moved.status_code == 201
    after = moved.json()["measurement"]["pieces"][0]
    assert abs(after["corners"][2]["at_px"][0] - corner[0] - 6) < 3
    assert (after["name"], after["labels"]) == ("front", {"A2": "dart"})
    hints = {"not_cloth_px": [[[20, 20], [40, 20]]]}
    hinted = revised(client, moved.json(), hints=hints).json()
    assert hinted["options"]["hints"] == hints
    assert hinted["measurement"]["pieces"][0]["labels"] == {"A2": "dart"}
    assert [one["what"] for one in hinted["revisions"]] == ["measured", "notes", "corners corrected", "cloth marked"]
    back = revised(client, hinted, restore=2).json()
    assert back["measurement"] == named["measurement"]
    assert client.get(f"/v1/measurements/{linen['id']}/overlay").status_code == 200


def test_other_settings_make_a_revision(client: httpx.Client, linen: dict[str, Any]) -> None:
    """The whole set of lengths is new, hints and notes stay."""
    hints = {"not_cloth_px": [[[20.0, 20.0], [40.0, 20.0]]]}
    hinted = revised(client, linen, hints=hints, notes={"A": {"name": "front"}}).json()
    sizes = {"square_mm": 40, "grid_mm": 5}
    other = revised(client, hinted, options=sizes).json()
    assert other["options"] == {**sizes, "hints": hints}
    assert other["revisions"][-1]["what"] == "other settings"
    given = flatmeasure.Hints(not_cloth_px=(np.array(hints["not_cloth_px"][0]),))
    here = flatmeasure.measure(LINEN, hints=given, square_mm=40, grid_mm=5).to_dict()["pieces"][0]
    piece = other["measurement"]["pieces"][0]
    assert piece.pop("name") == "front"
    assert piece == json.loads(json.dumps(here))


@pytest.mark.parametrize(
    ("corrections", "words"),
    [
        ({}, "nothing to correct"),
        ({"notes": {"C": {"name": "x"}}}, "no piece C"),
        ({"notes": {"A": {"labels": {"A77": "x"}}}}, "no edge A77"),
        ({"notes": {"A": {"allowances_mm": {"A1": 100.5}}}}, "less than or equal to 100"),
        ({"moved_corners": [{"piece": "A", "corner": 99, "to_px": [1, 1]}]}, "no corner 99"),
        ({"restore": 9}, "no such revision"),
        ({"options": {"thickness_mm": 200}}, "thickness_mm"),
        ({"options": {"hints": {}}}, "options"),
        ({"restore": 1, "notes": {"A": {"name": "x"}}}, "by itself"),
        ({"hints": {"cloth_px": [[[1, 1]]]}, "removed_corners": [{"piece": "A", "corner": 0}]}, "afterwards"),
    ],
)
def test_corrections_failure(
    client: httpx.Client, plaid: dict[str, Any], corrections: dict[str, Any], words: str
) -> None:
    reply = revised(client, plaid, **corrections)
    assert reply.status_code in (404, 422)
    assert words in reply.json()["detail"]
    assert client.get(f"/v1/measurements/{plaid['id']}").json()["revision"] == plaid["revision"]


def test_outdated_base_is_refused(client: httpx.Client, linen: dict[str, Any]) -> None:
    assert revised(client, linen, notes={"A": {"name": "one"}}).status_code == 201
    late = revised(client, linen, notes={"A": {"name": "two"}})
    assert (late.status_code, late.json()["code"]) == (409, "revision-outdated")


def test_renaming_and_its_guard(client: httpx.Client, linen: dict[str, Any]) -> None:
    at = f"/v1/measurements/{linen['id']}"
    tag = client.get(at).headers["etag"]
    done = client.patch(at, json={"name": "bodice  of Ottilie"}, headers={"If-Match": tag})
    assert done.json()["name"] == "bodice of Ottilie"
    late = client.patch(at, json={"name": "other"}, headers={"If-Match": tag})
    assert (late.status_code, late.json()["code"]) == (412, "changed-meanwhile")
    assert client.delete(at, headers={"If-Match": tag}).status_code == 412
    assert client.patch(at, json={"name": "  "}).status_code == 422


def test_deleted_is_gone_with_its_files(client: httpx.Client, server: Server) -> None:
    before = {path for path in server.folder.rglob("*") if path.is_file() and "sqlite" not in path.name}
    measured = send_photo(client, LINEN, {**LINEN_OPTIONS, "thickness_mm": 0.7}).json()
    assert client.delete(f"/v1/measurements/{measured['id']}").status_code == 204
    for path in ("", "/photo", "/overlay", "/table.csv"):
        assert client.get(f"/v1/measurements/{measured['id']}{path}").status_code == 404
    assert {path for path in server.folder.rglob("*") if path.is_file() and "sqlite" not in path.name} == before


@pytest.mark.parametrize(
    ("path", "start"),
    [
        ("table.csv", b"source,piece,edge"),
        ("table.csv?rows=pieces&unit=in", b"source,piece,name"),
        ("outline.svg", b"<?xml"),
        ("outline.dxf", b"  0\n"),
        ("outline.dxf?layers=astm", b"  0\n"),
        ("pattern.pdf", b"%PDF-"),
        ("report.html", b"<!DOCTYPE html>"),
        ("pattern.pdf?paper=letter&tiled=false&unit=in", b"%PDF-"),
    ],
)
def test_exports(client: httpx.Client, plaid: dict[str, Any], path: str, start: bytes) -> None:
    reply = client.get(f"/v1/measurements/{plaid['id']}/{path}")
    assert reply.status_code == 200
    assert reply.content.replace(b"\r\n", b"\n").startswith(start)
    assert "holed_plaid" in reply.headers["content-disposition"]
