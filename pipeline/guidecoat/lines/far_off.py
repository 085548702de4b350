"""What of a ridge is still there far off to either side: a turn, or the step of a flank."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .crease_view import CreaseView
from .line_shapes import runs_beside
from .profiles import turn_and_step
from .ridges import Ridge

Floats = NDArray[np.float64]

# Where it is looked whether a line's turn is still there, beyond most dents' rims, and the share of
# it that must be: a dent's goes back to nothing (choice).
_FAR_OFF_MM = (45.0, 120.0)
_FAR_SHARE = 0.5
# Share of stations with room to look 45 to 120 mm off; with less a line is believed that runs over
# so much of the panel. At all of them a fading fold is drawn 80 mm too long; half and double the
# same.
_LEAST_FAR_SEEN = 0.3
_MOST_OF_PANEL = 0.6
# A flank's two bends lie so near each other that one window of 55 mm does not tell them apart, and
# their turns differ by no more than the second (choice).
_FLANK_MM = 90.0
_LIKE_TURN = 2.0
# One end of a flank that is form runs out of the skin, nearer its edge than this: the flanks of a
# dent, however flat its bottom, end within the panel. Tracing stops 20 to 40 mm short (choice).
_RUNS_OUT_MM = 50.0
# A flank leaves one side that much higher far off, as a step does, over that share of its length:
# a groove, which has such bends too, comes back to its level (choice).
_STANDS_MM = 0.8
_ALONG = 0.6
PRESSED_SHARE = 1.2
"""Of how far a swage is rounded: the skin beyond is the panel's own."""
# What is looked at on either side beyond a swage, how little it may turn to be one skin (a body
# line turns more), and the share of stations with room to look (choice).
_BESIDE_MM = 75.0
_LEVEL_RAD = 0.02
_MOSTLY_SEEN = 0.5


def turns_far_off(ridge: Ridge, turn: float, view: CreaseView) -> bool:
    """Whether the turn is still there 45 to 120 mm away: a long dent's is gone beyond its rims.

    Where there is no room to look, a line that runs over most of the panel is believed.
    """
    far, _ = _far_off(ridge, view)
    seen = np.isfinite(far)
    if seen.mean() < _LEAST_FAR_SEEN:
        place = np.argwhere(view.mask) * view.cells.grid.cell_mm
        return bool(ridge.length_mm > _MOST_OF_PANEL * np.ptp(place, axis=0).max())
    return bool(np.median(far[seen]) * np.sign(turn) > _FAR_SHARE * abs(turn))


def flanks_among(ridges: Sequence[Ridge], view: CreaseView) -> list[bool]:
    """Which ridges are one side of a flank that runs out of the skin: another beside it turns back
    what it turns, and far off the skin on one side stands higher than on the other.
    """
    return [
        bool((view.from_edge_mm(ridge.line_uv[[0, -1]]) < _RUNS_OUT_MM).any())
        and any(_against(ridge, other) for other in ridges)
        and _steps_far_off(ridge, view)
        for ridge in ridges
    ]


def is_pressed(line_uv: Floats, view: CreaseView, round_mm: float) -> bool:
    """Whether a line is pressed into one skin, as a swage is: beyond where it is rounded, the skin
    on either side is the other's, carried on.
    """
    near = PRESSED_SHARE * round_mm
    turn, step = turn_and_step(
        line_uv, view.fit, view.cells, view.mask, near_mm=near, far_mm=near + _BESIDE_MM
    )
    seen = np.isfinite(turn)
    if seen.mean() < _MOSTLY_SEEN:
        return False
    level = (np.abs(turn[seen]) < _LEVEL_RAD) & (np.abs(step[seen]) < _STANDS_MM)
    return bool(level.mean() > _ALONG)


def _against(ridge: Ridge, other: Ridge) -> bool:
    ratio = -ridge.turn_rad / other.turn_rad
    return 1.0 / _LIKE_TURN < ratio < _LIKE_TURN and runs_beside(
        ridge.line_uv, other.line_uv, _FLANK_MM
    )


def _steps_far_off(ridge: Ridge, view: CreaseView) -> bool:
    step = _far_off(ridge, view)[1]
    seen = np.isfinite(step)
    if seen.mean() < _LEAST_FAR_SEEN:
        return False
    way = np.sign(np.median(step[seen]))
    return bool((way * step[seen] > _STANDS_MM).mean() > _ALONG)


def _far_off(ridge: Ridge, view: CreaseView) -> tuple[Floats, Floats]:
    """Per station of a ridge, its turn and step as seen from 45 to 120 mm off."""
    near, far = _FAR_OFF_MM
    return turn_and_step(ridge.line_uv, view.fit, view.cells, view.mask, near_mm=near, far_mm=far)
