"""What a scan can see, and for which stages of the work that is enough."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .cells import Cells
from .coverage import Coverage
from .settings import STAGES, Settings, load_settings

# Two one-sided 95 % quantiles: the least that is told from nothing, ISO 11843-1.
_TOLD_FROM_NOTHING = 2.0 * 1.6449
# A Gaussian applied as 2 G - G^2 passes half of a wave of this many of its sigmas.
_HALF_WAVE_SIGMAS = 2.0 * np.pi / 1.5674
_SMOOTHED_GAIN = (1.0 - 2.0 / 3.0 + 1.0 / 8.0) / np.pi
# Integral of 2 x / (1 + x^2m)^2 over x > 0: a surface's share of white noise, over pi (computed).
_SURFACE_GAIN = {2: 0.7854, 3: 0.8061}
_COMFORTABLE = 0.5
_WIDEST_CELL_MM = 12.5
_FINEST_SPACING_MM = 0.1
_LEAST_COVERAGE = 0.6
_GOOD_COVERAGE = 0.85


@dataclass(frozen=True)
class Sight:
    """The least that a scan tells from nothing: a high or low 50 mm wide, and a ripple's slope."""

    height_mm: float
    slope_mrad: float


@dataclass(frozen=True)
class StageFit:
    """Whether a scan will do for a stage.

    verdict : yes | barely | no; reasons, remedies : sentences, as many of each, empty for yes.
    """

    stage: str
    verdict: str
    tolerance_mm: float
    tolerance_mrad: float
    reasons: tuple[str, ...]
    remedies: tuple[str, ...]


def measure_sight(cells: Cells, settings: Settings) -> Sight:
    """What a scan can see, by the noise and number of its points.

    The uncertainty is that of a cell smoothed over the slope's length, with the fair surface's
    own share of the noise on top, as far as that is known before it is laid.
    """
    side = cells.grid.cell_mm
    noise = float(np.nanmedian(cells.error_mm[cells.filled]))
    sigma = settings.slope.smoothing_mm / _HALF_WAVE_SIGMAS / side
    smooth = min(1.0, _SMOOTHED_GAIN / sigma**2) if sigma >= 0.35 else 1.0
    batten = settings.surface.batten_mm
    length = settings.surface.shortest_batten_mm if batten == "auto" else batten
    surface = np.pi * _SURFACE_GAIN[settings.surface.order] * (side / length) ** 2
    window = max(sigma * side, 0.7 * side)
    slope = 1e3 * 1.3 * noise * side / (window**2 * np.sqrt(8.0 * np.pi))
    return Sight(
        float(_TOLD_FROM_NOTHING * noise * np.sqrt(smooth + surface)),
        float(_TOLD_FROM_NOTHING * slope),
    )


def judge_stages(
    cells: Cells, coverage: Coverage, double_share: float, settings: Settings
) -> tuple[StageFit, ...]:
    """Judge a scan for every stage; the run's own stage by the run's own settings."""
    return tuple(
        _judge(
            settings if stage == settings.stage else load_settings(stage),
            cells,
            coverage,
            double_share,
        )
        for stage in STAGES
    )


def _judge(settings: Settings, cells: Cells, coverage: Coverage, double_share: float) -> StageFit:
    sight = measure_sight(cells, settings)
    tolerance = settings.tolerance
    said = [
        _height(sight, tolerance.height_mm, cells),
        _slope(sight, tolerance.slope_mrad, cells),
        _distance(cells),
        _holes(coverage),
        _doubled(double_share),
    ]
    bad = [line for line in said if line[0] != "yes"]
    worst = "no" if any(line[0] == "no" for line in bad) else "barely" if bad else "yes"
    return StageFit(
        settings.stage,
        worst,
        tolerance.height_mm,
        tolerance.slope_mrad,
        tuple(line[1] for line in bad),
        tuple(dict.fromkeys(line[2] for line in bad)),
    )


Said = tuple[str, str, str]
_FINE: Said = ("yes", "", "")


def _height(sight: Sight, tolerance_mm: float, cells: Cells) -> Said:
    share = sight.height_mm / tolerance_mm
    if share <= _COMFORTABLE:
        return _FINE
    return (
        "no" if share > 1.0 else "barely",
        f"sees highs and lows from {sight.height_mm:.2f} mm, tolerance {tolerance_mm:g} mm",
        _closer(share / _COMFORTABLE, cells),
    )


def _slope(sight: Sight, tolerance_mrad: float, cells: Cells) -> Said:
    share = sight.slope_mrad / tolerance_mrad
    if share <= _COMFORTABLE:
        return _FINE
    return (
        "no" if share > 1.0 else "barely",
        f"sees ripple from {sight.slope_mrad:.1f} mrad, tolerance {tolerance_mrad:g} mrad",
        _closer(share / _COMFORTABLE, cells),
    )


def _closer(times: float, cells: Cells) -> str:
    """Both limits go with noise times spacing, so either may be brought down."""
    spacing = cells.spacing_mm / times
    if spacing < _FINEST_SPACING_MM:
        return (
            f"it takes a scanner with less noise than {cells.noise_mm:.2f} mm: a scan denser than "
            f"{_FINEST_SPACING_MM:g} mm will not do it alone"
        )
    return f"scan with points {spacing:.2g} mm apart, or with less noise"


def _distance(cells: Cells) -> Said:
    side = cells.grid.cell_mm
    if side <= _WIDEST_CELL_MM:
        return _FINE
    return (
        "no",
        f"points {cells.spacing_mm:.1f} mm apart do not draw a mark 50 mm wide",
        "scan with points under 4 mm apart, better 1 mm",
    )


def _holes(coverage: Coverage) -> Said:
    if coverage.share >= _GOOD_COVERAGE:
        return _FINE
    return (
        "no" if coverage.share < _LEAST_COVERAGE else "barely",
        f"only {100.0 * coverage.share:.0f} % of the skin was seen",
        "scan the missing parts; dull bare or glossy places with matting spray",
    )


def _doubled(share: float) -> Said:
    if share <= 0.0:
        return _FINE
    return (
        "no" if share > 0.25 else "barely",
        f"{100.0 * share:.1f} % of the skin lies twice",
        "delete the second skin in the scanning program, or scan again without losing the place",
    )
