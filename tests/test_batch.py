"""Many photos: tables, sheets, failures; killed at any moment and begun again; workers that die."""

import csv
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import psutil
import pytest
from typer.testing import CliRunner

from flatmeasure.batch.executors import LocalProcesses
from flatmeasure.batch.job_table import JobTable
from flatmeasure.batch.photo_list import BatchOptions, ListedPhoto, list_photos
from flatmeasure.batch.photo_work import measure_photo
from flatmeasure.batch.results_table import COLUMNS
from flatmeasure.batch.running import Batch, BatchOutput
from flatmeasure.batch.tasks import Outcome, Task
from flatmeasure.cli import app
from flatmeasure.errors import OptionInvalid, PhotoUnreadable
from flatmeasure.pipeline import measure
from tests.batch_work import dying_at_one, dying_once, threads, write_photos

OPTIONS = BatchOptions(square_mm=100.0)


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three photos, one in a folder within, one cut short, and things that are no photos."""
    folder = tmp_path_factory.mktemp("photos")
    write_photos(folder, 3)
    (folder / "within").mkdir()
    (folder / "photo0002.jpg").rename(folder / "within" / "=photo.JPG")
    (folder / "short.jpg").write_bytes((folder / "photo0001.jpg").read_bytes()[:4000])
    (folder / "notes.txt").write_text("none")
    (folder / ".hidden.jpg").write_bytes(b"none")
    return folder


@pytest.fixture(scope="module")
def results(photos: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results of the command for those photos."""
    folder = tmp_path_factory.mktemp("out") / "results"
    said = CliRunner().invoke(
        app, ["batch", str(photos), "--out", str(folder), "--square", "100mm", "--processes", "2"]
    )
    assert said.exit_code == 3
    assert "3 measured, 1 not" in said.output
    assert "short.jpg: short.jpg is damaged or cut short" in said.output
    return folder


