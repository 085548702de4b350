"""Placings that fit nearly as well as the best one, told in words and as weak directions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .fine import Fit
from .placing import MARKS_ONLY, TURNED, Placing
from .result import WeakDirection, read_only
from .rigid import move, turn_between
from .surfels import Surfels

Array = NDArray[np.float64]
# Rims meet within so many cells; a placing that brings under so much of them together as the best
# one does lays an arch or a cut corner where none is (choice).
_RIM_REACH = 2.0
_AS_MUCH_RIM = 0.9


def turned_words(placing: Placing, source: Surfels, target: Surfels) -> str:
    """Words on a placing the other way round that little speaks against; none where there is none.

    Where two ends of a panel are alike it is marks that tell them apart, and marks come and go; an
    arch or a corner that is cut off stays.
    """
    least = MARKS_ONLY * placing.starts[0].score
    for motion, start in zip(placing.others, placing.starts[1:], strict=False):
        if (
            start.score > least
            and turn_between(placing.fit.motion, motion) > TURNED
            and _same_outline(placing.fit.motion, motion, source, target)
        ):
            way = rivalry(placing.fit, motion, source).moved()
            return (
                f"It fits nearly as well {way}: what tells the two apart may be marks alone. Look "
                "whether it lies the right way round; if not, give --pairs on spots that you know "
                "on both, or scan both in one frame and say --already-aligned."
            )
    return ""


def _same_outline(best: Array, other: Array, source: Surfels, target: Surfels) -> bool:
    """Whether a placing brings as much of the rims together as the best one does."""
    tree = cKDTree(target.rim.points)
    reach = _RIM_REACH * source.cell_mm
    met = [
        float((tree.query(move(motion, source.rim.points))[0] < reach).mean())
        for motion in (best, other)
    ]
    return met[1] > _AS_MUCH_RIM * met[0]


def rivalry(fit: Fit, rival: Array, source: Surfels) -> WeakDirection:
    """The motion between two placings that fit alike, as a weak direction of its size."""
    angle = turn_between(fit.motion, rival)
    between = rival @ np.linalg.inv(fit.motion)
    if angle > 0.05:
        values, vectors = np.linalg.eig(between[:3, :3])
        axis = np.real(vectors[:, int(np.argmin(np.abs(values - 1.0)))])
        return WeakDirection(
            "turn", read_only(axis / np.linalg.norm(axis)), angle * 1e3, "nothing", rival=True
        )
    centre = fit.motion[:3, :3] @ source.points.mean(0) + fit.motion[:3, 3]
    shift = between[:3, :3] @ centre + between[:3, 3] - centre
    length = float(np.linalg.norm(shift))
    return WeakDirection("slide", read_only(shift / length), length, "nothing", rival=True)
