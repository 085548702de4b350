"""One panel's shape against another's, on one yardstick, as a result like a check's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..check import CheckResult, SurfaceFacts
from ..doubts.ripple_doubts import doubt_ripple
from ..errors import ScanUnfitError
from ..findings.judging import status_of, verdict_of
from ..findings.marks import find_marks
from ..findings.regions import Region, measure_regions
from ..measuring.blind import NOISE
from ..measuring.counts import judged_points
from ..measuring.deviation import CellDeviation, Deviation
from ..rules import GUARD
from ..settings import Settings
from ..workplan.actions import with_actions
from .passes import Pass, found_of
from .pointwise import point_changes

Floats = NDArray[np.float64]

_LEAST_SHARED = 0.1
_OTHERS_SHARE = 0.6
LOOK_FIRST = (
    "look first whether it is the other panel's: so long a mark this one alone can't tell; "
)


def shape_difference(
    subject: Pass, other: Pass, settings: Settings, *, against: str, differ: bool = False
) -> CheckResult:
    """Where the subject stands above (+) or below the other panel, along the yardstick's normal.

    Parameters
    ----------
    against : what the panel is measured against, for people.
    differ : whether the two differ in form all over, so that neither can be told to be wrong.

    Raises
    ------
    ScanUnfitError : the two share too little of the panel.
    """
    base, cells = subject.result, subject.result.cells
    found = _apart(subject, other)
    marks = find_marks(found, cells, settings.tolerance)
    regions = measure_regions(
        marks,
        found,
        cells,
        base.chart,
        subject.scan,
        tuple(line.edge for line in base.edges),
        settings.tolerance,
        label=base.faces.label,
    )
    regions = doubt_ripple(regions, found, cells, settings)
    regions = tuple(
        _with_both(r, subject, other, differ) for r in with_actions(regions, settings.stage)
    )
    visible = 2.0 * GUARD * float(np.nanmedian(found.sigma_mm[found.judged]))
    deviation = _as_deviation(found, subject, other, regions)
    surface = SurfaceFacts(
        base.surface.batten_mm, f"not a batten but {against}", base.surface.order, against
    )
    return replace(
        base,
        surface=surface,
        deviation=deviation,
        regions=regions,
        verdict=verdict_of(regions, visible, settings),
        smallest_visible_mm=visible,
        blurred_by=NOISE,
        points=replace(base.points, judged=judged_points(base.scan, deviation.point_status)),
        plan=None,  # that of the subject's own highs and lows
    )


def _apart(subject: Pass, other: Pass) -> CellDeviation:
    """How far the subject's cells stand off the other's, both measured from the yardstick."""
    own, ref = found_of(subject.result), found_of(other.result)
    judged = own.judged & ref.judged
    if judged.sum() < _LEAST_SHARED * own.judged.sum():
        raise ScanUnfitError(
            f"{subject.scan.name} and {other.scan.name} share "
            f"{judged.sum() / max(int(own.judged.sum()), 1):.0%} of the panel, "
            f"{_LEAST_SHARED:.0%} are needed. Scan more of both."
        )
    cell = np.where(judged, subject.off_mm - other.off_mm, np.nan)
    smooth = np.where(judged, own.smooth_mm - ref.smooth_mm, np.nan)
    # Both carry the doubt of the one surface they are measured from; it falls out.
    apart = own.sigma_mm**2 - own.surface_sigma_mm**2 + ref.sigma_mm**2 - ref.surface_sigma_mm**2
    sigma = np.where(judged, np.sqrt(np.maximum(apart, 0.0)), np.nan)
    _, (i, j) = ndimage.distance_transform_edt(~judged, return_indices=True)
    slope_u, slope_v = np.gradient(smooth[i, j], subject.result.cells.grid.cell_mm)
    slope = np.where(judged, 1e3 * np.hypot(slope_u, slope_v), np.nan)
    slope_sigma = float(np.hypot(own.slope_sigma_mrad, ref.slope_sigma_mrad))
    return CellDeviation(
        cell, smooth, sigma, 0.0 * sigma, slope, slope_sigma, judged, own.slope_window_mm
    )


def _as_deviation(
    found: CellDeviation, subject: Pass, other: Pass, regions: tuple[Region, ...]
) -> Deviation:
    """What was found on the cells, with every point of the subject on top of it."""
    base, cells = subject.result, subject.result.cells
    status = status_of(subject.skin, base.faces, found, regions)
    points = point_changes(np.where(found.judged, other.off_mm, np.nan), subject)
    code = np.full(len(points), 255, np.uint8)
    there = np.isfinite(subject.charted.uvh[:, 0])
    at = cells.grid.index(*subject.charted.uvh[there, :2].T)
    code[there] = status[at]
    code[(code < 4) & ~np.isfinite(points)] = 255
    points[code >= 4] = np.nan
    return found.with_points(status, points, code, base.deviation.not_judged)


def _with_both(region: Region, subject: Pass, other: Pass, differ: bool) -> Region:
    """A difference may be the other panel's fault: say how each stands at the peak."""
    one, two = _both_mm(region, subject, other)
    if is_others(region, subject, other):
        kind = "high" if two > 0.0 else "low"
        said = (
            f"this side's own form or the other's {kind}: find out which side is right"
            if differ
            else f"the other panel's {kind}, not this one's: look there"
        )
    else:
        said = region.action
    one, two = (round(value, 2) + 0.0 for value in (one, two))
    return replace(region, action=f"{said} (this {one:+.2f}, other {two:+.2f} mm)")


def is_others(region: Region, subject: Pass, other: Pass) -> bool:
    """Whether it is the other panel that is off the subject's fair surface there."""
    one, two = _both_mm(region, subject, other)
    return abs(two) > _OTHERS_SHARE * abs(region.peak_mm) > 2.0 * abs(one)


def _both_mm(region: Region, subject: Pass, other: Pass) -> tuple[float, float]:
    return (
        float(subject.result.deviation.smooth_mm[_cell_at(region, subject)]),
        float(other.result.deviation.smooth_mm[_cell_at(region, other)]),
    )


def _cell_at(region: Region, one: Pass) -> tuple[int, int]:
    i, j = one.result.cells.grid.index(np.array([region.u_mm]), np.array([region.v_mm]))
    return int(i[0]), int(j[0])
