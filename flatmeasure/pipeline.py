"""The whole way from a photo to a measurement; each step is a module of its own."""

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import count, product
from string import ascii_uppercase
from typing import TypedDict, Unpack

import numpy as np

from flatmeasure.cloth.flaws import find_flaws
from flatmeasure.cloth.hints import Hints
from flatmeasure.cloth.regions import ClothRegion
from flatmeasure.cloth.segmentation import SeenCloth, resegment_cloth, see_cloth
from flatmeasure.errors import ClothNotFound, Note, OptionInvalid
from flatmeasure.outline.growth import without_growth
from flatmeasure.outline.refinement import refine_outline, unsure_beside
from flatmeasure.photos.photo import Photo, PhotoSource, load_photo
from flatmeasure.references.candidates import coded_candidates, grey_of
from flatmeasure.references.figures import Rectangle, Square
from flatmeasure.results.advice import best_remedy
from flatmeasure.results.measurement import UNSURE, WEAK_SHARE, Flaw, Measurement, Piece
from flatmeasure.results.measures import measure_piece
from flatmeasure.results.shape import GO_NEARER, TOO_NARROW
from flatmeasure.view.grid import rectify_on_grid
from flatmeasure.view.grid_alone import bare_patches, first_view
from flatmeasure.view.grid_lines import GridLines, grid_lines
from flatmeasure.view.lens_profile import LensProfile
from flatmeasure.view.line_tracing import TracedLine
from flatmeasure.view.rectification import Rectification
from flatmeasure.view.straight_lines import find_straight_lines, with_straight_lines

MAX_THICKNESS_MM = 100.0
STEEP_DEG = 30.0
REFUSAL = "cloth-refused"
LEFT_OUT = "piece-left-out"
REFUSED = 0.4  # where cloth and ground are this much alike, a tenth of the area was missed in trials
MOST_WEAK = 0.4  # of an outline without a clear step; measured rightly in trials were pieces with up to 0.25
FLAW_WORDS = {"stain": "a stain", "hole": "a hole", "worn": "a worn patch", "mark": "a mark of another colour"}
_TOO_ALIKE = "Cloth that is nearly of the ground's colour along much of its edge was not measured."
_LAY_A_SHEET = "Lay a darker or lighter sheet underneath, or mark the cloth by hand."

OnStep = Callable[[str], None]


class ViewOptions(TypedDict, total=False):
    """What is known of the references and the lens, as `rectify` takes it."""

    references: Sequence[Square | Rectangle] | None
    square_mm: float | None
    rectangle_mm: tuple[float, float] | None
    printed_side_mm: float | None
    lens: LensProfile | str | os.PathLike[str]


def measure(
    photo: PhotoSource | Photo,
    *,
    grid_mm: float | None = None,
    thickness_mm: float = 0.0,
    hints: Hints | None = None,
    on_step: OnStep | None = None,
    **options: Unpack[ViewOptions],
) -> Measurement:
    """Measure the cloth in a photo.

    Parameters
    ----------
    photo : path, bytes, (H, W, 3) uint8 RGB array or Photo
    square_mm : float, optional
        Side of the reference squares, coded or plain.
    rectangle_mm : (float, float), optional
        Sides of a reference rectangle, such as (210, 297) for a sheet of A4.
    references : sequence of Square or Rectangle, optional
        References with corners given by hand; none are searched for then.
    grid_mm : float, optional
        Distance between neighbouring lines printed on the mat. A grid of a common pitch is found by itself, but tells
        size only when its pitch is given; then no other reference is needed.
    thickness_mm : float
        Height of the cloth's upper face above the mat; 0 when unknown.
    printed_side_mm : float, optional
        Side of the squares as measured on the print: it takes the place of ``square_mm`` and is surer.
    lens : LensProfile, path, "stored" or "none"
        What is known of the lens from a calibration, see `rectify`.
    hints : Hints, optional
        Where a person says cloth is and is not.
    on_step : callable, optional
        Called with a few plain words as each step begins.

    Returns
    -------
    Measurement

    Raises
    ------
    PhotoUnreadable, PhotoUnusable, ReferenceNotFound, ReferenceImplausible, ClothNotFound, OptionInvalid,
    ProfileUnreadable
    """
    _check_thickness(thickness_mm)
    prepared = prepare(photo, grid_mm=grid_mm, on_step=on_step, **options)
    return prepared.measure(grid_mm=grid_mm, thickness_mm=thickness_mm, hints=hints, on_step=on_step)


