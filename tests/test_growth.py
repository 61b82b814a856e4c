"""The tone curve's pull on the squares' borders, taken off the cloth's outline."""

import pytest

from tests.benchmarks.tone import attempt


@pytest.mark.parametrize(
    ("cloth", "curve", "sharpening"),
    [
        ("light on dark", "brighter", 0.0),
        ("light on dark", "darker", 0.0),
        ("light on dark", "shoulder", 0.6),
        ("light on grey", "shoulder", 0.0),
        ("red on white", "brighter", 0.0),
        ("red on white", "shoulder", 0.0),
    ],
)
def test_the_squares_tell_how_far_the_outline_was_moved(cloth: str, curve: str, sharpening: float) -> None:
    growth_px, before, after = attempt(cloth, curve, sharpening)
    assert abs(growth_px) > 0.1
    # where dark areas have grown, dark cloth has too, and light cloth has shrunk
    assert (before > 0) == ((growth_px > 0) == (cloth == "red on white"))
    assert abs(after) < 0.5 * abs(before)
    assert abs(after) < 0.07


def test_nothing_is_taken_off_where_nothing_grew() -> None:
    growth_px, before, after = attempt("light on dark", "none", 0.0)
    assert abs(growth_px) < 0.02
    assert after == pytest.approx(before, abs=0.01)
