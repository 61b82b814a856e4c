"""A service in a process of its own, as people run it, and a PostgreSQL server for it."""

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from service.app import create_app
from service.running import Service
from service.settings import Settings

ROOT = Path(__file__).parents[2]
PLAID, LINEN = ROOT / "test_images" / "holed_plaid.jpg", ROOT / "test_images" / "bodice_linen.jpg"
PLAID_OPTIONS, LINEN_OPTIONS = {"square_mm": 100, "thickness_mm": 1}, {"square_mm": 80, "thickness_mm": 0.6}
PINAFORE = json.loads((ROOT / "test_images" / "pinafore.json").read_text("utf-8"))
START_S = 60.0
PATIENT = {"Prefer": "wait=60"}  # on a busy machine


class Server:
    """``flatmeasure serve`` on a free port."""

    def __init__(self, folder: Path, *arguments: str, **environment: str) -> None:
        self.folder = folder
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        command = [sys.executable, "-c", "from flatmeasure.cli import main; main()", "serve", *arguments]
        self.process = subprocess.Popen(
            [*command, "--port", str(self.port), "--folder", str(folder)],
            env={**os.environ, **environment},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.url = f"http://127.0.0.1:{self.port}"
        token = environment.get("FLATMEASURE_TOKEN")
        headers = {**PATIENT, **({"Authorization": f"Bearer {token}"} if token else {})}
        self.client = httpx.Client(base_url=self.url, timeout=120.0, headers=headers)
        self._wait()

    def _wait(self) -> None:
        until = time.monotonic() + START_S
        while time.monotonic() < until:
            if self.process.poll() is not None:
                raise RuntimeError(f"the service ended: {self.process.communicate()[0]}")
            try:
                if self.client.get("/health/ready").status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.05)
        raise RuntimeError("the service did not start")

    def workers(self) -> list[int]:
        """Process ids of its workers (Linux)."""
        children = Path(f"/proc/{self.process.pid}/task").glob("*/children")
        pids = [int(pid) for listed in children for pid in listed.read_text().split()]
        return [pid for pid in pids if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.communicate()
        self.client.close()

    def stop(self) -> str:
        """End it as an operator would, and give what it wrote."""
        self.process.send_signal(signal.SIGTERM)
        self.client.close()
        return self.process.communicate(timeout=30)[0]


@contextmanager
def running(folder: Path, *arguments: str, **environment: str) -> Iterator[Server]:
    """A server for a while."""
    server = Server(folder, *arguments, **environment)
    try:
        yield server
    finally:
        if server.process.poll() is None:
            server.stop()


@contextmanager
def serving(settings: Settings) -> Iterator[tuple[Service, httpx.Client]]:
    """A service in a thread of this process, for tests that look inside."""
    app = create_app(settings)
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", server_header=False))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            while not server.started:
                assert thread.is_alive(), "the service ended"
                time.sleep(0.01)
            url = f"http://127.0.0.1:{listening.getsockname()[1]}"
            with httpx.Client(base_url=url, timeout=120.0, headers=PATIENT) as client:
                yield app.state.service, client
        finally:
            server.should_exit = True
            thread.join()


def send_photo(client: httpx.Client, photo: Path | bytes, options: dict[str, Any], **headers: str) -> httpx.Response:
    """POST a photo."""
    content = photo if isinstance(photo, bytes) else photo.read_bytes()
    name = "photo.jpg" if isinstance(photo, bytes) else photo.name
    return client.post(
        "/v1/measurements",
        files={"photo": (name, content, "image/jpeg")},
        data={"options": json.dumps(options)},
        headers=headers,
    )


def finished_job(client: httpx.Client, job: str, seconds: float = 60.0) -> dict[str, Any]:
    """Wait for a job's end."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        told: dict[str, Any] = client.get(f"/v1/jobs/{job}").json()
        if told["state"] in ("done", "failed"):
            return told
        time.sleep(0.05)
    raise AssertionError(f"the job did not end: {told}")


def wait_until_running(client: httpx.Client, job: str, seconds: float = 30.0) -> None:
    """Wait until a job is being done."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        told = client.get(f"/v1/jobs/{job}").json()
        if told["state"] == "running":
            return
        assert told["state"] == "queued", told
        time.sleep(0.02)
    raise AssertionError("the job did not begin")


def postgresql_programs() -> Path | None:
    """The folder of initdb and postgres, if they are installed."""
    on_path = shutil.which("initdb")
    if on_path is not None:
        return Path(on_path).parent
    return next((path.parent for path in sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))), None)


@contextmanager
def postgresql(programs: Path) -> Iterator[str]:
    """A PostgreSQL server in a folder of its own, and its URL."""
    user = "nobody" if os.getuid() == 0 else None  # it refuses to run as root
    with tempfile.TemporaryDirectory(prefix="flatmeasure-pg-") as name:
        folder = Path(name)
        if user is not None:
            shutil.chown(folder, user)
        where = {"user": user, "cwd": name, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        made = [programs / "initdb", "-D", folder / "data", "-A", "trust", "-U", "tester", "-N"]
        subprocess.run(made, check=True, **where)
        options = ["-k", name, "-c", "listen_addresses=", "-c", "fsync=off"]
        process = subprocess.Popen([programs / "postgres", "-D", folder / "data", *options], **where)
        try:
            until = time.monotonic() + START_S
            while not (folder / ".s.PGSQL.5432").exists():
                assert process.poll() is None, "PostgreSQL ended"
                assert time.monotonic() < until, "PostgreSQL did not start"
                time.sleep(0.05)
            yield f"postgresql+psycopg://tester@/postgres?host={name}"
        finally:
            process.send_signal(signal.SIGINT)  # a fast shutdown
            process.wait()