def table(results: Path, name: str) -> list[dict[str, str]]:
    with (results / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def measured_files(results: Path) -> dict[str, tuple[int, int]]:
    """Each measurement's file, told from another of the same name by inode and time."""
    found = (results / "measurements").glob("*/*.json")
    return {path.name: (path.stat().st_ino, path.stat().st_mtime_ns) for path in found}


def run_through(photos: Path, results: Path, executor: LocalProcesses) -> list[tuple[str, str, str]]:
    """Path, state and reason of each photo."""
    try:
        with Batch(photos, results, OPTIONS) as batch:
            for _ in batch.run(executor):
                pass
            return [(row.path, row.state, row.reason) for row in batch.jobs.rows()]
    finally:
        executor.close()


def test_one_line_for_each_photo_piece_and_edge(photos: Path, results: Path) -> None:
    lines = table(results, "photos")
    assert [(line["photo"], line["state"]) for line in lines] == [
        ("photo0000.jpg", "measured"),
        ("photo0001.jpg", "measured"),
        ("short.jpg", "failed"),
        ("within/=photo.JPG", "measured"),
    ]
    assert lines[2]["reason"].startswith("short.jpg is damaged")
    assert (results / lines[0]["measurement"]).is_file()
    (piece,) = measure(photos / "photo0001.jpg", square_mm=100.0).pieces
    (line,) = [line for line in table(results, "pieces") if line["photo"] == "photo0001.jpg"]
    assert list(line) == list(COLUMNS["pieces"])
    assert float(line["area_mm2"]) == pytest.approx(piece.area.value, abs=0.006)  # written to a hundredth
    assert float(line["u_perimeter_mm"]) == pytest.approx(piece.perimeter.u, abs=1e-3)
    edges = [line for line in table(results, "edges") if line["photo"] == "photo0001.jpg"]
    assert [line["edge"] for line in edges] == [edge.id for edge in piece.edges]
    assert [float(line["length_mm"]) for line in edges] == pytest.approx(
        [edge.length.value for edge in piece.edges], abs=1e-3
    )
    assert float(edges[0]["angle_deg"]) == pytest.approx(piece.corners[0].angle.value, abs=1e-3)


def test_a_name_is_no_formula_in_a_spreadsheet(photos: Path, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "=1+1.jpg").write_bytes((photos / "short.jpg").read_bytes())
    said = CliRunner().invoke(app, ["batch", str(tmp_path / "in"), "--out", str(tmp_path / "out")])
    assert said.exit_code == 3
    (line,) = table(tmp_path / "out", "photos")
    assert line["photo"] == "'=1+1.jpg"
    assert line["reason"].startswith("'=1+1.jpg is damaged")


def test_the_contact_sheet_shows_each_photo(results: Path) -> None:
    (sheet,) = results.glob("contact-*.jpg")
    page = cv2.imread(str(sheet))
    assert page is not None
    assert page.shape[1] == 5 * 396 + 12
    first, failed, blank = (page[40:280, 12 + 396 * i + 20 : 12 + 396 * i + 360] for i in (0, 2, 4))
    yellow = np.all(np.abs(first.astype(int) - (92, 224, 255)) < 40, axis=2)
    assert yellow.sum() > 300  # the outline
    assert (np.abs(failed.astype(int) - (24, 32, 176)).max(axis=2) < 60).sum() > 100  # the reason, in red
    assert blank.min() > 235


def test_parquet_reads_back(photos: Path, results: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    said = CliRunner().invoke(
        app, ["batch", str(photos), "--out", str(results), "--square", "100mm", "--table", "parquet"]
    )
    assert said.exit_code == 3
    pieces = parquet.read_table(results / "pieces.parquet").to_pylist()
    assert [f"{line['area_mm2']:.4f}" for line in pieces] == [
        f"{float(line['area_mm2']):.4f}" for line in table(results, "pieces")
    ]
    assert parquet.read_table(results / "photos.parquet").to_pylist()[2]["area_mm2"] is None


def test_done_once_is_done(photos: Path, results: Path) -> None:
    before = measured_files(results)
    with Batch(photos, results, OPTIONS) as batch:
        assert batch.progress().waiting == 0
        row = batch.jobs.first("measured", 1)[0]
        batch.jobs.forget(row.number)  # as if killed after the measurement was written, before the row was marked
        executor = LocalProcesses(1)
        assert [now.measured for now in batch.run(executor)] == [3]
        executor.close()
        assert next(again for again in batch.jobs.rows() if again.path == row.path).pieces == row.pieces
    assert measured_files(results) == before


def test_changed_photos_options_and_lost_results_are_done_again(photos: Path, tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    for name in ("photo0000.jpg", "photo0001.jpg"):
        (folder / name).write_bytes((photos / name).read_bytes())
    run_through(folder, tmp_path / "out", LocalProcesses(1))
    with Batch(folder, tmp_path / "out", BatchOptions(square_mm=99.0)) as batch:
        assert batch.progress().waiting == 2
    with Batch(folder, tmp_path / "out", OPTIONS) as batch:
        assert batch.progress().waiting == 2
    run_through(folder, tmp_path / "out", LocalProcesses(1))
    os.utime(folder / "photo0000.jpg", ns=(1, 1))
    with Batch(folder, tmp_path / "out", OPTIONS) as batch:
        assert [row.path for row in batch.jobs.rows("waiting")] == ["photo0000.jpg"]
    (folder / "photo0000.jpg").unlink()
    next((tmp_path / "out" / "measurements").glob("*/*.json")).unlink()
    next((tmp_path / "out" / "measurements").glob("*/*.json")).unlink()
    with Batch(folder, tmp_path / "out", OPTIONS) as batch:
        assert [row.path for row in batch.jobs.rows()] == ["photo0001.jpg"]
        assert batch.progress().waiting == 1


def test_a_lens_enters_by_what_its_profile_says(tmp_path: Path) -> None:
    first, copy = tmp_path / "first.json", tmp_path / "copy.json"
    first.write_text("one")
    copy.write_text("one")
    options = BatchOptions(lens=str(first))
    before = options.digest("1")
    assert before == BatchOptions(lens=str(copy)).digest("1") != BatchOptions(lens="none").digest("1")
    first.write_text("another")
    assert options.digest("1") != before


def test_profiles_kept_in_a_folder_count_as_they_are_now(tmp_path: Path) -> None:
    options = BatchOptions(lens=str(tmp_path))
    seen = [options.digest("1")]
    for text in ("one", "another"):
        (tmp_path / "profile.json").write_text(text)
        seen.append(options.digest("1"))
    (tmp_path / "second.json").write_text("one")
    assert len({*seen, options.digest("1")}) == 4


def test_a_worker_that_dies_does_not_stop_the_batch(photos: Path, tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    for name, copy in (("photo0000.jpg", "a_deadly.jpg"), ("photo0001.jpg", "b.jpg")):
        (folder / copy).write_bytes((photos / name).read_bytes())
    states = run_through(folder, tmp_path / "out", LocalProcesses(1, dying_at_one))
    assert [state for _, state, _ in states] == ["failed", "measured"]
    assert states[0][2].startswith("The process measuring it was ended twice")
    (folder / "b.jpg").rename(folder / "c.jpg")
    states = run_through(folder, tmp_path / "out", LocalProcesses(2, dying_once))  # a new run tries again
    assert [state for _, state, _ in states] == ["measured", "measured"]


def test_workers_use_one_thread_each(photos: Path, tmp_path: Path) -> None:
    executor = LocalProcesses(1, threads)
    with Batch(photos, tmp_path / "out", OPTIONS) as batch:
        next(batch.run(executor))
        assert batch.jobs.first("measured", 1)[0].warnings == "1 1"
    executor.close()


def test_killed_at_random_moments_no_photo_is_lost_or_done_twice(tmp_path: Path) -> None:
    write_photos(tmp_path / "photos", 6)
    out = tmp_path / "out"
    command = [sys.executable, "-c", "from flatmeasure.cli import main; main()", "batch", str(tmp_path / "photos")]
    command += ["--out", str(out), "--square", "100mm", "--processes", "2"]
    chance = random.Random(5)
    seen: dict[str, tuple[int, int]] = {}
    kills = 0
    while True:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            said, _ = process.communicate(timeout=chance.uniform(0.5, 2.5) if kills < 4 else None)
        except subprocess.TimeoutExpired:
            workers = psutil.Process(process.pid).children(recursive=True)
            process.send_signal(signal.SIGKILL)
            process.communicate()
            kills += 1
            _, alive = psutil.wait_procs(workers, timeout=5.0)
            assert alive == []  # workers end with the one who gives them work
        else:
            break
        now = measured_files(out) if (out / "measurements").is_dir() else {}
        assert seen.items() <= now.items()  # what was done is there, untouched
        seen = now
    assert kills > 0
    assert "6 measured, 0 not" in said
    final = measured_files(out)
    assert len(final) == 6
    assert seen.items() <= final.items()
    assert [line["photo"] for line in table(out, "photos")] == [f"photo{i:04d}.jpg" for i in range(6)]
    assert len(table(out, "pieces")) == 6
    assert not list(out.glob("*/*/.*"))


HAMMER = """
import sys
from pathlib import Path
from flatmeasure.batch.job_table import JobTable
from flatmeasure.batch.photo_list import ListedPhoto
from flatmeasure.batch.tasks import Outcome
jobs = JobTable(Path(sys.argv[1]))
jobs.list_photos((ListedPhoto(f"{i}.jpg", i, i) for i in range(1000)), "d")
for row in jobs.rows("waiting"):
    jobs.finish(row.number, Outcome(f"k{row.number}", summary={"warnings": [], "pieces": [{"number": row.number}]}))
print("end")
"""


def test_the_job_table_is_whole_after_every_kill(tmp_path: Path) -> None:
    file, chance, before = tmp_path / "jobs.sqlite3", random.Random(2), 0
    for last in (False,) * 3 + (True,):
        process = subprocess.Popen([sys.executable, "-c", HAMMER, str(file)], stdout=subprocess.PIPE)
        try:
            process.communicate(timeout=None if last else chance.uniform(0.1, 0.5))
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
        jobs = JobTable(file)
        rows = list(jobs.rows("measured"))
        assert all(row.key == f"k{row.number}" and row.pieces == [{"number": row.number}] for row in rows)
        assert len(rows) >= before
        before = len(rows)
        jobs.close()
    assert before == 1000


def test_one_batch_at_a_time_failure(photos: Path, tmp_path: Path) -> None:
    with (
        Batch(photos, tmp_path / "out", OPTIONS),
        pytest.raises(OptionInvalid, match="Another batch is writing to"),
        Batch(photos, tmp_path / "out", OPTIONS),
    ):
        pass


def test_results_that_cannot_be_written_stop_the_batch_failure(photos: Path, tmp_path: Path) -> None:
    (tmp_path / "thumbnails").write_text("in the way")
    task = Task(1, str(photos / "photo0000.jpg"), str(tmp_path), OPTIONS, OPTIONS.digest("1"))
    outcome = measure_photo(task)
    assert outcome.stop.startswith("The results can't be written")
    with Batch(photos, tmp_path / "out", OPTIONS) as batch:
        with pytest.raises(OptionInvalid, match="The results can't be written"):
            list(batch.run(_Told(outcome)))
        assert batch.progress().waiting == 4


class _Told:
    """An executor whose tasks all end the same."""

    def __init__(self, outcome: Outcome) -> None:
        self._outcome = outcome

    def run(self, next_task):
        from flatmeasure.batch.executors import Done

        while (task := next_task()) is not None:
            yield Done(task, self._outcome)

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere", "--out", "out"], "There is no folder nowhere"),
        ([".", "--out", "out", "--table", "xlsx"], "Tables can't be written as xlsx: choose csv or parquet."),
        ([".", "--out", "out", "--processes", "0"], "Give --processes 1 or more"),
        ([".", "--out", "out", "--processes", "2", "--cluster", "a"], "not together with --cluster"),
        ([".", "--out", "file", "--square", "100mm"], "The folder file can't be made"),
    ],
)
def test_batch_command_failure(
    arguments: list[str], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").write_text("no folder")
    result = CliRunner().invoke(app, ["batch", *arguments])
    assert isinstance(result.exception, OptionInvalid | PhotoUnreadable)
    assert message in str(result.exception)


def test_a_spoilt_job_table_failure(tmp_path: Path) -> None:
    (tmp_path / "jobs.sqlite3").write_text("no table" * 200)
    with pytest.raises(OptionInvalid, match="can't be used"):
        JobTable(tmp_path / "jobs.sqlite3")


def test_a_full_disk_is_told_failure(tmp_path: Path) -> None:
    jobs = JobTable(tmp_path / "jobs.sqlite3")
    jobs.list_photos([ListedPhoto("a.jpg", 1, 1)], "d")
    jobs._rows.execute("PRAGMA max_page_count = 1")  # as a full disk does: no page can be added
    with pytest.raises(OptionInvalid, match="make room"):
        jobs.finish(1, Outcome("k", summary={"warnings": ["w" * 100_000], "pieces": []}))
    assert jobs.counts() == {"waiting": 1, "measured": 0, "failed": 0}
    jobs.close()


def test_no_photos_no_fault(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    said = CliRunner().invoke(app, ["batch", str(tmp_path / "in"), "--out", str(tmp_path / "out")])
    assert said.exit_code == 0
    assert "0 measured, 0 not" in said.output
    assert table(tmp_path / "out", "photos") == []


def test_results_within_the_folder_are_no_photos(tmp_path: Path) -> None:
    (tmp_path / "out" / "thumbnails").mkdir(parents=True)
    (tmp_path / "out" / "thumbnails" / "a.jpg").touch()
    (tmp_path / "b.tiff").write_bytes(b"12345")
    found = list(list_photos(tmp_path, tmp_path / "out"))
    assert [(photo.path, photo.size) for photo in found] == [("b.tiff", 5)]
    assert isinstance(found[0], ListedPhoto)


def test_names_that_are_no_text_failure(tmp_path: Path) -> None:
    (tmp_path / os.fsdecode(b"caf\xe9.jpg")).touch()
    with pytest.raises(PhotoUnreadable, match="is no plain text: rename the file"):
        list(list_photos(tmp_path, tmp_path / "out"))


def test_workers_end_when_let_go_of(photos: Path, tmp_path: Path) -> None:
    executor = LocalProcesses(1)
    with Batch(photos, tmp_path / "out", OPTIONS) as batch:
        for _ in batch.run(executor):
            break
        batch.write(BatchOutput())  # also in the middle of the work
    start = time.monotonic()
    executor.close()
    assert time.monotonic() - start < 20.0
    assert len(table(tmp_path / "out", "photos")) == 4
