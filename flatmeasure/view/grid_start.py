"""A first view of the mat from its printed grid alone: no square, only the lines and how far apart they are.

In small tiles of the picture the lines are two waves; their frequencies, the gradients of the mat's two coordinates,
change over the picture as the camera's tilt has it. A camera of the focal length of the metadata, turned and tilted and
put at a height, is fitted to them, growing from the tile with the clearest pair of waves. Which of a line pattern's
harmonics is the spacing of neighbouring lines is told by their strengths.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import fft2
from scipy.optimize import least_squares

from flatmeasure.photos.camera import Camera, Points, Pose, pose_from_rodrigues, to_plane
from flatmeasure.photos.photo import Photo
from flatmeasure.references.candidates import grey_of, reduce
from flatmeasure.view.bundle import CameraPrior
from flatmeasure.view.projection import camera_of

LOOKS_PX = (2000, 800)  # lines are looked for on pictures about this long: fine ones, and far apart ones
TILE_PX, TILE_STEP_PX = 160, 80
PERIODS_PX = (5.0, 45.0)  # of the reduced picture: finer is not resolved, coarser shows too few lines in a tile
PEAKS = 16  # kept of each tile
DISTINCT = 4.0  # of a peak, in units of the tile's median amplitude over the same band
SEEDS = 12  # tiles to grow from
SQUARE_COSINE, SQUARE_RATIO = 0.5, 1.7  # two waves of a seed: how far from square and equal a tilted mat's may be
NEAR = (0.25, 0.12, 0.08, 0.05, 0.05, 0.05)  # share of the frequency within which a peak belongs, in turn
LEAST_TILES = 12
STEEPEST = 1.0  # rad
LOWEST_MM, HIGHEST_MM = 400.0, 3000.0  # of the camera over the mat: what a person can reach
PARTS = (1 / 10, 1 / 5, 1 / 4, 1 / 3, 1 / 2, 1.0)  # of the fitted frequency, the widest pattern first
SEEN = 0.35  # of the strongest: a weaker one is noise beside the lines
FINER = (2, 4, 5, 10)  # a mat's fine lines part its bold ones so (common practice)
STANDS_OUT = 1.3
SAME_BIN = 0.5  # of the spectrum: how near a peak must lie to the wave it is taken for
SLOW_PX = PERIODS_PX[1] / 4.0  # changes of light slower than this are taken off
LOOKING_DOWN: Points = np.diag([1.0, -1.0, -1.0])

Spectrum = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class _Tiles:
    """Waves seen in T tiles, frequencies in cycles per pixel of the photo."""

    centres_px: Points  # (T, 2) in the photo
    peaks: Points  # (T, PEAKS, 2) frequencies, strongest first; NaN where there are fewer
    strengths: Points  # (T, PEAKS)
    factor: int  # pixels of the photo in one of the reduced picture


def view_of_grid(photo: Photo, prior: CameraPrior, pitch_mm: float) -> tuple[Camera, Pose] | None:
    """Roughly where the camera stands over a mat with a printed grid.

    Parameters
    ----------
    photo : Photo
    prior : CameraPrior
        Its focal length is taken as it is.
    pitch_mm : float
        Distance between neighbouring lines.

    Returns
    -------
    Camera and Pose, or None when no grid of squares is seen
        Good to a few per cent; X of the mat frame runs along one of the two families.
    """
    camera = Camera(*_pinhole(prior))
    looks = [_look(photo, look_px) for look_px in LOOKS_PX]
    best: tuple[int, Points] | None = None
    for tiles in looks:
        grown = [found for seed in _seeds(tiles) if (found := _grow(tiles, camera, seed)) is not None]
        best = max(grown, key=lambda found: found[0], default=None)
        if best is not None and best[0] >= LEAST_TILES:
            break
    else:
        return None
    assert best is not None
    pose = _pose(best[1])
    # heights come in pitches: a lower frequency is a wider pitch, and the camera is fewer of them away
    height_mm = float(pose.centre_mm[2]) * pitch_mm
    multiples = _neighbours(looks, camera, best[1])
    plausible = [m for m in multiples if LOWEST_MM < height_mm * m < HIGHEST_MM]
    scale = (plausible or multiples)[0] * pitch_mm
    return camera, Pose(pose.rotation, pose.translation_mm * scale)


def _pinhole(prior: CameraPrior) -> tuple[float, tuple[float, float]]:
    camera = camera_of(prior.mean)
    return camera.focal_px, camera.principal_point_px


def _look(photo: Photo, look_px: int) -> _Tiles:
    reduced = reduce(grey_of(photo), max(1, round(max(photo.width_px, photo.height_px) / look_px)))
    light = reduced.grey.astype(np.float32)
    light -= cv2.GaussianBlur(light, (0, 0), SLOW_PX)
    light /= np.sqrt(cv2.blur(light**2, (TILE_PX // 2,) * 2)) + 1.0  # bold lines must not drown fine ones
    np.clip(light, -2.0, 2.0, out=light)
    window = np.hanning(TILE_PX).astype(np.float32)
    height, width = light.shape
    corners = [
        (x, y)
        for y in range(0, height - TILE_PX + 1, TILE_STEP_PX)
        for x in range(0, width - TILE_PX + 1, TILE_STEP_PX)
    ]
    band = _band()
    centres, peaks, strengths = [], [], []
    for x, y in corners:
        amplitude = np.abs(fft2(light[y : y + TILE_PX, x : x + TILE_PX] * window[:, None] * window))
        amplitude /= np.median(amplitude[band]) + 1e-6
        frequency, strength = _peaks(amplitude, band)
        centres.append([x + (TILE_PX - 1) / 2.0, y + (TILE_PX - 1) / 2.0])
        peaks.append(frequency / reduced.factor)
        strengths.append(strength)
    if not corners:
        return _Tiles(np.zeros((0, 2)), np.zeros((0, PEAKS, 2)), np.zeros((0, PEAKS)), reduced.factor)
    return _Tiles(reduced.to_photo(np.array(centres)), np.array(peaks), np.array(strengths), reduced.factor)


def _band() -> NDArray[np.bool_]:
    """Half plane of frequencies that can be lines."""
    fy, fx = np.meshgrid(np.fft.fftfreq(TILE_PX), np.fft.fftfreq(TILE_PX), indexing="ij")
    size = np.hypot(fx, fy)
    half = (fx > 0) | ((fx == 0) & (fy > 0))
    return np.asarray(half & (size > 1.0 / PERIODS_PX[1]) & (size < 1.0 / PERIODS_PX[0]))


def _peaks(amplitude: Spectrum, band: NDArray[np.bool_]) -> tuple[Points, Points]:
    """The strongest local maxima of a spectrum, interpolated between bins: (PEAKS, 2) and (PEAKS,)."""
    highest = cv2.dilate(np.pad(amplitude, 2, mode="wrap"), np.ones((5, 5), np.uint8))[2:-2, 2:-2]
    rows, columns = np.nonzero(band & (amplitude >= highest) & (amplitude > DISTINCT))
    order = np.argsort(-amplitude[rows, columns])[:PEAKS]
    rows, columns = rows[order], columns[order]
    shift = []
    at = amplitude[rows, columns]
    for way in ((0, 1), (1, 0)):
        before = amplitude[(rows - way[0]) % TILE_PX, (columns - way[1]) % TILE_PX]
        after = amplitude[(rows + way[0]) % TILE_PX, (columns + way[1]) % TILE_PX]
        shift.append((after - before) / (2.0 * (2.0 * at - before - after) + 1e-9))
    fx = np.fft.fftfreq(TILE_PX)[columns] + shift[0] / TILE_PX
    fy = np.fft.fftfreq(TILE_PX)[rows] + shift[1] / TILE_PX
    frequency, strength = np.full((PEAKS, 2), np.nan), np.zeros(PEAKS)
    frequency[: len(rows)] = np.column_stack([fx, fy])
    strength[: len(rows)] = amplitude[rows, columns]
    return frequency, strength


def _seeds(tiles: _Tiles) -> Iterator[tuple[int, Points]]:
    """Tiles with a clear pair of waves at about right angles and of about one frequency: tile and (2, 2) waves."""
    found = []
    for tile, (peaks, strengths) in enumerate(zip(tiles.peaks, tiles.strengths, strict=True)):
        for i in range(PEAKS):
            for j in range(i):
                if strengths[i] == 0.0:
                    continue
                a, b = peaks[i], peaks[j]
                sizes = float(np.hypot(*a)), float(np.hypot(*b))
                if abs(a @ b) < SQUARE_COSINE * sizes[0] * sizes[1] and max(sizes) < SQUARE_RATIO * min(sizes):
                    found.append((float(min(strengths[i], strengths[j])), tile, np.stack([a, b])))
    found.sort(key=lambda item: -item[0])
    taken: set[int] = set()
    for _, tile, waves in found:
        if tile not in taken and len(taken) < SEEDS:
            taken.add(tile)
            yield tile, waves


def _grow(tiles: _Tiles, camera: Camera, seed: tuple[int, Points]) -> tuple[int, Points] | None:
    """Fit the camera's turn, tilt and height (in pitches) from one tile outward.

    Returns the number of tiles that agree and the unknowns; None when it does not grow.
    """
    tile, (first, second) = seed
    size = float(np.sqrt(np.hypot(*first) * np.hypot(*second)))
    # seen from straight above, u grows along the first wave; y runs down in the picture and up on the mat
    x = np.array([0.0, 0.0, float(np.arctan2(first[1], first[0])), np.log(camera.focal_px * size)])
    away = np.linalg.norm(tiles.centres_px - tiles.centres_px[tile], axis=1)
    reach = np.linspace(0.3, 1.0, len(NEAR)) * float(away.max()) + 1.0
    agree = np.zeros(len(away), dtype=bool)
    for near, far in zip(NEAR, reach, strict=True):
        gradients = _gradients(x, tiles.centres_px, camera)
        waves, off = _nearest_peaks(tiles, gradients)
        agree = (off < near).all(axis=1) & (away <= far)
        if agree.sum() < 4:
            return None
        points, seen = tiles.centres_px[agree], waves[agree]

        def misfit(x: Points, points: Points = points, seen: Points = seen) -> Points:
            model = _gradients(x, points, camera)
            return np.asarray((model - seen) / np.linalg.norm(seen, axis=2, keepdims=True)).ravel()

        x = np.asarray(least_squares(misfit, x, loss="soft_l1", f_scale=0.02).x)
        if not np.isfinite(x).all() or np.hypot(x[0], x[1]) > STEEPEST:
            return None
    return int(agree.sum()), x


def _nearest_peaks(tiles: _Tiles, gradients: Points) -> tuple[Points, Points]:
    """(T, 2, 2) waves nearest to those expected, signed alike, and (T, 2) how far off as a share of the frequency."""
    peaks = np.concatenate([tiles.peaks, -tiles.peaks], axis=1)  # a wave runs either way
    off = np.linalg.norm(peaks[:, None] - gradients[:, :, None], axis=3)
    off = np.where(np.isnan(off), np.inf, off)
    nearest = off.argmin(axis=2)
    waves = np.take_along_axis(peaks, nearest[..., None], axis=1)
    return waves, off.min(axis=2) / np.linalg.norm(gradients, axis=2)


def _pose(x: Points) -> Pose:
    """Rotation vector from looking straight down, and the log of the height, in pitches."""
    rotation = pose_from_rodrigues(x[:3], np.zeros(3)).rotation @ LOOKING_DOWN
    return Pose(rotation, -rotation @ np.array([0.0, 0.0, float(np.exp(x[3]))]))


def _gradients(x: Points, points_px: Points, camera: Camera) -> Points:
    """(N, 2, 2) gradients in the picture of the mat's coordinates, counted in pitches: of which, along which axis."""
    pose = _pose(x)
    steps = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    right, left, down, up = (to_plane(points_px + step, camera, pose) for step in steps)
    return np.stack([(right - left) / 2.0, (down - up) / 2.0], axis=2)


