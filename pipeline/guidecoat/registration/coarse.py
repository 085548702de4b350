"""Coarse placing: many starts refined together on a few hundred cells, then ranked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..chunks import THREADS, in_threads
from ..numerics.biweight import tukey
from .pairing import Pairs, against_rim, against_surface, facing_right, nearest
from .rigid import inverse, move, small_motions
from .surfels import Surfels

Array = NDArray[np.float64]
# Rim points in a sample, per cell.
SAMPLE_RIM = 0.33
TREE_CELLS = 5_000
# Weight of the rims in a step, and in the comparison of placings, where the end of a scan that
# happens to lie on an edge must not decide.
RIM_SHARE = 0.4
RIM_SCORE = 0.15
# What overlaps and does not agree speaks against a placing by so much of its share.
CONFLICT = 0.5
LARGEST_GAP_MM = 8.0
# A step may not leave the reach of its own pairs; in units of the current reach.
LONGEST_STEP = 1.0


@dataclass(frozen=True, eq=False)
class Sample:
    """A thinned scan: `cells` and `rim` index its surfels and rim points."""

    surfels: Surfels
    cells: NDArray[np.int64]
    rim: NDArray[np.int64]
    tree_cells: NDArray[np.int64]
    tree: cKDTree
    rim_tree: cKDTree | None


@dataclass(frozen=True, eq=False)
class Candidate:
    """One placed start: T_target_source, the share that agrees, and where it began."""

    motion: Array
    score: float
    origin: str


@dataclass(frozen=True, eq=False)
class Agreement:
    """Shares of the smaller scan at s placings: `agreed` (s,) lies within reach, `overlap` (s,)
    has a counterpart at all, `rim` (s,) is the part of the smaller rim that agrees.
    """

    agreed: Array
    overlap: Array
    rim: Array

    @property
    def conflict(self) -> Array:
        """(s,) share of the overlap that does not agree."""
        return np.asarray(1.0 - self.agreed / np.maximum(self.overlap, 1e-9))

    @property
    def score(self) -> Array:
        """(s,) what agrees less part of what contradicts; a sliding panel overlaps more, but
        does not agree.
        """
        against = CONFLICT * np.maximum(self.overlap - self.agreed, 0.0)
        return np.asarray(self.agreed - against + RIM_SCORE * self.rim)


def thin(points: Array, wanted: int) -> NDArray[np.int64]:
    """Indices of about `wanted` points, spread evenly over a surface."""
    if len(points) <= wanted:
        return np.arange(len(points))
    offset = points - points.min(0)
    # A surface crosses about half as many cells again as its area would fill.
    side = float(np.linalg.norm(offset.max(0))) / np.sqrt(wanted)
    first = np.arange(len(points))
    for _ in range(8):
        a, b, c = np.floor(offset / side).astype(np.int64).T
        first = np.unique((a << 42) | (b << 21) | c, return_index=True)[1]
        if 0.85 * wanted <= len(first) <= 1.15 * wanted:
            break
        side *= np.sqrt(len(first) / wanted)
    return np.sort(first)


def make_sample(surfels: Surfels, *, most: int) -> Sample:
    """Thin a scan for the coarse steps."""
    tree_cells = thin(surfels.points, TREE_CELLS)
    cells = tree_cells[thin(surfels.points[tree_cells], most)]
    rim = surfels.rim.points
    every = max(1, int(len(rim) / (SAMPLE_RIM * most)))
    return Sample(
        surfels,
        cells,
        np.arange(0, len(rim), every),
        tree_cells,
        cKDTree(surfels.points[tree_cells]),
        cKDTree(rim) if len(rim) else None,
    )


def settle(
    source: Sample, target: Sample, motions: Array, reaches: tuple[float, ...], steps: int
) -> Array:
    """Refine (s, 4, 4) starts by point-to-surface and rim-to-rim steps, each reach in turn."""

    def settled(some: Array) -> Array:
        for reach in reaches:
            for _ in range(steps):
                some = small_motions(_steps(source, target, some, reach)) @ some
        return some

    parts = np.array_split(motions, min(THREADS, len(motions)))
    return np.concatenate(in_threads(settled, parts))


def _moved(source: Sample, motions: Array) -> tuple[Array, Array]:
    """(s * m, 3) cells and their normals, every start in turn."""
    turn, shift = motions[:, :3, :3], motions[:, None, :3, 3]
    points = source.surfels.points[source.cells] @ turn.transpose(0, 2, 1) + shift
    normals = source.surfels.normals[source.cells] @ turn.transpose(0, 2, 1)
    return points.reshape(-1, 3), normals.reshape(-1, 3)


def _moved_rim(source: Sample, motions: Array) -> tuple[Array, Array, Array]:
    rim, at = source.surfels.rim, source.rim
    turn, shift = motions[:, :3, :3].transpose(0, 2, 1), motions[:, None, :3, 3]
    points = (rim.points[at] @ turn + shift).reshape(-1, 3)
    return (
        points,
        (rim.outward[at] @ turn).reshape(-1, 3),
        (rim.normals[at] @ turn).reshape(-1, 3),
    )


def surface_weights(
    source: Sample, target: Sample, motions: Array, reach: float
) -> tuple[Array, Pairs, Array, NDArray[np.bool_]]:
    """(s * m,) weights of the sample cells against the target, their pairs, positions, and
    whether each has a counterpart.
    """
    points, normals = _moved(source, motions)
    gap = np.sqrt(len(target.surfels.points) / len(target.tree_cells)) * target.surfels.cell_mm
    within = 1.2 * gap + reach + max(reach, LARGEST_GAP_MM)
    at = target.tree_cells[nearest(target.tree, points, within_mm=within)]
    pairs = against_surface(target.surfels, points, normals, at)
    oriented = source.surfels.oriented and target.surfels.oriented
    good = facing_right(pairs, oriented, 0.6) & (pairs.beside < 1.2 * gap + reach)
    return tukey(pairs.residual, reach) * good, pairs, points, good


def rim_weights(
    source: Sample, target: Sample, motions: Array, reach: float
) -> tuple[Array, Pairs, Array] | None:
    """The same for the sampled rim points; None where either scan has no rim."""
    if target.rim_tree is None or len(source.rim) == 0:
        return None
    points, outward, normals = _moved_rim(source, motions)
    at = nearest(target.rim_tree, points)
    pairs = against_rim(target.surfels.rim, points, outward, normals, at)
    good = (pairs.facing > 0.7) & (pairs.beside < reach + 3.0 * target.surfels.cell_mm)
    return tukey(pairs.residual, 1.5 * reach) * good, pairs, points


def _normal_equations(
    weights: Array, pairs: Pairs, points: Array, centres: Array
) -> tuple[Array, Array]:
    """(s, 6, 6) and (s, 6) sums for turns about (s, 3) centres and shifts."""
    count = len(centres)
    arm = points.reshape(count, -1, 3) - centres[:, None]
    direction = pairs.direction.reshape(count, -1, 3)
    rows = np.concatenate([np.cross(arm, direction), direction], axis=2)
    weighted = rows * weights.reshape(count, -1, 1)
    right = np.einsum("smi,sm->si", weighted, pairs.residual.reshape(count, -1))
    return weighted.transpose(0, 2, 1) @ rows, right


def _steps(source: Sample, target: Sample, motions: Array, reach: float) -> Array:
    """(s, 6) Gauss-Newton twists about the origin."""
    weights, pairs, points, _ = surface_weights(source, target, motions, reach)
    count = len(motions)
    centres = points.reshape(count, -1, 3).mean(1)
    left, right = _normal_equations(weights, pairs, points, centres)
    rim = rim_weights(source, target, motions, reach)
    if rim is not None:
        share = RIM_SHARE * len(source.cells) / len(source.rim)
        more, more_right = _normal_equations(share * rim[0], rim[1], rim[2], centres)
        left, right = left + more, right + more_right
    radius = source.surfels.radius_mm
    scale = np.array([1.0 / radius] * 3 + [1.0] * 3)
    left = left * scale[:, None] * scale
    # Damped, so that what nothing holds stays where it is.
    left += (1e-4 * len(source.cells)) * np.eye(6)
    solved = -np.linalg.solve(left, (right * scale)[:, :, None])[:, :, 0]
    longest = np.abs(solved).max(1, keepdims=True)
    twists = solved * np.minimum(1.0, LONGEST_STEP * reach / (longest + 1e-12)) * scale
    # From a turn about the centre to one about the origin.
    turned = small_motions(twists)[:, :3, :3]
    twists[:, 3:] += centres - np.einsum("sij,sj->si", turned, centres)
    return np.asarray(twists)


def compare(source: Sample, target: Sample, motions: Array, reach: float) -> Agreement:
    """How far the scans agree at (s, 4, 4) placings; both ways, cells within about `reach`."""
    back = np.stack([inverse(m) for m in motions])
    count = len(motions)
    cells = [len(source.surfels.points), len(target.surfels.points)]
    rims = [max(len(source.surfels.rim.points), 1), max(len(target.surfels.rim.points), 1)]
    rim_reach = max(reach, 0.25 * target.surfels.cell_mm)
    agreed, overlap, rim = np.zeros(count), np.zeros(count), np.zeros(count)
    for one, other, way, size, rim_size in (
        (source, target, motions, cells[0], rims[0]),
        (target, source, back, cells[1], rims[1]),
    ):
        weights, pairs, _, good = surface_weights(one, other, way, reach)
        there = good & (np.abs(pairs.residual) < max(reach, LARGEST_GAP_MM))
        agreed += 0.5 * size * weights.reshape(count, -1).mean(1)
        overlap += 0.5 * size * there.reshape(count, -1).mean(1)
        found = rim_weights(one, other, way, rim_reach)
        if found is not None:
            rim += 0.5 * rim_size * found[0].reshape(count, -1).mean(1)
    return Agreement(agreed / min(cells), overlap / min(cells), rim / min(rims))


def different(a: Array, b: Array, points: Array, least_mm: float) -> bool:
    """Whether two motions place the points visibly apart."""
    apart = np.linalg.norm(move(a, points) - move(b, points), axis=1)
    return bool(np.sqrt(np.mean(apart**2)) > least_mm)


def rank(
    source: Sample, target: Sample, motions: Array, origins: list[str], reach: float, most: int
) -> list[Candidate]:
    """The best `most` clearly different starts, best first."""
    values = compare(source, target, motions, reach).score
    points = source.surfels.points[source.cells]
    apart = 0.03 * source.surfels.radius_mm
    best: list[Candidate] = []
    for i in np.argsort(-values, kind="stable"):
        if all(different(motions[i], c.motion, points, apart) for c in best):
            best.append(Candidate(motions[i], float(values[i]), origins[i]))
        if len(best) == most:
            break
    return best
