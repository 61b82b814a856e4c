"""Is the service alive, is it ready, and its figures."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.problems import Problem
from service.replies import json_reply
from service.reply_models import StatusReply
from service.running import Here

router = APIRouter(tags=["health"])


class TextReply(Response):
    """For the API's description."""

    media_type = "text/plain"


@router.get("/health/live", response_model=StatusReply, summary="Is it alive")
async def live(request: Request) -> Response:
    """It answers."""
    return json_reply(request, {"status": "alive"})


@router.get("/health/ready", response_model=StatusReply, summary="Is it ready")
def ready(request: Request, service: Here) -> Response:
    """The database answers and the workers take work."""
    try:
        service.database.check()
    except Exception as error:
        raise Problem(503, "not-ready", "The database doesn't answer.", {"Retry-After": "10"}) from error
    if not service.pool.alive:
        raise Problem(503, "not-ready", "The workers don't take work.", {"Retry-After": "10"})
    return json_reply(request, {"status": "ready"})


@router.get("/metrics", response_class=TextReply, summary="Figures for Prometheus")
def metrics(service: Here) -> Response:
    """Counters of requests, jobs and workers."""
    return Response(service.metrics.text(), media_type="text/plain; version=0.0.4; charset=utf-8")
