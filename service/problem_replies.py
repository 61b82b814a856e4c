"""Every error of the application becomes a reply with its problem."""

from http import HTTPStatus

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.routing import compile_path

from flatmeasure.errors import FlatMeasureError
from service.problems import MEDIA_TYPE, Problem, invalid, misfit, problem_of

_SENTENCES = {
    404: "There is nothing at this address.",
    405: "This address can't be asked in that way.",
}


def problem_reply(problem: Problem) -> Response:
    """A problem as the whole response."""
    return JSONResponse(problem.to_dict(), problem.status, problem.headers, media_type=MEDIA_TYPE)


def _allowed(request: Request) -> list[str]:
    """Methods that an address knows (RFC 9110, 15.5.6), by the API's description."""
    found = {"get"}  # as a file of the page
    for template, operations in request.app.openapi()["paths"].items():
        if compile_path(template)[0].fullmatch(request.url.path):
            found = set(operations)
    return sorted(method.upper() for method in found | ({"head"} if "get" in found else set()))


def add_handlers(app: FastAPI) -> None:
    """Make every error of an app a problem."""

    async def known(_request: Request, error: Exception) -> Response:
        return problem_reply(problem_of(error))

    async def not_valid(_request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        found = error.errors()
        if any(one["type"] == "json_invalid" for one in found):
            return problem_reply(Problem(400, "request-malformed", "The body is not valid JSON."))
        return problem_reply(invalid(" ".join(misfit(one, "The request") for one in found[:5])))

    async def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        detail = _SENTENCES.get(error.status_code, f"{error.detail}".rstrip(".") + ".")
        if error.status_code == 405:
            error.headers = {**(error.headers or {}), "Allow": ", ".join(_allowed(request))}
        code = HTTPStatus(error.status_code).phrase.lower().replace(" ", "-")
        return problem_reply(Problem(error.status_code, code, detail, error.headers))

    app.add_exception_handler(RequestValidationError, not_valid)
    app.add_exception_handler(HTTPException, http)
    for kind in (Problem, FlatMeasureError, Exception):
        app.add_exception_handler(kind, known)
