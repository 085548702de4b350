"""How much was added and taken off: over changed patches, their feathered borders and holes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..numerics.calming import masked_gaussian
from ..numerics.specks import wild_cells
from ..outline.faces import BEHIND, REFUSED, STRIP
from ..unrolling.stretch import Stretch
from .bridging import Bridge, bridges_over
from .passes import Pass

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SPRAY_MM = 0.005
"""Matting spray lays 3 to 10 micrometres, not the same twice."""

# A border that is feathered out sinks into the noise of single cells long before it ends.
_FEATHER_MM, _FEATHER_SIGMAS = 12.0, 2.0
# Root sum of squares of a Gaussian's kernel, times its sigma in cells: 1 / sqrt(4 pi).
_WIDE_GAIN = 0.2821
# Median of the half-normal.
_HALF_NORMAL = 0.6745
_FEWEST_STILL = 200
# Share of an opening's rim in which one scan shows skin (choice).
_CROSSED_SHARE = 0.5
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True)
class Volumes:
    """Volumes (cm3) with their expanded uncertainties (k = 2).

    bridged_area_cm2 : of holes over which the change was carried; unseen_area_cm2 : of those that
    are too wide for that and are not counted.
    """

    added_cm3: float
    added_uncertainty_cm3: float
    removed_cm3: float
    removed_uncertainty_cm3: float
    bridged_area_cm2: float
    unseen_area_cm2: float


def added_and_removed(
    before: Pass, after: Pass, change: Floats, changed: tuple[Mask, Mask]
) -> Volumes:
    """The volumes of what was added and taken off.

    Parameters
    ----------
    change : (nu, nv) mm, NaN where not compared; changed : (nu, nv) where added and where taken
    off, as far as single cells tell.
    """
    if not (changed[0].any() or changed[1].any()):
        return Volumes(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    compared = np.isfinite(change)
    band = _band_change(before, after, change)
    counted = np.where(compared, change, band)
    nearest = ndimage.distance_transform_edt(~compared, return_distances=False, return_indices=True)
    single = np.hypot(before.noise_mm, after.noise_mm)
    placing = np.hypot(np.hypot(before.placing_mm, after.placing_mm), SPRAY_MM)
    placing = np.where(compared, placing, placing[tuple(nearest)])
    side = after.result.cells.grid.cell_mm
    feathered, unrest = _feathered(change, single, placing, changed, side)
    noise = unrest * _with_band_noise(single, change, band, nearest)
    parts = [m | (np.isfinite(band) & m[tuple(nearest)]) for m in feathered]
    holes = _holes(before, after, counted)
    area = 0.5 * (_areas(before) + _areas(after))
    bridges = bridges_over(holes, counted, parts[0] | parts[1], side)
    told = [
        _volume(part, counted, noise, placing, area, [b for b in bridges if _side_of(b) == sign])
        for part, sign in zip(parts, (1.0, -1.0), strict=True)
    ]
    bridged = sum(int((np.abs(b.change_mm) > SPRAY_MM).sum()) for b in bridges)
    unseen = _left_open(holes, bridges, changed[0] | changed[1])
    return Volumes(
        told[0][0],
        told[0][1],
        -told[1][0] + 0.0,
        told[1][1],
        bridged * side**2 / 100.0,
        unseen * side**2 / 100.0,
    )


def _feathered(
    change: Floats, noise: Floats, placing: Floats, changed: tuple[Mask, Mask], side: float
) -> tuple[tuple[Mask, Mask], float]:
    """Changed patches out to where an average over a wide window sinks into its noise; and by how
    much that noise is larger than that of single cells would make it: it hangs together.
    """
    compared = np.isfinite(change)
    window = _FEATHER_MM / side
    wide = masked_gaussian(change, compared, window)
    single = np.where(compared, noise, np.nan) * min(_WIDE_GAIN / window, 1.0)
    reach = round(2.0 * window)
    still = compared & ~ndimage.binary_dilation(changed[0] | changed[1], iterations=reach)
    unrest = 1.0
    if still.sum() >= _FEWEST_STILL:
        unrest = float(np.median(np.abs(wide[still])) / _HALF_NORMAL / np.nanmedian(single))
    unrest = max(1.0, unrest)
    z = np.where(compared, wide / np.hypot(unrest * single, placing), 0.0)
    out = []
    for sign, own, other in ((1.0, *changed), (-1.0, *changed[::-1])):
        label, _ = ndimage.label((sign * z > _FEATHER_SIGMAS) | own, structure=_FULL)
        kept = np.unique(label[own])
        out.append(np.isin(label, kept[kept > 0]) & compared & ~other)
    return (out[0], out[1]), unrest


def _left_open(holes: Mask, bridges: tuple[Bridge, ...], changed: Mask) -> int:
    """How many cells beside changed ones lie in holes without a bridge."""
    left = holes.copy()
    for bridge in bridges:
        left[tuple(bridge.where.T)] = False
    label, _ = ndimage.label(left, structure=_FULL)
    beside = np.unique(label[ndimage.binary_dilation(changed, structure=_FULL) & left])
    return int(np.isin(label, beside[beside > 0]).sum())


def _side_of(bridge: Bridge) -> float:
    return 1.0 if bridge.change_mm.sum() >= 0.0 else -1.0


def _holes(before: Pass, after: Pass, counted: Floats) -> Mask:
    """(nu, nv) cells of the panel that a change is not known at: drop-outs, bands of body lines."""
    faces, later = before.result.faces, after.result.faces
    off = np.isin(faces.reason, (STRIP, BEHIND, REFUSED))
    skin = before.skin | after.skin
    # What one scan shows skin in along its rim is no opening, however sharp that is in the other;
    # farther in, points have no skin beside them to be laid by.
    openings = faces.openings
    label, _ = ndimage.label(openings, structure=_FULL)
    rim = openings & ndimage.binary_dilation(~openings, structure=_FULL)
    seen = np.bincount(label[rim & skin], minlength=label.max() + 1)
    crossed = seen > _CROSSED_SHARE * np.bincount(label[rim], minlength=label.max() + 1)
    openings = openings & ~crossed[label]
    panel = (faces.label > 0) | (later.label > 0) | skin | faces.openings
    return np.asarray(panel & ~off & ~openings & ~np.isfinite(counted))


def _band_change(before: Pass, after: Pass, change: Floats) -> Floats:
    """(nu, nv) change in the bands beside edges, NaN elsewhere: hems roll over alike in both."""
    band = after.band_mm - before.band_mm
    wild = wild_cells(np.where(np.isfinite(change), change, band))
    return np.where(np.isfinite(change) | wild, np.nan, band)


def _with_band_noise(
    noise: Floats, change: Floats, band: Floats, nearest: NDArray[np.int32]
) -> Floats:
    """(nu, nv) standard error of a cell, in the bands from what sets them apart from the cells
    beside them: how a hem is cut into cells.
    """
    there = np.isfinite(band)
    if not there.any():
        return noise
    apart = (band - change[tuple(nearest)])[there]
    return np.where(there, float(np.sqrt(np.mean(apart**2))), noise)


def _volume(
    where: Mask,
    change: Floats,
    noise: Floats,
    placing: Floats,
    area: Floats,
    bridges: list[Bridge],
) -> tuple[float, float]:
    """Volume (cm3) of the change over cells and holes, and its expanded uncertainty (k = 2)."""
    if not where.any():
        return 0.0, 0.0
    total = float((change[where] * area[where]).sum())
    # Registration and spray shift the whole patch at once.
    common = float((placing[where] * area[where]).sum())
    spread = float(((noise[where] * area[where]) ** 2).sum())
    for bridge in bridges:
        at = tuple(bridge.where.T)
        total += float((bridge.change_mm * area[at]).sum())
        common += float((placing[at] * area[at]).sum())
        # All of a hole is off the same way.
        spread += float((bridge.sigma_mm * area[at]).sum()) ** 2
    return total / 1000.0, 2.0 * float(np.sqrt(spread + common**2)) / 1000.0


def _areas(one: Pass) -> Floats:
    """(nu, nv) area of the skin over each cell, mm2."""
    return Stretch.of(one.result.cells, one.result.chart, one.skin).area_mm2
