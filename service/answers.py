"""Answers: is there enough cloth for the pieces, and how they are laid."""

import base64
import json
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import Response
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from flatmeasure.units import LengthUnit
from service.answer_store import StoredAnswer
from service.measurements import GOES_ON, file_name
from service.models import Question
from service.pictures import Unit
from service.pieces import SVG, SvgReply
from service.problems import Problem, invalid, misfit, missing
from service.replies import file_reply, job_reply, json_reply, wanted_wait_s
from service.reply_models import AnswerReply, PlacedReply
from service.running import Here, Service, wait_for
from service.settings import FORM_BYTES, JSON_BYTES, PATTERN_BYTES

router = APIRouter(prefix="/v1/answers", tags=["answers"])

Id = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$", description="Of the answer.")]
Cloth = Annotated[
    str | None,
    Query(
        pattern=r"^[0-9a-f]{16}:[A-Z]{1,2}$", description="A piece of the stash; left out: the first of the question."
    ),
]
_BODY = {
    "required": True,
    "content": {
        "application/json": {"schema": {"$ref": "#/components/schemas/Question"}},
        "multipart/form-data": {
            "schema": {
                "type": "object",
                "required": ["pattern", "request"],
                "properties": {
                    "pattern": {"type": "string", "format": "binary", "description": "JSON, SVG or DXF."},
                    "request": {"type": "string", "description": "JSON of the schema Question, without pattern."},
                },
            }
        },
    },
}


class PdfReply(Response):
    """For the API's description."""

    media_type = "application/pdf"


@router.post(
    "",
    status_code=201,
    response_model=AnswerReply,
    responses=GOES_ON,
    summary="Ask whether there is enough cloth",
    max_body_size=PATTERN_BYTES + FORM_BYTES,
    openapi_extra={"requestBody": _BODY},
)
async def add_answer(request: Request, service: Here) -> Response:
    """Lay the pieces of a pattern on cloth of the stash; the job can be ended early with the best so far."""
    wanted = await _wanted(request)
    job = await run_in_threadpool(service.board.submit, "answer", wanted)
    await wait_for(job, wanted_wait_s(request, service.settings.wait_s))
    if job.problem is not None:
        raise job.problem
    if job.result is None:
        return job_reply(request, job, service.board.describe(job))
    told = represented(await run_in_threadpool(service.answers.get, job.result))
    return json_reply(request, told, status=201, headers={"Location": told["links"]["self"]})


@router.get("/{answer}", response_model=AnswerReply, summary="Fetch an answer")
def get_answer(request: Request, service: Here, answer: Id) -> Response:
    """The verdict, in a few sentences and in figures, and the layout."""
    return json_reply(request, represented(service.answers.get(answer)))


@router.delete("/{answer}", status_code=204, summary="Delete an answer")
def delete_answer(service: Here, answer: Id) -> Response:
    """Delete it with its drawings."""
    service.answers.delete(answer)
    service.drawings.remove_all(answer)
    return Response(status_code=204)


@router.get("/{answer}/placed", response_model=PlacedReply, summary="The layout in the photo")
def get_placed(request: Request, service: Here, answer: Id, cloth: Cloth = None) -> Response:
    """Outlines and grain of what is to be cut from one cloth, in pixels of that cloth's photo."""
    stored = service.answers.get(answer)
    return json_reply(request, {"placed": stored.placed[_chosen(stored, cloth)]})


@router.get("/{answer}/layout.svg", response_class=SvgReply, summary="The layout on one cloth")
def get_layout_svg(
    request: Request, service: Here, answer: Id, cloth: Cloth = None, unit: Unit = LengthUnit.MM
) -> Response:
    """One cloth as its right side is seen, with what is to be cut from it, in true size."""
    stored = service.answers.get(answer)
    place = stored.document["cloth"].index(_chosen(stored, cloth))
    return _drawing(request, service, answer, f"layout-{unit}-{place}.svg", SVG)


@router.get("/{answer}/layout.pdf", response_class=PdfReply, summary="The layout as PDF")
def get_layout_pdf(request: Request, service: Here, answer: Id, unit: Unit = LengthUnit.MM) -> Response:
    """A page in true size for each cloth that something is cut from."""
    service.answers.get(answer)
    return _drawing(request, service, answer, f"layout-{unit}.pdf", "application/pdf")


@router.get("/{answer}/pieces.json", summary="The pieces as they are laid")
def get_pieces(request: Request, service: Here, answer: Id) -> Response:
    """The pattern, as the way out changes it where there is one."""
    service.answers.get(answer)
    return _drawing(request, service, answer, "pieces.json", "application/json")


def represented(stored: StoredAnswer) -> dict[str, Any]:
    """An answer as the API tells it."""
    at = f"/v1/answers/{stored.id}"
    files = ("placed", "layout.svg", "layout.pdf", "pieces.json")
    links = {"self": at, **{name: f"{at}/{name}" for name in files}}
    return {"id": stored.id, "created": stored.created, **stored.document, "links": links}


def _chosen(stored: StoredAnswer, cloth: str | None) -> str:
    known: list[str] = stored.document["cloth"]
    if cloth is not None and cloth not in known:
        raise missing("cloth in this answer")
    return cloth or known[0]


def _drawing(request: Request, service: Service, answer: str, name: str, media_type: str) -> Response:
    content = service.drawings.read(answer, name)
    if content is None:
        raise Problem(404, "nothing-laid", "Nothing is cut from this cloth, so there is no drawing of it.")
    return file_reply(request, content, media_type)


async def _wanted(request: Request) -> dict[str, Any]:
    """The question as plain values, from JSON or from a form with a file."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind == "application/json":
        question = _question(await request.body())
        if question.pattern is None:
            raise invalid("pattern: a pattern is needed.")
        return _plain(question)
    if kind != "multipart/form-data":
        raise Problem(415, "wrong-type", "Ask with JSON, or with a form that carries the pattern's file.")
    async with request.form(max_files=1, max_fields=2, max_part_size=JSON_BYTES) as form:
        pattern, text = form.get("pattern"), form.get("request")
        if not isinstance(pattern, UploadFile) or not isinstance(text, str):
            raise invalid("The form needs the file `pattern` and the JSON `request`.")
        question = _question(text.encode())
        content = base64.b64encode(await pattern.read()).decode()
    if question.pattern is not None:
        raise invalid("pattern: give it as a file or in the request, not both.")
    return {**_plain(question), "pattern_file": {"name": file_name(pattern.filename), "content": content}}


def _plain(question: Question) -> dict[str, Any]:
    return {**question.model_dump(), "cloth": list(dict.fromkeys(question.cloth))}


def _question(text: bytes) -> Question:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise Problem(400, "request-malformed", "The question is not valid JSON.") from error
    try:
        return Question.model_validate(data)
    except ValidationError as error:
        raise invalid(misfit(error.errors()[0], "The question")) from error
