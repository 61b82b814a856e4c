"""How uncertain fitted edges are, judged by how their points really scatter.

Stated uncertainties of points miss what they cannot know (frayed threads, wrinkles), and neighbouring points err alike.
Both are read off the residuals: the variance of a fit grows by the mean square of the residuals in units of the stated
uncertainty, and by the sum of their autocorrelation (M. S. Bartlett, "On the theoretical specification and sampling
properties of autocorrelated time-series", 1946).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from flatmeasure.edges.curves import Smooth
from flatmeasure.photos.camera import Points

OUTLIER_WEIGHT = 0.1  # a point trusted less is none of the scatter
REACH_MM = 20.0  # residuals farther apart are independent
USUAL_CORRELATION_MM = 12.0  # integral of the autocorrelation over both sides
USUAL_WORTH_MM = 1000.0  # the usual value weighs as much as edges of this length: slow errors hide in a fit
POOL_WORTH_MM = 150.0  # so much does the scatter of all edges weigh beside an edge's own


def calibrated(edges: Sequence[Smooth], step_mm: float) -> list[Smooth]:
    """Edges whose covariance allows for the true scatter of their points.

    Parameters
    ----------
    edges : sequence of Smooth
    step_mm : float
        Between neighbouring points.
    """
    all_round = sum(edge.span for edge in edges)
    correlation = correlation_mm(edges, step_mm)
    squares = np.array([_mean_square(edge) for edge in edges])
    lengths = np.array([edge.span for edge in edges])
    pooled = float(squares @ lengths / all_round)
    own = (squares * lengths + pooled * POOL_WORTH_MM) / (lengths + POOL_WORTH_MM)
    inflation = own * max(1.0, correlation / step_mm)
    return [replace(edge, covariance=edge.covariance * f) for edge, f in zip(edges, inflation, strict=True)]


def correlation_mm(edges: Sequence[Smooth], step_mm: float) -> float:
    """Integral of the residuals' autocorrelation over both sides, pooled over edges."""
    reach = max(1, round(REACH_MM / step_mm))
    products = np.zeros(reach + 1)
    for edge in edges:
        scaled = _scatter(edge)
        for lag in range(min(reach + 1, len(scaled))):
            products[lag] += scaled[: len(scaled) - lag] @ scaled[lag:]
    taper = 1.0 - np.arange(1, reach + 1) / (reach + 1)
    seen = step_mm * (1.0 + 2.0 * float(taper @ products[1:]) / max(products[0], 1e-12))
    all_round = sum(edge.span for edge in edges)
    worth = all_round + USUAL_WORTH_MM
    return float(max(seen, step_mm) * all_round + USUAL_CORRELATION_MM * USUAL_WORTH_MM) / worth


def _mean_square(edge: Smooth) -> float:
    """Mean square residual in units of the stated uncertainty."""
    scaled = _scatter(edge)
    return float(scaled @ scaled / max(float(np.count_nonzero(scaled)) - edge.freedom, 1.0))


def _scatter(edge: Smooth) -> Points:
    """(N,) residuals in units of the stated uncertainty, outliers zero."""
    return np.where(edge.weights > OUTLIER_WEIGHT, edge.residuals_mm / edge.u_mm, 0.0)
