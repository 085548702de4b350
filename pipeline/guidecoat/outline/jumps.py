"""Jumps in height from one skin to another: at a step, or over a lane without points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..unrolling.cells import Cells
from .openings import BEHIND_MM

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double on eight panels, as those of the faces were: what changes stands
# beside each, "the same" where nothing does.

# A jump from cell to cell in mm, and in cells where those are wide (63 degrees). Doubled, either
# lets a flange's return into the face; half is nearly the same.
JUMP_MM = 4.0
_STEEPEST = 2.0
# In cells. Two skins often part at a lane without points, into which both are carried on;
# neighbours there that come from farther apart than a diagonal (1.41) come from either side
# (derived). Doubled, inner skins of the door are strips of the outer one, or the steps beside
# flanges are missed.
_LANE_CELLS = 2.0
_NEXT_CELLS = 1.5
# Shorter jumps across a lane are stray cells beside a drop-out. Half is the same, double loses 8
# cells of a step.
_SHORTEST_LANE_MM = 50.0
# Jumps round fewer cells and less skin than that are flying points and no step (choice).
_MOST_WILD, _MOST_WILD_MM2 = 8, 200.0
_FULL = np.ones((3, 3), bool)


def height_jumps(cells: Cells, skin: Mask) -> Mask:
    """(nu, nv) cells either side of a jump in height, as from one skin to another behind it.

    Two skins often part at a narrow lane without points: both are carried on into it.
    """
    jumps, lanes = np.zeros_like(skin), np.zeros_like(skin)
    side = cells.grid.cell_mm
    gap, (i, j) = ndimage.distance_transform_edt(~skin, return_indices=True)
    near = gap <= _LANE_CELLS
    u, v = cells.u_mm[i, j], cells.v_mm[i, j]
    z = np.where(near, _without_wild(cells.height_mm[i, j], side), np.nan)
    slope_u, slope_v = np.nan_to_num(cells.slope_u)[i, j], np.nan_to_num(cells.slope_v)[i, j]
    for axis in (0, 1):
        here, there = [slice(None)] * 2, [slice(None)] * 2
        here[axis], there[axis] = slice(None, -1), slice(1, None)
        a, b = tuple(here), tuple(there)
        # At the middle between the two cells.
        half_u, half_v = 0.5 * (u[b] - u[a]), 0.5 * (v[b] - v[a])
        carried = half_u * (slope_u[a] + slope_u[b]) + half_v * (slope_v[a] + slope_v[b])
        beside = skin[a] & skin[b]
        across = ~beside & (np.hypot(i[b] - i[a], j[b] - j[a]) > _NEXT_CELLS)
        with np.errstate(invalid="ignore"):
            step = beside & (np.abs(z[b] - z[a]) > max(JUMP_MM, _STEEPEST * side))
            lane = across & (np.abs(z[b] - z[a] - carried) > BEHIND_MM)
        for part in (a, b):
            jumps[part] |= step
            lanes[part] |= lane
    # A few stray cells beside a drop-out are no second skin.
    label, _ = ndimage.label(ndimage.binary_dilation(lanes | jumps, _FULL, iterations=2), _FULL)
    for k, box in enumerate(ndimage.find_objects(label), start=1):
        # Grown by two cells at either end.
        if (max(s.stop - s.start for s in box) - 4) * side < _SHORTEST_LANE_MM:
            lanes[label == k] = False
    return jumps | lanes


def _without_wild(height_mm: Floats, side: float) -> Floats:
    """Heights with those few cells levelled that points flying together leave amid a skin."""
    level = ndimage.median_filter(height_mm, size=5)
    label, count = ndimage.label(np.abs(height_mm - level) > 0.5 * JUMP_MM, _FULL)
    size = np.bincount(label.ravel(), minlength=count + 1)
    size[0] = 0
    few = (size[label] > 0) & (size[label] <= min(_MOST_WILD, _MOST_WILD_MM2 / side**2))
    return np.asarray(np.where(few, level, height_mm))
