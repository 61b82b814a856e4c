"""The page as it is used: real Chromium, the running service, photos of test_images."""

import csv
import io
import json
import math
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from shapely.geometry import LinearRing, Point, Polygon

from tests.service.servers import LINEN, PLAID, ROOT, Server, running, send_photo

pytest.importorskip("playwright.sync_api")

from tests.service.browser import CHROMIUM, DESKTOP, PHONE, SHOWN_MS, Visit, Visitor

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
DEVICES = pytest.mark.parametrize("device", [PHONE, DESKTOP], ids=["phone", "desktop"])
SLEEVE = ROOT / "test_images" / "sleeve_floral.jpg"
TRUTH = json.loads((ROOT / "test_images" / "holed_plaid.json").read_text("utf-8"))
QUANTITY = re.compile(r"([\d.]+)\s±\s([\d.]+)\s*(mm|cm²|in²|cm|in|°)")
FOCUSED_NAME = """() => {
  const e = document.activeElement;
  return [e.ariaLabel, e.labels?.[0]?.innerText, e.matches("button, a") ? e.innerText : ""].join("|");
}"""


def quantity(text: str) -> tuple[float, float]:
    """Value and ± as a person reads them."""
    found = QUANTITY.search(text)
    assert found, text
    return float(found[1]), float(found[2])


def stored(served: Server, measurement: str) -> dict[str, Any]:
    """What the service keeps."""
    told: dict[str, Any] = served.client.get(f"/v1/measurements/{measurement}").json()
    return told


@DEVICES
def test_photo_is_measured_and_a_corner_moved(visit: Visit, served: Server, device: dict[str, Any]) -> None:
    """Truth of the picture: test_images/holed_plaid.json, rendered from exact geometry."""
    visitor = visit(device)
    measurement = visitor.measure(PLAID)
    page = visitor.page
    area, plus_minus = quantity(page.locator(".summary dd").first.inner_text())
    assert abs(area - TRUTH["pieces"][0]["area_mm2"] / 100) < plus_minus
    before = stored(served, measurement)
    assert page.locator(".edges tbody tr").count() == len(before["measurement"]["pieces"][0]["edges"])

    visitor.tab("Correct")
    corner = before["measurement"]["pieces"][0]["corners"][3]["at_px"]
    scale = page.locator(".photo").evaluate("photo => photo.viewBox.baseVal.width / photo.clientWidth")
    x, y = visitor.middle(page.locator(".handle").nth(3))
    visitor.drag([(x + 4, y + 3), (x + 10, y + 3), (x + 28, y + 3)])
    page.get_by_text("Changed: 1 moved corner.").wait_for()
    page.get_by_role("button", name="Measure again").click()
    page.locator(".summary").wait_for(timeout=SHOWN_MS)
    after = stored(served, measurement)
    assert after["revision"] == before["revision"] + 1
    moved = after["measurement"]["pieces"][0]["corners"]
    nearest = min(math.dist(c["at_px"], (corner[0] + 24 * scale, corner[1])) for c in moved)
    assert nearest < 2.0  # photo px: the place it was dropped at, on the outline

    visitor.tab("Keep")
    page.get_by_role("button", name="Show version 1", exact=True).click()
    page.get_by_role("button", name="Go back to it").click()
    page.get_by_role("button", name="Go back to it").wait_for(state="detached")
    restored = stored(served, measurement)
    assert restored["revision"] == before["revision"] + 2
    assert restored["measurement"]["pieces"][0]["corners"] == first_version(served, measurement)["corners"]


def first_version(served: Server, measurement: str) -> dict[str, Any]:
    """The piece as it was first measured."""
    told = served.client.get(f"/v1/measurements/{measurement}?revision=1").json()
    piece: dict[str, Any] = told["measurement"]["pieces"][0]
    return piece


