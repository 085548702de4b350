"""The trend of a face: a polynomial, and a fold along every body line, in its spline space.

A smoothing spline leans near edges and sags over wide gaps in its data: where its own energy lets
go, it goes on as a low polynomial. What a trend surface takes off beforehand (Matheron's universal
kriging calls it the drift) it need not bend for, and a panel's crown is nearly all of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..numerics.biweight import BIWEIGHT, MAD_TO_SIGMA, tukey
from ..numerics.spline import Rows, SplineSpace
from ..numerics.whittaker import whittaker
from ..rules import SEED
from ..unrolling.polylines import run_along, ways_along

Floats = NDArray[np.float64]

# Of the polynomials; and degrees to the number of battens along a face: one of degree d goes up and
# down d / 2 times.
_DEGREE, _TO_A_BATTEN = 5, 2.0
# What comes and goes along both of its ways has half its degree in each, and no wave shorter than
# the batten even with twice as many; what waves one way all along a face is its form. With the
# fifth degree the surface lay .01 to .05 mm rms off wings whose radius goes from 235 mm to none,
# and up to .25 off in marks near their edges; with the eighth .002 to .013, and .07 (measured). Not
# where a face hinges: higher ones go on where its fold is not quite its line's, and lay up to .2 mm
# off beside it.
_HIGHEST_DEGREE, _MOST_TO_A_BATTEN = 8, 4.0
# And only where the metal lies so much nearer to them, marks not counted: elsewhere a mark in a
# corner would be all they gain by (followed by a third of its height when they were let in there).
_GAINED = 0.9
_GAINED_MM = 1e-3
_GAINED_OF_CELLS = 4000
_ROUNDS = 8
_FOLD_POWERS = ((1, 0), (1, 1), (1, 2), (2, 0), (2, 1))
# Beyond a shoulder the skin leans far off the chart's base, and is no quadratic over it: without
# the higher powers the surface is 0.1 mm off beside it.
_ROUNDED_POWERS = (*_FOLD_POWERS, (3, 0), (3, 1), (3, 2), (4, 0), (4, 1), (5, 0))
_MOST_CELLS = 12_000
_STEP_MM = 5.0
_FEWEST_PLACES = 5
# What folds by 0.4 rad along lines that wander by 0.2 mm over 400 mm is off by 0.03 mm rms all over
# a bonnet, and by 0.4 mm in the fans of single bends; with lines this stiff by 0.006 mm. The spline
# does the rest, within its hinge.
_LINE_BATTENS_MM = (1600.0, 800.0, 400.0)
_MOVED_MM = 0.6
# Past its end a line straightens out over so much (choice).
_STRAIGHTENED_MM = 300.0
# Feet on a bent line run together at its centre: nearer to it than this share of the radius they
# are taken as there (choice).
_OF_RADIUS = 0.2
_NEGLIGIBLE = 1e-10


@dataclass(frozen=True, eq=False)
class Trend:
    """Functions that a trend may be made of.

    basis : (size, k) their unknowns in the face's spline space; degree : (k, 2) of each along u
    and v, 0 for folds; span_mm : the face's extent along u and v; cell : (c,) numbers of the cells
    they are fitted to, at_cell : (c, k) their values there; rich : whether those of high degree are
    used.
    """

    basis: Floats
    degree: NDArray[np.int64]
    span_mm: tuple[float, float]
    cell: NDArray[np.int64]
    at_cell: Floats
    rich: bool = False

    def fit(self, height_mm: Floats, weight: Floats, *, batten_mm: float) -> Floats:
        """(size,) unknowns of the weighted least-squares trend.

        Parameters
        ----------
        height_mm, weight : (n,) of all the face's cells.
        batten_mm : no polynomial is used that comes and goes in shorter waves.
        """
        used = self._used(batten_mm)
        found = _least_squares(self.at_cell[:, used], height_mm[self.cell], weight[self.cell])
        return np.asarray(self.basis[:, used] @ found)

    def _used(self, batten_mm: float) -> NDArray[np.bool_]:
        """(k,) bool, the functions that come and go in no shorter waves."""
        highest = _HIGHEST_DEGREE if self.rich else _DEGREE
        to_a_batten = _MOST_TO_A_BATTEN if self.rich else _TO_A_BATTEN
        most = [min(highest, int(to_a_batten * span / batten_mm)) for span in self.span_mm]
        used = (self.degree <= most).all(axis=1) & (self.degree.sum(axis=1) <= max(most))
        # Up to quadratics the energy leaves all free anyway.
        return np.asarray(used | (self.degree.sum(axis=1) <= 2))

    def enriched(
        self, height_mm: Floats, weight: Floats, *, batten_mm: float, near_mm: float
    ) -> Trend:
        """The trend with high degrees too where the sound metal lies nearer to those, and on them;
        itself where it does not.

        Parameters
        ----------
        near_mm : metal that lies farther off has form that is no polynomial of theirs either.
        """
        rich = replace(self, rich=True)
        step = max(1, len(self.cell) // _GAINED_OF_CELLS)
        cell = self.cell[::step]
        plain_mm, rich_mm = (
            _robust_scale(
                trend.at_cell[::step, trend._used(batten_mm)], height_mm[cell], weight[cell]
            )
            for trend in (self, rich)
        )
        gained_mm = min(_GAINED * plain_mm, plain_mm - _GAINED_MM)
        return rich if rich_mm < min(gained_mm, near_mm) else self


def _least_squares(values: Floats, height_mm: Floats, weight: Floats) -> Floats:
    weighted = values * weight[:, None]
    found = np.linalg.lstsq(weighted.T @ values, weighted.T @ height_mm, rcond=_NEGLIGIBLE)[0]
    return np.asarray(found)


def _robust_scale(values: Floats, height_mm: Floats, weight: Floats) -> float:
    """How far (mm) heights lie off the functions' sum that most of them agree on."""
    kept, scale = np.ones(len(height_mm)), 0.0
    for _ in range(_ROUNDS):
        off = height_mm - values @ _least_squares(values, height_mm, kept * weight)
        scale = MAD_TO_SIGMA * float(np.median(np.abs(off)))
        kept = tukey(off, BIWEIGHT * scale + _NEGLIGIBLE)
    return scale


