"""How much more cells scatter than their points' noise explains."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .cells import Cells

ROUGH = 1.25
"""From here on the points say too little of their own noise."""

_FEWEST_DIFFERENCES = 100
_MEDIAN_OF_SIGMA = 0.6745


def measure_roughness(cells: Cells, sound: NDArray[np.bool_]) -> float:
    """How many times more cells scatter against their neighbours than their points' noise explains.

    1 for independent noise; more where passes meet in steps, where a mesh was smoothed or where
    the skin itself is rough. From third differences of height along both axes, which see no form.

    Parameters
    ----------
    sound : (nu, nv) bool, cells clear of edges and body lines.
    """
    if not sound.any():
        return 1.0
    u, v = cells.grid.u_mm[:, None], cells.grid.v_mm[None, :]
    leant = np.nan_to_num(cells.slope_u) * (cells.u_mm - u)
    leant = leant + np.nan_to_num(cells.slope_v) * (cells.v_mm - v)
    height = np.where(sound, cells.height_mm - leant, np.nan)
    third = np.concatenate([np.diff(height, 3, axis=axis).ravel() for axis in (0, 1)])
    third = np.abs(third[np.isfinite(third)])
    noise = float(np.nanmedian(cells.error_mm[sound]))
    if len(third) < _FEWEST_DIFFERENCES or noise <= 0.0:
        return 1.0
    return max(1.0, float(np.median(third) / (_MEDIAN_OF_SIGMA * np.sqrt(20.0) * noise)))
