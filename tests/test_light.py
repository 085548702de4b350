"""Highlight lines against closed forms, and the wander of a band against the planted slope."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

import report_fixture
from guidecoat.check import CheckResult
from guidecoat.numerics.calming import smoothed
from guidecoat.preview.light import (
    ALONG,
    UPRIGHT,
    Lamps,
    LitPanel,
    band_shift,
    lamp_place,
    lamps_over,
    light_panel,
    wander_by_region,
    wander_mm,
)

Floats = NDArray[np.float64]
R_MM = 800.0
X, Y, Z = np.eye(3)


def on_cylinder(x: Floats) -> tuple[Floats, Floats]:
    """Points and normals of a cylinder of radius 800 about the y axis."""
    normal = np.column_stack([x / R_MM, np.zeros_like(x), np.sqrt(1.0 - (x / R_MM) ** 2)])
    return R_MM * normal, normal


def lit_door(distance_mm: float = 2000.0) -> LitPanel:
    return lit(report_fixture.door(), distance_mm)


def lit(result: CheckResult, distance_mm: float = 2000.0) -> LitPanel:
    return light_panel(
        result.chart,
        result.cells,
        result.faces,
        result.fair,
        result.deviation,
        distance_mm=distance_mm,
        slope_tolerance_mrad=result.settings.tolerance.slope_mrad,
    )


def distance_of(points: Floats, normals: Floats, lamps: Lamps, *, at: float = 0.0) -> Floats:
    """How far the normals pass a lamp that hangs at a place of the row."""
    place, share = lamp_place(points, normals, lamps)
    return np.abs(at - place) * share


def test_highlight_line_of_a_cylinder() -> None:
    # Beier & Chen 1994; lamp parallel to the axis at x = 300, 1500 above it, radius 20 (computed).
    x = np.linspace(100.0, 200.0, 1_000_001)
    lamps = Lamps(np.array([300.0, 0.0, 1500.0]), Y, X, 100.0, 20.0)
    distance = distance_of(*on_cylinder(x), lamps)
    assert x[distance.argmin()] == pytest.approx(156.8929, abs=2e-4)
    lit_x = x[distance <= lamps.radius_mm]
    assert lit_x[0] == pytest.approx(146.6231, abs=2e-4)
    assert lit_x[-1] == pytest.approx(167.1359, abs=2e-4)


def test_moving_a_lamp_moves_a_threshold() -> None:
    rng = np.random.default_rng(4)
    points = rng.uniform(-300.0, 300.0, (500, 3))
    normals = rng.normal(size=(500, 3)) * 0.3 + Z
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    lamps = Lamps(np.array([10.0, -20.0, 1800.0]), Y, X, 100.0, 20.0)
    across = np.cross(normals, Y)
    for moved in (-350.0, 0.0, 128.5):
        # Equation of Beier & Chen 1994 for the lamp where it hangs then.
        apart = ((lamps.point_mm + moved * X - points) * across).sum(axis=1)
        direct = np.abs(apart) / np.linalg.norm(across, axis=1)
        found = distance_of(points, normals, lamps, at=moved)
        np.testing.assert_allclose(found, direct, rtol=1e-9, atol=1e-7)


def test_light_turns_with_the_panel() -> None:
    rng = np.random.default_rng(6)
    x = rng.uniform(-300.0, 300.0, 50)
    points, normals = on_cylinder(x)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    shift = np.array([5e3, -2e3, 7e2])
    lamps = Lamps(np.array([300.0, 0.0, 1500.0]), Y, X, 100.0, 20.0)
    turned = Lamps(turn @ lamps.point_mm + shift, turn @ Y, turn @ X, 100.0, 20.0)
    for was, now in zip(
        lamp_place(points, normals, lamps),
        lamp_place(points @ turn.T + shift, normals @ turn.T, turned),
        strict=True,
    ):
        np.testing.assert_allclose(now, was, atol=1e-8)


def test_a_normal_along_the_lamps_is_no_number() -> None:
    lamps = Lamps(Z, Y, X, 100.0, 20.0)
    assert np.isnan(lamp_place(np.zeros((1, 3)), Y[None], lamps)).all()


def test_band_shift_is_twice_slope_times_distance() -> None:
    # 0.1 mm over a cosine wave of 300 mm leans by pi 0.1 / 300 each way; seen from 2 m its band
    # moves 8 mm to and fro (derived; common practice says the same).
    slope_mrad = 1e3 * np.pi * 0.1 / 300.0
    shift = band_shift(np.array([-slope_mrad, slope_mrad]), distance_mm=2000.0)
    assert np.ptp(shift) == pytest.approx(8.38, abs=0.01)


def test_highlight_line_on_a_scanned_cylinder() -> None:
    result = report_fixture.cylinder()
    found = lit(result)
    lamps = lamps_over(result.chart, found, ALONG)
    place, share = lamp_place(found.points_mm, found.fair_normals, lamps)
    # All normals pass through the axis that the points themselves turn about; the chart's own
    # axis may lean by a fraction of a milliradian from it.
    inside = np.isfinite(result.deviation.cell_mm)
    along, across, out = (
        (found.points_mm[inside] - result.chart.origin_mm) @ way
        for way in (lamps.along, lamps.across, result.chart.outside)
    )
    ones = np.ones_like(out)
    basis = np.column_stack([across, out, along * across, along * out, ones, along])
    fit, *_ = np.linalg.lstsq(basis, across**2 + out**2, rcond=None)
    a, b = 0.5 * (fit[0] + fit[2] * along), 0.5 * (fit[1] + fit[3] * along)
    radius = np.hypot(across - a, out - b)
    np.testing.assert_allclose(radius, R_MM, atol=0.1)
    lamp = lamps.point_mm - result.chart.origin_mm
    closed = a + (across - a) / (out - b) * (lamp @ result.chart.outside - b)
    closed -= lamp @ lamps.across
    assert np.abs(place[inside] - closed).max() < 0.03  # a slope of 0.01 mrad at 2.8 m
    v = np.broadcast_to(result.cells.grid.v_mm, result.cells.grid.shape)
    np.testing.assert_allclose(share[inside], np.cos(v / R_MM)[inside], atol=2e-4)


@pytest.mark.parametrize("distance_mm", [1000.0, 2000.0])
def test_a_planted_low_moves_the_band_by_the_predicted_amount(distance_mm: float) -> None:
    result = report_fixture.door()
    wander = wander_by_region(lit_door(distance_mm), result.regions)
    for defect, kind in ((report_fixture.LOW, "low"), (report_fixture.HIGH, "high")):
        (region,) = (r for r in result.regions if r.kind == kind)
        # A cosine dimple of radius a and depth d leans by at most pi d / 2 a, each way.
        slope = 0.5 * np.pi * abs(defect.peak_mm) / defect.radii_mm[0]
        predicted = 2.0 * (2.0 * slope * distance_mm)
        # The central 98 % and 26 mm of smoothing take some off.
        assert wander[region.region] == pytest.approx(predicted, rel=0.12)


def test_sound_metal_wanders_no_more_than_noise_and_the_fit() -> None:
    found = lit(report_fixture.cylinder())
    assert found.smoothing_mm == 0.0
    everywhere = np.ones(found.shift_along_mm.shape, bool)
    assert wander_mm(found, everywhere) < 1.0
    assert np.isnan(wander_mm(found, ~everywhere))


def test_the_panel_is_smoothed_only_as_its_noise_needs() -> None:
    result, found = report_fixture.door(), lit_door()
    limit = 0.125 * result.settings.tolerance.slope_mrad
    assert found.slope_noise_mrad == pytest.approx(limit, rel=1e-6)
    quiet = light_panel(
        result.chart,
        result.cells,
        result.faces,
        result.fair,
        result.deviation,
        distance_mm=2000.0,
        slope_tolerance_mrad=100.0,
    )
    assert quiet.smoothing_mm == 0.0
    assert 10.0 < found.smoothing_mm < 60.0


def test_slope_noise_of_the_smoothed_surface_is_as_stated() -> None:
    rng = np.random.default_rng(9)
    error, side, window = 0.02, 5.0, 9.0
    noise = rng.normal(0.0, error, (300, 300))
    level = smoothed(noise, np.ones(noise.shape, bool), window / side)
    slope = 1e3 * np.gradient(level, side, axis=0)[20:-20, 20:-20]
    stated = 1e3 * 1.3 * error * side / (window**2 * np.sqrt(8.0 * np.pi))
    assert slope.std() == pytest.approx(stated, rel=0.1)


def test_a_half_wave_is_left_at_the_stated_length() -> None:
    side, window = 1.0, 8.0
    wavelength = window * 2.0 * np.pi / 1.5674
    wave = np.cos(2.0 * np.pi * side * np.arange(400) / wavelength)
    field = np.tile(wave, (120, 1))
    left = smoothed(field, np.ones(field.shape, bool), window / side)
    middle = slice(60, -60)
    ratio = (left[60, middle] @ wave[middle]) / (wave[middle] @ wave[middle])
    assert ratio == pytest.approx(0.5, abs=5e-3)


def test_both_ways_of_hanging_the_lamps_cover_the_panel() -> None:
    result, found = report_fixture.door(), lit_door()
    for way in (ALONG, UPRIGHT):
        lamps = lamps_over(result.chart, found, way)
        assert lamps.along @ lamps.across == pytest.approx(0.0, abs=1e-12)
        place, _ = lamp_place(found.points_mm, found.fair_normals, lamps)
        bands = np.nanmax(place) - np.nanmin(place)
        assert 5.0 < bands / lamps.spacing_mm < 16.0


def test_unjudged_cells_are_not_lit_as_measured() -> None:
    result, found = report_fixture.door(), lit_door()
    judged = np.isfinite(result.deviation.cell_mm)
    assert (np.isfinite(found.measured_normals[..., 0]) == judged).all()
    assert np.isfinite(found.fair_normals[..., 0]).sum() > judged.sum()
