"""Spots that single points show beyond tolerance, too small to be marks: dirt, spatter, pits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..chunks import by_chunks
from ..unrolling.cells import Cells
from .deviation import IN

# Times the noise of single points: not one in ten thousand stands out so far by noise alone
# (derived), and of one cell so many points must, and such a share of them (choice).
_OF_NOISE = 4.0
_FEWEST, _LEAST_SHARE = 5, 0.3
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True)
class Spot:
    """A spot: its height (mm, the median of its points), its place on the chart (mm)."""

    height_mm: float
    u_mm: float
    v_mm: float


def find_spots(
    point_mm: NDArray[np.float32],
    point_status: NDArray[np.uint8],
    uvh: NDArray[np.float32],
    cells: Cells,
    *,
    tolerance_mm: float,
    roughness: float,
) -> tuple[Spot, ...]:
    """Find spots amid skin that is in tolerance, those that stand off most first.

    Cells average what is narrower than a few of them, and a mark takes more of them than that.

    Parameters
    ----------
    roughness : how many times more cells scatter than single points explain.
    point_mm, point_status : (v,) of the file's vertices; uvh : (n, 3), n >= v, their chart places.
    """
    limit = tolerance_mm + _OF_NOISE * cells.noise_mm * max(roughness, 1.0)

    def beyond(part: slice) -> NDArray[np.intp]:
        off = (point_status[part] == IN) & (np.abs(point_mm[part]) > limit)
        return part.start + np.flatnonzero(off)

    loud = np.concatenate([np.zeros(0, np.intp), *by_chunks(beyond, len(point_mm))])
    if len(loud) < _FEWEST:
        return ()
    i, j = cells.grid.index(uvh[loud, 0], uvh[loud, 1])
    count = np.zeros(cells.grid.shape, np.int64)
    np.add.at(count, (i, j), 1)
    there = (count >= _FEWEST) & (count >= _LEAST_SHARE * np.maximum(cells.count, 1))
    label, found = ndimage.label(there, _FULL)
    spots = []
    for k in range(1, found + 1):
        own = loud[label[i, j] == k]
        # Points of both signs in one place are noise.
        if min((point_mm[own] > 0).mean(), (point_mm[own] < 0).mean()) > 0.1:
            continue
        u, v = np.median(uvh[own, :2], axis=0)
        spots.append(Spot(float(np.median(point_mm[own])), float(u), float(v)))
    return tuple(sorted(spots, key=lambda spot: -abs(spot.height_mm)))
