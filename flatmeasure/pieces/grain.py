"""The direction of the lengthwise grain: given by an edge or an angle, or seen in weave, stripes or checks.

Threads and stripes repeat in lines: in the spectrum of a window of cloth they stand out as peaks on a ray at right
angles to those lines. Every window votes; the share that agrees is the confidence, and below `CONFIDENT` the grain is
unknown.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Grain, Panel
from flatmeasure.pieces.picture_map import Texture
from flatmeasure.quantity import Quantity, root_sum_squares

WINDOW_PX = 256
COVERED = 0.6  # of a window that must be cloth
BORDER_PX = 8  # of the cloth left out: its edge is no thread
SMOOTH_MM = 20.0  # slower changes are light and folds
OUTSTANDING = 4.0  # a window votes when its peak is this many times the usual peak of other directions
CONFIDENT = 0.6
LIKE_STRENGTH = 0.01  # of the first direction's power: a second weaker than this is a trace of the first
ALIKE_DEG = 2.0
FINE_MM = 4.0  # lines closer than this are threads, wider apart stripes
FEWEST_LINES = 3
PROFILE_PX = 100_000  # pixels that are enough to find a direction
U_SEEN_DEG = 0.5  # cloth does not lie straighter than this
LOWEST, HIGHEST = 3.0 / WINDOW_PX, 0.45  # frequencies that are looked at, per px
ANGLES_DEG = np.arange(0.0, 180.0, 1.0)


@dataclass(frozen=True, eq=False)
class _Rays:
    """The spectrum's bins by direction and by distance from the middle."""

    near: list[NDArray[np.intp]]  # bins within a degree of each angle
    rings: list[NDArray[np.intp]]  # bins at like frequency


def grain_from_edge(panel: Panel, edge_id: str, turn_deg: float = 0.0) -> Grain:
    """The grain along an edge (selvedge, centre front), or at an angle to it.

    Parameters
    ----------
    panel : Panel
    edge_id : str
        Id or label.
    turn_deg : float
        Counter-clockwise from the edge.

    Returns
    -------
    Grain
        u = point sqrt(2) / chord, in radians: both ends off across the edge.

    Raises
    ------
    KeyError
        No such edge.
    ValueError
        If the edge is closed in itself.
    """
    line = panel.edge_points(panel.edge(edge_id))
    chord = line[-1] - line[0]
    length = float(np.hypot(*chord))
    if length < 1.0:
        raise ValueError(f"the edge {edge_id} is closed in itself and has no direction")
    angle = (float(np.degrees(np.arctan2(chord[1], chord[0]))) + turn_deg) % 180.0
    u = float(np.degrees(np.sqrt(2.0) * panel.error.point_mm / length))
    source = f"edge {panel.edge(edge_id).id}" + (f" turned by {turn_deg:g} degrees" if turn_deg else "")
    return Grain(angle, u, source)


def grain_sizes(panel: Panel) -> tuple[Quantity, Quantity]:
    """Extent of a piece along and across its grain.

    Parameters
    ----------
    panel : Panel

    Returns
    -------
    (Quantity, Quantity)
        u^2 = shared^2 + 2 point^2 + (change with the angle)^2 u(angle)^2.

    Raises
    ------
    ValueError
        If the grain is not known.
    """
    grain = panel.grain
    if grain is None:
        raise ValueError(f"the grain of piece {panel.id} is not known")

    def sizes(moved: Panel, angle_deg: float = grain.angle_deg) -> Points:
        c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
        return np.asarray(np.ptp(moved.outline_mm @ np.array([[c, -s], [s, c]]), axis=0))

    shared = panel.shared(sizes)
    turned = (sizes(panel, grain.angle_deg + 0.5) - sizes(panel, grain.angle_deg - 0.5)) * grain.u_deg
    along, across = (
        panel.length(float(value), root_sum_squares(float(u), float(turn)))
        for value, u, turn in zip(sizes(panel), shared, turned, strict=True)
    )
    return along, across


def see_grain(texture: Texture, panel: Panel) -> Grain | None:
    """The grain as the cloth's texture shows it.

    Stripes are taken to run along the grain (common practice). Threads or checks show two directions at right angles,
    and a picture cannot tell which is the lengthwise one: the one along which the piece is longer is given, and the
    source says so. A single fine direction is a twill or a nap and tells nothing.

    Parameters
    ----------
    texture : Texture
        The piece's part of the photo at one scale, as `picture_map.piece_texture` gives it.
    panel : Panel

    Returns
    -------
    Grain or None
        None when the texture does not show it.
    """
    windows = _windows(texture)
    if not windows:
        return None
    rays = _rays()
    spectra = [_whitened(window, rays) for window in windows]
    mean = np.mean(spectra, axis=0)
    strength = [np.mean(np.log1p(mean[bins])) + np.log1p(np.max(mean[bins])) for bins in rays.near]
    ray = float(ANGLES_DEG[np.argmax(strength)])
    peaks = np.array([[np.max(spectrum[bins]) for bins in rays.near] for spectrum in spectra])
    usual = OUTSTANDING * np.median(peaks, axis=1)
    along_ray, across_ray = _near_ray(peaks, ray), _near_ray(peaks, ray + 90.0)
    first = float(np.mean(along_ray >= usual))
    second = float(np.mean(across_ray >= np.maximum(usual, LIKE_STRENGTH * along_ray)))
    if first < CONFIDENT:
        return None
    samples = _samples(texture)
    lines = _sharpened(samples, ray + 90.0)
    period_mm = _period_px(samples, lines) * texture.mm_per_px
    if second < CONFIDENT and period_mm < FINE_MM:
        return None
    if second < CONFIDENT:
        return Grain(lines % 180.0, U_SEEN_DEG, f"stripes {period_mm:.0f} mm apart", first)
    kind = f"checks of {period_mm:.0f} mm" if period_mm >= FINE_MM else "weave"
    along = max(lines, lines + 90.0, key=lambda angle: _extent(panel, angle))
    return Grain(along % 180.0, U_SEEN_DEG, f"{kind}, the longer way; it may be the other", min(first, second))


