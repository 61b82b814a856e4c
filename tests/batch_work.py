"""Photos and workers for the tests of batches; workers are started afresh, so what they do must be importable."""

import os
import signal
from pathlib import Path

import cv2
import numpy as np

from flatmeasure.batch.photo_work import measure_photo
from flatmeasure.batch.tasks import Outcome, Task
from flatmeasure.synthetic.rendering import encode_jpeg, render_photo
from flatmeasure.synthetic.scene import LaidCloth, LaidReference, Scene, View, scene_camera

SIZE_PX = (640, 480)
PANEL = np.array([[-230.0, -200.0], [240.0, -190.0], [210.0, 170.0], [-180.0, 200.0]])


def small_scene() -> Scene:
    """A panel between two coded squares."""
    camera, pose = scene_camera(SIZE_PX, View(1100, 6, turn_deg=3))
    references = (
        LaidReference("coded", (100, 100), (-360, -100), 7, code=3),
        LaidReference("coded", (100, 100), (360, 110), -4, code=4),
    )
    return Scene(camera, pose, SIZE_PX, references, (LaidCloth(PANEL, colour=(150, 60, 52)),))


def write_photos(folder: Path, count: int) -> None:
    """Photos of one panel, each with noise of its own."""
    picture = render_photo(small_scene())
    folder.mkdir(parents=True, exist_ok=True)
    for i in range(count):
        noise = np.random.default_rng(i).normal(0.0, 1.5, picture.shape)
        noisy = np.clip(picture + noise, 0, 255).astype(np.uint8)
        (folder / f"photo{i:04d}.jpg").write_bytes(encode_jpeg(noisy, focal_35mm=26))


def dying_at_one(task: Task) -> Outcome:
    """Measures, but dies at every photo with "deadly" in its name."""
    if "deadly" in Path(task.photo).name:
        os.kill(os.getpid(), signal.SIGKILL)
    return measure_photo(task)


def dying_once(task: Task) -> Outcome:
    """Measures, but the first time that it sees a photo with "deadly" in its name it dies."""
    met = Path(task.results) / "met"
    if "deadly" in Path(task.photo).name and not met.exists():
        met.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return measure_photo(task)


def threads(task: Task) -> Outcome:
    """Measures, then tells how many threads numerical libraries use here."""
    measure_photo(task)
    told = [str(cv2.getNumThreads()), os.environ["OPENBLAS_NUM_THREADS"]]
    return Outcome("key", summary={"warnings": told, "pieces": []})