def _neighbours(looks: list[_Tiles], camera: Camera, x: Points) -> list[float]:
    """Multiples of the fitted frequency that may be that of neighbouring lines, the likeliest first.

    Lines of one kind have harmonics that fade evenly. Bold lines with m - 1 fine ones between them are a wide pattern
    whose every m-th harmonic stands out, for it is the fine lines' own.
    """
    base = min(_base(tiles, camera, x) for tiles in looks)
    waves, agree = _agreeing(looks[0], camera, x)
    harmonics = [0.0, *(_strength(looks[0], base * k * waves, agree) for k in range(1, max(FINER) + 2))]
    period_px = 1.0 / (np.median(np.linalg.norm(waves, axis=2)) * looks[0].factor * base)
    finest = int(period_px / PERIODS_PX[0])
    widest = int(np.ceil(period_px / PERIODS_PX[1]))
    standing_out = [_over_neighbours(harmonics, m, range(widest, finest + 1)) for m in FINER]
    best = int(np.argmax(standing_out))
    finer = [base * FINER[best]] if standing_out[best] > STANDS_OUT else []
    return [*finer, base]


def _base(tiles: _Tiles, camera: Camera, x: Points) -> float:
    """The lowest part of the fitted frequency at which lines are seen."""
    waves, agree = _agreeing(tiles, camera, x)
    low = np.array([_strength(tiles, part * waves, agree) for part in PARTS])
    return PARTS[int(np.argmax(low >= SEEN * low.max()))] if low.any() else 1.0


