"""Find the references in a photo and locate their lines, or take them as given by hand.

Which are taken: coded squares, whenever there are whole ones; else plain dark squares on light ground; else plain light
squares on darker ground. Kinds are not mixed: a coded square proves itself by its code, while a patch of a print or a
square of cloth can look like a plain one, and a wrong reference is worse than none. A rectangle of stated size is
taken besides.
"""

import numpy as np

from flatmeasure.errors import FlatMeasureError, OptionInvalid, PhotoUnusable, ReferenceImplausible, ReferenceNotFound
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, Pixels
from flatmeasure.references.candidates import Candidate, coded_candidates, grey_of, quad_candidates, sharpness
from flatmeasure.references.figures import Rectangle, Reference, Square, Step, border, crossing_boundaries
from flatmeasure.references.plausibility import FigureView, best_view, relative_size
from flatmeasure.references.sightings import Sighting, examine, read_inside, reference, stands_out, with_crossings

__all__ = ["Rectangle", "Reference", "Square", "Step", "find_references", "reference_from_corners"]

CODED_REACH, PLAIN_REACH, GIVEN_REACH = 0.12, 0.1, 0.15  # room beside the border, in units of the figure
ROUND_CORNER = 0.08  # part of a rectangle's side left out at either end: a card's corners are round (ISO/IEC 7810)
SMALLEST_PLAIN_PX = 40.0  # fewer pixels show too little to tell a square from a tile or a check
SHAPE_PX, SHAPE_SHARE = 0.5, 0.01  # how far the corners may be from those of the figure; share of its side
SIZE_TOLERANCE = 0.15  # of squares in one plane; the tilt that one small square tells is rough
GIVEN_U_PX = 0.3
GIVEN_SLIP_PX = 2.5  # refined corners may lie so far from corners given by hand

MOST_BLURRED_PX, MOST_BLURRED_SHARE = 3.0, 0.025  # standard deviation of the blur; of the side
LEAST_CONTRAST = 0.02  # linear light: the light side then has a code of 40 or less
LEAST_SHARPNESS = 0.22
DARK_CODE = 40  # display-encoded grey that the lightest hundredth of a picture must reach


def find_references(
    photo: Photo, *, square_mm: float | None = None, rectangle_mm: tuple[float, float] | None = None
) -> tuple[Reference, ...]:
    """Find the references of a photo.

    Parameters
    ----------
    photo : Photo
    square_mm : float, optional
        Side of all squares, coded or plain.
    rectangle_mm : tuple of float, optional
        Sides of a sheet or card that lies in the picture.

    Returns
    -------
    tuple of Reference
        At least one.

    Raises
    ------
    OptionInvalid
        A size is not above zero, or squares are seen but their side is not stated.
    ReferenceNotFound
        Nothing like a reference is seen.
    ReferenceImplausible
        Only references that are covered in part or damaged are seen.
    PhotoUnusable
        The photo is too dark or too blurred to locate anything.
    """
    for size in (square_mm, *(rectangle_mm or ())):
        if size is not None:
            _check_size(size)
    grey = grey_of(photo)
    found: list[Reference] = []
    spoilt: list[str] = []
    if square_mm is not None or rectangle_mm is None:
        squares, spoilt = _find_squares(photo, grey, square_mm)
        found += squares
    if rectangle_mm is not None:
        found += _find_rectangles(photo, grey, rectangle_mm)
    if not found:
        raise _nothing_found(grey, spoilt, rectangle_mm)
    return tuple(found)


