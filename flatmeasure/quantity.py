"""A measured value that never travels without its standard uncertainty and its unit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CORRELATION_MM = 5.0  # wrinkles and weave move neighbouring outline points together over about this length


@dataclass(frozen=True)
class Quantity:
    """A measured value.

    Attributes
    ----------
    value : float
        The estimate, in ``unit``.
    u : float
        Its standard uncertainty (JCGM 100:2008, the GUM, section 2.3.1), in ``unit``. About 95 % of true
        values lie within ``value`` +- 2 ``u``.
    unit : str
        ``"mm"``, ``"mm2"`` or ``"deg"``.
    """

    value: float
    u: float
    unit: str

    def to_dict(self) -> dict[str, float | str]:
        """The quantity as files and the HTTP service carry it."""
        return {"value": self.value, "u": self.u, "unit": self.unit}


def root_sum_squares(*parts: float | NDArray[np.float64]) -> float:
    """Combined standard uncertainty of independent contributions (GUM, 5.1.2)."""
    return float(np.sqrt(sum(float(np.sum(np.square(part))) for part in parts)))
