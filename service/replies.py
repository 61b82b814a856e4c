"""What the API gives: JSON with its entity tag, not sent again to who has it; files; and jobs."""

import hashlib
import json
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from service.job_store import StoredJob
from service.jobs import Job
from service.problems import changed_meanwhile


def entity_tag(body: bytes) -> str:
    """A strong entity tag (RFC 9110, 8.8.3)."""
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def as_bytes(value: Any) -> bytes:
    """A value as JSON."""
    return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":")).encode()


def listed_tags(header: str) -> list[str]:
    """Entity tags of If-Match or If-None-Match, weak ones as if they were strong."""
    return [tag.strip().removeprefix("W/") for tag in header.split(",")]


def file_reply(
    request: Request, body: bytes, media_type: str, *, status: int = 200, headers: dict[str, str] | None = None
) -> Response:
    """A body with its tag; 304 without it when the client has it (RFC 9110, 13.1.2)."""
    tag = entity_tag(body)
    told = {"ETag": tag, "Cache-Control": "private, no-cache", **(headers or {})}
    known = request.headers.get("if-none-match")
    is_read = status == 200 and request.method in ("GET", "HEAD")
    if is_read and known is not None and (known.strip() == "*" or tag in listed_tags(known)):
        return Response(status_code=304, headers=told)
    return Response(body, status, told, media_type)


def json_reply(request: Request, value: Any, *, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    """A value with its tag."""
    return file_reply(request, as_bytes(value), "application/json", status=status, headers=headers)


def check_unchanged(request: Request, value: Any) -> None:
    """Refuse a change to what is not any more as the client saw it (If-Match).

    Raises
    ------
    Problem
        412.
    """
    wanted = request.headers.get("if-match")
    if wanted is None or wanted.strip() == "*" or entity_tag(as_bytes(value)) in listed_tags(wanted):
        return
    raise changed_meanwhile()


def job_reply(request: Request, job: Job | StoredJob, described: dict[str, Any]) -> Response:
    """202 with a job that goes on, and where it is."""
    headers = {"Location": f"/v1/jobs/{job.id}", "Retry-After": "1"}
    return json_reply(request, described, status=202, headers=headers)


def wanted_wait_s(request: Request, default_s: float) -> float:
    """How long the client wants to wait for a result (RFC 7240, Prefer), at most a minute."""
    for preference in request.headers.get("prefer", "").replace(";", ",").split(","):
        name, _, value = preference.strip().partition("=")
        if name.strip().lower() == "respond-async":
            return 0.0
        if name.strip().lower() == "wait" and value.strip(' "').isdecimal():
            return min(float(value.strip(' "')), 60.0)
    return default_s