def reference_from_corners(photo: Photo, given: Square | Rectangle) -> Reference:
    """A reference from corners given by hand, refined on the picture's steps where there are any.

    Parameters
    ----------
    photo : Photo
    given : Square or Rectangle

    Returns
    -------
    Reference
        With steps when all four sides show one that leads to corners within 2.5 px of those given; else the corners
        themselves are the observations, with a standard uncertainty of 0.3 px.

    Raises
    ------
    OptionInvalid
        The corners are not those of a convex figure in the picture, or a size is not above zero.
    """
    corners_px, size_mm = _checked(photo, given)
    candidate = Candidate(corners_px, GIVEN_SLIP_PX + 0.01 * float(np.ptp(corners_px, axis=0).max()))
    skip = ROUND_CORNER if isinstance(given, Rectangle) else 0.0
    seen = []
    for dark in (True, False):
        (sighting,) = examine(photo, [candidate], border(dark_inside=dark, reach=GIVEN_REACH), skip)
        if not sighting.problem and np.abs(sighting.corners_px - corners_px).max() < GIVEN_SLIP_PX:
            seen.append(with_crossings(photo, sighting, crossing_boundaries(dark_inside=dark, reach=GIVEN_REACH)))
    if not seen:
        return Reference("given", None, size_mm, corners_px, (), GIVEN_U_PX, float("nan"))
    return reference("given", max(seen, key=lambda s: s.contrast), size_mm)


def _check_size(size_mm: float) -> None:
    if not (np.isfinite(size_mm) and size_mm > 0):
        raise OptionInvalid(f"A reference's side must be above 0 mm, not {size_mm:g} mm: check its stated size.")


def _checked(photo: Photo, given: Square | Rectangle) -> tuple[Points, tuple[float, float]]:
    """Corners clockwise as seen, and the size that goes with them."""
    size_mm = (given.side_mm, given.side_mm) if isinstance(given, Square) else (given.width_mm, given.height_mm)
    for size in size_mm:
        _check_size(size)
    corners_px = np.asarray(given.corners_px, dtype=np.float64)
    if corners_px.shape != (4, 2) or not np.isfinite(corners_px).all():
        raise OptionInvalid("A reference given by hand needs four corners, each an x and a y in pixels.")
    ahead = np.roll(corners_px, -1, axis=0) - corners_px
    turns = ahead[:, 0] * np.roll(ahead[:, 1], -1) - ahead[:, 1] * np.roll(ahead[:, 0], -1)
    inside = (corners_px > -0.5).all() and (corners_px < [photo.width_px - 0.5, photo.height_px - 0.5]).all()
    if not inside or not ((turns > 0).all() or (turns < 0).all()):
        raise OptionInvalid(
            "The corners of a reference given by hand must lie in the picture and follow one another round the figure: "
            "check their order."
        )
    return (corners_px if turns[0] > 0 else corners_px[[1, 0, 3, 2]]), size_mm


def _find_squares(photo: Photo, grey: Pixels, square_mm: float | None) -> tuple[list[Reference], list[str]]:
    """Squares of the surest kind seen, and what is wrong with others."""
    spoilt: list[str] = []
    for kind in ("coded", "plain-dark", "plain-light"):
        if kind == "coded":
            sightings = _coded(photo, grey)
        else:
            sightings = _plain(photo, grey, (1.0, 1.0), dark=kind == "plain-dark")
        whole = [s for s in sightings if not s.problem]
        if whole:
            if square_mm is None:
                raise OptionInvalid(
                    "Squares are seen, but their size is not known: "
                    "say how long the square's side is, e.g. --square 100mm."
                )
            _check_light(whole)
            return [reference(kind, s, (square_mm, square_mm)) for s in whole], spoilt
        spoilt += [f"The {kind} square seen {s.problem}" for s in sightings]
        if kind == "coded" and spoilt:
            break  # its card would pass for a plain light square of another size
    return [], spoilt


def _find_rectangles(photo: Photo, grey: Pixels, size_mm: tuple[float, float]) -> list[Reference]:
    for dark in (False, True):
        whole = [s for s in _plain(photo, grey, size_mm, dark=dark) if not s.problem]
        if whole:
            _check_light(whole)
            return [reference("rectangle", s, size_mm) for s in whole]
    return []


def _coded(photo: Photo, grey: Pixels) -> list[Sighting]:
    sightings = examine(photo, coded_candidates(grey), border(dark_inside=True, reach=CODED_REACH))
    read = read_inside([s for s in sightings if not s.problem])
    return read + [s for s in sightings if s.problem]


