"""Dents and bumps with walls so steep that their rims are traced as lines of the panel."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from test_fading_lines import crown, eased, looked_at

Floats = NDArray[np.float64]


def steep(
    x: Floats, y: Floats, at: tuple[float, float], peak_mm: float, *, wall_mm: float, turned: float
) -> Floats:
    """A flat mark of 84 x 52 mm, turned in the panel, with walls of 20 to 27 degrees."""
    along = (x - at[0]) * np.cos(turned) + (y - at[1]) * np.sin(turned)
    across = (y - at[1]) * np.cos(turned) - (x - at[0]) * np.sin(turned)
    away = np.hypot(along / 42.0, across / 26.0)
    return peak_mm * eased((1.0 - away) * 26.0 / wall_mm)


def edged(x: Floats, y: Floats) -> Floats:
    """A panel with a sharp body line of 16 degrees."""
    return crown(x, y) - 0.28 * 2.0 * np.logaddexp(0.0, (y - 20.0) / 2.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("at", "peak_mm", "wall_mm", "turned"),
    [((60.0, 62.0), -2.3, 10.0, 0.3), ((60.0, 76.0), 2.3, 9.0, 0.6)],
)
def test_a_steep_mark_near_a_sharp_line_is_told(
    at: tuple[float, float], peak_mm: float, wall_mm: float, turned: float
) -> None:
    """Its rim, in two pieces, parted the panel, and its inside was left out as a field."""
    result = looked_at(
        lambda x, y: edged(x, y) + steep(x, y, at, peak_mm, wall_mm=wall_mm, turned=turned), seed=4
    )
    assert [crease.kind for crease in result.creases] == ["sharp"]
    (mark,) = result.regions
    assert mark.kind == ("high" if peak_mm > 0.0 else "low")
    assert mark.peak_mm == pytest.approx(peak_mm, rel=0.08)
    assert result.verdict != "in"
