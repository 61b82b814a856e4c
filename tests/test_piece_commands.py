"""The commands of `flatmeasure piece`: the numbers of the library, files written and read back, plain refusals."""

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from typer.testing import CliRunner

from flatmeasure.commands.piece_commands import app
from flatmeasure.errors import FlatMeasureError, OptionInvalid
from flatmeasure.photos.camera import project, to_plane
from flatmeasure.pieces.allowance import apply_allowance
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_file import read_panels
from flatmeasure.pieces.piece_json import pieces_to_dict
from tests.panels import darted, gore
from tests.test_picture_map import CAMERA, SIZE, pose, remembered


def bodice() -> Panel:
    panel = darted()
    return replace(panel, id="B", edges=tuple(replace(edge, id=edge.id.replace("A", "B")) for edge in panel.edges))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A skirt gore A and a bodice B in one photo."""
    data = pieces_to_dict([gore(), bodice()])
    seen = remembered(gore())
    data["rectification"] = seen["rectification"]
    for piece, panel in zip(data["pieces"], (gore(), bodice()), strict=True):
        corners = np.column_stack([panel.outline_mm, np.zeros(len(panel.outline_mm))])
        piece["outline_px"] = project(corners, CAMERA, pose()).tolist()
    path = tmp_path / "skirt.json"
    path.write_text(json.dumps(data))
    return path


def run(*words: Any) -> str:
    result = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def found(path: Path) -> Any:
    data = json.loads(path.read_text())
    assert data["schema"] == "flatmeasure.piece/1"
    return data["found"]


def test_show(file: Path, tmp_path: Path) -> None:
    said = run("show", file, "--unit", "cm", "--json", tmp_path / "out.json", "--drawing", tmp_path / "out.svg")
    assert "Piece A: 1849 ± 9 cm²" in said
    assert re.search(r"A2\s+straight\s+59\.93 ± 0\.15 cm", said)
    assert "Dart B2+B3 between B1 and B4: 3.00 ± 0.05 cm wide" in said
    assert "Grain: unknown" in said
    assert [piece["piece"] for piece in found(tmp_path / "out.json")] == ["A", "B"]
    assert found(tmp_path / "out.json")[1]["cuts"][0]["kind"] == "dart"
    assert ElementTree.parse(tmp_path / "out.svg").getroot().tag.endswith("svg")


def test_note(file: Path) -> None:
    run(
        "note", file, "--piece", "A", "--label", "A1=hem", "--label", "A2=side seam", "--grain", "A2-1.5", "--layers", 2
    )
    panel = read_panels(file)[0]
    assert (panel.edge("hem").id, panel.layers) == ("A1", 2)
    assert panel.grain is not None
    assert panel.grain.angle_deg == pytest.approx(np.degrees(np.arctan2(590.0, -105.0)) - 1.5)
    said = run("show", file, "--piece", "A")
    assert "side seam" in said
    assert "Grain from edge A2" in said
    assert "2 layers" in said
    assert "rectification" in json.loads(file.read_text())  # what was measured stays


def test_note_of_a_flaw_in_the_photo(file: Path) -> None:
    """A flaw shown at the pixel where the mat's point (20, 250) is seen lies there, 40 mm across."""
    x, y = project(np.array([[20.0, 250.0, 0.0]]), CAMERA, pose())[0]
    run("note", file, "--piece", "A", "--flaw", f"{x:.2f},{y:.2f},40mm")
    (flaw,) = read_panels(file)[0].flaws_mm
    assert flaw.mean(axis=0) == pytest.approx([20.0, 250.0], abs=0.02)
    assert np.ptp(flaw, axis=0) == pytest.approx([40.0, 40.0], abs=0.2)


def test_note_of_a_suspected_flaw(file: Path) -> None:
    """By its number: the zone that was proposed, as it was seen."""
    data = json.loads(file.read_text())
    zone = [[20.0, 250.0], [60.0, 260.0], [40.0, 300.0]]
    data["pieces"][0]["flaws"] = [{"kind": "stain", "confidence": 0.6, "outline_mm": zone, "outline_px": zone}]
    file.write_text(json.dumps(data))
    run("note", file, "--piece", "A", "--flaw", "1")
    (flaw,) = read_panels(file)[0].flaws_mm
    assert flaw.tolist() == zone
    for piece, number, message in (("A", "2", "count from 1 to 1"), ("B", "1", "none is suspected")):
        refused = CliRunner().invoke(app, ["note", str(file), "--piece", piece, "--flaw", number])
        assert refused.exit_code != 0
        assert message in str(refused.exception) + refused.output


