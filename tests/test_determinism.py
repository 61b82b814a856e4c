"""The same photo gives the same measurement to the last digit: in other processes, with other numbers of threads."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

IMAGES = Path(__file__).parent.parent / "test_images"
MEASURED = (
    "import cv2, hashlib, json, sys; cv2.setNumThreads(int(sys.argv[2])); import flatmeasure; "
    "found = flatmeasure.measure(sys.argv[1], square_mm=100.0).to_dict(); "
    "print(hashlib.sha256(json.dumps(found, sort_keys=True).encode()).hexdigest())"
)


def digest(photo: Path, threads: int) -> str:
    """Of the measurement's JSON, from a process of its own."""
    number = str(threads)
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": number, "OMP_NUM_THREADS": number, "PYTHONHASHSEED": number}
    command = [sys.executable, "-c", MEASURED, str(photo), number]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("name", ["bodice_linen", "holed_plaid"])
def test_same_photo_same_digits(name: str) -> None:
    photo = IMAGES / f"{name}.jpg"
    first = digest(photo, 1)
    assert len(first.strip()) == 64
    assert digest(photo, 2) == first
