"""Dents and bumps whose walls are so steep that their rims are traced as lines.

A line of the panel runs on, and beyond it the skin is another one. The rim of a mark closes on
itself within a hand's breadth or two, and all round it the skin is one: a profile that is drawn
along the body lines there, whatever they are, goes on beyond the mark as it came.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.stats import theilslopes

from ..numerics.biweight import BIWEIGHT, MAD_TO_SIGMA, tukey
from ..unrolling.cells import Cells
from ..unrolling.polylines import ways_along
from .crease import Crease
from .line_shapes import runs_round
from .ridges import Ridge

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Broader ones are pressed fields, or damage as long as a batten (choice).
_WIDEST_MM = 250.0
# Heights: lower ones are no steps to the lines, higher ones are what a tool pressed (choice).
_LOWEST_MM, _HIGHEST_MM = 0.8, 4.5
# The skin that is looked at beyond a rim, and what of it may be the mark's (choice).
_ROUND_MM, _RIM_MM = 70.0, 10.0
# Knots of the profile, and of how it leans along the lines: two of the smallest cells, and as wide
# as no line turns differently (choice).
_PROFILE_MM, _LEAN_MM = 6.0, 30.0
# On second differences, where a cell weighs 1: it carries the profile over gaps (choice).
_STIFF = 1.0
# Robust fits, and how much more than noise they take: a hand-drawn profile has form of its own left
# over (choice).
_FITS, _WIDER = 6, 3.0
# Of what is left of the skin's own: calmer is no scan.
_CALMEST_MM = 0.01
# Where a mark ends, by its height and by how far the skin round it is off the profile (choice).
_FOOT, _FOOT_SCALES = 0.15, 4.0
# So far off a mark the window for curvatures still sees it, two and a half sigmas (derived).
_SEEN_MM = 15.0
# Share of the skin round a mark that lies on the profile, as near as that share of its height or so
# many mm; share of its outline along which there is skin (choice).
_CALM, _OF_HEIGHT, _NEAR_MM = 0.9, 0.15, 0.1
_SEEN_ROUND = 0.85
# Stations of long lines, and how far they must reach, to tell how a line bows (choice).
_FEWEST_STATIONS, _BOWED_OVER_MM = 6, 60.0
# Lines that run farther aside than that cross the others (choice).
_MOST_ASIDE = 0.5
# Of fewer cells a patch says nothing; and what keeps a profile without any of its own from being
# singular (choice).
_FEWEST_CELLS, _NOTHING = 200, 1e-6


def without_steep_marks(
    cells: Cells, mask: Mask, ridges: Sequence[Ridge], lines: Sequence[Crease]
) -> Cells:
    """Cells with the skin as it was before the marks, along or through whose rims lines were drawn
    that part it; the same ones where there are none. Of a narrow dent the floor is such a line.

    Parameters
    ----------
    mask : cells to look on; ridges : all that were traced; lines : those taken of them.
    """
    parting = [line.line_uv for line in lines if line.parts]
    if not parting:
        return cells
    stations = np.vstack(parting)
    nearest, at = cKDTree(stations), cells.grid.index(*stations.T)
    long = [ridge.line_uv for ridge in ridges if _span(ridge.line_uv) > _WIDEST_MM]
    rims = [ridge.line_uv for ridge in ridges if runs_round(ridge)] + parting
    rims = [rim for rim in rims if _span(rim) <= _WIDEST_MM]
    mended = np.zeros(mask.shape, bool)
    for rim in sorted(rims, key=_span, reverse=True):
        middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
        radius = float(np.linalg.norm(rim - middle, axis=1).max())
        if mended[cells.grid.index(*middle)] or nearest.query(middle)[0] > radius + _SEEN_MM:
            continue
        mark = _mark_in(_Patch.round(middle, radius, cells, mask), long, cells)
        if mark is not None and mark.seen[at].any():
            cells = replace(cells, height_mm=cells.height_mm - mark.off_mm * mark.seen)
            mended |= mark.seen
    return cells


@dataclass(frozen=True, eq=False)
class _Mark:
    """A mark on the grid: off_mm : (nu, nv) how far the cells of its patch stand off the skin that
    goes on beneath it, 0 elsewhere; seen : bool, itself and beside it what is seen of it there.
    """

    off_mm: Floats
    seen: Mask


def _span(line: Floats) -> float:
    return float(np.linalg.norm(np.ptp(line, axis=0)))


@dataclass(frozen=True, eq=False)
class _Patch:
    """The skin within and round a rim: (k, 2) places and (k,) heights of its cells, and which of
    the grid's they are; away_mm : (k,) from the rim's middle; its radius, and the patch's.
    """

    uv: Floats
    height_mm: Floats
    at: tuple[NDArray[np.intp], ...]
    away_mm: Floats
    middle: Floats
    rim_mm: float
    reach_mm: float

    @classmethod
    def round(cls, middle: Floats, rim_mm: float, cells: Cells, mask: Mask) -> _Patch:
        """The skin within 70 mm of a rim."""
        reach = rim_mm + _ROUND_MM
        away = np.hypot(cells.u_mm - middle[0], cells.v_mm - middle[1])
        at = np.nonzero(mask & (away < reach))
        uv = np.column_stack([cells.u_mm[at], cells.v_mm[at]])
        return cls(uv, cells.height_mm[at], at, away[at], middle, rim_mm, reach)


def _mark_in(patch: _Patch, long: Sequence[Floats], cells: Cells) -> _Mark | None:
    """The mark that a patch is looked at for, None where there is none."""
    if len(patch.uv) < _FEWEST_CELLS:
        return None
    off, scale = _off_profile(patch, *_way_of_lines(patch, long))
    side, inside = cells.grid.cell_mm, patch.away_mm < patch.rim_mm + cells.grid.cell_mm
    height = _height_of(off[inside])
    if not _LOWEST_MM < abs(height) < _HIGHEST_MM:
        return None
    field, there = np.zeros(cells.grid.shape), np.zeros(cells.grid.shape, bool)
    field[patch.at], there[patch.at] = off, True
    foot = max(_FOOT * abs(height), _FOOT_SCALES * scale)
    label, _ = ndimage.label(np.sign(height) * field > foot)
    count = np.bincount(label[patch.at][inside], minlength=2)
    if not count[1:].any():
        return None  # Nothing within the rim stands above the foot.
    body = ndimage.binary_fill_holes(label == 1 + int(count[1:].argmax()))
    if not _closed(body, there, patch, cells):
        return None
    seen = np.asarray(ndimage.distance_transform_edt(~body) * side <= _SEEN_MM)
    near = max(_OF_HEIGHT * abs(height), _NEAR_MM)
    calm = np.abs(field[there & ~seen]) < near
    return _Mark(field, seen) if calm.size and calm.mean() > _CALM else None


def _height_of(off: Floats) -> float:
    """How far the twentieth of a rim's inside stands off that is farthest off, signed."""
    if not off.size:
        return 0.0
    ranked = off[np.argsort(-np.abs(off))]
    return float(ranked[len(ranked) // 20])


def _closed(body: Mask, there: Mask, patch: _Patch, cells: Cells) -> bool:
    """Whether a mark is no broader than marks are, ends within its patch, and has skin round it.

    Parameters
    ----------
    there : (nu, nv) bool, the patch's cells.
    """
    i, j = np.nonzero(body)
    places = np.column_stack([cells.grid.u_mm[i], cells.grid.v_mm[j]])
    if _span(places) > _WIDEST_MM:
        return False
    if np.linalg.norm(places - patch.middle, axis=1).max() > patch.reach_mm - _SEEN_MM:
        return False
    rim = ndimage.binary_dilation(body) & ~body
    return bool((rim & there).sum() > _SEEN_ROUND * rim.sum())


def _way_of_lines(patch: _Patch, long: Sequence[Floats]) -> tuple[Floats, float]:
    """The way in which long lines run through a patch beyond its rim, and by how much they bow
    (1/mm) along it; along u and not at all where there are none.
    """
    stations, ways = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for line in long:
        away = np.linalg.norm(line - patch.middle, axis=1)
        beyond = (away > patch.rim_mm + _RIM_MM) & (away < patch.reach_mm)
        stations.append(line[beyond])
        ways.append(ways_along(line)[0][beyond])
    place, way = np.vstack(stations) - patch.middle, np.vstack(ways)
    if not len(place):
        return np.array([1.0, 0.0]), 0.0
    # Lines run either way: twice their angle is the same.
    angle = 0.5 * np.angle(np.exp(2j * np.arctan2(way[:, 1], way[:, 0])).sum())
    along = np.array([np.cos(angle), np.sin(angle)])
    run, left = place @ along, np.array([-along[1], along[0]])
    slope = (way @ left) / (way @ along)
    straight = np.abs(slope) < _MOST_ASIDE
    run, slope = run[straight], slope[straight]
    if len(run) < _FEWEST_STATIONS or np.ptp(run) < _BOWED_OVER_MM:
        return along, 0.0
    # Where the line was drawn round the mark it runs aside, at fewer than half of its stations.
    bow, lean, *_ = theilslopes(slope, run)
    along = along + lean * left
    return along / np.linalg.norm(along), 0.5 * float(bow)


def _off_profile(patch: _Patch, along: Floats, bow: float) -> tuple[Floats, float]:
    """(k,) how far the cells of a patch stand off the profile that is drawn along a way, and by how
    much the skin's own do.
    """
    place = patch.uv - patch.middle
    x, y = place @ along, place @ np.array([-along[1], along[0]])
    y = y - bow * x * x
    x, z = x / patch.reach_mm, patch.height_mm
    profile = _hats(y, _PROFILE_MM)
    lean = _hats(y, _LEAN_MM) * x[:, None]
    form = np.hstack([profile, lean, np.column_stack([x**2, x**2 * y / patch.reach_mm, x**3])])
    bend = np.zeros((profile.shape[1] - 2, form.shape[1]))
    rows = np.arange(len(bend))
    for k, value in enumerate((1.0, -2.0, 1.0)):
        bend[rows, rows + k] = value
    stiff = _STIFF * bend.T @ bend + _NOTHING * np.eye(form.shape[1])
    round_it = patch.away_mm > patch.rim_mm + _RIM_MM
    weight = round_it.astype(np.float64)
    off, scale = z, 0.0
    for _ in range(_FITS):
        weighted = form * weight[:, None]
        off = z - form @ np.linalg.solve(weighted.T @ form + stiff, weighted.T @ z)
        scale = max(MAD_TO_SIGMA * float(np.median(np.abs(off[round_it]))), _CALMEST_MM)
        weight = tukey(off, _WIDER * BIWEIGHT * scale) * round_it
    return off, scale


def _hats(x: Floats, knot_mm: float) -> Floats:
    """(n, k) linear interpolation between knots so far apart, at n places."""
    low = np.floor(x.min() / knot_mm)
    place = x / knot_mm - low
    count = int(place.max()) + 2
    left = place.astype(np.intp)
    out = np.zeros((len(x), count))
    rows = np.arange(len(x))
    out[rows, left], out[rows, left + 1] = 1.0 - (place - left), place - left
    return out
