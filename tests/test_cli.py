"""The command line: exit status, streams, and files that are there whole or not at all."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from flatmeasure.errors import ClothNotFound, FlatMeasureError, OptionInvalid, PhotoUnreadable, ReferenceNotFound
from flatmeasure.photos.photo import DEFAULT_MEGAPIXELS
from flatmeasure.references.figures import Rectangle, Square
from tests.command_line import status_of

from .results import measurement


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "panel.png"
    Image.fromarray(np.full((40, 60, 3), 200, np.uint8)).save(path)
    return path


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, object]]:
    """Replaces measuring by an invented result and keeps what it was asked."""
    asked: list[dict[str, object]] = []

    def measure(photo: object, **options: object) -> object:
        asked.append(options)
        return measurement()

    monkeypatch.setattr("flatmeasure.pipeline.measure", measure)
    return asked


def fail_with(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def measure(photo: object, **options: object) -> object:
        raise error

    monkeypatch.setattr("flatmeasure.pipeline.measure", measure)


def test_result_goes_to_table_json_and_overlay(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    photo: Path,
    measured: list[dict[str, object]],
) -> None:
    data, picture = photo.with_name("out.json"), photo.with_name("out.jpg")
    monkeypatch.setattr("flatmeasure.results.measurement.Measurement.to_dict", lambda self: {"schema": "invented"})
    status = status_of(
        monkeypatch,
        "measure",
        photo,
        "--square",
        "4in",
        "--grid",
        "1in",
        "--thickness",
        "0.8 mm",
        "--json",
        data,
        "--overlay",
        picture,
    )
    assert status == 0
    expected = {"square_mm": 101.6, "printed_side_mm": None, "rectangle_mm": None, "references": None}
    assert measured == [expected | {"grid_mm": 25.4, "thickness_mm": 0.8, "lens": "stored", "hints": None}]
    assert json.loads(data.read_text()) == {"schema": "invented"}
    with Image.open(picture) as drawn:
        assert drawn.size[0] == 1600
    captured = capsys.readouterr()
    assert "480.1 ± 0.6 mm" in captured.out
    assert captured.err == ""
    assert {path.name for path in photo.parent.iterdir()} == {"panel.png", "out.json", "out.jpg"}


def test_unit_of_the_table(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    photo: Path,
    measured: list[dict[str, object]],
) -> None:
    assert status_of(monkeypatch, "measure", photo, "--unit", "in", "--rectangle", "210x297mm") == 0
    assert "18 7/8 in" in capsys.readouterr().out
    assert measured[0]["rectangle_mm"] == (210.0, 297.0)


def test_given_corners(monkeypatch: pytest.MonkeyPatch, photo: Path, measured: list[dict[str, object]]) -> None:
    corners = "10,5 50.5,5  50,35 ; 10,35"
    assert status_of(monkeypatch, "measure", photo, "--square", "100mm", "--corners", corners) == 0
    assert status_of(monkeypatch, "measure", photo, "--rectangle", "4x3in", "--corners", corners) == 0
    (square,), (rectangle,) = (asked["references"] for asked in measured)
    assert isinstance(square, Square)
    assert square.side_mm == 100.0
    np.testing.assert_array_equal(square.corners_px, [[10, 5], [50.5, 5], [50, 35], [10, 35]])
    assert isinstance(rectangle, Rectangle)
    assert (rectangle.width_mm, rectangle.height_mm) == pytest.approx((101.6, 76.2))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--square", "100"], "has no unit"),
        (["--square=-5mm"], "negative"),
        (["--square", "nan"], "not a length|no unit"),
        (["--rectangle", "210mm"], "not two lengths"),
        (["--thickness", "thin"], "not a length"),
        (["--corners", "1,2 3,4 5,6 7,8"], "either --square or --rectangle"),
        (["--square", "1in", "--rectangle", "1x2in", "--corners", "1,2 3,4 5,6 7,8"], "either"),
        (["--square", "1in", "--corners", "1,2 3,4 5,6"], "four points"),
        (["--square", "1in", "--corners", "1,2 3,4 5,6 a,b"], "four points"),
        (["--max-megapixels", "0"], "megapixels"),
        (["--max-megapixels", "nan"], "megapixels"),
        (["--max-megapixels", "many"], "max-megapixels"),
        (["--unit", "yd"], "unit"),
        (["--nonsense"], "nonsense"),
        (["--json", "{folder}/absent/out.json"], "no folder"),
        (["--json", "{folder}"], "can't be written"),
        (["--overlay", "{folder}/out.txt"], "must end in"),
        (["--overlay", "{folder}/panel.png"], "is the file to be read itself"),
        (["--json", "{folder}/" + 300 * "x"], "can't be written|no folder"),
    ],
)
def test_wrong_use_ends_with_2(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    photo: Path,
    measured: list[dict[str, object]],
    arguments: list[str],
    message: str,
) -> None:
    before = photo.read_bytes()
    monkeypatch.setattr("flatmeasure.results.measurement.Measurement.to_dict", lambda self: {})
    filled = [argument.format(folder=photo.parent) for argument in arguments]
    assert status_of(monkeypatch, "measure", photo, *filled) == 2
    captured = capsys.readouterr()
    assert re.search(message, captured.err)
    assert captured.out == ""
    assert [path.name for path in photo.parent.iterdir()] == ["panel.png"]
    assert photo.read_bytes() == before


def test_missing_argument_ends_with_2(monkeypatch: pytest.MonkeyPatch) -> None:
    assert status_of(monkeypatch, "measure") == 2
    assert status_of(monkeypatch, "mesure", "photo.jpg") == 2


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (PhotoUnreadable("Broken."), 3),
        (ReferenceNotFound("No square\nwas found."), 3),
        (ClothNotFound("No cloth."), 3),
        (FlatMeasureError("Any."), 3),
        (MemoryError(), 3),
        (OptionInvalid("No such thickness."), 2),
        (ZeroDivisionError("oops"), 1),
        (KeyError("corner"), 1),
        (KeyboardInterrupt(), 130),
    ],
)
def test_failure_is_one_line_and_writes_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], photo: Path, error: BaseException, status: int
) -> None:
    fail_with(monkeypatch, error)
    out = ["--json", photo.with_name("out.json"), "--overlay", photo.with_name("out.png")]
    assert status_of(monkeypatch, "measure", photo, *out) == status
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == (0 if status == 130 else 1)
    assert "Traceback" not in captured.err
    assert [path.name for path in photo.parent.iterdir()] == ["panel.png"]


def test_unreadable_photo_ends_with_3(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = tmp_path / "list.jpg"
    text.write_text("buttons, thread, zip")
    assert status_of(monkeypatch, "measure", text) == 3
    assert capsys.readouterr().err == (
        "flatmeasure: list.jpg is not a picture: give a JPEG, PNG, WebP, TIFF or HEIC file.\n"
    )
    assert status_of(monkeypatch, "measure", tmp_path / "absent.jpg") == 3


def test_written_file_replaces_the_old_one_and_follows_links(
    monkeypatch: pytest.MonkeyPatch, photo: Path, measured: list[dict[str, object]]
) -> None:
    monkeypatch.setattr("flatmeasure.results.measurement.Measurement.to_dict", lambda self: {"new": True})
    kept, link = photo.with_name("kept.json"), photo.with_name("link.json")
    kept.write_text("old and longer than the new one" * 100)
    link.symlink_to(kept)
    assert status_of(monkeypatch, "measure", photo, "--json", link) == 0
    assert link.is_symlink()
    assert json.loads(kept.read_text()) == {"new": True}


def test_failed_write_leaves_the_old_file(
    monkeypatch: pytest.MonkeyPatch, photo: Path, measured: list[dict[str, object]]
) -> None:
    monkeypatch.setattr("flatmeasure.results.measurement.Measurement.to_dict", lambda self: {"new": True})
    out = photo.with_name("out.json")
    out.write_text("old")

    def full(self: Path, content: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    assert status_of(monkeypatch, "measure", photo, "--json", out) == 2
    assert out.read_text() == "old"
    assert len(list(photo.parent.iterdir())) == 2


def test_version_and_help(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    from flatmeasure import __version__

    assert status_of(monkeypatch, "--version") == 0
    assert capsys.readouterr().out == f"flatmeasure {__version__}\n"
    assert status_of(monkeypatch, "measure", "--help") == 0
    text = capsys.readouterr().out
    assert f"{DEFAULT_MEGAPIXELS:.1f}" in text  # said there without importing the photo module
    assert "\x1b" not in text


def test_whole_way(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], test_images: Path, tmp_path: Path
) -> None:
    """A real picture, the real thing: area and hem against the picture's truth."""
    data = tmp_path / "gore.json"
    arguments = ["--square", "100mm", "--thickness", "0.8mm", "--json", data, "--overlay", tmp_path / "gore.png"]
    assert status_of(monkeypatch, "measure", test_images / "gore_navy.jpg", *arguments) == 0
    found = json.loads(data.read_text())
    truth = json.loads((test_images / "gore_navy.json").read_text())["pieces"][0]
    assert found["schema"] == "flatmeasure.measurement/1"
    (piece,) = found["pieces"]
    assert piece["area"]["value"] == pytest.approx(truth["area_mm2"], rel=0.005)
    lengths = sorted(edge["length"]["value"] for edge in piece["edges"])
    assert lengths == pytest.approx(sorted(edge["length_mm"] for edge in truth["edges"]), abs=1.5)
    assert "Piece A" in capsys.readouterr().out


def test_no_reference_in_the_photo(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], photo: Path
) -> None:
    assert status_of(monkeypatch, "measure", photo, "--square", "100mm", "--json", photo.with_name("out.json")) == 3
    assert capsys.readouterr().err.count("\n") == 1
    assert not photo.with_name("out.json").exists()
