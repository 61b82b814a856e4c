"""``flatmeasure enough`` from files to text, JSON and drawings."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from flatmeasure.cli import app
from flatmeasure.errors import FlatMeasureError, OptionInvalid
from flatmeasure.piece_json import pieces_to_dict
from tests.panels import rectangle

RUN = CliRunner()


@pytest.fixture
def cloth(tmp_path: Path) -> Path:
    path = tmp_path / "cloth.json"
    path.write_text(json.dumps(pieces_to_dict([rectangle(500.0, 400.0)])))
    return path


def pattern(folder: Path, width_cm: float, count: int = 1) -> Path:
    path = folder / "pattern.json"
    piece = {"name": "panel", "rectangle": [width_cm, 30], "count": count, "allowance": {"wanted": 1}}
    path.write_text(json.dumps({"schema": "flatmeasure.pattern/1", "unit": "cm", "pieces": [piece]}))
    return path


def test_enough(cloth: Path, tmp_path: Path) -> None:
    arguments = [str(cloth), "--pattern", str(pattern(tmp_path, 20, 2)), "--grain", "A2", "--unit", "cm"]
    arguments += ["--json", str(tmp_path / "layout.json"), "--drawing", str(tmp_path / "layout.svg")]
    result = RUN.invoke(app, ["enough", *arguments], catch_exceptions=False)
    assert result.exit_code == 0
    assert result.stdout.startswith("Enough: all pieces fit, with ")
    assert " cm to spare" in result.stdout
    layout = json.loads((tmp_path / "layout.json").read_text())
    assert layout["verdict"] == "enough"
    assert [piece["name"] for piece in layout["pieces"]] == ["panel 1", "panel 2"]
    assert (tmp_path / "layout.svg").read_bytes().startswith(b"<?xml")


def test_not_enough_says_why(cloth: Path, tmp_path: Path) -> None:
    result = RUN.invoke(app, ["enough", str(cloth), "--pattern", str(pattern(tmp_path, 60)), "--grain", "A2"])
    assert result.exit_code == 0
    assert result.stdout.startswith("Not enough: panel (320 mm along its grain and 620 mm across) fits nowhere")


def test_same_answer_twice(cloth: Path, tmp_path: Path) -> None:
    arguments = ["enough", str(cloth), "--pattern", str(pattern(tmp_path, 13, 2)), "--effort", "quick", "--grain", "A2"]
    first, second = (
        RUN.invoke(app, [*arguments, "--json", str(tmp_path / f"{k}.json")], catch_exceptions=False) for k in (1, 2)
    )
    assert first.stdout == second.stdout
    assert (tmp_path / "1.json").read_text() == (tmp_path / "2.json").read_text()


def test_unknown_grain_is_said(cloth: Path, tmp_path: Path) -> None:
    result = RUN.invoke(app, ["enough", str(cloth), "--pattern", str(pattern(tmp_path, 20))])
    assert "grain of A is not known" in result.stderr


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        (["--effort", "huge"], "quick, normal or long"),
        (["--tolerance", "80"], "makes no sense"),
        (["--face", "left"], "right, wrong or both"),
        (["--drawing", "layout.jpg"], "must end in"),
        (["--grain", "A9"], "no edge"),
    ],
)
def test_faults(cloth: Path, tmp_path: Path, extra: list[str], said: str) -> None:
    arguments = ["enough", str(cloth), "--pattern", str(pattern(tmp_path, 20)), *extra]
    result = RUN.invoke(app, arguments)
    assert isinstance(result.exception, OptionInvalid)
    assert said in str(result.exception)


def test_bad_pattern_is_one_sentence(cloth: Path, tmp_path: Path) -> None:
    path = tmp_path / "broken.json"
    path.write_text("{")
    result = RUN.invoke(app, ["enough", str(cloth), "--pattern", str(path)])
    assert isinstance(result.exception, FlatMeasureError)
    assert "broken.json is not JSON" in str(result.exception)
