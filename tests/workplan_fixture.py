"""A flat panel that was really checked, with highs and lows of known shape put on its cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check
from guidecoat.findings.regions import Region
from guidecoat.settings import load_settings
from guidecoat.synthetic import flat_panel, scan_panel, to_scan

Floats = NDArray[np.float64]

LENGTH_MM, WIDTH_MM = 600.0, 400.0


@dataclass(frozen=True)
class Planted:
    """A cosine mark: height (1 + cos(pi r)) / 2, r the distance from its centre over its radii.

    Its volume is height * radius_u * radius_v * (pi / 2 - 2 / pi).
    """

    name: str
    u: float
    v: float
    height_mm: float
    radius_u: float = 50.0
    radius_v: float = 50.0
    verdict: str = "out"

    @property
    def volume_mm3(self) -> float:
        return self.height_mm * self.radius_u * self.radius_v * (np.pi / 2.0 - 2.0 / np.pi)

    def shape(self, u: Floats, v: Floats) -> Floats:
        r = np.hypot((u - self.u) / self.radius_u, (v - self.v) / self.radius_v)
        inside = 0.5 * (1.0 + np.cos(np.pi * np.minimum(r, 1.0)))
        return np.asarray(self.height_mm * np.where(r < 1.0, inside, 0.0))


@cache
def sound_panel() -> CheckResult:
    """A flat panel without a mark; its chart's origin is near its middle."""
    panel = flat_panel(length_mm=LENGTH_MM, width_mm=WIDTH_MM)
    scan = scan_panel(panel, spacing_mm=2.5, noise_mm=0.005, seed=11)
    result = check(to_scan(scan, normals=True), load_settings("metal"))
    assert not result.regions
    return result


def with_marks(marks: Sequence[Planted], *, stage: str = "metal") -> CheckResult:
    """The sound panel with these marks and nothing else on it."""
    result = replace(sound_panel(), settings=load_settings(stage))
    grid = result.cells.grid
    u, v = np.meshgrid(grid.u_mm, grid.v_mm, indexing="ij")
    judged = np.isfinite(result.deviation.smooth_mm)
    height = np.zeros(u.shape)
    regions = []
    for mark in marks:
        own = mark.shape(u, v)
        height = np.where(np.abs(own) > np.abs(height), own, height)
        regions.append(_region(mark, own, judged, grid.cell_mm))
    height = np.where(judged, height, np.nan)
    deviation = replace(result.deviation, smooth_mm=height, cell_mm=height)
    verdict = "out" if any(r.verdict == "out" for r in regions) else "undecided"
    return replace(
        result, deviation=deviation, regions=tuple(regions), verdict=verdict if marks else "in"
    )


def _region(mark: Planted, own: Floats, judged: NDArray[np.bool_], cell_mm: float) -> Region:
    footprint = (own != 0.0) & judged
    kind = {"H": "high", "L": "low", "R": "ripple"}[mark.name[0]]
    radii = (2.0 * mark.radius_u, 2.0 * mark.radius_v)
    return Region(
        region=mark.name,
        kind=kind,
        verdict=mark.verdict,
        peak_mm=mark.height_mm,
        uncertainty_mm=0.02,
        mean_mm=float(own[footprint].mean()),
        area_cm2=float(footprint.sum()) * cell_mm**2 / 100.0,
        volume_cm3=float(own[footprint].sum()) * cell_mm**2 / 1000.0,
        length_mm=max(radii),
        width_mm=min(radii),
        max_slope_mrad=1e3 * np.pi * abs(mark.height_mm) / min(radii),
        x=mark.u,
        y=mark.v,
        z=0.0,
        u_mm=mark.u,
        v_mm=mark.v,
        from_edges="near the middle",
        action="",
        core=(np.abs(own) > 0.5 * abs(mark.height_mm)) & judged,
        footprint=footprint,
    )
