"""The order of a comparison: read, lay into one frame, one yardstick, change, progress."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..check import CheckResult, check
from ..doubts.remarks import is_outside, outside_remark
from ..errors import ScanUnfitError, SettingsError
from ..panel.ground import without_tables
from ..registration import Registration, remedy_words, require_observable
from ..registration.rigid import inverse, move
from ..scans.scan import Scan
from ..scans.spacing import estimate_spacing
from ..settings import Settings
from ..unrolling.cells import cell_side_mm
from .advice import advise
from .change import Change, find_change
from .passes import Pass, measure_pass, own_pass, two_skins
from .placing import place_scan, read_pairs
from .progress import Track, as_changed, follow
from .reading import read_alike
from .unseen_dents import doubt_unseen_dents

Floats = NDArray[np.float64]

_Yardstick = tuple[CheckResult, list[Floats], list[Registration | None], str]

_LARGEST_CELL_MM = 50.0
_CUT_BESIDE_MM = 6.0


@dataclass(frozen=True)
class CompareOptions:
    """What a comparison may be told.

    reference : `before`, `after` (the last scan) or a file that lends the fair surface;
    already_aligned : the files share one frame; pairs : CSV of picked points, for two scans only.
    """

    reference: str | Path = "before"
    already_aligned: bool = False
    pairs: Path | None = None


@dataclass(frozen=True, eq=False)
class Comparison:
    """Everything a comparison found; the exporters read it.

    passes : one per scan in the order given, all on one yardstick; T_first : (4, 4) mm per scan,
    its local frame to the first scan's; registrations : of each later scan against the first;
    steps : the change from each pass to the next; whole : from the first to the last.
    """

    passes: tuple[Pass, ...]
    T_first: tuple[Floats, ...]
    registrations: tuple[Registration, ...]
    reference: str
    steps: tuple[Change, ...]
    whole: Change
    tracks: tuple[Track, ...]
    settings: Settings
    warnings: tuple[str, ...]
    timings_s: dict[str, float]

    @property
    def before(self) -> Pass:
        """The first pass."""
        return self.passes[0]

    @property
    def after(self) -> Pass:
        """The last pass."""
        return self.passes[-1]


def compare_files(
    paths: tuple[Path, ...], settings: Settings, options: CompareOptions | None = None
) -> Comparison:
    """Read two or more scans of one panel, in the order they were made, and compare them.

    Raises
    ------
    ScanReadError, ScanUnfitError, SettingsError : with the cause and the remedy.
    """
    started = time.perf_counter()
    scans = read_alike(paths, settings)
    seconds = {"read": time.perf_counter() - started}
    return replace_timings(compare_scans(scans, settings, options), seconds)


def replace_timings(result: Comparison, seconds: dict[str, float]) -> Comparison:
    """The result with further seconds by step in front."""
    return replace(result, timings_s={**seconds, **result.timings_s})


def compare_scans(
    scans: tuple[Scan, ...], settings: Settings, options: CompareOptions | None = None
) -> Comparison:
    """Compare scans in memory, in the order they were made."""
    options = options or CompareOptions()
    if len(scans) < 2:
        raise SettingsError("compare needs two scans at least: the one before and the one after.")
    pairs = None if options.pairs is None else read_pairs(options.pairs)
    if pairs is not None and len(scans) != 2:
        raise SettingsError(
            f"--pairs names points of two scans and {len(scans)} were given: compare two at a time."
        )
    scans, tables = without_tables(scans, outside=settings.outside)
    clock = time.perf_counter()
    first = scans[0]
    T_first: list[Floats] = [np.eye(4)]
    registrations: list[Registration] = []
    for scan in scans[1:]:
        motion, found = _placed(scan, first, pairs, already_aligned=options.already_aligned)
        T_first.append(motion)
        registrations.append(found)
    seconds = {"registration": time.perf_counter() - clock}
    clock = time.perf_counter()
    spread = with_cells_for(settings, scans)
    yardstick, T_yard, placing, name = _yardstick(scans, T_first, registrations, spread, options)
    seconds["fair surface"] = time.perf_counter() - clock
    clock = time.perf_counter()
    passes = tuple(
        own_pass(yardstick)
        if scan is yardstick.scan
        else measure_pass(scan, yardstick, T, found, spread)
        for scan, T, found in zip(scans, T_yard, placing, strict=True)
    )
    steps = tuple(find_change(a, b) for a, b in pairwise(passes))
    whole = steps[0] if len(steps) == 1 else find_change(passes[0], passes[-1])
    tracks = as_changed(follow(passes), steps)
    if name == "before" and settings.stage == "filler":
        tracks, passes = doubt_unseen_dents(tracks, passes, whole)
    tracks, warnings = advise(tracks, passes, whole, registrations, settings)
    later = (w for one in passes if one.scan is not yardstick.scan for w in one.result.warnings)
    seconds["change and progress"] = time.perf_counter() - clock
    return Comparison(
        passes,
        tuple(T_first),
        tuple(registrations),
        name,
        steps,
        whole,
        tracks,
        settings,
        (*tables, *_seen_from(passes[-1], yardstick.warnings), *later, *warnings),
        seconds,
    )


def with_cells_for(settings: Settings, scans: tuple[Scan, ...]) -> Settings:
    """Settings whose cells are large enough for the coarsest of some scans."""
    spacing = max(estimate_spacing(s.points_mm[s.usable]) for s in scans)
    least, most = settings.cells.smallest_mm, settings.largest_cell_mm
    smallest = min(cell_side_mm(spacing, smallest_mm=least, largest_mm=most), _LARGEST_CELL_MM)
    return settings.model_copy(
        update={"cells": settings.cells.model_copy(update={"smallest_mm": smallest})}
    )


def points_of(scan: Scan, motion: Floats) -> Floats:
    """(k, 3) the points of a scan that count, in the frame that (4, 4) a motion brings them to."""
    return move(motion, scan.points_mm[scan.usable].astype(np.float64))


def check_or_cut(scan: Scan, beside: Floats, settings: Settings) -> CheckResult:
    """Check a scan; where it shows more than a panel, check the part that another one shows too.

    Parameters
    ----------
    beside : (n, 3) points of the other scan in this one's local frame, mm.
    """
    try:
        return check(scan, settings)
    except ScanUnfitError as error:
        why = error
    reach = max(_CUT_BESIDE_MM, 3.0 * estimate_spacing(beside.astype(np.float32)))
    gap = cKDTree(beside).query(np.nan_to_num(scan.points_mm), distance_upper_bound=reach)[0]
    near = scan.usable & np.isfinite(gap)
    cut = scan.vertices_among(scan.usable & ~near)
    try:
        result = check(replace(scan, usable=near), settings)
    except ScanUnfitError:
        raise ScanUnfitError(f"{scan.name}: {why}") from why
    note = (
        f"{scan.name} was cut to what the other scan shows too ({cut} points left out): as a whole "
        f"it is no panel to check ({why})"
    )
    return replace(result, warnings=(note, *result.warnings))


def _placed(
    scan: Scan, first: Scan, pairs: tuple[Floats, Floats] | None, *, already_aligned: bool
) -> tuple[Floats, Registration]:
    remedy = remedy_words(pairs=pairs is not None, in_one_frame=already_aligned)
    try:
        motion, found = place_scan(scan, first, pairs=pairs, already_aligned=already_aligned)
        if found.size:
            raise ScanUnfitError(found.size)
        if not already_aligned:
            require_observable(found, remedy)
        if pairs is None:
            found = found.widened()
    except ScanUnfitError as error:
        for one in (scan, first):
            if two_skins(one):
                raise ScanUnfitError(
                    f"{one.name}: it shows two skins, one behind the other, and fits "
                    "nothing. Scan the outside only, or cut the inside off."
                ) from error
        raise ScanUnfitError(f"{scan.name} against {first.name}: {error}") from error
    return motion, found


def _yardstick(
    scans: tuple[Scan, ...],
    T_first: list[Floats],
    registrations: list[Registration],
    settings: Settings,
    options: CompareOptions,
) -> _Yardstick:
    """The check that lends the fair surface; per scan its place on it and what that adds in doubt.

    Registrations are all against the first scan, so on another's yardstick the first one carries
    the doubt and scans between carry both.
    """
    if options.reference == "before":
        try:
            return (
                check(_with_others(scans, T_first, 0), settings),
                T_first,
                [None, *registrations],
                "before",
            )
        except ScanUnfitError as error:
            return _last_instead(scans, T_first, registrations, settings, error)
    if options.reference == "after":
        beside = points_of(scans[0], inverse(T_first[-1]))
        last = _with_others(scans, T_first, len(scans) - 1)
        return _on_last(check_or_cut(last, beside, settings), T_first, registrations)
    (lender,) = read_alike((Path(options.reference),), settings, like=scans[0])
    motion, found = _placed(scans[0], lender, None, already_aligned=options.already_aligned)
    settings = with_cells_for(settings, (*scans, lender))
    result = check_or_cut(lender, points_of(scans[0], motion), settings)
    return result, [motion @ T for T in T_first], [found] * len(scans), lender.name


def _on_last(
    result: CheckResult, T_first: list[Floats], registrations: list[Registration]
) -> _Yardstick:
    """The last scan's surface as the yardstick of all."""
    back = inverse(T_first[-1])
    turned = registrations[-1].inverted()
    doubts = [turned, *[turned] * (len(T_first) - 2), None]
    return result, [back @ T for T in T_first], doubts, "after"