def _plain(photo: Photo, grey: Pixels, size_mm: tuple[float, float], *, dark: bool) -> list[Sighting]:
    """Plain figures of the aspect of ``size_mm``, their corners turned so that the first side is the width."""
    square = size_mm[0] == size_mm[1]
    turns = (0,) if square else (0, 1)
    quads = [q for q in quad_candidates(grey, dark=dark) if q.side_px + q.error_px > SMALLEST_PLAIN_PX]
    turned = [Candidate(np.roll(q.corners_px, -turn, axis=0), q.error_px) for q in quads for turn in turns]
    boundaries = border(dark_inside=dark, reach=PLAIN_REACH)
    sightings = examine(photo, turned, boundaries, 0.0 if square else ROUND_CORNER)
    seen: list[tuple[Sighting, FigureView]] = []
    for first in range(0, len(sightings), len(turns)):
        ways = [(s, best_view(s.corners_px, size_mm, photo)) for s in sightings[first : first + len(turns)]]
        possible = [(s, view) for s, view in ways if view is not None and _is_figure(s, view, dark=dark)]
        seen += sorted(possible, key=lambda pair: pair[1].misfit_px)[:1]
    return _of_one_size(seen)


def _is_figure(sighting: Sighting, view: FigureView, *, dark: bool) -> bool:
    """Also of one that is spoilt, so that it can be named: then its corners are only rough."""
    rough_px = sighting.candidate.error_px if sighting.problem else 0.0
    square = view.misfit_px < SHAPE_PX + SHAPE_SHARE * sighting.side_px + rough_px
    return square and sighting.whole_sides >= 3 and stands_out(sighting, dark=dark)


def _of_one_size(seen: list[tuple[Sighting, FigureView]]) -> list[Sighting]:
    """The strongest of those seen, and others that would be as large as it in the same plane.

    Ink and paper differ from their ground more than a patch of cloth or of a print does.
    """
    ordered = sorted(seen, key=lambda pair: (bool(pair[0].problem), -pair[0].contrast))
    return [s for s, view in ordered if abs(np.log(relative_size(ordered[0][1], view))) < SIZE_TOLERANCE]


def _check_light(sightings: list[Sighting]) -> None:
    blur_px = float(np.median([s.blur_px for s in sightings]))
    side_px = float(np.median([s.side_px for s in sightings]))
    if blur_px > max(MOST_BLURRED_PX, MOST_BLURRED_SHARE * side_px):
        raise PhotoUnusable(
            f"The photo is too blurred: the reference's border is smeared over {4 * blur_px:.0f} pixels. "
            "Hold the camera still, let it focus, and take the photo again."
        )
    if max(s.contrast for s in sightings) < LEAST_CONTRAST:
        raise PhotoUnusable("The photo is too dark to be measured: take it again in more light.")


def _nothing_found(grey: Pixels, spoilt: list[str], rectangle_mm: tuple[float, float] | None) -> FlatMeasureError:
    if np.percentile(grey[::8, ::8], 99) < DARK_CODE:
        return PhotoUnusable("The photo is too dark to find a reference: take it again in more light.")
    if min(grey.shape) > 64 and sharpness(grey) < LEAST_SHARPNESS:
        return PhotoUnusable(
            "The photo is too blurred to find a reference: hold the camera still, let it focus, and take it again."
        )
    if spoilt:
        return ReferenceImplausible(spoilt[0])
    if rectangle_mm is not None:
        return ReferenceNotFound(
            f"No sheet or card of {rectangle_mm[0]:g} x {rectangle_mm[1]:g} mm is seen: lay it flat, whole and "
            "uncovered on ground of another brightness, and check its stated size."
        )
    return ReferenceNotFound(
        "No coded square, no dark square on a light card and no light square on darker ground is seen: "
        "lay one flat, whole and uncovered beside the cloth, or give the four corners of a known figure by hand."
    )
