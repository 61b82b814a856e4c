"""Who may ask, and what a browser may do with the answers."""

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.files import OwnedFiles, PhotoFiles
from service.settings import PHOTO_BYTES, Settings
from tests.service.servers import serving

TOKEN = "a token that is long enough"
BEARER = {"Authorization": f"Bearer {TOKEN}"}


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """A service that asks for a token and goes by any name; no work is given to it."""
    settings = Settings(folder=tmp_path_factory.mktemp("guarded"), token=TOKEN, host_names=(), workers=1)
    with serving(settings) as (_, client):
        client.headers["Host"] = "shop.example"
        yield client


@pytest.mark.parametrize("path", ["/v1/measurements", "/v1/pieces", "/metrics", "/openapi.json", "/v1/nothing"])
@pytest.mark.parametrize("sent", [None, "Bearer wrong", "Basic YTpi", f"Bearer {TOKEN}x", "Bearer", "Bearer äö"])
def test_token_failure(guarded: httpx.Client, path: str, sent: str | None) -> None:
    reply = guarded.get(path, headers={"Authorization": sent.encode()} if sent else {})
    assert (reply.status_code, reply.json()["code"]) == (401, "token-needed")
    assert reply.headers["www-authenticate"].startswith("Bearer")


def test_token_opens(guarded: httpx.Client) -> None:
    assert guarded.get("/v1/measurements", headers=BEARER).status_code == 200
    assert guarded.get("/metrics", headers=BEARER).status_code == 200


def test_health_needs_no_token(guarded: httpx.Client) -> None:
    assert guarded.get("/health/live").json() == {"status": "alive"}
    assert guarded.get("/health/ready").json() == {"status": "ready"}


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example:80", "", "[::2]:80"]
)
def test_foreign_name_failure(client: httpx.Client, host: str) -> None:
    """A page that lets its own name point to this computer (DNS rebinding) gets nothing."""
    reply = client.get("/v1/measurements", headers={"Host": host})
    assert reply.status_code in (400, 421)  # without a name, HTTP/1.1 itself refuses


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site", "Origin": "http://localhost:1"},
    ],
)
def test_foreign_page_failure(client: httpx.Client, headers: dict[str, str]) -> None:
    """A form on a foreign page reaches services on this computer; it may change nothing here."""
    reply = client.post("/v1/measurements", files={"photo": ("a.jpg", b"x")}, headers=headers)
    assert (reply.status_code, reply.json()["code"]) == (403, "foreign-page")


def test_own_page_may(client: httpx.Client) -> None:
    own = {"Origin": str(client.base_url).rstrip("/"), "Sec-Fetch-Site": "same-origin"}
    reply = client.post("/v1/measurements", files={"photo": ("a.jpg", b"x")}, headers=own)
    assert (reply.status_code, reply.json()["code"]) == (422, "photo-unreadable")


@pytest.mark.parametrize("path", ["/health/live", "/v1/measurements", "/v1/nothing", "/", "/nothing"])
def test_every_answer_is_guarded(client: httpx.Client, path: str) -> None:
    """OWASP HTTP Headers Cheat Sheet."""
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy or "sandbox" in policy  # inline styles only where scripts can't run at all
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert "server" not in headers


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml",
        "/..%2f..%2fpyproject.toml",
        "/%2e%2e/%2e%2e/etc/passwd",
        "//etc/passwd",
        "/v1/measurements/..%2f..%2flock/photo",
        "/v1/measurements/0123456789abcdef/photo?width=../../lock",
        "/v1/jobs/%00",
        "/modules/..%5c..%5capp.py",
    ],
)
def test_no_way_to_the_file_system(client: httpx.Client, path: str) -> None:
    address = client.base_url.copy_with(raw_path=path.encode())  # sent as it is, not put in order by the client
    reply = client.send(httpx.Request("GET", address))
    assert reply.status_code in (404, 422)
    assert b"root:" not in reply.content
    assert b"[project]" not in reply.content


@pytest.mark.parametrize("name", ["../x", "a/b", "", ".hidden", "A", "x" * 200, "a\0b"])
def test_names_of_files_failure(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="not a name of ours"):
        OwnedFiles(tmp_path).write("0123456789abcdef", name, b"")
    with pytest.raises(ValueError, match="not a name of ours"):
        OwnedFiles(tmp_path).read(name, "x")
    with pytest.raises(ValueError, match="not a digest"):
        PhotoFiles(tmp_path).path(name)


def test_too_many_bytes(client: httpx.Client) -> None:
    """Refused by what it says it is, or while it comes."""
    large = b"\xff\xd8\xff" + bytes(PHOTO_BYTES + 200_000)
    reply = client.post("/v1/measurements", files={"photo": ("a.jpg", large)})
    assert (reply.status_code, reply.json()["detail"]) == (413, "What was sent is too large.")
    reply = client.patch("/v1/measurements/0123456789abcdef", content=bytes(3_000_000))
    assert reply.status_code == 413
