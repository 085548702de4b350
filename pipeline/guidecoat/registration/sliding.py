"""Out of false rests along a panel: edges that roll over hold a slide at more than one place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .fine import FineWork, Fit
from .observability import weakest_motions
from .rigid import stepped

Array = NDArray[np.float64]
_MOTIONS = 3
_STEPS_MM = (1.6, 0.8, 0.4, 0.2)
_MOST_MOVES = 8


def slid_home(work: FineWork, fit: Fit) -> Array | None:
    """The motion with the least misfit along the weakest motions of a fit; None where it is there.

    A pattern search (Hooke & Jeeves 1961, J. ACM 8(2)) on the capped misfit of all cells, those
    included that a settling leaves out because they face elsewhere.
    """
    motions = weakest_motions(fit)[:_MOTIONS]
    best, least = fit.motion, work.misfit(fit.motion)
    moved = False
    for step in _STEPS_MM:
        for _ in range(_MOST_MOVES):
            tried = [
                stepped(best, sign * step * motion, fit.centre, fit.radius_mm)
                for motion in motions
                for sign in (1, -1)
            ]
            costs = [work.misfit(motion) for motion in tried]
            k = int(np.argmin(costs))
            if costs[k] >= least:
                break
            best, least, moved = tried[k], costs[k], True
    return best if moved else None
