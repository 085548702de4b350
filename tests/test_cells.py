"""Cells: robust averages whose errors are known, whatever the points' order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.errors import ScanUnfitError
from guidecoat.unrolling.cells import Cells, ChartedPoints, average_cells, centred_grid

Floats = NDArray[np.float64]


def charted(uvh: Floats) -> ChartedPoints:
    return ChartedPoints(uvh.astype(np.float32), np.isfinite(uvh[:, 0]), {})


def sheet(
    *, spacing: float, noise: float, seed: int, size: float = 120.0, tilt: float = 0.0
) -> Floats:
    rng = np.random.default_rng(seed)
    line = np.arange(0.5 * spacing, size, spacing)
    grid = np.stack(np.meshgrid(line, line, indexing="ij")).reshape(2, -1)
    u, v = grid + rng.uniform(-0.4, 0.4, grid.shape) * spacing
    return np.column_stack([u, v, tilt * u - 0.5 * tilt * v + rng.normal(0.0, noise, u.size)])


def averaged(uvh: Floats, spacing: float, smallest: float = 0.2, largest: float = 50.0) -> Cells:
    return average_cells(charted(uvh), smallest_mm=smallest, largest_mm=largest, spacing_mm=spacing)


@pytest.mark.parametrize("tilt", [0.0, 0.2])
@pytest.mark.parametrize("noise", [0.02, 0.2])
def test_noise_and_standard_errors_are_true(noise: float, tilt: float) -> None:
    """The scatter of single points, and a cell's error as its own spread shows it."""
    cells = averaged(sheet(spacing=0.5, noise=noise, seed=1, tilt=tilt), 0.5, 3.0)
    assert cells.noise_mm == pytest.approx(noise, rel=0.03)
    assert cells.spacing_mm == pytest.approx(0.5, rel=0.02)
    whole = cells.count > 0.7 * np.median(cells.count)
    off = (cells.height_mm - tilt * cells.u_mm + 0.5 * tilt * cells.v_mm)[whole]
    assert np.std(off) == pytest.approx(np.median(cells.error_mm[whole]), rel=0.1)
    # Mean of n errors: within three of its own.
    assert abs(off.mean()) < 3.0 * np.std(off) / np.sqrt(off.size)
    assert np.median(cells.slope_u[whole]) == pytest.approx(tilt, abs=noise / 10.0)
    assert np.median(cells.slope_v[whole]) == pytest.approx(-0.5 * tilt, abs=noise / 10.0)


def test_a_plane_without_noise_comes_back_exactly() -> None:
    cells = averaged(sheet(spacing=1.0, noise=0.0, seed=2, tilt=0.1), 1.0)
    off = cells.height_mm - 0.1 * cells.u_mm + 0.05 * cells.v_mm
    assert np.nanmax(np.abs(off)) < 2e-6  # Single precision of 12 mm.


def test_flying_points_move_nothing_by_more_than_noise_does() -> None:
    uvh = sheet(spacing=0.5, noise=0.05, seed=3)
    rng = np.random.default_rng(3)
    wild = uvh[rng.choice(len(uvh), 3000, replace=False)].copy()
    wild[:, 2] += rng.choice([-1.0, 1.0], 3000) * rng.exponential(6.0, 3000)
    clean, dirty = averaged(uvh, 0.5, 3.0), averaged(np.vstack([uvh, wild]), 0.5, 3.0)
    same = clean.filled & dirty.filled
    assert dirty.noise_mm == pytest.approx(0.05, rel=0.06)
    moved = np.abs(dirty.height_mm - clean.height_mm)[same]
    assert np.percentile(moved, 99) < 3.0 * np.median(clean.error_mm[same])
    assert moved.max() < 0.1


