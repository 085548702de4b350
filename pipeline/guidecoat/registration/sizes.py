"""Whether one scan is larger than the other: a scale that is wrong, told apart from a change.

A wrong scale stretches all of a panel alike: its edges lie apart both ways and its crown differs.
A change, a bow or a missing strip does one of it at most. So a similarity is fitted beside the
motion, and is believed only where skin and edges, along the panel and across it, say the same. It
is told, and nothing is ever scaled by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..errors import ScanUnfitError
from ..numerics.biweight import BIWEIGHT, tukey
from .fine import FineWork, Fit, Readings, information
from .pairing import against_rim, nearest
from .rigid import compose, inverse, move, umeyama
from .settings import RegistrationSettings
from .surfels import Surfels, scaled

Array = NDArray[np.float64]
FITTED_CELLS = 6_000
ROUNDS_OF_FIT = 18
FIRST_CUT_MM, DRAWN_IN = 4.0, 0.8
# What nothing holds is held to so much per step.
FREE_PER_STEP_MM = 2.0
# Edges are laid on each other from so far off, mm.
EDGE_REACHES_MM = (60.0, 25.0, 12.0, 6.0)
EDGE_STEPS = 10
FEWEST_RIM = 60
# A scale is told from so much on, and from so many of its own standard uncertainties.
LEAST, SURE = 0.002, 5.0
# Farther off it is no scale of one panel; units are told otherwise.
MOST = 0.2
# Edges that meet within that (and a common distance), and how much more of them have to.
MEET_MM, MEET_CELLS = 0.6, 0.12
MUCH_MORE_RIM, MOST_OF_RIM = 0.2, 0.6
# Of a placing whose edges meet so well nothing is asked.
MEET_ALREADY = 0.85
# Along and across the panel it has to be the same, to this part of it.
ALIKE = 0.5
_SPACE = np.eye(3)


@dataclass(frozen=True)
class Size:
    """By what the source has to be multiplied to fit, its standard uncertainty, along the panel's
    two axes; and the shares of skin and edges that agree with it and, as they are, without it.
    """

    factor: float
    sigma: float
    ways: tuple[float, float]
    skin: tuple[float, float]
    rim: tuple[float, float]

    @property
    def told(self) -> bool:
        """Whether skin and edges say so beyond doubt."""
        off = self.factor - 1.0
        if not max(LEAST, SURE * self.sigma) < abs(off) < MOST:
            return False
        return (
            min(way / off for way in self.ways) > ALIKE
            and self.rim[0] > max(self.rim[1] + MUCH_MORE_RIM, MOST_OF_RIM)
            and self.skin[0] > self.skin[1]
        )


def size_of(
    scans: tuple[Surfels, Surfels], fit: Fit, noise_mm: float, settings: RegistrationSettings
) -> Size | None:
    """What a similarity says of a settled placing; None where edges are too few to
    tell, or by themselves tell of none.

    Notes
    -----
    The start is the similarity of the nearest edge points (Umeyama 1991, PAMI 13(4) 376-380),
    nearer ones step by step; then the scale is one more unknown beside motion and edges' distance.
    """
    source, target = scans
    start = _on_edges(source, target, fit.motion)
    if start is None or abs(start[0] - 1.0) < 0.5 * LEAST:
        return None
    found = _settled(source, target, start, settings)
    plain = _settled(source, target, (1.0, fit.motion), settings, with_scale=False)
    skins = _skin_share(found, noise_mm), _skin_share(plain, noise_mm)
    rims = tuple(_edges_meet(one.source, target, one.motion, one.off_mm) for one in (found, plain))
    return Size(found.factor, found.sigma, _ways(found, target), skins, (rims[0], rims[1]))


def size_words_of(
    scans: tuple[Surfels, Surfels],
    fit: Fit,
    noise_mm: float,
    names: tuple[str, str],
    settings: RegistrationSettings,
) -> str:
    """Which scan is larger and what to do about it; nothing where none is, or it can't be told."""
    if not np.isfinite(noise_mm) or _edges_meet(*scans, fit.motion) > MEET_ALREADY:
        return ""
    size = size_of(scans, fit, noise_mm, settings)
    return size_words(size, names) if size is not None and size.told else ""


