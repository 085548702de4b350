"""Lines on the chart carried on straight past their ends."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def carried_on(line: Floats, steps_mm: Floats, *, back: int) -> Floats:
    """A (k, 2) line with further points at both ends.

    Parameters
    ----------
    steps_mm : (s,) how far past each end they lie, rising.
    back : how many points before its end tell which way the line runs there.
    """
    steps = np.asarray(steps_mm, np.float64)[:, None]
    head, tail = line[0] - line[back], line[-1] - line[-1 - back]
    head, tail = (way / (np.linalg.norm(way) + 1e-12) for way in (head, tail))
    return np.vstack([(line[0] + steps * head)[::-1], line, line[-1] + steps * tail])
