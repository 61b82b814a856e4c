"""Two photos of one panel, by two cameras from two places, agree within their joint uncertainty."""

import numpy as np
import pytest

from tests.benchmarks.repeatability import photograph_twice


@pytest.mark.parametrize(("squares", "seed"), [(1, 3), (2, 1), (4, 2)])
def test_two_photos_agree(squares: int, seed: int) -> None:
    pair = photograph_twice(squares, np.random.default_rng([7, seed]))
    assert abs(pair.area_en) < 1.0
    assert np.abs(pair.edge_en).max() < 1.25  # the largest of five
    # and that is not for the width of the intervals alone
    assert abs(pair.area_difference) < {1: 0.02, 2: 0.004, 4: 0.002}[squares]
