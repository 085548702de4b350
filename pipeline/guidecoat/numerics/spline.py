"""Bivariate cubic smoothing splines on a regular lattice of knots, solved directly.

Knows nothing of panels. A spline is `s(u, v) = sum c_ij B_i(u) B_j(v)` with uniform cubic
B-splines; coefficients minimise

    sum_k w_k (z_k - s(u_k, v_k))^2 + lambda * integral |grad^m s|^2,
    |grad^m s|^2 = sum_k C(m, k) (d^m s / du^k dv^(m-k))^2,

over the active spans of the lattice; spans may have a metric of their own, to hinge along a
line. m = 2 is the bending energy of a plate with Poisson's ratio 0 (Duchon 1977). The normal
matrix is banded and is factorised by banded Cholesky. Equalities `s(u_k, v_k) = z_k` are met by
the augmented Lagrangian (Hestenes 1969), which keeps the band.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .banded import Factor, factorise

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Row p: coefficients of t^0..t^3 of the p-th of the four cubic B-splines over one span.
_PIECES = np.array([[1, -3, 3, -1], [4, 0, -6, 3], [1, 3, 3, -3], [0, 0, 0, 1]]) / 6.0
_HOLD_ROUNDS = 3
# Rows of a span that are worked on at once, over the mean of all spans.
_FULLEST = 2.0
# So many groups and their products stay in the processor's cache.
_AT_ONCE = 512


@dataclass(frozen=True, eq=False)
class SplineSpace:
    """A lattice of square spans and the B-splines that live on its active ones.

    u0, v0 : lower corner; knot : side of a span; active : (nu, nv) bool, spans that count;
    numbers : (nu + 3, nv + 3) int64, unknown of each B-spline, -1 where it touches no active
    span. Unknowns run fastest along the shorter side, which keeps `bandwidth` small.
    """

    u0: float
    v0: float
    knot: float
    active: NDArray[np.bool_]
    numbers: Ints
    size: int
    bandwidth: int

    @classmethod
    def build(cls, u0: float, v0: float, knot: float, active: NDArray[np.bool_]) -> SplineSpace:
        """Number the B-splines that touch an active span."""
        nu, nv = active.shape
        touched = np.zeros((nu + 3, nv + 3), bool)
        for p in range(4):
            for q in range(4):
                touched[p : p + nu, q : q + nv] |= active
        numbers = np.full(touched.shape, -1, np.int64)
        order = np.flatnonzero((touched if nv <= nu else touched.T).ravel())
        view = numbers if nv <= nu else numbers.T
        view[np.unravel_index(order, view.shape)] = np.arange(order.size)
        bandwidth = 0
        for i, j in [(0, 0), (0, 3), (3, 0)]:
            for k, m in [(3, 3), (3, 0), (0, 3)]:
                first = numbers[i : i + nu, j : j + nv][active]
                last = numbers[k : k + nu, m : m + nv][active]
                if first.size:
                    bandwidth = max(bandwidth, int(np.abs(last - first).max()))
        return cls(u0, v0, knot, active, numbers, int(order.size), bandwidth)

    def covers(self, u: Floats, v: Floats) -> NDArray[np.bool_]:
        """(n,) bool: which places lie on an active span."""
        i, j, inside = self._spans(u, v)
        return inside & self.active[i, j]

    def _spans(self, u: Floats, v: Floats) -> tuple[Ints, Ints, NDArray[np.bool_]]:
        nu, nv = self.active.shape
        x, y = (u - self.u0) / self.knot, (v - self.v0) / self.knot
        inside = (x >= 0) & (x <= nu) & (y >= 0) & (y <= nv)
        i = np.clip(np.floor(x), 0, nu - 1).astype(np.int64)
        j = np.clip(np.floor(y), 0, nv - 1).astype(np.int64)
        return i, j, inside

    def rows(self, u: Floats, v: Floats, *, du: int = 0, dv: int = 0) -> Rows:
        """The B-splines at n places, or a derivative of them; places must be covered."""
        i, j, _ = self._spans(u, v)
        bu = _pieces((u - self.u0) / self.knot - i, du) / self.knot**du
        bv = _pieces((v - self.v0) / self.knot - j, dv) / self.knot**dv
        p = np.arange(4)
        index = self.numbers[
            i[:, None, None] + p[None, :, None], j[:, None, None] + p[None, None, :]
        ]
        value = bu[:, :, None] * bv[:, None, :]
        if index.size and index.min() < 0:
            raise ValueError("a place lies outside the active spans of the spline")
        return Rows(
            self,
            np.ascontiguousarray(index.reshape(-1, 16)),
            np.ascontiguousarray(value.reshape(-1, 16)),
        )

    def lattice(self, coefficients: Floats) -> Floats:
        """(size,) unknowns to the (nu + 3, nv + 3) lattice, NaN where nothing is active."""
        return np.where(self.numbers >= 0, coefficients[self.numbers], np.nan)


@dataclass(frozen=True, eq=False)
class Rows:
    """Sparse rows of 16 entries over the unknowns of a spline: `s = sum value * c[index]`; index,
    value are (n, 16).
    """

    space: SplineSpace
    index: Ints
    value: Floats

    @cached_property
    def _matrix(self) -> sparse.csr_array:
        n, entries = self.index.shape
        start = np.arange(0, (n + 1) * entries, entries, dtype=np.int32)
        index = self.index.ravel().astype(np.int32)
        return sparse.csr_array((self.value.ravel(), index, start), shape=(n, self.space.size))

    @cached_property
    def _groups(self) -> _Groups:
        return _Groups.of(self)

    def squares(self, weights: Floats) -> Floats:
        """(size, bandwidth + 1) lower band of `sum w b b'` over the rows b, for (n,) weights."""
        shape = self.space.size, self.space.bandwidth + 1
        if not len(self.index):
            return np.zeros(shape)
        groups = self._groups
        weight = np.append(weights, 0.0)[groups.row]
        lower = np.empty((len(weight), len(groups.lower)))
        for k in range(0, len(weight), _AT_ONCE):
            some = slice(k, k + _AT_ONCE)
            value = groups.value[some]
            block = value.transpose(0, 2, 1) @ (value * weight[some, :, None])
            lower[some] = block.reshape(len(block), -1).take(groups.lower, axis=1)
        band = np.bincount(groups.place, lower.ravel(), minlength=shape[0] * shape[1])
        return np.asarray(band.reshape(shape), np.float64)

    def __matmul__(self, coefficients: Floats) -> Floats:
        """(n,) or (n, k) values of the rows at (size,) or (size, k) coefficients."""
        return np.asarray(self._matrix @ coefficients)

    def transposed(self, load: Floats) -> Floats:
        """(size,) or (size, k) `rows' load` for a load of (n,) or (n, k)."""
        return np.asarray(self._matrix.T @ load)

    @classmethod
    def stacked(cls, *parts: Rows) -> Rows:
        """The rows of all parts, which are of the same spline, one below the other."""
        index = np.concatenate([part.index for part in parts])
        value = np.concatenate([part.value for part in parts])
        return cls(parts[0].space, index, value)

    def some(self, chosen: Ints | NDArray[np.bool_]) -> Rows:
        """Some of the rows."""
        return Rows(self.space, self.index[chosen], self.value[chosen])

    def combined(self, a: Floats, other: Rows, b: Floats) -> Rows:
        """Row by row `a * self + b * other`, for rows at the same places."""
        value = a[:, None] * self.value + b[:, None] * other.value
        return Rows(self.space, self.index, value)


@dataclass(frozen=True, eq=False)
class _Groups:
    """Rows of one span side by side, so that their squares are products of small matrices.

    row : (k, m) row numbers, -1 where a group is not full; value : (k, m, 16), any there;
    lower : (136,) the entries of a (16, 16) block that the lower band holds; place : (k * 136,)
    where they belong in the band, laid out flat.
    """

    row: Ints
    value: Floats
    lower: Ints
    place: Ints

    @classmethod
    def of(cls, rows: Rows) -> _Groups:
        # A span is known by its first B-spline. Full ones are cut, which pads the others less.
        first = rows.index[:, 0]
        counts = np.unique(first, return_counts=True)[1]
        longest = min(int(counts.max()), int(np.ceil(_FULLEST * counts.mean())))
        rank = np.arange(len(first)) - np.repeat(np.cumsum(counts) - counts, counts)
        group = np.cumsum(rank % longest == 0) - 1
        row = np.full((group[-1] + 1, longest), -1)
        row[group, rank % longest] = np.argsort(first, kind="stable")
        # The unknowns of all spans rise alike.
        index = rows.index[row[:, 0]]
        rising = np.argsort(index[:1].ravel())
        lower = np.tril_indices(len(rising))
        high, low = rising[lower[0]], rising[lower[1]]
        place = index[:, low] * rows.space.bandwidth + index[:, high]
        return cls(row, rows.value[row], high * 16 + low, place.ravel())


def _pieces(t: Floats, derivative: int) -> Floats:
    """(n, 4) cubic B-spline pieces at t in [0, 1], or their derivative by t."""
    out = np.zeros((t.size, 4))
    for power in range(3, derivative - 1, -1):
        factor = np.prod(np.arange(power - derivative + 1, power + 1))
        out = out * t[:, None] + factor * _PIECES[:, power]
    return out


def span_powers(lattices: Floats) -> Floats:
    """(k, nu, nv, 16) polynomials of t, w in [0, 1] over every span, from (k, nu + 3, nv + 3)
    B-spline coefficients: the factors of t^3 w^3, t^3 w^2, t^3 w, t^3, t^2 w^3, down to 1.
    """
    spans = np.lib.stride_tricks.sliding_window_view(lattices, (4, 4), axis=(1, 2))
    falling = _PIECES[:, ::-1]
    powers = falling.T @ spans @ falling
    return np.ascontiguousarray(powers.reshape(*powers.shape[:3], 16))


def isotropic_metric(order: int) -> Floats:
    """(m + 1, m + 1) metric of `|grad^m s|^2` over the derivatives d^m / du^(m-k) dv^k."""
    return np.diag([float(comb(order, k)) for k in range(order + 1)])


def hinge_metric(
    order: int, tangent: Floats, stiffness: float, *, along: Floats | float = 1.0
) -> Floats:
    """(n, m + 1, m + 1) metrics that are stiff along a line and free across it.

    Parameters
    ----------
    tangent : (n, 2) unit vectors t along the line, n the normal to it.
    stiffness : share left to every derivative with a factor across the line; the one wholly
        along it keeps its own. A profile across the line so costs nothing while it changes evenly
        along it (up to the power m - 1), also where the line bends, and a mark on the line
        still costs what it costs anywhere.
    along : (n,) what that one keeps, as a share of its own.
    """
    t = np.asarray(tangent, np.float64)
    n = np.column_stack([-t[:, 1], t[:, 0]])
    total = np.zeros((len(t), order + 1, order + 1))
    for across in range(order + 1):
        factors = [t] * (order - across) + [n] * across
        component = np.ones((len(t), 1))
        for factor in factors:  # Multiply out (a d/du + b d/dv) ... as a polynomial in d/dv.
            grown = np.zeros((len(t), component.shape[1] + 1))
            grown[:, :-1] += factor[:, :1] * component
            grown[:, 1:] += factor[:, 1:] * component
            component = grown
        weight = comb(order, across) * np.broadcast_to(stiffness if across else along, len(t))
        total += weight[:, None, None] * component[:, :, None] * component[:, None, :]
    return total


def span_energy(knot: float, order: int, metric: Floats) -> Floats:
    """(n, 16, 16) energies of spans with (n, m + 1, m + 1) metrics, exact (Gauss-Legendre)."""
    x, w = np.polynomial.legendre.leggauss(4)
    t, w = 0.5 * (x + 1.0), 0.5 * w
    pieces = [
        _pieces(t, d) * knot ** (0.5 - d) if d <= 3 else np.zeros((4, 4)) for d in range(order + 1)
    ]
    gram = [[(a.T * w) @ b for b in pieces] for a in pieces]
    total = np.zeros((len(metric), 16, 16))
    for k in range(order + 1):
        for j in range(order + 1):
            product = np.kron(gram[order - k][order - j], gram[k][j])
            total += metric[:, k, j, None, None] * product
    return total


@dataclass(frozen=True, eq=False)
class Hinges:
    """Spans with a metric of their own: (n, 2) span numbers and (n, m + 1, m + 1) metrics."""

    spans: Ints
    metric: Floats


def energy_band(space: SplineSpace, *, order: int, hinges: Hinges | None = None) -> Floats:
    """(size, bandwidth + 1) lower band of the energy, isotropic but for the hinges."""
    band = np.zeros((space.size, space.bandwidth + 1))
    metric = isotropic_metric(order)[None]
    which = np.zeros(space.active.shape, np.int64)
    if hinges is not None and len(hinges.spans):
        which[tuple(hinges.spans.T)] = 1 + np.arange(len(hinges.spans))
        metric = np.concatenate([metric, hinges.metric])
    i, j = np.nonzero(space.active)
    energy = span_energy(space.knot, order, metric)[which[i, j]]
    number = [space.numbers[i + k // 4, j + k % 4] for k in range(16)]
    for a in range(16):
        for b in range(16):
            lower = number[b] <= number[a]
            row, column = number[a][lower], number[b][lower]
            # Each span has another pair of B-splines here, so no place is met twice.
            band[column, row - column] += energy[lower, a, b]
    return band


def band_matrix(band: Floats) -> sparse.dia_array:
    """The symmetric matrix of a lower band, without its empty diagonals."""
    kept = np.flatnonzero(band.any(axis=0))
    lower = sparse.dia_array((band.T[kept], -kept), shape=(len(band), len(band)))
    return sparse.dia_array(lower + lower.T - sparse.diags_array(band[:, 0]))


@dataclass(frozen=True, eq=False)
class Fit:
    """Coefficients, the factor they came from (held rows included), and the held rows' weight."""

    coefficients: Floats
    factor: Factor
    penalty: float = 0.0


