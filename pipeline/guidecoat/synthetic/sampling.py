"""Measured points of a skin and its hems: an uneven grid with noise and holes."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .defects import Defect, total_displacement_mm
from .outline import Trimmed, outward_direction
from .panels import Panel

Floats = NDArray[np.float64]
NoiseWay = Literal["all ways", "along normal"]

POINTS_PER_CHUNK = 250_000
_TANGENTIAL_SHARE = 0.2


class Part(IntEnum):
    """What a point of a synthetic scan lies on."""

    SKIN = 0
    HEM = 1
    FLYING = 2
    INNER_SKIN = 3
    FIXTURE = 4
    DISPLACED = 5


@dataclass(frozen=True)
class Dropout:
    """A hole in a scan with a ragged outline, thinning out over the last fifth of its rim."""

    centre_st: tuple[float, float]
    radius_mm: float
    seed: int = 0

    def keep_share(self, s: Floats, t: Floats) -> Floats:
        """(n,) chance of a point to survive: 0 inside, 1 outside."""
        rng = np.random.default_rng(self.seed)
        ds, dt = s - self.centre_st[0], t - self.centre_st[1]
        angle = np.arctan2(dt, ds)
        rim = np.ones_like(s)
        for k in range(2, 8):
            size, phase = rng.uniform(0.0, 0.45 / k), rng.uniform(0.0, 2.0 * np.pi)
            rim += size * np.cos(k * angle + phase)
        share = np.hypot(ds, dt) / (self.radius_mm * rim)
        return np.asarray(np.clip((share - 0.8) / 0.2, 0.0, 1.0))


@dataclass(frozen=True)
class Lay:
    """How the rows of points lie on a panel: turned from its s axis, and shifted by parts of a
    row and of a column.
    """

    turn_rad: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)

    def turned(self, a: Floats, b: Floats, way: int = 1) -> tuple[Floats, Floats]:
        """Places of the panel from places of the grid, or the other way round (-1)."""
        cos, sin = np.cos(self.turn_rad), way * np.sin(self.turn_rad)
        return a * cos - b * sin, a * sin + b * cos


ALONG_PANEL = Lay()


@dataclass(frozen=True)
class Recipe:
    """How a panel is scanned: the resolved options of `scan_panel`."""

    panel: Panel
    defects: tuple[Defect, ...]
    spacing_mm: float
    noise_mm: float
    noise_way: NoiseWay
    dropouts: tuple[Dropout, ...]
    hem_mm: float
    hem_return_mm: float
    mesh: bool
    lay: Lay

    @property
    def hem_run_mm(self) -> float:
        """Length of skin beyond an edge: half a turn of the hem, and what comes back."""
        return np.pi * self.hem_mm + self.hem_return_mm if self.hem_mm > 0.0 else 0.0

    @property
    def corners(self) -> tuple[Floats, Floats]:
        """Lower and upper corner of the sampling grid, along its own rows and columns."""
        s0, s1, t0, t1 = self.panel.extent_mm
        run = self.hem_run_mm
        s = np.array([s0 - run, s0 - run, s1 + run, s1 + run])
        t = np.array([t0 - run, t1 + run, t0 - run, t1 + run])
        grid = np.stack(self.lay.turned(s, t, -1))
        return grid.min(1) - self.spacing_mm * np.array(self.lay.shift), grid.max(1)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows along s and columns along t of the sampling grid."""
        low, high = self.corners
        rows, columns = np.ceil((high - low) / self.spacing_mm).astype(int)
        return int(rows), int(columns)


@dataclass(frozen=True, eq=False)
class Sheet:
    """Points while a scan is put together; `node` is their index in the sampling grid, or -1."""

    points_mm: Floats
    normals: NDArray[np.floating]
    st_mm: Floats
    deviation_mm: Floats
    part: NDArray[np.uint8]
    node: NDArray[np.int64]


def moved(T_to_from: Floats, points_mm: Floats) -> Floats:
    """(n, 3) points through a 4 x 4 rigid transform."""
    return np.asarray(points_mm @ T_to_from[:3, :3].T + T_to_from[:3, 3])


def posed(sheet: Sheet, pose: Floats) -> Sheet:
    """The sheet in the scan's frame, its normals in single precision to spare the memory."""
    normals = (sheet.normals @ pose[:3, :3].T).astype(np.float32)
    return replace(sheet, points_mm=moved(pose, sheet.points_mm), normals=normals)


def joined(sheets: Sequence[Sheet]) -> Sheet:
    """Sheets one after the other."""
    return Sheet(
        np.concatenate([sheet.points_mm for sheet in sheets]),
        np.concatenate([sheet.normals for sheet in sheets]),
        np.concatenate([sheet.st_mm for sheet in sheets]),
        np.concatenate([sheet.deviation_mm for sheet in sheets]),
        np.concatenate([sheet.part for sheet in sheets]),
        np.concatenate([sheet.node for sheet in sheets]),
    )


def random_dropouts(panel: Panel, count: int, rng: np.random.Generator) -> tuple[Dropout, ...]:
    """Holes 10 to 30 mm in radius, centred anywhere on the skin."""
    s0, s1, t0, t1 = panel.extent_mm
    found: list[Dropout] = []
    while len(found) < count:
        s, t = float(rng.uniform(s0, s1)), float(rng.uniform(t0, t1))
        radius, own = float(rng.uniform(10.0, 30.0)), int(rng.integers(2**31))
        if panel.inside(np.array([s]), np.array([t]))[0]:
            found.append(Dropout((s, t), radius, own))
    return tuple(found)


