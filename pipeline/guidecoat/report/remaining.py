"""What is left to do after the last of several scans: its marks by the names they keep, a plan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..check import CheckResult
from ..compare import Comparison, Track
from ..compare.advice import build_mm, left_verdict, stands
from ..compare.progress import OVERDONE
from ..findings.regions import Region
from ..settings import Settings
from ..workplan import plan_work


def remaining(result: Comparison) -> CheckResult:
    """The last scan with a mark for each followed high, low and ripple, and the plan for what
    still stands; what was put on since the first scan is what may be blocked away again.
    """
    after = result.after.result
    standing = [track for track in result.tracks if stands(track)]
    regions = tuple(_named(track, result.settings) for track in standing)
    seen = tuple(
        r
        for k, r in enumerate(regions)
        if not any(_same(r, s) for s in regions[:k]) and not any(_within(r, s) for s in regions)
    )
    build = build_mm(result.tracks, result.after, result.whole, result.settings.stage)
    first = result.before.scan.name
    plan = plan_work(replace(after, regions=seen), build_mm=build, since=first)
    said = {region.region: region.action for region in plan.regions}
    marks = tuple(
        replace(mark, action=said.get(mark.region, _bare(mark.action)))
        for mark in (_named(track, result.settings) for track in result.tracks)
    )
    return replace(after, regions=marks, plan=plan)


def _same(one: Region, other: Region) -> bool:
    """Two followed marks may have grown into one."""
    return (one.kind, one.u_mm, one.v_mm) == (other.kind, other.u_mm, other.v_mm)


def _bare(action: str) -> str:
    """What to do without how it came to that, which the state tells."""
    for word in OVERDONE.values():
        action = action.removeprefix(f"{word}: ")
    return action


def _within(one: Region, other: Region) -> bool:
    """Whether a mark lies under a larger one of its kind, which is worked on as a whole."""
    larger = int(other.core.sum()) > int(one.core.sum())
    return larger and one.kind == other.kind and not (one.core & ~other.core).any()


def _named(track: Track, settings: Settings) -> Region:
    """The mark as it stands now, under the name that it keeps."""
    stand = track.last
    region = replace(stand.region or track.place, region=track.name)
    if stands(track):
        return region
    return replace(
        region,
        # On its way it may have been filled too high: what is over keeps the kind of its name.
        kind=track.kind,
        verdict=left_verdict(track, settings) if np.isfinite(stand.peak_mm) else "undecided",
        peak_mm=stand.peak_mm,
        uncertainty_mm=stand.uncertainty_mm,
        max_slope_mrad=stand.slope_mrad,
    )
