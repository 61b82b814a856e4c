"""`flatmeasure export`: files written and read back, plain refusals."""

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from flatmeasure.cli import app
from flatmeasure.enough.pattern_file import read_pattern
from flatmeasure.errors import OptionInvalid
from flatmeasure.pieces.piece_json import pieces_to_dict
from tests.panels import darted, gore


def run(*words: Any) -> str:
    result = CliRunner().invoke(app, ["export", *(str(word) for word in words)], catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    paths = []
    for name, panel in (("skirt", gore()), ("bodice", darted())):
        paths.append(tmp_path / f"{name}.json")
        paths[-1].write_text(json.dumps(pieces_to_dict([panel])))
    return paths


def test_all_formats(files: list[Path], tmp_path: Path) -> None:
    outputs = {f"--{kind}": tmp_path / f"out.{kind}" for kind in ("svg", "dxf", "pdf", "csv")}
    said = run(*files, *(word for pair in outputs.items() for word in pair), "--paper", "a4", "--layers", "astm")
    assert said.count("Written: ") == 5
    for kind in ("svg", "dxf"):
        back = read_pattern(tmp_path / f"out.{kind}")
        assert [piece.name for piece in back] == ["skirt A", "bodice A"]
        assert back[0].drawn.area == pytest.approx(gore().polygon.area, rel=1e-5)
    assert (tmp_path / "out.pdf").read_bytes().startswith(b"%PDF")
    rows = list(csv.DictReader((tmp_path / "out.csv").read_text().splitlines()))
    assert [row["source"] for row in rows] == ["skirt.json"] * 4 + ["bodice.json"] * 9
    assert len(list(csv.DictReader((tmp_path / "out-pieces.csv").read_text().splitlines()))) == 2


def test_report_of_a_photo(test_images: Path, tmp_path: Path) -> None:
    run(test_images / "gore_navy.jpg", "--square", "100mm", "--thickness", "0.8mm", "--report", tmp_path / "r.html")
    text = (tmp_path / "r.html").read_text()
    assert "gore_navy.jpg" in text
    assert "data:image/jpeg;base64," in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "Say what to write"),
        (["--svg", "out.dxf"], "must end in .svg"),
        (["--pdf", "out.pdf", "--paper", "a0"], "The paper 'a0' is not known: choose sheet, a4 or letter."),
        (["--dxf", "out.dxf", "--layers", "1"], "The layers '1' are not known: choose plain or astm."),
        (["--report", "out.html"], "of one photo"),
    ],
)
def test_refusals(
    words: list[str], said: str, files: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(OptionInvalid, match=said):
        run(*files, *words)
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".json", ".json"]


def test_input_is_not_overwritten(files: list[Path]) -> None:
    with pytest.raises(OptionInvalid):
        run(files[0], "--svg", files[0])
