"""From many starts to one settled placing, with the runners-up kept for comparison."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..chunks import in_threads
from .coarse import Candidate, compare, different, make_sample, rank, settle
from .fine import FineWork, Fit, fit_fine
from .result import Start
from .rigid import small_motions, turn_between
from .settings import RegistrationSettings
from .sliding import slid_home
from .starts import Starts, as_they_lie, from_features, from_frames
from .surfels import Surfels

Array = NDArray[np.float64]
FINALISTS = 10
COMPARING_CELLS = 4_000
COMPARING_STEPS = 25
ROUGH_CELLS = 200
SAMPLE_CELLS = 500
FEW_CELLS = 4_000
SLIDING_CELLS = 8_000
MANY_CELLS = 30_000
# A rival scores at least this part of the best and lies this part of the radius away.
ALIKE = 0.985
APART = 0.03
# Turned so far (rad), with so much of the best score, a placing differs from the best one by marks
# or by little else. On made-up plain panels with up to three marks, and dents over an eighth of
# them, half a turn came to 0.72 to 0.95 of the best score; 0.3 mm of difference in form made it
# negative.
TURNED, MARKS_ONLY = 0.5, 0.6
# Pushes off the best placing, in parts of the panel's radius, that have to fall back to it.
PUSHES = (0.02, 0.08, 0.25, 0.4)


@dataclass(frozen=True, eq=False)
class Placing:
    """The best placing, its conflict (share of the overlap that does not agree), the starts
    compared, a rival that fits as well, within what distance cells were called agreeing, and
    (k, 4, 4) roughly settled placings that were compared with it.
    """

    fit: Fit
    conflict: float
    reach_mm: float
    starts: tuple[Start, ...]
    rival: Array | None
    others: Array = field(default_factory=lambda: np.empty((0, 4, 4)))


def all_starts(source: Surfels, target: Surfels, settings: RegistrationSettings) -> Starts:
    """Every start worth comparing."""
    kinds = [
        as_they_lie(),
        from_frames(source, target),
        from_features(source, target, seed=settings.seed),
    ]
    return Starts(np.concatenate([k.motions for k in kinds]), [o for k in kinds for o in k.origins])


def place(
    source: Surfels,
    target: Surfels,
    starts: Starts,
    settings: RegistrationSettings,
    *,
    turn_known: bool = False,
) -> Placing:
    """Refine, compare and settle starts; never the first one that stops moving.

    `turn_known` : of placings that fit about as well, only those count that leave the source the
    way round it lies.
    """
    final = finalists(source, target, starts, settings)
    if turn_known:
        final = _as_round(final)
    best = final.motions[0]
    points = source.points[:: max(1, len(source.points) // 1_000)]
    rivals = [
        motion
        for motion, value in zip(final.motions[1:], final.scores[1:], strict=True)
        if value > ALIKE * final.scores[0]
        and different(motion, best, points, APART * source.radius_mm)
    ]
    fit = settled_home(source, target, best, settings, reach_mm=2.0)
    listed = tuple(Start(o, float(v)) for o, v in zip(final.origins, final.scores, strict=True))
    rival = rivals[0] if rivals else None
    return Placing(fit, final.conflict, final.reach_mm, listed, rival, final.motions[1:])


def _as_round(final: Finalists) -> Finalists:
    """The placings that leave the source the way round it lies, all where none fits well so."""
    turns = np.array([turn_between(motion, np.eye(4)) for motion in final.motions])
    kept = (turns < TURNED) & (final.scores > MARKS_ONLY * final.scores[0])
    if not kept.any():
        return final
    origins = [o for o, k in zip(final.origins, kept, strict=True) if k]
    return replace(final, motions=final.motions[kept], origins=origins, scores=final.scores[kept])


@dataclass(frozen=True, eq=False)
class Finalists:
    """(k, 4, 4) roughly settled placings, best first, `origins`, `scores` (k,), the conflict
    of the best, and `reach_mm` as of `Placing`.
    """

    motions: Array
    origins: list[str]
    scores: Array
    conflict: float
    reach_mm: float


def finalists(
    source: Surfels, target: Surfels, starts: Starts, settings: RegistrationSettings
) -> Finalists:
    """Short-listed starts, each settled on the cells, compared at the scans' own noise."""
    listed = _shortlist(source, target, starts)
    least = listed[0].score - 0.6 * abs(listed[0].score)
    listed = [c for c in listed if c.score >= least]
    work = FineWork(source, target, settings, FEW_CELLS)

    def settled_there(start: Candidate) -> tuple[Array, float, bool]:
        return fit_fine(work.alike(), start.motion, reach_mm=4.0, most_steps=COMPARING_STEPS)

    fits = in_threads(settled_there, listed)
    motions = np.stack([f[0] for f in fits])
    sample_s = make_sample(source, most=COMPARING_CELLS)
    sample_t = make_sample(target, most=COMPARING_CELLS)
    roughly = compare(sample_s, sample_t, motions, 1.0)
    sound = roughly.agreed >= min(settings.least_overlap, 0.5 * float(roughly.agreed.max()))
    # The true placing leaves the noise only; wrong ones leave more.
    reach = float(min(f[1] for f, s in zip(fits, sound, strict=True) if s))
    reach = float(np.clip(reach, 0.06, 1.0))
    found = compare(sample_s, sample_t, motions, reach)
    order = np.argsort(-found.score, kind="stable")
    return Finalists(
        motions[order],
        [listed[i].origin for i in order],
        found.score[order],
        float(found.conflict[order[0]]),
        reach,
    )


