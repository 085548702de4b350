"""Smooth heights to lay on a base: crowns, creases, steps and pressed fields.

All have four continuous derivatives, creases and walls included.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Height(Protocol):
    """A smooth height over the base, in mm."""

    def evaluate(self, s: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
        """Height and its derivatives by s and t at (n,) places."""
        ...


def smooth_step(d: Floats, width_mm: float) -> tuple[Floats, Floats]:
    """From 0 to 1 across `width_mm` about d = 0, and the derivative.

    The degree-7 polynomial whose first three derivatives vanish at both ends.
    """
    half = 0.5 * width_mm
    x = np.clip(d / half, -1.0, 1.0)
    q = x * x
    bump = 1.0 - q
    value = 0.5 + x * (35.0 / 32.0) * (1.0 + q * (-1.0 + q * (0.6 - q / 7.0)))
    return value, (35.0 / 32.0 / half) * bump * bump * bump


def smooth_ramp(d: Floats, width_mm: float) -> tuple[Floats, Floats]:
    """From 0 to d across `width_mm` about d = 0, and the derivative: the integral of a step."""
    half = 0.5 * width_mm
    x = np.clip(d / half, -1.0, 1.0)
    q = x * x
    inner = 0.5 * x + (35.0 / 32.0) * (q * (0.5 + q * (-0.25 + q * (0.1 - q / 56.0))))
    at_start = -0.5 + (35.0 / 32.0) * (0.5 - 0.25 + 0.1 - 1.0 / 56.0)
    return half * (inner - at_start) + np.maximum(d - half, 0.0), smooth_step(d, width_mm)[0]


@dataclass(frozen=True)
class Crown:
    """A crown both ways: `fall_s_mm`, `fall_t_mm` from the apex to the ends at `half_*_mm`.

    `quartic` is the share of the fall that goes with the fourth power, `lean` a cubic that
    moves the crown off the middle, `twist_mm` the wind at the corners.
    """

    fall_s_mm: float
    half_s_mm: float
    fall_t_mm: float
    half_t_mm: float
    quartic: float = 0.2
    lean: float = 0.06
    twist_mm: float = 0.0

    def evaluate(self, s: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
        """Height and derivatives."""
        x, y = s / self.half_s_mm, t / self.half_t_mm
        gx, dx = self._fall(x)
        gy, dy = self._fall(y)
        h = self.twist_mm * x * y - self.fall_s_mm * gx - self.fall_t_mm * gy
        h_s = (self.twist_mm * y - self.fall_s_mm * dx) / self.half_s_mm
        h_t = (self.twist_mm * x - self.fall_t_mm * dy) / self.half_t_mm
        return h, h_s, h_t

    def _fall(self, x: Floats) -> tuple[Floats, Floats]:
        q, k, xx = self.quartic, self.lean, x * x
        value = xx * (1.0 - q + q * xx) + k * x * (xx - 1.0)
        return value, x * (2.0 * (1.0 - q) + 4.0 * q * xx) + k * (3.0 * xx - 1.0)


@dataclass(frozen=True)
class Line:
    """A line across the panel, t = t0 + rise s + bow s^2, and the distance from it."""

    t0_mm: float
    rise: float = 0.0
    bow_per_mm: float = 0.0

    def at(self, s: Floats) -> Floats:
        """The line's t."""
        return self.t0_mm + s * (self.rise + self.bow_per_mm * s)

    def distance(self, s: Floats, t: Floats) -> tuple[Floats, Floats, float]:
        """Distance above the line (first order in the bow), and its derivatives."""
        scale = 1.0 / float(np.hypot(1.0, self.rise))
        d_s = -(self.rise + 2.0 * self.bow_per_mm * s) * scale
        return (t - self.at(s)) * scale, d_s, scale


@dataclass(frozen=True)
class Hinge:
    """A crease: slopes +`slope`/2 below the line and -`slope`/2 above it, over `width_mm`."""

    line: Line
    slope: float
    width_mm: float

    def evaluate(self, s: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
        """Height and derivatives."""
        d, d_s, d_t = self.line.distance(s, t)
        value, turned = smooth_ramp(d, self.width_mm)
        by_d = self.slope * (0.5 - turned)
        return self.slope * (0.5 * d - value), by_d * d_s, by_d * d_t


@dataclass(frozen=True)
class Step:
    """A step: everything above the line lies `drop_mm` further in, over `width_mm`."""

    line: Line
    drop_mm: float
    width_mm: float

    def evaluate(self, s: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
        """Height and derivatives."""
        d, d_s, d_t = self.line.distance(s, t)
        value, by_d = smooth_step(d, self.width_mm)
        return -self.drop_mm * value, -self.drop_mm * by_d * d_s, -self.drop_mm * by_d * d_t


@dataclass(frozen=True)
class Recess:
    """A pressed field from (s0, t0) to (s1, t1), `depth_mm` deep, walls `wall_mm` wide."""

    s0: float
    s1: float
    t0: float
    t1: float
    depth_mm: float
    wall_mm: float

    def evaluate(self, s: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
        """Height and derivatives."""
        a, da = self._field(s, self.s0, self.s1)
        b, db = self._field(t, self.t0, self.t1)
        return -self.depth_mm * a * b, -self.depth_mm * da * b, -self.depth_mm * a * db

    def _field(self, x: Floats, x0: float, x1: float) -> tuple[Floats, Floats]:
        rise, by_rise = smooth_step(x - x0, self.wall_mm)
        fall, by_fall = smooth_step(x1 - x, self.wall_mm)
        return rise * fall, by_rise * fall - rise * by_fall


@dataclass(frozen=True)
class Hull:
    """The Wigley hull's side over its middle plane, (B/2)(1 - (2s/L)^2)(1 - (t/T)^2), t <= 0."""

    length_mm: float
    beam_mm: float
    draught_mm: float

    def evaluate(self, s: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
        """Height and derivatives."""
        x, y, half = 2.0 * s / self.length_mm, t / self.draught_mm, 0.5 * self.beam_mm
        a, b = 1.0 - x * x, 1.0 - y * y
        h_s = -4.0 * half * b * x / self.length_mm
        h_t = -2.0 * half * a * y / self.draught_mm
        return half * a * b, h_s, h_t
