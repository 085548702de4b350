"""Knocks in an edge: where its band stands off what the rest of the edge does there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import ndtri

from ..numerics.biweight import MAD_TO_SIGMA
from ..numerics.calming import CALM_GAIN, calmed
from ..numerics.specks import wild_cells
from ..rules import FAMILY_RISK, FOOT_OF_TOLERANCE, FOOT_SIGMAS, GUARD
from .edge_bands import EdgeBand, inward_from_rim

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double as those of `edge_bands` were, with the same outcome: a sound
# edge stays one and every knock is found; "the same" where nothing at all changes.

# Patches: three points long, 3 mm at least, and a third of a usual band across. Rows of 4 mm read
# knocks 6 to 17 % low, patches of six spacings in cut edges up to 8 %.
_LEAST_STEP_MM = 3.0
_SPACINGS = 3.0
_ROW_MM = 2.0
# Half a metre of edge, several knocks long, tells what it does as a rule, and a hem's radius
# changes little over it. Half reads peaks up to 5 % low, double up to 1 % higher.
_ALIKE_MM = 250.0
# Farther off it is a hem's return or what lies behind. Half leaves out hemmed points (14 %); double
# is the same.
_DEEPEST_MM = 3.0
# The rim's line is smooth and single points lie outside of it. The same.
_BEYOND_MM = 4.0
# A gap between points of one patch that parts a skin from its return: about a sheet's thickness.
_LAYER_MM = 1.0
# A layer counts when it holds this share of a patch's points: fewer fly. The same.
_LAYER_SHARE = 0.25
# Where fewer of the patches than that show two layers there is no hem. The same.
_RETURN_SHARE = 0.1
# A median of fewer is mostly noise (choice). The same.
_FEWEST_ALIKE = 8
# Looks over that reach, a straight line between them. Under 1 %.
_LOOKS = 8
# mm per mm of an edge's own roll. The rim is known to 0.7 mm, so a tenth may feign 0.07 mm, half of
# the tolerance before paint; farther out a knock that was found is followed only. Half of the
# first is the same; half of the second sees hemmed knocks over 6 mm across instead of 8.
_STEEPEST_JUDGED = 0.1
_STEEPEST_SEEN = 0.25
# An edge that is farther off than that all along has rolled off, or is bent as a whole. As above.
_ROLLED_MM = 0.5
# How well the rim's line is known (choice: under half the spacing of 1.6 to 2.5 mm). It counts by
# the roll's slope: at cut edges half and double are the same.
_RIM_SIGMA_MM = 0.7
# Shorter or smaller than that it is dirt, or points that fly together (choice). The same, for
# knocks of 56 mm and more.
_SHORTEST_MM = 12.0
_FEWEST_ALONG = 3
_SMALLEST_MM2 = 40.0
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True, eq=False)
class Knock:
    """A high or low within the band along an edge.

    kind : high or low; edge : its name; face : the edge's; peak_mm : signed, off the fair surface
    and off what the rest of the edge does; sigma_mm : its standard uncertainty; u_mm, v_mm,
    height_mm : of the peak; length_mm : along the edge; width_mm : across it; slope_mrad : the
    greatest; patch_uv : (k, 2) middles of its patches, patch_mm : (k,) how far they are off,
    core : (k,) bool, beyond tolerance, patch_mm2 : area of each.
    """

    kind: str
    edge: str
    face: int
    peak_mm: float
    sigma_mm: float
    u_mm: float
    v_mm: float
    height_mm: float
    length_mm: float
    width_mm: float
    slope_mrad: float
    patch_uv: Floats
    patch_mm: Floats
    core: Mask
    patch_mm2: float


@dataclass(frozen=True, eq=False)
class _Patches:
    """Points of a band averaged over patches, (na, nd) along and across; NaN where none are.

    place : (na, nd, 3) mean chart place; step_mm along the edge; count of points.
    """

    off_mm: Floats
    place: Floats
    count: NDArray[np.intp]
    step_mm: float


@dataclass(frozen=True, eq=False)
class _Field:
    """How far each patch is off what its edge does there, (na, nd); its sigma; which are known."""

    value_mm: Floats
    sigma_mm: Floats
    known: Mask


def find_knocks(
    band: EdgeBand,
    off_mm: Floats,
    *,
    tolerance_mm: float,
    surface_sigma_mm: float = 0.0,
) -> tuple[Knock, ...]:
    """Find the knocks in one edge.

    A hem's roll is alike along an edge, or changes slowly; a knock is local. Where the edge rolls
    off steeply nothing is said: a little more or less of roll would look like a knock.

    Parameters
    ----------
    off_mm : (n,) heights of the band's points above the fair surface.
    surface_sigma_mm : of the fair surface beside the edge.
    """
    patches = _patches(band, off_mm)
    alike = _alike(patches, closed=band.edge.closed)
    apart = patches.off_mm - alike
    own = np.abs(np.diff(alike, axis=1, append=alike[:, -1:])) / _ROW_MM
    # Where the rim lies is known to a millimetre or so: that much of the roll may be a row in.
    roll = np.fmax(own, np.pad(own, ((0, 0), (1, 0)))[:, :-1])
    with np.errstate(invalid="ignore"):
        seen = (
            (own <= _STEEPEST_SEEN) & (np.abs(alike) <= _ROLLED_MM) & (np.abs(apart) <= _DEEPEST_MM)
        )
        judged = seen & (roll <= _STEEPEST_JUDGED) & (np.abs(alike) <= tolerance_mm)
    noise = band.noise_mm / np.sqrt(np.maximum(patches.count, 1))
    least = np.hypot(own * _RIM_SIGMA_MM, surface_sigma_mm)
    found = _calmed_field(apart, judged, noise, least)
    if found is None:
        return ()
    whole = _calmed_field(apart, seen, noise, least)
    assert whole is not None
    return tuple(_knocks(band, patches, found, whole, tolerance_mm))


def _calmed_field(apart: Floats, known: Mask, noise: Floats, least: Floats) -> _Field | None:
    """Patches averaged with their neighbours; a row's own scatter says how sure they are."""
    apart = np.where(known, apart, np.nan)
    known = known & ~wild_cells(apart)
    if known.sum() < _FEWEST_ALIKE:
        return None
    smooth, lost = calmed(apart, known, 1.0)
    scatter = np.full(known.shape[1], np.inf)
    for row in range(known.shape[1]):
        own = smooth[known[:, row], row]
        if len(own) >= _FEWEST_ALIKE:
            scatter[row] = MAD_TO_SIGMA * float(np.median(np.abs(own)))
    sigma = np.sqrt(np.maximum(CALM_GAIN * noise, scatter) ** 2 + lost**2 + least**2)
    return _Field(np.where(known, smooth, 0.0), np.where(known, sigma, np.inf), known)


