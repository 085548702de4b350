"""What makes a height unsure beside a body line: skin the surface does not follow, and its band."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check
from guidecoat.findings.regions import Region
from guidecoat.settings import load_settings
from test_broken_lines import bumps, hinge
from test_uneven_scans import places, scan_of

Floats = NDArray[np.float64]


def looked_at(field: Floats, x: Floats, y: Floats, *, noise_mm: float, seed: int) -> CheckResult:
    noise = np.random.default_rng(seed).normal(0.0, noise_mm, len(x))
    z = -(x**2) / 12000.0 - y**2 / 5000.0 + field + noise
    return check(scan_of(x, y, z), load_settings("filler"))


def nearest(result: CheckResult, x: float, y: float, *, peak_mm: float) -> Region:
    """The region of that sign nearest to a place on the panel."""
    own = [r for r in result.regions if r.peak_mm * peak_mm > 0.0 and r.kind != "ripple"]
    return min(own, key=lambda r: float(np.hypot(r.x - x, r.y - y)))


def test_a_mark_amid_skin_that_is_not_followed_is_no_surer_than_that_skin() -> None:
    """A soft bead pressed 0.13 mm high, under half the tolerance, that the surface runs beneath: a
    low in its flank is read against skin that lies off, one far from it is not.
    """
    x, y = places(np.random.default_rng(1), 1000.0, 640.0, 1.2)
    bead = 0.13 * np.exp(-(((y - 100.0) / 44.0) ** 2))
    on_it, clear = (40.0, 125.0, -1.5, 90.0, 90.0), (-250.0, -120.0, -1.5, 90.0, 90.0)
    result = looked_at(bead + bumps(x, y, [on_it, clear]), x, y, noise_mm=0.04, seed=1)
    beside, far = (nearest(result, *mark[:2], peak_mm=-1.0) for mark in (on_it, clear))
    assert abs(far.peak_mm + 1.5) <= far.uncertainty_mm < 0.04
    assert beside.peak_mm > -1.46
    assert abs(beside.peak_mm + 1.5) <= beside.uncertainty_mm


def test_a_mark_whose_top_a_line_hides_may_be_as_high_as_it_is() -> None:
    """A low 18 mm off the middle of a rounded line: its deepest place lies under the band."""
    x, y = places(np.random.default_rng(3), 1000.0, 640.0, 1.2)
    hidden, clear = (300.0, 118.0, -1.6, 110.0, 110.0), (-200.0, -120.0, -1.6, 110.0, 110.0)
    field = hinge(y, np.full(len(y), 100.0), -0.10, 14.0) + bumps(x, y, [hidden, clear])
    result = looked_at(field, x, y, noise_mm=0.04, seed=3)
    beside, far = (nearest(result, *mark[:2], peak_mm=-1.0) for mark in (hidden, clear))
    assert not far.cut_off
    assert far.peak_mm == pytest.approx(-1.6, rel=0.02)
    assert far.uncertainty_mm < 0.04
    assert beside.cut_off
    assert abs(beside.peak_mm + 1.6) <= beside.uncertainty_mm
    assert beside.uncertainty_mm > 3.0 * far.uncertainty_mm
