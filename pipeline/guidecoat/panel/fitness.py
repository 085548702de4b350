"""What a scan can see, and for which stages of the work that is enough."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..numerics.calming import HALF_WAVE_SIGMAS, UNSMOOTHED, calm_cells
from ..settings import STAGES, Settings, ToleranceSettings, load_settings
from ..unrolling.cells import Cells
from ..unrolling.roughness import ROUGH
from .coverage import Coverage

Floats = NDArray[np.float64]

# Two one-sided 95 % quantiles: the least that is told from nothing, ISO 11843-1.
_TOLD_FROM_NOTHING = 2.0 * 1.6449
_DENSER = 0.95
# Integral of 2 x / (1 + x^2m)^2 over x > 0: a surface's share of white noise, over pi (computed).
_SURFACE_GAIN = {2: 0.7854, 3: 0.8061}
# Amplitude of the least ripple over the scatter of a single slope, at 5 % either way: 1.5 to 1.9
# for cells of 3 to 13 mm (computed).
_RIPPLE_TOLD = 1.7
_COMFORTABLE = 0.5
WIDEST_CELL_MM = 12.5
_FINEST_SPACING_MM = 0.1
_LITTLE_OVER = 1.1
_LEAST_COVERAGE = 0.6
_GOOD_COVERAGE = 0.85


@dataclass(frozen=True)
class Sight:
    """The least that a scan tells from nothing.

    height_mm : of a high or low 50 mm wide; slope_mrad : of ripple; wave_mm : the shortest ripple
    of which half is seen; coarse : whether its cells draw no mark 50 mm wide, whatever the noise.
    """

    height_mm: float
    slope_mrad: float
    wave_mm: float
    coarse: bool


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

    The uncertainty of a height is that of a calmed cell, with the fair surface's own share of the
    noise on top; what the surface fails to follow of the panel's form is known only once it is
    laid. A ripple is told by the mean square of its slopes over 18 mm round.
    """
    noise = float(np.nanmedian(cells.error_mm[cells.filled]))
    return _sight(cells.grid.cell_mm, noise, settings)


def _sight(side: float, error_mm: float, settings: Settings) -> Sight:
    """What cells of this side and standard error show."""
    calm = _smoothing(calm_cells(side))
    level = _smoothing(settings.slope.smoothing_mm / HALF_WAVE_SIGMAS / side)
    length = settings.surface.least_batten_mm
    surface = np.pi * _SURFACE_GAIN[settings.surface.order] * (side / length) ** 2
    slope: Floats = np.gradient(level, axis=0)
    return Sight(
        float(_TOLD_FROM_NOTHING * error_mm * np.sqrt((calm**2).sum() + surface)),
        float(_RIPPLE_TOLD * 1e3 * error_mm / side * np.sqrt((slope**2).sum())),
        _half_seen_mm(side, settings.slope.smoothing_mm),
        side > WIDEST_CELL_MM,
    )


def _half_seen_mm(side: float, smoothing_mm: float) -> float:
    """Length of the wave whose slope is read at half its size.

    Averaging over cells passes sinc(s/w) of a wave, the difference over two of them sinc(2 s/w)
    of its slope, and the smoothing 2 g - g^2, g a Gaussian of the smoothing length over 4.01.
    """
    wave = np.linspace(1.0, 20.0, 1901) * max(side, 0.25 * smoothing_mm)
    sigma = smoothing_mm / HALF_WAVE_SIGMAS if smoothing_mm >= UNSMOOTHED * side else 0.0
    once = np.exp(-0.5 * (2.0 * np.pi * sigma / wave) ** 2)
    passed = np.sinc(side / wave) * np.sinc(2.0 * side / wave) * (2.0 * once - once**2)
    # Below two cells a wave folds over into a longer one.
    blind = np.flatnonzero((passed < 0.5) | (wave < 2.0 * side))
    return float(wave[min(blind[-1] + 1, len(wave) - 1)]) if len(blind) else float(wave[0])


def _smoothing(sigma: float) -> Floats:
    """The answer of `2 G - G^2` to a single cell; its sum of squares is what it leaves of white
    noise. Under 0.35 cells nothing is smoothed.
    """
    reach = int(np.ceil(9.0 * max(sigma, 0.5))) + 2
    answer = np.zeros((2 * reach + 1, 2 * reach + 1))
    answer[reach, reach] = 1.0
    if sigma < UNSMOOTHED:
        return answer
    once = ndimage.gaussian_filter(answer, sigma, mode="constant")
    return np.asarray(2.0 * once - ndimage.gaussian_filter(once, sigma, mode="constant"))


