"""Bends broader than a body line and tighter than the batten: a wing's or a quarter's shoulder."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from bump_fixture import Bump, bumps_mm
from guidecoat.check import CheckResult, check
from guidecoat.panel.unrolled import shouldered, unroll
from guidecoat.scans.scan import Scan
from guidecoat.settings import load_settings
from test_uneven_scans import places, scan_of

Floats = NDArray[np.float64]
LENGTH_MM, SECTION_MM = 800.0, 640.0
SHOULDER_AT_MM = 90.0


def section(radius_mm: float, turn_deg: float) -> tuple[Floats, Floats, Floats]:
    """Arc length, height and lean (rad) of a section: nearly straight, an arc, nearly straight.

    The arc's curvature rises and falls over a third of its length, as sheet does.
    """
    s = np.arange(-SECTION_MM / 2 - 50.0, SECTION_MM / 2 + 50.0, 0.25)
    arc = radius_mm * np.radians(turn_deg)
    ends = (SHOULDER_AT_MM - 0.5 * arc, SHOULDER_AT_MM + 0.5 * arc)
    rise, fall = (
        np.clip((sign * (s - end)) / (arc / 3.0) + 0.5, 0.0, 1.0)
        for sign, end in zip((1.0, -1.0), ends, strict=True)
    )
    on_arc = (rise**2 * (3.0 - 2.0 * rise)) * (fall**2 * (3.0 - 2.0 * fall))
    lean = np.cumsum(1.0 / 2500.0 + on_arc / radius_mm) * 0.25
    lean -= np.interp(SHOULDER_AT_MM, s, lean)
    return s, np.cumsum(np.cos(lean)) * 0.25, lean


def wing(
    seed: int, radius_mm: float, turn_deg: float, bumps: tuple[Bump, ...] = (), *, wave: float = 0.0
) -> Scan:
    """A wing with one shoulder; bumps stand on it along its normal, at (x, arc length)."""
    rng = np.random.default_rng(seed)
    x, s = places(rng, LENGTH_MM, SECTION_MM, 1.2)
    at, across, lean = section(radius_mm, turn_deg)
    down = -np.cumsum(np.sin(lean)) * 0.25
    turned = s - wave * np.sin(x / 250.0)
    n = np.interp(turned, at, lean)
    off = bumps_mm(x, s, bumps) + rng.normal(0.0, 0.04, len(x))
    y = np.interp(turned, at, across) + off * np.sin(n) + (s - turned)
    z = np.interp(turned, at, down) + off * np.cos(n) - x**2 / 9000.0
    return scan_of(x, y, z)


def place_of(x: float, s: float, radius_mm: float, turn_deg: float) -> tuple[float, float]:
    """x and y in the scan of a place given by arc length."""
    at, across, _ = section(radius_mm, turn_deg)
    return x, float(np.interp(s, at, across))


def assert_read(result: CheckResult, bumps: tuple[Bump, ...], radius: float, turn: float) -> None:
    out = [r for r in result.regions if r.verdict == "out"]
    assert len(out) == len(bumps), [(r.region, r.peak_mm, r.x, r.y) for r in out]
    for x, s, height, _ in bumps:
        place = place_of(x, s, radius, turn)
        near = min(out, key=lambda r: float(np.hypot(r.x - place[0], r.y - place[1])))
        assert np.hypot(near.x - place[0], near.y - place[1]) < 15.0
        assert near.peak_mm == pytest.approx(height, abs=max(0.05, 0.08 * abs(height)))


@pytest.mark.slow
@pytest.mark.parametrize(("radius_mm", "turn_deg"), [(80.0, 55.0), (120.0, 60.0), (170.0, 50.0)])
def test_a_sound_wing_with_a_shoulder_is_in_tolerance(radius_mm: float, turn_deg: float) -> None:
    settings = load_settings("metal")
    result = check(wing(3, radius_mm, turn_deg), settings)
    assert result.verdict == "in"
    assert not result.regions
    assert result.share_judged > 0.85
    found = result.deviation.smooth_mm[np.isfinite(result.deviation.smooth_mm)]
    assert np.sqrt(np.mean(found**2)) < 0.02


@pytest.mark.slow
@pytest.mark.parametrize(("radius_mm", "turn_deg"), [(80.0, 55.0), (150.0, 65.0)])
def test_marks_on_and_beside_a_shoulder_are_read_right(radius_mm: float, turn_deg: float) -> None:
    bumps = (
        (-200.0, SHOULDER_AT_MM + 20.0, -1.3, 110.0),
        (120.0, SHOULDER_AT_MM - 45.0, 1.1, 90.0),
        (-60.0, -150.0, -1.4, 130.0),
    )
    result = check(wing(4, radius_mm, turn_deg, bumps), load_settings("metal"))
    assert_read(result, bumps, radius_mm, turn_deg)


@pytest.mark.slow
def test_a_shoulder_that_bends_along_the_panel_is_followed() -> None:
    result = check(wing(5, 110.0, 55.0, wave=12.0), load_settings("metal"))
    assert not [r for r in result.regions if r.verdict == "out"]


def test_a_shoulder_lies_in_the_middle_of_its_bend_and_is_as_wide() -> None:
    settings = load_settings("metal")
    unrolled = unroll(wing(6, 140.0, 60.0), settings)
    along = shouldered(unrolled, settings)
    assert along is not None
    (shoulder,) = (line for line in along.creases if line.shoulder)
    cells = unrolled.cells
    at = [int(k) for k in cells.grid.index(*shoulder.line_uv[len(shoulder.line_uv) // 2])]
    place = unrolled.chart.to_space(
        np.array([[*shoulder.line_uv[len(shoulder.line_uv) // 2], cells.height_mm[*at]]])
    )[0]
    assert abs(place[1] - place_of(0.0, SHOULDER_AT_MM, 140.0, 60.0)[1]) < 8.0
    # Half the arc, and some of the rise of its curvature.
    assert shoulder.round_mm == pytest.approx(0.5 * 140.0 * np.radians(60.0), abs=20.0)


@pytest.mark.parametrize("form", ["crown", "fold", "dent"])
def test_what_is_no_shoulder_is_none(form: str) -> None:
    """A crown turns all over, a fold is crisp, and a dent turns back what it turned."""
    rng = np.random.default_rng(7)
    x, y = places(rng, LENGTH_MM, SECTION_MM, 1.4)
    z = -(x**2) / 5000.0 - y**2 / 1500.0 + rng.normal(0.0, 0.04, len(x))
    if form == "fold":
        z -= 0.5 * np.clip(y - 60.0, 0.0, None)
    if form == "dent":
        z += bumps_mm(x, y, [(0.0, 0.0, -8.0, 300.0)])
    settings = load_settings("metal")
    assert shouldered(unroll(scan_of(x, y, z), settings), settings) is None
