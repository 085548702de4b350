"""Factors of banded symmetric matrices, applied to one right-hand side or to many at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.linalg.blas import dtrsm

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_FEW = 4
_COLUMNS = 256


@dataclass(frozen=True, eq=False)
class Factor:
    """The Cholesky factor L of K = L L', in LAPACK's lower band form: (bandwidth + 1, size)."""

    lower: Floats

    def solve(self, right: Floats) -> Floats:
        """(size,) or (size, k) solution of K c = right."""
        if right.ndim == 1 or right.shape[1] <= _FEW:
            return np.asarray(cho_solve_banded((self.lower, True), right, check_finite=False))
        parts = [np.array(right[part], order="F") for part in self._parts]
        self._forward(parts, 0)
        for k in reversed(range(len(parts))):
            if k + 1 < len(parts):
                parts[k] -= self._below[k].T @ parts[k + 1]
            parts[k] = dtrsm(1.0, self._diagonal[k], parts[k], lower=1, trans_a=1, overwrite_b=1)
        return np.vstack(parts)

    def variance(self, index: Ints, value: Floats) -> Floats:
        """(n,) diagonal of `B K^-1 B'` for sparse rows B: their entries and where they stand.

        `b' K^-1 b` is the square of `L^-1 b`, which is zero above the first entry of b.

        Parameters
        ----------
        index, value : (n, entries).
        """
        out = np.empty(len(index))
        order = np.argsort(index.min(axis=1), kind="stable")
        block = max(self.lower.shape[0] - 1, 1)
        for start in range(0, len(order), _COLUMNS):
            chosen = order[start : start + _COLUMNS]
            first = int(index[chosen].min()) // block
            right = np.zeros((self.lower.shape[1] - first * block, len(chosen)))
            column = np.arange(len(chosen))[:, None]
            np.add.at(right, (index[chosen] - first * block, column), value[chosen])
            parts = [np.array(right[k : k + block], order="F") for k in range(0, len(right), block)]
            self._forward(parts, first)
            out[chosen] = sum((part * part).sum(axis=0) for part in parts)
        return out

    def _forward(self, parts: list[Floats], first: int) -> None:
        """Replace right-hand sides, cut into blocks from the given one on, by L^-1 of them."""
        for k in range(len(parts)):
            if k:
                parts[k] -= self._below[first + k - 1] @ parts[k - 1]
            parts[k] = dtrsm(1.0, self._diagonal[first + k], parts[k], lower=1, overwrite_b=1)

    # In blocks as wide as the band, L has blocks on its diagonal and right below it, no others.

    @cached_property
    def _parts(self) -> list[slice]:
        size = self.lower.shape[1]
        block = max(self.lower.shape[0] - 1, 1)
        return [slice(k, min(k + block, size)) for k in range(0, size, block)]

    @cached_property
    def _diagonal(self) -> list[Floats]:
        return [np.tril(self._block(part, part)) for part in self._parts]

    @cached_property
    def _below(self) -> list[Floats]:
        pairs = zip(self._parts[1:], self._parts[:-1], strict=True)
        return [np.triu(self._block(rows, columns)) for rows, columns in pairs]

    def _block(self, rows: slice, columns: slice) -> Floats:
        """A block of L, anything where it is off the band; L_ij is the band's entry [i - j, j]."""
        band = self.lower.shape[0] - 1
        flat = np.ascontiguousarray(self.lower.T).reshape(-1)[columns.start * band + rows.start :]
        step = flat.itemsize
        shape = (rows.stop - rows.start, columns.stop - columns.start)
        return np.asfortranarray(as_strided(flat, shape, (step, band * step)))


def factorise(band: Floats) -> Factor:
    """Cholesky of a lower band stored as band[column, row - column], which it overwrites.

    Raises
    ------
    numpy.linalg.LinAlgError : when the matrix is not positive definite.
    """
    return Factor(
        np.asarray(cholesky_banded(band.T, overwrite_ab=True, lower=True, check_finite=False))
    )