def _windows(texture: Texture) -> list[NDArray[np.float32]]:
    """Overlapping windows that are mostly cloth, slow changes taken off, faded out to their borders."""
    size, grey = WINDOW_PX, texture.grey
    weight = _inner(texture).astype(np.float32)
    sigma = SMOOTH_MM / texture.mm_per_px
    slow = cv2.GaussianBlur(grey * weight, (0, 0), sigma) / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-3)
    margin = ((size // 2, size),) * 2
    detail, weight = np.pad((grey - slow) * weight, margin), np.pad(weight, margin)
    fade = np.outer(np.hanning(size), np.hanning(size)).astype(np.float32)
    return [
        np.asarray(detail[y : y + size, x : x + size] * fade, dtype=np.float32)
        for y in range(0, detail.shape[0] - size + 1, size // 2)
        for x in range(0, detail.shape[1] - size + 1, size // 2)
        if np.mean(weight[y : y + size, x : x + size]) >= COVERED
    ]


def _rays() -> _Rays:
    fy, fx = np.meshgrid(np.fft.fftfreq(WINDOW_PX), np.fft.fftfreq(WINDOW_PX), indexing="ij")
    frequency = np.hypot(fx, fy)
    angle = np.degrees(np.arctan2(-fy, fx))  # the mat's y axis runs up
    used = (frequency > LOWEST) & (frequency < HIGHEST)
    near = [np.flatnonzero(used & (_apart(angle, ray) < 1.0)) for ray in ANGLES_DEG]
    ring = np.where(used, (frequency * WINDOW_PX).astype(np.intp), -1)
    return _Rays(near, [np.flatnonzero(ring == k) for k in range(ring.max() + 1) if np.any(ring == k)])


def _whitened(window: NDArray[np.float32], rays: _Rays) -> NDArray[np.float64]:
    """Power spectrum over the median of its ring: 1 where nothing stands out."""
    power = np.abs(np.fft.fft2(window)).ravel() ** 2
    white = np.zeros_like(power, dtype=np.float64)
    for ring in rays.rings:
        white[ring] = power[ring] / max(float(np.median(power[ring])), 1e-12)
    return white


def _near_ray(peaks: NDArray[np.float64], ray: float) -> NDArray[np.float64]:
    """(W,) highest peak of each window near a direction."""
    return np.asarray(np.max(peaks[:, _apart(ANGLES_DEG, ray) <= ALIKE_DEG], axis=1))


@dataclass(frozen=True, eq=False)
class _Samples:
    """Pixels of cloth, enough of them to find a direction."""

    x: NDArray[np.intp]
    y: NDArray[np.intp]
    grey: NDArray[np.float64]  # above the mean


def _samples(texture: Texture) -> _Samples:
    y, x = np.nonzero(_inner(texture))
    if len(y) > PROFILE_PX:  # at random, for an even choice would beat with the threads
        chosen = np.random.default_rng(0).choice(len(y), PROFILE_PX, replace=False)
        y, x = y[chosen], x[chosen]
    grey = texture.grey[y, x].astype(np.float64)
    return _Samples(x, y, grey - np.mean(grey))


def _profile(samples: _Samples, lines_deg: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sum of grey and number of pixels along lines of a direction, an entry for each px across."""
    c, s = np.cos(np.radians(lines_deg)), np.sin(np.radians(lines_deg))
    across = np.round(samples.x * s + samples.y * c).astype(np.intp)  # picture rows run down
    across -= across.min()
    return np.bincount(across, samples.grey).astype(np.float64), np.bincount(across).astype(np.float64)


def _sharpened(samples: _Samples, lines_deg: float) -> float:
    """The direction of lines near a guess along which the cloth's grey adds up to the strongest profile."""

    def strength(angle_deg: float) -> float:
        total, count = _profile(samples, angle_deg)
        return float(np.sum(total**2 / np.maximum(count, 1.0)))

    tried = np.concatenate([np.arange(-8.0, 8.1, 1.0), np.arange(-1.5, 1.51, 0.1)])  # wide stripes, fine threads
    best = max((lines_deg + float(turn) for turn in tried), key=strength)
    return max((best + float(turn) for turn in np.arange(-0.5, 0.51, 0.05)), key=strength)


def _period_px(samples: _Samples, lines_deg: float) -> float:
    """Distance at which lines of a direction repeat, from the spectrum of the profile across them."""
    total, count = _profile(samples, lines_deg)
    power = np.abs(np.fft.rfft((total / np.maximum(count, 1.0)) * np.hanning(len(total)))) ** 2
    return len(total) / float(FEWEST_LINES + np.argmax(power[FEWEST_LINES:]))


def _inner(texture: Texture) -> NDArray[np.uint8]:
    """The cloth without its border."""
    kernel = np.ones((2 * BORDER_PX + 1,) * 2, np.uint8)
    return np.asarray(cv2.erode(texture.inside.astype(np.uint8), kernel, borderValue=0), dtype=np.uint8)


def _apart(angles_deg: NDArray[np.float64], ray: float) -> NDArray[np.float64]:
    """Difference of undirected angles, 0 to 90."""
    return np.asarray(np.abs((angles_deg - ray + 90.0) % 180.0 - 90.0))


def _extent(panel: Panel, angle_deg: float) -> float:
    return float(np.ptp(panel.outline_mm @ [np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))]))
