"""Time and memory of a whole measurement of 12 megapixels, against decoding the same JPEG with OpenCV."""

import inspect
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np

from flatmeasure import pipeline
from flatmeasure.cloth.hints import Hints
from flatmeasure.correction import Corrections, MovedCorner, correct
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Mat, Scene, View, scene_camera

SIZE_PX = (4000, 3000)
REPEATS = 7
# The functions that pipeline.py calls from other modules.
STAGES = tuple(
    name
    for name, stage in vars(pipeline).items()
    if inspect.isfunction(stage)
    and stage.__module__.startswith("flatmeasure.")
    and stage.__module__ != pipeline.__name__
)

# Runs a command and prints the peak resident size of its process in KiB.
PEAK = (
    "import resource, subprocess, sys; done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL); "
    "print(done.returncode, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
)


def scene() -> Scene:
    """A skirt panel between two coded squares, with curved hem and waist, as noisy as a phone's picture."""
    camera, pose = scene_camera(SIZE_PX, View(1300, 9, turn_deg=4, roll_deg=2, radial=(0.01, 0.0)))
    hem = np.linspace(-1, 1, 120)
    low = np.column_stack([300 * hem, -260 - 40 * (1 - hem**2)])
    high = np.column_stack([-180 * hem, 270 - 18 * (1 - hem**2)])
    references = (
        LaidReference("coded", (100, 100), (-430, -180), 7, code=3),
        LaidReference("coded", (100, 100), (430, 200), -4, code=4),
    )
    cloth = LaidCloth(np.concatenate([low, high]), colour=(150, 60, 52), thickness_mm=0.8)
    light = {"shadow_mm": (3.0, -3.0), "light_gradient": (0.2, -0.1)}
    return Scene(camera, pose, SIZE_PX, references, (cloth,), Mat(grid_mm=50), noise=3.0, **light)


def print_speed() -> None:
    """Ratio to imdecode, and where the time goes. The result is checked before anything is timed."""
    shown = scene()
    file = encode_jpeg(render_photo(shown, 1), focal_35mm=26)
    measured = pipeline.measure(file, square_mm=100, thickness_mm=0.8)
    error = measured.pieces[0].area.value / shown.cloths[0].area_mm2 - 1
    assert abs(error) < 0.005, f"the timed photo is measured {100 * error:.2f} % wrong"
    cv2.setNumThreads(1)
    buffer = np.frombuffer(file, np.uint8)
    decode, whole = [], []
    for _ in range(REPEATS):  # interleaved, so that both see the same load of the machine
        decode.append(_seconds(lambda: cv2.imdecode(buffer, cv2.IMREAD_COLOR)))
        whole.append(_seconds(lambda: pipeline.measure(file, square_mm=100, thickness_mm=0.8)))
    unit = statistics.median(decode)
    print(f"speed: 12 megapixels, {len(file) / 1e6:.1f} MB JPEG, CPU time, median of {REPEATS}; x is times imdecode")
    print(f"  {'cv2.imdecode':22s} {1000 * unit:8.1f} ms")
    print(f"  {'measure':22s} {statistics.median(whole) / unit:8.2f} x   (area {100 * error:+.3f} %)")
    for name, seconds in _stages(file).items():
        print(f"    {name:20s} {seconds / unit:8.2f} x")
    for name, seconds in _corrections(file).items():
        print(f"  {name:22s} {seconds / unit:8.2f} x   {1000 * seconds:.0f} ms")


def _corrections(file: bytes) -> dict[str, float]:
    """Median time of what a person waits for: an answer to further hints, and to a corner moved."""
    prepared = pipeline.prepare(file, square_mm=100)
    hints = Hints((np.array([[2000.0, 1500.0]]),), (np.array([[300.0, 300.0], [600.0, 320.0]]),))
    hinted, moved = [], []
    for _ in range(REPEATS):
        hinted.append(_seconds(lambda: prepared.measure(thickness_mm=0.8, hints=hints)))
        found = prepared.measure(thickness_mm=0.8)
        x, y = found.pieces[0].corners[1].at_px
        change = Corrections((MovedCorner("A", 1, (x + 30.0, y + 20.0)),))
        moved.append(_seconds(lambda found=found, change=change: correct(found, change)))
    return {"further hints": statistics.median(hinted), "a corner moved": statistics.median(moved)}


def print_memory() -> None:
    """Peak resident size of the command line on the same photo."""
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder) / "photo.jpg"
        photo.write_bytes(encode_jpeg(render_photo(scene(), 1), focal_35mm=26))
        command = [sys.executable, "-c", "from flatmeasure.cli import main; main()", "measure", str(photo)]
        command += ["--square", "100mm", "--thickness", "0.8mm", "--json", str(Path(folder) / "result.json")]
        overlay = ["--overlay", str(Path(folder) / "overlay.jpg")]
        for name, arguments in (("measure --json", command), ("measure --json --overlay", command + overlay)):
            done = subprocess.run([sys.executable, "-c", PEAK, *arguments], capture_output=True, text=True, check=True)
            status, peak = map(int, done.stdout.split())
            assert status == 0, f"the command ended with status {status}: {done.stderr}"
            print(f"memory: peak of `{name}` on 12 megapixels: {peak / 1024:.0f} MiB")


def _seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def _stages(file: bytes) -> dict[str, float]:
    """Median time of each stage, by wrapping what the pipeline calls."""
    rounds = []
    for _ in range(REPEATS):
        spent = dict.fromkeys(STAGES, 0.0)

        def timed(name: str, spent: dict[str, float] = spent) -> Callable[..., object]:
            stage = getattr(pipeline, name)

            def run(*arguments: object, **options: object) -> object:
                start = time.process_time()
                try:
                    return stage(*arguments, **options)
                finally:
                    spent[name] += time.process_time() - start

            return run

        with patch.multiple(pipeline, **{name: timed(name) for name in STAGES}):
            pipeline.measure(file, square_mm=100, thickness_mm=0.8)
        rounds.append(spent)
    return {name: statistics.median(spent[name] for spent in rounds) for name in STAGES}