def size_words(size: Size, names: tuple[str, str]) -> str:
    """Which scan is larger, by how much, and what to do about it."""
    larger, other = names if size.factor < 1.0 else names[::-1]
    times = max(size.factor, 1.0 / size.factor) - 1.0
    much = f"{1e3 * times:.1f} +- {max(2e3 * size.sigma, 0.1):.1f} per mille"
    return (
        f"{larger} is larger than {other} by {much}: with that taken off {size.rim[0]:.0%} of the "
        f"edges meet, as they are {size.rim[1]:.0%}, and the skin fits closer too. The scale of "
        "one of them is wrong, and what was put on can't be told. Measure one length on the panel "
        "and in both files: export the one that is off to its true scale (--known-length is for "
        "one scan; here it would scale both alike), or scan again with scale bars beside the panel."
    )


@dataclass(frozen=True, eq=False)
class _Scaled:
    """A settled similarity: its factor with `sigma` of it, the readings there, and by how much the
    source's edges stand off alike.
    """

    source: Surfels
    motion: Array
    factor: float
    sigma: float
    work: FineWork
    surface: Readings
    rim: Readings | None
    off_mm: float


def _on_edges(source: Surfels, target: Surfels, motion: Array) -> tuple[float, Array] | None:
    """Scale and motion that lay the edges on each other."""
    one, two = source.rim, target.rim
    if min(len(one.points), len(two.points)) < FEWEST_RIM:
        return None
    tree = cKDTree(two.points)
    factor, turn = 1.0, motion
    for reach in EDGE_REACHES_MM:
        for _ in range(EDGE_STEPS):
            placed = move(turn, factor * one.points)
            gap, at = tree.query(placed, distance_upper_bound=reach)
            near = np.isfinite(gap)
            facing = np.einsum(
                "nk,nk->n", one.outward[near] @ turn[:3, :3].T, two.outward[at[near]]
            )
            near[near] = facing > 0.8
            if near.sum() < FEWEST_RIM:
                return None
            try:
                found = umeyama(one.points[near], two.points[at[near]], with_scale=True)
            except ScanUnfitError:
                return None
            factor, turn = found[0], compose(found[1], found[2])
    return (factor, turn) if abs(factor - 1.0) < MOST else None


def _settled(
    source: Surfels,
    target: Surfels,
    start: tuple[float, Array],
    settings: RegistrationSettings,
    *,
    with_scale: bool = True,
) -> _Scaled:
    """Skin and edges settled from a start, the cut drawn in step by step."""
    factor, motion = start
    cut, reach = FIRST_CUT_MM, EDGE_REACHES_MM[-1]
    for _ in range(ROUNDS_OF_FIT):
        work = FineWork(scaled(source, factor), target, settings, FITTED_CELLS)
        work.rim_reach = reach
        surface, rim = work.readings(motion, cut)
        left, right = _normal_matrix(surface, rim, _growing(surface), _growing(rim))
        if not with_scale:
            left[7, :7] = left[:7, 7] = right[7] = 0.0
        twist = np.asarray(-np.linalg.solve(left, right), np.float64)
        motion = work.applied(twist[:6], motion)
        grown = 1.0 + float(twist[7]) / work.radius_mm
        # A scan grows about its middle, which stays where it is.
        motion[:3, 3] += (1.0 - grown) * (motion[:3, :3] @ work.middle_source)
        factor *= grown
        cut = max(0.5 * cut, min(cut, BIWEIGHT * surface.scale_mm))
        reach = max(DRAWN_IN * reach, 2.0 * MEET_MM)
    source = scaled(source, factor)
    work = FineWork(source, target, settings, FITTED_CELLS)
    work.rim_reach = reach
    surface, rim = work.readings(motion, cut)
    left, _ = _normal_matrix(surface, rim, _growing(surface), _growing(rim))
    sigma = float(np.sqrt(np.linalg.inv(left)[7, 7])) / work.radius_mm
    return _Scaled(source, motion, factor, sigma, work, surface, rim, float(twist[6]))


