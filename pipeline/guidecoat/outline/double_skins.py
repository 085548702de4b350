"""Second skins: patches scanned twice, a little off, because the scanner lost its place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..numerics.local_fit import plane_of_sums
from ..unrolling.cells import Cells, ChartedPoints
from ..unrolling.chart import Grid
from .faces import HEM_MM, Faces

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_APART_MM = 0.15
MOST_APART_MM = 4.0
SCATTERS_APART = 3.8
"""How many of their own scatters two layers must lie apart. Halves of one even spread lie 3.5
apart, of Gaussian noise 2.7; two layers of Gaussian noise four of its sigmas apart 4.2 (computed).
"""

# Scatters apart: over the 2.7 of one Gaussian skin; while the halves are still parted at the middle
# two skins read too near each other.
# Figures tried at half and double on a door scanned twice, 0.25 to 0.9 mm apart, and on skins with
# noise, even noise and ribs: "the same" where no patch is lost or found and areas stay within 3 %.

# Scatters apart: over the 2.7 of one Gaussian skin, under SCATTERS_APART, for two skins are parted
# askew at first. Half is the same, double loses skins that lie near each other.
_WORTH_A_LOOK = 2.9
# Points of a window, and the smaller group's share of them, under which groups are chance (choice).
# The same, but double the share breaks a patch up in which three points in ten are the second
# skin's.
_FEWEST_POINTS = 40
_LEAST_SHARE = 0.15
# Of the pairs that chance would mix in half cells: two skins over the same ground reach 1, either
# side of a step 0. Half takes ribs of 6 mm for two skins, double leaves none.
_LEAST_MIXED = 0.7
# Some 250 points at ten a cell. Two cells hold too few, ten smear a patch's edge by up to 4 %.
_WINDOW_CELLS = 5
# Rounds of Lloyd's means. One changes areas by 0.2 %, six are the same.
_SPLITS = 3
# Of denser scans one point in so many. Half reads areas 3 to 14 % small, double is the same.
_ENOUGH_IN_CELL = 10.0
# Of the cells of a window that could be told: most. Half takes a patch of even noise for two skins,
# all of them are never told.
_LEAST_DOUBLE = 0.5
# 20 x 20 mm: less is no lost place of a scanner (choice). The same.
_LEAST_AREA_MM2 = 400.0


@dataclass(frozen=True, eq=False)
class DoubleSkin:
    """A patch where the skin lies twice.

    area_cm2, apart_mm : its size and the usual distance between the two skins;
    u_mm, v_mm : its middle on the chart; cells : (nu, nv) bool.
    """

    area_cm2: float
    apart_mm: float
    u_mm: float
    v_mm: float
    cells: Mask


def least_apart_mm(noise_mm: float) -> float:
    """How far two skins must lie apart to be told from one, by the noise of single points."""
    return max(LEAST_APART_MM, SCATTERS_APART * noise_mm)


@dataclass(frozen=True, eq=False)
class Layers:
    """apart_mm : (nu, nv) distance between two layers in a cell, 0 where one will do; told : bool,
    cells where that could be told.
    """

    apart_mm: Floats
    told: Mask


def look_for_layers(charted: ChartedPoints, cells: Cells) -> Layers:
    """Look in every cell for two layers of points.

    The points of a cell and its neighbours are parted by their height over the plane of the nine
    cells round their own, into two groups as tight as can be (Lloyd's two means). Two skins are
    two groups well apart whose points lie among each other, over halves of cells; either side of a
    step, a rib or a body line has only the one.
    """
    usual = float(np.median(cells.count[cells.filled]))
    step = max(1, round(usual / _ENOUGH_IN_CELL))
    points = charted.uvh[::step][charted.counted[::step]]
    near = _near_skin(points, cells)
    rest = near.height_mm - _over_planes(near, cells.grid)
    split = np.zeros(cells.grid.shape)
    for _ in range(_SPLITS):
        high = rest > split.ravel()[near.cell]
        own, n, mean, scatter = _groups(near.cell, rest, high, cells.grid.shape)
        gap = mean[..., 1] - mean[..., 0]
        two = gap > _WORTH_A_LOOK * scatter
        if not two.any():
            return Layers(np.zeros(cells.grid.shape), n.sum(axis=-1) >= _FEWEST_POINTS)
        split = np.where(two, mean.mean(axis=-1), 0.0)
    total = n.sum(axis=-1)
    told = (total >= _FEWEST_POINTS) & (own.sum(axis=-1) > 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):  # No pairs, no share: not two.
        two &= (gap > SCATTERS_APART * scatter) & (n.min(axis=-1) >= _LEAST_SHARE * total)
        two &= _mixed(near, high, n) > _LEAST_MIXED
    return Layers(np.where(told & two & (own.min(axis=-1) > 0.0), gap, 0.0), told)


def find_double_skins(layers: Layers, cells: Cells, faces: Faces) -> tuple[DoubleSkin, ...]:
    """Find patches in which most cells hold two layers over the same ground, largest first.

    Those near a true edge, body line or step are hems and returned flanges.

    Layers under 0.15 mm, or some four times the noise, apart cannot be told from one rough skin.
    """
    apart, told = layers.apart_mm, layers.told
    away = faces.inside_mm > faces.inboard_mm + HEM_MM
    double = told & (apart > LEAST_APART_MM)
    size = _WINDOW_CELLS
    share = ndimage.uniform_filter(double.astype(np.float64), size, mode="constant")
    known = ndimage.uniform_filter(told.astype(np.float64), size, mode="constant")
    # The sums of a uniform filter are exact only to rounding.
    patch = told & (known > 0.2) & (share > _LEAST_DOUBLE * known + 1e-9)
    label, count = ndimage.label(patch, structure=np.ones((3, 3), bool))
    side = cells.grid.cell_mm
    found = []
    for k in range(1, count + 1):
        here = label == k
        clear = here & away
        area = float(here.sum()) * side**2
        if area < _LEAST_AREA_MM2 or clear.sum() < 0.5 * here.sum():
            continue
        i, j = np.nonzero(here)
        middle = np.argmin((i - i.mean()) ** 2 + (j - j.mean()) ** 2)
        found.append(
            DoubleSkin(
                area / 100.0,
                float(np.median(apart[here & double])),
                float(cells.u_mm[i[middle], j[middle]]),
                float(cells.v_mm[i[middle], j[middle]]),
                here,
            )
        )
    return tuple(sorted(found, key=lambda skin: -skin.area_cm2))


def _round(values: Floats) -> Floats:
    """Sums over the window of cells round each."""
    size = (_WINDOW_CELLS, _WINDOW_CELLS) + (1,) * (values.ndim - 2)
    return np.asarray(ndimage.uniform_filter(values, size, mode="constant") * _WINDOW_CELLS**2)


def _groups(
    cell: NDArray[np.intp], rest: Floats, high: Mask, shape: tuple[int, int]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Points of either group in a cell; points and mean of either in its window; their scatter."""
    key, size = 2 * cell + high, 2 * shape[0] * shape[1]
    own, first, square = (
        np.bincount(key, weight, size).astype(np.float64).reshape(*shape, 2)
        for weight in (None, rest, rest * rest)
    )
    n: Floats = np.round(_round(own))
    mean = np.where(n > 0.0, _round(first) / np.maximum(n, 1.0), 0.0)
    spread = (_round(square) - n * mean**2).sum(axis=-1)
    scatter = np.sqrt(np.maximum(spread, 0.0) / np.maximum(n.sum(axis=-1) - 2.0, 1.0))
    return own, n, mean, scatter


def _mixed(near: _Near, high: Mask, n: Floats) -> Floats:
    """How many pairs in half a cell are of both groups, over what chance would have; 1 if mixed."""
    nu, nv = n.shape[:2]
    halves = np.bincount(2 * near.half + high, minlength=8 * nu * nv).reshape(nu, nv, 4, 2)
    low, up = halves[..., 0].astype(np.float64), halves[..., 1].astype(np.float64)
    both, pairs = low * up, 0.5 * (low + up) * (low + up - 1.0)
    both, pairs = (_round(x.sum(axis=-1)) for x in (both, pairs))
    share = n[..., 1] / n.sum(axis=-1)
    return np.asarray(both / (2.0 * share * (1.0 - share) * pairs))


@dataclass(frozen=True, eq=False)
class _Near:
    """Points near the skin: (k,) cell number, number of the half cell, u and v from the cell's
    centre, height.
    """

    cell: NDArray[np.intp]
    half: NDArray[np.intp]
    u_mm: Floats
    v_mm: Floats
    height_mm: Floats


def _near_skin(points: NDArray[np.float32], cells: Cells) -> _Near:
    grid = cells.grid
    u = (points[:, 0].astype(np.float64) - grid.u0_mm) / grid.cell_mm
    v = (points[:, 1].astype(np.float64) - grid.v0_mm) / grid.cell_mm
    h = points[:, 2].astype(np.float64)
    i, j = (np.clip(x.astype(np.intp), 0, n - 1) for x, n in zip((u, v), grid.shape, strict=True))
    cell = i * grid.shape[1] + j
    u, v = u - i - 0.5, v - j - 0.5
    half = 4 * cell + 2 * (u > 0.0) + (v > 0.0)
    with np.errstate(invalid="ignore"):
        near = np.abs(h - cells.height_mm.ravel()[cell]) <= MOST_APART_MM
    return _Near(cell[near], half[near], grid.cell_mm * u[near], grid.cell_mm * v[near], h[near])


def _over_planes(near: _Near, grid: Grid) -> Floats:
    """(k,) height, at every point, of the plane through the nine cells round its own."""
    size = grid.shape[0] * grid.shape[1]
    weights = (None, near.u_mm, near.v_mm, near.height_mm)
    means = np.stack([np.bincount(near.cell, w, size).reshape(grid.shape) for w in weights], -1)
    plane = _planes(means.astype(np.float64), grid.cell_mm).reshape(-1, 3)[near.cell]
    return np.asarray(plane[:, 0] + plane[:, 1] * near.u_mm + plane[:, 2] * near.v_mm)


def _planes(means: Floats, side: float) -> Floats:
    """(nu, nv, 3) height and slopes, at a cell's centre, of the plane of the nine round it.

    means : (nu, nv, 4) points, and the sums of their u and v from the cell's centre and of h.
    """
    padded = np.pad(means, ((1, 1), (1, 1), (0, 0)))
    nu, nv = means.shape[:2]
    m = np.zeros((9, nu, nv))
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            n, u, v, h = np.moveaxis(padded[1 + i : 1 + i + nu, 1 + j : 1 + j + nv], -1, 0)
            u, v = u + n * i * side, v + n * j * side
            many = np.maximum(n, 1.0)
            m += np.stack([n, u, v, h, *(np.stack([u * u, u * v, v * v, u * h, v * h]) / many)])
    m[0] = np.maximum(m[0], 1.0)
    centre, slope = plane_of_sums(np.moveaxis(m, 0, -1))
    at_middle = centre[..., 2] - slope[..., 0] * centre[..., 0] - slope[..., 1] * centre[..., 1]
    return np.concatenate([at_middle[..., None], slope], axis=-1)