def transfer(wavelength: float, batten: float, *, order: int, passes: int = 1) -> float:
    """Share of a long wave that the surface follows, `1 - (x / (1 + x))^passes`.

    Here x = (L / wavelength)^(2m) with lambda = (L / 2 pi)^(2m); one pass is the transfer of the
    spline filter of ISO 16610-22 for m = 2, more are Tikhonov's iterated.

    >>> round(transfer(200.0, 100.0, order=2), 6)
    0.941176
    """
    x = (batten / wavelength) ** (2 * order)
    return float(1.0 - (x / (1.0 + x)) ** passes)


def half_at(passes: int, order: int) -> float:
    """L over the wavelength at which `transfer` is a half.

    >>> half_at(1, 3)
    1.0
    """
    share = 0.5 ** (1.0 / passes)
    return float((share / (1.0 - share)) ** (1.0 / (2 * order)))


def solve(
    energy: Floats,
    rows: Rows,
    values: Floats,
    weights: Floats,
    *,
    smoothing: float,
    held: Rows | None = None,
    held_values: Floats | None = None,
    passes: int = 1,
    start: Floats | None = None,
) -> Fit:
    """Minimise `sum w (z - s)^2 + smoothing * c'Ec` subject to `held @ c = held_values`.

    Parameters
    ----------
    energy : (size, bandwidth + 1) from `energy_band`.
    rows, values, weights : n data, with weights >= 0.
    smoothing : lambda, in mm^(2m) when weights are areas in mm^2.
    held, held_values : equalities, met to better than 1e-6 of the data's scale.
    passes : 2 or more fit what the passes before left over (iterated Tikhonov regularisation,
        Tukey's twicing), which takes away the pull of the energy on long waves and near edges.
    start : (size,) unknowns of a surface whose bending costs nothing: the first pass fits what it
        leaves over.

    Raises
    ------
    numpy.linalg.LinAlgError
        When data and held rows leave part of the spline free.
    """
    band = rows.squares(weights)
    band += smoothing * energy
    if held is None or held_values is None or not len(held_values):
        held, held_values, penalty = None, np.zeros(0), 0.0
    else:
        penalty = 1e3 * float(band[:, 0].max())
        band += held.squares(np.full(len(held_values), penalty))
    factor = factorise(band)
    coefficients = np.zeros(len(band)) if start is None else start.copy()
    for _ in range(passes):
        right = rows.transposed(weights * (values - rows @ coefficients))
        if held is None:
            coefficients += factor.solve(right)
            continue
        wanted = held_values - held @ coefficients
        pull, step = np.zeros(len(wanted)), np.zeros(len(band))
        for _ in range(_HOLD_ROUNDS):
            step = factor.solve(right + held.transposed(pull + penalty * wanted))
            pull += penalty * (wanted - held @ step)
        coefficients += step
    return Fit(coefficients, factor, penalty)
