"""Rules the page keeps on every screen: names, contrast, targets, files, and the library's own rounding."""

import itertools
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from flatmeasure import Quantity
from flatmeasure.units import LengthUnit, format_quantity, nearest_sixteenth, parse_length
from tests.service.servers import PLAID, Server, send_photo

pytest.importorskip("playwright.sync_api")

from tests.service.browser import CHROMIUM, DESKTOP, PHONE, SHOWN_MS, Visitor

PAGE = Path(__file__).parents[3] / "service" / "page"
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
SCREENS = {  # address, and what stands there when it is ready
    "": ".card",
    "#/m/{measurement}": ".chip",
    "#/stash": ".piece-card",
    "#/enough": ".pick-row",
    "#/answer/{answer}": ".chip",
}
NARROW = {**PHONE, "viewport": {"width": 320, "height": 640}}  # reflow: WCAG 2.2, 1.4.10
TABS = ("Measures", "Correct", "Label", "Keep")
CONTROLS = {"button", "link", "textbox", "searchbox", "combobox", "checkbox", "radio", "slider", "tab", "spinbutton"}

# Contrast ratio by WCAG 2.2, 1.4.3 and its definitions of relative luminance and large text. A photo is no known
# ground: text on it must stand on one of its own.
CONTRAST = """() => {
  const parse = (c) => { const m = c.match(/[\\d.]+/g).map(Number); return [m[0], m[1], m[2], m[3] ?? 1]; };
  const linear = (v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
  const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  const over = (top, under) => top.slice(0, 3).map((v, i) => v * top[3] + under[i] * (1 - top[3]));
  const found = [];
  for (const element of document.querySelectorAll("body *")) {
    const own = [...element.childNodes].some((node) => node.nodeType === 3 && node.data.trim()) || element.placeholder;
    const box = element.getBoundingClientRect();
    const seen = element.checkVisibility({ visibilityProperty: true }) && box.width > 1;
    if (!own || !seen || element.closest("svg, noscript")) continue;
    const layers = [];
    let ground = null;
    for (let at = element; at && !ground; at = at.parentElement) {
      const colour = parse(getComputedStyle(at).backgroundColor);
      if (colour[3] > 0) layers.push(colour);
      if (colour[3] === 1) ground = at;
    }
    let below = ground ? layers.pop().slice(0, 3) : [255, 255, 255];
    if (element.closest(".pins")) below = [255, 255, 255];
    for (const layer of layers.reverse()) below = over(layer, below);
    const style = getComputedStyle(element, element.placeholder && !element.value ? "::placeholder" : null);
    const ink = over(parse(style.color), below);
    const [a, b] = [light(ink), light(below)].sort((p, q) => q - p);
    const size = parseFloat(style.fontSize);
    const needed = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700) ? 3 : 4.5;
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < needed) found.push(`${ratio.toFixed(2)}: ${element.className} ${element.textContent.slice(0, 40)}`);
  }
  return found;
}"""

# Target size by WCAG 2.2, 2.5.5: 44 by 44 CSS px; a control's label and what it spreads over count with it.
SMALL_TARGETS = """() => {
  const found = [];
  for (const element of document.querySelectorAll("a, button, input, select, summary")) {
    if (!element.checkVisibility() || element.closest(".skip")) continue;
    const target = element.matches("[type=checkbox], [type=radio]") ? element.closest("label") ?? element : element;
    const box = target.getBoundingClientRect();
    if (box.width <= 1 || element.closest(".chip")) continue;
    const [width, height] = [Math.round(box.width), Math.round(box.height)];
    if (width < 44 || height < 44) found.push(`${width} x ${height}: ${element.outerHTML.slice(0, 90)}`);
  }
  return found;
}"""

OVERFLOWING = """() => {
  const boxes = [document.documentElement, ...document.querySelectorAll(".panel")];
  return Math.max(...boxes.map((box) => box.scrollWidth - box.clientWidth));
}"""


@pytest.fixture(scope="module")
def stocked(served: Server) -> dict[str, str]:
    """Ids of a measurement and an answer that the service holds."""
    measured = send_photo(served.client, PLAID, {"square_mm": 100}).json()
    pieces = [{"name": "pocket", "rectangle": [140, 160], "count": 2}]
    pattern = {"schema": "flatmeasure.pattern/1", "unit": "mm", "pieces": pieces}
    question = {"cloth": [f"{measured['id']}:A"], "pattern": pattern, "effort": "quick"}
    return {"measurement": measured["id"], "answer": served.client.post("/v1/answers", json=question).json()["id"]}


def screens(visitor: Visitor, ids: dict[str, str]) -> Iterator[str]:
    """Every screen and tab, one after the other."""
    for screen, ready in SCREENS.items():
        visitor.open(screen.format(**ids))
        visitor.page.locator(ready).first.wait_for(timeout=SHOWN_MS)
        for details in visitor.page.locator("details").all():
            details.evaluate("e => { e.open = true }")
        if "/m/" not in screen:
            yield screen
            continue
        for tab in TABS:
            visitor.tab(tab)
            yield f"{screen} {tab}"