def test_edge_is_tapped_in_the_photo(visit: Visit) -> None:
    """A tap near an edge shows that edge, in the unit chosen; an inch is 25.4 mm (yard and pound agreement, 1959)."""
    visitor = visit(PHONE)
    visitor.measure(PLAID)
    page = visitor.page
    x, y = visitor.middle(page.locator(".handle, .chip").first)
    page.touchscreen.tap(x, y)
    card = page.locator(".edge-card")
    card.wait_for()
    value_mm, plus_minus_mm = quantity(card.locator(".figure").inner_text())
    page.get_by_role("combobox", name="Unit").select_option("in")
    value_in, plus_minus_in = quantity(card.locator(".figure").inner_text())
    assert abs(value_in * 25.4 - value_mm) < 0.6 * max(1.0, plus_minus_mm)
    assert plus_minus_in * 25.4 == pytest.approx(plus_minus_mm, abs=1.5)


def test_hint_finds_the_outline_anew(visit: Visit, served: Server) -> None:
    """Strokes with a finger, two fingers do not draw; what is drawn reaches the service in photo pixels."""
    visitor = visit(DESKTOP)
    measurement = visitor.measure(LINEN, "80")
    page = visitor.page
    visitor.tab("Correct")
    page.get_by_label("This is cloth").check()
    stage = page.locator(".stage").bounding_box()
    assert stage is not None
    x, y = stage["x"] + stage["width"] / 2, stage["y"] + stage["height"] / 2
    visitor.drag([(x - 40, y), (x, y + 5), (x + 30, y + 10)])
    assert page.get_by_label("Move corner").is_disabled()  # corners of an outline that is about to go
    page.get_by_role("button", name="Measure again").click()
    page.locator(".summary").wait_for(timeout=SHOWN_MS)
    told = stored(served, measurement)
    assert told["revision"] == 2
    (stroke,) = told["options"]["hints"]["cloth_px"]
    outline = Polygon(told["measurement"]["pieces"][0]["outline_px"])
    assert len(stroke) > 5
    assert all(outline.contains(Polygon([(u - 0.5, v), (u + 0.5, v), (u, v + 0.5)])) for u, v in stroke)


def test_hint_is_taken_away_and_settings_are_changed(visit: Visit, served: Server) -> None:
    """Without choosing the photo again; what was not touched is sent as it was, not as it is shown."""
    hints = {"cloth_px": [[[800, 600], [820, 610]]], "not_cloth_boxes_px": [[10, 10, 60, 50]]}
    photo = send_photo(
        served.client, LINEN, {"square_mm": 80, "thickness_mm": 0.12345, "hints": hints, "name": "waistcoat"}
    ).json()
    visitor = visit(PHONE)
    page = visitor.page
    visitor.open(f"#/m/{photo['id']}")
    visitor.tab("Correct")
    page.get_by_label("This is cloth").check()
    assert page.locator(".hint-line").count() == 2
    page.get_by_role("button", name="Take away hint 1, this is cloth").click()
    page.get_by_text("Changed: 1 earlier hint taken away.").wait_for()
    assert page.locator(".hint-line").count() == 1
    page.get_by_role("button", name="Measure again").click()
    page.locator(".summary").wait_for(timeout=SHOWN_MS)
    told = stored(served, photo["id"])
    assert told["options"]["hints"] == {"not_cloth_boxes_px": hints["not_cloth_boxes_px"]}
    visitor.tab("Correct")
    page.get_by_text("Other settings").click()
    page.get_by_label("Side of your square").fill("8O")
    page.get_by_role("button", name="Measure with these settings").click()
    assert page.get_by_label("Side of your square").get_attribute("aria-invalid") == "true"
    page.get_by_label("Side of your square").fill("40")
    page.get_by_role("button", name="Measure with these settings").click()
    page.locator(".summary").wait_for(timeout=SHOWN_MS)
    half = stored(served, photo["id"])
    assert (half["revision"], half["options"]) == (3, {**told["options"], "square_mm": 40})
    (before,), (after,) = told["measurement"]["pieces"], half["measurement"]["pieces"]
    assert after["area"]["value"] == pytest.approx(before["area"]["value"] / 4, rel=0.01)
    page.get_by_role("link", name="Stash").click()
    page.locator(".piece-card").first.wait_for(timeout=SHOWN_MS)
    page.go_back()
    page.locator(".result .chip").first.wait_for(timeout=SHOWN_MS)
    page.reload()
    page.locator(".result .chip").first.wait_for(timeout=SHOWN_MS)
    assert page.url.endswith(f"#/m/{photo['id']}")


