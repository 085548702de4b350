"""Averages over neighbours that leave a peak as high as it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

CALM_GAIN = 0.44
"""Root sum of squares of the kernel of 3 G - 3 G^2 + G^3, times its sigma in cells (computed)."""


def calmed(cell: Floats, judged: Mask, sigma: float) -> tuple[Floats, Floats]:
    """`3 G - 3 G^2 + G^3`, and how much its last term brought back: what a peak may still lack."""
    once = masked_gaussian(cell, judged, sigma)
    twice = masked_gaussian(once, judged, sigma)
    calm = 3.0 * once - 3.0 * twice + masked_gaussian(twice, judged, sigma)
    return calm, np.abs(calm - (2.0 * once - twice))


def masked_gaussian(field: Floats, mask: Mask, sigma: float) -> Floats:
    """Gaussian average of the masked entries only, NaN elsewhere; sigma in entries."""
    weight = ndimage.gaussian_filter(mask.astype(np.float64), sigma, mode="constant")
    total = ndimage.gaussian_filter(np.where(mask, field, 0.0), sigma, mode="constant")
    return np.where(mask, total / np.maximum(weight, 1e-9), np.nan)