def settled_home(
    source: Surfels,
    target: Surfels,
    motion: Array,
    settings: RegistrationSettings,
    *,
    reach_mm: float,
) -> Fit:
    """A placing settled to the end that does not rest beside its true place along the panel."""
    fit = settled(source, target, motion, settings, reach_mm=reach_mm)
    work = FineWork(source, target, settings, SLIDING_CELLS)
    home = slid_home(work, fit)
    if home is None:
        return fit
    other = settled(source, target, home, settings, reach_mm=1.0)
    costs = [work.alike().misfit(f.motion) for f in (fit, other)]
    return other if costs[1] < costs[0] else fit


def settled(
    source: Surfels,
    target: Surfels,
    motion: Array,
    settings: RegistrationSettings,
    *,
    reach_mm: float,
    held_still: bool = False,
) -> Fit:
    """A placing settled to the end on many cells, and judged on all of them."""
    work = FineWork(source, target, settings, MANY_CELLS)
    motion, cut, converged = fit_fine(work, motion, reach_mm=reach_mm, held_still=held_still)
    everything = len(source.points) + len(target.points)
    return FineWork(source, target, settings, everything).closed(motion, cut, converged)


def _shortlist(source: Surfels, target: Surfels, starts: Starts) -> list[Candidate]:
    """Settle all starts roughly, the better ones closely, then push the best off its place."""
    rough_s, rough_t = (make_sample(x, most=ROUGH_CELLS) for x in (source, target))
    sample_s, sample_t = (make_sample(x, most=SAMPLE_CELLS) for x in (source, target))
    radius = min(source.radius_mm, target.radius_mm)
    cell = target.cell_mm
    wide = tuple(max(part * radius, cell) for part in (0.08, 0.04, 0.02))
    close = (*(max(part * radius, cell) for part in (0.02, 0.01)), cell, 0.3 * cell)
    motions = settle(rough_s, rough_t, starts.motions, wide, 3)
    kept = rank(rough_s, rough_t, motions, starts.origins, wide[-1], 40)
    motions = settle(sample_s, sample_t, np.stack([c.motion for c in kept]), close, 5)
    kept = rank(sample_s, sample_t, motions, [c.origin for c in kept], 0.3 * cell, FINALISTS)
    pushed = _pushes(kept[0].motion, source)
    pushed = settle(sample_s, sample_t, pushed, (wide[-1], *close), 4)
    motions = np.concatenate([np.stack([c.motion for c in kept]), pushed])
    origins = [c.origin for c in kept] + ["pushed off the best"] * len(pushed)
    return rank(sample_s, sample_t, motions, origins, 0.3 * cell, FINALISTS)


def _pushes(motion: Array, source: Surfels) -> Array:
    """Motions a little off the best one, both ways along every axis and about it."""
    twists = np.concatenate([np.eye(6), -np.eye(6)])
    twists = np.concatenate([part * twists for part in PUSHES])
    twists[:, 3:] *= source.radius_mm
    steps = small_motions(twists)
    centre = motion[:3, :3] @ source.points.mean(0) + motion[:3, 3]
    steps[:, :3, 3] += centre - steps[:, :3, :3] @ centre
    return np.asarray(steps @ motion)
