"""The robust line along an edge: what the surface is held to there, and the dings in it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..numerics.biweight import BIWEIGHT, MAD_TO_SIGMA, tukey
from ..numerics.whittaker import robust_line, smooth_alike
from ..rules import SEED
from .edges import Edge

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Sigma along and across an edge of what a station is read from, and so many of it that it reaches
# (choice; at two and a half a Gaussian has 4 % of its height left).
_WINDOW_MM = 10.0
_WINDOW_SIGMAS = 2.5
# Cells at full weight that a plane is laid through: under three of them there is none, and twice
# that and more averages their noise (choice).
_FEWEST_BESIDE = 8.0
# mm2, of the cells either way about a station: with less than 2 mm a plane has no slope (choice).
_LEAST_SPREAD_MM2 = 4.0
# Shares of the tolerance, below which no robust scale falls: of cells about a station's plane, and
# of stations about the line (choice: small parts of what would be told).
_SOUND_OF_TOLERANCE = 1.0 / 30.0
_LINE_OF_TOLERANCE = 1.0 / 6.0
# Weighings of a plane (choice).
_WEIGHINGS = 4
# Their spread is known to a tenth of itself (derived: 1 / sqrt(2 n)).
NOISE_DRAWS = 48
# The free surface errs most at corners, over a sixth of its batten: the line must follow that.
_LINE_SHARE = 0.5
# Of the tolerance: what is farther off the line is not held, or a ding's flanks were (choice).
_HELD_SHARE = 0.5
# Of the weight beside a station: with less of it sound, marks have the say there (choice).
_SOUND_SHARE = 0.5
# Stations: through fewer a smooth line leaves nothing over to judge them by (choice).
_FEWEST_TRUSTED = 4


@dataclass(frozen=True)
class Ding:
    """A short knock in an edge: where (chart mm) and how far (+ is high) it stands off the line."""

    u_mm: float
    v_mm: float
    height_mm: float
    length_mm: float


@dataclass(frozen=True, eq=False)
class EdgeLine:
    """The robust line along an edge: what the surface is held to.

    height_mm : (s,) at the edge's stations; slope : (s,) of the skin along `inward_uv`;
    held : (s,) bool, False where released, dinged or not scanned; slope_gain : (s,) standard
    error of a slope for cells of standard error 1; height_noise, slope_noise : (s, k) draws of
    what such cells' noise does to the line.
    """

    edge: Edge
    height_mm: Floats
    slope: Floats
    held: Mask
    slope_gain: Floats
    height_noise: Floats
    slope_noise: Floats
    dings: tuple[Ding, ...] = ()

    @property
    def name(self) -> str:
        """The edge's name."""
        return self.edge.name

    @property
    def kind(self) -> str:
        """The edge's kind."""
        return self.edge.kind

    @property
    def line_uv(self) -> Floats:
        """Where the edge runs."""
        return self.edge.line_uv

    @property
    def station_uv(self) -> Floats:
        """Where the surface is held."""
        return self.edge.station_uv

    @property
    def inward_uv(self) -> Floats:
        """Into the face, at the stations."""
        return self.edge.inward_uv


@dataclass(frozen=True, eq=False)
class Beside:
    """The cells beside an edge's stations: (s, k) cell numbers, weights of a Gaussian window (0
    where there is none); basis : (s, k, 3) of a plane there: 1 and the distances inward and along
    from the station, mm; products : (s, k, 9) of each two of those.
    """

    cell: NDArray[np.intp]
    weight: Floats
    basis: Floats
    products: Floats
    window_mm: float
    station_mm: float

    def without(self, marked: Mask) -> Beside:
        """The same without some cells, (s, k) bool."""
        return replace(self, weight=np.where(marked, 0.0, self.weight))

    def at(self, stations: NDArray[np.intp]) -> Beside:
        """The same at some of the stations."""
        return Beside(
            self.cell[stations],
            self.weight[stations],
            self.basis[stations],
            self.products[stations],
            self.window_mm,
            self.station_mm,
        )