def prepare(
    photo: PhotoSource | Photo,
    *,
    grid_mm: float | None = None,
    on_step: OnStep | None = None,
    **options: Unpack[ViewOptions],
) -> "PreparedPhoto":
    """Read a photo, solve its view and look at it: what no hint changes, so that hints are answered within a moment.

    Parameters
    ----------
    photo, grid_mm, on_step, square_mm, rectangle_mm, references, printed_side_mm, lens
        As given to `measure`.

    Returns
    -------
    PreparedPhoto

    Raises
    ------
    PhotoUnreadable, PhotoUnusable, ReferenceNotFound, ReferenceImplausible, OptionInvalid, ProfileUnreadable
    """
    tell = on_step or _tell_nobody
    tell("reading the photo")
    picture = photo if isinstance(photo, Photo) else load_photo(photo)
    tell("finding the squares")
    view = first_view(picture, grid_mm=grid_mm, **options)
    tell("looking for cloth")
    squares = [placed.reference for placed in view.laid] or coded_candidates(grey_of(picture))
    corners_px = [*(square.corners_px for square in squares), *bare_patches(view)]
    centre_px = np.array([[(picture.width_px - 1) / 2, (picture.height_px - 1) / 2]])
    seen = see_cloth(picture, references_px=corners_px, mm_per_px=float(view.mm_per_px(centre_px)[0]))
    return PreparedPhoto(picture, view, seen, find_straight_lines(picture, view))


@dataclass(frozen=True, eq=False)
class PreparedPhoto:
    """A photo read and looked at.

    Attributes
    ----------
    photo : Photo
    view : Rectification
        From the references alone, or from the mat's grid where there are none.
    seen : SeenCloth
    straight : tuple of TracedLine
        Lines that tell of the lens, those of cloth among them.
    """

    photo: Photo
    view: Rectification
    seen: SeenCloth
    straight: tuple[TracedLine, ...]

    def measure(
        self,
        *,
        grid_mm: float | None = None,
        thickness_mm: float = 0.0,
        hints: Hints | None = None,
        on_step: OnStep | None = None,
    ) -> Measurement:
        """Measure it; parameters and errors are those of the function `measure`, and so is the result."""
        _check_thickness(thickness_mm)
        tell = on_step or _tell_nobody
        tell("telling cloth from ground")
        found = resegment_cloth(self.seen, hints)
        regions = [region for region in found if region.confidence >= REFUSED]
        if not regions:
            raise ClothNotFound(f"{_TOO_ALIKE} {_LAY_A_SHEET}")
        tell("reading the mat's grid")
        covered_px = [region.outline_px for region in regions]
        view = with_straight_lines(self.view, self.straight, covered_px=covered_px)
        view = rectify_on_grid(self.photo, view, grid_mm, covered_px=covered_px)
        printed = grid_lines(self.photo, view)
        names, pieces, unfit = _names(), [], []
        name = next(names)
        for region in regions:
            tell(f"following the edge of piece {name}")
            try:
                piece = _piece(name, region, self.photo, view, printed, thickness_mm)
            except ClothNotFound as error:
                unfit.append(error)
                continue
            if piece.weak < MOST_WEAK or hints is not None:  # a person has seen that it is cloth
                pieces.append(piece)
                name = next(names)
        if not pieces:
            raise unfit[0] if unfit else ClothNotFound(f"{_TOO_ALIKE} {_LAY_A_SHEET}")
        notes = (*view.notes, *notes_on(self.photo, view, pieces))
        if len(pieces) + len(unfit) < len(found):
            notes = (*notes, Note(REFUSAL, _TOO_ALIKE, _LAY_A_SHEET))
        if unfit:
            notes = (*notes, Note(LEFT_OUT, TOO_NARROW, GO_NEARER))
        return Measurement(self.photo, view, thickness_mm, tuple(pieces), notes)


def _tell_nobody(step: str) -> None:
    pass


