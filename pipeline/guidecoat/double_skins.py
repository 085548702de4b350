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

LEAST_APART_MM = 0.25
MOST_APART_MM = 4.0
NOISES_APART = 5.0

# Halves of one even spread lie 3.5 of their own scatters apart, of Gaussian noise 2.7 (computed).
_SCATTERS_APART = 4.5
_FEWEST_POINTS = 8
_FEWEST_IN_LAYER = 3
_LEAST_SHARE = 0.15
_MOST_ASIDE = 0.3
_WINDOW_CELLS = 5
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


def find_double_skins(
    charted: ChartedPoints, cells: Cells, inside_mm: Floats, *, clear_mm: float
) -> tuple[DoubleSkin, ...]:
    """Find patches in which most cells hold two layers over the same ground, largest first.

    Parameters
    ----------
    inside_mm : (nu, nv) distance to the nearest true edge, body line or step.
    clear_mm : how far from those a patch must reach: nearer ones are hems and returned flanges.

    Layers under 0.25 mm, or five times the noise, apart cannot be told from one rough skin.
    """
    apart, told = _layers(charted, cells)
    double = told & (apart > max(LEAST_APART_MM, NOISES_APART * cells.noise_mm))
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
    """Per cell the distance between two layers, 0 where one will do; and where that was told."""
    grid = cells.grid
    sums = _two_sides(
        charted.uvh,
        charted.counted,
        grid.u0_mm,
        grid.v0_mm,
        grid.cell_mm,
        np.nan_to_num(cells.u_mm),
        np.nan_to_num(cells.v_mm),
        cells.height_mm,
        MOST_APART_MM,
    )
    n = sums[..., 0]
    told = (n.sum(axis=-1) >= _FEWEST_POINTS) & np.isfinite(cells.height_mm)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = sums[..., 1:4] / n[..., None]
        square = (sums[..., 4] - n * mean[..., 0] ** 2).sum(axis=-1)
        scatter = np.sqrt(np.maximum(square, 0.0) / np.maximum(n.sum(axis=-1) - 2.0, 1.0))
        gap = mean[..., 1, 0] - mean[..., 0, 0]
        aside = np.hypot(*np.moveaxis(mean[..., 1, 1:] - mean[..., 0, 1:], -1, 0))
        two = (
            told
            & (n.min(axis=-1) >= np.maximum(_FEWEST_IN_LAYER, _LEAST_SHARE * n.sum(axis=-1)))
            & (gap > _SCATTERS_APART * scatter)
            & (aside < _MOST_ASIDE * grid.cell_mm)
        )
    return np.where(two, gap, 0.0), told


@njit(cache=True, nogil=True)
def _two_sides(uvh, counted, u0, v0, side, mid_u, mid_v, mid_h, reach):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Per cell and side of its least-squares plane: points, and sums of the residual, u, v and of
    the residual's square.
    """
    nu, nv = mid_h.shape
    moments = np.zeros((nu, nv, 9))
    out = np.zeros((nu, nv, 2, 5))
    plane = np.zeros((nu, nv, 3))
    for step in range(2):
        for k in range(len(uvh)):
            if not counted[k]:
                continue
            i = min(max(int((np.float64(uvh[k, 0]) - u0) / side), 0), nu - 1)
            j = min(max(int((np.float64(uvh[k, 1]) - v0) / side), 0), nv - 1)
            h = np.float64(uvh[k, 2]) - mid_h[i, j]
            if not np.abs(h) <= reach:
                continue
            u, v = np.float64(uvh[k, 0]) - mid_u[i, j], np.float64(uvh[k, 1]) - mid_v[i, j]
            if step == 0:
                m = moments[i, j]
                m[0] += 1.0
                m[1] += u
                m[2] += v
                m[3] += h
                m[4] += u * u
                m[5] += u * v
                m[6] += v * v
                m[7] += u * h
                m[8] += v * h
                continue
            p = plane[i, j]
            rest = h - p[0] - p[1] * u - p[2] * v
            s = out[i, j, 1 if rest > 0.0 else 0]
            s[0] += 1.0
            s[1] += rest
            s[2] += u
            s[3] += v
            s[4] += rest * rest
        if step == 0:
            for i in range(nu):
                for j in range(nv):
                    m = moments[i, j]
                    if m[0] < 3.0:
                        continue
                    mu, mv, mh = m[1] / m[0], m[2] / m[0], m[3] / m[0]
                    uu, uv, vv = m[4] - m[0] * mu * mu, m[5] - m[0] * mu * mv, m[6] - m[0] * mv * mv
                    uh, vh = m[7] - m[0] * mu * mh, m[8] - m[0] * mv * mh
                    det = uu * vv - uv * uv
                    if det > 1e-3 * (uu + vv) ** 2 / 4.0:
                        plane[i, j, 1] = (uh * vv - vh * uv) / det
                        plane[i, j, 2] = (vh * uu - uh * uv) / det
                    plane[i, j, 0] = mh - plane[i, j, 1] * mu - plane[i, j, 2] * mv
    return out
