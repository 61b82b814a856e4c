"""The service under load: photos from several clients at once, and whether others are kept waiting meanwhile."""

import json
import statistics
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx

from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from tests.benchmarks.speed import scene
from tests.service.servers import Server, running

CLIENTS, PHOTOS, READS = 4, 24, 2000
READ_PATHS = (
    "/v1/measurements",
    "/v1/measurements/{id}",
    "/v1/measurements/{id}/photo?width=320",
    "/v1/pieces",
    "/health/live",
)


def print_load() -> None:
    """Requests, median, 99th percentile and memory. The first result is checked before anything is timed."""
    photo = encode_jpeg(render_photo(scene(), 1), focal_35mm=26)
    with tempfile.TemporaryDirectory() as folder, running(Path(folder)) as server:
        first = _measured(server.client, photo, 0)
        area = first["measurement"]["pieces"][0]["area"]["value"]
        assert abs(area / scene().cloths[0].area_mm2 - 1) < 0.005, f"the service measured an area of {area:.0f} mm2"
        idle = _memory_mib(server)
        print(
            f"load: 12 megapixels, {len(photo) / 1e6:.1f} MB JPEG, {len(server.workers())} workers, {CLIENTS} clients"
        )
        _print_times("reads, nothing else", *_reads(server, first["id"], CLIENTS, READS))
        stop = threading.Event()
        pings: list[float] = []
        pinging = threading.Thread(target=_ping, args=(server, stop, pings))
        pinging.start()
        start = time.perf_counter()
        with ThreadPoolExecutor(CLIENTS) as clients:
            uploads = list(clients.map(lambda k: _timed_upload(server, photo, k), range(1, PHOTOS + 1)))
        total = time.perf_counter() - start
        stop.set()
        pinging.join()
        _print_times("photos measured", uploads, total)
        _print_times("reads meanwhile", pings, total)
        busiest = _memory_mib(server)
        for name, before, after in zip(("server", "largest worker"), idle, busiest, strict=True):
            print(f"  memory of the {name}: {before:.0f} MiB after one photo, {after:.0f} MiB at most after all")


def _measured(client: httpx.Client, photo: bytes, number: int) -> dict[str, Any]:
    """A photo measured; other options each time, so that it is measured each time."""
    options = json.dumps({"square_mm": 100, "thickness_mm": 0.8 + 0.001 * number})
    reply = client.post(
        "/v1/measurements", files={"photo": ("a.jpg", photo)}, data={"options": options}, headers={"Prefer": "wait=60"}
    )
    assert reply.status_code == 201, reply.text
    measured: dict[str, Any] = reply.json()
    return measured


def _timed_upload(server: Server, photo: bytes, number: int) -> float:
    with httpx.Client(base_url=server.url, timeout=120.0) as client:
        start = time.perf_counter()
        _measured(client, photo, number)
        return time.perf_counter() - start


def _reads(server: Server, measurement: str, clients: int, count: int) -> tuple[list[float], float]:
    def some(share: int) -> list[float]:
        with httpx.Client(base_url=server.url, timeout=60.0) as client:
            return [_timed_get(client, READ_PATHS[k % len(READ_PATHS)].format(id=measurement)) for k in range(share)]

    start = time.perf_counter()
    with ThreadPoolExecutor(clients) as pool:
        found = [seconds for part in pool.map(some, [count // clients] * clients) for seconds in part]
    return found, time.perf_counter() - start


def _timed_get(client: httpx.Client, path: str) -> float:
    start = time.perf_counter()
    reply = client.get(path)
    assert reply.status_code == 200, reply.text
    return time.perf_counter() - start


def _ping(server: Server, stop: threading.Event, seconds: list[float]) -> None:
    with httpx.Client(base_url=server.url, timeout=60.0) as client:
        while not stop.is_set():
            seconds.append(_timed_get(client, "/v1/measurements"))
            time.sleep(0.05)


def _print_times(what: str, seconds: list[float], total_s: float) -> None:
    ordered = sorted(seconds)
    worst = ordered[min(len(ordered) - 1, int(0.99 * len(ordered)))]
    print(f"  {what:20s} {len(seconds):5d} requests, {len(seconds) / total_s:7.1f} a second, ", end="")
    print(f"median {1000 * statistics.median(seconds):7.1f} ms, p99 {1000 * worst:7.1f} ms")


def _memory_mib(server: Server) -> tuple[float, float]:
    """Peak resident size of the server and of its largest worker so far (Linux)."""
    return _peak_mib(server.process.pid), max(_peak_mib(pid) for pid in server.workers())


def _peak_mib(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))
