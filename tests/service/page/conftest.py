"""A browser and a service for the page's tests, which share both."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.service.servers import Server, running


@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    """Chromium, for the page; not longer than its tests, which share their thread's event loop with it."""
    from tests.service.browser import browsing

    with browsing() as opened:
        yield opened


@pytest.fixture(scope="package")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A service with an empty stash, for the page."""
    with running(tmp_path_factory.mktemp("page"), "--workers", "1") as started:
        yield started


@pytest.fixture
def visit(served: Server, browser: Any) -> Iterator[Callable[..., Any]]:
    """Makes visitors; when they leave, the browser must not have complained, nor asked any other host."""
    from tests.service.browser import DESKTOP, Visitor

    visitors: list[Visitor] = []

    def make(device: dict[str, Any] = DESKTOP, **more: Any) -> Visitor:
        visitors.append(Visitor(browser, served.url, device, **more))
        return visitors[-1]

    yield make
    for visitor in visitors:
        visitor.close()
        assert visitor.complaints == []
        assert visitor.hosts == {served.url.removeprefix("http://")}
