"""Every high and low followed from pass to pass: fixed, improved, unchanged, worse or new."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..findings.marks import Mark, clear_of, slope_amplitude
from ..findings.regions import Region, measure_regions, verdict_at
from ..measuring.deviation import CellDeviation
from ..rules import GUARD
from ..settings import ToleranceSettings
from .change import Change
from .passes import Pass, found_of

Mask = NDArray[np.bool_]

FIXED, IMPROVED, UNCHANGED, WORSE, NEW, NOT_SEEN, NOT_CONFIRMED = (
    "fixed",
    "improved",
    "unchanged",
    "worse",
    "new",
    "not seen",
    "not confirmed",
)
# In words, a place that went through the fair surface and out of tolerance on the other side.
OVERDONE = {"high": "filled proud", "low": "taken down too far"}
_SEEN = 0.5
# A high lies where a low was, or the other way round, if it shares so much of the smaller core.
_SAME_PLACE = 0.5
# Share of a slope: by less, two scans of the same ripple may differ (choice).
_SLOPE_DOUBT = 0.1
# What lies to so large a part beyond a mark's place is no more that mark, with its peak beyond it
# too or wherever that is: filler over much of a panel covers many.
_BEYOND, _FAR_BEYOND = 0.5, 0.8


@dataclass(frozen=True, eq=False)
class Stand:
    """How a followed region stands in one pass.

    region : what was found there in this pass, or None; of what reaches far beyond its place, the
    part that lies there, as at the spot where the region was worst; peak_mm and uncertainty_mm
    (k = 2) at its place; slope_mrad : greatest there (decides for ripple); state : against the pass
    before, empty in the pass where it was first found; turned : a low became a high out of
    tolerance at the same place, or the other way round.
    """

    region: Region | None
    peak_mm: float
    uncertainty_mm: float
    slope_mrad: float
    state: str
    turned: bool = False


@dataclass(frozen=True, eq=False)
class Track:
    """One high, low or patch of ripple through all passes.

    name, kind : its name in every table and what it was, both from the pass that found it first
    (a low that was overfilled keeps them); stands : one per pass, None before it was found.
    """

    name: str
    kind: str
    place: Region
    stands: tuple[Stand | None, ...]

    @property
    def last(self) -> Stand:
        """How it stands now."""
        stand = self.stands[-1]
        assert stand is not None
        return stand

    @property
    def was(self) -> Stand | None:
        """How it stood in the pass before the last, None if it is new."""
        return self.stands[-2]


@dataclass(eq=False)
class _Open:
    """A track while it is being followed."""

    name: str
    kind: str
    place: Region
    stands: list[Stand | None]


def follow(passes: tuple[Pass, ...]) -> tuple[Track, ...]:
    """Follow the regions of two or more passes, in the order they were found.

    A region keeps its name as long as something of its kind overlaps its footprint, or something
    of the opposite kind takes its place. What reaches far beyond that place, such as filler over
    much of the panel, is a region of its own, and the one it covers is followed where it was.
    """
    tracks: list[_Open] = []
    for number, one in enumerate(passes):
        regions = one.result.regions
        owners = _owners(tracks, regions, one)
        for track in tracks:
            own = [r for r, owner in zip(regions, owners, strict=True) if owner is track]
            track.stands.append(_stand(track, own, regions, one))
            if own:
                track.place = _largest(own)
        for region, owner in zip(regions, owners, strict=True):
            if owner is None:
                name = _next_name(tracks, region)
                first = Stand(
                    region,
                    region.peak_mm,
                    region.uncertainty_mm,
                    region.max_slope_mrad,
                    NEW if number else "",
                )
                tracks.append(_Open(name, region.kind, region, [None] * number + [first]))
    return tuple(Track(t.name, t.kind, t.place, tuple(t.stands)) for t in tracks)


def as_changed(tracks: tuple[Track, ...], steps: tuple[Change, ...]) -> tuple[Track, ...]:
    """Tracks that are neither better nor worse where no change was found: the scans differ there.
    What was undecided at most and is gone without a change was not fixed: it is not confirmed.

    Parameters
    ----------
    steps : what changed from each pass to the next. The bands along edges are in none.
    """
    return tuple(
        replace(
            track,
            stands=(
                track.stands[0],
                *(_unless_changed(track, k, steps[:k]) for k in range(1, len(track.stands))),
            ),
        )
        for track in tracks
    )


def _unless_changed(track: Track, number: int, steps: tuple[Change, ...]) -> Stand | None:
    """How a track stands in a pass, by what changed in the steps up to it."""
    stand = track.stands[number]
    if stand is not None and stand.state == FIXED:
        core = track.place.core
        sure = any(s and s.region and s.region.verdict == "out" for s in track.stands[:number])
        mended = sure or any(step.changed[core].any() for step in steps)
        return stand if mended else replace(stand, state=NOT_CONFIRMED)
    if stand is None or stand.turned or track.place.edge:
        return stand
    core = (stand.region or track.place).core
    if stand.state not in (IMPROVED, WORSE) or steps[-1].changed[core].any():
        return stand
    return replace(stand, state=UNCHANGED)


def _owners(tracks: list[_Open], regions: tuple[Region, ...], one: Pass) -> list[_Open | None]:
    """For every region the track that it overlaps most, None where it is new.

    What no track of its kind claims goes on with the one whose place it has taken.
    """
    owners = [_most([_shared(t, r, one) * _alike(t, r) for t in tracks], tracks) for r in regions]
    free = [t for t in tracks if not any(t is owner for owner in owners)]
    for k, region in enumerate(regions):
        if owners[k] is None:
            shared = [
                int((region.core & t.place.core).sum())
                * (_turned(t, region) and not _beyond(t, region, one))
                for t in free
            ]
            owners[k] = _most(shared, free)
    return owners


def _most(shared: list[int], tracks: list[_Open]) -> _Open | None:
    best = int(np.argmax(shared)) if shared else 0
    return tracks[best] if shared and shared[best] > 0 else None


def _shared(track: _Open, region: Region, one: Pass) -> int:
    """How much of a track's place a region takes; nothing where it lies beyond it."""
    if _beyond(track, region, one):
        return 0
    return int((region.footprint & track.place.footprint).sum())


