"""What was put on where one of two scans has a hole: carried over it from beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.linalg import spsolve

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Cells round a hole that a sheet over it rests on: two wavelengths that it smooths (choice).
_RESTS_ON_MM, _SMOOTHED_MM = 20.0, 12.0
# A wider hole shows too little of what was put on over it (choice, as for openings).
_WIDEST_MM = 120.0
# A hole with less of its rim known lies at an edge of what was seen.
_OPEN_SHARE = 0.75
# Cells cut by an outline are filled in part only, and not alike in two scans.
_SLIVER_CELLS = 2.0
# How a stiff sheet arches over a slack one is what is not known of it, at two sigmas (choice).
_SLACK_SIGMAS = 0.5
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True, eq=False)
class Bridge:
    """A change carried over one hole.

    where : (n, 2) cells of the hole; change_mm : (n,) by a sheet that is stiff against bending
    where known cells lie all round, else by a slack one, which goes on level; sigma_mm : (n,)
    standard uncertainty of that, off the same way all over the hole.
    """

    where: NDArray[np.intp]
    change_mm: Floats
    sigma_mm: Floats


def bridges_over(holes: Mask, change: Floats, changed: Mask, side: float) -> tuple[Bridge, ...]:
    """Carry a change over the holes beside changed cells.

    Parameters
    ----------
    holes : (nu, nv) cells of the panel at which the change is not known.
    change : (nu, nv) mm, NaN where it is not known; changed : where it is more than noise.
    side : of a cell, mm.
    """
    label, _ = ndimage.label(holes, structure=_FULL)
    beside = np.unique(label[ndimage.binary_dilation(changed, structure=_FULL) & holes])
    boxes = ndimage.find_objects(label)
    rim = max(2, round(_RESTS_ON_MM / side))
    found = []
    for k in beside[beside > 0]:
        box = tuple(
            slice(max(0, s.start - rim), min(n, s.stop + rim))
            for s, n in zip(boxes[k - 1], holes.shape, strict=True)
        )
        hole = label[box] == k
        depth = float(ndimage.distance_transform_edt(np.pad(hole, 1)).max())
        if 2.0 * depth * side > _WIDEST_MM:
            continue
        near = ndimage.binary_dilation(hole, structure=_FULL, iterations=rim)
        known = near & np.isfinite(change[box])
        if not known.any():
            continue
        where = np.argwhere(hole) + [s.start for s in box]
        slack = _sheet(hole, known, change[box], side, order=1)
        round_it = ndimage.binary_dilation(hole, structure=_FULL) & ~hole
        if known[round_it].mean() < _OPEN_SHARE:
            if depth < _SLIVER_CELLS:
                continue
            # What was put on may end at once, or go on as thick again as level.
            found.append(Bridge(where, slack, np.abs(slack) / np.sqrt(3.0)))
            continue
        stiff = _sheet(hole, known, change[box], side, order=2)
        found.append(Bridge(where, stiff, _SLACK_SIGMAS * np.abs(stiff - slack)))
    return tuple(found)


def _sheet(hole: Mask, known: Mask, change: Floats, side: float, *, order: int) -> Floats:
    """(n,) heights over a hole of the sheet of least squares and least slope (1) or bending (2)."""
    cells = hole | known
    number = np.full(cells.shape, -1)
    number[cells] = np.arange(cells.sum())
    rows = [_differences(number, stencil) for stencil in _STENCILS[order]]
    steps = sparse.vstack(rows).tocsr()
    stiffness = (_SMOOTHED_MM / (2.0 * np.pi * side)) ** (2 * order)
    weight = known[cells].astype(np.float64)
    # Cells that no difference reaches stand where they are.
    matrix = sparse.diags(weight + 1e-9) + stiffness * (steps.T @ steps)
    height = spsolve(matrix.tocsc(), weight * np.where(known, change, 0.0)[cells])
    return np.asarray(height[hole[cells]])


# Offsets and weights of the differences whose squares are the energy of each order.
_Stencil = tuple[tuple[int, int, float], ...]
_STENCILS: dict[int, tuple[_Stencil, ...]] = {
    1: (((0, 0, -1.0), (1, 0, 1.0)), ((0, 0, -1.0), (0, 1, 1.0))),
    2: (
        ((0, 0, 1.0), (1, 0, -2.0), (2, 0, 1.0)),
        ((0, 0, 1.0), (0, 1, -2.0), (0, 2, 1.0)),
        (
            (0, 0, np.sqrt(2.0)),
            (1, 0, -np.sqrt(2.0)),
            (0, 1, -np.sqrt(2.0)),
            (1, 1, np.sqrt(2.0)),
        ),
    ),
}


def _differences(number: NDArray[np.intp], stencil: _Stencil) -> sparse.csr_matrix:
    """A row for every place where all cells of a stencil are there."""
    reach = [max(part[axis] for part in stencil) for axis in (0, 1)]
    inner = [n - r for n, r in zip(number.shape, reach, strict=True)]
    columns = np.stack([number[i : i + inner[0], j : j + inner[1]] for i, j, _ in stencil], axis=-1)
    columns = columns[(columns >= 0).all(axis=-1)]
    count = int(number.max()) + 1
    row = np.repeat(np.arange(len(columns)), len(stencil))
    value = np.tile([weight for *_, weight in stencil], len(columns))
    return sparse.csr_matrix((value, (row, columns.ravel())), shape=(len(columns), count))
