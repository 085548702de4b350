"""Highs, lows and ripple on the cells: what stands, or may stand, outside tolerance."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..measuring.deviation import CellDeviation
from ..numerics.calming import masked_gaussian
from ..numerics.footprints import Marked, footprints_of, ring_round, window_round
from ..numerics.waves import LIKE_AREA, crests_and_troughs
from ..rules import FOOT_OF_TOLERANCE, FOOT_SIGMAS, GUARD
from ..settings import ToleranceSettings
from ..unrolling.cells import Cells

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double on 20 panels with marks of 0.27 to 8 mm, hail, a scratch and
# ripple, and on sound ones: what changes stands beside each, "the same" where nothing does. A
# choice has no better reason than that.

# How far from its core a mark may spread. A squared cosine that is cut at half its height reaches
# as far again as the cut is wide (derived); a fifth more, and two cells or three, for those cut
# lower. Half takes up to 30 % off a mark's area, double adds up to 82 %.
_FOOT_REACH = 1.2
_FOOT_REACH_MM = 10.0
# A Gaussian's foot has no end. Half takes 12 % off the broadest marks, double is the same.
_FARTHEST_FOOT_MM = 60.0
# Ground this high between two peaks, as a share of the lower, makes them one mark (choice). The
# same.
_SAME_MARK = 0.7
# A core of 10 mm across, and so many cells where those are wide: less is dirt. Half tells one more
# dent among hail, two cells a third high on filler, double loses a low on a tank's end.
_SMALLEST_CORE_MM2 = 80.0
_FEWEST_CORE_CELLS = 4
# A patch of 50 x 50 mm holds no whole wave of the 60 mm that ripple has, and few crests. Half takes
# the end of a sound fading fold for ripple; double is the same.
_SMALLEST_RIPPLE_MM2 = 2500.0
# Sigma: two of it to either side are a wave of 60 mm and a little more. Half takes a high and a low
# on a tank's end for crests, double widens patches by up to 46 %.
_RIPPLE_WINDOW_MM = 18.0
# Times the tolerance: no crest of ripple is as high, but a dent of its own. The same.
_STRONG = 2.0
# About a mark: two cells of noise, whose slopes lean on the mark's. At half a dent's own flanks
# pass for ripple on five of the panels; double is the same but for areas, within 5 %.
_CLEAR_OF_STRONG_MM = 8.0
# The level of the skin round a mark: beyond its rim, nearer than the next mark. Half reads areas up
# to 39 % small, double up to 37 %.
_RING_MM = (15.0, 35.0)
_FEWEST_ROUND = 20
# Times the noise of the cells: lower crests are noise's own. The same.
_ABOVE_NOISE = 2.5
# A mark stands alone where over so much of its radius beyond its foot so many cells are under so
# much of its peak: beside a crest of ripple the next one, as high, would take half (choice).
_ALONE_REACH = 0.5
_LEVEL = 0.25
_MOSTLY_LEVEL = 0.75
# A patch must have that share of its least area so far inside: slopes at an edge lean on one side
# only. Half of the first finds ripple at a hatch's edge; else the same.
_INLAND_MM = 15.0
_INLAND_SHARE = 0.6
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True, eq=False)
class Mark:
    """A high, low or patch of ripple on the cells, before it is measured and named; level_mm : of
    the sound skin round it.
    """

    kind: str
    core: Mask
    footprint: Mask
    level_mm: float = 0.0


def find_marks(found: CellDeviation, cells: Cells, tolerance: ToleranceSettings) -> list[Mark]:
    """Find what stands, or may stand, beyond tolerance: highs and lows, and ripple.

    A crest or trough under twice the tolerance that is one of several like it is ripple's, unless
    it stands alone: round a crest lie troughs.
    """
    marks = _highs_and_lows(found, cells, tolerance.height_mm)
    strong = [
        mark
        for mark in marks
        if np.abs(found.smooth_mm[mark.core]).max() >= _STRONG * tolerance.height_mm
        or _stands_alone(mark, found, cells)
    ]
    ripple = _ripple(clear_of(strong, found, cells), cells, tolerance.slope_mrad)
    waves = footprints_of(ripple, found.judged.shape)
    weak = [m for m in marks if not any(m is s for s in strong)]
    weak = [mark for mark in weak if not mostly_in(waves, mark.core)]
    if weak:
        # A lone mark beside ripple would pass for its greatest crest, and hide it.
        rest = clear_of(strong + weak, found, cells)
        hidden = _ripple(rest, cells, tolerance.slope_mrad)
        ripple += [mark for mark in hidden if not (mark.core & waves).any()]
    return strong + weak + ripple


def marks_amid(
    ripple: Mask, found: CellDeviation, cells: Cells, tolerance: ToleranceSettings
) -> list[Mark]:
    """Highs and lows beyond tolerance that were taken for the crests and troughs of ripple.

    Parameters
    ----------
    ripple : (nu, nv) bool.
    """
    return [
        mark
        for mark in _highs_and_lows(found, cells, tolerance.height_mm)
        if tolerance.height_mm < np.abs(found.smooth_mm[mark.core]).max()
        and mostly_in(ripple, mark.core)
    ]


def mostly_in(area: Mask, core: Mask) -> bool:
    """Whether half of a mark's core lies in an area."""
    return bool((core & area).sum() >= 0.5 * core.sum())