def _beyond(track: _Open, region: Region, one: Pass) -> bool:
    """Whether a high or low is no more what was at a track's place, but reaches far beyond it."""
    if region.kind == "ripple" or track.place.edge:
        return False
    share = float((region.core & ~track.place.footprint).sum()) / max(int(region.core.sum()), 1)
    peak = one.result.cells.grid.index(np.array([region.u_mm]), np.array([region.v_mm]))
    return share > (_BEYOND if not track.place.core[peak][0] else _FAR_BEYOND)


def _alike(track: _Open, region: Region) -> bool:
    return track.place.kind == region.kind


def _turned(track: _Open, region: Region) -> bool:
    """Whether a region lies on the opposite side of the fair surface where the track was."""
    if {track.place.kind, region.kind} != {"high", "low"}:
        return False
    smaller = min(int(track.place.core.sum()), int(region.core.sum()))
    return int((track.place.core & region.core).sum()) >= _SAME_PLACE * smaller


def _largest(regions: list[Region]) -> Region:
    return max(regions, key=lambda r: (abs(r.peak_mm), r.max_slope_mrad))


def _stand(track: _Open, own: list[Region], regions: tuple[Region, ...], one: Pass) -> Stand:
    """How a track stands in a pass, from its region there or from what lies at its place."""
    was = track.stands[-1]
    assert was is not None
    if own:
        return _standing(track, _largest(own), was)
    # A track that lost its place to what grew over several has its share of that.
    taken = [r for r in regions if r.verdict == "out" and _turned(track, r)]
    grown = [r for r in regions if _alike(track, r) and _beyond(track, r, one)]
    over = [r for r in taken + grown if (r.footprint & track.place.core).any()]
    if over and (stand := _covered(track, _largest(over), one)) is not None:
        return stand
    core, skin = track.place.core, one.skin
    joined = [r for r in regions if _alike(track, r) and (r.footprint & core).any()]
    there, found = _clear(track, regions, one)
    if there.sum() >= _SEEN * core.sum():
        return _left(track, joined, there, found, one)
    if track.place.edge and (core & skin).sum() >= _SEEN * core.sum():
        # The band along an edge is looked at for knocks only: there is none over the tolerance now.
        return Stand(None, np.nan, np.nan, np.nan, FIXED)
    return Stand(None, np.nan, np.nan, np.nan, NOT_SEEN)


def _clear(track: _Open, regions: tuple[Region, ...], one: Pass) -> tuple[Mask, CellDeviation]:
    """Where a track's place was judged, and what was found there. No ripple can be told on and
    close by highs and lows, whose flanks are steeper than any.
    """
    found = found_of(one.result)
    there = track.place.core & np.isfinite(found.smooth_mm)
    if track.place.kind == "ripple":
        marks = [region for region in regions if region.kind != "ripple"]
        found = clear_of(marks, found, one.result.cells)
        there &= found.judged
    return there, found


def _left(
    track: _Open, joined: list[Region], there: Mask, found: CellDeviation, one: Pass
) -> Stand:
    """How a track stands by what is left at its place, where no region goes on with it."""
    was, kind = track.stands[-1], track.place.kind
    assert was is not None
    left = _at_place(track, there, found, one, whole=bool(joined))
    state = _state(kind, was, *left)
    if not joined and not may_be_out(kind, *left, one.result.settings.tolerance):
        # Within tolerance now; whether somebody mended it or the scans differ is another matter.
        state = FIXED if was.state == FIXED or state == IMPROVED else UNCHANGED
    return Stand(joined[0] if joined else None, *left, state)


