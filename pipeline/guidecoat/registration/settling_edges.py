"""The last settling of a placing: the skin as before, its edges read over long stretches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from guidecoat.registration.edge_windows import (
    LENGTH_MM,
    find_windows,
    read_edges,
)
from guidecoat.registration.fine import BIWEIGHT, SETTLED_MM, FineWork, Fit, Readings, solve_step
from guidecoat.registration.rigid import move
from guidecoat.registration.settings import RegistrationSettings
from guidecoat.registration.surfels import Surfels

Array = NDArray[np.float64]
# Coarser than a hem is thick, so that it does not part the cells.
CELL_MM = 8.0
MOST_STEPS = 30
# All edges within the reach have a say; it is drawn in step by step.
REACH_MM, DRAWN_IN = 3.0, 0.6
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
    motion, reach, converged = fit.motion, REACH_MM, False
    rim: Readings | None = None
    cut = BIWEIGHT * fit.surface.scale_mm
    for _ in range(MOST_STEPS):
        residual, points, directions = read_edges(windows, one.beside, motion)
        seen = np.isfinite(residual) & (np.abs(residual) < reach)
        if seen.sum() < FEWEST_WINDOWS:
            return None
        surface, _ = work.readings(motion, cut)
        # Stretches overlap by half.
        alike = max(2.0, 4.0 * settings.correlation_mm / LENGTH_MM)
        rim = work.edge_readings(residual[seen], points[seen], directions[seen], reach, alike)
        if rim.scale_mm > MOST_SCATTER_MM or rim.tukey.mean() < LEAST_AGREEING:
            return None
        trusted = replace(surface, weight=SKIN_TRUST * surface.weight)
        twist = solve_step(trusted, rim)
        motion = work.applied(twist, motion)
        level = reach < 1.02 * BIWEIGHT * rim.scale_mm
        reach = max(DRAWN_IN * reach, min(reach, BIWEIGHT * rim.scale_mm))
        converged = level and bool(np.abs(twist).max() < SETTLED_MM)
        if converged:
            break
    return replace(work.closed(motion, cut, converged or fit.converged), rim=rim)