def _last_instead(
    scans: tuple[Scan, ...],
    T_first: list[Floats],
    registrations: list[Registration],
    settings: Settings,
    error: ScanUnfitError,
) -> _Yardstick:
    """Where the first scan is no panel by itself: the last one's surface, or a part of it."""
    try:
        result = check(_with_others(scans, T_first, len(scans) - 1), settings)
    except ScanUnfitError:
        beside = points_of(scans[-1], T_first[-1])
        cut = check_or_cut(_with_others(scans, T_first, 0), beside, settings)
        return cut, T_first, [None, *registrations], "before"
    note = (
        f"{scans[0].name} is no panel to lay a fair surface on ({error}) So all was measured from "
        f"that of {scans[-1].name}, which moves with what was put on."
    )
    result = replace(result, warnings=(note, *result.warnings))
    return _on_last(result, T_first, registrations)


def _with_others(scans: tuple[Scan, ...], T_first: list[Floats], number: int) -> Scan:
    """One of the scans with what the others show of the panel."""
    back = inverse(T_first[number])
    others = [points_of(scan, back @ T_first[k]) for k, scan in enumerate(scans) if k != number]
    return replace(scans[number], elsewhere_mm=np.concatenate(others))


def _seen_from(last: Pass, said: tuple[str, ...]) -> tuple[str, ...]:
    """Remarks with the outside as it lies in the last scan, whose frame all figures are in."""
    outside = outside_remark(last.result.chart, last.scan.name)
    return tuple(outside if is_outside(remark) else remark for remark in said)
