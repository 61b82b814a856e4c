"""What a service bears: killed workers, a killed server, a full disk, hostile files, too much work."""

import contextlib
import errno
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service import files
from service.settings import Settings
from service.workers import Task, Ticket, WorkerPool
from tests.benchmarks.faults import send_all
from tests.service.servers import (
    LINEN,
    LINEN_OPTIONS,
    PLAID,
    PLAID_OPTIONS,
    Server,
    finished_job,
    running,
    send_photo,
    serving,
    wait_until_running,
)
from tests.service.test_stash import PATTERN, TOO_MUCH

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks for workers in /proc")

LONG: dict[str, Any] = {"pattern": TOO_MUCH, "effort": "long", "limit_s": 200}


def long_question(server_or_client: Any, measurement: str) -> str:
    """The id of a job that goes on for minutes."""
    reply = server_or_client.post(
        "/v1/answers", json={**LONG, "cloth": [f"{measurement}:A"]}, headers={"Prefer": "respond-async"}
    )
    assert reply.status_code == 202, reply.text
    return str(reply.json()["id"])


def cpu_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def stored_files(folder: Path) -> set[Path]:
    """Photos and drawings."""
    return {path for path in folder.rglob("*") if path.is_file() and "sqlite" not in path.name}


def deaths(server: Server) -> float:
    """Workers that died in mid-work."""
    lines = server.client.get("/metrics").text.splitlines()
    return float(next(line.split()[1] for line in lines if line.startswith("flatmeasure_worker_deaths ")))


def kill_busiest(server: Server) -> None:
    """End the worker that works hardest, in mid-work."""
    before = {pid: cpu_seconds(pid) for pid in server.workers()}
    time.sleep(0.5)
    os.kill(max(before, key=lambda pid: cpu_seconds(pid) - before[pid]), signal.SIGKILL)


def test_killed_worker_and_killed_server(tmp_path: Path) -> None:
    """kill -9 of a worker: its job is begun again, once. Of the server: its work is done at the next start, when files
    without a row are swept away and those with one stay."""
    with running(tmp_path, "--workers", "2") as server:
        for idle in server.workers():
            os.kill(idle, signal.SIGKILL)
        plaid = send_photo(server.client, PLAID, PLAID_OPTIONS).json()["id"]
        before = deaths(server)  # an idle one may have been given the photo before its end was noticed
        job = long_question(server.client, plaid)
        wait_until_running(server.client, job)
        kill_busiest(server)
        measured = send_photo(server.client, LINEN, LINEN_OPTIONS)  # nobody else notices
        assert measured.status_code == 201
        assert server.client.get(f"/v1/jobs/{job}").json()["state"] == "running"
        kill_busiest(server)
        told = finished_job(server.client, job)
        assert (told["state"], told["problem"]["code"]) == ("failed", "work-failed")
        assert server.client.get("/health/ready").status_code == 200
        assert deaths(server) == before + 2
        stopped, waiting = long_question(server.client, plaid), long_question(server.client, plaid)
        wait_until_running(server.client, stopped)
        photo = send_photo(server.client, LINEN, {**LINEN_OPTIONS, "grid_mm": 10}, Prefer="respond-async").json()["id"]
        workers = server.workers()
        server.kill()
    strays = [tmp_path / "photos" / "aa" / ("a" * 64), tmp_path / "photos" / "aa" / ".0123456789abcdef"]
    strays.append(tmp_path / "drawings" / "aa" / ("a" * 16) / "overlay-1-mm.jpg")
    kept = stored_files(tmp_path)
    for stray in strays:
        files.write_whole(stray, b"x")
    with running(tmp_path, "--workers", "2") as server:
        assert kept <= stored_files(tmp_path)  # with what the photo that waited has come to
        assert not set(strays) & stored_files(tmp_path)
        assert not [pid for pid in workers if Path(f"/proc/{pid}").exists() and cpu_seconds(pid) > 1e6]
        assert finished_job(server.client, photo)["state"] == "done"
        wait_until_running(server.client, stopped)
        for one in (waiting, stopped):
            server.client.delete(f"/v1/jobs/{one}")
        assert finished_job(server.client, stopped)["answer"] is not None
        assert finished_job(server.client, waiting)["problem"]["code"] == "stopped"
        assert server.client.get(f"/v1/measurements/{measured.json()['id']}").json() == measured.json()