def _growing(readings: Readings | None, axes: Array = _SPACE) -> Array:
    """(n, 1) rows of a stretch along the (k, 3) axes, times the radius."""
    if readings is None:
        return np.empty((0, 1))
    along = readings.arms @ axes.T
    return np.asarray((along * (readings.rows[:, 3:] @ axes.T)).sum(1, keepdims=True))


def _normal_matrix(
    surface: Readings, rim: Readings | None, of_surface: Array, of_rim: Array
) -> tuple[Array, Array]:
    """(7 + k, 7 + k) normal matrix and gradient: the motion, the edges' distance, k stretches."""
    stretches = of_surface.shape[1]
    left, right = np.zeros((7 + stretches,) * 2), np.zeros(7 + stretches)
    left[:7, :7], right[:7] = information(surface, rim)
    parts = [(surface, np.zeros((len(of_surface), 1)), of_surface)]
    if rim is not None:
        parts.append((rim, np.full((len(of_rim), 1), -1.0), of_rim))
    for readings, stands_off, grows in parts:
        weighted = grows * readings.weight[:, None]
        rows = np.hstack([readings.rows, stands_off])
        left[7:, :7] += weighted.T @ rows
        left[7:, 7:] += weighted.T @ grows
        right[7:] += weighted.T @ readings.residual
    left[:7, 7:] = left[7:, :7].T
    left += np.diag([FREE_PER_STEP_MM**-2] * 6 + [0.0] + [FREE_PER_STEP_MM**-2] * stretches)
    return left, right


def _ways(found: _Scaled, target: Surfels) -> tuple[float, float]:
    """By how much the source is too small along the panel's two axes, each by itself."""
    axes = np.linalg.svd(target.points - target.points.mean(0), full_matrices=False)[2]
    # The third way can't be told from a crown that differs: it is the mean of the other two.
    of_surface, of_rim = (
        np.hstack([_growing(part, axes[k : k + 1]) for k in (0, 1)])
        + 0.5 * _growing(part, axes[2:])
        for part in (found.surface, found.rim)
    )
    left, right = _normal_matrix(found.surface, found.rim, of_surface, of_rim)
    more = -np.linalg.solve(left, right)[7:] / found.work.radius_mm
    return found.factor - 1.0 + float(more[0]), found.factor - 1.0 + float(more[1])


def _skin_share(one: _Scaled, noise_mm: float) -> float:
    """Share of the skin both show that agrees to within noise."""
    surface, weight = one.work.weighed(one.motion)
    agreed = weight * tukey(surface.residual, BIWEIGHT * noise_mm)
    return float(agreed.sum() / max(weight.sum(), 1e-12))


def _edges_meet(source: Surfels, target: Surfels, motion: Array, off_mm: float = 0.0) -> float:
    """Share of the shorter outline that lies on the other one, but for a common distance by which
    the source's stands off.
    """
    fewest = min(len(source.rim.points), len(target.rim.points))
    if not fewest:
        return 0.0
    met = 0.0
    for rim, other, way, sign in (
        (source.rim, target.rim, motion, 1.0),
        (target.rim, source.rim, inverse(motion), -1.0),
    ):
        points = move(way, rim.points)
        turn = way[:3, :3].T
        at = nearest(cKDTree(other.points), points)
        pairs = against_rim(other, points, rim.outward @ turn, rim.normals @ turn, at)
        meets = np.abs(pairs.residual - sign * off_mm) < max(MEET_MM, MEET_CELLS * target.cell_mm)
        good = (pairs.facing > 0.85) & (pairs.beside < 2.0 * target.cell_mm)
        met += 0.5 * float(np.count_nonzero(meets & good))
    return met / fewest
