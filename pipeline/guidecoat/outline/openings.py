"""Openings of a panel, told from drop-outs of its scan, and what is seen through them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..numerics.local_fit import quadratic_columns
from ..unrolling.cells import Cells
from .rims import is_shaped

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double on eight panels (a door with its window, wide drop-outs, a
# pattern of holes, flanges, folds): but for one nothing changes. All are choices, made for these
# reasons.

# Smaller holes are judged over, as drop-outs are.
_SMALLEST_OPENING_MM = 14.0
# A rim that falls off by that much below a quadratic through the skin beside it rolls inward.
_ROLL_MM = 1.0
# A plain cut opening does not roll: it is so wide, and its rim holds nearly as many points per cell
# as the skin beside it. A drop-out thins out towards its rim. Half the width takes drop-outs of a
# door and a hatch for openings.
_CUT_OPENING_MM = 45.0
_CUT_RIM = 0.78
# Wider holes are no drop-outs, however thin their rims, if they have an opening's form.
_LARGEST_DROPOUT_MM = 120.0
# So wide a hole is never laid over, whatever its form (choice).
_WIDEST_BRIDGED_MM = 250.0
# Of a hole's cells: skin that another scan shows in it. Through an opening nothing is seen that
# lies as high as the skin round it (choice).
_SEEN_ELSEWHERE = 0.3
_FULL = np.ones((3, 3), bool)

BEHIND_MM = 8.0
"""What lies so far below the rim of a hole, or the skin across a jump, is another part."""


def close_dropouts(
    cells: Cells, skin: Mask, elsewhere: Mask | None = None
) -> tuple[Mask, Mask, Mask]:
    """(nu, nv) each: the skin without its drop-outs; its openings; and what lies behind them.

    Parameters
    ----------
    elsewhere : (nu, nv) bool, where another scan of the panel shows its skin, None without one.
    """
    side = cells.grid.cell_mm
    reach = max(1, round(6.0 / side))
    closed = ndimage.binary_closing(np.pad(skin, reach + 1), _FULL, iterations=reach)
    closed = closed[reach + 1 : -reach - 1, reach + 1 : -reach - 1] | skin
    label, _count = ndimage.label(closed)
    size = np.bincount(label.ravel())
    size[0] = 0
    main = label == size.argmax()
    outer = ndimage.binary_fill_holes(main)
    behind = _behind(cells, label, main, outer, size)
    holes, _holes_count = ndimage.label(outer & ~main)
    openings = np.zeros_like(skin)
    for k, box in enumerate(ndimage.find_objects(holes), start=1):
        grown = tuple(slice(max(0, s.start - 12), s.stop + 12) for s in box)
        hole = holes[grown] == k
        scanned = elsewhere is not None and elsewhere[grown][hole].mean() > _SEEN_ELSEWHERE
        if not scanned and _is_opening(hole, cells, skin, grown):
            openings[grown] |= hole
    whole = (outer | closed) & ~openings & ~behind
    return whole, openings, behind


def skin_elsewhere(cells: Cells, skin: Mask, uvh_mm: Floats) -> Mask:
    """(nu, nv) bool, cells in which (k, 3) points of another scan lie about as high as the skin
    nearest to them.
    """
    seen = np.zeros(skin.shape, bool)
    u, v, h = uvh_mm[~cells.grid.beyond(uvh_mm[:, 0], uvh_mm[:, 1])].T
    i, j = cells.grid.index(u, v)
    nearest = ndimage.distance_transform_edt(~skin, return_distances=False, return_indices=True)
    level = cells.height_mm[tuple(nearest)][i, j]
    close = np.abs(h - level) < BEHIND_MM
    seen[i[close], j[close]] = True
    return seen


def _behind(
    cells: Cells, label: NDArray[np.int32], main: Mask, outer: Mask, size: NDArray[np.intp]
) -> Mask:
    """Pieces seen through an opening: inside the main skin's outline and lower than its rim."""
    behind = np.zeros_like(main)
    for k in np.flatnonzero(size):
        piece = label == k
        if piece[main].any() or not (piece & outer).sum() > 0.5 * size[k]:
            continue
        near = ndimage.distance_transform_edt(~piece)
        rim = main & (near <= max(20.0, near[main].min() + 10.0))
        rim_height = np.nanmedian(cells.height_mm[rim])
        if np.nanmedian(cells.height_mm[piece]) < rim_height - BEHIND_MM:
            behind |= piece
    return behind


def _is_opening(hole: Mask, cells: Cells, skin: Mask, box: tuple[slice, ...]) -> bool:
    """Whether a hole is an opening of the panel and not a drop-out of the scan.

    An opening either rolls inward at its rim, or has the form of one: then it is wide with a rim
    scanned nearly as densely as the skin beside it (a drop-out thins towards its rim), or is too
    large to be a drop-out.
    """
    side = cells.grid.cell_mm
    depth = ndimage.distance_transform_edt(np.pad(hole, 1))[1:-1, 1:-1] * side
    width = 2.0 * float(depth.max())
    if width < _SMALLEST_OPENING_MM:
        return False
    if width > _WIDEST_BRIDGED_MM:
        return True
    away = ndimage.distance_transform_edt(~hole) * side
    here = skin[box]
    height = cells.height_mm[box]
    rim = here & (away <= 1.5 * side)
    inboard = here & (away > 3.0 * side) & (away <= 8.0 * side)
    large = width > _LARGEST_DROPOUT_MM
    if rim.sum() < 8 or inboard.sum() < 16:
        return large
    roll = _roll_at_rim(rim, inboard, height, cells, box)
    if abs(roll) > BEHIND_MM:
        return large
    if roll < -_ROLL_MM:
        return True
    thin = cells.count[box][rim].mean() / max(cells.count[box][inboard].mean(), 1.0)
    full = large or (width > _CUT_OPENING_MM and thin > _CUT_RIM)
    return bool(full and is_shaped(hole, side))


def _roll_at_rim(
    rim: Mask, inboard: Mask, height: Floats, cells: Cells, box: tuple[slice, ...]
) -> float:
    """Median height of the rim above a quadratic through the skin a little farther off."""
    u, v = cells.u_mm[box], cells.v_mm[box]
    mu, mv = np.nanmean(u[inboard]), np.nanmean(v[inboard])

    def basis(where: Mask) -> Floats:
        return quadratic_columns((u[where] - mu) / 50.0, (v[where] - mv) / 50.0)

    found = np.linalg.lstsq(basis(inboard), height[inboard], rcond=None)[0]
    return float(np.median(height[rim] - basis(rim) @ found))