def test_shutdown_puts_work_back(tmp_path: Path) -> None:
    """A long search is begun again at the next start; being ended by us does not count against it."""
    settings = Settings(folder=tmp_path, workers=1)
    with serving(settings) as (service, client):
        plaid = send_photo(client, PLAID, PLAID_OPTIONS).json()["id"]
        job = long_question(client, plaid)
        wait_until_running(client, job)
        started = time.monotonic()
    assert time.monotonic() - started < settings.shutdown_s
    with serving(settings) as (service, client):
        wait_until_running(client, job)
        assert service.job_store.get(job).attempts == 1
        assert client.delete(f"/v1/jobs/{job}").status_code == 202
        assert finished_job(client, job)["state"] == "done"


def test_too_much_work_is_refused(tmp_path: Path) -> None:
    with serving(Settings(folder=tmp_path, workers=1, waiting=1)) as (_, client):
        plaid = send_photo(client, PLAID, PLAID_OPTIONS).json()["id"]
        jobs = [long_question(client, plaid)]
        wait_until_running(client, jobs[0])
        jobs.append(long_question(client, plaid))
        for path, told in (
            ("/v1/measurements", {"files": {"photo": ("a.jpg", LINEN.read_bytes())}}),
            ("/v1/answers", {"json": {**LONG, "cloth": [f"{plaid}:A"]}}),
        ):
            reply = client.post(path, **told)  # type: ignore[arg-type]
            assert (reply.status_code, reply.json()["code"]) == (503, "busy")
            assert int(reply.headers["retry-after"]) > 0
        assert client.get("/health/ready").status_code == 200
        assert len([path for path in (tmp_path / "photos").rglob("*") if path.is_file()]) == 1  # the plaid's only
        for job in reversed(jobs):
            client.delete(f"/v1/jobs/{job}")
            finished_job(client, job)
        assert send_photo(client, LINEN, LINEN_OPTIONS).status_code == 201


def test_work_that_takes_too_long_is_ended() -> None:
    pool = WorkerPool(1, 4)
    pool.start()
    photo = {"photo": str(PLAID), "width": None, "max_megapixels": 50.0}
    try:
        slow = Ticket(Task("picture", photo, limit_s=0.0), lambda share, step: None, lambda: None)
        pool.submit(slow)
        with pytest.raises(Exception, match="took more than 0 seconds"):
            slow.result.result(timeout=60)
        quick = Ticket(Task("picture", photo, limit_s=60.0), lambda share, step: None, lambda: None)
        pool.submit(quick)
        assert quick.result.result(timeout=60).startswith(b"\xff\xd8\xff")
    finally:
        pool.close(0.0)


def test_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Told in a sentence wherever it strikes, nothing is left half written, and work goes on when there is room."""
    write = files.write_whole

    def full(path: Path, content: bytes) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))

    with serving(Settings(folder=tmp_path, workers=1)) as (_, client):
        monkeypatch.setattr(files, "write_whole", full)
        reply = send_photo(client, LINEN, LINEN_OPTIONS)
        assert (reply.status_code, reply.json()["code"]) == (507, "storage-full")
        assert client.get("/v1/measurements").json()["items"] == []
        monkeypatch.setattr(
            files, "write_whole", lambda path, content: (write if "photos" in str(path) else full)(path, content)
        )
        measured = send_photo(client, LINEN, LINEN_OPTIONS)  # its small pictures can wait
        assert measured.status_code == 201
        assert client.get(f"/v1/measurements/{measured.json()['id']}/photo?width=320").status_code == 200
        question = {"cloth": [f"{measured.json()['id']}:A"], "pattern": PATTERN, "effort": "quick"}
        reply = client.post("/v1/answers", json=question)
        assert (reply.status_code, reply.json()["code"]) == (507, "storage-full")
        monkeypatch.setattr(files, "write_whole", write)
        assert client.post("/v1/answers", json=question).status_code == 201


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 3 MB."""
    mount = shutil.which("mount")
    folder = tmp_path / "tiny"
    folder.mkdir()
    command = [mount or "mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(folder)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode != 0:
        pytest.skip("no file system can be mounted here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_disk_that_fills_up(tiny_disk: Path) -> None:
    with running(tiny_disk, "--workers", "1") as server:
        reply = send_photo(server.client, LINEN, LINEN_OPTIONS)
        assert reply.status_code == 201
        filler = tiny_disk / "filler"
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
            while file.write(bytes(4096)):
                pass
        late = send_photo(server.client, PLAID, PLAID_OPTIONS)
        assert (late.status_code, late.json()["code"]) == (507, "storage-full")
        assert server.client.get(f"/v1/measurements/{reply.json()['id']}").status_code == 200
        filler.unlink()
        assert send_photo(server.client, PLAID, PLAID_OPTIONS).status_code == 201


def test_hostile_files(server: Server) -> None:
    before = {path for path in (server.folder / "photos").rglob("*") if path.is_file()}
    send_all(server.client, 28)
    assert {path for path in (server.folder / "photos").rglob("*") if path.is_file()} == before
