"""``flatmeasure serve``: where it listens, what it asks for, and both databases."""

import json
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from flatmeasure.commands.serve_command import is_loopback
from flatmeasure.errors import OptionInvalid
from service.running import Service
from service.settings import Settings
from tests.service.servers import PLAID, PLAID_OPTIONS, Server, running, send_photo


def ended(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from flatmeasure.cli import main; main()", "serve", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=environment, timeout=60)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.8.8", "::1", "localhost"])
def test_loopback(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "shop.example", "127.0.0.1.example", ""])
def test_loopback_failure(host: str) -> None:
    assert not is_loopback(host)


def test_other_computers_need_a_token(tmp_path: Path) -> None:
    done = ended("--host", "0.0.0.0", "--folder", str(tmp_path))
    assert done.returncode == 2
    assert "needs a token: set FLATMEASURE_TOKEN" in done.stderr


def test_folder_of_another_service(server: Server) -> None:
    with pytest.raises(OptionInvalid, match="Another service uses the folder"):
        Service(Settings(folder=server.folder))


def test_port_in_use(server: Server, tmp_path: Path) -> None:
    """One sentence, before anything is said to listen; the folder stays as it was."""
    done = ended("--port", str(server.port), "--folder", str(tmp_path / "new"))
    assert (done.returncode, done.stdout) == (3, "")
    told = f"The service can't listen at port {server.port} of 127.0.0.1: something listens there already."
    assert done.stderr == f"flatmeasure: {told} Give another with --port.\n"
    assert not (tmp_path / "new").exists()


def test_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("")
    with pytest.raises(OptionInvalid, match="can't be written"):
        Service(Settings(folder=tmp_path / "x" / "y"))


def test_on_postgresql_with_a_token(tmp_path: Path, postgresql_url: str) -> None:
    """The whole way once, on the other database and for other computers; and again after a restart."""
    settings = {"FLATMEASURE_TOKEN": "shop-token", "FLATMEASURE_DATABASE": postgresql_url}
    with running(tmp_path, "--host", "0.0.0.0", "--workers", "1", **settings) as server:
        measured = send_photo(server.client, PLAID, PLAID_OPTIONS).json()
        at = f"/v1/measurements/{measured['id']}"
        body = {"base": 1, "corrections": {"notes": {"A": {"name": "Größe 🧵", "grain": {"edge": "A1"}}}}}
        assert server.client.post(f"{at}/revisions", json=body).status_code == 201
        assert len(server.client.get("/v1/pieces?q=größe").json()["items"]) == 1
        assert httpx.get(f"{server.url}{at}").status_code == 401
    with running(tmp_path, "--host", "0.0.0.0", "--workers", "1", **settings) as server:
        again = server.client.get(at).json()
        assert again["revision"] == 2
        assert again["measurement"]["pieces"][0]["area"] == measured["measurement"]["pieces"][0]["area"]
        assert json.dumps(again, ensure_ascii=False).count("Größe 🧵") == 1
        assert not (tmp_path / "flatmeasure.sqlite").exists()
