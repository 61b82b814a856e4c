"""What the points along one line of a reference have in common, and how much of it there is in a photo.

Points along a line scatter about it, each by itself; but a print is never quite true and a sheet never quite flat, and
a whole line may lie shifted, turned or bent. These three are random effects of each line, and how large they are
differs from a board to loose paper: two scales, of the shifts and of the turns and bends, are estimated with the fit
from what its many lines show (restricted likelihood; H. D. Patterson and R. Thompson, "Recovery of inter-block
information when block sizes are unequal", 1971), with a prior for references that show little. So a clean print is used
at its worth and a wavy one is not trusted beyond its own.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from flatmeasure.photos.camera import Points

# Standard deviations of a line's shift, turn and bend, rms over the line.
# Of a print where the scale is 1, measured on photographs of boards with squares of 25 mm. They grow with the root of
# the length, as sums of small errors do; a whole figure's shift does not.
PRINT_MM, PRINT_LENGTH_MM = np.array([0.06, 0.015, 0.0075]), 25.0
LOCATED_PX = np.array([0.05, 0.008, 0.004])  # of locating it, measured on rendered sheets
# Of a lens that is not quite what its radial terms say, as a multiple of the turn: it goes slowly, over many lengths.
LENS_SHAPE = np.array([5.0, 1.0, 0.2])
U_LOG_SCALE = (0.7, 0.8)  # of shifts; of turns and bends: how much prints differ
SCALES = (np.geomspace(0.25, 8.0, 11), np.geomspace(0.125, 16.0, 15))  # tried
SHIFT, TURN = 0, 1


@dataclass(frozen=True, eq=False)
class Effects:
    """Random effects of lines: M directions in the space of N observations, each in units of its own noise.

    Attributes
    ----------
    directions : (N, M) sparse array
        Orthonormal columns, or empty ones for lines of few points.
    fixed : (M,) array
        Standard deviation along each that is there whatever the print.
    sizes : (M,) array
        And what the print adds where the scales are 1.
    kind : (M,) array
        0 for shifts, 1 for turns and bends.
    scales : tuple of float
        Of the two kinds.
    """

    directions: csr_array
    fixed: Points
    sizes: Points
    kind: NDArray[np.intp]
    scales: tuple[float, float] = (1.0, 1.0)

    def variances(self, scales: Points) -> Points:
        """(..., M) along each direction, noise included, at given scales."""
        return np.asarray(1.0 + self.fixed**2 + (scales * self.sizes) ** 2)

    def whitened(self, rows: Points) -> Points:
        """Rows (N, ...) in units of their noise, made independent of each other and of unit variance."""
        shrink = 1.0 - 1.0 / np.sqrt(self.variances(np.array(self.scales)[self.kind]))
        along = self.directions.T @ rows
        return np.asarray(rows - self.directions @ (shrink * along.T).T)


def print_sizes_px(length_mm: float, px_per_mm: float) -> Points:
    """(3,) of what a print adds to a line where the scales are 1."""
    return np.asarray(PRINT_MM * px_per_mm * np.sqrt([1.0, *[length_mm / PRINT_LENGTH_MM] * 2]))


def fixed_sizes_px(length_px: float, lens_share: float) -> Points:
    """(3,) of what is there whatever the print; ``lens_share`` is the lens's part of the turn, over the length."""
    return np.asarray(np.hypot(LOCATED_PX, LENS_SHAPE * lens_share * length_px))


def line_effects(
    line: NDArray[np.intp], fractions: Points, u_px: Points, fixed_px: Points, print_px: Points
) -> Effects:
    """Shift, turn and bend of every line.

    Parameters
    ----------
    line : (N,) array
        To which each observation belongs; ascending. One that stands alone is a line of its own.
    fractions : (N,) array
        Places along the line.
    u_px : (N,) array
        Noise of each by itself.
    fixed_px, print_px : (B, 3) array
        Standard deviation of each line's shift, turn and bend; what the print adds to it where the scales are 1.
    """
    count = len(fixed_px)
    weight = 1.0 / u_px

    def along(one: Points, other: Points) -> Points:
        return np.asarray(np.bincount(line, one * other, count)[line])

    directions: list[Points] = []
    for power in range(3):  # Gram and Schmidt, for all lines at once
        left = weight * fractions**power
        for direction in directions:
            left = left - direction * along(direction, left)
        norm = np.sqrt(along(left, left))
        directions.append(np.divide(left, norm, out=np.zeros_like(left), where=norm > 1e-6 * weight))
    columns = 3 * line[:, None] + np.arange(3)
    matrix = csr_array(
        (np.stack(directions, axis=1).ravel(), columns.ravel(), np.arange(0, 3 * len(line) + 1, 3)),
        shape=(len(line), 3 * count),
    )
    noises = np.sqrt(np.bincount(line, weight**2, count))[:, None]
    kinds = np.tile([SHIFT, TURN, TURN], count)
    fixed, sizes = (fixed_px * noises).ravel(), (print_px * noises).ravel()
    some = fixed + sizes > 0.0  # a grid's thousand crossings have nothing in common
    return Effects(matrix[:, some], fixed[some], sizes[some], kinds[some])


def estimate(effects: Effects, rows: Points, misfit: Points, known: Points, known_off: Points) -> Effects:
    """The same effects with the scales that a linearised fit shows.

    Parameters
    ----------
    effects : Effects
    rows : (N, P) array
        Derivatives of the observations, in units of their noise; the unknowns in steps of typical size.
    misfit : (N,) array
        In the same units.
    known : (Q, P) array, known_off : (Q,) array
        What is known beforehand, in units of its standard deviations.

    Returns
    -------
    Effects
        The scales are root mean squares over their distribution, so that doubt about them counts.
    """
    both = np.column_stack([rows, misfit])
    prior = np.column_stack([known, known_off])
    whole = both.T @ both + prior.T @ prior
    along = effects.directions.T @ both
    shift, turn = effects.scales
    turn = _scale(TURN, effects, along, whole - _taken(SHIFT, effects, along, np.array([shift]))[0])
    shift = _scale(SHIFT, effects, along, whole - _taken(TURN, effects, along, np.array([turn]))[0])
    turn = _scale(TURN, effects, along, whole - _taken(SHIFT, effects, along, np.array([shift]))[0])
    return replace(effects, scales=(shift, turn))


def _taken(kind: int, effects: Effects, along: Points, scales: Points) -> Points:
    """(S, P + 1, P + 1) what effects of a kind take off the normal matrix, misfit included, at each of some scales."""
    mine = effects.kind == kind
    share = 1.0 - 1.0 / effects.variances(scales[:, None])[:, mine]
    return np.asarray((along[mine].T * share[:, None]) @ along[mine])


def _scale(kind: int, effects: Effects, along: Points, whole: Points) -> float:
    """Root mean square over the distribution of the scale of one kind, the other's being given."""
    scales = SCALES[kind]
    # the last unknown is the misfit: what is left of it is the sum of squares about the fit
    diagonal = np.diagonal(np.linalg.cholesky(whole - _taken(kind, effects, along, scales)), axis1=-2, axis2=-1)
    volume = np.sum(np.log(effects.variances(scales[:, None])[:, effects.kind == kind]), axis=1)
    deviance = volume + 2.0 * np.sum(np.log(diagonal[:, :-1]), axis=1) + diagonal[:, -1] ** 2
    deviance += (np.log(scales) / U_LOG_SCALE[kind]) ** 2
    weight = np.exp(-0.5 * (deviance - deviance.min()))
    return float(np.sqrt(weight @ scales**2 / weight.sum()))
