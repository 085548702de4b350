"""What is left to do after the last of several scans: its marks by the names they keep, a plan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..check import CheckResult
from ..compare import Comparison, Track
from ..compare.advice import BARE_SHARE, SURE
from ..compare.progress import FIXED
from ..regions import Region
from ..workplan import plan_work

Floats = NDArray[np.float64]


def remaining(result: Comparison) -> CheckResult:
    """The last scan with a mark for each followed high, low and ripple, and the plan for what
    still stands; what was put on since the first scan is what may be blocked away again.
    """
    after = result.after.result
    standing = [track for track in result.tracks if _stands(track)]
    regions = tuple(_named(track) for track in standing)
    seen = tuple(r for k, r in enumerate(regions) if not any(_same(r, s) for s in regions[:k]))
    plan = plan_work(replace(after, regions=seen), build_mm=_build_mm(result, seen))
    said = {region.region: region.action for region in plan.regions}
    marks = tuple(
        replace(mark, action=said.get(mark.region, mark.action))
        for mark in (_named(track) for track in result.tracks)
    )
    return replace(after, regions=marks, plan=plan)


def _stands(track: Track) -> bool:
    return track.last.region is not None and track.last.state != FIXED


def _same(one: Region, other: Region) -> bool:
    """Two followed marks may have grown into one."""
    return (one.kind, one.u_mm, one.v_mm) == (other.kind, other.u_mm, other.v_mm)


def _named(track: Track) -> Region:
    """The mark as it stands now, under the name that it keeps."""
    stand = track.last
    region = replace(stand.region or track.place, region=track.name)
    if _stands(track):
        return region
    return replace(
        region,
        verdict="in" if np.isfinite(stand.peak_mm) else "undecided",
        peak_mm=stand.peak_mm,
        uncertainty_mm=stand.uncertainty_mm,
        max_slope_mrad=stand.slope_mrad,
    )


def _build_mm(result: Comparison, regions: tuple[Region, ...]) -> Floats:
    """(nu, nv) mm put on since the first scan, NaN where the two scans do not tell.

    Under a high that blocking would go through somewhere, beyond doubt, it is what may be taken
    off before that: its peak less what would be missing.
    """
    whole, deviation = result.whole, result.after.result.deviation
    # What is not beyond noise was not put on.
    put_on = np.where(whole.changed, np.maximum(whole.smooth_mm, 0.0), 0.0)
    build = np.where(whole.compared, put_on, np.nan)
    doubt = SURE * np.hypot(deviation.cell_sigma_mm, whole.sigma_mm)
    spare = build - deviation.smooth_mm + doubt
    for region in regions:
        here = region.core & np.isfinite(spare)
        if region.kind == "high" and whole.changed[here].any():
            least = float(np.quantile(spare[here], BARE_SHARE))
            peak = region.peak_mm
            build[here] = max(peak + least, 0.0) if least < 0.0 else np.maximum(build[here], peak)
    return build