def test_note_of_the_grain_in_the_photo(file: Path, tmp_path: Path) -> None:
    import cv2

    row, column = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float64)
    mat = to_plane(np.column_stack([column.ravel(), row.ravel()]), CAMERA, pose())
    stripes = np.where((mat[:, 0] / 18.0) % 1.0 < 0.5, 90, 140).reshape(SIZE)
    noise = np.random.default_rng(4).normal(0.0, 3.0, SIZE)
    cv2.imwrite(str(tmp_path / "photo.png"), np.repeat((stripes + noise)[..., None], 3, axis=2).astype(np.uint8))
    run("note", file, "--piece", "A", "--grain", "seen", "--photo", tmp_path / "photo.png")
    grain = read_panels(file)[0].grain
    assert grain is not None
    assert grain.angle_deg == pytest.approx(90.0, abs=0.5)


def test_seam(file: Path, tmp_path: Path) -> None:
    run("seam", file, "5/8in", "--edge", "A3=0", "--piece", "A", "--json", tmp_path / "out.json")
    (piece,) = found(tmp_path / "out.json")
    expected = apply_allowance(gore(), {"A1": 15.875, "A2": 15.875, "A4": 15.875})
    assert piece["seam"]["area"]["value"] == pytest.approx(expected.area.value, rel=1e-6)
    assert piece["seam"]["edges"][2]["allowance_mm"] == 0.0


def test_seam_to_another_allowance_and_saved(file: Path, tmp_path: Path) -> None:
    """From 1/2 in to 1/4 in and back again is the piece one began with."""
    run("seam", file, "1/2in", "--wanted", "1/4in", "--piece", "A", "--save", tmp_path / "narrow.json")
    run("seam", tmp_path / "narrow.json", "1/4in", "--wanted", "1/2in", "--save", tmp_path / "wide.json")
    assert read_panels(tmp_path / "wide.json")[0].polygon.symmetric_difference(gore().polygon).area < 1.0


def test_seam_says_what_is_eaten(file: Path) -> None:
    assert "none left" in run("seam", file, "70mm", "--piece", "B")


def test_width(file: Path, tmp_path: Path) -> None:
    run("note", file, "--piece", "A", "--label", "A1=hem")
    said = run(
        "width", file, "--from", "hem", "--at", "10cm", "--at", "30cm", "--within", "5cm-45cm", "--json", tmp_path / "o"
    )
    assert "widest" in said
    assert "Sides from 100 mm to 300 mm" in said
    assert [level["distance_mm"] for level in found(tmp_path / "o")["levels"]] == [100.0, 300.0]
    assert found(tmp_path / "o")["narrowest"]["distance_mm"] == pytest.approx(450.0)


def test_cut(file: Path, tmp_path: Path) -> None:
    said = run("cut", file, "--from", "A1", "--at", "250mm", "--save", tmp_path / "parts.json")
    assert "A-1" in said
    parts = read_panels(tmp_path / "parts.json")
    assert sum(part.area.value for part in parts) == pytest.approx(gore().area.value, rel=1e-6)


def test_cut_along_a_line_in_the_photo(file: Path, tmp_path: Path) -> None:
    """A seam straight across at 300 mm of the mat, shown by two pixels beside the piece."""
    ends = project(np.array([[-260.0, 300.0, 0.0], [260.0, 300.0, 0.0]]), CAMERA, pose())
    line = " ".join(f"{x:.2f},{y:.2f}" for x, y in ends)
    run("cut", file, "--piece", "A", "--line", line, "--json", tmp_path / "out.json", "--drawing", tmp_path / "out.svg")
    upper = [part for part in found(tmp_path / "out.json")["parts"] if min(y for _, y in part["outline_mm"]) > 200.0]
    assert min(y for _, y in upper[0]["outline_mm"]) == pytest.approx(300.0, abs=0.05)


