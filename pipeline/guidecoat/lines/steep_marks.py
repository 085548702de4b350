"""Dents and bumps whose walls are so steep that their rims are traced as lines.

A line of the panel runs on, and beyond it the skin is another one. The rim of a mark closes on
itself within a hand's breadth or two, and all round it the skin is one: a profile that is drawn
along the body lines there, whatever they are, goes on beyond the mark as it came.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.stats import theilslopes

from ..numerics.biweight import BIWEIGHT, tukey
from ..unrolling.cells import Cells
from ..unrolling.polylines import ways_along
from .crease import Crease
from .ridges import STATION_MM, Ridge

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
# Share of the skin round a mark that is near the profile, by the mark's height and at least; share
# of the ways round it in which skin is seen (choice).
_CALM, _OF_HEIGHT, _NEAR_MM = 0.9, 0.15, 0.1
_SEEN_ROUND, _SECTORS = 0.6, 24
# A line goes on beyond a mark where both its ends point over it, and turn alike (choice).
_POINTED_DEG, _LIKE_TURN = 30.0, 2.0
_BACK, _MOSTLY_OVER = 5, 0.6
# Stations of long lines, and how far they must reach, to tell how a line bows (choice).
_FEWEST_STATIONS, _BOWED_OVER_MM = 6, 60.0
# Lines that run farther aside than that cross the others (choice).
_MOST_ASIDE = 0.5
# Of fewer cells a patch says nothing; and what keeps a profile without any of its own from being
# singular (choice).
_FEWEST_CELLS, _NOTHING = 200, 1e-6


def steep_marks(
    ridges: Sequence[Ridge], lines: Sequence[Crease], cells: Cells, mask: Mask
) -> Mask:
    """(nu, nv) bool, marks along or through which lines were drawn that part the skin.

    Parameters
    ----------
    ridges : all that were traced; lines : those taken of them; mask : cells to look on.
    """
    found = np.zeros(mask.shape, bool)
    parting = [line.line_uv for line in lines if line.parts]
    if not parting:
        return found
    stations = np.vstack(parting)
    nearest = cKDTree(stations)
    long = [ridge.line_uv for ridge in ridges if _span(ridge.line_uv) > _WIDEST_MM]
    rims = [ridge.line_uv for ridge in ridges if _span(ridge.line_uv) <= _WIDEST_MM]
    for rim in sorted(rims, key=_span, reverse=True):
        middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
        radius = float(np.linalg.norm(rim - middle, axis=1).max())
        if found[cells.grid.index(*middle)] or nearest.query(middle)[0] > radius + _SEEN_MM:
            continue
        found |= _mark_in(_Patch.round(middle, radius, cells, mask), long, cells)
    label, _ = ndimage.label(found)
    met = np.unique(label[cells.grid.index(*stations.T)])
    return np.asarray(np.isin(label, met[met > 0]))


def bridged(ridges: Sequence[Ridge], marks: Mask, cells: Cells) -> list[Ridge]:
    """Ridges, strongest first, with those made one of which a mark parted one line."""
    out = list(ridges)
    while True:
        pairs = itertools.combinations(range(len(out)), 2)
        whole = ((k, j, _over(out[k], out[j], marks, cells)) for k, j in pairs)
        found = next(((k, j, ridge) for k, j, ridge in whole if ridge is not None), None)
        if found is None:
            return sorted(out, key=lambda r: -abs(r.turn_rad))
        k, j, ridge = found
        out = [r for i, r in enumerate(out) if i not in (k, j)] + [ridge]


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


def _mark_in(patch: _Patch, long: Sequence[Floats], cells: Cells) -> Mask:
    """The cells of a patch that are a mark and what is seen of it beside, none where it is none."""
    none, side = np.zeros(cells.grid.shape, bool), cells.grid.cell_mm
    if len(patch.uv) < _FEWEST_CELLS:
        return none
    off, scale = _off_profile(patch, *_way_of_lines(patch, long))
    height = _height_of(off[patch.away_mm < patch.rim_mm + side])
    if not _LOWEST_MM < abs(height) < _HIGHEST_MM:
        return none
    field = np.zeros(cells.grid.shape)
    field[patch.at] = np.sign(height) * off
    label, _ = ndimage.label(field > max(_FOOT * abs(height), _FOOT_SCALES * scale))
    count = np.bincount(label[patch.at][patch.away_mm < patch.rim_mm])
    if len(count) < 2:
        return none
    mark = ndimage.binary_fill_holes(label == 1 + int(count[1:].argmax()))
    away = ndimage.distance_transform_edt(~mark) * side
    seen = np.asarray(away <= _SEEN_MM)
    around = none.copy()
    around[patch.at] = True
    return seen if _closed(mark, around & ~seen, patch, cells, field, abs(height)) else none


def _height_of(off: Floats) -> float:
    """How far the twentieth of a rim's inside stands off that is farthest off, signed."""
    if not off.size:
        return 0.0
    ranked = off[np.argsort(-np.abs(off))]
    return float(ranked[len(ranked) // 20])


def _closed(
    mark: Mask, around: Mask, patch: _Patch, cells: Cells, field: Floats, height_mm: float
) -> bool:
    """Whether a mark ends within its patch, is no broader than marks are, and lies amid skin that
    is one.
    """
    i, j = np.nonzero(mark)
    places = np.column_stack([cells.grid.u_mm[i], cells.grid.v_mm[j]])
    if _span(places) > _WIDEST_MM:
        return False
    if np.linalg.norm(places - patch.middle, axis=1).max() > patch.reach_mm - _SEEN_MM:
        return False
    off = np.abs(field[around])
    if not off.size or (off < max(_OF_HEIGHT * height_mm, _NEAR_MM)).mean() < _CALM:
        return False
    apart = np.column_stack([cells.u_mm[around], cells.v_mm[around]]) - places.mean(axis=0)
    sector = np.floor((np.arctan2(apart[:, 1], apart[:, 0]) / np.pi + 1.0) * 0.5 * _SECTORS)
    return len(np.unique(sector)) > _SEEN_ROUND * _SECTORS


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
        scale = max(1.4826 * float(np.median(np.abs(off[round_it]))), _CALMEST_MM)
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


def _over(one: Ridge, other: Ridge, marks: Mask, cells: Cells) -> Ridge | None:
    """Two ridges as one, where the line between their ends runs over a mark and both go that way
    and turn alike.
    """
    if not 1.0 / _LIKE_TURN < one.turn_rad / other.turn_rad < _LIKE_TURN:
        return None
    for a, b in itertools.product(
        (one.line_uv, one.line_uv[::-1]), (other.line_uv, other.line_uv[::-1])
    ):
        gap = b[0] - a[-1]
        steps = np.linspace(0.0, 1.0, max(3, round(np.linalg.norm(gap) / STATION_MM) + 1))
        between = a[-1] + steps[:, None] * gap
        if marks[cells.grid.index(*between.T)].mean() < _MOSTLY_OVER:
            continue
        ways = a[-1] - a[-min(_BACK, len(a))], b[min(_BACK, len(b)) - 1] - b[0]
        if all(_angle_deg(way, gap) < _POINTED_DEG for way in ways):
            length = np.array([one.length_mm, other.length_mm])
            turn = float(length @ [one.turn_rad, other.turn_rad] / length.sum())
            return Ridge(np.vstack([a[:-1], between, b[1:]]), turn)
    return None


def _angle_deg(one: Floats, other: Floats) -> float:
    cosine = one @ other / (np.linalg.norm(one) * np.linalg.norm(other) + 1e-12)
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
