"""Candidates looked at closely, at full size: is the whole border of a figure there?"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Light, Photo
from flatmeasure.references.candidates import Candidate
from flatmeasure.references.figures import CARRIED_ON, UNIT_CORNERS, Boundary, Reference, code_boundaries, crossings
from flatmeasure.references.profiles import Patch
from flatmeasure.references.saddles import locate_saddles
from flatmeasure.references.steps import Guess, Line, carry, corners_of, homography, locate, patch_of

MOSTLY = 0.6  # share of the places along a side that must show the step: a mat's grid may run into it here and there
WIDEST_GAP, END_GAP, FEW_PLACES = 0.25, 0.1, 1  # share of a side that may lack the step at a stretch, and at an end
WHOLE = 0.8  # share of the places along an inner line that must show the step
LEAST_OBSERVATIONS = 3  # of a side
ROUGHEST_PX, ROUGHEST_SHARE = 0.3, 0.004  # scatter along a side; of its length
MOST_BENT = 0.03  # sagitta over length
INNER_SEARCH_PX = 3.0
INNER_CONTRAST = 0.4  # of an inner line, as a share of the border's
INNER_WHOLE = 0.75  # share of a code's inner lines that must be seen

INSIDE, AROUND = (0.15, 0.4, 0.65, 0.88), (1.08, 1.2)  # rims where brightness is looked at, the border being 1
EVEN = 0.93  # share of the places that must be on their side of halfway
DARK_RATIO, LIGHT_RATIO = 3.5, 1.3  # ground to figure, or figure to ground, linear light
_CORNERS = UNIT_CORNERS - 0.5
_AHEAD = np.roll(_CORNERS, -1, axis=0) - _CORNERS
RIM = (_CORNERS + (np.arange(16)[:, None, None] + 0.5) / 16 * _AHEAD).reshape(-1, 2)

COVERED = "is covered in part or cut off: clear it, lay it wholly into the picture, and take the photo again."
BENT = "is not flat or its border is damaged: press it flat or print it anew, and take the photo again."


@dataclass(frozen=True, eq=False)
class Sighting:
    """A candidate whose lines were looked for.

    Attributes
    ----------
    candidate : Candidate
    patch : Patch
    lines : tuple of Line
        The border (top, right, bottom, left), then the inner lines of a coded square.
    corners_px : (4, 2) array
        Where the fitted sides meet.
    problem : str
        What is wrong with it, as the end of a sentence; empty when it is whole.
    """

    candidate: Candidate
    patch: Patch
    lines: tuple[Line, ...]
    corners_px: Points
    problem: str

    @property
    def contrast(self) -> float:
        """The least of the four sides, linear light."""
        return min(line.contrast for line in self.lines[:4])

    @property
    def whole_sides(self) -> int:
        """How many of the four sides show the step all along."""
        return sum(not _has_hole(line) for line in self.lines[:4])

    @property
    def blur_px(self) -> float:
        """Median over the lines."""
        return float(np.median([line.blur_px for line in self.lines if line.coverage > 0]))

    @property
    def side_px(self) -> float:
        """Length of the shortest side."""
        return float(min(line.curve.length_px[0] for line in self.lines[:4]))


def examine(
    photo: Photo, candidates: Sequence[Candidate], boundaries: tuple[Boundary, ...], skip: float = 0.0
) -> list[Sighting]:
    """Locate the borders of candidates and judge them.

    Parameters
    ----------
    boundaries : tuple of Boundary
        The four sides.
    skip : float
        Part of a side left out at either end.
    """
    guesses = [Guess(patch_of(photo, c.corners_px), c.corners_px, boundaries, c.error_px, skip) for c in candidates]
    sightings = []
    for candidate, guess, lines in zip(candidates, guesses, locate(guesses), strict=True):
        problem = _problem(lines)
        corners_px = candidate.corners_px
        if not problem:
            corners_px = corners_of(lines, corners_px)
        sightings.append(Sighting(candidate, guess.patch, tuple(lines), corners_px, problem))
    return sightings


def stands_out(sighting: Sighting, *, dark: bool) -> bool:
    """Is a plain figure of one brightness all over, and the ground right round it of another?

    The ground is looked at twice, close by and farther out: between them a printed line, such as a mat's, ends.
    """
    to_picture = homography(sighting.corners_px - np.asarray(sighting.patch.origin_px))
    smooth = np.asarray(cv2.blur(sighting.patch.light, (3, 3)), dtype=np.float32)
    inside = _light_at(smooth, carry(to_picture, 0.5 + np.concatenate([share * RIM for share in INSIDE])))
    around = _light_at(smooth, carry(to_picture, 0.5 + np.concatenate([share * RIM for share in AROUND])))
    if not dark:
        inside, around = around, inside
    halfway = (np.median(inside) + np.median(around)) / 2.0
    even = np.mean(inside < halfway) >= EVEN and np.mean(around > halfway) >= EVEN
    ratio = float(np.median(around) / max(float(np.median(inside)), 1e-6))
    return bool(even) and ratio > (DARK_RATIO if dark else LIGHT_RATIO)


def _light_at(light: Light, points: Points) -> Points:
    x, y = np.rint(points).astype(int).T
    found: Points = light[np.clip(y, 0, light.shape[0] - 1), np.clip(x, 0, light.shape[1] - 1)].astype(np.float64)
    return found


def read_inside(sightings: Sequence[Sighting]) -> list[Sighting]:
    """The same coded squares with their inner lines located; one whose inside is not all there is no longer whole."""
    guesses = [Guess(s.patch, s.corners_px, code_boundaries(s.candidate.code or 0), INNER_SEARCH_PX) for s in sightings]
    read = []
    for s, inner in zip(sightings, locate(guesses), strict=True):
        tried = [line for line in inner if len(line.seen) > 0]
        good = [line for line in tried if line.coverage >= WHOLE and line.contrast > INNER_CONTRAST * s.contrast]
        problem = COVERED if len(good) < INNER_WHOLE * len(tried) else ""
        read.append(Sighting(s.candidate, s.patch, (*s.lines, *good), s.corners_px, problem))
    return read


def with_crossings(photo: Photo, sighting: Sighting, boundaries: tuple[Boundary, ...]) -> Sighting:
    """The same figure with its sides carried on beyond those corners where the lines of a checkerboard cross.

    Parameters
    ----------
    boundaries : tuple of Boundary
        Two for each corner, see ``crossing_boundaries``.
    """
    patch = patch_of(photo, sighting.corners_px, CARRIED_ON)
    (lines,) = locate([Guess(patch, sighting.corners_px, boundaries, INNER_SEARCH_PX)])
    good = [line.coverage >= WHOLE and line.contrast > INNER_CONTRAST * sighting.contrast for line in lines]
    more = [line for i, line in enumerate(lines) if good[i] and good[i ^ 1]]  # neighbours belong to one corner
    return Sighting(sighting.candidate, sighting.patch, (*sighting.lines, *more), sighting.corners_px, sighting.problem)


def reference(kind: str, sighting: Sighting, size_mm: tuple[float, float]) -> Reference:
    """A whole sighting as a reference of stated size."""
    code, corners_px = sighting.candidate.code, sighting.corners_px
    steps = tuple(line.step for line in sighting.lines)
    saddles = None
    if code is not None:
        saddles = locate_saddles(sighting.patch, corners_px, *crossings(code), sighting.contrast)
    return Reference(
        kind, code, size_mm, corners_px, steps, None, sighting.blur_px, saddles, contrast=sighting.contrast
    )


def _has_hole(side: Line) -> bool:
    places = len(side.seen)
    return (
        len(side.step.u_px) < LEAST_OBSERVATIONS
        or side.coverage < MOSTLY
        or side.widest_gap > max(WIDEST_GAP * places, FEW_PLACES)
        or side.end_gap > max(END_GAP * places, FEW_PLACES)
    )


def _problem(border: Sequence[Line]) -> str:
    if any(_has_hole(line) for line in border):
        return COVERED
    if min(line.contrast for line in border) < 0.25 * max(line.contrast for line in border):
        return COVERED
    rough = [line.scatter_px > ROUGHEST_PX + ROUGHEST_SHARE * line.curve.length_px[0] for line in border]
    if any(rough) or any(line.bend > MOST_BENT for line in border):
        return BENT
    return ""
