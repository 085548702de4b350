"""How far a panel's outline lies inside or outside another's that is laid on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..registration.consensus import edges_on_each_other
from ..registration.edge_windows import EdgeWindows, find_windows, read_edges
from ..registration.rigid import move
from ..registration.settling_edges import CELL_MM
from ..registration.surfels import Surfels, make_surfels, thinning
from ..scans.scan import Scan

Floats = NDArray[np.float64]

OVERLAP = 2.0
"""Stretches overlap by half, so that so many of them make one reading of its own."""
# Farther apart than so, edges are no two sides' of one panel but ends of coverage.
_RAGGED_MM = 1.0
_FEWEST_STRETCHES = 8
_HELD_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class Outlines:
    """Stretches of one panel's edges, and the other's points beside its own, each in its scan's
    local frame; start : (4, 4) mm where they were read, T_fixed_moving.
    """

    windows: EdgeWindows
    beside: Floats
    start: Floats

    def apart(self, T_fixed_moving: Floats) -> tuple[Floats, Floats, Floats]:
        """(w,) mm that the other's edge lies farther out, the (w, 3) places in the fixed scan's
        local frame and the (w, 3) ways out over the edge, where both have one.
        """
        residual, points, outward = read_edges(self.windows, self.beside, T_fixed_moving)
        seen = np.isfinite(residual)
        return residual[seen], points[seen], outward[seen]

    def hold(self, T_fixed_moving: Floats) -> bool:
        """Whether the outlines lie on each other so that they hold a panel along itself."""
        apart, _, outward = self.apart(T_fixed_moving)
        if len(apart) < _FEWEST_STRETCHES or float(np.median(np.abs(apart))) > _RAGGED_MM:
            return False
        values = np.linalg.eigvalsh(outward.T @ outward)
        return bool(values[1] > _HELD_SHARE * values[2])


def outlines_of(fixed: Scan, moving: Scan, T_fixed_moving: Floats) -> Outlines | None:
    """The outlines of two scans that lie on each other to a few millimetres, None where the fixed
    one shows too few straight edges.

    Where they don't hold each other as the scans lie, they are read where edges are laid on edges:
    skins whose forms differ slide along each other.
    """
    one, two = (
        make_surfels(points[thinning(len(points))], None, CELL_MM, with_beside=True)
        for points in (scan.points_mm[scan.usable].astype(np.float64) for scan in (moving, fixed))
    )
    read = _read((one, two), T_fixed_moving)
    if read is not None and read.hold(T_fixed_moving):
        return read
    for motion in edges_on_each_other((one, two), T_fixed_moving):
        other = _read((one, two), motion)
        if other is not None and other.hold(motion):
            return other
    return read


def _read(scans: tuple[Surfels, Surfels], motion: Floats) -> Outlines | None:
    one, two = scans
    if not len(one.beside) or not len(two.rim.points):
        return None
    windows = find_windows(two.rim, two.beside, move(motion, one.beside))
    return None if windows is None else Outlines(windows, one.beside, motion)
