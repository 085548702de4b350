"""Fields that go up and down: their crests and troughs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]

# Crests count that have these shares of the highest one's height and the widest one's area. Tried
# at half and double on panels with marks and ripple: at half a high of its own beside ripple is
# taken for a crest; double the height, and ripple is lost.
_LIKE_HEIGHT = 0.4
LIKE_AREA = 0.1
"""Crests and troughs of at least this share of the widest one's area are alike."""


def crests_and_troughs(value: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """How many cells each crest of a (nu, nv) field has and each trough, of those that are of like
    height, the widest first.
    """
    level = _LIKE_HEIGHT * float(np.abs(value).max())
    labels = (ndimage.label(sign * value > level)[0] for sign in (1.0, -1.0))
    crests, troughs = (np.sort(np.bincount(label.ravel())[1:])[::-1] for label in labels)
    return crests, troughs