def test_new_corner_is_moved_at_once(visit: Visit, served: Server) -> None:
    """It slides along the outline, and is sent once, where it was left."""
    photo = send_photo(served.client, LINEN, {"square_mm": 80}).json()
    visitor = visit(DESKTOP)
    page = visitor.page
    visitor.open(f"#/m/{photo['id']}")
    visitor.tab("Correct")
    page.get_by_label("Add corner").check()
    page.get_by_role("button", name="Middle of A1").click()
    x, y = visitor.middle(page.locator(".handle.new"))
    visitor.drag([(x, y), (x + 30, y + 40), (x + 60, y + 50)])
    page.get_by_label("Move corner").check()
    with page.expect_request("**/revisions") as sent:
        page.get_by_role("button", name="Measure again").click()
    page.locator(".summary").wait_for(timeout=SHOWN_MS)
    ((added,),) = sent.value.post_data_json["corrections"].values()
    (piece,) = photo["measurement"]["pieces"]
    first = piece["edges"][0]
    middle = np.mean([piece["corners"][end]["at_px"] for end in (first["from"], first["to"])], axis=0)
    outline = LinearRing(piece["outline_px"])
    assert outline.distance(Point(added["at_px"])) < 1.0
    assert math.dist(added["at_px"], middle) > 40.0


def test_names_allowance_and_grain_are_saved(visit: Visit, served: Server) -> None:
    """Half an inch is 12.7 mm."""
    visitor = visit(DESKTOP)
    measurement = visitor.measure(LINEN, "80")
    page = visitor.page
    page.get_by_role("combobox", name="Unit").select_option("in")
    visitor.tab("Label")
    page.get_by_label("Name of this piece").fill("bodice front")
    page.get_by_label("Seam allowance all round").fill("1/2")
    page.get_by_label("Edge", exact=True).select_option("A1")
    page.get_by_label("Its name").fill("centre front")
    page.get_by_label("Its seam allowance").fill("0")
    page.get_by_role("button", name="The grain runs along centre front").click()
    page.get_by_role("button", name="Save").click()
    page.get_by_text("Nothing to save.").wait_for()
    piece = stored(served, measurement)["measurement"]["pieces"][0]
    assert piece["name"] == "bodice front"
    assert piece["labels"] == {"A1": "centre front"}
    assert piece["allowances_mm"].pop("A1") == 0
    assert set(piece["allowances_mm"].values()) == {12.7}
    assert piece["grain"]["edge"] == "A1"
    page.get_by_role("button", name="Edge centre front").wait_for()


def test_files_are_saved(visit: Visit, served: Server, tmp_path: Path) -> None:
    """The files hold what the page shows."""
    visitor = visit(DESKTOP)
    measurement = visitor.measure(PLAID)
    visitor.tab("Keep")
    found = {}
    for kind in ("CSV", "SVG", "DXF", "PDF", "HTML"):
        with visitor.page.expect_download() as download:
            visitor.page.locator(".file", has_text=kind).click()
        found[kind] = Path(download.value.path()).read_bytes()
        assert download.value.suggested_filename == f"holed_plaid.{kind.lower()}"
    lengths = [edge["length"]["value"] for edge in stored(served, measurement)["measurement"]["pieces"][0]["edges"]]
    cells = {cell for row in csv.reader(io.StringIO(found["CSV"].decode("utf-8-sig"))) for cell in row}
    numbers = [float(cell) for cell in cells if re.fullmatch(r"[\d.]+", cell)]
    assert all(any(abs(number - length) < 0.01 for number in numbers) for length in lengths)
    assert ElementTree.fromstring(found["SVG"]).tag == "{http://www.w3.org/2000/svg}svg"
    assert found["PDF"].startswith(b"%PDF-")
    assert b"SECTION" in found["DXF"]
    assert found["HTML"].lstrip().lower().startswith(b"<!doctype html>")