def test_rectangle(file: Path, tmp_path: Path) -> None:
    said = run("rectangle", file, "--piece", "A", "--grain", "A1+90", "--shape", "3:2", "--json", tmp_path / "out.json")
    assert "along the grain" in said
    (piece,) = found(tmp_path / "out.json")
    assert piece["rectangle"]["length"]["value"] == pytest.approx(1.5 * piece["rectangle"]["width"]["value"])


def test_strips_of_two_files(file: Path, tmp_path: Path) -> None:
    run("note", file, "--piece", "A", "--grain", "A2")
    run("note", file, "--piece", "B", "--grain", "B9")
    other = tmp_path / "other.json"
    other.write_text(file.read_text())
    one = run("strips", file, "--width", "5cm", "--json", tmp_path / "one.json", "--drawing", tmp_path / "one.svg")
    run("strips", file, other, "--width", "5cm", "--json", tmp_path / "two.json")
    assert "sewn end to end" in one
    both = found(tmp_path / "two.json")
    assert both["total"]["value"] == pytest.approx(2.0 * found(tmp_path / "one.json")["total"]["value"])
    assert {strip["panel"] for strip in both["strips"]} == {"skirt:A", "skirt:B", "other:A", "other:B"}


def test_fold_and_compare(file: Path, tmp_path: Path) -> None:
    said = run("fold", file, "--piece", "A", "--save", tmp_path / "half.json", "--drawing", tmp_path / "half.svg")
    assert "symmetric within" in said
    assert read_panels(tmp_path / "half.json")[0].area.value == pytest.approx(gore().area.value / 2.0, rel=0.02)
    assert "at most 0.0" in run("compare", file, file, "--second", "A", "--same-way")


def test_match_and_total(file: Path) -> None:
    assert "No two edges" in run("match", file, "--ease", "0.1")
    assert "ease" in run("match", file, "--ease", "25")
    said = run("total", file, "--layers", "2", "--roll", "150cm")
    assert "1500 mm wide" in said
    assert "m²" in said


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["seam", "15"], "has no unit"),
        (["seam", "15mm", "--edge", "A9=0"], "no edge 'A9'"),
        (["seam", "15mm", "--edge", "A1"], "EDGE="),
        (["width", "--from", "C1", "--at", "10cm"], "no edge 'C1'"),
        (["width", "--from", "A1", "--at", "10m"], "there is no cloth"),
        (["width", "--from", "A1", "--at", "1cm", "--within", "9cm-2cm"], "smaller"),
        (["cut", "--from", "A1"], "either --from with --at"),
        (["cut", "--line", "1,1 2,2"], "which piece"),
        (["cut", "--piece", "A", "--line", "1,1 2,2"], "do not divide"),
        (["cut", "--piece", "A", "--line", "here"], "two or more points"),
        (["rectangle"], "grain of piece A is not known"),
        (["rectangle", "--direction", "up"], "along, across or bias"),
        (["rectangle", "--grain", "A1", "--shape", "wide"], "length to width"),
        (["strips", "--width", "5cm", "--ends", "round"], "square or slanted"),
        (["show", "--piece", "Z"], "no piece 'Z'"),
        (["show", "--drawing", "x.png"], "must end in .svg"),
        (["note", "--piece", "A", "--grain", "seen"], "--photo"),
        (["note", "--piece", "A", "--flaw", "3,3,20mm"], "does not lie on piece A"),
        (["note", "--piece", "A", "--flaw", "spot"], "a pixel of the photo and a size"),
        (["note", "--piece", "A", "--layers", "0"], "layers"),
        (["compare", "--second", "C"], "no piece 'C'"),
    ],
)
def test_refusals_are_sentences(file: Path, words: list[str], message: str) -> None:
    before = file.read_text()
    with pytest.raises(FlatMeasureError, match=message):
        run(words[0], file, *words[1:])
    assert file.read_text() == before


def test_own_file_is_not_overwritten(file: Path) -> None:
    with pytest.raises(OptionInvalid):
        run("seam", file, "15mm", "--save", file)