def _stands_alone(mark: Mark, found: CellDeviation, cells: Cells) -> bool:
    """Whether it is level round a mark, over half as far again as the mark reaches."""
    side = cells.grid.cell_mm
    reach = _ALONE_REACH * float(np.sqrt(mark.footprint.sum() / np.pi)) * side
    there, ring = ring_round(
        mark.footprint, found.judged, from_mm=side, to_mm=side + reach, cell_mm=side
    )
    if ring.sum() < _FEWEST_ROUND:
        return False
    peak = np.abs(found.smooth_mm[mark.core]).max()
    return bool((np.abs(found.smooth_mm[there][ring]) < _LEVEL * peak).mean() > _MOSTLY_LEVEL)


def clear_of(marks: Iterable[Marked], found: CellDeviation, cells: Cells) -> CellDeviation:
    """The deviation without the marks and what lies close round them."""
    taken = footprints_of(marks, found.judged.shape)
    if not taken.any():
        return found
    away = ndimage.distance_transform_edt(~taken) * cells.grid.cell_mm
    return replace(found, judged=found.judged & (away > _CLEAR_OF_STRONG_MM))


def _highs_and_lows(found: CellDeviation, cells: Cells, tolerance_mm: float) -> list[Mark]:
    side = cells.grid.cell_mm
    value = np.where(found.judged, found.smooth_mm, 0.0)
    sigma = np.where(found.judged, found.sigma_mm, 1.0)
    least = np.maximum(tolerance_mm - GUARD * sigma, 0.5 * tolerance_mm)
    foot = max(FOOT_OF_TOLERANCE * tolerance_mm, FOOT_SIGMAS * found.height_noise_mm)
    loud = ndimage.distance_transform_edt(~(np.abs(value) > least)) * side <= _CLEAR_OF_STRONG_MM
    marks = []
    for sign, kind in ((1.0, "high"), (-1.0, "low")):
        height = sign * value
        core, count = ndimage.label(height > least, structure=_FULL)
        area = np.bincount(core.ravel(), minlength=count + 1) * side**2
        wanted = np.flatnonzero(area >= max(_SMALLEST_CORE_MM2, _FEWEST_CORE_CELLS * side**2))
        wanted = wanted[wanted > 0]
        body, _ = ndimage.label((height > foot) & found.judged)
        for group in _same_marks(core, wanted, body, height):
            cores = np.isin(core, group)
            # One wild cell stands out of its neighbours even when they are smoothed together.
            if np.median(sign * found.cell_mm[cores]) < 0.5 * tolerance_mm:
                continue
            others = np.isin(core, np.setdiff1d(wanted, group))
            footprint, level = _footprint(cores, others, height, found.judged, loud, foot, side)
            marks.append(Mark(kind, cores, footprint, sign * level))
    return marks


def _footprint(
    cores: Mask, others: Mask, height: Floats, judged: Mask, loud: Mask, foot: float, side: float
) -> tuple[Mask, float]:
    """A mark down to its foot above the level of the sound skin round it, and that level.

    What little the fair surface is off a whole neighbourhood would else spread every mark, and
    be multiplied by its area. A mark spreads no farther than a cosine or Gaussian of its core
    would, and shares the ground between with its neighbours.
    """
    reach = _reach(cores, height, foot, side)
    # Beyond it lies the ring, and as far again as the mark the others that it shares ground with.
    margin = max(2.0 * reach, reach + _RING_MM[1]) / side + 1.0
    window = window_round(cores, margin)
    cores, others, height = cores[window], others[window], height[window]
    away = ndimage.distance_transform_edt(~cores) * side
    room = judged[window] & (away <= reach)
    if others.any():
        room &= away <= ndimage.distance_transform_edt(~others) * side
    level = 0.0
    footprint = cores
    quiet = judged[window] & ~loud[window]
    for _ in range(2):
        body, _ = ndimage.label(((height - level > foot) | cores) & room)
        footprint = np.isin(body, np.unique(body[cores])[np.unique(body[cores]) > 0]) | cores
        beyond = ndimage.distance_transform_edt(~footprint) * side
        ring = quiet & (beyond > _RING_MM[0]) & (beyond <= _RING_MM[1])
        if ring.sum() >= _FEWEST_ROUND:
            level = float(np.median(height[ring]))
    whole = np.zeros(judged.shape, bool)
    whole[window] = footprint
    return whole, level


