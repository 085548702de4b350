"""What a scan alone cannot tell from the panel's own form: undecided, and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..measuring.deviation import CellDeviation
from ..numerics.footprints import footprints_of, length_and_width, reaches, ring_round
from ..outline.edge_lines import Ding
from ..outline.faces import BAND, Faces
from ..settings import Settings
from ..surface.fairing import FaceSurface, FairSurface
from ..surface.left_out import TIGHT_TIMES
from ..unrolling.cells import Cells
from .beside_lines import BesideLines
from .regions import Region

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double on 20 panels: marks beside folds that end or fade, a pressed
# bowl, swages, a door as doors are, a tank's end with ripple, hail, a scratch. What changes stands
# beside each, "the same" where nothing does. A choice has no better reason than that.

# A blow pushes up a rim round its dent: what lies beyond that rim tells.
_RING_MM = (25.0, 80.0)
# Quiet skin is that near the fair surface, by share of the tolerance or sigmas. Half doubts a true
# low beside a fading fold; double believes one on a tank's end. The second is the same.
_QUIET_OF_TOLERANCE = 0.25
_QUIET_SIGMAS = 2.0
# Shares of the ring that must be quiet: for a mark amid sound metal, and for one that lies beside
# what may be form. Half of the first is the same; the second, at half, believes a tank's low.
_LEAST_QUIET = 0.8
_SURELY_QUIET = 0.97
# Cells: of fewer a share says nothing. The same.
_FEWEST_ROUND = 30
# A pressed line or a bow: so much of the panel long, so many times longer than wide. A scratch 0.4
# of the panel long would be one at half; else the same.
_OF_PANEL = 0.6
SLENDER = 3.0
# What a body line that is drawn a little off, or rounded more widely than known, leaves beside it:
# all of it so near, or on the average and that slender (choice). The same.
_BESIDE_LINE_MM = 40.0
_BESIDE_SLENDER = 5.0
# The same of ripple, whose patches are wider. Half is the same for the first; double, or slender
# from 1.0 on, doubts ripple on the door.
_RIPPLE_BESIDE_MM = 60.0
_RIPPLE_SLENDER = 2.0
_TOUCHES_MM = 20.0
# A mark at the panel's edge so near a line is its end, which fades. Double doubts a high on the
# door.
_AT_ITS_END_MM = 80.0
# Of a mark, what lies where a line fades out: less of it may lie anywhere (choice).
_OF_FADED = 0.1
# Of the shortest batten: where lines fade, form is as narrow as that (choice: dents of half of one
# are left out whole).
_BROAD_THERE = 0.6
# Times a mark's height, of one within a batten beside it on a shoulder (choice: beside marks read a
# third too low a shoulder's surface swings over by a third of what is left).
_TIMES_SWUNG = 1.5
# Times farther off than with the battens that follow most: then the surface gives way where it is
# held least, along rims and where lines fade. Measured: 1.05 to 1.2 on panels whose form the batten
# follows, 1.4 to 2.7 where sound corners were called high or low by 0.5 mm.
_STRAINED_TIMES = 1.3
_MOSTLY_FADING = 0.5
# Of ripple, whose patches are wider (choice).
_PARTLY_FADING = 0.25
# A tool's depth, wall and floor (mean over peak); less deep beside a step that was found. A blow as
# deep has no floor: a cone's mean is a third of its peak. Only a floor of 0.8 misses the bowl.
_RECESS_MM = 4.0
_SHALLOW_RECESS_MM = 2.0
_RECESS_MRAD = 150.0
_RECESS_FULL = 0.4
# Ribs, louvres and bosses come in numbers from one tool: steep, and alike to these shares in
# height, length and width (choice). Of slender ones two are enough. Round lows are dents of one
# ball or hailstone as well.
_ALIKE = (0.15, 0.25, 0.4)
_FEWEST_ROUND_ALIKE = 3
# What a batten leaves of a mark that is no form, as shares of its height.
_LEFT = (0.5, 1.2)
# Share of a mark on which the surface lies all the same: then it was not left out (choice).
_MOSTLY_SOUND = 0.5
# Of a batten that was asked for: broader marks come out by chance of what was left out (derived:
# lows 0.8 of the batten wide give back nine tenths, as broad as it four fifths and less).
_AS_BROAD = 0.8
# Where so much of the judged skin may be form, marks this near it may be, too (choice). The same.
_MUCH = 0.12
_NEAR_MUCH_MM = 100.0

UNSETTLED = "it may be form: what lies round it is off the fair surface as well"
FADES = "it may be form: a body line fades out there"
SWINGS = "it may be the fair surface's own, which swings over beside a greater mark on a shoulder"
ALONG = "it may be form: it runs over most of the panel, as a pressed line or a bow does"
LINE = "it may be form: it lies along a body line"
RECESS = "it may be form: it is as deep and steep-walled as a pressed recess or boss"
ALIKE = "it may be form: others of its height and size lie beside it, as pressed ribs or louvres do"
TIGHT = "it may be form, which turns here tighter than the batten follows"
WIDE = "it may be form: it is as broad as battens are long, which follow it once it is not left out"
BROAD = "it is about as broad as the batten that was asked for, which follows half of such a wave"
BESIDE = "it may be form: it lies beside what cannot be told from form"
REASONS = (UNSETTLED, ALONG, LINE, FADES, SWINGS, RECESS, ALIKE, TIGHT, WIDE, BROAD, BESIDE)


@dataclass(frozen=True, eq=False)
class _Look:
    """What a region is looked at with: the other regions, and all that was found round it.

    tight : whether form turns tighter than the batten follows, strained : whether it does
    somewhere; given_mm : the batten that was asked for, infinite where none was; shortest_mm : the
    shortest that the stage allows.
    """

    regions: tuple[Region, ...]
    found: CellDeviation
    cells: Cells
    faces: Faces
    fair: FairSurface
    tolerance_mm: float
    beside: BesideLines
    tight: bool
    strained: bool
    given_mm: float
    shortest_mm: float


def doubt_forms(
    regions: tuple[Region, ...],
    found: CellDeviation,
    cells: Cells,
    faces: Faces,
    beside: BesideLines,
    fair: FairSurface,
    settings: Settings,
) -> tuple[Region, ...]:
    """Regions with those undecided that the scan alone cannot tell from form, and their doubt.

    Damage lies amid sound metal: all round a mark the skin lies on the fair surface. Where form
    turns tighter than the batten follows, it does not; and form runs on, along a line or over the
    whole panel, or has the flat floor and steep wall of a tool.
    """
    batten, tolerance = settings.surface.batten_mm, settings.tolerance.height_mm
    given = np.inf if batten == "auto" else float(batten)
    look = _Look(
        regions,
        found,
        cells,
        faces,
        fair,
        tolerance,
        beside,
        turns_tight(fair),
        times_farther_off(fair.faces[0], from_share=0.0) > _STRAINED_TIMES,
        given,
        settings.surface.shortest_batten_mm,
    )
    why = {region.region: _why(region, look) for region in regions}
    doubted = [region for region in regions if why[region.region]]
    area = sum(float(region.footprint.sum()) for region in doubted)
    if area > _MUCH * found.judged.sum():
        near = _near(doubted, cells)
        for region in regions:
            close = not why[region.region] and near[region.footprint].any()
            if close and _quiet_round(region, look) < _SURELY_QUIET:
                why[region.region] = BESIDE
    return tuple(
        replace(region, verdict="undecided", doubt=why[region.region])
        if why[region.region]
        else region
        for region in regions
    )


def _why(region: Region, look: _Look) -> str:
    """What speaks for form, "" where nothing does."""
    length, width = length_and_width(region.footprint, look.cells.grid.cell_mm)
    slender = length / width
    from_line = look.beside.line_mm[region.footprint]
    from_flank = look.beside.flank_mm[region.footprint]
    if region.kind == "ripple":
        if look.tight:
            return TIGHT
        if look.beside.fading[region.footprint].mean() > _PARTLY_FADING:
            return FADES
        touches = min(float(from_line.min()), float(from_flank.min())) < _TOUCHES_MM
        near_mm = min(float(from_line.mean()), float(from_flank.mean()))
        on_shoulder = look.beside.broad[region.footprint].mean() > _MOSTLY_SOUND
        if near_mm < _RIPPLE_BESIDE_MM or on_shoulder or (touches and slender > _RIPPLE_SLENDER):
            return LINE
    elif why := _like_form(
        region,
        look,
        min(width, _wave_mm(region, look)),
        touches=float(from_line.min()) < _TOUCHES_MM,
    ):
        return why
    near_mm = min(float(from_line.mean()), float(from_flank.mean()))
    if slender > _BESIDE_SLENDER and near_mm < _BESIDE_LINE_MM:
        return LINE
    if float(from_line.max()) < _BESIDE_LINE_MM and reaches(region.footprint, ~look.found.judged):
        return LINE
    edge = (look.faces.reason == BAND) & (look.beside.line_mm > _TOUCHES_MM)
    if float(from_line.max()) < _AT_ITS_END_MM and reaches(region.footprint, edge):
        return LINE
    extent = np.ptp(np.argwhere(look.found.judged), axis=0).max() * look.cells.grid.cell_mm
    if region.kind != "ripple" and slender > SLENDER and length > _OF_PANEL * extent:
        return ALONG
    if _quiet_round(region, look) < _LEAST_QUIET:
        return UNSETTLED
    return ""


def _like_form(region: Region, look: _Look, width_mm: float, *, touches: bool) -> str:
    """Why a high or low may be form by what it is like itself, "" where it is not."""
    if _follows(region, look, broad=width_mm >= look.shortest_mm):
        return TIGHT if look.tight else WIDE
    if (look.beside.faded & region.core).sum() > _OF_FADED * region.core.sum():
        return FADES
    fading = float((look.beside.fading & region.core).sum()) / max(1.0, float(region.core.sum()))
    if look.strained and fading > _MOSTLY_FADING:
        return FADES
    if fading > 0.0 and _follows(region, look, broad=width_mm >= _BROAD_THERE * look.shortest_mm):
        return FADES
    if _swings_over(region, look):
        return SWINGS
    if _like_a_recess(region, beside=touches):
        return RECESS
    if _one_of_a_row(region, look):
        return ALIKE
    if look.strained and reaches(region.footprint, look.faces.reason == BAND):
        return TIGHT
    return BROAD if width_mm > _AS_BROAD * look.given_mm else ""


def _wave_mm(region: Region, look: _Look) -> float:
    """Length of a wave as broad at half its height as a mark is, however far its foot reaches."""
    higher = region.core & (np.abs(look.found.smooth_mm) > 0.5 * abs(region.peak_mm))
    side = look.cells.grid.cell_mm
    return 2.0 * length_and_width(higher, side)[1] if higher.any() else np.inf


def _swings_over(region: Region, look: _Look) -> bool:
    """Whether a mark on a shoulder lies beside a greater one that stands off the other way."""
    if look.beside.broad[region.footprint].mean() < _MOSTLY_SOUND:
        return False
    return any(
        other.kind not in (region.kind, "ripple")
        and abs(other.peak_mm) > _TIMES_SWUNG * abs(region.peak_mm)
        and np.hypot(other.u_mm - region.u_mm, other.v_mm - region.v_mm) < look.shortest_mm
        for other in look.regions
    )


def _like_a_recess(region: Region, *, beside: bool) -> bool:
    """Deep, steep-walled and flat-floored; beside a step that was found less deep will do."""
    return (
        abs(region.peak_mm) > (_SHALLOW_RECESS_MM if beside else _RECESS_MM)
        and region.max_slope_mrad > _RECESS_MRAD
        and abs(region.mean_mm) > _RECESS_FULL * abs(region.peak_mm)
    )


def _one_of_a_row(region: Region, look: _Look) -> bool:
    """Whether a steep mark has its like beside it, as what one tool pressed several times has."""
    side = look.cells.grid.cell_mm
    own = _pressed_size(region, side)
    if own is None:
        return False
    slender = own[1] > SLENDER * own[2]
    if region.kind == "low" and not slender:
        return False
    sizes = [_pressed_size(other, side) for other in look.regions]
    alike = sum(s is not None and bool((np.abs(s / own - 1.0) < _ALIKE).all()) for s in sizes)
    return alike >= (2 if slender else _FEWEST_ROUND_ALIKE)


def _pressed_size(region: Region, side: float) -> Floats | None:
    """(3,) height with its sign, length and width of a mark that a tool may have pressed."""
    if region.kind == "ripple" or region.max_slope_mrad <= _RECESS_MRAD:
        return None
    if abs(region.peak_mm) <= _SHALLOW_RECESS_MM:
        return None
    return np.array([region.peak_mm, *length_and_width(region.core, side)])


def _follows(region: Region, look: _Look, *, broad: bool) -> bool:
    """Whether a mark is what the batten makes of form that turns tighter than it follows.

    It then follows most of the mark as soon as that is not left out; or it lies as far off, or
    farther, with nothing left out at all. Damage no broader than half the batten does neither; of
    what is as broad as the shortest one (`broad`) it cannot be told, nor of any on a surface whose
    robust fit broke down.
    """
    for face in look.fair.faces:
        own = region.core & np.isfinite(face.unfollowed_mm)
        # What was taken back as form and stands off all the same is followed in part.
        if own.any() and (face.broken_down or face.form[region.core].mean() > _MOSTLY_SOUND):
            return True
        tight = times_farther_off(face, from_share=0.0) > TIGHT_TIMES
        # What was put on a surface laid before it was not left out by that.
        left_out = broad and float(face.sound[region.core].mean()) < _MOSTLY_SOUND
        if not (tight or left_out) or not own.any():
            continue
        share = float(face.unfollowed_mm[own].mean() / np.nanmean(look.found.smooth_mm[own]))
        return not _LEFT[0] < share < _LEFT[1]
    return False


def _quiet_round(region: Region, look: _Look) -> float:
    """The share of the skin round a region that lies on the fair surface.

    Other marks are passed over: gaps part a mark, a dent has a rim, and dents come in numbers.
    """
    found = look.found
    marks = footprints_of(look.regions, found.judged.shape)
    there, ring = ring_round(
        region.footprint,
        found.judged & ~marks,
        from_mm=_RING_MM[0],
        to_mm=_RING_MM[1],
        cell_mm=look.cells.grid.cell_mm,
    )
    if ring.sum() < _FEWEST_ROUND:
        return 1.0
    usual = float(np.nanmean(found.sigma_mm[found.judged]))
    limit = max(_QUIET_OF_TOLERANCE * look.tolerance_mm, _QUIET_SIGMAS * usual)
    return float((np.abs(found.smooth_mm[there][ring]) < limit).mean())


def turns_tight(fair: FairSurface) -> bool:
    """Whether the metal comes off the main face already from half the batten on, or most of it.

    Ripple is left out by battens of half the length as well; form that long is not.
    """
    if fair.faces[0].broken_down:
        return True
    return times_farther_off(fair.faces[0], from_share=0.5) > TIGHT_TIMES


def times_farther_off(face: FaceSurface, *, from_share: float) -> float:
    """How many times farther the metal lies off a face's surface than it did with shorter battens,
    of at least this share of its own; 0 where none was laid.
    """
    shortest = from_share * face.batten_mm
    shorter = [scale for batten, scale in face.climb if shortest <= batten < face.batten_mm]
    return face.scale_mm / max(min(shorter), 1e-9) if shorter else 0.0


def _near(regions: Iterable[Region], cells: Cells) -> Mask:
    taken = footprints_of(regions, cells.grid.shape)
    away = ndimage.distance_transform_edt(~taken) * cells.grid.cell_mm
    return np.asarray(away <= _NEAR_MUCH_MM)


def untold_words(regions: tuple[Region, ...]) -> list[str]:
    """One remark: how many marks may be form, the greatest of them, why, and what to do."""
    doubted = [region for region in regions if region.doubt in REASONS]
    if not doubted:
        return []
    worst = max(doubted, key=lambda region: float(region.footprint.sum()))
    count = "One mark is" if len(doubted) == 1 else f"{len(doubted)} marks are"
    return [
        f"{count} undecided, for a scan alone cannot tell form from damage there. The largest, "
        f"{worst.region}: {worst.doubt}. If the panel was made so, give its body lines "
        "(--creases) or another batten (--batten); to be sure compare with the other side "
        "(--like)."
    ]


def unsure_words(dings: tuple[tuple[str, Ding], ...]) -> list[str]:
    """One remark on places along edges that stand off a surface that is not sure there."""
    if not dings:
        return []
    names = list(dict.fromkeys(name for name, _ in dings))
    most = max(abs(ding.height_mm) for _, ding in dings)
    places = "One short place" if len(dings) == 1 else f"{len(dings)} short places"
    return [
        f"{places} along {'edges' if len(names) > 1 else 'edge'} {' and '.join(names)} may be "
        f"knocks or form: up to {most:.1f} mm off, where the fair surface itself is not sure. "
        "Feel along the edge "
        "with a straightedge, try a shorter batten (--batten), or compare with the other side "
        "(--like)."
    ]
