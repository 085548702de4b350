"""Marks that few cells draw: the stated uncertainty covers what averaging takes off their peaks."""

from __future__ import annotations

import numpy as np
import pytest

from guidecoat.check import CheckResult, check
from truth_fixture import bare_cloud, settings


def checked(*, seed: int, apart_mm: float, radius_mm: float, peak_mm: float) -> CheckResult:
    """A crowned panel of 800 x 500 mm scanned that thinly, with one mark on it."""
    draw = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(-400.0, 400.1, apart_mm), np.arange(-250.0, 250.1, apart_mm))
    inland = (np.abs(x) < 400.0 - apart_mm) & (np.abs(y) < 250.0 - apart_mm)
    x, y = (a + 0.2 * apart_mm * inland * draw.normal(size=a.shape) for a in (x, y))
    u, v = 100.0 + draw.uniform(-15.0, 15.0), 50.0 + draw.uniform(-15.0, 15.0)
    away = np.minimum(np.hypot(x - u, y - v) / radius_mm, 1.0)
    z = 12.0 * (1.0 - (x / 400.0) ** 2) + 10.0 * (1.0 - (y / 250.0) ** 2)
    z += peak_mm * 0.5 * (1.0 + np.cos(np.pi * away)) + 0.05 * draw.normal(size=x.shape)
    points = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    scan = bare_cloud(points, name="thin")
    return check(scan, settings(tolerance__height_mm=0.5))


@pytest.mark.parametrize("apart_mm", [6.0, 9.0, 12.0])
@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_thin_scans_cover_the_truth(seed: int, apart_mm: float) -> None:
    result = checked(seed=seed, apart_mm=apart_mm, radius_mm=60.0, peak_mm=-2.0)
    low = min(result.regions, key=lambda region: region.peak_mm)
    assert low.verdict == "out"
    assert abs(low.peak_mm + 2.0) < low.uncertainty_mm


@pytest.mark.parametrize("seed", [11, 12])
def test_dense_scans_state_no_more_for_it(seed: int) -> None:
    """Cells of 6 mm draw a mark 120 mm wide: only its noise and the surface's are stated."""
    result = checked(seed=seed, apart_mm=2.0, radius_mm=60.0, peak_mm=-2.0)
    low = min(result.regions, key=lambda region: region.peak_mm)
    i, j = np.unravel_index(np.nanargmin(result.deviation.smooth_mm), result.cells.grid.shape)
    sigma = float(result.deviation.cell_sigma_mm[i, j])
    assert low.uncertainty_mm == pytest.approx(2.0 * sigma)
    assert abs(low.peak_mm + 2.0) < low.uncertainty_mm


@pytest.mark.parametrize(("radius_mm", "peak_mm"), [(18.0, 1.2), (20.0, -1.1), (30.0, -0.75)])
def test_small_marks_on_thin_scans_are_found_and_covered(radius_mm: float, peak_mm: float) -> None:
    """Points 3.8 mm apart: 9 to 16 of them across the mark."""
    for seed in (21, 22, 23):
        result = checked(seed=seed, apart_mm=3.8, radius_mm=radius_mm, peak_mm=peak_mm)
        (mark,) = result.regions
        assert mark.verdict == "out"
        assert abs(mark.peak_mm - peak_mm) < max(mark.uncertainty_mm, 0.08 * abs(peak_mm))


def test_out_is_out_by_more_than_its_uncertainty() -> None:
    """Also where that is mostly what few cells may have averaged off a peak."""
    told = 0
    for seed in range(31, 37):
        result = checked(seed=seed, apart_mm=6.0, radius_mm=24.0, peak_mm=-1.0)
        for region in result.regions:
            if region.kind != "ripple" and region.verdict == "out":
                told += 1
                assert abs(region.peak_mm) > 0.5 + 0.8 * region.uncertainty_mm
    assert told


def test_spots_too_small_to_be_marks_are_told() -> None:
    """A pit and a bead of spatter 9 mm across on a dense scan, and none on the same one clean."""
    draw = np.random.default_rng(41)
    x, y = (
        a.ravel() for a in np.meshgrid(np.arange(-200, 200.1, 0.7), np.arange(-150, 150.1, 0.7))
    )
    x, y = x + 0.15 * draw.normal(size=x.size), y + 0.15 * draw.normal(size=x.size)
    z = 6.0 * (1.0 - (x / 200.0) ** 2) + 5.0 * (1.0 - (y / 150.0) ** 2)
    z += 0.02 * draw.normal(size=x.size)
    clean = check(bare_cloud(np.column_stack([x, y, z]), name="clean"), settings())
    assert clean.verdict == "in"
    for u, v, height in ((60.0, 40.0, -0.6), (-80.0, -30.0, 0.7)):
        z += height * np.cos(0.5 * np.pi * np.minimum(np.hypot(x - u, y - v) / 4.5, 1.0)) ** 2
    result = check(bare_cloud(np.column_stack([x, y, z]), name="spotted"), settings())
    assert result.regions == ()
    (said,) = [w for w in result.warnings if "narrower than a mark" in w]
    assert said.startswith("2 spots")
    assert result.verdict == "undecided"