@dataclass(frozen=True, eq=False)
class Fold:
    """A line along which a face's trend may fold: (k, 2) mm; round_mm : how far to either side the
    fold is rounded, 0 for a kink; apart_mm : how far off it the trend is fitted at all.
    """

    line_uv: Floats
    round_mm: float = 0.0
    apart_mm: float = 0.0


def trend_of(space: SplineSpace, rows: Rows, uv: Floats, folds: Sequence[Fold]) -> Trend:
    """The functions a face's trend may be made of.

    Parameters
    ----------
    rows : of the face's cells, at (n, 2) chart places `uv`.
    folds : along which the face may fold; their lines are carried on.
    """
    low, high = uv.min(axis=0), uv.max(axis=0)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    nu, nv = space.numbers.shape
    # One node more on every side, for the second differences.
    u = space.u0 + space.knot * (np.arange(nu + 2) - 2.0)
    v = space.v0 + space.knot * (np.arange(nv + 2) - 2.0)
    own = np.arange(_HIGHEST_DEGREE + 1)
    along_u = legendre.legvander((u - middle[0]) / half[0], _HIGHEST_DEGREE)
    along_v = legendre.legvander((v - middle[1]) / half[1], _HIGHEST_DEGREE)
    degree = np.array([(a, b) for a in own for b in own if a + b <= _HIGHEST_DEGREE])
    fields = [along_u[:, a, None] * along_v[None, :, b] for a, b in degree]
    nodes = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1)
    reach = float(np.hypot(*(2.0 * half)))
    fitted = np.ones(len(uv), bool)
    for fold in folds:
        fields += _fields_of(fold, nodes, reach)
        if fold.apart_mm > 0.0:
            fitted &= cKDTree(fold.line_uv).query(uv)[0] > fold.apart_mm
    degree = np.vstack([degree, np.zeros((len(fields) - len(degree), 2), np.int64)])
    active = space.numbers >= 0
    basis = np.empty((space.size, len(fields)))
    for k, field in enumerate(fields):
        basis[space.numbers[active], k] = _unknowns(field)[active]
    cell = np.flatnonzero(fitted)
    if len(cell) > _MOST_CELLS:
        cell = np.sort(np.random.default_rng(SEED).choice(cell, _MOST_CELLS, replace=False))
    at_cell = rows.some(cell) @ basis
    return Trend(basis, degree, (2.0 * float(half[0]), 2.0 * float(half[1])), cell, at_cell)


