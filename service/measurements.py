"""Measurements: a photo is measured, fetched again, corrected, named and deleted."""

import json
import re
from pathlib import PurePosixPath
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, Path, Query, Request, UploadFile
from fastapi.responses import Response
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool

from service.job_kinds import measuring_key
from service.jobs import Job
from service.measurement_store import MeasurementStore, Revision, Stored, outdated
from service.models import Corrections, NewRevision, Options, Renaming
from service.notes import with_notes
from service.paging import LARGEST_PAGE, next_link
from service.problems import Problem, invalid, misfit
from service.replies import check_unchanged, job_reply, json_reply, wanted_wait_s
from service.reply_models import JobReply, MeasurementList, MeasurementReply
from service.running import Here, Service, wait_for
from service.settings import FORM_BYTES, PHOTO_BYTES
from service.stripping import can_strip, strip
from service.workers import Task

router = APIRouter(prefix="/v1/measurements", tags=["measurements"])

GOES_ON: dict[int | str, dict[str, Any]] = {202: {"model": JobReply, "description": "It goes on as a job."}}
Id = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$", description="Of the measurement.")]
Words = Annotated[str | None, Query(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$", description="Words of its names.")]
Limit = Annotated[int, Query(ge=1, le=LARGEST_PAGE, description="Of items on a page.")]
Cursor = Annotated[str | None, Query(max_length=500, description="Of `next`.")]
RevisionNumber = Annotated[int | None, Query(ge=1, le=1_000_000, description="Left out: the latest.")]


@router.post(
    "",
    status_code=201,
    response_model=MeasurementReply,
    responses={200: {"model": MeasurementReply, "description": "It was measured before."}, **GOES_ON},
    summary="Measure a photo",
    max_body_size=PHOTO_BYTES + FORM_BYTES,
)
async def add_measurement(
    request: Request,
    service: Here,
    photo: Annotated[UploadFile, File(description="JPEG, PNG, WebP, TIFF or HEIC.")],
    options: Annotated[str, Form(description="JSON of the schema Options.", examples=['{"square_mm": 100}'])] = "{}",
) -> Response:
    """Measure the cloth in a photo; the same photo with the same options is measured once."""
    given = _options(options)
    plain = given.plain()
    called = file_name(photo.filename)
    name = plain.pop("name", None) or PurePosixPath(called).stem or "photo"
    wanted = {"file_name": called, "name": name, "options": plain}
    async with service.receiving:
        job = await run_in_threadpool(_begin, service, await _stored_photo(service, await photo.read()), wanted)
    if isinstance(job, str):
        return await _reply(request, service, job, status=200)
    await wait_for(job, wanted_wait_s(request, service.settings.wait_s))
    return await finished_reply(request, service, job)


@router.get("", response_model=MeasurementList, summary="List measurements, newest first")
def list_measurements(
    request: Request, service: Here, q: Words = None, limit: Limit = 20, cursor: Cursor = None
) -> Response:
    """Measurements whose names, pieces or labels hold all the words."""
    rows = service.measurements.page(q, limit + 1, cursor)
    items = [
        {
            **{field: row[field] for field in ("id", "name", "created", "revision")},
            "thumbnail": f"/v1/measurements/{row['id']}/photo?width=320",
            **json.loads(row["summary"]),
        }
        for row in rows[:limit]
    ]
    more = len(rows) > limit
    last = rows[limit - 1] if more else None
    link = next_link("/v1/measurements", (last["created"], last["id"]), q=q, limit=limit) if last else None
    return json_reply(request, {"items": items, "next": link})


@router.get("/{measurement}", response_model=MeasurementReply, summary="Fetch a measurement")
def get_measurement(request: Request, service: Here, measurement: Id, revision: RevisionNumber = None) -> Response:
    """A measurement at its latest revision or another."""
    return json_reply(request, represented(service.measurements.get(measurement, revision)))


@router.patch("/{measurement}", response_model=MeasurementReply, summary="Name a measurement")
def rename_measurement(request: Request, service: Here, measurement: Id, renaming: Renaming) -> Response:
    """Give it another name; with If-Match only if it is still as it was seen."""
    seen = service.measurements.get(measurement)
    check_unchanged(request, represented(seen))
    service.measurements.rename(seen, renaming.name)
    return json_reply(request, represented(service.measurements.get(measurement)))


@router.delete("/{measurement}", status_code=204, summary="Delete a measurement")
def delete_measurement(request: Request, service: Here, measurement: Id) -> Response:
    """Delete it with its photo, revisions and pieces."""
    check_unchanged(request, represented(service.measurements.get(measurement)))
    photo = service.measurements.delete(measurement)
    service.drawings.remove_all(measurement)
    service.drop_photo(photo)
    return Response(status_code=204)


@router.post(
    "/{measurement}/revisions",
    status_code=201,
    response_model=MeasurementReply,
    responses=GOES_ON,
    summary="Correct a measurement",
)
async def add_revision(request: Request, service: Here, measurement: Id, new: NewRevision) -> Response:
    """Make a new revision from the latest one; the old ones are kept."""
    stored = await run_in_threadpool(service.measurements.get, measurement)
    if stored.latest != new.base:
        raise outdated()
    steps, what = _steps(stored, new.corrections)
    notes = {piece: one.model_dump(exclude_unset=True) for piece, one in new.corrections.notes.items()}
    if new.corrections.restore is not None or not what:
        await run_in_threadpool(_rewrite, service.measurements, stored, new.corrections.restore, notes)
        return await _reply(request, service, measurement, status=201)
    wanted = {"measurement": measurement, "base": new.base, "steps": steps, "notes": notes, "what": what}
    job = await run_in_threadpool(service.board.submit, "revise", {**wanted, "photo": stored.photo})
    await wait_for(job, wanted_wait_s(request, service.settings.wait_s))
    return await finished_reply(request, service, job)


def represented(stored: Stored) -> dict[str, Any]:
    """A measurement as the API tells it."""
    at = f"/v1/measurements/{stored.id}"
    of = "" if stored.revision == stored.latest else f"?revision={stored.revision}"
    drawn = ("overlay", "table.csv", "outline.svg", "outline.dxf", "pattern.pdf", "report.html")
    return {
        "id": stored.id,
        "name": stored.name,
        "created": stored.created,
        "revision": stored.revision,
        "revisions": list(stored.history),
        "options": stored.request["options"],
        "measurement": stored.document,
        "links": {"self": at + of, "photo": f"{at}/photo", **{name: f"{at}/{name}{of}" for name in drawn}},
    }


async def finished_reply(request: Request, service: Service, job: Job) -> Response:
    """The measurement a job came to, its problem, or the job itself while it goes on."""
    if job.problem is not None:
        raise job.problem
    if job.result is None:
        return job_reply(request, job, service.board.describe(job))
    return await _reply(request, service, job.result, status=201)


async def _reply(request: Request, service: Service, measurement: str, *, status: int) -> Response:
    stored = await run_in_threadpool(service.measurements.get, measurement)
    told = represented(stored)
    return json_reply(request, told, status=status, headers={"Location": told["links"]["self"]})


def _options(text: str) -> Options:
    try:
        return Options.model_validate_json(text)
    except ValidationError as error:
        raise invalid(misfit(error.errors()[0], "", "options")) from error


async def _stored_photo(service: Service, data: bytes) -> bytes:
    """A photo without its metadata, as it is kept."""
    if not data:
        raise Problem(422, "photo-unreadable", "The photo is empty: choose it again.")
    if can_strip(data):
        return await run_in_threadpool(strip, data, service.settings.max_megapixels)
    payload = {"content": data, "max_megapixels": service.settings.max_megapixels}
    converted = await service.work(Task("convert", payload, service.settings.measure_s))
    assert isinstance(converted, bytes)
    return converted


def _begin(service: Service, photo: bytes, wanted: dict[str, Any]) -> Job | str:
    """The job that measures a photo, or the measurement there is already."""
    with service.photo_lock:
        digest = service.photos.put(photo)
        key = measuring_key(digest, wanted["options"])
        known = service.measurements.find(key)
        return known or service.board.submit("measure", {"photo": digest, **wanted}, key)


def file_name(given: str | None) -> str:
    """What a file is called, without folders and odd characters; it is shown, and never used as a path."""
    last = re.split(r"[/\\]", given or "")[-1]
    return "".join(c for c in last if c.isprintable())[:80].strip() or "photo"


def _steps(stored: Stored, corrections: Corrections) -> tuple[dict[str, Any], str]:
    """All that leads from the photo to the corrected measurement, and what was corrected, in words."""
    options, corners = dict(stored.request["options"]), list(stored.request["corners"])
    plain = corrections.plain()
    what = []
    if "options" in plain:
        kept = {field: options[field] for field in ("references", "hints") if field in options}
        options, corners = kept | plain["options"], []
        what.append("other settings")
    for field, words in (("hints", "cloth marked"), ("references", "reference given")):
        if field in plain:
            options[field] = plain[field]
            corners = []  # the outline is found anew, and its corners with it
            what.append(words)
    moved = {field: plain[field] for field in ("moved_corners", "added_corners", "removed_corners") if field in plain}
    if moved:
        corners.append(moved)
        what.append("corners corrected")
    return {"options": options, "corners": corners}, ", ".join(what)


def _rewrite(store: MeasurementStore, stored: Stored, restore: int | None, notes: dict[str, Any]) -> None:
    """Keep a revision that needs no measuring: one that was there before, or other notes."""
    if restore is not None:
        old = store.get(stored.id, restore)
        new = Revision(f"back to {restore}", old.request, old.document)
    else:
        new = Revision("notes", stored.request, with_notes(stored.document, notes))
    store.add_revision(stored.id, stored.latest, new)