def _patches(band: EdgeBand, off_mm: Floats) -> _Patches:
    """Averages over patches, of the outer layer: under a hem's skin its return lies."""
    step = max(_LEAST_STEP_MM, _SPACINGS * band.spacing_mm)
    inward = inward_from_rim(band, off_mm) + _BEYOND_MM
    near = (np.abs(off_mm) <= _DEEPEST_MM) & (inward >= 0.0)
    near &= inward < band.width_mm + _BEYOND_MM
    along = band.along_mm - band.along_mm.min()
    shape = (int(along.max() / step) + 1, int((band.width_mm + _BEYOND_MM) / _ROW_MM) + 1)
    rows = np.flatnonzero(near)
    code = (along[rows] / step).astype(int) * shape[1] + (inward[rows] / _ROW_MM).astype(int)
    order = np.lexsort((-off_mm[rows], code))
    rows, code = rows[order], code[order]
    opens = np.ones(len(code), bool)
    opens[1:] = (code[1:] != code[:-1]) | (off_mm[rows[:-1]] - off_mm[rows[1:]] > _LAYER_MM)
    layer = np.cumsum(opens) - 1
    home, size = code[opens], np.bincount(layer)
    middle = (
        np.stack(
            [
                np.bincount(layer, value[rows]) / size
                for value in (band.u_mm, band.v_mm, band.height_mm, off_mm)
            ],
            axis=1,
        )
        if len(rows)
        else np.zeros((0, 4))
    )
    top = _top_layers(home, size, middle[:, 3])
    out = np.full((shape[0] * shape[1], 4), np.nan)
    out[home[top]] = middle[top]
    count = np.zeros(len(out), np.intp)
    count[home[top]] = size[top]
    return _Patches(
        out[:, 3].reshape(shape), out[:, :3].reshape(*shape, 3), count.reshape(shape), step
    )