def cells_beside(edge: Edge, cell_uv: Floats, tree: cKDTree, *, cell_mm: float) -> Beside:
    """Find the cells within two and a half windows of every station of an edge."""
    sigma = max(_WINDOW_MM, 2.0 * cell_mm)
    reach = _WINDOW_SIGMAS * sigma
    most = int(np.ceil(1.2 * np.pi * (reach / cell_mm) ** 2))
    distance, cell = tree.query(
        edge.station_uv, k=min(most, len(cell_uv)), distance_upper_bound=reach
    )
    there = np.isfinite(distance)
    cell = np.where(there, cell, 0)
    apart = cell_uv[cell] - edge.station_uv[:, None, :]
    way = edge.inward_uv
    inward = apart[:, :, 0] * way[:, None, 0] + apart[:, :, 1] * way[:, None, 1]
    along = apart[:, :, 1] * way[:, None, 0] - apart[:, :, 0] * way[:, None, 1]
    weight = np.where(there, np.exp(-0.5 * (np.where(there, distance, 0.0) / sigma) ** 2), 0.0)
    basis = np.stack([np.ones_like(weight), inward, along], axis=2)
    products = (basis[:, :, :, None] * basis[:, :, None, :]).reshape(*weight.shape, 9)
    return Beside(cell, weight, basis, products, sigma, edge.station_mm)


def lay_edge_line(
    edge: Edge,
    beside: Beside,
    off_mm: Floats,
    sound: Floats,
    marked: Mask,
    base_height_mm: Floats,
    base_slope: Floats,
    *,
    tolerance_mm: float,
    batten_mm: float,
) -> EdgeLine:
    """Lay the robust line along an edge, as an offset from a surface laid without holding it.

    Parameters
    ----------
    off_mm : (n,) heights of the face's cells above that surface, numbered as in `beside`.
    sound : (n,) how far each is sound metal, 0 .. 1; a short stretch that is not has no say.
    marked : (n,) bool, cells of marks and so near them that they lean: they have none either.
    base_height_mm, base_slope : (s,) of that surface at the stations, slope along `inward_uv`.
    tolerance_mm : what is over half of it off the line is not held; over all of it, it is a ding,
        and reported.
    batten_mm : wavelength of which the line follows half; the surface's own, or the held
        stations would ask for waves that the surface resists.
    """
    least_mm = _SOUND_OF_TOLERANCE * tolerance_mm
    knock, tilt, root = _planes(beside, off_mm, least_mm)
    seen = np.isfinite(knock)
    # A mark beside an edge may knock it, but has no say in its line: what is longer is form.
    doubted, long = _doubted(beside, sound, batten_mm)
    here = knock.copy()
    leaning = marked[beside.cell] & (beside.weight > 0.0)
    some = np.flatnonzero(seen & leaning.any(axis=1) & ~long)
    if len(some):
        here[some], tilt[some], root[some] = _planes(
            beside.without(leaning).at(some), off_mm, least_mm
        )
    trusted = np.isfinite(here) & ~doubted
    if trusted.sum() < _FEWEST_TRUSTED:
        nothing = np.zeros(len(here), bool)
        quiet = np.zeros((len(here), NOISE_DRAWS))
        return EdgeLine(edge, base_height_mm, base_slope, nothing, root[:, 1, 1], quiet, quiet)
    floor_mm = _LINE_OF_TOLERANCE * tolerance_mm
    # Over a window's length a tilt is worth as much as a height.
    height, slope = (
        _drawn(value, noise, trusted, edge, floor_mm, _LINE_SHARE * batten_mm)
        for value, noise in zip((here, tilt * _WINDOW_MM), _noise(root), strict=True)
    )
    knock = np.where(seen, knock - height.line, 0.0)
    held = trusted & height.followed & slope.followed
    return EdgeLine(
        edge,
        base_height_mm + height.line,
        base_slope + slope.line / _WINDOW_MM,
        held & (np.abs(knock) < _HELD_SHARE * tolerance_mm),
        np.hypot(root[:, 1, 0], root[:, 1, 1]),
        height.noise,
        slope.noise,
        _dings(edge, knock, seen, tolerance_mm),
    )


def _noise(root: Floats) -> tuple[Floats, Floats]:
    """(s, k) each: draws of the stations' noise in height and slope, correlated as they are."""
    draws = np.random.default_rng(SEED).normal(size=(len(root), 2, NOISE_DRAWS))
    own = root @ draws
    return own[:, 0], own[:, 1]


