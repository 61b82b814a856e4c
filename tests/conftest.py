"""Fixtures that several test files share."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # read when numpy is loaded

from pathlib import Path

import cv2
import pytest

ROOT = Path(__file__).parents[1]

cv2.setNumThreads(1)


@pytest.fixture(scope="session")
def test_images() -> Path:
    """The folder of committed pictures with their truths."""
    return ROOT / "test_images"


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Data that lie beside the repository and are not part of it; a test that needs them is skipped elsewhere."""
    folder = ROOT.parent / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("the shared data are not here")
    return folder
