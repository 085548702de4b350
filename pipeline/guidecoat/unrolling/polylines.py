"""Lines on the chart: carried on straight past their ends, and the cells near them."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .chart import Grid

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


def carried_on(line: Floats, steps_mm: Floats, *, back: int) -> Floats:
    """A (k, 2) line with further points at both ends.

    Parameters
    ----------
    steps_mm : (s,) how far past each end they lie, rising.
    back : how many points before its end tell which way the line runs there.
    """
    steps = np.asarray(steps_mm, np.float64)[:, None]
    head, tail = line[0] - line[back], line[-1] - line[-1 - back]
    head, tail = (way / (np.linalg.norm(way) + 1e-12) for way in (head, tail))
    return np.vstack([(line[0] + steps * head)[::-1], line, line[-1] + steps * tail])


def ways_along(line: Floats) -> tuple[Floats, Floats]:
    """(k, 2) unit vectors along a line at its places, and to the left of them."""
    way = np.gradient(line, axis=0)
    way /= np.linalg.norm(way, axis=1)[:, None] + 1e-12
    return way, np.column_stack([-way[:, 1], way[:, 0]])


def run_along(line: Floats) -> Floats:
    """(k,) how far along a (k, 2) polyline its places lie, from 0."""
    return np.concatenate([[0.0], np.linalg.norm(np.diff(line, axis=0), axis=1).cumsum()])


def length_mm(line: Floats) -> float:
    """Length of a polyline."""
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def ends_of(lines: Iterable[Floats]) -> Floats:
    """(2 k, 2) both ends of every one of k lines."""
    return np.concatenate([np.zeros((0, 2)), *(line[[0, -1]] for line in lines)])


def near_line(grid: Grid, line_uv: Floats, within_mm: float, *, extend_mm: float = 0.0) -> Mask:
    """(nu, nv) bool, cells within a distance of a polyline (carried on straight at its ends)."""
    line = np.asarray(line_uv, np.float64)
    if extend_mm > 0.0 and len(line) > 1:
        line = carried_on(line, np.array([extend_mm]), back=1)
    fine = [line[:1]]
    for a, b in itertools.pairwise(line):
        steps = max(1, int(np.ceil(np.linalg.norm(b - a) / (0.5 * grid.cell_mm))))
        fine.append(a + (b - a) * (np.arange(1, steps + 1) / steps)[:, None])
    dense = np.vstack(fine)
    on = np.ones(grid.shape, bool)
    i = np.floor((dense[:, 0] - grid.u0_mm) / grid.cell_mm).astype(int)
    j = np.floor((dense[:, 1] - grid.v0_mm) / grid.cell_mm).astype(int)
    ok = (i >= 0) & (j >= 0) & (i < grid.shape[0]) & (j < grid.shape[1])
    on[i[ok], j[ok]] = False
    return np.asarray(ndimage.distance_transform_edt(on) * grid.cell_mm <= within_mm)
