"""Filler in a dent that the first scan's fair surface ran through: it passes for a new high."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..findings.judging import verdict_of
from ..findings.regions import Region
from ..workplan.actions import UNSEEN_DENT
from .change import Change
from .passes import Pass
from .progress import NEW, WORSE, Track

# Of a high's core: all but the rim that is feathered out under the noise (choice).
_WHOLLY = 0.95


def doubt_unseen_dents(
    tracks: tuple[Track, ...], passes: tuple[Pass, ...], whole: Change
) -> tuple[tuple[Track, ...], tuple[Pass, ...]]:
    """New and grown highs undecided where they are all filler, as thick as they stand proud, and
    as broad as the batten; the last pass' regions and verdict with them.

    A batten follows a dent as long as itself. On a fair surface that does, the metal lies level and
    what fills the dent stands proud by its whole thickness, just as filler on sound metal would.

    Parameters
    ----------
    passes : on the fair surface of the first one; whole : the change from the first to the last.
    """
    last = passes[-1]
    told: dict[int, Region] = {}
    followed = []
    for track in tracks:
        region = track.last.region
        if region is None or not _may_be_unseen(track, region, last, whole):
            followed.append(track)
            continue
        doubted = told[id(region)] = replace(region, verdict="undecided", doubt=UNSEEN_DENT)
        stand = replace(track.last, region=doubted)
        followed.append(replace(track, stands=(*track.stands[:-1], stand)))
    if not told:
        return tracks, passes
    regions = tuple(told.get(id(region), region) for region in last.result.regions)
    visible, settings = last.result.smallest_visible_mm, last.result.settings
    result = replace(last.result, regions=regions, verdict=verdict_of(regions, visible, settings))
    return tuple(followed), (*passes[:-1], replace(last, result=result))


def _may_be_unseen(track: Track, region: Region, last: Pass, whole: Change) -> bool:
    """Whether a high may be filler in a dent that the fair surface ran through."""
    if region.kind != "high" or region.edge or track.last.state not in (NEW, WORSE):
        return False
    batten = {face.face: face.batten_mm for face in last.result.fair.faces}
    labels = last.result.faces.label[region.core]
    if region.width_mm < batten.get(int(np.bincount(labels).argmax()), np.inf):
        return False
    fresh = whole.compared & whole.changed & (whole.smooth_mm > 0.0)
    then = last.result.deviation.smooth_mm - whole.smooth_mm
    known = region.core & np.isfinite(then)
    if fresh[region.core].mean() < _WHOLLY or not known.any():
        return False
    tolerance = last.result.settings.tolerance.height_mm
    return bool(np.median(np.abs(then[known])) <= tolerance)