@DEVICES
def test_enough_and_its_layout_on_the_photo(
    visit: Visit, served: Server, device: dict[str, Any], tmp_path: Path
) -> None:
    """All that is laid lies on the cloth and clear of its hole; the answer stands first."""
    pockets = {"name": "pocket", "outline": [[0, 0], [140, 0], [140, 120], [70, 160], [0, 120]], "pair": True}
    yoke = {"name": "yoke", "rectangle": [380, 90]}
    pattern = tmp_path / "apron.json"
    pattern.write_text(json.dumps({"schema": "flatmeasure.pattern/1", "unit": "mm", "pieces": [pockets, yoke]}))
    visitor = visit(device)
    measurement = visitor.measure(PLAID)
    page = visitor.page
    visitor.open("#/stash")
    page.get_by_label("Search").fill("holed")
    page.get_by_role("checkbox", name="Choose holed_plaid A").check()
    page.get_by_role("link", name="Is it enough?").click()
    page.get_by_label("A file").check()
    page.get_by_label("Pattern file").set_input_files(pattern)
    page.get_by_text("Rules").click()
    page.get_by_label("Search").select_option("quick")
    page.get_by_role("button", name="Is it enough?").click()
    page.locator(".chip.name").first.wait_for(state="attached", timeout=60_000)
    answer = served.client.get(f"/v1/answers/{page.url.rsplit('/', 1)[1]}").json()
    assert answer["text"].lower().startswith(page.locator("#verdict").inner_text().lower().rstrip("."))
    assert page.locator("#verdict").evaluate("e => e === document.activeElement")
    piece = stored(served, measurement)["measurement"]["pieces"][0]
    cloth = Polygon(piece["outline_px"], piece["holes_px"]).buffer(1.0)
    drawn = [_points(d) for d in page.locator(".placed").evaluate_all("all => all.map(e => e.getAttribute('d'))")]
    assert len(drawn) == len(answer["layout"]["pieces"]) == 3
    assert all(cloth.contains(Polygon(points)) for points in drawn)
    assert "cut away from your hand" in page.locator(".caution").inner_text()


def _points(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path)]


def test_typed_sizes_too_large_are_not_enough(visit: Visit) -> None:
    """Rows typed in; a wrong number is pointed at; a piece larger than the cloth is refused with the reason."""
    visitor = visit(PHONE)
    visitor.measure(PLAID)
    page = visitor.page
    visitor.open("#/enough")
    page.get_by_role("checkbox", name="holed_plaid").check()
    page.get_by_label("Width").fill("900")
    page.get_by_label("Height").fill("x")
    page.get_by_role("button", name="Is it enough?").click()
    assert page.get_by_label("Height").get_attribute("aria-invalid") == "true"
    page.get_by_label("Height").fill("900")
    page.get_by_role("button", name="Is it enough?").click()
    page.locator("#verdict").wait_for(timeout=60_000)
    assert page.locator("#verdict").inner_text() == "Not enough."
    assert page.locator(".verdict p").first.inner_text()


def test_piece_is_taken_from_the_stash_after_a_question(visit: Visit) -> None:
    """Only "Take away" does it; "Keep it" does not."""
    visitor = visit(PHONE)
    visitor.measure(LINEN, "80")
    page = visitor.page
    visitor.open("#/stash")
    card = page.locator(".piece-card", has_text=re.compile("bodice"))
    card.get_by_role("button").click()
    page.get_by_role("dialog").get_by_role("button", name="Keep it").click()
    assert card.count() == 1
    card.get_by_role("button").click()
    page.get_by_role("dialog").get_by_role("button", name="Take away").click()
    card.wait_for(state="detached")
    page.reload()
    page.locator(".piece-card").first.wait_for()
    assert card.count() == 0


