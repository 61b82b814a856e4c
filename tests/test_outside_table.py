"""Every published figure of the list in ``tests/outside.py`` comes out of this project's code."""

import pytest

from tests.outside import CHECKS, Check


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.quantity)
def test_published_figure(check: Check) -> None:
    if check.data is not None and not check.data.is_dir():
        pytest.skip("the published data are not here")
    assert check.ours() == pytest.approx(check.published, abs=check.within)


def test_every_source_is_named() -> None:
    assert all(check.source and check.within > 0 for check in CHECKS)
    assert {check.known for check in CHECKS} <= {"read", "computed", "memory", "practice"}
