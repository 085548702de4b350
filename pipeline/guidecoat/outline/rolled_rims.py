"""Rims that roll off over more than an edge does, as meshing programs draw them out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..unrolling.cells import Cells

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried on 60 sound panels and scans of them: cut, hemmed, decimated, merged from sweeps,
# and 6 whose rims roll off.

# Skin that falls away from the outside that much more tightly than the panel does farther in
# (radius 200 mm) rolls; form that a batten can follow turns ten times less.
_ROLL_PER_MM = 5e-3
# So much more of a band rolls off than turns up, all round: of sound panels under 15 %, of drawn
# out rims 25 % to all.
_MOSTLY = 0.25
# Farther in lies form, which is to be judged (choice).
_WIDEST_MM = 40.0
_INLAND_MM = (50.0, 120.0)
_FEWEST = 30
_CALM_CELLS = 1.5


def rolled_mm(cells: Cells, skin: Mask, inside_mm: Floats) -> float:
    """How far inboard of its outline and openings most of a skin rolls off, 0 where none does.

    A hem turns within a cell or two. Where a mesh was closed over the rim and trimmed, the skin is
    drawn out beyond it and falls away; a surface held there would be bent down with it.

    Parameters
    ----------
    inside_mm : (nu, nv) distance from the skin's outline and openings.
    """
    side = cells.grid.cell_mm
    turn = _inward_turn(cells, inside_mm)
    known = skin & np.isfinite(turn)
    inland = known & (inside_mm > _INLAND_MM[0]) & (inside_mm < _INLAND_MM[1])
    if inland.sum() < _FEWEST:
        return 0.0
    turn = turn - np.median(turn[inland])
    band = np.floor(inside_mm / side).astype(int)
    rolled = 0
    for k in range(int(_WIDEST_MM / side) + 1):
        own = turn[known & (band == k)]
        if len(own) < _FEWEST:
            # The outermost cells hang over the rim, and few of them have neighbours.
            if k:
                break
            continue
        if (own < -_ROLL_PER_MM).mean() - (own > _ROLL_PER_MM).mean() < _MOSTLY:
            break
        rolled = k + 1
    # The turn at a cell is between its neighbours': the last band's begins half a cell farther out.
    return max(rolled - 0.5, 0.0) * side


def _inward_turn(cells: Cells, inside_mm: Floats) -> Floats:
    """(nu, nv) how the slope along the way inboard changes, per mm; falling off outward is -."""
    side = cells.grid.cell_mm
    u, v = np.gradient(ndimage.gaussian_filter(inside_mm, _CALM_CELLS))
    size = np.hypot(u, v) + 1e-12
    u, v = u / size, v / size
    uu, uv = np.gradient(cells.slope_u, side)
    vu, vv = np.gradient(cells.slope_v, side)
    return np.asarray(u * u * uu + u * v * (uv + vu) + v * v * vv)
