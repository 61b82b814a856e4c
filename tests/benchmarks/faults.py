"""What a service bears: 1,000 hostile files, one after the other, each answered with a sentence; and still alive."""

import io
import statistics
import struct
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import httpx
import numpy as np
from PIL import Image

COUNT = 1000
SLOWEST_S = 10.0
NAMES = (
    "../../../etc/passwd",
    "photo.jpg\0.html",
    "x" * 300 + ".jpg",
    "фото 🧵 \u202egpj.exe",
    "CON",
    "",
    "a\r\nContent-Type: text/html",
    "'; DROP TABLE measurements; --",
    "<script>alert(1)</script>.jpg",
)


def hostile_files(count: int, seed: int = 7) -> Iterator[tuple[str, bytes]]:
    """Names and contents of files that a stranger might send; the same for the same seed."""
    rng = np.random.default_rng(seed)
    sound = (_picture(rng, "JPEG"), _picture(rng, "PNG"), _picture(rng, "WEBP"), _picture(rng, "TIFF"))
    kinds = (_noise, _cut_short, _flipped, _bomb, _many_segments, _other_kind, _sound_but_empty)
    for k in range(count):
        make = kinds[k % len(kinds)]
        yield NAMES[k % len(NAMES)], make(rng, sound[int(rng.integers(len(sound)))])


def _picture(rng: np.random.Generator, kind: str) -> bytes:
    file = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (60, 80, 3), dtype=np.uint8)).save(file, kind)
    return file.getvalue()


def _noise(rng: np.random.Generator, sound: bytes) -> bytes:
    start = [b"", b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"RIFF\0\0\0\0WEBP", b"II*\0", b"\0\0\0\x18ftypheic"]
    return start[int(rng.integers(len(start)))] + rng.bytes(int(rng.integers(0, 5000)))


def _cut_short(rng: np.random.Generator, sound: bytes) -> bytes:
    return sound[: int(rng.integers(0, len(sound)))]


def _flipped(rng: np.random.Generator, sound: bytes) -> bytes:
    damaged = bytearray(sound)
    for at in rng.integers(0, len(sound), int(rng.integers(1, 20))):
        damaged[at] ^= int(rng.integers(1, 256))
    return bytes(damaged)


def _bomb(rng: np.random.Generator, sound: bytes) -> bytes:
    """A PNG of some kilobytes that unpacks to 10 to 900 million pixels, or says so and holds less."""
    side = int(rng.integers(3_000, 30_000))
    rows = side if rng.random() < 0.3 and side < 12_000 else 8
    parts = {
        b"IHDR": struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0),
        b"IDAT": zlib.compress(bytes((1 + (side + 7) // 8) * rows), 9),
        b"IEND": b"",
    }
    chunks = [struct.pack(">I", len(b)) + k + b + struct.pack(">I", zlib.crc32(k + b)) for k, b in parts.items()]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def _many_segments(rng: np.random.Generator, sound: bytes) -> bytes:
    """A JPEG with megabytes of metadata, whose first block is broken."""
    body = b"Exif\0\0II*\0" + rng.bytes(60_000)
    segment = b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
    return b"\xff\xd8" + segment * int(rng.integers(1, 30)) + _picture(rng, "JPEG")[2:]


def _other_kind(rng: np.random.Generator, sound: bytes) -> bytes:
    others = (
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"<!doctype html><script>alert(1)</script>",
        b"%PDF-1.7\n%%EOF",
        b"GIF89a\x01\0\x01\0\0\0\0;",
        b"PK\x03\x04" + bytes(200),
        b"#!/bin/sh\nreboot\n",
        b"P6 65000 65000 255\n",
    )
    return others[int(rng.integers(len(others)))]


def _sound_but_empty(rng: np.random.Generator, sound: bytes) -> bytes:
    """A good picture with nothing on it to measure."""
    return sound


def send_all(client: httpx.Client, count: int) -> tuple[Counter[int], list[float]]:
    """Send hostile files; statuses and seconds. An answer that is no problem detail is a fault."""
    statuses: Counter[int] = Counter()
    seconds = []
    for name, content in hostile_files(count):
        start = time.perf_counter()
        reply = client.post(
            "/v1/measurements", files={"photo": (name, content)}, data={"options": '{"square_mm": 100}'}
        )
        seconds.append(time.perf_counter() - start)
        statuses[reply.status_code] += 1
        assert reply.status_code in (400, 413, 422), f"{name!r} was answered with {reply.status_code}: {reply.text}"
        assert reply.json()["detail"].endswith("."), reply.text
    return statuses, seconds


def print_faults() -> None:
    """Statuses, times, and what the service kept of it all."""
    from tests.service.servers import PLAID, PLAID_OPTIONS, running, send_photo

    with tempfile.TemporaryDirectory() as folder, running(Path(folder)) as server:
        statuses, seconds = send_all(server.client, COUNT)
        worst = max(seconds)
        assert worst < SLOWEST_S, f"a hostile file took {worst:.1f} s"
        kept = [path for path in (Path(folder) / "photos").rglob("*") if path.is_file()]
        assert not kept, f"{len(kept)} hostile files were kept"
        assert send_photo(server.client, PLAID, PLAID_OPTIONS).status_code == 201, "the service is not what it was"
        told = ", ".join(f"{number} x {status}" for status, number in sorted(statuses.items()))
        print(f"faults: {COUNT} hostile files: {told}; median {1000 * statistics.median(seconds):.0f} ms, ", end="")
        print(f"slowest {1000 * worst:.0f} ms; none kept; a good photo is measured afterwards")
