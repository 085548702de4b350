"""Least squares in which what stands far off pulls no harder than what stands a little off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..numerics.biweight import MAD_TO_SIGMA, tukey

Floats = NDArray[np.float64]

_TUNING = 1.345
"""The knee over the scatter that keeps 95 % of the efficiency for Gaussian noise (Huber 1981,
Robust Statistics; from memory).
"""
_ROUNDS = 25
_HELD_SHARE = 1e-3


def huber_fit(rows: Floats, values: Floats, cut: float = np.inf) -> tuple[Floats, Floats, float]:
    """Unknowns for which rows @ unknowns come nearest to the values, by Huber's loss.

    The loss is convex: unlike one that lets go of what lies far off it has one minimum, so that
    what differs alike on both sides never pulls to one. With a finite `cut` it then settles by
    Tukey's biweight on what lies within that of it.

    Parameters
    ----------
    rows : (n, k). values : (n,). Directions held less than a thousandth as well as the best held
        one stay 0.

    Returns
    -------
    (k,) unknowns, (k, k) their covariance for values of standard error 1, each independent, and
    the scatter of what is left over.
    """
    weight = np.ones(len(values))
    unknown, inverse, scale = np.zeros(rows.shape[1]), np.eye(rows.shape[1]), 0.0
    for k in range(_ROUNDS):
        eigenvalues, vectors = np.linalg.eigh((rows * weight[:, None]).T @ rows)
        kept = eigenvalues > _HELD_SHARE * eigenvalues[-1]
        inverse = (vectors[:, kept] / eigenvalues[kept]) @ vectors[:, kept].T
        unknown = inverse @ (rows.T @ (weight * values))
        left = np.abs(values - rows @ unknown)
        scale = MAD_TO_SIGMA * float(np.median(left)) + 1e-9
        if np.isfinite(cut) and 2 * k > _ROUNDS:
            weight = tukey(left, cut)
        else:
            weight = np.minimum(1.0, _TUNING * scale / np.maximum(left, 1e-12))
    return unknown, np.asarray(inverse), scale