def may_be_out(
    kind: str, peak_mm: float, uncertainty_mm: float, slope_mrad: float, limit: ToleranceSettings
) -> bool:
    """Whether what is left where no mark was found any more may be out of tolerance yet: from the
    height on from which a mark may be, or steeper than ripple may be.
    """
    if kind == "ripple":
        return slope_mrad > limit.slope_mrad
    guarded = limit.height_mm - GUARD * 0.5 * uncertainty_mm
    return abs(peak_mm) > max(guarded, 0.5 * limit.height_mm)


def _standing(track: _Open, now: Region, was: Stand) -> Stand:
    """How a track stands by its region in a pass."""
    turned = now.kind != track.place.kind and now.verdict == "out"
    found = now.peak_mm, now.uncertainty_mm, now.max_slope_mrad
    state = _state(now.kind, was, *found)
    if turned and state == UNCHANGED and was.peak_mm * now.peak_mm < 0.0:
        # As far off as before, but on the other side: what was done there did not help.
        state = WORSE
    return Stand(now, *found, state, turned)


def _covered(track: _Open, over: Region, one: Pass) -> Stand | None:
    """How a track stands under what reaches beyond its place: as the skin does where it was worst,
    None where that was not seen.
    """
    was = track.stands[-1]
    assert was is not None
    result, place = one.result, track.place
    at = result.cells.grid.index(np.array([place.u_mm]), np.array([place.v_mm]))
    peak = float(result.deviation.smooth_mm[at][0])
    sigma = float(result.deviation.cell_sigma_mm[at][0])
    if not np.isfinite(peak) or track.kind == "ripple":
        return None
    tolerance = result.settings.tolerance
    verdict = verdict_at(abs(peak), sigma, tolerance.height_mm)
    here = over.footprint & place.footprint
    (part,) = measure_regions(
        [Mark(over.kind, over.core & here, here)],
        found_of(result),
        result.cells,
        result.chart,
        one.scan,
        (),
        tolerance,
        label=result.faces.label,
    ) or (None,)
    if verdict != "out" or part is None:
        state = _state(place.kind, was, peak, 2.0 * sigma, over.max_slope_mrad)
        settled = FIXED if verdict == "in" and state == IMPROVED else state
        return Stand(None, peak, 2.0 * sigma, over.max_slope_mrad, settled)
    spot = np.array([[place.u_mm, place.v_mm, float(result.cells.height_mm[at][0])]])
    x, y, z = (float(v) for v in one.scan.to_file_frame(result.chart.to_space(spot))[0])
    part = replace(
        part,
        verdict=verdict,
        kind="high" if peak > 0.0 else "low",
        peak_mm=peak,
        uncertainty_mm=2.0 * sigma,
        x=x,
        y=y,
        z=z,
        u_mm=place.u_mm,
        v_mm=place.v_mm,
        from_edges=place.from_edges,
    )
    return _standing(track, part, was)


def _at_place(
    track: _Open, there: Mask, found: CellDeviation, one: Pass, *, whole: bool
) -> tuple[float, float, float]:
    """How far a track's place is off, the uncertainty (k = 2) of that, and the greatest slope.

    Told of the spot where it was worst, as the row of a mark is; what stands off beside it on the
    other side is another mark's. Of a ripple, of one grown into another (`whole`), and where the
    spot was not seen, it is what stands off most on the place's own side.
    """
    place, value = track.place, found.smooth_mm
    spot = one.result.cells.grid.index(np.array([place.u_mm]), np.array([place.v_mm]))
    if place.kind == "ripple":
        off = np.abs(value)
        slopes = slope_amplitude(found, one.result.cells, there)
    else:
        off = -value if place.kind == "low" else value
        slopes = found.slope_mrad
    at = np.unravel_index(int(np.where(there, off, -np.inf).argmax()), off.shape)
    if place.kind != "ripple" and not whole and there[spot][0]:
        at = (spot[0][0], spot[1][0])
    return float(value[at]), 2.0 * float(found.sigma_mm[at]), float(np.nanmax(slopes[there]))


def _state(kind: str, was: Stand, peak: float, uncertainty: float, slope: float) -> str:
    """Improved or worse only where the difference is beyond its expanded uncertainty.

    What was fixed and is back is worse.
    """
    if was.state == FIXED:
        return WORSE
    if not np.isfinite(was.peak_mm):
        return UNCHANGED
    if kind == "ripple":
        less = was.slope_mrad - slope
        doubt = _SLOPE_DOUBT * was.slope_mrad
    else:
        sign = -1.0 if kind == "low" else 1.0
        # Across the fair surface, what counts is how far off it is.
        away = was.peak_mm if sign * was.peak_mm > 0.0 or was.region is None else -was.peak_mm
        less = sign * (away - peak)
        doubt = float(np.hypot(was.uncertainty_mm, uncertainty))
    if abs(less) <= doubt:
        return UNCHANGED
    return IMPROVED if less > 0.0 else WORSE


def _next_name(tracks: list[_Open], region: Region) -> str:
    """The region's own name in the first pass; later the next free number of its kind."""
    letter = region.region[0]
    taken = [int(t.name[1:]) for t in tracks if t.name[0] == letter]
    return f"{letter}{max(taken, default=0) + 1}"