def test_photo_waits_for_the_connection(visit: Visit, served: Server) -> None:
    """Without a connection the page still opens, the photo waits through a reload, and is sent by itself."""
    visitor = visit(PHONE, service_workers="allow")
    page = visitor.page
    visitor.open()
    page.evaluate("() => navigator.serviceWorker.ready.then(() => {})")
    page.get_by_label("Side of your square").fill("100")
    visitor.context.set_offline(True)
    visitor.choose_photo(SLEEVE)
    page.get_by_role("heading", name="Waiting for the connection").wait_for()
    page.reload()
    page.get_by_text("sleeve_floral.jpg").wait_for()
    visitor.open("#/stash")
    visitor.open("#/")
    visitor.complaints.clear()  # the browser itself says that it is offline
    visitor.context.set_offline(False)
    page.get_by_role("link", name="sleeve_floral").wait_for(timeout=SHOWN_MS)
    assert page.get_by_role("heading", name="Waiting for the connection").count() == 0
    assert [one["name"] for one in served.client.get("/v1/measurements?q=sleeve").json()["items"]] == ["sleeve_floral"]
    visitor.complaints.clear()


def test_by_keyboard_alone(visit: Visit, served: Server) -> None:
    """From the first screen to a corner that is moved and measured again, without mouse or finger."""
    visitor = visit(DESKTOP)
    page = visitor.page
    visitor.open()

    def press_until(name: str, key: str = "Tab") -> None:
        for _ in range(40):
            page.keyboard.press(key)
            if name in page.evaluate(FOCUSED_NAME):
                return
        raise AssertionError(f"{name} can't be reached")

    press_until("Side of your square")
    page.keyboard.type("80")
    press_until("Choose a photo")
    with page.expect_file_chooser() as chooser:
        page.keyboard.press("Enter")
    chooser.value.set_files(LINEN)
    page.locator(".result .chip").first.wait_for(timeout=SHOWN_MS)
    measurement = page.url.rsplit("/", 1)[1]
    before = stored(served, measurement)
    press_until("Measures")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("() => document.activeElement.innerText") == "Correct"
    press_until("Corner 1 of", "Shift+Tab")
    for _ in range(4):
        page.keyboard.press("Shift+ArrowRight")
    page.get_by_text("Changed: 1 moved corner.").wait_for()
    press_until("Measure again")
    page.keyboard.press("Enter")
    page.locator(".summary").wait_for(timeout=SHOWN_MS)
    assert stored(served, measurement)["revision"] == before["revision"] + 1
    assert page.evaluate("() => document.activeElement.innerText") == "Measures"  # the focus is not lost


def test_locked_service_asks_for_its_token(browser: Any, tmp_path: Path) -> None:
    """The token is asked for once, kept, and goes with pictures too."""
    with running(tmp_path / "locked", "--workers", "1", FLATMEASURE_TOKEN="plum-thimble") as locked:
        visitor = Visitor(browser, locked.url, PHONE)
        visitor.page.goto(locked.url)
        visitor.page.get_by_label("Access token").fill("plum-thimble")
        visitor.page.get_by_role("button", name="Unlock").click()
        visitor.page.get_by_text("Nothing yet").wait_for()
        visitor.complaints.clear()  # of the refusal
        visitor.choose_photo(PLAID)
        visitor.page.locator(".result .chip").first.wait_for(timeout=SHOWN_MS)
        visitor.page.locator(".photo image[href^='blob:']").wait_for(state="attached")
        visitor.page.reload()
        visitor.page.locator(".result .chip").first.wait_for()
        visitor.close()
        assert visitor.complaints == []
