"""What the API gives, for its description and its tests."""

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field


class Reply(BaseModel):
    """A reply; a client must bear fields that it doesn't know."""

    model_config = ConfigDict(extra="allow")


class ProblemDetails(Reply):
    """What went wrong (RFC 9457)."""

    type: str = Field(examples=["about:blank"])
    title: str = Field(examples=["Unprocessable Entity"])
    status: int = Field(examples=[422])
    detail: str = Field(examples=["No reference square was found: lay one of known side beside the cloth."])
    code: str = Field(examples=["reference-not-found"])


class QuantityReply(Reply):
    """A value with its standard uncertainty u; people are shown 2u."""

    value: float
    u: float = Field(ge=0)
    unit: Literal["mm", "mm2", "deg"]


class JobReply(Reply):
    """Work that goes on or has ended."""

    id: str
    state: Literal["queued", "running", "done", "failed"]
    progress: float = Field(ge=0, le=1)
    step: str = Field(examples=["finding the squares"])
    measurement: str | None = Field(description="Id of what it came to.")
    answer: str | None = Field(description="Id of what it came to.")
    problem: ProblemDetails | None


class RevisionReply(Reply):
    """One state of a measurement."""

    revision: int
    created: str
    what: str = Field(examples=["corners corrected"])


class MeasurementReply(Reply):
    """A measurement."""

    id: str = Field(examples=["0123456789abcdef"])
    name: str
    created: str = Field(examples=["2026-01-31T09:30:00.000000Z"])
    revision: int
    revisions: list[RevisionReply]
    options: dict[str, Any] = Field(description="As given, with the hints and references of this revision.")
    measurement: dict[str, Any] = Field(description="flatmeasure.measurement/1, with the notes on its pieces.")
    links: dict[str, str]


class ListedPiece(Reply):
    """A piece of a listed measurement."""

    id: str
    name: str | None
    area: QuantityReply
    complete: bool


class ListedMeasurement(Reply):
    """A measurement in a list."""

    id: str
    name: str
    created: str
    revision: int
    thumbnail: str
    pieces: list[ListedPiece]
    warnings: int


class MeasurementList(Reply):
    """A page of measurements."""

    items: list[ListedMeasurement]
    next: str | None = Field(description="Where the next page is.")


class PieceReply(Reply):
    """A piece of the stash."""

    id: str = Field(examples=["0123456789abcdef:A"])
    measurement: str
    piece: str
    name: str
    created: str
    area: QuantityReply
    perimeter: QuantityReply
    along: QuantityReply
    across: QuantityReply
    complete: bool
    outline_mm: list[list[float]]
    holes_mm: list[list[list[float]]]
    layers: int | None
    grain: dict[str, Any] | None
    thumbnail: str


class PieceList(Reply):
    """A page of the stash."""

    items: list[PieceReply]
    next: str | None


class AnswerReply(Reply):
    """Whether there is enough cloth."""

    id: str
    created: str
    cloth: list[str]
    verdict: Literal["enough", "too close to call", "not enough", "no layout found"]
    text: str = Field(description="Sentences for a person, a line each.")
    margin_mm: float | None = Field(description="By how much the cloth's edges could still come in.")
    stopped: bool = Field(description="Whether the search was ended early.")
    layout: dict[str, Any] = Field(description="flatmeasure.layout/1.")
    way_out: dict[str, Any] | None = Field(description="A change with which all fits, and its layout.")
    warnings: list[str]
    links: dict[str, str]


class PlacedPiece(Reply):
    """What is to be cut, in pixels of the cloth's photo."""

    piece: str
    copy_: int = Field(alias="copy")
    mirrored: bool
    layer: str
    outline_px: list[list[float]]
    grain_px: list[list[float]]


class PlacedReply(Reply):
    """All that is to be cut from one cloth."""

    placed: list[PlacedPiece]


class StatusReply(Reply):
    """How the service is."""

    status: str
