"""Out of false rests along a panel: edges that roll over hold a slide at more than one place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from guidecoat.registration.fine import FineWork, Fit
from guidecoat.registration.observability import weakest_motions
from guidecoat.registration.rigid import small_motions
from guidecoat.registration.settings import RegistrationSettings
from guidecoat.registration.surfels import Surfels

Array = NDArray[np.float64]
_CELLS = 8_000
_MOTIONS = 3
_STEPS_MM = (1.6, 0.8, 0.4, 0.2)
_MOST_MOVES = 8


def slid_home(
    source: Surfels, target: Surfels, fit: Fit, settings: RegistrationSettings
) -> Array | None:
    """The motion with the least misfit along the weakest motions of a fit; None where it is there.

    A pattern search (Hooke & Jeeves 1961, J. ACM 8(2)) on the capped misfit of all cells, those
    included that a settling leaves out because they face elsewhere.
    """
    work = FineWork(source, target, settings, _CELLS)
    motions = weakest_motions(fit)[:_MOTIONS]
    best, least = fit.motion, work.misfit(fit.motion)
    moved = False
    for step in _STEPS_MM:
        for _ in range(_MOST_MOVES):
            tried = [
                _pushed(best, fit, sign * step * motion) for motion in motions for sign in (1, -1)
            ]
            costs = [work.misfit(motion) for motion in tried]
            k = int(np.argmin(costs))
            if costs[k] >= least:
                break
            best, least, moved = tried[k], costs[k], True
    return best if moved else None


def misfit(
    source: Surfels, target: Surfels, motion: Array, settings: RegistrationSettings
) -> float:
    """Mean capped squared distance (mm2) of the cells of both scans."""
    return FineWork(source, target, settings, _CELLS).misfit(motion)


def _pushed(motion: Array, fit: Fit, scaled: Array) -> Array:
    """A motion after a push: (6,) turn about the fit's centre times its radius, and shift, mm."""
    twist = np.concatenate([scaled[:3] / fit.radius_mm, scaled[3:]])
    step = small_motions(twist[None])[0]
    step[:3, 3] += fit.centre - step[:3, :3] @ fit.centre
    return np.asarray(step @ motion)
