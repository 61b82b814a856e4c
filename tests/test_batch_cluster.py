"""The same batch on a Dask cluster of several worker processes, one of them killed in mid-work."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from flatmeasure.batch.cluster import DaskCluster
from flatmeasure.batch.photo_list import BatchOptions
from flatmeasure.batch.running import Batch
from flatmeasure.cli import app
from flatmeasure.errors import OptionInvalid
from tests.batch_work import write_photos

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1", silence_logs=50
    ) as found:
        yield found


def pids(cluster: Any) -> list[int]:
    with distributed.Client(cluster, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


def test_a_killed_worker_loses_nothing(cluster: Any, tmp_path: Path) -> None:
    write_photos(tmp_path / "photos", 6)
    victim = pids(cluster)[0]
    executor = DaskCluster(cluster.scheduler_address)
    with Batch(tmp_path / "photos", tmp_path / "out", BatchOptions(square_mm=100.0)) as batch:
        steps = batch.run(executor)
        next(steps)  # work is under way on both
        os.kill(victim, signal.SIGKILL)
        for _ in steps:
            pass
        rows = list(batch.jobs.rows())
    executor.close()
    assert [row.state for row in rows] == ["measured"] * 6
    assert all(len(row.pieces) == 1 for row in rows)
    assert len(list((tmp_path / "out" / "measurements").glob("*/*.json"))) == 6


def test_the_command_hands_its_work_to_a_cluster(cluster: Any, tmp_path: Path) -> None:
    write_photos(tmp_path / "photos", 2)
    (tmp_path / "photos" / "short.jpg").write_bytes(b"no photo")
    command = ["batch", str(tmp_path / "photos"), "--out", str(tmp_path / "out"), "--square", "100mm"]
    said = CliRunner().invoke(app, [*command, "--cluster", cluster.scheduler_address])
    assert said.exit_code == 3
    assert "2 measured, 1 not" in said.output
    assert (tmp_path / "out" / "contact-0001.jpg").is_file()


def test_nobody_answers_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flatmeasure.batch.cluster.TIMEOUT_S", 0.5)
    with pytest.raises(OptionInvalid, match=r"No Dask scheduler answers at tcp://127\.0\.0\.1:9"):
        DaskCluster("tcp://127.0.0.1:9")


def test_an_address_that_is_none_failure() -> None:
    with pytest.raises(OptionInvalid, match="No Dask scheduler answers at nonsense://"):
        DaskCluster("nonsense://here")


def test_without_dask_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(OptionInvalid, match=r"install flatmeasure\[cluster\]"):
        DaskCluster("tcp://127.0.0.1:9")
