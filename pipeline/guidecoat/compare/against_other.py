"""A panel checked against another one of its kind instead of its own fair surface."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..check import CheckResult
from ..panel.ground import without_tables
from ..registration.rigid import reflection
from ..scans.scan import Scan
from ..settings import Settings
from ..workplan import plan_work
from .at_edges import settle_at_edges
from .comparing import check_or_cut, points_of, with_cells_for
from .difference import LOOK_FIRST, is_others, shape_difference
from .laying import Laid, Told, lay, read_pairs_of
from .outlines import outlines_of
from .parting import refuse_unheld
from .passes import Pass, lay_pass, measure_pass, own_pass
from .reading import read_alike
from .reflecting import mirrored, plane_between, seen_in_own_mirror

Floats = NDArray[np.float64]


def check_like_files(
    path: Path, like: Path, settings: Settings, *, reflected: bool, told: Told | None = None
) -> CheckResult:
    """Read a scan and another panel of its kind, and check the one against the other."""
    started = time.perf_counter()
    scans = read_alike((path, like), settings)
    seconds = {"read": time.perf_counter() - started}
    result = check_like(scans[0], scans[1], settings, reflected=reflected, told=told)
    return replace(result, timings_s={**seconds, **result.timings_s})


def check_like(
    scan: Scan, like: Scan, settings: Settings, *, reflected: bool, told: Told | None = None
) -> CheckResult:
    """Check a scan against another panel of its kind instead of its own fair surface.

    The other panel is laid on this one at the held edges, so that damage longer than the batten,
    which looks like form in one scan, shows.

    Parameters
    ----------
    reflected : the other panel is of the other side.
    told : how the two files lie, where that is known.
    """
    told = told or Told()
    (scan, like), tables = without_tables((scan, like), outside=settings.outside)
    other, laid = _laid(scan, like, told, reflected=reflected)
    motion, found = laid.motion, laid.found
    spread = with_cells_for(settings, (scan, other))
    own = own_pass(check_or_cut(scan, points_of(other, motion), spread))
    for _ in range(2):
        step, sigma = settle_at_edges(own, lay_pass(other, own.result, motion, None, spread))
        motion = step @ motion
    image = measure_pass(other, own.result, motion, None, spread).in_doubt(sigma)
    what = f"{like.name}, {'reflected and ' if reflected else ''}laid on at the held edges"
    result = shape_difference(own, image, settings, against=what)
    kept = tuple(w for w in own.result.warnings if not ("batten" in w or "--like" in w))
    note = (
        f"Measured against {what}: what is wrong with that panel shows here too, with its sign "
        "turned."
    )
    doubt = (found.doubt,) if found.doubt else ()
    result = replace(result, settings=settings, warnings=(*tables, *doubt, note, *kept))
    return _planned(result, own, image)


def _laid(scan: Scan, like: Scan, told: Told, *, reflected: bool) -> tuple[Scan, Laid]:
    """The other panel, reflected where it is of the other side, laid on the scan's."""
    other, flip, near = like, np.eye(4), told.already_aligned
    if reflected and told.already_aligned:
        plane, near = plane_between(scan, like)
        flip = reflection(plane.point, plane.normal)
        other = mirrored(like, plane.point, plane.normal)
    elif reflected:
        other, flip = seen_in_own_mirror(like)
    pairs = read_pairs_of(told, other, flip)
    laid = lay(
        other,
        scan,
        pairs,
        reflected=reflected,
        near=near,
        turn_known=told.already_aligned,
        remedy=told.remedy(),
    )
    if laid.open_ is not None:
        refuse_unheld(laid, outlines_of(scan, other, laid.motion), near=near)
    return other, laid


def _planned(result: CheckResult, own: Pass, other: Pass) -> CheckResult:
    """The result with its work plan, which leaves out what is wrong with the other panel.

    That can be told only of marks that this panel's own fair surface does not follow.
    """
    batten = result.surface.batten_mm
    others = {r.region for r in result.regions if is_others(r, own, other)}
    long = {r.region for r in result.regions if r.width_mm >= batten}
    here = tuple(r for r in result.regions if r.region not in others - long)
    plan = plan_work(replace(result, regions=here))
    planned = {
        r.region: replace(r, action=(LOOK_FIRST if r.region in others else "") + r.action)
        for r in plan.regions
    }
    regions = tuple(planned.get(region.region, region) for region in result.regions)
    return replace(result, plan=plan, regions=regions)
