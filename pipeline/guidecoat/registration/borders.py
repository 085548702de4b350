"""Whether the borders of two scans are the same edges, where these alone would hold a slide.

A skin that can slide along itself comes to rest with one border on one border. Are the scans of
unlike length that way, at least one of them ends where the panel goes on, and which of its borders
are edges is not in the scans.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..numerics.biweight import BIWEIGHT
from .fine import FineWork, Fit, solve_step
from .observability import open_motions
from .placing import settled
from .rigid import compose, move, pair_rows, stepped, umeyama
from .rims import Rim, empty_rim
from .settings import RegistrationSettings
from .surfels import Surfels

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
MOST_POINTS = 500
AXES = 60
# A border counts for a motion that carries it so much along its outward, and one such way.
ALONG, ONE_WAY = 0.7, 0.9
FACING = 0.95
# The other scan's border is looked for so far off, a part of the fit's radius.
FARTHEST = 2.5
# How much one scan is longer than the other before its borders are told apart, mm; all along a
# border it is nearly the same, where scanning stopped at random it is not.
LEAST_LONGER_MM, ALIKE = 3.0, 0.2
FEWEST, MOST_SEEN = 8, 0.6
# Borders that meet within that, and how many of one side have to, for both sides to be edges.
MEET_MM, FEW_MEET = 1.0, 0.1
# Points picked by hand, and a change.
PICKED_REACH_MM = 4.0
BACK_STEPS = 3


def unlike_borders(
    source: Surfels, target: Surfels, fit: Fit, settings: RegistrationSettings
) -> str:
    """Words on a way the skin can slide and the scans are of unlike length; nothing where none is.

    An opening or a pair of edges that lies on the other scan's both ways holds the slide, however
    far other borders lie apart.
    """
    free = open_motions(fit, settings)
    if not len(free) or min(len(source.rim.points), len(target.rim.points)) < FEWEST:
        return ""
    rim = _placed(source.rim, fit.motion)
    arm = (rim.points - fit.centre) / fit.radius_mm
    rows = np.hstack([np.cross(arm, rim.outward), rim.outward])
    carried = rows @ free.T
    length = np.linalg.norm(carried, axis=1)
    kept = length > ALONG * np.linalg.norm(rows, axis=1)
    if not kept.any():
        return ""
    gap = _gaps(rim, target, FARTHEST * fit.radius_mm)
    ways = carried / np.maximum(length, 1e-12)[:, None]
    worst, about = 0.0, np.zeros(3)
    for axis in ways[kept][:: max(1, int(kept.sum()) // AXES)]:
        sides = [kept & (sign * (ways @ axis) > ONE_WAY) for sign in (1.0, -1.0)]
        longer = _longer_mm(gap, sides)
        if abs(longer) > abs(worst):
            worst, about = longer, rim.outward[sides[0]].mean(0)
    if not worst:
        return ""
    listed = ", ".join(f"{value:.2f}" for value in about / np.linalg.norm(about))
    return (
        f"Along ({listed}) the one scan is {abs(worst):.0f} mm longer than the other and the skin "
        "slides, so their borders are not the same edges and do not hold it."
    )


def on_skin_alone(
    scans: tuple[Surfels, Surfels],
    motion: Array,
    pairs: tuple[Array, Array] | None,
    settings: RegistrationSettings,
) -> Fit:
    """Settled without borders, from where picked points put it, which no border then drew away.

    What the skin leaves open follows its noise while it settles; along that it is brought back.
    """
    source, target = (replace(scan, rim=empty_rim()) for scan in scans)
    if pairs is None:
        return settled(source, target, motion, settings, reach_mm=PICKED_REACH_MM)
    motion = compose(*umeyama(*pairs)[1:])
    fit = settled(source, target, motion, settings, reach_mm=PICKED_REACH_MM)
    cut = BIWEIGHT * fit.surface.scale_mm
    work = FineWork(source, target, settings, len(source.points) + len(target.points))
    for _ in range(BACK_STEPS):
        motion = _back(fit, pairs, settings)
        motion = work.applied(solve_step(work.readings(motion, cut)[0], None), motion)
        fit = work.closed(motion, cut, fit.converged)
    return fit


def _back(fit: Fit, pairs: tuple[Array, Array], settings: RegistrationSettings) -> Array:
    """The motion with what the skin leaves open of it as the pairs have it."""
    free = open_motions(fit, settings)
    there = move(fit.motion, pairs[0])
    rows = pair_rows(there, fit.centre, fit.radius_mm) @ free.T
    step = np.linalg.lstsq(rows, (pairs[1] - there).ravel(), rcond=1e-6)[0]
    return stepped(fit.motion, step @ free, fit.centre, fit.radius_mm)


def _placed(rim: Rim, motion: Array) -> Rim:
    some = slice(None, None, max(1, len(rim.points) // MOST_POINTS))
    turn = motion[:3, :3].T
    return Rim(move(motion, rim.points[some]), rim.outward[some] @ turn, rim.normals[some] @ turn)


def _gaps(rim: Rim, target: Surfels, farthest_mm: float) -> Array:
    """(k,) mm outward from each rim point to the nearest border of the target that faces the same
    way, NaN where none does.
    """
    other = target.rim
    along = np.cross(rim.normals, rim.outward)
    found = np.full(len(rim.points), np.nan)
    for k, point in enumerate(rim.points):
        step = other.points - point
        out, up = step @ rim.outward[k], np.abs(step @ rim.normals[k])
        here = np.abs(step @ along[k]) < 1.5 * target.cell_mm
        here &= other.outward @ rim.outward[k] > FACING
        here &= (np.abs(out) < farthest_mm) & (up < target.cell_mm + 0.3 * np.abs(out))
        if here.any():
            found[k] = out[here][np.argmin(np.abs(out[here]))]
    return found


def _longer_mm(gap: Array, sides: list[Mask]) -> float:
    """By how much the target is longer from one side to the other; 0 where it isn't, or can't be
    told.
    """
    total, scatter, met = 0.0, 0.0, 1.0
    for side in sides:
        known = gap[side & np.isfinite(gap)]
        if len(known) < max(FEWEST, MOST_SEEN * np.count_nonzero(side)):
            return 0.0
        middle = float(np.median(known))
        total += middle
        scatter = max(scatter, float(np.median(np.abs(known - middle))))
        met = min(met, float((np.abs(known) < MEET_MM).mean()))
    sure = abs(total) > LEAST_LONGER_MM and scatter < ALIKE * abs(total) and met < FEW_MEET
    return total if sure else 0.0
