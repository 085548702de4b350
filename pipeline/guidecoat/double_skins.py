"""Second skins: patches scanned twice, a little off, because the scanner lost its place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from .cells import Cells, ChartedPoints

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_APART_MM = 0.15
MOST_APART_MM = 4.0
SCATTERS_APART = 3.8
"""How many of their own scatters two layers must lie apart. Halves of one even spread lie 3.5
apart, of Gaussian noise 2.7; two layers of Gaussian noise four of its sigmas apart 4.2 (computed).
"""

_WORTH_A_LOOK = 2.9
_FEWEST_POINTS = 40
_LEAST_SHARE = 0.15
_LEAST_MIXED = 0.7
_WINDOW_CELLS = 5
_SPLITS = 3
_ENOUGH_IN_CELL = 16.0
_LEAST_DOUBLE = 0.5
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


def find_double_skins(
    charted: ChartedPoints, cells: Cells, inside_mm: Floats, *, clear_mm: float
) -> tuple[DoubleSkin, ...]:
    """Find patches in which most cells hold two layers over the same ground, largest first.

    Parameters
    ----------
    inside_mm : (nu, nv) distance to the nearest true edge, body line or step.
    clear_mm : how far from those a patch must reach: nearer ones are hems and returned flanges.

    Layers under 0.15 mm, or some four times the noise, apart cannot be told from one rough skin.
    """
    apart, told = _layers(charted, cells)
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
        clear = here & (inside_mm > clear_mm)
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


def _layers(charted: ChartedPoints, cells: Cells) -> tuple[Floats, Mask]:
    """Per cell the distance between two layers, 0 where one will do; and where that was told.

    The points of a cell and its neighbours are parted by their height over the plane of the nine
    cells round their own, into two groups as tight as can be (Lloyd's two means). Two skins are
    two groups well apart whose points lie among each other, over halves of cells; either side of a
    step, a rib or a body line has only the one.
    """
    usual = float(np.median(cells.count[cells.filled]))
    step = max(1, round(usual / _ENOUGH_IN_CELL))
    points = charted.uvh[::step][charted.counted[::step]]
    grid = cells.grid
    place = (points, grid.u0_mm, grid.v0_mm, grid.cell_mm, cells.height_mm, MOST_APART_MM)
    plane = _planes(_means(*place), grid.cell_mm)
    split = np.zeros(grid.shape)
    for _ in range(_SPLITS):
        sums, halves = _two_sides(*place, plane, split)
        own = sums[..., 0]
        n, mean, scatter = _groups(sums)
        gap = mean[..., 1] - mean[..., 0]
        two = gap > _WORTH_A_LOOK * scatter
        if not two.any():
            break
        split = np.where(two, mean.mean(axis=-1), 0.0)
    total = n.sum(axis=-1)
    told = (total >= _FEWEST_POINTS) & (own.sum(axis=-1) > 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):  # No pairs, no share: not two.
        two &= (gap > SCATTERS_APART * scatter) & (n.min(axis=-1) >= _LEAST_SHARE * total)
        two &= _mixed(halves, n) > _LEAST_MIXED
    return np.where(told & two & (own.min(axis=-1) > 0.0), gap, 0.0), told


def _round(values: Floats) -> Floats:
    """Sums over the window of cells round each."""
    size = (_WINDOW_CELLS, _WINDOW_CELLS) + (1,) * (values.ndim - 2)
    return np.asarray(ndimage.uniform_filter(values, size, mode="constant") * _WINDOW_CELLS**2)


def _groups(sums: Floats) -> tuple[Floats, Floats, Floats]:
    """Points (nu, nv, 2) and mean (nu, nv, 2) of either group of a window, and their scatter."""
    round_ = _round(sums)
    n = np.round(round_[..., 0])
    mean = np.where(n > 0.0, round_[..., 1] / np.maximum(n, 1.0), 0.0)
    square = (round_[..., 2] - n * mean**2).sum(axis=-1)
    scatter = np.sqrt(np.maximum(square, 0.0) / np.maximum(n.sum(axis=-1) - 2.0, 1.0))
    return n, mean, scatter


def _mixed(halves: Floats, n: Floats) -> Floats:
    """How many pairs in half a cell are of both groups, over what chance would have; 1 if mixed."""
    low, high = halves[..., 0], halves[..., 1]
    both, pairs = low * high, 0.5 * (low + high) * (low + high - 1.0)
    nu, nv = n.shape[:2]
    both, pairs = (_round(x.reshape(nu, 2, nv, 2).sum(axis=(1, 3))) for x in (both, pairs))
    share = n[..., 1] / n.sum(axis=-1)
    return np.asarray(both / (2.0 * share * (1.0 - share) * pairs))


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
    n = np.maximum(m[0], 1.0)
    u, v, h = m[1:4] / n
    uu, uv, vv = m[4] - n * u * u, m[5] - n * u * v, m[6] - n * v * v
    uh, vh = m[7] - n * u * h, m[8] - n * v * h
    det = uu * vv - uv * uv
    firm = det > 1e-3 * (uu + vv) ** 2 / 4.0
    det = np.where(firm, det, 1.0)
    a = np.where(firm, (uh * vv - vh * uv) / det, 0.0)
    b = np.where(firm, (vh * uu - uh * uv) / det, 0.0)
    return np.stack([h - a * u - b * v, a, b], axis=-1)


@njit(cache=True, nogil=True)
def _means(uvh, u0, v0, side, mid_h, reach):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Per cell: points within reach of its height, and sums of u, v from its centre and of h."""
    nu, nv = mid_h.shape
    out = np.zeros((nu, nv, 4))
    for k in range(len(uvh)):
        u, v = (np.float64(uvh[k, 0]) - u0) / side, (np.float64(uvh[k, 1]) - v0) / side
        i, j = min(max(int(u), 0), nu - 1), min(max(int(v), 0), nv - 1)
        h = np.float64(uvh[k, 2])
        if np.abs(h - mid_h[i, j]) <= reach:
            m = out[i, j]
            m[0] += 1.0
            m[1] += (u - i - 0.5) * side
            m[2] += (v - j - 0.5) * side
            m[3] += h
    return out


@njit(cache=True, nogil=True)
def _two_sides(uvh, u0, v0, side, mid_h, reach, plane, split):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Per cell and side of `split` over its plane: points, sums of the height over the plane and
    of its square; and the points per half of a cell, (2 nu, 2 nv, 2).
    """
    nu, nv = mid_h.shape
    out, halves = np.zeros((nu, nv, 2, 3)), np.zeros((2 * nu, 2 * nv, 2))
    for k in range(len(uvh)):
        u, v = (np.float64(uvh[k, 0]) - u0) / side, (np.float64(uvh[k, 1]) - v0) / side
        i, j = min(max(int(u), 0), nu - 1), min(max(int(v), 0), nv - 1)
        h = np.float64(uvh[k, 2])
        if not np.abs(h - mid_h[i, j]) <= reach:
            continue
        p = plane[i, j]
        rest = h - p[0] - side * (p[1] * (u - i - 0.5) + p[2] * (v - j - 0.5))
        high = 1 if rest > split[i, j] else 0
        s = out[i, j, high]
        s[0] += 1.0
        s[1] += rest
        s[2] += rest * rest
        halves[2 * i + min(int(2.0 * (u - i)), 1), 2 * j + min(int(2.0 * (v - j)), 1), high] += 1.0
    return out, halves
