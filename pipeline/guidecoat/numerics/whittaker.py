"""A robust smooth line through evenly spaced values: the one-dimensional batten."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from .biweight import BIWEIGHT, MAD_TO_SIGMA, tukey

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_STEPS = (0.35, 0.5, 0.7, 1.0)
_ROUND_THE_SEAM = 9


def whittaker(z: Floats, weight: Floats, smoothing: float) -> Floats:
    """Minimise sum w (z - f)^2 + smoothing * sum (third difference of f)^2 (Whittaker 1923).

    z is (n,) or (n, k), a column each; weight (n,).
    """
    n = len(z)
    third = np.array([-1.0, 3.0, -3.0, 1.0])
    band = np.zeros((4, n))
    for a in range(4):
        for b in range(a + 1):
            band[a - b, b : n - 3 + b] += smoothing * third[a] * third[b]
    band[0] += weight + 1e-9
    right = weight * z if z.ndim == 1 else weight[:, None] * z
    return np.asarray(solveh_banded(band, right, lower=True))


def smooth_alike(
    z: Floats, weight: Floats, *, step_mm: float, batten_mm: float, closed: bool = False
) -> Floats:
    """(n, k) columns smoothed as `robust_line` does at its last step, with its weights."""
    n = len(z)
    reach = min(_ROUND_THE_SEAM, n) if closed else 0
    around = np.arange(-reach, n + reach) % n
    length = _length(batten_mm, step_mm, n + 2 * reach)
    line = whittaker(z[around], weight[around], (length / (2.0 * np.pi * step_mm)) ** 6)
    return line[reach : reach + n]


def _length(batten_mm: float, step_mm: float, count: int) -> float:
    return min(batten_mm, step_mm * count / 1.5)


def robust_line(
    z: Floats,
    seen: Mask,
    *,
    step_mm: float,
    batten_mm: float,
    floor_mm: float,
    closed: bool = False,
) -> tuple[Floats, Floats]:
    """A line of third differences reweighted by Tukey's biweight, lengthened step by step.

    Parameters
    ----------
    z : (n,) values step_mm apart, n >= 4; seen : (n,) bool, which of them are known.
    batten_mm : wavelength of which the line follows half.
    floor_mm : the robust scale is not taken below this.
    closed : whether the values run round.

    Returns
    -------
    (n,) line, (n,) weights in 0 .. 1.
    """
    n = len(z)
    reach = min(_ROUND_THE_SEAM, n) if closed else 0
    data = np.where(seen, z, 0.0)
    known = seen
    if closed:
        data = np.concatenate([data[n - reach :], data, data[:reach]])
        known = np.concatenate([seen[n - reach :], seen, seen[:reach]])
    length = _length(batten_mm, step_mm, len(data))
    weight = known.astype(np.float64)
    line = data
    for share in _STEPS:
        smoothing = (share * length / (2.0 * np.pi * step_mm)) ** 6
        for _ in range(3):
            line = whittaker(data, weight, smoothing)
            off = data - line
            scale = max(MAD_TO_SIGMA * float(np.median(np.abs(off[known]))), floor_mm)
            weight = np.where(known, tukey(off, BIWEIGHT * scale), 0.0)
    keep = slice(reach, reach + n)
    return line[keep], weight[keep]
