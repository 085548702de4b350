"""The last settling of a placing: the skin as before, its edges read over long stretches."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..numerics.biweight import BIWEIGHT, MAD_TO_SIGMA
from .edge_windows import LENGTH_MM, EdgeWindows, find_windows, read_edges
from .fine import EDGE_FLOOR_MM, SETTLED_MM, FineWork, Fit, Readings, solve_step
from .rigid import move
from .settings import RegistrationSettings
from .surfels import Surfels

Array = NDArray[np.float64]
# Coarser than a hem is thick, so that it does not part the cells.
CELL_MM = 8.0
MOST_STEPS = 30
# All edges within the reach have a say; it is drawn in step by step.
REACH_MM, DRAWN_IN = 3.0, 0.4
# Where nearly all edges agree as it is, one need not look farther.
NEARLY_ALL = 0.8
FEWEST_WINDOWS = 8
# Ends of coverage scatter at random by millimetres; edges of the panel agree.
MOST_SCATTER_MM = 0.4
LEAST_AGREEING = 0.4
# Doubt counts neighbours within the correlation length as one reading, for scans that drift; the
# balance of skin and edges is struck for half-way between that and noise of every cell its own.
SKIN_TRUST = 3.0


def settled_on_edges(
    scans: tuple[Surfels, Surfels],
    edges: tuple[Surfels, Surfels],
    fit: Fit,
    settings: RegistrationSettings,
) -> Fit | None:
    """A settled placing with its rims replaced by stretches of edge; None where they don't agree.

    Parameters
    ----------
    scans : source and target. `edges` : both in cells of `CELL_MM` or more, with what lies beside
        their rims.
    """
    source, target = scans
    one, two = edges
    if not len(one.beside) or not len(two.rim.points):
        return None
    windows = find_windows(two.rim, two.beside, move(fit.motion, one.beside))
    if windows is None:
        return None
    work = FineWork(source, target, settings, len(source.points) + len(target.points))
    residual = read_edges(windows, one.beside, fit.motion)[0]
    near = np.abs(residual[np.abs(residual) < REACH_MM])
    if len(near) < FEWEST_WINDOWS:
        return None
    usual = max(BIWEIGHT * MAD_TO_SIGMA * float(np.median(near)), BIWEIGHT * EDGE_FLOOR_MM)
    cut = BIWEIGHT * fit.surface.scale_mm
    found = _settled(work, windows, one.beside, fit, cut, min(usual, REACH_MM))
    if found is None or found.agreeing < NEARLY_ALL * len(near):
        wide = _settled(work, windows, one.beside, fit, cut, REACH_MM)
        found = max((f for f in (found, wide) if f), key=lambda f: f.agreeing, default=None)
    if found is None:
        return None
    closed = work.closed(found.motion, cut, found.converged or fit.converged)
    return replace(closed, rim=found.rim)


@dataclass(frozen=True, eq=False)
class _Edged:
    """A placing with its edges, and how many stretches of them agree with it."""

    motion: Array
    rim: Readings
    converged: bool

    @property
    def agreeing(self) -> float:
        """How many of the stretches agree."""
        return float(self.rim.tukey.sum())


def _settled(
    work: FineWork, windows: EdgeWindows, beside: Array, fit: Fit, cut: float, reach: float
) -> _Edged | None:
    """Settled from a placing on skin and edges; those within the reach, which is drawn in."""
    motion = fit.motion
    found: _Edged | None = None
    for _ in range(MOST_STEPS):
        residual, points, directions = read_edges(windows, beside, motion)
        seen = np.isfinite(residual) & (np.abs(residual) < reach)
        if seen.sum() < FEWEST_WINDOWS:
            return None
        surface, _ = work.readings(motion, cut)
        # Stretches overlap by half.
        alike = max(2.0, 4.0 * work.settings.correlation_mm / LENGTH_MM)
        rim = work.edge_readings(residual[seen], points[seen], directions[seen], reach, alike)
        if rim.scale_mm > MOST_SCATTER_MM or rim.tukey.mean() < LEAST_AGREEING:
            return None
        trusted = replace(surface, weight=SKIN_TRUST * surface.weight)
        twist = solve_step(trusted, rim)
        motion = work.applied(twist, motion)
        level = reach < 1.02 * BIWEIGHT * rim.scale_mm
        reach = max(DRAWN_IN * reach, min(reach, BIWEIGHT * rim.scale_mm))
        found = _Edged(motion, rim, level and bool(np.abs(twist).max() < SETTLED_MM))
        if found.converged:
            break
    return found
