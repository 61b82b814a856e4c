"""Fingers, wheel and keys on the photo."""

import pytest

from tests.service.servers import PLAID

pytest.importorskip("playwright.sync_api")

from tests.service.browser import CHROMIUM, PHONE, Visit

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")


def test_pinch_drag_wheel_and_keys_move_the_photo(visit: Visit) -> None:
    """Two fingers that part to 2.28 times their distance enlarge 2.28 times about the point between them."""
    visitor = visit(PHONE)
    visitor.measure(PLAID)
    page = visitor.page

    def shown() -> list[float]:
        box = "photo => { const b = photo.viewBox.baseVal; return [b.x, b.y, b.width, b.height]; }"
        found: list[float] = page.locator(".photo").evaluate(box)
        return found

    stage = page.locator(".stage").bounding_box()
    assert stage is not None
    before, scale = shown(), shown()[2] / stage["width"]
    visitor.touch("touchStart", (150, 200))
    visitor.touch("touchStart", (150, 200), (250, 200))
    for step in range(1, 9):
        visitor.touch("touchMove", (150 - 8 * step, 200), (250 + 8 * step, 200))
    visitor.touch("touchEnd")
    after = shown()
    assert before[2] / after[2] == pytest.approx(2.28, rel=1e-3)
    middle = before[0] + (200 - stage["x"]) * scale
    assert after[0] + (200 - stage["x"]) * scale / 2.28 == pytest.approx(middle, abs=1.0)
    visitor.touch("touchStart", (150, 200))
    for step in range(1, 9):
        visitor.touch("touchMove", (150 + 5 * step, 200))
    visitor.touch("touchEnd")
    assert after[0] - shown()[0] == pytest.approx(40 * scale / 2.28, rel=0.02)
    wide = shown()[2]
    page.mouse.move(200, 200)
    page.mouse.wheel(0, 200)
    page.wait_for_timeout(200)  # a wheel's turn reaches the page when it comes to it
    assert 1.1 < shown()[2] / wide < 1.4  # further away; how far a notch goes is the device's affair
    page.locator(".stage").focus()
    wide = shown()[2]
    page.keyboard.press("+")
    assert wide / shown()[2] == pytest.approx(1.25, rel=1e-3)
    left = shown()[0]
    page.keyboard.press("ArrowRight")
    assert shown()[0] > left
    page.keyboard.press("0")
    assert shown()[2] >= page.locator(".photo image").evaluate("image => image.width.baseVal.value")


def test_loupe_stands_away_from_the_finger(visit: Visit) -> None:
    """While a corner is dragged its place is shown enlarged, elsewhere; two fingers give the drag up."""
    visitor = visit(PHONE)
    visitor.measure(PLAID)
    page = visitor.page
    visitor.tab("Correct")
    x, y = visitor.middle(page.locator(".handle").first)

    visitor.touch("touchStart", (x, y))
    for step in range(1, 6):
        visitor.touch("touchMove", (x + 6 * step, y))
    loupe = page.locator(".loupe")
    loupe.wait_for()
    box = loupe.bounding_box()
    assert box is not None
    assert not (box["x"] <= x + 30 <= box["x"] + box["width"] and box["y"] <= y <= box["y"] + box["height"])
    visitor.touch("touchStart", (x + 30, y), (x + 90, y))
    visitor.touch("touchEnd")
    loupe.wait_for(state="hidden")
    assert page.get_by_text("Nothing changed yet.").is_visible()
