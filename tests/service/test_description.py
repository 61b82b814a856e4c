"""The API keeps to its description: schemathesis asks it all that the description allows, and much that it does not."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.models import Options, Question
from service.problems import CODES
from tests.service.servers import LINEN, LINEN_OPTIONS, Server, send_photo
from tests.service.test_stash import PATTERN

schemathesis = pytest.importorskip("schemathesis")

CONFIG = """
[parameters]
"path.measurement" = "{measurement}"
"path.piece" = "{measurement}:A"
"path.answer" = "{answer}"
"path.job" = "{job}"
"""
# That a photo shows cloth beside a square, no schema can say: a valid request may still be refused.
CHECKS = ["--checks", "all", "--exclude-checks", "positive_data_acceptance"]


@pytest.fixture
def described(client: httpx.Client, tmp_path: Path) -> Any:
    """A configuration that names a measurement, an answer and a job to ask for."""
    reply = send_photo(client, LINEN, {**LINEN_OPTIONS, "name": "described"}, Prefer="respond-async")
    job = reply.json()["id"]
    measurement = send_photo(client, LINEN, LINEN_OPTIONS).json()["id"]
    question = {"cloth": [f"{measurement}:A"], "pattern": PATTERN, "effort": "quick"}
    answer = client.post("/v1/answers", json=question).json()["id"]
    path = tmp_path / "schemathesis.toml"
    path.write_text(CONFIG.format(measurement=measurement, answer=answer, job=job), "utf-8")
    yield path
    client.delete(f"/v1/answers/{answer}")
    client.delete(f"/v1/measurements/{measurement}")


def explored(server: Server, config: Path, *further: str) -> str:
    """Run schemathesis against a service and give its report."""
    command = [sys.executable, "-c", "from schemathesis.cli import schemathesis; schemathesis()"]
    command += ["--config-file", str(config), "run", f"{server.url}/openapi.json", "--seed", "1", "--no-color"]
    done = subprocess.run([*command, *CHECKS, *further], capture_output=True, text=True, check=False, cwd=config.parent)
    assert done.returncode == 0, done.stdout[-8000:] + done.stderr[-2000:]
    return done.stdout


def test_explored_without_a_fault(server: Server, described: Path) -> None:
    """Reading and writing; then what is costly with fewer requests; then deleting."""
    report = explored(
        server,
        described,
        "--phases",
        "examples,coverage",
        "--exclude-method",
        "DELETE",
        "--exclude-tag",
        "exports",
        "--exclude-path-regex",
        "overlay|answers$",
    )
    assert "passed" in report
    explored(server, described, "--phases", "fuzzing", "--max-examples", "1")


def test_every_operation_says_what_it_does(client: httpx.Client) -> None:
    described = client.get("/openapi.json").json()
    operations = [one for path in described["paths"].values() for one in path.values()]
    assert len(operations) >= 25
    for operation in operations:
        assert operation["summary"]
        assert operation["description"].rstrip().endswith(".")
        assert "422" in operation["responses"]
    assert "HTTPValidationError" not in json.dumps(described)


def test_examples_are_valid() -> None:
    for model in (Options, Question):
        for example in model.model_config["json_schema_extra"]["examples"]:  # type: ignore[index, call-overload]
            model.model_validate(example)


def test_every_error_of_the_library_has_a_code() -> None:
    from flatmeasure import errors

    kinds = {kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, Exception)}
    assert kinds - set(CODES) == {errors.FlatMeasureError}
    assert len(set(CODES.values())) == len(CODES)