def sample_skin(recipe: Recipe, pose: Floats, seeds: np.random.SeedSequence) -> Sheet:
    """Skin and hems; each chunk of rows has its own stream, so threads change nothing."""
    rows, columns = recipe.shape
    per_chunk = max(1, POINTS_PER_CHUNK // columns)
    starts = range(0, rows, per_chunk)
    with ThreadPoolExecutor(2) as pool:
        chunks = pool.map(
            lambda job: posed(
                _sample_rows(recipe, job[0], min(per_chunk, rows - job[0]), job[1]), pose
            ),
            zip(starts, seeds.spawn(len(starts)), strict=True),
        )
        return joined(list(chunks))


def _sample_rows(recipe: Recipe, row: int, rows: int, seed: np.random.SeedSequence) -> Sheet:
    rng = np.random.default_rng(seed)
    columns, spacing = recipe.shape[1], recipe.spacing_mm
    # Under a quarter of a square no triangle of a mesh can turn over.
    reach = 0.22 if recipe.mesh else 0.4
    jitter = rng.uniform(-reach, reach, (2, rows, columns))
    stagger = 0.0 if recipe.mesh else 0.5 * ((row + np.arange(rows)) % 2)[:, None]
    s = (row + np.arange(rows) + 0.5)[:, None] + jitter[0]
    t = (np.arange(columns) + 0.25)[None, :] + stagger + jitter[1]
    low = recipe.corners[0]
    s, t = recipe.lay.turned(low[0] + spacing * s.ravel(), low[1] + spacing * t.ravel())
    beyond = recipe.panel.edge_distance_mm(s, t)
    keep = beyond <= recipe.hem_run_mm
    for hole in recipe.dropouts:
        near = np.flatnonzero(
            keep & (np.hypot(s - hole.centre_st[0], t - hole.centre_st[1]) < 2.5 * hole.radius_mm)
        )
        keep[near] = rng.random(len(near)) < hole.keep_share(s[near], t[near])
    node = np.flatnonzero(keep)
    s, t, beyond = s[node], t[node], beyond[node]
    sheet = on_skin(recipe, s, t, beyond, rng)
    good = np.isfinite(sheet.points_mm[:, 0])
    return Sheet(
        sheet.points_mm[good],
        sheet.normals[good],
        sheet.st_mm[good],
        sheet.deviation_mm[good],
        sheet.part[good],
        node[good] + row * columns,
    )


def on_skin(
    recipe: Recipe, s: Floats, t: Floats, beyond: Floats, rng: np.random.Generator
) -> Sheet:
    """Measured points at (n,) places; those `beyond` an edge go round its hem."""
    s, t = s.copy(), t.copy()
    hem = np.flatnonzero(beyond > 0.0)
    edge = Trimmed((recipe.panel.outline,), recipe.panel.openings)
    out_s, out_t = outward_direction(edge, s[hem], t[hem])
    s[hem] -= beyond[hem] * out_s
    t[hem] -= beyond[hem] * out_t
    frame = recipe.panel.form.frame(s, t)
    normals = frame.normal
    deviation = total_displacement_mm(recipe.defects, s, t)
    points = frame.position_mm + normals * deviation[:, None]
    if len(hem):
        along = frame.along_t[hem] * out_s[:, None] - frame.along_s[hem] * out_t[:, None]
        outward = np.cross(along, normals[hem])
        outward /= np.linalg.norm(outward, axis=1)[:, None]
        points[hem], normals[hem] = _rolled(
            points[hem], normals[hem], outward, beyond[hem], recipe.hem_mm
        )
        lost = np.abs(edge.distance_mm(s[hem], t[hem])) > 0.05
        points[hem[lost]] = np.nan
    points += measured_noise(recipe, normals, rng)
    part = np.where(beyond > 0.0, np.uint8(Part.HEM), np.uint8(Part.SKIN))
    deviation[hem] = np.nan
    node = np.zeros(len(s), np.int64)
    return Sheet(points, normals, np.stack([s, t], axis=1), deviation, part, node)


def _rolled(
    edge_mm: Floats, normal: Floats, outward: Floats, beyond_mm: Floats, radius_mm: float
) -> tuple[Floats, Floats]:
    """Points and normals `beyond_mm` past an edge: half a turn inward, then straight back."""
    angle = np.minimum(beyond_mm / radius_mm, np.pi)[:, None]
    back = np.maximum(beyond_mm - np.pi * radius_mm, 0.0)[:, None]
    cos, sin = np.cos(angle), np.sin(angle)
    points = edge_mm + (radius_mm * sin - back) * outward - radius_mm * (1.0 - cos) * normal
    return points, sin * outward + cos * normal


def measured_noise(recipe: Recipe, normals: Floats, rng: np.random.Generator) -> Floats:
    """(n, 3) mm, its standard deviation along the normal the recipe's `noise_mm` either way."""
    if recipe.noise_way == "all ways":
        return recipe.noise_mm * rng.standard_normal(normals.shape)
    across = _TANGENTIAL_SHARE * rng.standard_normal(normals.shape)
    along = np.sqrt(1.0 - _TANGENTIAL_SHARE**2) * rng.standard_normal((len(normals), 1))
    return np.asarray(recipe.noise_mm * (across + along * normals))


def triangles_between(shape: tuple[int, int], node: NDArray[np.int64]) -> NDArray[np.int32]:
    """Two triangles for every square of the sampling grid whose corners were all measured."""
    index = np.full(shape[0] * shape[1], -1, np.int32)
    index[node] = np.arange(len(node), dtype=np.int32)
    grid = index.reshape(shape)
    a, b, c, d = grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]
    whole = (a >= 0) & (b >= 0) & (c >= 0) & (d >= 0)
    a, b, c, d = a[whole], b[whole], c[whole], d[whole]
    return np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
