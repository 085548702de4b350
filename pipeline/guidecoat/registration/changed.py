"""Cells that changed by less than their own noise: told by what their neighbours say too.

The foot of a broad fill rises so slowly that over a third of it no single cell is out of the
noise, and all of them together tilt a placing. The mean of many neighbours shows it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..numerics.biweight import BIWEIGHT, tukey
from .fine import FineWork, Fit, Readings, solve_step
from .pairing import seen_alike
from .placing import MANY_CELLS
from .settings import RegistrationSettings
from .surfels import Surfels

Array = NDArray[np.float64]
# A cell is averaged with so many of its kind.
TOGETHER = 25
STEPS = 12
DRAWN_IN = 0.6
# Quantile of a half-normal's absolute values: the foot of a fill hardly reaches into it.
CALM_QUANTILE, CALM_SIGMAS = 0.3, 0.3853
SETTLED_MM = 5e-4
# What changed still counts as seen by both scans, but has no say in the placing.
NO_SAY = 1e-9
# Below such a share of unchanged skin one can't tell what changed.
LEAST_LEFT = 0.2


def without_changed(
    scans: tuple[Surfels, Surfels], fit: Fit, noise_mm: float, settings: RegistrationSettings
) -> tuple[Surfels, Surfels]:
    """Both scans with the weight of the cells that changed next to nothing.

    The placing is settled on what neighbours agree did not change, the band drawn in step by
    step to the scatter of their means.
    """
    work = FineWork(*scans, settings, MANY_CELLS)
    motion, cut = fit.motion, BIWEIGHT * noise_mm
    ends = np.cumsum([len(side.cells) for side in work.sides])[:-1]
    cells = [side.source.points[side.cells] for side in work.sides]
    near = [cKDTree(points).query(points, k=TOGETHER, workers=2)[1] for points in cells]
    together = np.concatenate([near[0], near[1] + ends[0]])
    means = np.zeros(len(together))
    for _ in range(STEPS):
        surface, weight = work.weighed(motion)
        means = _means(surface, weight, together)
        inside = (weight > 0.0) & (np.abs(means) < cut)
        if inside.sum() < LEAST_LEFT * np.count_nonzero(weight):
            return scans
        scale = float(np.quantile(np.abs(means[inside]), CALM_QUANTILE)) / CALM_SIGMAS
        narrow = BIWEIGHT * max(scale, noise_mm / np.sqrt(TOGETHER))
        level, cut = cut <= 1.02 * narrow, max(min(cut, narrow), DRAWN_IN * cut)
        share = weight * tukey(means, cut) * tukey(surface.residual, BIWEIGHT * noise_mm)
        twist = solve_step(replace(surface, weight=share / noise_mm**2), None)
        motion = work.applied(twist, motion)
        if level and np.abs(twist).max() < SETTLED_MM:
            break
    sound = np.abs(means) < cut
    first, second = (
        _marked(scan, points, part)
        for scan, points, part in zip(scans, cells, np.split(sound, ends), strict=True)
    )
    return first, second


def carried_over(marked: Surfels, finer: Surfels) -> Surfels:
    """The marks of one scan's cells on other cells of it."""
    return _marked(finer, marked.points, marked.weights > NO_SAY)


def _marked(surfels: Surfels, points: Array, sound: NDArray[np.bool_]) -> Surfels:
    nearest = cKDTree(points).query(surfels.points)[1]
    return replace(surfels, weights=np.where(sound[nearest], surfels.weights, NO_SAY))


def _means(surface: Readings, weight: Array, together: NDArray[np.int64]) -> Array:
    alike = seen_alike(weight * surface.residual, surface.rows[:, 3:], slice(None), together)
    return np.asarray(alike.sum(1) / np.maximum(weight[together].sum(1), 1e-12))