@needs_chromium
@pytest.mark.parametrize(
    ("device", "scheme"),
    [(PHONE, "light"), (PHONE, "dark"), (DESKTOP, "light"), (DESKTOP, "dark"), (NARROW, "light")],
    ids=["phone light", "phone dark", "desktop light", "desktop dark", "narrow"],
)
def test_every_screen_is_legible(
    served: Server, stocked: dict[str, str], browser: Any, device: dict[str, Any], scheme: str
) -> None:
    """Contrast, target sizes, nothing wider than the screen, a name for every control (as Chromium computes it)."""
    visitor = Visitor(browser, served.url, device, color_scheme=scheme)
    tree = visitor.context.new_cdp_session(visitor.page)
    for screen in screens(visitor, stocked):
        assert visitor.page.evaluate(CONTRAST) == [], screen
        assert visitor.page.evaluate(SMALL_TARGETS) == [], screen
        assert visitor.page.evaluate(OVERFLOWING) <= 0, screen
        nodes = tree.send("Accessibility.getFullAXTree")["nodes"]
        controls = [node for node in nodes if not node["ignored"] and node["role"]["value"] in CONTROLS]
        assert len(controls) > 4
        assert [node for node in controls if not node.get("name", {}).get("value", "").strip()] == [], screen
    visitor.close()
    assert visitor.complaints == []


@needs_chromium
def test_rules_notice_what_they_are_for(served: Server, browser: Any) -> None:
    """Grey on white is 2.3 : 1 for #aaa (WCAG's own formula by hand: (1.05) / (0.402 + 0.05) = 2.32)."""
    visitor = Visitor(browser, served.url, PHONE)
    visitor.open()
    faults = """() => {
      const button = document.createElement("button");
      button.className = "fault";
      document.querySelector("h1").append(button, "faint");
      const rule = "h1 { color: #aaa !important; background: #fff; font-size: 16px !important; width: 60rem }";
      document.styleSheets[0].insertRule(rule);
    }"""
    visitor.page.evaluate(faults)
    assert [text for text in visitor.page.evaluate(CONTRAST) if text.startswith("2.32")]
    assert [text for text in visitor.page.evaluate(SMALL_TARGETS) if "fault" in text]
    assert visitor.page.evaluate(OVERFLOWING) > 0
    visitor.close()


@needs_chromium
def test_numbers_read_as_the_library_writes_them(served: Server, browser: Any) -> None:
    """The page's rounding against flatmeasure.units, digit for digit."""
    visitor = Visitor(browser, served.url, DESKTOP)
    visitor.open()
    values = [0.037, 1.0, 9.949, 12.35, 99.96, 702.31, 2217.4, 15_000.0, 288_927.2, 1_234_567.8]
    shares = [1e-4, 0.00178, 0.0049, 0.021, 0.3]
    given = [
        {"value": value, "u": value * share, "unit": unit}
        for value, share, unit in itertools.product(values, shares, ("mm", "mm2", "deg"))
    ]
    script = """async (given) => { const u = await import("/modules/units.js");
      return given.map((q) => ["mm", "cm", "in"].map((unit) => u.format(q, unit)).concat(u.sixteenths(q.value))); }"""
    shown = visitor.page.evaluate(script, given)
    for quantity, texts in zip(given, shown, strict=True):
        wanted = [format_quantity(Quantity(**quantity), LengthUnit(unit)) for unit in ("mm", "cm", "in")]
        assert [text.replace("\u00a0", " ") for text in texts[:3]] == wanted
        assert texts[3] == nearest_sixteenth(quantity["value"])
    typed = ["100", "12.5", "0,8", "5/8", "1 1/2", "abc", "", "-3", "1/0"]
    script = """async (texts) => { const u = await import("/modules/units.js");
      return texts.map((text) => u.parseMm(text, "in")); }"""
    read = visitor.page.evaluate(script, typed)
    assert [round(mm, 6) for mm in read[:5]] == [round(parse_length(f"{text} in"), 6) for text in typed[:5]]
    assert all(mm != mm for mm in read[5:])
    visitor.close()


def test_offline_shell_holds_every_file() -> None:
    """What the worker keeps is what the page consists of, and a file of it that is gone would stop the whole shell."""
    listed = (PAGE / "worker.js").read_text("utf-8")
    block = listed[listed.index("const FILES") : listed.index("];")]
    groups = re.findall(r"\.\.\.\[([^\]]*)\]\.map\(\(name\) => `([^`]*)`\)", block)
    kept = {template.replace("${name}", name) for names, template in groups for name in re.findall(r'"([^"]+)"', names)}
    kept |= set(re.findall(r'"([^"]+\.[a-z]+)"', re.sub(r"\.\.\.\[[^\]]*\]", "", block)))
    there = {str(file.relative_to(PAGE)) for file in PAGE.rglob("*") if file.is_file() and file.suffix != ".png"}
    assert kept == there - {"index.html", "worker.js", "modules/types.js"}


def test_page_keeps_to_a_strict_policy() -> None:
    """No inline script, style or handler, and no other host in any file."""
    html = (PAGE / "index.html").read_text("utf-8")
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=|<script(?![^>]*\ssrc=)", html)
    for file in PAGE.rglob("*"):
        if file.suffix in (".html", ".css", ".js", ".webmanifest"):
            hosts = set(re.findall(r"https?://[^\s\"'`]+", file.read_text("utf-8")))
            assert hosts <= {"http://www.w3.org/2000/svg"}, file


def test_manifest_makes_it_installable() -> None:
    """Names, start, display and icons of 192 and 512 px (Web Application Manifest, W3C)."""
    manifest = json.loads((PAGE / "manifest.webmanifest").read_text("utf-8"))
    assert {"name", "short_name", "start_url", "display", "icons"} <= set(manifest)
    assert {"192x192", "512x512"} <= {icon["sizes"] for icon in manifest["icons"]}
    for icon in manifest["icons"]:
        content = (PAGE / icon["src"]).read_bytes()
        if icon["type"] == "image/png":
            side = int.from_bytes(content[16:20], "big")  # width in the IHDR chunk (PNG, 11.2.1)
            assert f"{side}x{side}" == icon["sizes"]
