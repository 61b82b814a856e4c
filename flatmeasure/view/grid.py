"""The printed grid of a cutting mat as a reference.

The lines are too fine to be located one by one, but there are many: the grid is read like an interference fringe
(M. Takeda, H. Ina, S. Kobayashi, "Fourier-transform method of fringe-pattern analysis", 1982). A roughly straightened
picture is multiplied by the two waves of the grid's pitch and averaged over some centimetres; the phase left tells
where the lines lie there, to a few thousandths of the pitch, wherever the mat shows, whatever covers it elsewhere.
Neighbouring phases are joined without jumps, so that each place gets its coordinates on the grid. Straightening needs
no accuracy: it is an exactly known map from the photo, and the places are carried back through it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft2
from skimage.restoration import unwrap_phase

from flatmeasure.errors import Note
from flatmeasure.photos.camera import Camera, Points, Pose, mm_per_px, project, to_plane
from flatmeasure.photos.photo import Photo, Pixels
from flatmeasure.references.figures import U_LOG_PITCH, UNIT_CORNERS, Reference, Saddles
from flatmeasure.view.bundle import CHI_SQUARE_LIMIT
from flatmeasure.view.projection import LOG_PITCH
from flatmeasure.view.rectification import Rectification, rectify_references

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACH_MM = 800.0  # beyond the picture's middle; few mats are larger
MARGIN_MM = 8.0  # round cloth and references: their edges and shadows are no lines
WINDOW_PITCHES = 2.5  # standard deviation of the averaging window
NODE_BLOCKS = 2  # the phase is read every second pitch
SAMPLES_PER_PITCH = 8
BLUR_SAMPLES = 17  # to the width over which contrast is averaged
MIN_VISIBILITY = 0.08  # share of the light's variation that a family's wave must carry
EVEN_VISIBILITY = 0.85  # of the median: less means a window partly off the mat, and a shifted phase
UNCOVERED = 0.9  # of a window: beside cloth and shadows phases are off by up to a tenth of the pitch
MIN_NODES = 30
COMMON_PITCHES_MM = (10.0, 25.4, 12.7)  # of cutting mats, tried when none is given (common practice)
U_LOG_PITCH_GUESSED = 0.05  # a grid of unknown pitch tells shape, not size
CAMERA_NOISE = 0.5  # of 255: variations below it are not lines
STRAIN_LIMIT = 4.0  # standard deviations a pitch may differ from what is stated
U_PHASE = 0.03  # of the pitch: a print's unevenness; reading alone is off by 0.003 to 0.01 (measured on renders)


@dataclass(frozen=True, eq=False)
class _Plan:
    """The roughly straightened mat: one sample every ``step_mm``."""

    light: Image  # slow changes taken off; 0 where the mat does not show
    shows: Image  # 1 where it does
    step_mm: float
    to_picture: Points  # (3, 3) homography from samples (column, row) to pixels


@dataclass(frozen=True, eq=False)
class _Family:
    """What one family of parallel lines tells at the nodes of a coarse raster, (R, C) each."""

    coordinate: Points  # across the lines, in pitches, without jumps
    even: Mask  # where the lines show all over the window


def rectify_on_grid(
    photo: Photo, view: Rectification, pitch_mm: float | None = None, *, covered_px: Sequence[Points] = ()
) -> Rectification:
    """The view solved again with the mat's printed grid as a further reference; the same view where none is seen.

    Parameters
    ----------
    photo : Photo
    view : Rectification
        From other references; it may be off by a few per cent.
    pitch_mm : float, optional
        Distance between neighbouring lines. When None the common ones are tried, and the grid gives shape but not size.
    covered_px : sequence of (N, 2) array
        Outlines of what lies on the mat.
    """
    others = [placed.reference for placed in view.laid]
    pitches_mm = COMMON_PITCHES_MM if pitch_mm is None else (pitch_mm,)
    covered_px = [*covered_px, *(reference.corners_px for reference in others)]
    grid = find_grid(photo, view.camera, view.pose, pitches_mm, covered_px=covered_px)
    if grid is None:
        return view
    u_log_pitch = U_LOG_PITCH_GUESSED if pitch_mm is None else U_LOG_PITCH
    solved = rectify_references([*others, replace(grid, u_log_size=u_log_pitch)], view.solution.prior)
    strain = abs(solved.solution.unknowns[LOG_PITCH]) / u_log_pitch
    if np.max(solved.solution.chi_square) < CHI_SQUARE_LIMIT and strain < STRAIN_LIMIT:
        return replace(solved, notes=(*view.notes, *solved.notes), straight_px=view.straight_px)
    if pitch_mm is None:
        return view  # no flat, square grid: a checked sheet, say
    note = Note(
        "grid-left-out",
        f"The mat shows no flat grid of {pitch_mm:g} mm that agrees with the other references; it was not used.",
        "Check the grid's spacing, that the mat lies flat, and the size you gave for the square.",
    )
    return replace(view, notes=(*view.notes, note))


def find_grid(
    photo: Photo, camera: Camera, pose: Pose, pitches_mm: Sequence[float], *, covered_px: Sequence[Points] = ()
) -> Reference | None:
    """Read a mat's printed grid.

    Parameters
    ----------
    photo : Photo
    camera, pose : Camera, Pose
        Good to a few per cent.
    covered_px : sequence of (N, 2) array
        Outlines of what lies on the mat.
    pitches_mm : sequence of float
        The distances between neighbouring lines to look for; the one that stands out most is read.

    Returns
    -------
    Reference or None
        Kind ``"grid"``, its size one pitch, with one saddle for each place where the phase was read; None when no such
        grid is seen.
    """
    plan = _straighten(photo, camera, pose, pitches_mm, covered_px)
    pitch_mm, turn = _most_distinct(plan, pitches_mm)
    pitch = pitch_mm / plan.step_mm
    shown = _averaged(plan.shows, pitch)
    families = [_read(plan, shown, pitch, turn + quarter) for quarter in (0.0, np.pi / 2)]
    rows, columns = np.nonzero(_largest_patch(families[0].even & families[1].even))
    if len(rows) < MIN_NODES:
        return None
    # samples run down the picture while the figure's v runs down too: both families keep their sense
    uv = np.column_stack([family.coordinate[rows, columns] for family in families])
    uv -= np.round(np.median(uv, axis=0))
    nodes = np.column_stack([_centre(columns, pitch), _centre(rows, pitch)])
    points_px = cv2.perspectiveTransform(nodes[:, None], plan.to_picture)[:, 0].astype(np.float64)
    to_picture = cv2.findHomography(uv, points_px)[0]
    cell = cv2.perspectiveTransform(UNIT_CORNERS[:, None], to_picture)[:, 0].astype(np.float64)
    saddles = Saddles(uv, points_px, U_PHASE * pitch_mm / mm_per_px(points_px, camera, pose))
    return Reference("grid", None, (pitch_mm, pitch_mm), cell, (), None, float("nan"), saddles)


def _straighten(
    photo: Photo, camera: Camera, pose: Pose, pitches_mm: Sequence[float], covered_px: Sequence[Points]
) -> _Plan:
    frame = UNIT_CORNERS * np.array([photo.width_px - 1, photo.height_px - 1])
    centre_px = frame.mean(axis=0)[None]
    middle = to_plane(centre_px, camera, pose)[0]
    seen = np.clip(to_plane(frame, camera, pose) - middle, -REACH_MM, REACH_MM) + middle
    low, high = seen.min(axis=0), seen.max(axis=0)
    pixel_mm = float(mm_per_px(centre_px, camera, pose)[0])
    step_mm = max(min(pitches_mm) / SAMPLES_PER_PITCH, pixel_mm)
    columns, rows = (int(n) for n in np.ceil((high - low) / step_mm))
    corners = np.array([[low[0], high[1]], [high[0], high[1]], [high[0], low[1]], [low[0], low[1]]])
    samples = (corners - corners[0]) / step_mm * np.array([1.0, -1.0])
    corners_px = project(np.column_stack([corners, np.zeros(4)]), camera, pose)
    to_picture = cv2.getPerspectiveTransform(samples.astype(np.float32), corners_px.astype(np.float32)).astype(
        np.float64
    )
    grey = _warped(photo, to_picture, (columns, rows), step_mm / pixel_mm)
    shows = np.zeros((rows, columns), np.uint8)
    back = np.linalg.inv(to_picture)
    cv2.fillConvexPoly(shows, _samples(frame, back), 1)
    for outline in covered_px:
        cv2.fillPoly(shows, [_samples(outline, back)], 0)
    margin = max(1, round(MARGIN_MM / step_mm))
    shows = np.asarray(cv2.erode(shows, np.ones((2 * margin + 1,) * 2, np.uint8)), dtype=np.uint8)
    blur = 2 * round(min(pitches_mm) / step_mm) + 1
    sums, counts = (cv2.boxFilter(part, cv2.CV_32F, (blur, blur)) for part in (cv2.copyTo(grey, shows), shows))
    weight = shows.astype(np.float32)
    light = np.asarray((grey - sums / np.maximum(counts, 1e-3)) * weight, dtype=np.float32)
    return _Plan(_even(light, weight, 4 * blur), weight, step_mm, to_picture)


def _even(light: Image, weight: Image, width: int) -> Image:
    """Light of the same contrast everywhere, seen through squares of a width in samples, and without peaks.

    Bold lines and the floor's grain must not drown the fine lines. The contrast is looked up on a picture reduced to
    ``BLUR_SAMPLES`` to the width.
    """
    reduce = max(1, width // BLUR_SAMPLES)
    size = tuple(-(-n // reduce) for n in light.shape[::-1])
    box = (max(1, round(width / reduce)),) * 2
    squares, shown = (
        cv2.blur(cv2.resize(part, size, interpolation=cv2.INTER_AREA), box) for part in (light**2, weight)
    )
    gain = 1.0 / np.sqrt(squares / np.maximum(shown, 1e-3) + CAMERA_NOISE**2)
    return np.asarray(np.clip(light * cv2.resize(gain, light.shape[::-1]), -1.0, 1.0), dtype=np.float32)


def _warped(photo: Photo, to_picture: Points, size: tuple[int, int], px_per_sample: float) -> Pixels:
    """Grey picture at the plan's samples; reduced by area first, so that fine lines fade instead of aliasing."""
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    reduce = max(1, int(px_per_sample))
    if reduce > 1:
        grey = cv2.resize(grey, None, fx=1.0 / reduce, fy=1.0 / reduce, interpolation=cv2.INTER_AREA)
    shrink = np.array([[1.0, 0.0, 0.5 - 0.5 * reduce], [0.0, 1.0, 0.5 - 0.5 * reduce], [0.0, 0.0, reduce]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(grey, shrink @ to_picture, size, flags=flags), dtype=np.uint8)


def _samples(points_px: Points, back: NDArray[np.floating]) -> NDArray[np.int32]:
    return np.round(cv2.perspectiveTransform(points_px[:, None].astype(np.float64), back)).astype(np.int32)


def _most_distinct(plan: _Plan, pitches_mm: Sequence[float]) -> tuple[float, float]:
    """Pitch (mm) and direction (rad, in samples, 0 to 90 degrees) at which both families have most power."""
    shape = [next_fast_len(n, real=True) for n in plan.light.shape]
    power = np.abs(rfft2(plan.light, shape))
    angles = np.radians(np.arange(0.0, 90.0, 0.1))
    harmonics = np.concatenate([harmonic * np.linspace(0.97, 1.03, 13) for harmonic in (1.0, 2.0)])
    found = []
    for pitch_mm in pitches_mm:
        frequencies = harmonics * plan.step_mm / pitch_mm
        first, second = (_power_at(power, shape, angles + quarter, frequencies) for quarter in (0.0, np.pi / 2))
        both = np.sqrt(first * second)
        distinct = np.max(both / np.median(both, axis=1, keepdims=True), axis=0)
        found.append((float(np.max(distinct)), pitch_mm, float(angles[np.argmax(distinct)])))
    return max(found)[1:]


def _power_at(power: Image, shape: Sequence[int], angles: Points, frequencies: Points) -> Points:
    """(F, A) spectrum of a real picture at frequencies (F,) in directions (A,), nearest bin."""
    fx, fy = frequencies[:, None] * np.cos(angles), frequencies[:, None] * np.sin(angles)
    # a real picture's spectrum is stored for fx >= 0 only
    flip = np.where(fx < 0, -1.0, 1.0)
    column = np.minimum(np.round(fx * flip * shape[1]).astype(int), power.shape[1] - 1)
    row = np.round(fy * flip * shape[0]).astype(int) % shape[0]
    return np.asarray(power[row, column])


def _read(plan: _Plan, shown: Points, pitch: float, turn: float) -> _Family:
    """Coordinate across one family of lines, and where to trust it, at every node."""
    wave = _wave(plan.light, pitch, turn)
    seen = np.abs(wave) / np.maximum(shown, 0.05)
    good = (seen > MIN_VISIBILITY) & (shown > UNCOVERED)
    if not good.any():
        return _Family(np.zeros(wave.shape), good)
    even = good & (seen > EVEN_VISIBILITY * np.median(seen[good]))
    masked = np.ma.masked_array(np.angle(wave), ~even)
    left = np.ma.getdata(unwrap_phase(masked, rng=0))  # type: ignore[no-untyped-call]
    across = _centre(np.arange(wave.shape[1]), pitch) * np.cos(turn)
    down = _centre(np.arange(wave.shape[0]), pitch)[:, None] * np.sin(turn)
    return _Family((across + down) / pitch + left / (2.0 * np.pi), even)


def _wave(light: Image, pitch: float, turn: float) -> NDArray[np.complex128]:
    """Light multiplied by the wave of a family of lines, averaged round each node."""
    block = _block(pitch)
    rows, columns = (n // block for n in light.shape)
    along, down = (
        np.exp(-2j * np.pi / pitch * part * np.arange(count * block)).astype(np.complex64).reshape(count, block)
        for part, count in ((np.cos(turn), columns), (np.sin(turn), rows))
    )
    strips = light[: rows * block, : columns * block].reshape(-1, columns, block).transpose(1, 0, 2)
    within = (strips @ along.view(np.float32).reshape(columns, block, 2)).view(np.complex64)
    blocks = np.einsum("crb,rb->rc", within.reshape(columns, rows, block), down) / block**2
    return _windowed(blocks.real, pitch) + 1j * _windowed(blocks.imag, pitch)


def _block(pitch: float) -> int:
    """Samples averaged into one before the window, a node being every NODE_BLOCKS-th of these blocks."""
    return max(1, round(pitch))


def _averaged(image: Image, pitch: float) -> Points:
    """Mean over a Gaussian window round each node: first over blocks, then over a window of blocks."""
    block = _block(pitch)
    rows, columns = (n // block for n in image.shape)
    whole = np.ascontiguousarray(image[: rows * block, : columns * block])
    blocks = np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)
    return _windowed(blocks, pitch)


def _windowed(blocks: Image, pitch: float) -> Points:
    """Mean of blocks over a Gaussian window round each node."""
    sigma = WINDOW_PITCHES * pitch / _block(pitch)
    smooth = cv2.GaussianBlur(np.ascontiguousarray(blocks), (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(smooth[::NODE_BLOCKS, ::NODE_BLOCKS], dtype=np.float64)


def _centre(node: NDArray[np.intp], pitch: float) -> Points:
    """Sample coordinate of the middle of a node's block."""
    return np.asarray((node * NODE_BLOCKS + 0.5) * _block(pitch) - 0.5)


def _largest_patch(good: Mask) -> Mask:
    """The largest connected part: only within it are the phases joined without a jump."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(good.astype(np.uint8), connectivity=4)
    if count < 2:
        return np.zeros_like(good)
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))
