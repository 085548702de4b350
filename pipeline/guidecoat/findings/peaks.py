"""How high a high or low stands, how surely, and where: on a top, or drawn by few cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..measuring.deviation import CellDeviation
from ..numerics.footprints import window_round
from ..unrolling.cells import Cells

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Mask = NDArray[np.bool_]

# A squared cosine so many cells wide reads 2 % low: with w = pi / 5, w^2 / 24 of it by averaging
# over a cell and (1 - exp(-w^2 / 2))^3 by calming over one (derived).
_DRAWN_BY_CELLS = 10.0
# Of cells of one height some stand 3 sigmas over it and some as far below (derived, of a thousand).
_TOP_SIGMAS = 6.0
# A quadratic is laid over a top of twice as many cells as it has terms (choice).
_FEWEST_CELLS = 12
# It bends for certain where its highest place stands so many of its own sigmas over its mean.
_BENT_SIGMAS = 2.0
# Of a mark's height: over so much of its top a round one is as good as a quadratic (choice; it
# lacks 0.2 % of a squared cosine there, computed).
_NEXT_BELOW = 0.15
_A_LINE = 1e-6


@dataclass(frozen=True)
class Peak:
    """Height (mm, + outside), its standard uncertainty (mm), and the cell amid the top."""

    height_mm: float
    u_mm: float
    cell: tuple[int, int]


def peak_of_mark(
    found: CellDeviation, cells: Cells, inside: Mask, *, sign: float, width_mm: float
) -> Peak:
    """The peak of a high (sign 1) or low (-1) over the (nu, nv) cells inside.

    The highest of many cells is one that noise lifts, and calming overshoots beside the shoulder of
    a flat top: where it can be told better, the height is that of a quadratic over the top. Where
    few cells draw a mark, half of what they may have averaged off is put back, and the other half
    left in doubt: it lies between nothing and all of that.
    """
    plain = _plain(sign * found.smooth_mm, found, inside)
    i, j = plain.highest
    if width_mm < _DRAWN_BY_CELLS * cells.grid.cell_mm:
        half = 0.5 * _read_low(found, cells, i, j)
        height = plain.height_mm + float(np.copysign(half, plain.height_mm))
        return Peak(height, float(found.sigma_mm[i, j]) + 0.5 * half, plain.middle)
    level = _level_of_top(found, cells, plain, sign)
    return Peak(level, float(found.sigma_mm[i, j]), plain.middle)


def peak_of_ripple(found: CellDeviation, inside: Mask) -> Peak:
    """The highest crest or deepest trough of ripple over the (nu, nv) cells inside."""
    plain = _plain(np.abs(found.smooth_mm), found, inside)
    return Peak(plain.height_mm, float(found.sigma_mm[plain.highest]), plain.middle)


@dataclass(frozen=True, eq=False)
class _Plain:
    """The highest cell, the height of the paraboloid on it, the (k, 2) cells of the top about it,
    and the one amid them.
    """

    highest: tuple[int, int]
    height_mm: float
    top: Ints
    middle: tuple[int, int]


def _plain(size: Floats, found: CellDeviation, inside: Mask) -> _Plain:
    flat = int(np.nanargmax(np.where(inside, size, np.nan)))
    i, j = (int(k) for k in np.unravel_index(flat, size.shape))
    # Noise alone may have kept any of these from being the highest, which may lie anywhere among
    # them.
    noise = found.height_noise_mm
    foot = size[i, j] - _TOP_SIGMAS * noise
    window = window_round(inside)
    corner = np.array([side.start for side in window])
    label, _ = ndimage.label((inside & (size >= foot))[window], np.ones((3, 3)))
    top = np.argwhere(label == label[tuple(np.array([i, j]) - corner)]) + corner
    middle = np.average(top, axis=0, weights=size[tuple(top.T)] - foot + noise)
    a, b = top[((top - middle) ** 2).sum(axis=1).argmin()]
    return _Plain((i, j), _on_paraboloid(found.smooth_mm, i, j), top, (int(a), int(b)))


def _level_of_top(found: CellDeviation, cells: Cells, plain: _Plain, sign: float) -> float:
    """The height of a quadratic over a top's cells as they are, not calmed: at its middle where it
    does not bend for certain, else at its highest place, of one laid anew over what lies next
    below that. The plain height where that is surer.
    """
    whole = _quadratic(found, cells, plain.top, sign)
    if whole is None:
        return plain.height_mm
    noise = float(np.nanmedian(cells.error_mm[found.judged]))
    amid = int(np.flatnonzero((plain.top == plain.middle).all(axis=1))[0])
    highest = int(whole.height_mm.argmax())
    rise = whole.height_mm[highest] - whole.height_mm.mean()
    if rise <= _BENT_SIGMAS * noise * whole.gain[highest]:
        level, gain = whole.height_mm[amid], whole.gain[amid]
    else:
        foot = whole.height_mm[highest] - _NEXT_BELOW * abs(plain.height_mm)
        nearest = _quadratic(found, cells, plain.top[whole.height_mm >= foot], sign)
        if nearest is None:
            return plain.height_mm
        highest = int(nearest.height_mm.argmax())
        level, gain = nearest.height_mm[highest], nearest.gain[highest]
    return sign * float(level) if noise * gain < found.height_noise_mm else plain.height_mm


@dataclass(frozen=True, eq=False)
class _Quadratic:
    """(k,) heights of a quadratic over the cells it is fitted to, and the standard uncertainty of
    each over that of a cell.
    """

    height_mm: Floats
    gain: Floats


def _quadratic(found: CellDeviation, cells: Cells, top: Ints, sign: float) -> _Quadratic | None:
    """Least squares over (k, 2) cells; None where they are too few, or those of a line."""
    if len(top) < _FEWEST_CELLS:
        return None
    own = tuple(top.T)
    u, v = ((at[own] - at[own].mean()) / cells.grid.cell_mm for at in (cells.u_mm, cells.v_mm))
    basis, r = np.linalg.qr(np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v]))
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < _A_LINE * diagonal.max():
        return None
    height = basis @ (basis.T @ (sign * found.cell_mm[own]))
    return _Quadratic(height, np.sqrt((basis**2).sum(axis=1)))


def _on_paraboloid(field: Floats, i: int, j: int) -> float:
    """Height of the paraboloid through a cell and its neighbours: a peak lies between cells."""
    here = float(field[i, j])
    if not (0 < i < field.shape[0] - 1 and 0 < j < field.shape[1] - 1):
        return here
    rise = 0.0
    for before, after in ((field[i - 1, j], field[i + 1, j]), (field[i, j - 1], field[i, j + 1])):
        bend, lean = before - 2.0 * here + after, 0.5 * (after - before)
        if np.isfinite(bend) and bend * here < 0.0 and abs(lean) <= abs(bend):
            rise -= lean * lean / (2.0 * bend)
    return here + float(rise)


def _read_low(found: CellDeviation, cells: Cells, i: int, j: int) -> float:
    """How much (mm) a peak may lack that cells average over, beyond what noise explains.

    Over a square of side s a mean is off its middle by s^2 / 24 times the Laplacian (its Taylor
    series, integrated), which is a 24th of the sum over four neighbours less four times itself.
    Calming takes off what the paraboloid on the highest cell about the peak stands over it. From
    the square of both goes that of the 95 % that the cells' own noise makes. A cut peak may be of
    any form, so what is left is a bound: the peak lacks some of it, or none (JCGM 100:2008, 4.3.8).
    """
    near = (slice(max(i - 1, 0), i + 2), slice(max(j - 1, 0), j + 2))
    sign = 1.0 if found.smooth_mm[i, j] > 0.0 else -1.0
    height = np.where(found.judged[near], sign * found.cell_mm[near], -np.inf)
    row, column = np.unravel_index(int(height.argmax()), height.shape)
    # Of all cells: within one that is wide the mark's own bend passes for noise.
    error = 2.0 * float(np.nanmedian(cells.error_mm[found.judged]))
    a, b = near[0].start + int(row), near[1].start + int(column)
    calmed = sign * (_on_paraboloid(found.cell_mm, a, b) - float(found.smooth_mm[i, j]))
    if not (0 < a < found.cell_mm.shape[0] - 1 and 0 < b < found.cell_mm.shape[1] - 1):
        return _beyond(calmed, error)
    four = found.cell_mm[[a - 1, a + 1, a, a], [b, b, b - 1, b + 1]]
    bend = sign * (4.0 * float(found.cell_mm[a, b]) - float(four.sum()))
    # Noise makes that of four cells and of four times one: root 20.
    averaged = _beyond(bend / 24.0, np.sqrt(20.0) / 24.0 * error) if np.isfinite(bend) else 0.0
    return _beyond(calmed, error) + averaged


def _beyond(value: float, noise: float) -> float:
    """What is left of a value whose square noise has added to; 0 below it."""
    return float(np.sqrt(value**2 - noise**2)) if value > noise else 0.0