def _fields_of(fold: Fold, nodes: Floats, reach_mm: float) -> list[Floats]:
    """The functions of one fold at the nodes: one-sided powers of the distance from its line, that
    change along it. A rounded one's are made as large as each other, or high ones would be lost.
    """
    off, along = _off_line(fold.line_uv, nodes, reach_mm)
    if fold.round_mm == 0.0:
        return [np.abs(off) * off ** (power - 1) * along**lean for power, lean in _FOLD_POWERS]
    away, radius = np.abs(off), fold.round_mm / reach_mm
    away = np.where(away < radius, 0.5 * (away**2 / radius + radius), away)
    fields = [away * off ** (power - 1) * along**lean for power, lean in _ROUNDED_POWERS]
    return [field / np.abs(field).max() for field in fields]


def _unknowns(field: Floats) -> Floats:
    """Unknowns of the spline that takes up a field given at its nodes and one row round them.

    Quasi-interpolation `c = f - f'' h^2 / 6` by second differences, exact up to cubics
    (de Boor, A Practical Guide to Splines, ch. XII).
    """
    along = (8.0 * field[1:-1] - field[:-2] - field[2:]) / 6.0
    return np.asarray((8.0 * along[:, 1:-1] - along[:, :-2] - along[:, 2:]) / 6.0)


def _fair_line(line: Floats, reach_mm: float) -> Floats:
    """A line as stiff as it keeps to its place, and run on past both ends: distances from it are
    then smooth far off, too, where every bend of a line opens as a fan.
    """
    run = run_along(line)
    even = np.linspace(0.0, run[-1], max(_FEWEST_PLACES, round(run[-1] / _STEP_MM) + 1))
    places = np.column_stack([np.interp(even, run, along) for along in line.T])
    drawn = places
    for batten in _LINE_BATTENS_MM:
        drawn = whittaker(places, np.ones(len(even)), (batten / (2.0 * np.pi * even[1])) ** 6)
        if np.linalg.norm(drawn - places, axis=1).max() < _MOVED_MM:
            break
    before, after = _run_on(drawn[::-1], reach_mm)[::-1], _run_on(drawn, reach_mm)
    return np.vstack([before, drawn, after])


def _run_on(line: Floats, reach_mm: float) -> Floats:
    """Places past a line's end: it straightens out over a while, as a kink would be a fan."""
    (du, dv), last = np.diff(line[-3:], axis=0).T, np.linalg.norm(line[-1] - line[-2])
    way = np.unwrap(np.arctan2(dv, du))
    step = np.arange(last, reach_mm, last)
    gone = np.minimum(step, _STRAIGHTENED_MM)
    angle = way[1] + (way[1] - way[0]) / last * (gone - gone**2 / (2.0 * _STRAIGHTENED_MM))
    return line[-1] + last * np.column_stack([np.cos(angle), np.sin(angle)]).cumsum(axis=0)


def _off_line(line: Floats, nodes: Floats, reach_mm: float) -> tuple[Floats, Floats]:
    """Signed distance of every node from a line run on, and how far along it lies, both as shares
    of the face's size.
    """
    whole = _fair_line(line, reach_mm)
    way, left = ways_along(whole)
    length = run_along(whole)
    bend = (np.gradient(way, length, axis=0) * left).sum(axis=1)
    nearest = cKDTree(whole).query(nodes.reshape(-1, 2))[1].reshape(nodes.shape[:2])
    apart = nodes - whole[nearest]
    ahead, off = ((ways[nearest] * apart).sum(axis=-1) for ways in (way, left))
    # The foot on a line that bends; never nearer to its centre than a share of the radius.
    along = length[nearest] + ahead / np.maximum(1.0 - bend[nearest] * off, _OF_RADIUS)
    return off / reach_mm, (along - 0.5 * length[-1]) / reach_mm
