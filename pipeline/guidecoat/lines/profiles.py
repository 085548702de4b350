"""Profiles across a line: how far the surface turns and steps there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..numerics.local_fit import LocalFit
from ..unrolling.cells import Cells
from ..unrolling.polylines import ways_along

Floats = NDArray[np.float64]

OUTER_SHARE = 0.75
"""Of how far a line may be rounded, beyond which the skin is as it is without it (choice)."""
# What a profile is read over: clear of what the window for curvatures, of 6 mm, blurs at a sharp
# line, and as far as a panel's crown is a quadratic (choice).
_NEAR_MM, FAR_MM = 14.0, 55.0
# Farther than that no line is rounded that the wide window of 15 mm finds (choice).
_WIDEST_ROUND_MM = 70.0
# Of the greatest curvature: with less of it the rest is the skin's own and noise (choice).
_STILL_ROUND = 0.2
# With less of a profile left its quadratic is a line, with still less it says nothing (choice).
_QUADRATIC_MM, _LINE_MM = 25.0, 12.0
# mm per mm from one step to the next: 50 degrees, steeper than a skin seen from above (choice).
_JUMP = 1.2


def turn_and_step(
    line: Floats,
    fit: LocalFit,
    cells: Cells,
    mask: NDArray[np.bool_],
    *,
    near_mm: float = _NEAR_MM,
    far_mm: float = FAR_MM,
) -> tuple[Floats, Floats]:
    """Per station of a line: turn (rad) and step (mm) between quadratics laid on either side."""
    _, left = ways_along(line)
    offset = np.arange(near_mm, far_mm, cells.grid.cell_mm)
    sides = []
    for sign in (1.0, -1.0):
        place = line[:, None, :] + sign * offset[None, :, None] * left[:, None, :]
        height = _heights(place, cells, fit, mask)
        sides.append(_at_the_line(height, offset))
    (z_left, s_left), (z_right, s_right) = sides
    # Slopes run away from the line on both sides, so a straight panel has s_left = -s_right.
    return s_left + s_right, z_left - z_right


def round_mm(
    line: Floats,
    fit: LocalFit,
    cells: Cells,
    mask: NDArray[np.bool_],
    *,
    widest_mm: float = _WIDEST_ROUND_MM,
    still_round: float = _STILL_ROUND,
) -> float:
    """How far (mm) to either side of a line the surface is rounded, on the wider side.

    Where the curvature across it, the median over its stations, still is a share of its greatest
    (`still_round`) above what it is in the outer quarter of `widest_mm`.
    """
    offset, across = curvature_across(line, fit, cells, mask, reach_mm=widest_mm)
    known = np.isfinite(across)
    seen = known.sum(axis=0) >= max(3, len(line) // 4)
    if not seen.any():
        return 0.0
    profile = np.full(len(offset), np.nan)
    profile[seen] = np.nanmedian(across[:, seen], axis=0)
    outer = seen & (np.abs(offset) > OUTER_SHARE * widest_mm)
    excess = np.abs(profile - (np.median(profile[outer]) if outer.any() else 0.0))
    near = seen & (np.abs(offset) <= _NEAR_MM)
    if not near.any():
        return 0.0
    still = seen & (excess > still_round * excess[near].max())
    return float(np.abs(offset[still]).max(initial=0.0))


def curvature_across(
    line: Floats,
    fit: LocalFit,
    cells: Cells,
    mask: NDArray[np.bool_],
    *,
    reach_mm: float,
) -> tuple[Floats, Floats]:
    """(q,) offsets (mm, + to the left) and (k, q) the surface's curvature (1/mm) there across a
    line at its k stations, NaN off the mask.
    """
    _, left = ways_along(line)
    reach = np.arange(0.0, reach_mm, cells.grid.cell_mm)
    offset = np.concatenate([-reach[:0:-1], reach])
    place = line[:, None, :] + offset[None, :, None] * left[:, None, :]
    i, j = cells.grid.index(place[..., 0], place[..., 1])
    on = mask[i, j] & ~cells.grid.beyond(place[..., 0], place[..., 1])
    a, b = left[:, None, 0], left[:, None, 1]
    across = a * a * fit.uu[i, j] + 2.0 * a * b * fit.uv[i, j] + b * b * fit.vv[i, j]
    return offset, np.where(on, across, np.nan)


def _heights(place: Floats, cells: Cells, fit: LocalFit, mask: NDArray[np.bool_]) -> Floats:
    """Heights at chart places from the nearest cell's local plane, NaN off the mask."""
    grid = cells.grid
    u, v = place[..., 0], place[..., 1]
    i, j = grid.index(u, v)
    inside = (
        (u >= grid.u0_mm)
        & (v >= grid.v0_mm)
        & (u <= grid.u0_mm + grid.shape[0] * grid.cell_mm)
        & (v <= grid.v0_mm + grid.shape[1] * grid.cell_mm)
        & mask[i, j]
    )
    height = (
        cells.height_mm[i, j]
        + fit.slope_u[i, j] * (u - cells.u_mm[i, j])
        + fit.slope_v[i, j] * (v - cells.v_mm[i, j])
    )
    return np.where(inside, height, np.nan)


def _at_the_line(height: Floats, offset: Floats) -> tuple[Floats, Floats]:
    """Value and slope at offset 0 of a quadratic through (k, q) one-sided profiles.

    A profile ends at its first gap or at its next step; with under 25 mm left it is a line, with
    under 12 mm nothing.
    """
    out = np.full((len(height), 2), np.nan)
    if len(offset) < 2:
        return out[:, 0], out[:, 1]
    seen = np.isfinite(height)
    jump = np.abs(np.diff(height, axis=1, prepend=height[:, :1])) > _JUMP * (offset[1] - offset[0])
    seen &= ~np.maximum.accumulate(jump & seen, axis=1)
    seen &= np.cumsum(~seen, axis=1) <= 1
    reach = np.where(seen, offset, 0.0).max(axis=1) - offset[0]
    x = offset / offset[-1]
    line = (reach > _LINE_MM) & (reach <= _QUADRATIC_MM)
    for degree, rows in ((2, reach > _QUADRATIC_MM), (1, line)):
        basis = np.vander(x, degree + 1, increasing=True)
        for k in np.flatnonzero(rows):
            use = seen[k]
            found = np.linalg.lstsq(basis[use], height[k, use], rcond=None)[0]
            out[k] = found[0], found[1] / offset[-1]
    return out[:, 0], out[:, 1]
