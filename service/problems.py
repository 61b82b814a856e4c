"""Errors as problem details (RFC 9457): the library's plain sentence, and a stable code for programs.

Every problem is of type ``about:blank``: its title is the phrase of its status, and ``code`` tells it from others.
"""

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from flatmeasure import errors

_DISK_FULL = ("No space left on device", "disk is full", "Disk quota exceeded")  # of systems and both databases
_PHRASES = {413: "Content Too Large", 422: "Unprocessable Content"}  # RFC 9110, 15.5; Python knows the older names
RETRY_AFTER_S = 10
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
            "title": _PHRASES.get(self.status) or HTTPStatus(self.status).phrase,
            "status": self.status,
            "detail": self.detail,
            "code": self.code,
        }


def problem_of(error: BaseException) -> Problem:
    """What the user is told about an error; one of ours is logged and told without its inside."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, errors.FlatMeasureError):
        code = next((CODES[kind] for kind in type(error).__mro__ if kind in CODES), "not-measurable")
        return Problem(422, code, str(error))
    if isinstance(error, MemoryError):
        return Problem(422, "too-large", "There is not enough memory for this: make it smaller.")
    if any(words in str(error) for words in _DISK_FULL):
        detail = "The service's disk is full: delete what is no longer needed, then try again."
        return Problem(507, "storage-full", detail)
    _log.error("A fault of ours", exc_info=error)
    return Problem(500, "fault", "Something went wrong inside the service: try again, and report it if it stays.")


def missing(what: str) -> Problem:
    """Nothing of this kind has the given id."""
    return Problem(404, "not-found", f"There is no such {what}: it may have been deleted.")


def invalid(detail: str) -> Problem:
    """A value in the request makes no sense."""
    return Problem(422, "request-invalid", detail)


def misfit(fault: Mapping[str, Any], whole: str, *within: str) -> str:
    """Which value doesn't fit what is asked for, and why.

    Parameters
    ----------
    fault : mapping
        As pydantic tells it.
    whole : str
        What to call the request where no field of it is to blame.
    *within : str
        Names of the fields around what was read.
    """
    where = ".".join([*within, *(str(part) for part in fault["loc"] if part != "body")])
    return f"{where or whole}: {str(fault['msg']).removeprefix('Value error, ')}."


def too_large() -> Problem:
    """More bytes than the service takes."""
    return Problem(413, "too-large", "What was sent is too large.")


def busy() -> Problem:
    """Too much waits already."""
    detail = f"The service has as much to do as it can take: try again in {RETRY_AFTER_S} seconds."
    return Problem(503, "busy", detail, {"Retry-After": str(RETRY_AFTER_S)})


def changed_meanwhile() -> Problem:
    """A change to something that is not any more as it was seen."""
    return Problem(412, "changed-meanwhile", "It was changed meanwhile: fetch it again, then change that.")
