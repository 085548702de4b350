"""Fields that go up and down: their crests and troughs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]


def crests_and_troughs(value: Floats, level: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """How many cells each crest over `level` of a (nu, nv) field has, and each trough as deep, the
    widest first.
    """
    labels = (ndimage.label(sign * value > level)[0] for sign in (1.0, -1.0))
    crests, troughs = (np.sort(np.bincount(label.ravel())[1:])[::-1] for label in labels)
    return crests, troughs