def _top_layers(home: NDArray[np.intp], size: NDArray[np.intp], off: Floats) -> NDArray[np.intp]:
    """The layer of each patch that counts, of layers sorted by patch and from the outside in.

    Single points fly above the rest; and where one layer alone was seen, as deep as a hem's return
    lies elsewhere, it is the return.
    """
    total = np.bincount(home, size)
    enough = np.flatnonzero(size >= _LAYER_SHARE * total[home])
    patch, first = np.unique(home[enough], return_index=True)
    top = enough[first]
    layers = np.bincount(home)[patch]
    both = top[layers > 1]
    if len(both) < max(_FEWEST_ALIKE, _RETURN_SHARE * len(top)):
        return top
    both = both[home[np.minimum(both + 1, len(home) - 1)] == home[both]]
    depth = float(np.median(off[both + 1]))
    return top[(layers > 1) | (np.abs(off[top] - depth) > 0.5 * _LAYER_MM)]


def _alike(patches: _Patches, *, closed: bool) -> Floats:
    """(na, nd) what the edge usually does round each patch: the median over half a metre of it."""
    off, reach = patches.off_mm, round(_ALIKE_MM / patches.step_mm)
    n = len(off)
    reach = min(reach, n // 2) if closed else reach
    # It changes slowly: a look every so often will do.
    stops = np.unique(np.append(np.arange(0, n, max(1, reach // _LOOKS)), n - 1))
    found = np.full((len(stops), off.shape[1]), np.nan)
    for k, stop in enumerate(stops):
        around = np.arange(stop - reach, stop + reach + 1)
        near = np.sort(off[around % n if closed else around[(around >= 0) & (around < n)]], axis=0)
        seen = np.isfinite(near).sum(axis=0)
        enough = np.flatnonzero(seen >= _FEWEST_ALIKE)
        low, high = (seen[enough] - 1) // 2, seen[enough] // 2
        found[k, enough] = 0.5 * (near[low, enough] + near[high, enough])
    out = np.full(off.shape, np.nan)
    for row in range(off.shape[1]):
        known = np.isfinite(found[:, row])
        if known.any():
            out[:, row] = np.interp(np.arange(n), stops[known], found[known, row])
    return out


def _knocks(
    band: EdgeBand, patches: _Patches, found: _Field, whole: _Field, tolerance: float
) -> list[Knock]:
    """Groups of patches beyond tolerance that noise alone does not make."""
    sure = float(-ndtri(FAMILY_RISK / int(found.known.sum())))
    least = np.maximum(0.5 * tolerance, sure * found.sigma_mm)
    usual = float(np.median(found.sigma_mm[found.known]))
    foot = max(FOOT_OF_TOLERANCE * tolerance, FOOT_SIGMAS * usual)
    out = []
    for sign in (1.0, -1.0):
        beyond = sign * found.value_mm > least
        body, count = ndimage.label((sign * whole.value_mm > foot) | beyond, structure=_FULL)
        for k in range(1, count + 1):
            core = beyond & (body == k)
            if not core.any():
                continue
            long = int(np.ptp(np.nonzero(core)[0])) + 1
            area = float(core.sum()) * patches.step_mm * _ROW_MM
            if long < _FEWEST_ALONG or long * patches.step_mm < _SHORTEST_MM:
                continue
            if area < _SMALLEST_MM2:
                continue
            knock = _measured(band, patches, whole, body == k, sign * tolerance)
            if abs(knock.peak_mm) > max(tolerance - GUARD * knock.sigma_mm, sure * knock.sigma_mm):
                out.append(knock)
    return out


def _measured(
    band: EdgeBand, patches: _Patches, whole: _Field, body: Mask, limit_mm: float
) -> Knock:
    """A knock's measures; its peak is where it most surely stands off."""
    value, sign = whole.value_mm, np.sign(limit_mm)
    body = body & whole.known
    sure = np.where(body, sign * value - GUARD * whole.sigma_mm, -np.inf)
    i, j = np.unravel_index(sure.argmax(), value.shape)
    along, across = np.nonzero(body)
    slope = np.hypot(
        np.gradient(value, patches.step_mm, axis=0), np.gradient(value, _ROW_MM, axis=1)
    )
    u, v, height = patches.place[i, j]
    return Knock(
        "high" if sign > 0.0 else "low",
        band.edge.name,
        band.edge.face,
        float(value[i, j]),
        float(whole.sigma_mm[i, j]),
        float(u),
        float(v),
        float(height),
        float((np.ptp(along) + 1) * patches.step_mm),
        float((np.ptp(across) + 1) * _ROW_MM),
        1e3 * float(slope[body].max()),
        patches.place[body][:, :2],
        value[body],
        sign * value[body] > abs(limit_mm),
        patches.step_mm * _ROW_MM,
    )
