"""The lowest fair surface over an obstacle: a lift of least bending energy that lies on it.

Minimise `c'Kc / 2` subject to `a_i'c >= g_i`, K the energy of a spline that is held at zero. The
minimiser is `c = sum p_i K^-1 a_i` with pressures `p_i >= 0` only where the lift touches, so it is
found among few contacts by the active-set method for non-negative least squares (Lawson & Hanson
1974, ch. 23) on their dense compliance matrix; K is factorised once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import FitError
from ..numerics.banded import Factor
from ..numerics.spline import Rows

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

LET_THROUGH_MM = 1e-4
_ROUNDS = 400
_BATCH_SHARE = 0.3
_RIDGE = 1e-11


@dataclass(frozen=True, eq=False)
class Lift:
    """(size,) coefficients of a lift and its bending energy `c'Kc`."""

    coefficients: Floats
    energy: float


class Obstacle:
    """A held spline and the places where it must lie on or above a bound.

    Parameters
    ----------
    factor : of K, the size of the spline's unknowns; held rows are part of it.
    watched : n rows, the spline's values at the places.
    block : (n,) int, patches of neighbouring places; one contact a patch is sought at a time.
    """

    def __init__(self, factor: Factor, watched: Rows, block: Ints) -> None:
        self._factor = factor
        self._watched = watched
        self._block = block
        self._size = factor.lower.shape[1]
        self._columns: dict[int, Floats] = {}

    def lift(self, bound_mm: Floats) -> Lift:
        """The lift of least energy with `watched @ c >= bound_mm`.

        Parameters
        ----------
        bound_mm : (n,). Met to a tenth of a micrometre.

        Raises
        ------
        FitError : when no lift is found; it never is for bounds a held spline can reach.
        """
        contacts = np.zeros(0, np.intp)
        pressure = np.zeros(0)
        coefficients = np.zeros(self._size)
        for _ in range(_ROUNDS):
            gap = bound_mm - self._watched @ coefficients
            gap[contacts] = -np.inf
            if gap.max(initial=-np.inf) <= LET_THROUGH_MM:
                return Lift(coefficients, float(pressure @ bound_mm[contacts]))
            new = self._worst(gap)
            contacts = np.concatenate([contacts, new])
            pressure = np.concatenate([pressure, np.zeros(len(new))])
            contacts, pressure = self._pressed(contacts, pressure, bound_mm)
            coefficients = self._column_block(contacts) @ pressure
        raise FitError(
            f"no fair surface was found over the highs within {_ROUNDS} rounds; it still cut "
            f"{float(gap.max()):.3f} mm into the panel. Tap the highs at the edges first, or "
            "release the edge beside them (edges.by_name)."
        )

    def _worst(self, gap: Floats) -> Ints:
        """The deepest place of each patch, where it is not far behind the deepest of all."""
        order = np.argsort(-gap, kind="stable")
        order = order[: int((gap > max(LET_THROUGH_MM, _BATCH_SHARE * gap.max())).sum())]
        first = np.unique(self._block[order], return_index=True)[1]
        return np.asarray(order[np.sort(first)])

    def _pressed(self, contacts: Ints, pressure: Floats, bound_mm: Floats) -> tuple[Ints, Floats]:
        """Contacts that press, and how hard: the inner loop of Lawson and Hanson."""
        while len(contacts):
            matrix = self._watched.some(contacts) @ self._column_block(contacts)
            matrix = 0.5 * (matrix + matrix.T)
            matrix[np.diag_indices_from(matrix)] *= 1.0 + _RIDGE
            wanted = np.linalg.solve(matrix, bound_mm[contacts])
            if (wanted > 0.0).all():
                return contacts, np.asarray(wanted, np.float64)
            falling = wanted <= 0.0
            share = pressure[falling] / np.maximum(pressure[falling] - wanted[falling], 1e-300)
            pressure = pressure + share.min() * (wanted - pressure)
            keep = ~(falling & (pressure <= 1e-14 * max(float(pressure.max()), 1e-300)))
            if keep.all():
                keep[np.flatnonzero(falling)[share.argmin()]] = False
            contacts, pressure = contacts[keep], pressure[keep]
        return contacts, pressure

    def _column_block(self, contacts: Ints) -> Floats:
        """(size, k) lifts under a unit pressure at each contact; each is solved for once."""
        new = [int(k) for k in contacts if int(k) not in self._columns]
        if new:
            load = np.zeros((self._size, len(new)))
            rows = self._watched.some(np.array(new))
            np.add.at(load, (rows.index, np.arange(len(new))[:, None]), rows.value)
            for k, column in zip(new, self._factor.solve(load).T, strict=True):
                self._columns[k] = np.ascontiguousarray(column)
        if not len(contacts):
            return np.zeros((self._size, 0))
        return np.stack([self._columns[int(k)] for k in contacts], axis=1)
