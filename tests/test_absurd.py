"""A sample of the absurd photos; ``python -m tests.benchmarks absurd`` takes all two hundred."""

import pytest

from tests.absurd import AbsurdPhoto, absurd_photos
from tests.benchmarks.absurd import FAULT, outcome_of

ONCE_WRONG = ("JPEG quality 5", "JPEG quality 10")  # chroma halos around the cards were taken for cloth
SAMPLE = [photo for k, photo in enumerate(absurd_photos()) if k % 8 == 0 or photo.name in ONCE_WRONG]


@pytest.mark.filterwarnings("default")  # libraries may warn of damaged files
@pytest.mark.parametrize("photo", SAMPLE, ids=lambda photo: photo.name)
def test_absurd_photo(photo: AbsurdPhoto) -> None:
    outcome = outcome_of(photo)
    assert FAULT not in outcome.refusal
    if outcome.refusal:
        assert outcome.refusal.endswith(".")
        assert "\n" not in outcome.refusal
    elif outcome.error_over_u is not None:
        assert abs(outcome.error_over_u) < 3.0
