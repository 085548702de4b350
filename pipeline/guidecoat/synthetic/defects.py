"""Planted highs and lows: displacements along the true normal, with known peak and volume."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .heights import smooth_step
from .panels import Panel

Floats = NDArray[np.float64]


def _local(
    s: Floats, t: Floats, centre_st: tuple[float, float], angle_rad: float
) -> tuple[Floats, Floats]:
    """Coordinates along and across a mark that is turned by `angle_rad` from the s axis."""
    ds, dt = s - centre_st[0], t - centre_st[1]
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return ds * cos + dt * sin, dt * cos - ds * sin


@dataclass(frozen=True)
class Dimple:
    """A round or oval high or low.

    cosine: peak (1 + cos(pi r)) / 2 within the radii; gaussian: peak exp(-r^2 / 2), the radii
    its standard deviations. An edge ding is a cosine whose centre lies on the panel's edge.
    """

    centre_st: tuple[float, float]
    peak_mm: float
    radii_mm: tuple[float, float]
    angle_rad: float = 0.0
    kind: Literal["cosine", "gaussian", "edge ding"] = "cosine"

    @property
    def reach_mm(self) -> float:
        """Distance from the centre beyond which it is nil (gaussian: under 1e-8 of the peak)."""
        return max(self.radii_mm) * (6.1 if self.kind == "gaussian" else 1.0)

    @property
    def width_mm(self) -> float:
        """Mean full width: two radii, or four standard deviations."""
        return sum(self.radii_mm) * (2.0 if self.kind == "gaussian" else 1.0)

    @property
    def volume_cm3(self) -> float:
        """Signed volume over a flat sheet: d a b (pi/2 - 2/pi), or 2 pi d a b."""
        factor = 2.0 * np.pi if self.kind == "gaussian" else 0.5 * np.pi - 2.0 / np.pi
        return float(factor * self.peak_mm * self.radii_mm[0] * self.radii_mm[1] / 1000.0)

    @property
    def max_slope_mrad(self) -> float:
        """Greatest slope: pi d / 2a, or exp(-1/2) d / a."""
        factor = np.exp(-0.5) if self.kind == "gaussian" else 0.5 * np.pi
        return float(1000.0 * factor * abs(self.peak_mm) / min(self.radii_mm))

    def displacement_mm(self, s: Floats, t: Floats) -> Floats:
        """Displacement along the outward normal."""
        x, y = _local(s, t, self.centre_st, self.angle_rad)
        rr = (x / self.radii_mm[0]) ** 2 + (y / self.radii_mm[1]) ** 2
        if self.kind == "gaussian":
            return np.asarray(self.peak_mm * np.exp(-0.5 * rr))
        r = np.sqrt(np.minimum(rr, 1.0))
        return np.asarray(0.5 * self.peak_mm * (1.0 + np.cos(np.pi * r)))


@dataclass(frozen=True)
class LongDent:
    """A long narrow dent: a cosine across its width, level along it, cosine ends."""

    centre_st: tuple[float, float]
    peak_mm: float
    length_mm: float
    across_mm: float
    angle_rad: float = 0.0
    kind: Literal["long dent"] = "long dent"

    @property
    def _end_mm(self) -> float:
        return min(self.across_mm, 0.5 * self.length_mm)

    @property
    def reach_mm(self) -> float:
        """Distance from the centre beyond which it is nil."""
        return 0.5 * float(np.hypot(self.length_mm, self.across_mm))

    @property
    def width_mm(self) -> float:
        """Full width across."""
        return self.across_mm

    @property
    def volume_cm3(self) -> float:
        """Signed volume over a flat sheet: d (w / 2) (length - one end)."""
        return self.peak_mm * 0.5 * self.across_mm * (self.length_mm - self._end_mm) / 1000.0

    @property
    def max_slope_mrad(self) -> float:
        """Greatest slope, pi d / w."""
        return float(1000.0 * np.pi * abs(self.peak_mm) / self.across_mm)

    def displacement_mm(self, s: Floats, t: Floats) -> Floats:
        """Displacement along the outward normal."""
        x, y = _local(s, t, self.centre_st, self.angle_rad)
        into_end = (np.abs(x) - 0.5 * self.length_mm) / self._end_mm + 1.0
        along = 0.5 * (1.0 + np.cos(np.pi * np.clip(into_end, 0.0, 1.0)))
        across = 0.5 * (1.0 + np.cos(np.pi * np.minimum(2.0 * np.abs(y) / self.across_mm, 1.0)))
        return np.asarray(self.peak_mm * along * across)


@dataclass(frozen=True)
class Ripple:
    """A patch of waves: amplitude cos(2 pi x / wavelength) in a round window.

    x runs along `angle_rad`; the window is full within 0.6 of the radius and smooth to nil.
    """

    centre_st: tuple[float, float]
    peak_mm: float
    wavelength_mm: float
    radius_mm: float
    angle_rad: float = 0.0
    kind: Literal["ripple"] = "ripple"

    @property
    def reach_mm(self) -> float:
        """Distance from the centre beyond which it is nil."""
        return self.radius_mm

    @property
    def width_mm(self) -> float:
        """Full width of the patch."""
        return 2.0 * self.radius_mm

    @property
    def volume_cm3(self) -> float:
        """Signed volume over a flat sheet, by quadrature: next to nil."""
        return _flat_volume_cm3(self)

    @property
    def max_slope_mrad(self) -> float:
        """Slope of the waves, 2 pi A / wavelength."""
        return float(2000.0 * np.pi * abs(self.peak_mm) / self.wavelength_mm)

    def displacement_mm(self, s: Floats, t: Floats) -> Floats:
        """Displacement along the outward normal."""
        x, y = _local(s, t, self.centre_st, self.angle_rad)
        window = smooth_step(0.8 * self.radius_mm - np.hypot(x, y), 0.4 * self.radius_mm)[0]
        wave = np.cos(2.0 * np.pi * x / self.wavelength_mm)
        return np.asarray(self.peak_mm * wave * window)


Defect = Dimple | LongDent | Ripple


def total_displacement_mm(defects: Sequence[Defect], s: Floats, t: Floats) -> Floats:
    """(n,) sum of all displacements at (n,) places, each evaluated only where it reaches."""
    total = np.zeros_like(s)
    for defect in defects:
        reach = defect.reach_mm
        near = np.flatnonzero(
            (np.abs(s - defect.centre_st[0]) <= reach) & (np.abs(t - defect.centre_st[1]) <= reach)
        )
        total[near] += defect.displacement_mm(s[near], t[near])
    return total


def _raster(defect: Defect) -> tuple[Floats, Floats, float]:
    """Midpoints of a fine square raster over a defect, and the area of one square."""
    n = 800
    step = 2.0 * defect.reach_mm / n
    line = step * (np.arange(n) + 0.5) - defect.reach_mm
    s, t = np.meshgrid(line + defect.centre_st[0], line + defect.centre_st[1], indexing="ij")
    return s.ravel(), t.ravel(), step * step


def _flat_volume_cm3(defect: Defect) -> float:
    s, t, area = _raster(defect)
    return float(defect.displacement_mm(s, t).sum() * area / 1000.0)


def planted_volume_cm3(panel: Panel, defect: Defect) -> float:
    """Signed volume between a panel's true form and the form with one defect planted on it.

    Midpoint rule over the part of the defect that lies inside the panel, with the form's own
    area element; the second-order change of area along the normal (d x curvature, under 0.1 %)
    is left out.
    """
    s, t, area = _raster(defect)
    on = panel.inside(s, t)
    s, t = s[on], t[on]
    factor = panel.form.frame(s, t).area_factor
    return float((defect.displacement_mm(s, t) * factor).sum() * area / 1000.0)


def random_defects(
    panel: Panel,
    *,
    count: int,
    seed: int,
    peak_mm: tuple[float, float] = (0.3, 1.8),
    width_mm: tuple[float, float] = (50.0, 200.0),
    clear_mm: float = 40.0,
) -> tuple[Dimple, ...]:
    """Round and oval highs and lows at random places clear of edges, creases and each other.

    Parameters
    ----------
    count : how many to try for; fewer come back where the panel has no room.
    peak_mm, width_mm : ranges of the size of the peak and of the mean full width.
    clear_mm : least sound metal between a defect and anything else.
    """
    rng = np.random.default_rng(seed)
    s0, s1, t0, t1 = panel.extent_mm
    found: list[Dimple] = []
    for _ in range(200 * count):
        if len(found) == count:
            break
        peak = float(rng.uniform(*peak_mm) * rng.choice([-1.0, 1.0]))
        radius = 0.5 * float(rng.uniform(*width_mm))
        oval = float(rng.uniform(0.8, 1.25))
        trial = Dimple(
            centre_st=(float(rng.uniform(s0, s1)), float(rng.uniform(t0, t1))),
            peak_mm=peak,
            radii_mm=(2.0 * radius * oval / (1.0 + oval), 2.0 * radius / (1.0 + oval)),
            angle_rad=float(rng.uniform(0.0, np.pi)),
        )
        room = trial.reach_mm + clear_mm
        apart = all(
            np.hypot(trial.centre_st[0] - d.centre_st[0], trial.centre_st[1] - d.centre_st[1])
            > room + d.reach_mm
            for d in found
        )
        if apart and panel.clearance_mm(*trial.centre_st) > room:
            found.append(trial)
    return tuple(found)
