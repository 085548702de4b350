"""The placing that most of the skin agrees on to within noise, however much of it was filled.

A robust fit that starts wide comes to rest between what changed and what did not: over a broad
fill it tilts. What did not change agrees to within noise, and by itself tells the placing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..errors import ScanUnfitError
from ..numerics.biweight import BIWEIGHT, tukey
from .coarse import compare, make_sample, thin
from .fine import FineWork, Fit
from .observability import own_noise_mm
from .placing import COMPARING_CELLS, settled
from .result import NOT_NOISE
from .rigid import compose, move, umeyama
from .settings import RegistrationSettings
from .surfels import Surfels

Array = NDArray[np.float64]
CELLS = 6_000
# The skin is divided into so many blocks; three of them make a trial.
BLOCKS = 60
TRIALS = 1_500
REFINED = 8
REFINING_STEPS = 12
ROUNDS = 4
# A placing that settled between changed and unchanged skin is off by about that much.
OFF_MM = 1.0
SETTLED_MM = 2e-3
# A motion that moves the skin along itself more than so (a share of squared readings).
HELD_SHARE = 0.02
# Edges are steel that filler leaves alone, and a picked spot was picked for not having changed.
BESIDE_EDGE_MM, EDGE_TRUST = 40.0, 3.0
BESIDE_PICK_MM, PICK_TRUST = 50.0, 8.0
# Edges are laid on each other from so far off.
EDGE_REACHES_MM = (120.0, 60.0, 25.0, 10.0, 5.0)
EDGE_STEPS = 12
FEWEST_RIM = 40
# Rough, as it is there to tell a panel that slid off its edges.
RIM_REACH_MM = 4.0
# Another placing with that part of the best one's share, that far off somewhere, is a rival: filler
# of one thickness over up to 70 % of a panel may be the part on which most agrees. From the larger
# part on neither is the better one.
RIVAL_SHARE, EVEN_SHARE = 0.4, 0.6
RIVAL_MM = 0.25
RIVAL_COMMON = 0.25
# Farther off than what was put on, a placing is not between two others but wrong.
FAR_MM = 8.0
# What agrees has to be a good part of the skin, clearly more than before, and scatter like noise:
# of a difference that varies all over the panel some part always lies within any band.
LEAST_SHARE = 0.2
CLEARLY_MORE = 1.1
LIKE_NOISE = 1.6


@dataclass(frozen=True, eq=False)
class _Field:
    """Linear readings at a placing: residual + rows @ step, with (n,) weights that sum to 1."""

    rows: Array
    residual: Array
    weight: Array
    block: NDArray[np.int64]

    def score(self, steps: Array, cut: float) -> Array:
        """(s,) share that agrees after each of (s, 6) scaled steps."""
        parts = np.array_split(steps, max(1, len(steps) // 200))
        left = (self.residual[:, None] + self.rows @ part.T for part in parts)
        return np.concatenate([self.weight @ tukey(one, cut) for one in left])


@dataclass(frozen=True, eq=False)
class Most:
    """A placing; the one that most agrees on to within noise, where there is such a one; and what
    speaks against it in words. Between two that agree alike the placing is neither.
    """

    fit: Fit
    best: Fit | None = None
    doubt: str = ""


def settled_on_most(
    scans: tuple[Surfels, Surfels],
    fit: Fit,
    settings: RegistrationSettings,
    picked: Array | None = None,
    others: Array | None = None,
) -> Most:
    """The placing on which clearly most of skin and edges agrees, and what speaks against it.

    Trials fit three blocks of the skin each; the best are refined on what agrees with them to
    within noise (Fischler & Bolles 1981, Comm. ACM 24(6), with blocks for points and Tukey's
    biweight for the count), and all is read anew until nothing moves. They start from the placing
    and from the edges laid on each other. Where the placing is as good as any it stays.

    Parameters
    ----------
    scans : source and target. `picked` : (k, 3) spots of the target known not to have changed.
    others : (k, 4, 4) placings to begin from too where what is left over is more than noise: over
        a broad change the one that agrees most to a millimetre may be none of the true ones.
    """
    noise = max(own_noise_mm(fit, scans[0]), settings.noise_floor_mm)
    if not np.isfinite(noise):
        return Most(fit)
    samples = [make_sample(scan, most=COMPARING_CELLS) for scan in scans]
    work = FineWork(*scans, settings, CELLS)
    starts = [fit.motion, *edges_on_each_other(scans, fit.motion)]
    if others is not None and fit.surface.scale_mm > NOT_NOISE * noise:
        starts = _with_others(scans, starts, others)
    found = [_agreed_with(work.alike(), scans[1], start, noise, picked) for start in starts]
    ends = np.stack([fit.motion, *(one.motion for one in found)])
    wide = compare(samples[0], samples[1], ends, RIM_REACH_MM)
    # A placing that leaves more than noise is not yet where refining it leads, and has to go there.
    resting = fit.surface.scale_mm < LIKE_NOISE * noise
    first = found[0].first if resting else found[0].raw
    shares = np.array([first, *(one.share for one in found)])
    good = shares * wide.overlap + wide.rim
    k = int(np.argmax(good[1:]))
    if shares[k + 1] < LEAST_SHARE or good[k + 1] < CLEARLY_MORE * good[0]:
        return Most(fit, doubt=found[0].doubt if found[0].share > LEAST_SHARE else "")
    other = settled(*scans, found[k].motion, settings, reach_mm=BIWEIGHT * noise)
    noise = max(own_noise_mm(other, scans[0]), settings.noise_floor_mm)
    best = other if other.surface.scale_mm < LIKE_NOISE * noise else None
    if found[k].even and picked is None:
        # Half-way between two placings the doubt of the fit covers both.
        if _apart_mm(scans[0], fit.motion, found[k].motion) > FAR_MM:
            fit = settled(*scans, starts[k], settings, reach_mm=FAR_MM)
        return Most(fit, best, found[k].doubt)
    return Most(fit) if best is None else Most(best, best, found[k].doubt)


@dataclass(frozen=True, eq=False)
class _Agreed:
    """Where most agrees: the share of it, that at the start as it is and refined, a rival in words
    or nothing, and whether that one is as good.
    """

    motion: Array
    share: float
    raw: float
    first: float
    doubt: str
    even: bool


def _agreed_with(
    work: FineWork, target: Surfels, start: Array, noise: float, picked: Array | None
) -> _Agreed:
    cut = BIWEIGHT * noise
    centres = target.points[thin(target.points, BLOCKS)]
    generator = np.random.default_rng(work.settings.seed)
    motion, raw, first, share, doubt, even = start, 0.0, 0.0, 0.0, "", False
    for turn in range(ROUNDS):
        field = _field(work, motion, centres, (target.rim.points, picked))
        if field is None:
            break
        steps = np.concatenate([np.zeros((1, 6)), _trials(field, noise, generator)])
        scores = field.score(steps, cut)
        unrefined = float(scores[0])
        # The placing as it was is refined like all others, so that more may mean elsewhere.
        best = np.concatenate([steps[:1], _different(field, steps, scores)])
        refined = np.stack([_refined(field, step, noise) for step in best])
        scores = field.score(refined, cut)
        if turn == 0:
            raw, first = unrefined, float(scores[0])
        k = int(np.argmax(scores))
        share = float(scores[k])
        doubt, even = _rivalry(field, refined, scores, cut)
        motion = work.applied(refined[k], motion)
        if np.abs(refined[k]).max() < SETTLED_MM:
            break
    return _Agreed(motion, share, raw, first, doubt if even or picked is None else "", even)


def _different(field: _Field, steps: Array, scores: Array) -> Array:
    """The best few steps that lay the skin elsewhere than each other."""
    some = field.rows[:: max(1, len(field.rows) // 200)]
    moved = some @ steps.T
    chosen: list[int] = []
    for k in np.argsort(-scores, kind="stable"):
        if all(np.abs(moved[:, k] - moved[:, c]).max() > RIVAL_MM for c in chosen):
            chosen.append(int(k))
        if len(chosen) == REFINED:
            break
    return steps[chosen]


def _rivalry(field: _Field, steps: Array, scores: Array, cut: float) -> tuple[str, bool]:
    """Words on another step with which a good part agrees, nothing where there is none; and
    whether nearly as much does.
    """
    best = int(np.argmax(scores))
    apart = np.abs(field.rows @ (steps - steps[best]).T).max(0)
    agreed = tukey(field.residual[:, None] + field.rows @ steps.T, cut)
    # A placing beside the best one agrees with much of the same skin; a rival with other skin.
    common = field.weight @ np.minimum(agreed, agreed[:, [best]])
    rivals = (apart > RIVAL_MM) & (scores > RIVAL_SHARE * scores[best])
    rivals &= common < RIVAL_COMMON * scores
    if not rivals.any():
        return "", False
    other = int(np.argmax(np.where(rivals, scores, -1.0)))
    words = (
        f"Two placings fit, {apart[other]:.1f} mm apart: with one {scores[best]:.0%} of the skin "
        f"agrees to within noise, with the other {scores[other]:.0%}, so what was put on over one "
        "part may be read as taken off the rest. Give --pairs on spots that did not change, or "
        "scan both in one frame and use --already-aligned."
    )
    return words, bool(scores[other] > EVEN_SHARE * scores[best])


def _with_others(scans: tuple[Surfels, Surfels], starts: list[Array], others: Array) -> list[Array]:
    """Starts and those of the others, on their edges where they have any, that lie elsewhere."""
    for other in others:
        for start in edges_on_each_other(scans, other) or [other]:
            if all(_apart_mm(scans[0], start, one) > RIVAL_MM for one in starts):
                starts = [*starts, start]
    return starts


def _apart_mm(source: Surfels, one: Array, other: Array) -> float:
    """How far apart two motions lay the source, at most."""
    some = source.points[:: max(1, len(source.points) // 200)]
    return float(np.linalg.norm(move(one, some) - move(other, some), axis=1).max())


def edges_on_each_other(scans: tuple[Surfels, Surfels], motion: Array) -> list[Array]:
    """The placing at which the edges lie on each other, to a millimetre or so.

    Nearest points, nearer ones step by step (Besl & McKay 1992, PAMI 14(2)).
    """
    one, two = scans[0].rim.points, scans[1].rim.points
    if min(len(one), len(two)) < FEWEST_RIM:
        return []
    tree = cKDTree(two)
    for reach in EDGE_REACHES_MM:
        for _ in range(EDGE_STEPS):
            gap, at = tree.query(move(motion, one), distance_upper_bound=reach)
            near = np.isfinite(gap)
            if near.sum() < FEWEST_RIM:
                return []
            try:
                _, turn, shift = umeyama(one[near], two[at[near]])
            except ScanUnfitError:
                return []
            motion = compose(turn, shift)
    return [motion]


def _field(
    work: FineWork, motion: Array, centres: Array, trusted: tuple[Array, Array | None]
) -> _Field | None:
    surface, weight = work.weighed(motion)
    kept = weight > 0.0
    if kept.sum() < BLOCKS:
        return None
    rows, residual, weight = surface.rows[kept], surface.residual[kept], weight[kept]
    points = surface.arms[kept] * work.radius_mm + work.centre
    edges, picked = trusted
    for spots, reach, trust in (
        (edges, BESIDE_EDGE_MM, EDGE_TRUST),
        (picked, BESIDE_PICK_MM, PICK_TRUST),
    ):
        if spots is not None and len(spots):
            gap = cKDTree(spots).query(points, distance_upper_bound=reach)[0]
            weight = np.where(np.isfinite(gap), trust, 1.0) * weight
    return _Field(rows, residual, weight / weight.sum(), cKDTree(centres).query(points)[1])


def _trials(field: _Field, noise: float, generator: np.random.Generator) -> Array:
    """(s, 6) steps, each the best for three blocks."""
    blocks = int(field.block.max()) + 1
    weighted = field.rows * field.weight[:, None]
    left, right = np.zeros((blocks, 6, 6)), np.zeros((blocks, 6))
    np.add.at(left, field.block, weighted[:, :, None] * field.rows[:, None])
    np.add.at(right, field.block, weighted * field.residual[:, None])
    pick = generator.integers(0, blocks, (TRIALS, 3))
    damped = left[pick].sum(1) + _damping(field, noise)
    return np.asarray(-np.linalg.solve(damped, right[pick].sum(1)[:, :, None])[:, :, 0])


def _damping(field: _Field, noise: float) -> Array:
    """What blocks do not hold stays where it is, rather than follow the noise; and what the skin
    as a whole hardly holds, slides of a smooth panel, is left to the edges.
    """
    weighted = field.rows * field.weight[:, None]
    values, vectors = np.linalg.eigh(weighted.T @ field.rows)
    loose = vectors[:, values < HELD_SHARE * values[-1]]
    plain = np.eye(6) * (noise / OFF_MM) ** 2 / len(field.residual)
    return np.asarray(plain + values[-1] * loose @ loose.T)


def _refined(field: _Field, step: Array, noise: float) -> Array:
    """A step settled on what agrees with it, the band drawn in from twice its width."""
    damping = _damping(field, noise)
    for k in range(REFINING_STEPS):
        cut = BIWEIGHT * noise * max(1.0, 2.0 - k / 4.0)
        left = field.residual + field.rows @ step
        weighted = field.rows * (field.weight * tukey(left, cut))[:, None]
        matrix = weighted.T @ field.rows + damping
        step = step - np.linalg.solve(matrix, weighted.T @ left)
    return step