def _agreeing(tiles: _Tiles, camera: Camera, x: Points) -> tuple[Points, NDArray[np.bool_]]:
    """(T, 2, 2) fitted waves, and which tiles (T,) show some part of them."""
    waves = _gradients(x, tiles.centres_px, camera)
    off = np.min([_nearest_peaks(tiles, part * waves)[1] for part in PARTS], axis=0)
    return waves, np.asarray((off < NEAR[-1]).all(axis=1))


def _over_neighbours(harmonics: list[float], order: int, resolved: range) -> float:
    """A harmonic's strength over that of its neighbours, as far as these would be resolved."""
    neighbours = [max(harmonics[k], DISTINCT) for k in (order - 1, order + 1) if k in resolved and k > 0]
    return float(harmonics[order] / np.exp(np.mean(np.log(neighbours)))) if neighbours else 0.0


def _strength(tiles: _Tiles, waves: Points, where: NDArray[np.bool_]) -> float:
    """Median strength of the peaks at waves (T, 2, 2), over some tiles and both families; 0 where most have none."""
    if not where.any():
        return 0.0
    peaks = np.concatenate([tiles.peaks, -tiles.peaks], axis=1)[where][:, None]
    strengths = np.tile(tiles.strengths[where], 2)[:, None]
    off_px = np.linalg.norm(peaks - waves[where][:, :, None], axis=3) * tiles.factor * TILE_PX
    strongest = np.max(np.where(off_px < SAME_BIN, strengths, 0.0), axis=2)
    size = np.linalg.norm(waves[where], axis=2) * tiles.factor
    kept = 1.0 - np.exp(-2.0 * (np.pi * SLOW_PX * size) ** 2)  # of each wave when the slow changes were taken off
    return float(np.median(strongest / kept))
