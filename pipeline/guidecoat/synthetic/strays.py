"""What a scan holds besides the skin: second skins, inner skins, fixtures and flying points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .panels import Backing
from .sampling import Part, Recipe, Sheet, measured_noise, on_skin

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class DisplacedSkin:
    """A patch that was scanned twice, the second time `offset_mm` off (lost tracking)."""

    centre_st: tuple[float, float]
    radius_mm: float
    offset_mm: float


def displaced_sheet(recipe: Recipe, patch: DisplacedSkin, rng: np.random.Generator) -> Sheet:
    """The second skin of a patch, off along the normal."""
    cs, ct, r = *patch.centre_st, patch.radius_mm
    s, t = _patch_grid(recipe, (cs - r, cs + r, ct - r, ct + r), rng)
    keep = (np.hypot(s - cs, t - ct) < r) & recipe.panel.inside(s, t)
    second = on_skin(recipe, s[keep], t[keep], np.zeros(int(keep.sum())), rng)
    points = second.points_mm + patch.offset_mm * second.normals
    return _extra(points, second.normals, second.st_mm, Part.DISPLACED)


def backing_sheet(recipe: Recipe, backing: Backing, rng: np.random.Generator) -> Sheet:
    """What shows of a backing: nothing of it where the skin or its hem is in front."""
    s, t = _patch_grid(recipe, backing.extent_mm, rng)
    clear = recipe.panel.edge_distance_mm(s, t) > recipe.hem_mm
    keep = clear & (backing.region.distance_mm(s, t) <= 0.0)
    s, t = s[keep], t[keep]
    frame = recipe.panel.form.frame(s, t)
    normals = frame.normal
    points = frame.position_mm - backing.behind_mm * normals + measured_noise(recipe, normals, rng)
    part = Part.FIXTURE if backing.kind == "fixture" else Part.INNER_SKIN
    return _extra(points, normals, np.stack([s, t], axis=1), part)


def flying_sheet(recipe: Recipe, count: int, rng: np.random.Generator) -> Sheet:
    """Two thirds within a few millimetres past an edge, the rest anywhere over the skin."""
    s0, s1, t0, t1 = recipe.panel.extent_mm
    s, t = rng.uniform(s0 - 8.0, s1 + 8.0, 60 * count), rng.uniform(t0 - 8.0, t1 + 8.0, 60 * count)
    beyond = recipe.panel.edge_distance_mm(s, t)
    fins = np.flatnonzero((beyond > -2.0) & (beyond < 8.0))[: 2 * count // 3]
    stray = np.flatnonzero(beyond < -10.0)[: count - len(fins)]
    rows = np.concatenate([fins, stray])
    frame = recipe.panel.form.frame(s[rows], t[rows])
    normals = frame.normal
    away = rng.exponential(5.0, len(rows)) * np.where(rng.random(len(rows)) < 0.7, -1.0, 1.0)
    points = frame.position_mm + away[:, None] * normals
    return _extra(points, normals, np.full((len(rows), 2), np.nan), Part.FLYING)


def _extra(points: Floats, normals: NDArray[np.floating], st: Floats, part: Part) -> Sheet:
    n = len(points)
    return Sheet(
        points,
        normals,
        st,
        np.full(n, np.nan),
        np.full(n, np.uint8(part)),
        np.full(n, -1, np.int64),
    )


def _patch_grid(
    recipe: Recipe, extent_mm: tuple[float, float, float, float], rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Jittered places over a rectangle."""
    s0, s1, t0, t1 = extent_mm
    s, t = np.meshgrid(
        np.arange(s0, s1, recipe.spacing_mm), np.arange(t0, t1, recipe.spacing_mm), indexing="ij"
    )
    jitter = recipe.spacing_mm * rng.uniform(0.1, 0.9, (2, s.size))
    return s.ravel() + jitter[0], t.ravel() + jitter[1]
