"""A measurement's photo and the photo with its measures drawn in."""

from contextlib import suppress
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from flatmeasure.units import LengthUnit
from service.job_kinds import measuring_payload
from service.measurement_store import Stored
from service.measurements import Id, RevisionNumber
from service.replies import file_reply
from service.running import Here, Service
from service.workers import Task

router = APIRouter(prefix="/v1/measurements/{measurement}", tags=["measurements"])

Unit = Annotated[LengthUnit, Query(description="Of lengths.")]


class JpegReply(Response):
    """For the API's description."""

    media_type = "image/jpeg"


@router.get("/photo", response_class=JpegReply, summary="The photo")
async def get_photo(
    request: Request,
    service: Here,
    measurement: Id,
    width: Annotated[Literal["320", "1280", "2560"] | None, Query(description="Scaled down to this width.")] = None,
) -> Response:
    """The photo upright, as JPEG without metadata."""
    stored = await run_in_threadpool(service.measurements.get, measurement)
    payload = {
        "photo": str(service.photos.path(stored.photo)),
        "width": int(width) if width else None,
        "max_megapixels": service.settings.max_megapixels,
    }
    task = Task("picture", payload, service.settings.measure_s)
    content = await drawn(service, measurement, f"photo-{width or 'full'}.jpg", task)
    return file_reply(request, content, "image/jpeg")


@router.get("/overlay", response_class=JpegReply, summary="The photo with its measures drawn in")
async def get_overlay(
    request: Request, service: Here, measurement: Id, revision: RevisionNumber = None, unit: Unit = LengthUnit.MM
) -> Response:
    """The part of the photo with cloth and references, and the measures on it, as JPEG."""
    stored = await run_in_threadpool(service.measurements.get, measurement, revision)
    return file_reply(request, await overlay_of(service, stored, unit), "image/jpeg")


async def overlay_of(service: Service, stored: Stored, unit: LengthUnit) -> bytes:
    """The photo with the measures of a revision drawn in, as JPEG."""
    payload = measuring_payload(service, stored.photo, stored.document["photo"]["name"], stored.request)
    task = Task("overlay", payload | {"unit": str(unit)}, service.settings.measure_s)
    return await drawn(service, stored.id, f"overlay-{stored.revision}-{unit}.jpg", task)


async def drawn(service: Service, owner: str, name: str, task: Task) -> bytes:
    """A file of an owner: the one that is kept, or else made now and kept."""
    content = await run_in_threadpool(service.drawings.read, owner, name)
    if content is None:
        made = await service.work(task)
        content = made if isinstance(made, bytes) else str(made).encode()
        with suppress(OSError):  # the disk is full: it is made again next time
            await run_in_threadpool(service.drawings.write, owner, name, content)
    return content
