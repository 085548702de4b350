"""Scans in which many points fly off the skin: how many, and the cells that they spoil."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..numerics.biweight import MAD_TO_SIGMA
from ..unrolling.cells import Cells, ChartedPoints

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Of sound scans 0.1 to 0.5 % of the points are left out of their cells, off hems (measured).
MANY = 0.03
"""Share of a skin's points from which on too many fly for their cells to be trusted one by one."""

# Of more points one in so many is counted: their share is known to 0.2 % (derived).
_ENOUGH = 500_000
# A spoilt cell stands off the median of the 5 x 5 round it by so many times what cells usually do,
# and no fewer mm (choice); a dent has more cells together than so many.
_TIMES_USUAL = 8.0
_LEAST_MM = 0.15
_MOST_TOGETHER = 8
_FULL = np.ones((3, 3), bool)


def flying_share(charted: ChartedPoints, cells: Cells, skin: Mask) -> float:
    """Share of the points in cells of one layer, off the rim, that lie too far off to be of it."""
    inner = ndimage.binary_erosion(skin & ~cells.layered, _FULL)
    every = max(1, len(charted.uvh) // _ENOUGH)
    uv = charted.uvh[::every][charted.counted[::every], :2].astype(np.float64)
    total = every * int(inner[cells.grid.index(uv[:, 0], uv[:, 1])].sum())
    return 1.0 - float(cells.count[inner].sum()) / total if total else 0.0


def unspoilt(cells: Cells, skin: Mask) -> Mask:
    """(nu, nv) the skin without the few cells together that flying points draw off it."""
    _, (i, j) = ndimage.distance_transform_edt(~skin, return_indices=True)
    height = cells.height_mm[i, j]
    off = np.abs(height - ndimage.median_filter(height, size=5))
    usual = MAD_TO_SIGMA * float(np.median(off[skin]))
    label, count = ndimage.label(skin & (off > max(_LEAST_MM, _TIMES_USUAL * usual)), _FULL)
    size = np.bincount(label.ravel(), minlength=count + 1)
    size[0] = 0
    return np.asarray(skin & ~((size[label] > 0) & (size[label] <= _MOST_TOGETHER)))
