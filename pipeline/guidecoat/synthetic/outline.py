"""Outlines and openings in the (s, t) plane as signed distances: negative inside, mm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Region(Protocol):
    """A part of the (s, t) plane."""

    def distance_mm(self, s: Floats, t: Floats) -> Floats:
        """Signed distance to the boundary, negative inside; arrays of one shape."""
        ...


@dataclass(frozen=True)
class RoundBox:
    """A rectangle from (s0, t0) to (s1, t1) with corners of one radius."""

    s0: float
    s1: float
    t0: float
    t1: float
    radius_mm: float = 0.0

    def distance_mm(self, s: Floats, t: Floats) -> Floats:
        """Signed distance, exact everywhere."""
        r = self.radius_mm
        a = np.abs(s - 0.5 * (self.s0 + self.s1)) - (0.5 * (self.s1 - self.s0) - r)
        b = np.abs(t - 0.5 * (self.t0 + self.t1)) - (0.5 * (self.t1 - self.t0) - r)
        beyond = np.hypot(np.maximum(a, 0.0), np.maximum(b, 0.0))
        return np.asarray(beyond + np.minimum(np.maximum(a, b), 0.0) - r)


@dataclass(frozen=True)
class Disc:
    """A disc about (s, t)."""

    s: float
    t: float
    radius_mm: float

    def distance_mm(self, s: Floats, t: Floats) -> Floats:
        """Signed distance, exact everywhere."""
        return np.asarray(np.hypot(s - self.s, t - self.t) - self.radius_mm)


@dataclass(frozen=True)
class HalfPlane:
    """Everything behind a line through (s, t); `facing_rad` is the way out, from the s axis."""

    s: float
    t: float
    facing_rad: float

    def distance_mm(self, s: Floats, t: Floats) -> Floats:
        """Signed distance, exact everywhere."""
        return np.asarray(
            (s - self.s) * np.cos(self.facing_rad) + (t - self.t) * np.sin(self.facing_rad)
        )


@dataclass(frozen=True)
class Trimmed:
    """What lies inside all of `within` and outside all of `cut`.

    The boundary is exact; away from it the distance is a bound, as it is behind any corner.
    """

    within: tuple[Region, ...]
    cut: tuple[Region, ...] = ()

    def distance_mm(self, s: Floats, t: Floats) -> Floats:
        """Greatest of the parts' distances."""
        out = self.within[0].distance_mm(s, t)
        for region in self.within[1:]:
            out = np.maximum(out, region.distance_mm(s, t))
        for region in self.cut:
            out = np.maximum(out, -region.distance_mm(s, t))
        return out


def outward_direction(region: Region, s: Floats, t: Floats) -> tuple[Floats, Floats]:
    """Unit vectors out of a region, by central differences of its distance."""
    step = 1e-3
    gs = region.distance_mm(s + step, t) - region.distance_mm(s - step, t)
    gt = region.distance_mm(s, t + step) - region.distance_mm(s, t - step)
    size = np.maximum(np.hypot(gs, gt), 1e-12)
    return gs / size, gt / size
