"""Every error of the application becomes a reply with its problem."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from flatmeasure.errors import FlatMeasureError
from service.problems import MEDIA_TYPE, Problem, invalid, problem_of

_SENTENCES = {
    404: "There is nothing at this address.",
    405: "This address can't be asked in that way.",
    413: "What was sent is too large.",
}


def problem_reply(problem: Problem) -> Response:
    """A problem as the whole response."""
    return JSONResponse(problem.to_dict(), problem.status, problem.headers, media_type=MEDIA_TYPE)


def _sentence(error: Mapping[str, Any]) -> str:
    where = ".".join(str(part) for part in error["loc"] if part != "body")
    return f"{where or 'The request'}: {str(error['msg']).removeprefix('Value error, ')}."


def add_handlers(app: FastAPI) -> None:
    """Make every error of an app a problem."""

    async def known(_request: Request, error: Exception) -> Response:
        return problem_reply(problem_of(error))

    async def not_valid(_request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        found = error.errors()
        if any(one["type"] == "json_invalid" for one in found):
            return problem_reply(Problem(400, "request-malformed", "The body is not valid JSON."))
        return problem_reply(invalid(" ".join(_sentence(one) for one in found[:5])))

    async def http(_request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        detail = _SENTENCES.get(error.status_code, f"{error.detail}".rstrip(".") + ".")
        code = HTTPStatus(error.status_code).phrase.lower().replace(" ", "-")
        return problem_reply(Problem(error.status_code, code, detail, error.headers))

    app.add_exception_handler(RequestValidationError, not_valid)
    app.add_exception_handler(HTTPException, http)
    for kind in (Problem, FlatMeasureError):
        app.add_exception_handler(kind, known)
