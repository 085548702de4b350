"""Round marks planted by hand on panels made point by point, and whether they were told."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.findings.regions import Region

Floats = NDArray[np.float64]
Bump = tuple[float, float, float, float]
"""x, y, height, width, mm."""


def bumps_mm(x: Floats, y: Floats, bumps: Sequence[Bump]) -> Floats:
    """(n,) height of bumps (1 - r^2)^2 within half their width."""
    out = np.zeros_like(x)
    for u, v, height, width in bumps:
        r = np.minimum(2.0 * np.hypot(x - u, y - v) / width, 1.0)
        out += height * (1.0 - r**2) ** 2
    return out


def assert_told(regions: Sequence[Region], bumps: Sequence[Bump]) -> None:
    """Every bump is out, within 15 mm and the larger of 0.05 mm and 8 %, and nothing else is."""
    out = [r for r in regions if r.verdict == "out"]
    assert len(out) == len(bumps)
    for x, y, height, _ in bumps:
        near = min(out, key=lambda r: float(np.hypot(r.x - x, r.y - y)))
        assert np.hypot(near.x - x, near.y - y) < 15.0
        assert near.peak_mm == pytest.approx(height, abs=max(0.05, 0.08 * abs(height)))
