"""Averages over neighbours: those that leave a peak as high as it is, and those before slopes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

CALM_GAIN = 0.44
"""Root sum of squares of the kernel of 3 G - 3 G^2 + G^3, times its sigma in cells (computed)."""

HALF_WAVE_SIGMAS = 2.0 * np.pi / 1.5674
"""`2 G - G^2` passes half of a wave this many sigmas long: 2 g - g^2 = 0.5 for the transfer
g = exp(-(2 pi sigma / wavelength)^2 / 2) where 2 pi sigma / wavelength is 1.5674 (computed)."""

UNSMOOTHED = 0.35
"""Sigma in cells under which a Gaussian reaches no neighbour worth counting: each weighs
exp(-1 / (2 * 0.35^2)) = 0.017 of the cell itself (computed)."""

_CALM_MM = 3.0


def carried_past(field: Floats, mask: Mask) -> Floats:
    """The field carried on past its mask from the nearest cell, so that slopes end level there."""
    if mask.all() or not mask.any():
        return np.nan_to_num(field)
    _, (i, j) = ndimage.distance_transform_edt(~mask, return_indices=True)
    return np.asarray(field[i, j])


def calm_cells(side: float) -> float:
    """Sigma, in cells of this side (mm), by which heights are calmed: of one cell or 3 mm (choice).

    >>> calm_cells(1.5), calm_cells(6.0)
    (2.0, 1.0)
    """
    return max(1.0, _CALM_MM / side)


def calmed(cell: Floats, judged: Mask, sigma: float) -> tuple[Floats, Floats]:
    """`3 G - 3 G^2 + G^3`, and how much its last term brought back: what a peak may still lack."""
    once = masked_gaussian(cell, judged, sigma)
    twice = masked_gaussian(once, judged, sigma)
    calm = 3.0 * once - 3.0 * twice + masked_gaussian(twice, judged, sigma)
    return calm, np.abs(calm - (2.0 * once - twice))


def smoothed(field: Floats, mask: Mask, sigma: float) -> Floats:
    """`2 G - G^2` of the masked entries only, which loses little of long waves; sigma in entries.

    NaN elsewhere; unchanged under about a third of an entry.
    """
    if sigma < UNSMOOTHED:
        return np.where(mask, field, np.nan)
    once = masked_gaussian(field, mask, sigma)
    return 2.0 * once - masked_gaussian(once, mask, sigma)


def masked_gaussian(field: Floats, mask: Mask, sigma: float, *, everywhere: bool = False) -> Floats:
    """Gaussian average of the masked entries only, NaN at the others unless everywhere; sigma in
    entries.
    """
    weight = ndimage.gaussian_filter(mask.astype(np.float64), sigma, mode="constant")
    total = ndimage.gaussian_filter(np.where(mask, field, 0.0), sigma, mode="constant")
    return np.where(mask | everywhere, total / np.maximum(weight, 1e-9), np.nan)
