"""The step between cloth and ground where a line printed on the mat runs along the cloth's edge.

A line a few pixels beside the edge looks like ground of another level and drags the step toward itself or away. Where
the mat's grid is known to have a line, a profile is therefore fitted once more, with a line on the ground, cut off by
the cloth, as a further part of it: its distance from the edge, width and light unknown.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from flatmeasure.outline.stepfit import (
    FREEDOM,
    REACH_PX,
    SHIFTS_PX,
    Floats,
    Shadows,
    Singles,
    StepFit,
    line_basis,
    residual_forms,
    squared_residuals,
    step_basis,
)

GAPS_PX = np.arange(1.0, REACH_PX + 0.1, 0.5)  # between edge and line; one that touches the edge can't be told from it
WIDTHS_PX = (1.0, 2.0, 3.0)
PLACE_PX = 1.0  # how far a line may be from where the grid has it
MOVE_PX = 1.3  # how far the edge may be from where it was found without the line
PENALTY = 9.0  # a line must explain more than its own five unknowns would by chance
LEAST_U_PX = 0.03
_SHAPES = [(start, start + width) for start in GAPS_PX.tolist() for width in WIDTHS_PX]
_MIDDLES_PX = np.array([0.5 * (start + end) for start, end in _SHAPES])


def with_lines(fit: StepFit, profiles: Singles, blur_px: float, shadows: Shadows, lines_px: Floats) -> StepFit:
    """The fit with the steps beside printed lines fitted anew.

    Parameters
    ----------
    fit : StepFit
    profiles, blur_px, shadows
        What it was fitted to, see `fit_steps`.
    lines_px : (N, L) array
        Where along the profiles' normals printed lines are; infinite where there is none.
    """
    offset_px, u_px = fit.offset_px.copy(), fit.u_px.copy()
    beside = np.any(np.abs(lines_px - fit.offset_px[:, None] - 0.5 * REACH_PX) < 0.5 * REACH_PX, axis=1)
    for shadow in np.unique(fit.shadow[beside]):
        own = np.flatnonzero(beside & (fit.shadow == shadow))
        found, offset, u = _fit(profiles[own], fit.offset_px[own], lines_px[own], blur_px, shadows[shadow])
        offset_px[own[found]], u_px[own[found]] = offset[found], u[found]
    return replace(fit, offset_px=offset_px, u_px=u_px)


def _fit(
    profiles: Singles, offset_px: Floats, lines_px: Floats, blur_px: float, shadow: tuple[float, float, float]
) -> tuple[NDArray[np.bool_], Floats, Floats]:
    """(N,) whether a line explains the profile, and the mean offset with its uncertainty over lines and none."""
    residual = squared_residuals(profiles, _forms(blur_px, shadow), 1 + len(_SHAPES))
    places = SHIFTS_PX + _MIDDLES_PX[:, None]
    off_grid = np.abs(places - lines_px[:, :, None, None]).min(axis=1)
    residual[:, 1:][off_grid > PLACE_PX] = np.inf
    residual[np.broadcast_to((np.abs(SHIFTS_PX - offset_px[:, None]) > MOVE_PX)[:, None], residual.shape)] = np.inf
    cost = residual * (FREEDOM / residual.min(axis=(1, 2), keepdims=True))
    cost[:, 1:] += PENALTY
    likelihood = np.exp(0.5 * (cost.min(axis=(1, 2), keepdims=True) - cost))
    chance = likelihood.sum(axis=1) / likelihood.sum(axis=(1, 2))[:, None]
    mean = chance @ SHIFTS_PX
    u = np.sqrt(np.sum(chance * np.square(SHIFTS_PX - mean[:, None]), axis=1))
    return cost.min(axis=2).argmin(axis=1) > 0, mean, np.maximum(u, LEAST_U_PX)


@lru_cache(maxsize=16)
def _forms(blur_px: float, shadow: tuple[float, float, float]) -> Singles:
    """`residual_forms` of a step alone, and of one with each line beside it."""
    step = step_basis(blur_px, shadow)
    lined = [np.concatenate([step, line_basis(blur_px, *shape)], axis=2) for shape in _SHAPES]
    return np.concatenate([residual_forms(step), residual_forms(np.concatenate(lined, axis=1))], axis=1)
