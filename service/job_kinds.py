"""What jobs there are: how each becomes work for a process, and what is kept of its result."""

import hashlib
import json
from contextlib import suppress
from typing import Any

from service.database import new_id
from service.jobs import JobKind
from service.measurement_store import Revision, outdated
from service.notes import carried, with_notes
from service.problems import Problem, invalid
from service.running import Service
from service.workers import Task

Request = dict[str, Any]


def job_kinds(service: Service) -> dict[str, JobKind]:
    """All kinds, for one service."""
    measuring = _Measuring(service)
    revising = _Revising(service)
    answering = _Answering(service)
    return {
        "measure": JobKind(measuring.task, measuring.keep, measuring.drop, "measurement"),
        "revise": JobKind(revising.task, revising.keep, measuring.drop, "measurement"),
        "answer": JobKind(answering.task, answering.keep, _nothing, "answer"),
    }


def measuring_key(photo: str, options: dict[str, Any]) -> str:
    """The same for the same photo and options, whatever they are called."""
    return hashlib.sha256(json.dumps([photo, options], sort_keys=True).encode()).hexdigest()


def measuring_payload(service: Service, photo: str, file_name: str, request: Request) -> dict[str, Any]:
    """What a worker needs to measure a photo."""
    return {
        "photo": str(service.photos.path(photo)),
        "file_name": file_name,
        "max_megapixels": service.settings.max_megapixels,
        "request": request,
        "with_pictures": False,
    }


class _Measuring:
    """A photo for the first time: ``photo``, ``file_name``, ``name``, ``options``."""

    def __init__(self, service: Service) -> None:
        self._service = service

    def task(self, request: Request) -> Task:
        steps = {"options": request["options"], "corners": []}
        payload = measuring_payload(self._service, request["photo"], request["file_name"], steps)
        return Task("measure", payload | {"with_pictures": True}, self._service.settings.measure_s)

    def keep(self, request: Request, result: dict[str, Any]) -> str:
        steps = {"options": request["options"], "corners": []}
        key = measuring_key(request["photo"], request["options"])
        first = Revision("measured", steps, result["document"])
        measurement = self._service.measurements.add(key, request["photo"], request["name"], first)
        with suppress(OSError):  # no matter: they are drawn again when they are asked for
            for width, picture in result["pictures"].items():
                self._service.drawings.write(measurement, f"photo-{width}.jpg", picture)
        return measurement

    def drop(self, request: Request) -> None:
        self._service.drop_photo(request["photo"])


class _Revising:
    """A measurement corrected: ``measurement``, ``base``, ``steps`` from the photo, ``notes``, ``what``."""

    def __init__(self, service: Service) -> None:
        self._service = service

    def task(self, request: Request) -> Task:
        stored = self._service.measurements.get(request["measurement"])
        name = stored.document["photo"]["name"]
        payload = measuring_payload(self._service, stored.photo, name, request["steps"])
        return Task("measure", payload, self._service.settings.measure_s)

    def keep(self, request: Request, result: dict[str, Any]) -> str:
        stored = self._service.measurements.get(request["measurement"])
        if stored.latest != request["base"]:
            raise outdated()
        keeps_names = request["steps"]["options"] == stored.request["options"]
        document = with_notes(carried(stored.document, result["document"], keeps_names), request["notes"])
        revision = Revision(request["what"], request["steps"], document)
        self._service.measurements.add_revision(stored.id, request["base"], revision)
        return stored.id


class _Answering:
    """A search for a layout: a `models.Question` as plain values, and the pattern's file if that came as one."""

    def __init__(self, service: Service) -> None:
        self._service = service

    def task(self, request: Request) -> Task:
        cloth = []
        for stash_id in request["cloth"]:
            measurement, piece = stash_id.split(":")
            try:
                self._service.pieces.get(measurement, piece)
                stored = self._service.measurements.get(measurement)
            except Problem as problem:
                raise invalid(f"There is no piece {stash_id} in the stash: it may have been deleted.") from problem
            cloth.append({"id": stash_id, "piece": piece, "name": stored.name, "document": stored.document})
        settings = self._service.settings
        limit_s = min(request["limit_s"], settings.answer_s)
        payload = {**request, "cloth": cloth, "limit_s": limit_s}
        return Task("answer", payload, limit_s + settings.measure_s, long=True, can_stop=True)

    def keep(self, request: Request, result: dict[str, Any]) -> str:
        answer = new_id()
        try:
            for name, drawing in result["drawings"].items():
                self._service.drawings.write(answer, name, drawing)
            self._service.answers.add(answer, {"cloth": request["cloth"], **result["document"]}, result["placed"])
        except BaseException:
            self._service.drawings.remove_all(answer)
            raise
        return answer


def _nothing(_request: Request) -> None:
    """Such a job needs nothing that only it needs."""
