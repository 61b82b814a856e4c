"""The API's description (OpenAPI 3.1): what the routes say of themselves, and the problems they may end with."""

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic.json_schema import models_json_schema

from service.models import Options, Question
from service.problems import MEDIA_TYPE
from service.reply_models import ProblemDetails

_ABOUT = """\
Send a photo of cloth that lies flat beside a square of known side, and get areas and lengths, each with its standard
uncertainty. Lengths are in mm, areas in mm2, angles in degrees, pixels those of the upright photo; its centres are at
whole numbers, x to the right, y down. service/API.md in the source tells more.
"""
_ANYWHERE = {
    "401": "The token is missing or wrong.",
    "403": "Another web page asked for a change.",
    "421": "The service doesn't go by that name.",
    "422": "The request makes no sense, or the photo can't be measured.",
    "500": "A fault of the service.",
}
_BY_METHOD = {
    "get": {"304": "The client has it already.", "404": "There is no such thing."},
    "post": {
        "400": "The body is damaged.",
        "404": "There is no such thing.",
        "409": "It was changed meanwhile, or the work was stopped.",
        "413": "It is too large.",
        "415": "It is of the wrong type.",
        "503": "Too much waits already; try again after Retry-After seconds.",
        "507": "The disk is full.",
    },
    "patch": {
        "400": "The body is damaged.",
        "404": "There is no such thing.",
        "412": "It was changed meanwhile.",
        "413": "It is too large.",
    },
    "delete": {"404": "There is no such thing.", "412": "It was changed meanwhile."},
}
_WORKED_FOR = {"503": "Too much waits already; try again after Retry-After seconds.", "507": "The disk is full."}


def describe(app: FastAPI) -> dict[str, Any]:
    """The description of an application, made once."""
    if app.openapi_schema is None:
        made = get_openapi(
            title=app.title,
            version=app.version,
            summary=app.summary,
            description=_ABOUT,
            routes=app.routes,
            openapi_version=app.openapi_version,
        )
        schemas = made.setdefault("components", {}).setdefault("schemas", {})
        _, further = models_json_schema(
            [(model, "validation") for model in (ProblemDetails, Options, Question)],
            ref_template="#/components/schemas/{model}",
        )
        schemas.update(further["$defs"])
        for name in ("HTTPValidationError", "ValidationError"):
            schemas.pop(name, None)
        made["components"]["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
        made["security"] = [{}, {"token": []}]
        for path in made["paths"].values():
            for method, operation in path.items():
                _add_problems(method, operation)
        app.openapi_schema = made
    return app.openapi_schema


def _add_problems(method: str, operation: dict[str, Any]) -> None:
    responses = operation["responses"]
    responses.pop("422", None)
    body = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}}
    for status, meaning in {**_ANYWHERE, **_BY_METHOD[method], **(_WORKED_FOR if method == "get" else {})}.items():
        responses[status] = {"description": meaning} | ({} if status == "304" else {"content": body})
