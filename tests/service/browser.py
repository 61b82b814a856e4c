"""A browser that looks at the page as people do, and writes down whatever goes wrong in it."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, CDPSession, ConsoleMessage, Locator, Page, sync_playwright

CHROMIUM = shutil.which("chromium")
_QUIET = ["--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update"]
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-sync", *_QUIET]
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "has_touch": True,
    "is_mobile": True,
}
DESKTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 800}}
SHOWN_MS = 60_000
_BLOCKED = "Service Worker registration blocked by Playwright"


@contextmanager
def browsing() -> Iterator[Browser]:
    """Chromium without a window."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


class Visitor:
    """One person with one device, and what the browser complained of meanwhile."""

    def __init__(self, browser: Browser, url: str, device: dict[str, Any], **more: Any) -> None:
        self.url = url
        quiet = {"reduced_motion": "reduce", "service_workers": "block"}  # which would fetch every file once more
        self.context: BrowserContext = browser.new_context(**{**quiet, **device, **more})
        self.page: Page = self.context.new_page()
        self.complaints: list[str] = []
        self.hosts: set[str] = set()
        self._fingers: CDPSession | None = None
        self.page.on("console", self._note)
        self.page.on("filechooser", lambda chooser: None)  # taken from the browser before anybody asks for one
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.hosts.add(request.url.split("/")[2]))

    def _note(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and message.text != _BLOCKED:
            self.complaints.append(message.text)

    def open(self, where: str = "") -> None:
        """Go to a screen and wait until something stands there."""
        self.page.goto(f"{self.url}/{where}")
        self.page.locator("main h1, main .result").first.wait_for(timeout=SHOWN_MS)

    def choose_photo(self, photo: Path, side: str = "100") -> None:
        """Say the square's side and choose a photo."""
        self.page.get_by_label("Side of your square").fill(side)
        with self.page.expect_file_chooser() as chooser:
            self.page.get_by_role("button", name="Choose a photo").click()
        chooser.value.set_files(photo)

    def measure(self, photo: Path, side: str = "100") -> str:
        """Measure a photo from the first screen on; the measurement's id."""
        self.open()
        self.choose_photo(photo, side)
        self.page.locator(".result .chip").first.wait_for(timeout=SHOWN_MS)
        self.page.locator(".photo image[href]").wait_for(state="attached", timeout=SHOWN_MS)
        return self.page.url.rsplit("/", 1)[1]

    def tab(self, name: str) -> None:
        """One of the tabs beside the photo."""
        self.page.get_by_role("tab", name=name).click()

    def middle(self, place: Locator) -> tuple[float, float]:
        """Where on the screen an element's middle is."""
        box = place.bounding_box()
        assert box is not None
        return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    def drag(self, points: list[tuple[float, float]]) -> None:
        """Press, go along the points, and let go."""
        mouse = self.page.mouse
        mouse.move(*points[0])
        mouse.down()
        for point in points[1:]:
            mouse.move(*point, steps=4)
        mouse.up()

    def close(self) -> None:
        """Leave."""
        self.context.close()

    def touch(self, kind: str, *points: tuple[float, float]) -> None:
        """All fingers that are on the screen, as "touchStart", "touchMove" or "touchEnd" (none) tell it."""
        if self._fingers is None:
            self._fingers = self.context.new_cdp_session(self.page)
        at = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(points)]
        self._fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})


Visit = Callable[..., Visitor]
