"""The report: every figure of the measurement, nothing that runs, whatever the names are."""

import copy
from html.parser import HTMLParser
from typing import Any

import pytest

from flatmeasure.errors import PieceUnreadable
from flatmeasure.exports.report import report_html
from flatmeasure.pieces.piece_json import pieces_to_dict
from flatmeasure.quantity import Quantity
from flatmeasure.units import LengthUnit, format_quantity
from tests.panels import gore

HOSTILE = '"><img src=x onerror=alert(1)><script>alert(2)</script>'
TAGS = {
    *("html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "section", "figure", "img", "div", "small"),
    *("ul", "li", "table", "thead", "tbody", "tr", "th", "td", "dl", "dt", "dd", "p"),
}
VOID = {"meta", "img", "br", "hr", "link"}


class Page(HTMLParser):
    """Tags, attributes and text; refuses tags that are not closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())


@pytest.mark.parametrize("unit", list(LengthUnit))
def test_every_figure_is_told(unit: LengthUnit, measurements: dict[str, dict[str, Any]]) -> None:
    for data in measurements.values():
        text = Page(report_html(data, b"\xff\xd8jpeg", unit)).text
        for piece in data["pieces"]:
            for told in [piece["area"], piece["perimeter"], *(edge["length"] for edge in piece["edges"])]:
                assert format_quantity(Quantity(**told), unit) in text
        for note in data["warnings"]:
            assert note["message"] in text
        assert data["photo"]["sha256"] in text


def test_notes_are_told(measurements: dict[str, dict[str, Any]]) -> None:
    data = copy.deepcopy(measurements["gore_navy"])
    data["pieces"][0] |= {"name": "Skirt gore", "labels": {"A1": "hem"}, "allowances_mm": {"A1": 30, "A2": -15}}
    text = Page(report_html(data, None)).text
    assert "Piece A Skirt gore" in text
    assert "A1 hem" in text
    assert "with 30 mm allowance" in text
    assert "plus 15 mm allowance" in text


def test_nothing_runs_and_nothing_is_fetched(measurements: dict[str, dict[str, Any]]) -> None:
    data = copy.deepcopy(measurements["gore_navy"])
    data["photo"]["name"] = HOSTILE
    data["pieces"][0] |= {"name": HOSTILE, "labels": {"A1": HOSTILE}, "along_edge": HOSTILE}
    data["warnings"] = [{"code": "x", "message": HOSTILE, "advice": HOSTILE}]
    data["pieces"][0]["area_budget"] = [{"cause": HOSTILE, "u": 5.0}]
    data["rectification"]["references"][0]["kind"] = HOSTILE
    page = Page(report_html(data, b"jpeg"))
    assert set(page.tags) <= TAGS
    assert page.tags.count("img") == 1
    assert not [name for name, _ in page.attributes if name.startswith("on")]
    assert [value[:23] for name, value in page.attributes if name == "src" and value] == ["data:image/jpeg;base64,"]
    assert "href" not in dict(page.attributes)
    assert page.text.count("<script>alert(2)</script>") >= 6  # said, not run


def test_pieces_made_by_hand_have_a_report() -> None:
    """Without photo, chords and angles: what is there is told."""
    page = Page(report_html(pieces_to_dict([gore()]), None))
    assert "Measured: cloth" in page.text
    assert "img" not in page.tags


def test_no_measurement() -> None:
    with pytest.raises(PieceUnreadable):
        report_html({"schema": "flatmeasure.measurement/1", "pieces": []}, None)
