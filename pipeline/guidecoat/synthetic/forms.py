"""True forms: a section swept along an axis or about one, with smooth heights laid on it.

Everything is a function of (s, t) in mm: s along the panel, t around it. Positions are in the
panel's own frame: x along the panel, z out of it, (0, 0, 0) at the apex of the base.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from .heights import Height

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Frame:
    """Positions (n, 3) mm and their derivatives by s and t (n, 3) at n places of a form."""

    position_mm: Floats
    along_s: Floats
    along_t: Floats

    @property
    def normal(self) -> Floats:
        """(n, 3) outward unit normals."""
        n = np.cross(self.along_s, self.along_t)
        return np.asarray(n / np.linalg.norm(n, axis=1)[:, None])

    @property
    def area_factor(self) -> Floats:
        """(n,) area of the form per unit area of the (s, t) plane."""
        return np.asarray(np.linalg.norm(np.cross(self.along_s, self.along_t), axis=1))


class Form(Protocol):
    """A true form over the (s, t) plane."""

    def frame(self, s: Floats, t: Floats) -> Frame:
        """Positions and derivatives at (n,) places."""
        ...


@dataclass(frozen=True)
class Swept:
    """A section swept straight along x, with heights along the section's normal.

    The section turns by `turn_rad` over `length_mm` of arc, centred on t = 0, its curvature
    varying by the shares `uneven` (cosine) and `skew` (sine): a plane, a circle or neither.
    """

    turn_rad: float = 0.0
    length_mm: float = 1.0
    uneven: float = 0.0
    skew: float = 0.0
    heights: tuple[Height, ...] = ()

    def frame(self, s: Floats, t: Floats) -> Frame:
        """Positions and derivatives at (n,) places."""
        h, h_s, h_t = self._height(s, t)
        angle, curvature = self._angle(t)
        cos, sin = np.cos(angle), np.sin(angle)
        y, z = self._section(t, angle)
        stretch = 1.0 + curvature * h
        zero = np.zeros_like(s)
        position = np.stack([s, y + h * sin, z + h * cos], axis=1)
        along_s = np.stack([zero + 1.0, h_s * sin, h_s * cos], axis=1)
        along_t = np.stack([zero, cos * stretch + h_t * sin, h_t * cos - sin * stretch], axis=1)
        return Frame(position, along_s, along_t)

    def _height(self, s: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
        h, h_s, h_t = np.zeros_like(s), np.zeros_like(s), np.zeros_like(s)
        for height in self.heights:
            value, by_s, by_t = height.evaluate(s, t)
            h, h_s, h_t = h + value, h_s + by_s, h_t + by_t
        return h, h_s, h_t

    def _angle(self, t: Floats) -> tuple[Floats, Floats]:
        """How far the section's normal has leant from z towards y, and its curvature.

        The shares ride on one wave over 1.2 lengths, so the section is uneven all along.
        """
        mean = self.turn_rad / self.length_mm
        if self.uneven == 0.0 and self.skew == 0.0:
            return mean * t, np.full_like(t, mean)
        wave = 2.0 * np.pi / (1.2 * self.length_mm)
        half = 0.5 * wave * self.length_mm
        share = self.uneven * np.sin(half) / half
        curvature = mean * (
            1.0 - share + self.uneven * np.cos(wave * t) + self.skew * np.sin(wave * t)
        )
        angle = mean * (
            (1.0 - share) * t
            + self.uneven * np.sin(wave * t) / wave
            + self.skew * (1.0 - np.cos(wave * t)) / wave
        )
        return angle, curvature

    def _section(self, t: Floats, angle: Floats) -> tuple[Floats, Floats]:
        mean = self.turn_rad / self.length_mm
        if mean == 0.0:
            return t, np.zeros_like(t)
        if self.uneven == 0.0 and self.skew == 0.0:
            return np.sin(angle) / mean, -2.0 * np.sin(0.5 * angle) ** 2 / mean
        return self._table(t)

    @cached_property
    def _knots(self) -> tuple[Floats, Floats]:
        """Knots about 1 mm apart, and the section there by 8-point Gauss quadrature."""
        reach = 0.5 * self.length_mm + 250.0
        knots = np.linspace(-reach, reach, 2 * int(np.ceil(reach)) + 1)
        nodes, weights = np.polynomial.legendre.leggauss(8)
        half = 0.5 * np.diff(knots)
        places = knots[:-1, None] + half[:, None] * (nodes + 1.0)
        angle = self._angle(places.ravel())[0].reshape(places.shape)
        steps = half[:, None] * np.stack([np.cos(angle) @ weights, -np.sin(angle) @ weights], 1)
        section = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
        return knots, section - section[len(knots) // 2]

    def _table(self, t: Floats) -> tuple[Floats, Floats]:
        """Cubic Hermite between the knots: off by less than 1e-9 mm for radii over 50 mm."""
        knots, section = self._knots
        step = knots[1] - knots[0]
        k = np.clip(((t - knots[0]) / step).astype(np.intp), 0, len(knots) - 2)
        x = (t - knots[k]) / step
        tilt = self._angle(knots)[0]
        slopes = step * np.stack([np.cos(tilt), -np.sin(tilt)], axis=1)
        end = x * x * (3.0 - 2.0 * x)
        out0, out1 = x * (1.0 - x) ** 2, -x * x * (1.0 - x)
        yz = [
            section[k, c] * (1.0 - end)
            + section[k + 1, c] * end
            + slopes[k, c] * out0
            + slopes[k + 1, c] * out1
            for c in (0, 1)
        ]
        return yz[0], yz[1]


@dataclass(frozen=True)
class Revolved:
    """The outside of a torus, major radius `major_mm`, minor `minor_mm`; a sphere at major 0."""

    major_mm: float
    minor_mm: float

    def frame(self, s: Floats, t: Floats) -> Frame:
        """Positions and derivatives at (n,) places."""
        whole = self.major_mm + self.minor_mm
        a, b = s / whole, t / self.minor_mm
        sin_a, cos_a, sin_b, cos_b = np.sin(a), np.cos(a), np.sin(b), np.cos(b)
        reach = self.major_mm + self.minor_mm * cos_b
        position = np.stack([reach * sin_a, self.minor_mm * sin_b, reach * cos_a - whole], axis=1)
        zero = np.zeros_like(s)
        along_s = np.stack([reach * cos_a, zero, -reach * sin_a], axis=1) / whole
        along_t = np.stack([-sin_b * sin_a, cos_b, -sin_b * cos_a], axis=1)
        return Frame(position, along_s, along_t)

    def distance_mm(self, points_mm: Floats) -> Floats:
        """(n,) signed distance of points in the panel's frame: hypot(hypot(x, z') - R, y) - r."""
        x, y, z = np.asarray(points_mm, np.float64).T
        ring = np.hypot(x, z + self.major_mm + self.minor_mm) - self.major_mm
        return np.asarray(np.hypot(ring, y) - self.minor_mm)
