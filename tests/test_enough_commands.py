"""``flatmeasure enough`` from files to text, JSON and drawings."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from flatmeasure.cli import app
from flatmeasure.enough.pattern_file import read_pattern
from flatmeasure.errors import FlatMeasureError, OptionInvalid
from flatmeasure.pieces.piece_json import pieces_to_dict
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
    assert result.stdout.splitlines()[1] == "No piece found a place."


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


def test_way_out_as_new_pattern_pieces(cloth: Path, tmp_path: Path) -> None:
    """Cloth of 500 x 400 mm, a panel of 620 x 190: no; as two parts with 1 cm at the seam: yes."""
    arguments = [str(cloth), "--pattern", str(pattern(tmp_path, 60)), "--grain", "A2", "--effort", "quick"]
    arguments += ["--save", str(tmp_path / "parts.json"), "--json", str(tmp_path / "layout.json")]
    arguments += ["--drawing", str(tmp_path / "layout.svg"), "--unit", "cm"]
    narrower = tmp_path / "pattern.json"
    narrower.write_text(narrower.read_text().replace("30]", "17]"))
    result = RUN.invoke(app, ["enough", *arguments], catch_exceptions=False)
    assert "A way out: Make panel of 2 parts" in result.stdout
    parts = read_pattern(tmp_path / "parts.json")
    assert [piece.name for piece in parts] == ["panel, left part", "panel, right part"]
    assert sum(piece.cut.area for piece in parts) == pytest.approx((620.0 + 20.0) * 190.0, rel=1e-6)
    layout = json.loads((tmp_path / "layout.json").read_text())
    assert layout["way_out"]["layout"]["verdict"] == "enough"
    assert "1 cm of allowance on both sides" in result.stdout  # the text in the unit chosen, JSON in mm
    assert "10 mm of allowance on both sides" in layout["way_out"]["message"]
    assert layout["way_out"]["layout"]["leftovers"]["bias_binding"]["width_mm"] == 40.0
    assert "new seam, " in (tmp_path / "layout-parts.svg").read_text()


def test_buy(tmp_path: Path) -> None:
    """Three panels of 220 x 320 mm on 70 cm: side by side, 32 cm long."""
    path = pattern(tmp_path, 20, 3)
    result = RUN.invoke(app, ["buy", str(path), "--width", "70cm", "--width", "20cm"], catch_exceptions=False)
    assert result.stdout.splitlines() == [
        "     70 cm wide: buy 35 cm (32 cm as laid, 94% of it used)",
        "     20 cm wide: too narrow, a piece does not fit across",
    ]


def test_buy_shows_how_to_lay_and_what_is_left(tmp_path: Path) -> None:
    """Three panels of 220 x 320 mm on 70 cm by 35 cm, of which 4 x 35 cm at one side or 3 x 70 cm are left at least."""
    path = pattern(tmp_path, 20, 3)
    files = ["--json", str(tmp_path / "buy.json"), "--drawing", str(tmp_path / "buy.svg")]
    result = RUN.invoke(app, ["buy", str(path), "--width", "70cm", *files], catch_exceptions=False)
    assert "a rectangle of 70 cm by 3 cm on cloth of 70 cm by 35 cm" in result.stdout
    assert "cloth of 70 cm by 35 cm: right side, grain up" in (tmp_path / "buy.svg").read_text()
    (width,) = json.loads((tmp_path / "buy.json").read_text())["widths"]
    assert (width["width_mm"], width["buy_mm"]) == (700.0, 350.0)
    assert len(width["layout"]["pieces"]) == 3
    assert width["layout"]["leftovers"]["rectangles"]


def test_buy_ended_early_still_lays_all(tmp_path: Path) -> None:
    result = RUN.invoke(app, ["buy", str(pattern(tmp_path, 20, 3)), "--limit", "0"], catch_exceptions=False)
    *widths, last = result.stdout.splitlines()
    assert [line.split("buy")[0].strip() for line in widths] == [f"{k} cm wide:" for k in (60, 90, 112, 140, 150)]
    assert last == "The search was ended early: more time may find more."


def test_same_names_in_two_files(cloth: Path, tmp_path: Path) -> None:
    """Two files of measured pieces, each with a piece A, on cloth called A."""
    files = []
    for name in ("left", "right"):
        files.append(tmp_path / f"{name}.json")
        files[-1].write_text(json.dumps(pieces_to_dict([rectangle(100.0, 80.0)])))
    patterns = [word for file in files for word in ("--pattern", str(file))]
    result = RUN.invoke(app, ["enough", str(cloth), *patterns, "--effort", "quick"], catch_exceptions=False)
    assert "  A: left:A; right:A (" in result.stdout


def test_many_copies_are_counted_not_listed(cloth: Path, tmp_path: Path) -> None:
    path = pattern(tmp_path, 4, 12)
    path.write_text(path.read_text().replace("30]", "5]"))
    result = RUN.invoke(app, ["enough", str(cloth), "--pattern", str(path), "--grain", "A2"], catch_exceptions=False)
    assert result.stdout.splitlines()[1].startswith("  A: panel (12 times) (")


def test_photo_straight_away(tmp_path: Path) -> None:
    photo = Path(__file__).parents[1] / "test_images" / "holed_plaid.jpg"
    arguments = [str(photo), "--square", "100mm", "--thickness", "1mm", "--pattern", str(pattern(tmp_path, 12))]
    result = RUN.invoke(app, ["enough", *arguments, "--effort", "quick"], catch_exceptions=False)
    assert result.stdout.startswith("Enough: all pieces fit")


def test_grain_of_each_of_several_cloths(cloth: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.json"
    other.write_text(cloth.read_text())
    arguments = ["enough", str(cloth), str(other), "--pattern", str(pattern(tmp_path, 20))]
    result = RUN.invoke(app, [*arguments, "--grain", "A2", "--grain", "other:A:A1"], catch_exceptions=False)
    assert "not known" not in result.stderr
    assert result.stdout.splitlines()[1].startswith("  cloth:A: ")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo terminals")
def test_ctrl_c_gives_the_best_so_far(cloth: Path, tmp_path: Path) -> None:
    """Five panels of 220 x 160 mm may lie on 500 x 400 mm by area, yet four do: the search would go on for minutes."""
    path = pattern(tmp_path, 20, 5)
    path.write_text(path.read_text().replace("30]", "14]"))
    terminal, stderr = os.openpty()
    command = "import sys; from flatmeasure.cli import main; sys.exit(main())"
    options = ["--pattern", str(path), "--grain", "A2", "--effort", "long", "--json", str(tmp_path / "layout.json")]
    with subprocess.Popen(
        [sys.executable, "-c", command, "enough", str(cloth), *options],
        stdout=subprocess.PIPE,
        stderr=stderr,
        text=True,
    ) as running:
        shown = b""
        while b"Ctrl-C takes the best so far" not in shown:
            shown += os.read(terminal, 1000)
        running.send_signal(signal.SIGINT)
        text, _ = running.communicate(timeout=60)
    os.close(stderr)
    os.close(terminal)
    assert running.returncode == 0
    assert b"% search 1 of" in shown
    assert "The most valuable that fits: all but panel" in text
    assert text.splitlines()[-1] == "The search was ended early: more time may find more."
    layout = json.loads((tmp_path / "layout.json").read_text())
    assert layout["stopped"] is True
    assert len(layout["pieces"]) >= 1
