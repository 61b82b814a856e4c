"""What the API takes, with examples; lengths in mm, angles in degrees, pixels of the upright photo."""

import unicodedata
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from flatmeasure.pieces.allowance import LARGEST_ALLOWANCE_MM

LARGEST_PX = 100_000.0


def _plain(text: str) -> str:
    if any(unicodedata.category(c) in ("Cc", "Cs", "Cn", "Co") for c in text):
        raise ValueError("no control characters, please")
    return " ".join(text.split())


def _named(text: str) -> str:
    if not text:
        raise ValueError("a name needs a letter at least")
    return text


Words = Annotated[str, Field(max_length=80), AfterValidator(_plain)]
Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_plain), AfterValidator(_named)]
PieceId = Annotated[str, Field(pattern=r"^[A-Z]{1,2}$")]
EdgeId = Annotated[str, Field(pattern=r"^[A-Z]{1,2}[0-9]{1,4}$")]
Coordinate = Annotated[float, Field(ge=-LARGEST_PX, le=LARGEST_PX, allow_inf_nan=False)]
Millimetres = Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)]
Point = Annotated[list[Coordinate], Field(min_length=2, max_length=2)]
Stroke = Annotated[list[Point], Field(min_length=1, max_length=2000)]
BoxPx = Annotated[list[Coordinate], Field(min_length=4, max_length=4)]


class Strict(BaseModel):
    """A model that takes no field it doesn't know."""

    model_config = ConfigDict(extra="forbid", strict=True)

    def plain(self) -> dict[str, Any]:
        """What was given, as plain values."""
        return self.model_dump(exclude_none=True, exclude_defaults=True)


class Hints(Strict):
    """Where a person says cloth is and is not."""

    cloth_px: list[Stroke] = Field(default=[], max_length=200)
    not_cloth_px: list[Stroke] = Field(default=[], max_length=200)
    cloth_boxes_px: list[BoxPx] = Field(default=[], max_length=50)
    not_cloth_boxes_px: list[BoxPx] = Field(default=[], max_length=50)


class Reference(Strict):
    """A square or rectangle whose corners a person gives, in order round it; the side named first comes first."""

    corners_px: list[Point] = Field(min_length=4, max_length=4)
    side_mm: Millimetres | None = None
    width_mm: Millimetres | None = None
    height_mm: Millimetres | None = None

    @model_validator(mode="after")
    def _has_size(self) -> Self:
        is_square, is_rectangle = self.side_mm is not None, self.width_mm is not None and self.height_mm is not None
        if is_square == is_rectangle or (is_square and (self.width_mm or self.height_mm)):
            raise ValueError("give a reference either side_mm, or width_mm and height_mm")
        return self


References = Annotated[list[Reference], Field(min_length=1, max_length=20)]


class Sizes(Strict):
    """What is known of what lies in a photo."""

    square_mm: Millimetres | None = Field(None, description="Side of the reference squares, coded or plain.")
    rectangle_mm: Annotated[list[Millimetres], Field(min_length=2, max_length=2)] | None = None
    grid_mm: Millimetres | None = Field(None, description="Spacing of the lines printed on the mat.")
    thickness_mm: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 0.0
    printed_side_mm: Millimetres | None = Field(None, description="Side of the printed squares by a rule.")


class Options(Sizes):
    """How a photo is to be measured."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"square_mm": 100, "thickness_mm": 0.8}]})

    references: References | None = None
    hints: Hints | None = None
    name: Name | None = Field(None, description="What a person calls it; left out: the file's name.")


class MovedCorner(Strict):
    """A corner and where it is to be."""

    piece: PieceId
    corner: Annotated[int, Field(ge=0, le=10_000)]
    to_px: Point


class AddedCorner(Strict):
    """A place on the outline that is to be a corner."""

    piece: PieceId
    at_px: Point


class RemovedCorner(Strict):
    """A corner that is none."""

    piece: PieceId
    corner: Annotated[int, Field(ge=0, le=10_000)]


Allowance = Annotated[float, Field(ge=0, le=LARGEST_ALLOWANCE_MM, allow_inf_nan=False)]  # as exports take it


class GivenGrain(Strict):
    """The lengthwise grain: an angle from the mat's x axis, or along an edge."""

    angle_deg: Annotated[float, Field(ge=-360, le=360, allow_inf_nan=False)] | None = None
    edge: EdgeId | None = None

    @model_validator(mode="after")
    def _is_one(self) -> Self:
        if (self.angle_deg is None) == (self.edge is None):
            raise ValueError("give the grain either angle_deg or edge")
        return self