@pytest.mark.parametrize("share", [0.4, 1.0, 2.0])
def test_of_two_skins_the_outer_one_is_kept(share: float) -> None:
    """An inner skin 3 mm behind, thinner or denser than the outer one."""
    outer = sheet(spacing=1.0, noise=0.03, seed=4)
    inner = sheet(spacing=1.0 / np.sqrt(share), noise=0.03, seed=5) - [0.0, 0.0, 3.0]
    cells = averaged(np.vstack([outer, inner]), 1.0, 3.0)
    whole = cells.count > 3
    assert np.abs(cells.height_mm[whole]).max() < 0.2
    assert cells.layered[whole].mean() > 0.9


def test_two_flying_points_above_are_no_skin() -> None:
    uvh = sheet(spacing=0.5, noise=0.03, seed=6)
    high = np.array([[60.0, 60.0, 5.0], [60.2, 60.1, 5.1]])
    cells = averaged(np.vstack([uvh, high]), 0.5, 3.0)
    assert np.nanmax(cells.height_mm) < 0.2


def test_the_order_of_the_points_does_not_matter() -> None:
    uvh = sheet(spacing=0.7, noise=0.05, seed=7)
    rng = np.random.default_rng(8)
    one, other = averaged(uvh, 0.7), averaged(rng.permutation(uvh), 0.7)
    np.testing.assert_array_equal(one.count, other.count)
    np.testing.assert_allclose(one.height_mm, other.height_mm, atol=1e-9)
    np.testing.assert_allclose(one.error_mm, other.error_mm, atol=1e-9)


def test_points_off_the_skin_and_repeats_do_not_count() -> None:
    uvh = sheet(spacing=1.0, noise=0.03, seed=9)
    with_more = np.vstack([uvh, np.full((50, 3), np.nan), uvh[:500]])
    points = charted(with_more)
    counted = points.counted.copy()
    counted[-500:] = False
    one = averaged(uvh, 1.0)
    other = average_cells(
        replace(points, counted=counted), smallest_mm=0.2, largest_mm=50.0, spacing_mm=1.0
    )
    np.testing.assert_array_equal(one.count, other.count)
    np.testing.assert_array_equal(one.height_mm, other.height_mm)


def test_a_mirrored_panel_has_the_mirrored_cells() -> None:
    uvh = sheet(spacing=0.7, noise=0.05, seed=10)
    one, other = averaged(uvh, 0.7), averaged(uvh * [-1.0, 1.0, 1.0], 0.7)
    np.testing.assert_array_equal(one.count, other.count[::-1])
    np.testing.assert_allclose(one.height_mm, other.height_mm[::-1], atol=1e-9)


def test_too_few_points_and_too_wide_a_scan() -> None:
    few = sheet(spacing=15.0, noise=0.0, seed=11)
    with pytest.raises(ScanUnfitError, match=r"only 64 points lie on the skin; at least 100"):
        averaged(few, 15.0)
    with pytest.raises(ScanUnfitError, match=r"too much for cells of 0.5 mm.*--units"):
        centred_grid(np.zeros(2), np.array([5000.0, 3000.0]), 0.5)


@pytest.mark.parametrize(
    ("smallest", "largest", "side"),
    [(0.2, 50.0, 3.0), (0.2, 2.5, 2.5), (0.2, 1.0, 2.0), (2.8, 2.5, 2.8), (4.0, 2.5, 4.0)],
)
def test_cells_stay_between_their_limits(smallest: float, largest: float, side: float) -> None:
    """Three spacings of 1 mm; no limit makes it fewer than two."""
    cells = averaged(sheet(spacing=1.0, noise=0.02, seed=11), 1.0, smallest, largest)
    assert cells.grid.cell_mm == pytest.approx(side, rel=0.02)


def test_spacing_told_wrongly_is_mended_within_the_limits() -> None:
    points = sheet(spacing=1.0, noise=0.02, seed=12)
    assert averaged(points, 2.0, 0.2, 2.5).grid.cell_mm == pytest.approx(2.5, rel=0.02)