def _check_thickness(thickness_mm: float) -> None:
    if not 0.0 <= thickness_mm <= MAX_THICKNESS_MM:
        raise OptionInvalid(f"A thickness of {thickness_mm:g} mm makes no sense: give 0 to {MAX_THICKNESS_MM:g} mm.")


def _names() -> Iterator[str]:
    """A, B, ..., Z, AA, AB, ..."""
    for length in count(1):
        yield from map("".join, product(ascii_uppercase, repeat=length))


def _piece(
    name: str,
    region: ClothRegion,
    photo: Photo,
    view: Rectification,
    printed: GridLines | None,
    thickness_mm: float,
) -> Piece:
    avoid = [placed.reference.corners_px for placed in view.laid]
    blurs_px = [placed.reference.blur_px for placed in view.laid if np.isfinite(placed.reference.blur_px)]
    refine = partial(
        refine_outline,
        photo,
        avoid_px=avoid,
        blur_px=float(np.median(blurs_px)) if blurs_px else None,
        relief_px=thickness_mm / float(np.median(view.mm_per_px(region.outline_px))),
        lines_px=None if printed is None else printed.ahead_px,
    )
    outline = refine(region.outline_px)
    holes = [refine(hole, is_hole=True) for hole in region.holes_px]
    if view.contrast is not None:
        growth_px, _ = view.growth_px
        outline = without_growth(outline, photo, growth_px, view.contrast)
        holes = [without_growth(hole, photo, growth_px, view.contrast) for hole in holes]
    zones = find_flaws(photo, outline.points_px, [hole.points_px for hole in holes])
    for zone in zones:
        outline = unsure_beside(outline, zone.outline_px)
    piece = measure_piece(
        name, outline, holes, view, thickness_mm, complete=not region.touches_frame, confidence=region.confidence
    )
    flaws = [Flaw(z.kind, z.confidence, view.to_mat(z.outline_px, thickness_mm), z.outline_px) for z in zones]
    return replace(piece, flaws=tuple(flaws))


def notes_on(photo: Photo, view: Rectification, pieces: Sequence[Piece]) -> Iterator[Note]:
    """What limits this photo and what would help."""
    if photo.focal_35mm is None:
        yield Note(
            "lens-unknown",
            "The photo carries no focal length, so the lens had to be guessed.",
            "Use the camera's original file, not one forwarded by a messenger.",
        )
    remedy = best_remedy(view, pieces[0], (photo.width_px, photo.height_px)) if pieces else None
    if remedy is not None:
        yield Note(
            "would-help",
            f"The length of {remedy.edge} is known to \u00b1{2 * remedy.u_now_mm:.2g} mm here.",
            f"{remedy.change.capitalize()} would cut that to \u00b1{2 * remedy.u_then_mm:.2g} mm.",
        )
    if view.pose.tilt_deg > STEEP_DEG:
        yield Note(
            "tilt-steep",
            f"The camera looked down at a slant of {view.pose.tilt_deg:.0f} degrees.",
            "Photograph from straight above.",
        )
    for piece in pieces:
        yield from _piece_notes(piece)


def _piece_notes(piece: Piece) -> Iterator[Note]:
    if not piece.complete:
        yield Note(
            "cloth-cut-off",
            f"Piece {piece.id} is cut off by the photo's frame: its measures are only of the part seen.",
            "Step back until all of it is in the picture.",
        )
    if piece.confidence < UNSURE:
        yield Note(
            "cloth-unsure",
            f"Piece {piece.id} may be no cloth, or not all of it: the ground or a print on it looks like the other.",
            "Lay a sheet of another colour underneath, or mark by hand what is cloth and what is not.",
        )
    for number, flaw in enumerate(piece.flaws, start=1):
        yield Note(
            "flaw-suspected",
            f"On piece {piece.id} {FLAW_WORDS[flaw.kind]} is suspected; it counts as cloth as yet.",
            f"If it is a flaw, note it: flatmeasure piece note FILE --piece {piece.id} --flaw {number}.",
        )
    weak = [edge.id for edge in piece.edges if edge.weak > WEAK_SHARE]
    if weak:
        yield Note(
            "edge-weak",
            f"Along {', '.join(weak)} the cloth and the ground look nearly alike; the outline is less sure there.",
            "Lay a sheet of another colour underneath, or move the light.",
        )