Zone = Annotated[list[Point], Field(min_length=3, max_length=500)]


class Notes(Strict):
    """What a person adds to a piece. A field that is left out stays as it was; null takes it away."""

    name: Words | None = None
    labels: dict[EdgeId, Words] | None = Field(None, max_length=200)
    allowances_mm: dict[EdgeId, Allowance] | None = None
    grain: GivenGrain | None = None
    layers: Annotated[int, Field(ge=1, le=100)] | None = None
    flaws_mm: list[Zone] | None = Field(None, max_length=200)


class Corrections(Strict):
    """What is to be changed.

    Options, hints and references are the whole set from now on. They find the outline anew: corners corrected before
    are then as they are found, and corners can't be corrected in the same go. A revision is restored by itself.
    """

    options: Sizes | None = None
    hints: Hints | None = None
    references: References | None = None
    moved_corners: list[MovedCorner] = Field(default=[], max_length=500)
    added_corners: list[AddedCorner] = Field(default=[], max_length=500)
    removed_corners: list[RemovedCorner] = Field(default=[], max_length=500)
    notes: dict[PieceId, Notes] = Field(default={}, max_length=200)
    restore: Annotated[int, Field(ge=1, le=1_000_000)] | None = Field(None, description="A revision to go back to.")

    @model_validator(mode="after")
    def _go_together(self) -> Self:
        finds_anew = any(one is not None for one in (self.options, self.hints, self.references))
        of_corners = bool(self.moved_corners or self.added_corners or self.removed_corners)
        if not (finds_anew or of_corners or self.notes or self.restore):
            raise ValueError("there is nothing to correct: give options, hints, references, corners, notes or restore")
        if finds_anew and of_corners:
            raise ValueError("options, hints and references find the outline anew: correct corners afterwards")
        if self.restore is not None and (finds_anew or of_corners or self.notes):
            raise ValueError("a revision is restored by itself, without other corrections")
        return self


class NewRevision(Strict):
    """Corrections to a revision, which must be the latest."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"base": 1, "corrections": {"notes": {"A": {"name": "front", "labels": {"A1": "centre front"}}}}},
                {"base": 1, "corrections": {"hints": {"not_cloth_px": [[[400, 300], [420, 310]]]}}},
                {"base": 1, "corrections": {"options": {"square_mm": 80, "thickness_mm": 0.6}}},
            ]
        }
    )

    base: Annotated[int, Field(ge=1, le=1_000_000)]
    corrections: Corrections


class Renaming(Strict):
    """A new name."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"name": "coat, back"}]})

    name: Name


class Rules(Strict):
    """How pieces may lie."""

    tolerance_deg: Annotated[float, Field(ge=0, le=45, allow_inf_nan=False)] = 0.0
    clearance_mm: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 0.0
    face: Literal["right", "wrong", "both"] = "right"


StashId = Annotated[str, Field(pattern=r"^[0-9a-f]{16}:[A-Z]{1,2}$")]


class Question(Strict):
    """Whether pieces can be cut from cloth in the stash. The pattern comes here, or as a file beside this."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "cloth": ["0123456789abcdef:A"],
                    "pattern": {
                        "schema": "flatmeasure.pattern/1",
                        "unit": "mm",
                        "pieces": [{"name": "pocket", "rectangle": [140, 160], "count": 2}],
                    },
                    "rules": {"tolerance_deg": 2, "clearance_mm": 3},
                    "effort": "quick",
                }
            ]
        }
    )

    cloth: list[StashId] = Field(min_length=1, max_length=50)
    pattern: dict[str, Any] | None = Field(None, description="flatmeasure.pattern/1, or a measurement.")
    rules: Rules = Rules()
    effort: Literal["quick", "normal", "long"] = "normal"
    limit_s: Annotated[float, Field(gt=0, le=300, allow_inf_nan=False)] = 60.0
    unit: Literal["mm", "cm", "in"] = Field("mm", description="Of the answer's sentences.")
