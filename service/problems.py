"""Errors as problem details (RFC 9457): the library's plain sentence, and a stable code for programs.

Every problem is of type ``about:blank``: its title is the phrase of its status, and ``code`` tells it from others.
"""

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from sqlalchemy.exc import OperationalError
from starlette.exceptions import HTTPException

from flatmeasure import errors

MEDIA_TYPE = "application/problem+json"
CODES: dict[type[errors.FlatMeasureError], str] = {
    errors.PhotoUnreadable: "photo-unreadable",
    errors.PhotoUnusable: "photo-unusable",
    errors.ReferenceNotFound: "reference-not-found",
    errors.ReferenceImplausible: "reference-implausible",
    errors.ClothNotFound: "cloth-not-found",
    errors.OptionInvalid: "option-invalid",
    errors.PieceUnreadable: "piece-unreadable",
    errors.PatternInvalid: "pattern-invalid",
    errors.ProfileUnreadable: "lens-profile-unreadable",
    errors.ViewsUnfit: "views-unfit",
}
_SENTENCES = {
    404: "There is nothing at this address.",
    405: "This address can't be asked in that way.",
    413: "What was sent is too large.",
}
_log = logging.getLogger("service")


class Problem(Exception):  # noqa: N818 - named as the standard does
    """What a request ends with instead of its result.

    Parameters
    ----------
    status : int
    code : str
        Stable name for programs.
    detail : str
        One or two plain sentences.
    headers : mapping, optional
    """

    def __init__(self, status: int, code: str, detail: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(detail)
        self.status = status
        self.code = code
        self.detail = detail
        self.headers = dict(headers or {})

    def __reduce__(self) -> tuple[type["Problem"], tuple[int, str, str, dict[str, str]]]:
        return Problem, (self.status, self.code, self.detail, self.headers)  # workers send it through a pipe

    def to_dict(self) -> dict[str, Any]:
        """The body."""
        return {
            "type": "about:blank",
            "title": HTTPStatus(self.status).phrase,
            "status": self.status,
            "detail": self.detail,
            "code": self.code,
        }

    def response(self) -> Response:
        """The whole response."""
        return JSONResponse(self.to_dict(), self.status, self.headers, media_type=MEDIA_TYPE)


def problem_of(error: BaseException) -> Problem:
    """What the user is told about an error; one of ours is logged and told without its inside."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, errors.FlatMeasureError):
        code = next((CODES[kind] for kind in type(error).__mro__ if kind in CODES), "not-measurable")
        return Problem(422, code, str(error))
    if isinstance(error, MemoryError):
        return Problem(422, "too-large", "There is not enough memory for this: make it smaller.")
    if (isinstance(error, OSError) and error.errno in (28, 122)) or (
        isinstance(error, OperationalError) and "full" in str(error)
    ):
        return Problem(
            507, "storage-full", "The service's disk is full: delete what is no longer needed, then try again."
        )
    _log.error("A fault of ours", exc_info=error)
    return Problem(500, "fault", "Something went wrong inside the service: try again, and report it if it stays.")


def missing(what: str) -> Problem:
    """Nothing of this kind has the given id."""
    return Problem(404, "not-found", f"There is no such {what}: it may have been deleted.")


def invalid(detail: str) -> Problem:
    """A value in the request makes no sense."""
    return Problem(422, "request-invalid", detail)


def busy(seconds: int) -> Problem:
    """Too much waits already."""
    detail = f"The service has as much to do as it can take: try again in {seconds} seconds."
    return Problem(503, "busy", detail, {"Retry-After": str(seconds)})


def _sentence(error: Mapping[str, Any]) -> str:
    where = ".".join(str(part) for part in error["loc"] if part != "body")
    return f"{where or 'The request'}: {str(error['msg']).removeprefix('Value error, ')}."


def add_handlers(app: FastAPI) -> None:
    """Make every error of an app a problem."""

    async def known(_request: Request, error: Exception) -> Response:
        return problem_of(error).response()

    async def not_valid(_request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        found = error.errors()
        if any(one["type"] == "json_invalid" for one in found):
            return Problem(400, "request-malformed", "The body is not valid JSON.").response()
        return invalid(" ".join(_sentence(one) for one in found[:5])).response()

    async def http(_request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        detail = _SENTENCES.get(error.status_code, f"{error.detail}".rstrip(".") + ".")
        code = HTTPStatus(error.status_code).phrase.lower().replace(" ", "-")
        return Problem(error.status_code, code, detail, error.headers).response()

    app.add_exception_handler(RequestValidationError, not_valid)
    app.add_exception_handler(HTTPException, http)
    for kind in (Problem, errors.FlatMeasureError, OSError, OperationalError, Exception):
        app.add_exception_handler(kind, known)
