"""Where the points of a cut edge end: the likeliest place, for two scans of one edge at once.

Points of even density up to an edge that noise blurs are a Poisson process of intensity
rho (Phi((e - x) / blur) + STRAY) along the way out x, the second term for points that fly. A
stretch of edge is bent by the same parabola in both scans and lies farther out in one by what the
placing is off; all four are fitted together, as a parabola laid through the outermost points
blurs the edge by more than the noise does. How far noise blurs it is read from the restricted
likelihood (Patterson & Thompson 1971, Biometrika 58(3)), the shapes integrated out as by Laplace:
the plain one finds edges sharper than they are where points are few.

The least standard error of one edge of length l is sqrt(blur / (0.90 rho l)), from the Fisher
information of that process (integral of phi^2 / Phi, computed). Edges found so come to 1.05 to
1.15 times it where the noise holds points enough (rho l blur of 3 and more), and to 1.5 at one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]
# From what can't be mistaken to the noise of a good scanner across its line of sight.
BLURS_MM = (0.15, 0.1, 0.07, 0.05, 0.035, 0.025, 0.0175, 0.0125)
# Flying points past an edge, as a share of the density on it.
STRAY = 0.005
MOST_STEPS = 25
SETTLED_MM = 2e-4
# Steps are held to so many blurs, as far off the curve is not that of a parabola.
LONGEST_STEP = 3.0
# No parabola lies so far from where one was found to begin with: that stretch has a corner.
FARTHEST_MM = 2.0
# One stretch has no more say than this in how far noise blurs all of them.
MOST_SAY = 10.0
# Information a stretch is credited with where no point is near its edge, as a share of the usual.
FLOOR = 0.02


@dataclass(frozen=True, eq=False)
class Strip:
    """Points of one scan beside an edge: `window` (n,) their stretch, `out` (n,) mm, `along` (n,)
    -1..1 over it; `density` (w,) points per mm of way out in each of w stretches.
    """

    window: NDArray[np.int64]
    out: Array
    along: Array
    density: Array


@dataclass(frozen=True, eq=False)
class _Peak:
    """The likeliest shapes (w, k), and the restricted log likelihood (w,) of each, by one blur."""

    shape: Array
    likelihood: Array


def fit_together(strips: tuple[Strip, Strip], start: Array) -> tuple[Array, float]:
    """Both scans' edges over all stretches, and the blur (mm) they agree on.

    Parameters
    ----------
    start : (w, 4) mm, for each stretch how far out the first scan's edge lies, and the second's,
        what its end lies farther out by its slope, and by its bow.

    Returns
    -------
    (w, 4) as of `start`, NaN where an edge is no parabola, and the blur.
    """
    peaks: list[_Peak] = []
    sound = np.ones(len(start), bool)
    shape = start
    for blur in BLURS_MM:
        peaks.append(_climb(strips, shape, blur, bent=True))
        sound &= np.abs(peaks[-1].shape - start).max(1) < FARTHEST_MM
        # Past the points beside the edge a likelihood would grow for ever.
        shape = np.where(sound[:, None], peaks[-1].shape, start)
    told = np.array([peak.likelihood for peak in peaks])[:, sound]
    told = np.clip(told - told.mean(0), -MOST_SAY, MOST_SAY)
    best = int(np.argmax(told.sum(1)))
    return np.where(sound[:, None], peaks[best].shape, np.nan), BLURS_MM[best]


def edges_of(strip: Strip, start: Array, blur_mm: float) -> Array:
    """(w,) mm how far out the edges of one scan lie; `start` (w, 3) with slope and bow held.

    Every other of `BLURS_MM` above `blur_mm`, which may be any, leads down to it.
    """
    for blur in (*(b for b in BLURS_MM[1::2] if b > blur_mm), blur_mm):
        start = _climb((strip,), start, blur, bent=False).shape
    return start[:, 0]


def hazard_of(z: Array) -> tuple[Array, Array]:
    """Phi / (Phi + STRAY) of points so many blurs inside the edge, and Phi + STRAY: the slope
    of a point's log likelihood as the edge moves out, per blur, and the likelihood itself.

    >>> [round(float(part), 3) for part in hazard_of(np.float64(0.0))]
    [0.79, 0.505]
    """
    seen = ndtr(z) + STRAY
    return np.exp(-0.5 * z * z) / (np.sqrt(2.0 * np.pi) * seen), seen


def _climb(strips: Sequence[Strip], start: Array, blur: float, *, bent: bool) -> _Peak:
    """Up to the likeliest shapes by damped Newton steps (Levenberg, Marquardt), each its own."""
    shape = start.copy()
    free = shape.shape[1] if bent else len(strips)
    # A stretch without points stays as it is.
    dense = np.maximum(sum(strip.density for strip in strips), 1.0)
    usual = dense[:, None, None] / blur * np.eye(free)
    value, slope, bend = _likelihood(strips, shape, blur, free)
    damping = np.full(len(shape), 0.05)
    for _ in range(MOST_STEPS):
        step = np.linalg.solve(bend + damping[:, None, None] * usual, slope[:, :, None])[:, :, 0]
        size = np.abs(step).max(1, keepdims=True)
        step *= np.minimum(1.0, LONGEST_STEP * blur / np.maximum(size, 1e-12))
        tried = shape.copy()
        tried[:, :free] += step
        found = _likelihood(strips, tried, blur, free)
        better = found[0] >= value
        shape[better], value[better] = tried[better], found[0][better]
        slope[better], bend[better] = found[1][better], found[2][better]
        damping = np.where(better, 0.3 * damping, 5.0 * damping)
        if np.abs(step).max() < SETTLED_MM:
            break
    spread = np.linalg.slogdet(bend + FLOOR * usual)[1]
    return _Peak(shape, value - 0.5 * spread)


def _likelihood(
    strips: Sequence[Strip], shape: Array, blur: float, free: int
) -> tuple[Array, Array, Array]:
    """(w,) logarithm, (w, free) slope and (w, free, free) information of the first shapes."""
    count, scans = len(shape), len(strips)
    value, slope = np.zeros(count), np.zeros((count, free))
    bend = np.zeros((count, free, free))
    for k, strip in enumerate(strips):
        at, along = strip.window, strip.along
        parts = {k: np.ones(len(along)), scans: along, scans + 1: along**2}
        z = (sum(shape[at, i] * part for i, part in parts.items()) - strip.out) / blur
        hazard, seen = hazard_of(z)
        curved = np.maximum(hazard * (z + hazard), 0.0) / blur**2
        value += np.bincount(at, np.log(seen), count)
        # Mean of 1, along and its square over the stretch.
        value -= strip.density * (shape[:, k] + shape[:, scans + 1] / 3.0)
        means = {k: 1.0, scans: 0.0, scans + 1: 1.0 / 3.0}
        for i in (i for i in parts if i < free):
            slope[:, i] += np.bincount(at, hazard * parts[i], count) / blur
            slope[:, i] -= means[i] * strip.density
            for j in (j for j in parts if j < free):
                bend[:, i, j] += np.bincount(at, curved * parts[i] * parts[j], count)
    return value, slope, bend
