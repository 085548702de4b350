"""Tukey's biweight: the weight of a reading by how far it is off, 0 beyond a cut."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MAD_TO_SIGMA = 1.4826
"""Of a normal distribution, its standard deviation over its median absolute deviation."""

BIWEIGHT = 4.685
"""The cut over the scatter that keeps 95 % of the efficiency for Gaussian noise (Holland & Welsch
1977; from memory).
"""


def tukey(residual: Floats, cut: float | Floats) -> Floats:
    """Tukey's biweight (1 - (r/cut)^2)^2, 0 beyond the cut (Beaton & Tukey 1974)."""
    return np.asarray(np.maximum(1.0 - (residual / cut) ** 2, 0.0) ** 2)