@dataclass(frozen=True, eq=False)
class _Drawn:
    """A robust line drawn through values at stations, (s,); followed : those that had a say;
    noise : (s, k) what the values' noise does to it.
    """

    line: Floats
    followed: Mask
    noise: Floats


def _drawn(
    value_mm: Floats, noise: Floats, trusted: Mask, edge: Edge, floor_mm: float, batten_mm: float
) -> _Drawn:
    """Draw the robust line, and smooth the noise as the line was."""
    line, weight = robust_line(
        value_mm,
        trusted,
        step_mm=edge.station_mm,
        batten_mm=batten_mm,
        floor_mm=floor_mm,
        closed=edge.closed,
    )
    smooth = smooth_alike(
        noise, weight, step_mm=edge.station_mm, batten_mm=batten_mm, closed=edge.closed
    )
    return _Drawn(line, weight > 0, smooth)


def _doubted(beside: Beside, sound: Floats, longest_mm: float) -> tuple[Mask, Mask]:
    """(s,) each: stations beside metal that is mostly not sound, over a stretch no longer than
    this, and over a longer one.
    """
    total = beside.weight.sum(axis=1) + 1e-12
    doubted = (beside.weight * sound[beside.cell]).sum(axis=1) < _SOUND_SHARE * total
    runs, count = ndimage.label(doubted)
    length = np.bincount(runs.ravel(), minlength=count + 1) * beside.station_mm
    long = doubted & (length > longest_mm)[runs]
    return doubted & ~long, long


def _planes(beside: Beside, off_mm: Floats, least_scale_mm: float) -> tuple[Floats, Floats, Floats]:
    """(s,) value and inward slope of a robust plane through the cells beside each station, and
    (s, 2, 2) the root of their covariance for cells of standard error 1.

    Windows of stations overlap: what they share is counted once, by making the errors larger.
    """
    off = off_mm[beside.cell]
    weight = beside.weight
    for _ in range(_WEIGHINGS):
        matrix = _summed(weight, beside.products).reshape(-1, 3, 3)
        total = matrix[:, 0, 0]
        spread = np.minimum(matrix[:, 1, 1], matrix[:, 2, 2]) / np.maximum(total, 1e-12)
        enough = (total > _FEWEST_BESIDE) & (spread > _LEAST_SPREAD_MM2)
        matrix[~enough] = np.eye(3)
        load = _summed(weight * off, beside.basis)
        found = np.linalg.solve(matrix, load[:, :, None])
        rest = np.abs(off - (beside.basis @ found)[:, :, 0])
        scale = np.maximum(least_scale_mm, MAD_TO_SIGMA * _medians(rest, beside.weight > 0))
        used, weight = weight, beside.weight * tukey(rest, BIWEIGHT * scale[:, None])
    plane: Floats = np.where(enough[:, None], found[:, :, 0], np.nan)
    inverse = np.linalg.inv(matrix)
    covariance = inverse @ _summed(used * used, beside.products).reshape(-1, 3, 3) @ inverse
    shared = np.sqrt(4.0 * np.pi) * beside.window_mm / beside.station_mm
    root = np.zeros((len(found), 2, 2))
    root[enough] = np.linalg.cholesky(max(shared, 1.0) * covariance[enough, :2, :2])
    return plane[:, 0], plane[:, 1], root


def _summed(weight: Floats, terms: Floats) -> Floats:
    """(s, t) sums over k of (s, k) weights times (s, k, t) terms."""
    return np.asarray((weight[:, None, :] @ terms)[:, 0, :])


def _medians(value: Floats, there: Mask) -> Floats:
    """(s,) medians along the rows of the values that are there; infinite where none is."""
    ordered = np.sort(np.where(there, value, np.inf), axis=1)
    count = there.sum(axis=1)
    row = np.arange(len(value))
    return 0.5 * (ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, count // 2])


def _dings(edge: Edge, off: Floats, seen: Mask, tolerance_mm: float) -> tuple[Ding, ...]:
    runs, count = ndimage.label(seen & (np.abs(off) > tolerance_mm))
    out = []
    for k in range(1, count + 1):
        at = np.flatnonzero(runs == k)
        peak = at[np.abs(off[at]).argmax()]
        out.append(
            Ding(
                float(edge.station_uv[peak, 0]),
                float(edge.station_uv[peak, 1]),
                float(off[peak]),
                float(len(at) * edge.station_mm),
            )
        )
    return tuple(out)
