"""What a comparison tells a bodyworker: build against its limits, highs with nothing under them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..registration import Registration
from ..rules import MM_PER_UM
from ..settings import Settings
from ..workplan.actions import UNSEEN_DENT, decide
from .change import Change
from .passes import Pass
from .progress import FIXED, NOT_CONFIRMED, NOT_SEEN, OVERDONE, Track, may_be_out

Floats = NDArray[np.float64]

_COATED = ("filler", "primer", "paint")
_BROAD_FILL = (
    "If filler was put on over much of the panel, scan both in one frame and use --already-aligned."
)
_ALL_OVER = (
    ", and what went on all over alike does not show unless both scans share one frame "
    "(--already-aligned)"
)
# Smaller holes are no matter (choice).
_TOLD_CM2 = 1.0
SURE = 2.0
"""So many standard uncertainties make a build, or what is missing of one, more than noise."""
# Less taken off a sheet of 0.7 to 0.9 mm is no matter (choice).
_SEEN_TAKEN_OFF_MM = 0.1
BARE_SHARE = 0.02
"""A high of whose core a larger share stands barer than what was put on is blocked through."""


def advise(
    tracks: tuple[Track, ...],
    passes: tuple[Pass, ...],
    whole: Change,
    registrations: list[Registration],
    settings: Settings,
) -> tuple[tuple[Track, ...], tuple[str, ...]]:
    """Tracks with what to do about each written into its region, and warnings.

    `whole` is the change from the first pass to the last: what lies on the panel as it was.
    """
    build = build_mm(tracks, passes[-1], whole, settings.stage)
    first = passes[0].scan.name
    placed = tuple(in_last_frame(track, passes) for track in tracks)
    advised = tuple(_advised(track, placed, passes[-1], build, settings, first) for track in placed)
    through = _through(advised, passes[-1], whole, settings, first)
    warnings = [*_thickness(whole, settings), *through, *_taken_off(whole, first)]
    for scan, found in zip(passes[1:], registrations, strict=True):
        loose = [w.describe() for w in found.weak_directions if w.held_by != "nothing"]
        if loose:
            warnings.append(
                f"{scan.scan.name}: the panel's shape holds the scans loosely "
                f"({'; '.join(loose)}). Marks may be off along the panel by that much; heights "
                "carry it in their doubt."
            )
        warnings += [f"{scan.scan.name}: {words}" for words in found.doubts("change", _BROAD_FILL)]
        if found.hangs:
            warnings.append(
                f"{scan.scan.name}: what is left over ({found.scatter_mm:.2f} mm, noise is "
                f"{found.noise_mm:.2f} mm) hangs together over wide patches, as where a coat went "
                "on all over: the placing may be tilted or slid, and most of that coat taken for "
                f"placing. Its doubt is widened for that. {_BROAD_FILL}"
            )
        if not found.converged:
            warnings.append(
                f"{scan.scan.name}: the last settling of the scans did not come to rest; look at "
                "unchanged places of the change map before trusting it, or give --pairs."
            )
    warnings += _unseen(whole)
    if not whole.changed.any():
        warnings.append(_no_change(whole, settings, registrations))
    return advised, tuple(warnings)


def _no_change(whole: Change, settings: Settings, registrations: list[Registration]) -> str:
    """What finding no change means: what would not show."""
    words = f"No change was found; a change has to be over about {whole.least_mm:.2f} mm to show"
    if whole.hides_mm(settings.tolerance.height_mm):
        words += (
            ", which is more than the tolerance: the scans differ by as much all over the panel. "
            "Support it alike for both, and look at change.png before trusting either"
        )
    if any(np.isfinite(found.noise_mm) for found in registrations):
        words += _ALL_OVER
    return f"{words}."


def _unseen(whole: Change) -> list[str]:
    """What the volumes say of holes."""
    said = []
    if whole.bridged_area_cm2 > _TOLD_CM2:
        said.append(
            f"{whole.bridged_area_cm2:.0f} cm2 of changed patches are not in both scans (holes) or "
            "lie on body lines; what was put on there was carried over from beside them, and the "
            "volumes' doubt has a share for that."
        )
    if whole.unseen_area_cm2 > _TOLD_CM2:
        said.append(
            f"{whole.unseen_area_cm2:.0f} cm2 beside or in changed patches are not in both scans, "
            "in holes too wide to carry anything over; what was put on there is not in the volumes."
        )
    return said


def bare_share(track: Track, last: Pass, whole: Change) -> float:
    """Share of a high's core where it stands prouder than what was put under it, beyond doubt.

    There the panel as it was at first stands above the fair surface, and blocking ends on it.
    """
    region = track.last.region
    if region is None:
        return 0.0
    deviation = last.result.deviation
    bare = deviation.smooth_mm - np.maximum(whole.smooth_mm, 0.0)
    doubt = SURE * np.hypot(deviation.cell_sigma_mm, whole.sigma_mm)
    here = region.core & whole.compared & np.isfinite(bare)
    return float((bare[here] > doubt[here]).mean()) if here.any() else 0.0


def stands(track: Track) -> bool:
    """Whether something is still there to be worked on."""
    return track.last.region is not None and track.last.state != FIXED


def build_mm(tracks: tuple[Track, ...], last: Pass, whole: Change, stage: str) -> Floats:
    """(nu, nv) mm put on since the first scan, NaN where that is not told.

    Under a high that blocking would go through somewhere, beyond doubt, it is what may be taken
    off before that: its peak less what would be missing. A film is too thin to say where it is
    not; filler is not where nothing beyond noise was put on.
    """
    deviation = last.result.deviation
    nothing = 0.0 if stage == "filler" else np.nan
    put_on = np.where(whole.changed, np.maximum(whole.smooth_mm, 0.0), nothing)
    build: Floats = np.where(whole.compared, put_on, np.nan)
    doubt = SURE * np.hypot(deviation.cell_sigma_mm, whole.sigma_mm)
    spare = build - deviation.smooth_mm + doubt
    for track in tracks:
        region = track.last.region
        if region is None or region.kind != "high" or not stands(track):
            continue
        here = region.core & np.isfinite(spare)
        if whole.changed[here].any():
            least, peak = float(np.quantile(spare[here], BARE_SHARE)), region.peak_mm
            # The doubt in it must not make filler of nothing.
            most = float(build[here].max())
            if least < 0.0:
                build[here] = min(max(peak + least, 0.0), most)
            else:
                # A lesser high in it that is barer stays so.
                enough = here & (spare >= 0.0)
                build[enough] = np.maximum(build[enough], peak)
    return build


def put_on_mm(track: Track, last: Pass, build: Floats, whole: Change) -> float:
    """What (mm) was put on since the first scan where a mark's peak is, NaN where not both saw it.

    It is what `build_mm` tells for that place, and so what the mark's action speaks of; less than
    0 where material was taken off.
    """
    region = track.last.region or track.place
    at = last.result.cells.grid.index(np.array([region.u_mm]), np.array([region.v_mm]))
    counted, change = float(build[at][0]), float(whole.smooth_mm[at][0])
    return counted if counted > 0.0 or (counted == 0.0 and change > 0.0) else change


def _blocks_through(track: Track, last: Pass, whole: Change, settings: Settings) -> bool:
    region = track.last.region
    if settings.stage not in _COATED or region is None or region.kind != "high":
        return False
    if track.last.state in (FIXED, NOT_SEEN) or region.doubt == UNSEEN_DENT:
        return False
    if settings.stage != "filler" and not whole.changed[region.core].any():
        return False
    return bare_share(track, last, whole) > BARE_SHARE


def in_last_frame(track: Track, passes: tuple[Pass, ...]) -> Track:
    """A track that is gone from the last scan, with its place in that scan's own frame and units,
    as all other rows have theirs: the place was found on an earlier one.
    """
    if track.last.region is not None:
        return track
    place, last = track.place, passes[-1]
    at = last.result.cells.grid.index(np.array([place.u_mm]), np.array([place.v_mm]))
    heights = [float(one.result.cells.height_mm[at][0]) for one in reversed(passes)]
    height = next((h for h in heights if np.isfinite(h)), 0.0)
    spot = last.result.chart.to_space(np.array([[place.u_mm, place.v_mm, height]]))
    x, y, z = (float(v) for v in last.scan.to_file_frame(spot)[0])
    return replace(track, place=replace(place, x=x, y=y, z=z))


def left_verdict(track: Track, settings: Settings) -> str:
    """Whether what is left where no mark stands any more is in tolerance, "" where it was not seen.

    It is undecided where it is too near the limit, or steep without making a patch of ripple.
    """
    stand = track.last
    if stand.state == NOT_SEEN:
        return ""
    if stand.state in (FIXED, NOT_CONFIRMED):
        return "in"
    left = stand.peak_mm, stand.uncertainty_mm, stand.slope_mrad
    return "undecided" if may_be_out(track.kind, *left, settings.tolerance) else "in"


def _advised(
    track: Track,
    tracks: tuple[Track, ...],
    last: Pass,
    build: Floats,
    settings: Settings,
    first: str,
) -> Track:
    stand = track.last
    if stand.region is None or stand.state in (FIXED, NOT_CONFIRMED):
        action = _left_alone(track, tracks, settings)
    else:
        grid, peak = last.result.cells.grid, stand.region
        at = grid.index(np.array([peak.u_mm]), np.array([peak.v_mm]))
        beneath = float(build[at][0])
        known = beneath if np.isfinite(beneath) else None
        action = decide(peak, settings.stage, settings.plan, beneath_mm=known, since=first).words
    if stand.turned and stand.region is not None:
        action = f"{OVERDONE[stand.region.kind]}: {action}"
    region = replace(stand.region or track.place, action=action)
    if stand.region is None:
        return replace(track, place=region)
    return replace(track, stands=(*track.stands[:-1], replace(stand, region=region)))


def _left_alone(track: Track, tracks: tuple[Track, ...], settings: Settings) -> str:
    """What to do where no mark stands any more."""
    state = track.last.state
    if state == FIXED:
        return "in tolerance now: leave it"
    if state == NOT_CONFIRMED:
        return "undecided before, in tolerance now, and no change was found there: leave it"
    if state == NOT_SEEN:
        over = [other.name for other in tracks if _lies_over(other, track)]
        if over:
            return (
                f"no ripple can be told under {' and '.join(over)}: see to that first, then scan "
                "again"
            )
        return "not in the last scan: scan it to know"
    stand = track.last
    if left_verdict(track, settings) == "undecided":
        if track.kind != "ripple":
            return (
                f"scan again or measure: the {stand.peak_mm:+.2f} mm left are too near the limit "
                f"for this scan (U {stand.uncertainty_mm:.2f} mm)"
            )
        return (
            f"scan again, or feel for it: {stand.slope_mrad:.1f} mrad is over "
            f"{settings.tolerance.slope_mrad:g} mrad, but too little or too faint in this scan to "
            "be told for ripple"
        )
    return "within tolerance in this scan, and hardly changed: leave it or scan again"


def _lies_over(other: Track, track: Track) -> bool:
    """Whether a high or low lies where ripple was."""
    region = other.last.region
    if track.kind != "ripple" or region is None or region.kind == "ripple":
        return False
    return stands(other) and bool((region.footprint & track.place.core).any())


def _through(
    tracks: tuple[Track, ...], last: Pass, whole: Change, settings: Settings, first: str
) -> list[str]:
    names = [t.name for t in tracks if _blocks_through(t, last, whole, settings)]
    if not names:
        return []
    return [
        f"Blocking will go through at {', '.join(names)}: less was put on there since {first} than "
        "the high stands proud, so blocking alone does not bring it down. Do first what its row "
        "says."
    ]


def _taken_off(whole: Change, first: str) -> list[str]:
    """What lies lower than at first: of bare metal there was nothing to sand away."""
    lower = [p for p in whole.patches if p.kind == "low" and p.peak_mm < -_SEEN_TAKEN_OFF_MM]
    if not lower:
        return []
    most = min(lower, key=lambda patch: patch.peak_mm)
    names = ", ".join(patch.region for patch in lower)
    return [
        f"{names} of the change: lower than in {first}, by up to {-most.peak_mm:.2f} mm; tapped "
        "down, or sanded off? What was bare metal then is that much thinner if it was sanded: stop "
        "blocking there, and feel from behind whether it gives."
    ]


def _thickness(whole: Change, settings: Settings) -> list[str]:
    """Build against the stage's limits, the gravest first."""
    plan, build = settings.plan, whole.max_build_mm
    if settings.stage in ("primer", "paint"):
        most = MM_PER_UM * plan.primer_most_um
        if build > most and settings.stage == "primer":
            return [
                f"The build is up to {build:.2f} mm thick; {most:g} mm of primer is the most "
                "(primer_most_um). Either filler was put on too, or the film is too thick to dry."
            ]
        return []
    for limit, key, words in (
        (plan.filler_stop_mm, "filler_stop_mm", "stop: take it off and work the metal instead"),
        (
            plan.filler_metalwork_first_mm,
            "filler_metalwork_first_mm",
            "more metalwork first, then less filler",
        ),
        (plan.filler_caution_mm, "filler_caution_mm", "caution: thick filler cracks and shrinks"),
    ):
        if build > limit:
            return [f"The build is up to {build:.2f} mm thick, over {limit:g} mm ({key}): {words}."]
    return []
