"""A batch's throughput and memory, and what the way over a cluster costs. Workers do real measurements."""

import os
import statistics
import struct
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil

from flatmeasure.batch.cluster import DaskCluster
from flatmeasure.batch.executors import Executor, LocalProcesses
from flatmeasure.batch.photo_list import BatchOptions
from flatmeasure.batch.running import Batch, BatchOutput
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from tests.batch_work import small_scene
from tests.benchmarks.speed import scene

OPTIONS = BatchOptions(square_mm=100.0, thickness_mm=0.8)
PHOTOS, ROUNDS = 16, 3
SMALL_PHOTOS, SAMPLES_EVERY = 2000, 100


def print_batch() -> None:
    """Photos a minute with one process and two, and on a cluster of one worker."""
    with tempfile.TemporaryDirectory() as folder:
        photos = Path(folder) / "photos"
        _write(photos, encode_jpeg(render_photo(scene(), 1), focal_35mm=26), PHOTOS)
        size = sum(path.stat().st_size for path in photos.iterdir()) / PHOTOS
        print(f"batch: {PHOTOS} photos of 12 megapixels, {size / 1e6:.1f} MB each, {os.cpu_count()} cores,", end=" ")
        print(f"load {os.getloadavg()[0]:.1f} before; medians of {ROUNDS} rounds in turn")
        ways: dict[str, Callable[[], AbstractContextManager[Executor]]] = {
            "1 process": lambda: closing(LocalProcesses(1)),
            "2 processes": lambda: closing(LocalProcesses(2)),
            "cluster, 1 worker": _cluster,
        }
        taken: dict[str, list[_Taken]] = {name: [] for name in ways}
        for i in range(ROUNDS):
            for name, way in ways.items():  # in turn, so that all see the same load of the machine
                with way() as executor:
                    taken[name].append(_timed(photos, Path(folder) / f"{name}{i}", executor))
        _print_throughput(taken)
        _print_output(photos, Path(folder) / "1 process0")


@dataclass(frozen=True)
class _Taken:
    """Seconds of one run, without the workers' start: by the clock, busy with photos in all workers, and CPU."""

    wall: float
    busy: float
    cpu: float


def _print_throughput(taken: dict[str, list[_Taken]]) -> None:
    wall = {name: statistics.median(each.wall for each in runs) for name, runs in taken.items()}
    for name, runs in taken.items():
        hands = 2 if name == "2 processes" else 1
        rate = 60.0 * PHOTOS / wall[name]
        busy = statistics.median(each.busy / (hands * each.wall) for each in runs)
        cpu = statistics.median(each.cpu / PHOTOS for each in runs)
        print(f"  {name:18s} {rate:6.1f} photos/min, {rate / hands:6.1f} a process; ", end="")
        print(f"workers busy with photos {100 * busy:5.1f} % of the time; {cpu:.2f} CPU s a photo")
    print(f"  efficiency of 2 processes: {wall['1 process'] / (2 * wall['2 processes']):.2f}")
    costs = [c.wall / p.wall - 1 for p, c in zip(taken["1 process"], taken["cluster, 1 worker"], strict=True)]
    idle = [1 - each.busy / each.wall for each in taken["cluster, 1 worker"]]
    print(f"  the cluster's way costs {100 * statistics.median(costs):+.1f} % by the clock;", end=" ")
    print(f"its worker is without a photo {100 * statistics.median(idle):.1f} % of the time")


def _print_output(photos: Path, results: Path) -> None:
    start = time.process_time()
    with Batch(photos, results, OPTIONS) as batch:
        listed = time.process_time() - start
        batch.write(BatchOutput())
    written = time.process_time() - start - listed
    kept = sum(path.stat().st_size for path in results.glob("*s/*/*"))
    print(f"  listing {1000 * listed / PHOTOS:.1f} ms, tables and sheets {1000 * written / PHOTOS:.1f} ms,", end=" ")
    print(f"results {kept / PHOTOS / 1000:.0f} kB a photo")


def print_batch_memory() -> None:
    """Resident size of the workers and of the process that leads them, over many small photos."""
    with tempfile.TemporaryDirectory() as folder:
        photos = Path(folder) / "photos"
        _write(photos, encode_jpeg(render_photo(small_scene(), 1), focal_35mm=26), SMALL_PHOTOS)
        executor = LocalProcesses(2)
        sizes: list[tuple[float, float]] = []
        with Batch(photos, Path(folder) / "results", OPTIONS) as batch:
            for i, _ in enumerate(batch.run(executor)):
                if i % SAMPLES_EVERY == SAMPLES_EVERY - 1:
                    leader = psutil.Process()
                    workers = max(child.memory_info().rss for child in leader.children())
                    sizes.append((leader.memory_info().rss / 2**20, workers / 2**20))
            assert batch.progress().measured == SMALL_PHOTOS
        executor.close()
    print(f"batch: MiB resident over {SMALL_PHOTOS} small photos, every {SAMPLES_EVERY}")
    print("  larger worker: " + " ".join(f"{size:.0f}" for _, size in sizes))
    print("  leader:        " + " ".join(f"{size:.0f}" for size, _ in sizes))


def _write(folder: Path, jpeg: bytes, count: int) -> None:
    """The same picture as so many different files: each with a comment of its own (ITU-T T.81, B.2.4.5)."""
    folder.mkdir()
    for i in range(count):
        text = f"photo {i}".encode()
        comment = b"\xff\xfe" + struct.pack(">H", len(text) + 2) + text
        (folder / f"{i:05d}.jpg").write_bytes(jpeg[:2] + comment + jpeg[2:])


def _timed(photos: Path, results: Path, executor: Executor) -> _Taken:
    """One run; the clock starts when all workers have done their first photo, so that their start is left out."""
    warm = results.with_name(f"{results.name} warm")
    warm_photos = results.with_name(f"{results.name} first")
    _write(warm_photos, next(photos.iterdir()).read_bytes(), 2)
    with Batch(warm_photos, warm, OPTIONS) as batch:
        for _ in batch.run(executor):
            pass
    cpu = _cpu_seconds()
    with Batch(photos, results, OPTIONS) as batch:
        start = time.perf_counter()
        for _ in batch.run(executor):
            pass
        wall = time.perf_counter() - start
        assert batch.progress().measured == PHOTOS
        busy = sum(row.seconds for row in batch.jobs.rows())
    return _Taken(wall, busy, _cpu_seconds() - cpu)


def _cpu_seconds() -> float:
    """Of this process and all those it has started."""
    leader = psutil.Process()
    times = [each.cpu_times() for each in (leader, *leader.children(recursive=True))]
    return sum(each.user + each.system for each in times)


@contextmanager
def _cluster() -> Iterator[Executor]:
    """A Dask cluster of one worker process, there only while it works: it is never quite idle."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        executor = DaskCluster(str(cluster.scheduler_address))
        with closing(executor):
            yield executor