def judge_stages(
    cells: Cells,
    coverage: Coverage,
    double_share: float,
    settings: Settings,
    *,
    roughness: float,
    parted: bool,
) -> tuple[StageFit, ...]:
    """Judge a scan for every stage; the run's own stage by the run's own settings.

    Parameters
    ----------
    roughness : how many times more the cells scatter than their points' noise explains;
    parted : whether a lane without points runs right across.
    """
    return tuple(
        _judge(
            settings if stage == settings.stage else load_settings(stage),
            cells,
            coverage,
            double_share,
            roughness,
            parted=parted,
        )
        for stage in STAGES
    )


def _judge(
    settings: Settings,
    cells: Cells,
    coverage: Coverage,
    double_share: float,
    roughness: float,
    *,
    parted: bool,
) -> StageFit:
    said = [
        _noise(settings, cells, roughness),
        _holes(coverage),
        _doubled(double_share),
        _PARTED if parted else _FINE,
    ]
    bad = [line for line in said if line[0] != "yes"]
    worst = "no" if any(line[0] == "no" for line in bad) else "barely" if bad else "yes"
    return StageFit(
        settings.stage,
        worst,
        settings.tolerance.height_mm,
        settings.tolerance.slope_mrad,
        tuple(line[1] for line in bad),
        tuple(dict.fromkeys(line[2] for line in bad)),
    )


Said = tuple[str, str, str]
_FINE: Said = ("yes", "", "")
_PARTED: Said = (
    "barely",
    "a lane without points runs right across",
    "if it is two panels, take one out with `guidecoat crop --box`; if it is one, scan the strip "
    "again",
)


def _noise(settings: Settings, cells: Cells, roughness: float) -> Said:
    tolerance = settings.tolerance
    sight = measure_sight(cells, settings)
    if sight.coarse:
        # What its noise would let it see is beside the point.
        return "no", too_coarse_words(cells), _closer(settings, cells)
    seen = (
        (sight.height_mm, tolerance.height_mm, "highs and lows from {:.2f} mm, tolerance {:g}"),
        (sight.slope_mrad, tolerance.slope_mrad, "ripple from {:.1f} mrad, tolerance {:g}"),
    )
    if _strain(sight, tolerance) <= _COMFORTABLE:
        return _FINE
    poor = [
        text.format(least, limit) for least, limit, text in seen if least / limit > _COMFORTABLE
    ]
    return (
        "no" if _strain(sight, tolerance) > 1.0 else "barely",
        f"sees {' and '.join(poor)}",
        "one clean pass with the scanner's smoothing off, or points rather than a mesh"
        if roughness > ROUGH
        else _closer(settings, cells),
    )


def _strain(sight: Sight, tolerance: ToleranceSettings) -> float:
    """The least that is seen as a share of the tolerance, in height or slope, the worse of both."""
    return max(sight.height_mm / tolerance.height_mm, sight.slope_mrad / tolerance.slope_mrad)


def _closer(settings: Settings, cells: Cells) -> str:
    """How much denser the same scanner would have to scan."""
    share = cells.grid.cell_mm / cells.spacing_mm
    coarse = cells.grid.cell_mm > WIDEST_CELL_MM
    # The standard error of a cell is a little over its points' noise by the root of their number;
    # of one so wide that the panel's form scatters its points, more, which denser points cure.
    over = _LITTLE_OVER
    if not coarse:
        over = float(np.nanmedian(cells.error_mm[cells.filled])) * share / max(cells.noise_mm, 1e-9)
    spacing = min(cells.spacing_mm, WIDEST_CELL_MM / share / _DENSER)
    while spacing > _FINEST_SPACING_MM:
        spacing *= _DENSER
        side = max(settings.cells.smallest_mm, share * spacing)
        error = over * cells.noise_mm * spacing / side
        if _strain(_sight(side, error, settings), settings.tolerance) <= _COMFORTABLE:
            return f"points {spacing:.2f} mm apart" + ("" if coarse else ", or less noise")
    return (
        f"a scanner with less noise than {cells.noise_mm:.2f} mm, since a denser scan alone will "
        "not do"
    )


def too_coarse_words(cells: Cells) -> str:
    """What cells wider than `WIDEST_CELL_MM` come to."""
    return f"points {cells.spacing_mm:.1f} mm apart do not draw a mark 50 mm wide"


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
