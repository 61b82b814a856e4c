"""Services to ask, on SQLite and PostgreSQL."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import text

from service.database import Database
from tests.service.servers import PLAID, PLAID_OPTIONS, Server, postgresql, postgresql_programs, running, send_photo

URL_VARIABLE = "FLATMEASURE_TEST_POSTGRESQL"


@pytest.fixture(scope="session")
def postgresql_url() -> Iterator[str]:
    """A PostgreSQL database: the one that is named, or else one of our own."""
    named = os.environ.get(URL_VARIABLE)
    if named:
        yield named
        return
    programs = postgresql_programs()
    if programs is None:
        pytest.skip(f"PostgreSQL is not installed and {URL_VARIABLE} names no database")
    with postgresql(programs) as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """An empty database of either kind."""
    if request.param == "sqlite":
        opened = Database(f"sqlite:///{tmp_path / 'store.sqlite'}")
    else:
        url = request.getfixturevalue("postgresql_url")
        emptied = Database(url)
        with emptied.writing() as connection:
            connection.execute(text("DROP SCHEMA public CASCADE"))
            connection.execute(text("CREATE SCHEMA public"))
        emptied.close()
        opened = Database(url)
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A service on SQLite for tests that leave it whole."""
    with running(tmp_path_factory.mktemp("service"), "--workers", "2") as started:
        yield started


@pytest.fixture(scope="session")
def client(server: Server) -> httpx.Client:
    """A client of that service."""
    return server.client


@pytest.fixture(scope="session")
def plaid(client: httpx.Client) -> dict[str, Any]:
    """The plaid remnant, measured by that service; tests leave it as it is."""
    reply = send_photo(client, PLAID, PLAID_OPTIONS)
    assert reply.status_code == 201, reply.text
    measured: dict[str, Any] = reply.json()
    return measured
