"""Jobs: how far they are, and ending them."""

from typing import Annotated

from fastapi import APIRouter, Path, Request
from fastapi.responses import Response

from service.replies import json_reply
from service.reply_models import JobReply
from service.running import Here

router = APIRouter(prefix="/v1/jobs", tags=["jobs"])

Id = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$", description="Of the job.")]


@router.get("/{job}", response_model=JobReply, summary="How far a job is")
def get_job(request: Request, service: Here, job: Id) -> Response:
    """A job, and the id of what it came to once it is done."""
    return json_reply(request, service.board.describe(service.board.find(job)))


@router.delete("/{job}", status_code=202, response_model=JobReply, summary="End a job")
def stop_job(request: Request, service: Here, job: Id) -> Response:
    """End a job: a search for a layout gives the best so far, other work is given up."""
    return json_reply(request, service.board.describe(service.board.stop(job)), status=202)