def _reach(cores: Mask, height: Floats, foot: float, side: float) -> float:
    """How far (mm) a mark may spread from its core: as a cosine would, or a Gaussian.

    A Gaussian of peak P that is cut at T with radius r sinks to f at `r sqrt(ln(P/f) / ln(P/T))`.
    """
    radius = float(np.sqrt(cores.sum() / np.pi)) * side
    peak, cut = float(height[cores].max()), float(height[cores].min())
    wider = np.sqrt(np.log(max(peak / foot, 1.0)) / max(np.log(peak / max(cut, foot)), 0.05)) - 1.0
    return float(min(max(_FOOT_REACH, wider) * radius, _FARTHEST_FOOT_MM) + _FOOT_REACH_MM)


def _same_marks(
    core: NDArray[np.int32], wanted: NDArray[np.intp], body: NDArray[np.int32], height: Floats
) -> list[list[int]]:
    """Groups of cores that are one mark: joined by ground over 0.7 of the lower one's peak."""
    if not len(wanted):
        return []
    peaks = dict(zip(wanted, ndimage.maximum(height, core, wanted), strict=True))
    homes = dict(zip(wanted, ndimage.maximum(body, core, wanted), strict=True))
    parent = {k: k for k in wanted}

    def root(k: int) -> int:
        while parent[k] != k:
            k = parent[k]
        return k

    for index, a in enumerate(wanted):
        for b in wanted[index + 1 :]:
            if homes[a] != homes[b] or root(a) == root(b):
                continue
            level = _SAME_MARK * min(peaks[a], peaks[b])
            joined, _ = ndimage.label((height > level) & (body == homes[a]), structure=_FULL)
            if set(np.unique(joined[core == a])) & set(np.unique(joined[core == b])) - {0}:
                parent[root(b)] = root(a)
    groups: dict[int, list[int]] = {}
    for k in wanted:
        groups.setdefault(root(k), []).append(int(k))
    return list(groups.values())


def slope_amplitude(
    found: CellDeviation, cells: Cells, within: Mask | None = None, *, surely: bool = False
) -> Floats:
    """Amplitude of the slope error (mrad): root two of its root mean square over 18 mm round.

    For a wave the amplitude is its greatest slope, wherever its crests lie.

    Parameters
    ----------
    within : (nu, nv) bool, cells that count; a steep wall beside a patch is not its ripple.
    surely : take off not only the noise's mean square but three times its own scatter.
    """
    side = cells.grid.cell_mm
    sigma = _RIPPLE_WINDOW_MM / side
    counted = found.judged if within is None else found.judged & within
    square = masked_gaussian(found.slope_mrad**2, counted, sigma)
    # So many slopes that err independently lie in the window, two directions each. Half or double
    # of what they err together over moves patches by 3 %.
    independent = max((_RIPPLE_WINDOW_MM / max(found.slope_window_mm, side)) ** 2, 1.0)
    margin = 1.0 + (3.0 / np.sqrt(independent) if surely else 0.0)
    mean = square - 2.0 * margin * found.slope_sigma_mrad**2
    return np.where(counted, np.sqrt(2.0 * np.maximum(mean, 0.0)), 0.0)


def _ripple(found: CellDeviation, cells: Cells, tolerance_mrad: float) -> list[Mark]:
    """Patches that go up and down with a slope beyond tolerance."""
    side = cells.grid.cell_mm
    label, count = ndimage.label(slope_amplitude(found, cells, surely=True) > tolerance_mrad)
    area = np.bincount(label.ravel(), minlength=count + 1) * side**2
    edge = ndimage.distance_transform_edt(np.pad(found.judged, 1))[1:-1, 1:-1] * side
    inland = edge > _INLAND_MM
    marks = []
    for k in np.flatnonzero(area[1:] >= _SMALLEST_RIPPLE_MM2) + 1:
        patch = label == k
        clear = float((patch & inland).sum()) * side**2
        if clear >= _INLAND_SHARE * _SMALLEST_RIPPLE_MM2 and _oscillates(found, patch):
            marks.append(Mark("ripple", patch, patch))
    return marks


def _oscillates(found: CellDeviation, patch: Mask) -> bool:
    """Whether a patch has three crests and troughs or more of like height.

    A dent has one, and a faint rim at most.
    """
    value = np.where(patch, found.smooth_mm - np.median(found.smooth_mm[patch]), 0.0)
    crests, troughs = crests_and_troughs(value)
    noise = float(np.median(found.sigma_mm[patch]))
    if not len(crests) or not len(troughs) or np.abs(value).max() < _ABOVE_NOISE * noise:
        return False
    sizes = np.sort(np.concatenate([crests, troughs]))[::-1]
    return bool(len(sizes) >= 3 and sizes[2] > LIKE_AREA * sizes[0])
