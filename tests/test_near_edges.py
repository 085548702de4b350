"""Marks near edges, on narrow panels and on ones that sag both ways; sizes on the skin."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from bump_fixture import Bump, assert_told, bumps_mm
from guidecoat.check import CheckResult, check
from guidecoat.panel.unrolled import unroll
from guidecoat.settings import load_settings
from guidecoat.unrolling.chart import Grid
from guidecoat.unrolling.stretch import Stretch
from test_uneven_scans import places, scan_of

Floats = NDArray[np.float64]
FINE = load_settings("metal", overrides={"tolerance.height_mm": 0.15})


def crowned(
    seed: int,
    size: tuple[float, float],
    crown: tuple[float, float],
    marks: tuple[Bump, ...] = (),
    *,
    spacing_mm: float = 1.4,
) -> CheckResult:
    """A panel -x^2 / a - y^2 / b with Gaussian marks, whose width is that at a tenth."""
    rng = np.random.default_rng(seed)
    x, y = places(rng, *size, spacing_mm)
    z = -(x**2) / crown[0] - y**2 / crown[1] + rng.normal(0.0, 0.05, len(x))
    for u, v, height, width in marks:
        z += height * np.exp(-np.log(10.0) * ((x - u) ** 2 + (y - v) ** 2) / (0.5 * width) ** 2)
    return check(scan_of(x, y, z), FINE)


@pytest.mark.slow
@pytest.mark.parametrize("off_mm", [50.0, 60.0, 70.0])
def test_marks_near_an_edge_are_read_at_their_height(off_mm: float) -> None:
    """Their flanks lean over the edge's line, and must not bow the surface into them."""
    marks: tuple[Bump, ...] = (
        (-120.0, off_mm - 200.0, 0.5, 100.0),
        (120.0, 200.0 - off_mm, -0.5, 100.0),
    )
    for seed in (1, 2):
        result = crowned(seed, (600.0, 400.0), (9000.0, 3000.0), marks)
        assert_told(result.regions, marks)


@pytest.mark.slow
def test_marks_on_a_long_narrow_panel_have_their_heights_and_volumes() -> None:
    """It sags by 62 mm along itself: a section seen along its axis is smeared by that."""
    marks: tuple[Bump, ...] = (
        (-500.0, 0.0, 0.6, 100.0),
        (0.0, 0.0, -0.6, 100.0),
        (450.0, 0.0, 0.45, 80.0),
    )
    result = crowned(3, (1500.0, 250.0), (9000.0, 1500.0), marks)
    assert_told(result.regions, marks)
    assert result.chart.curvature_per_mm == pytest.approx(2.0 / 1500.0, rel=0.02)
    assert result.width_mm == pytest.approx(254.6, abs=5.0)
    for x, _, height, width in marks:
        near = min(result.regions, key=lambda r: abs(r.x - x))
        gauss = height * np.pi * (0.5 * width) ** 2 / np.log(10.0) / 1000.0
        # The tails below the level round a mark are not its own.
        assert near.volume_cm3 == pytest.approx(gauss, rel=0.15)


@pytest.mark.slow
def test_a_deep_dent_with_wide_flanks_is_sure() -> None:
    """160 mm broad at a tenth of its depth: 220 mm where it leaves the tolerance."""
    marks: tuple[Bump, ...] = ((0.0, 20.0, -3.0, 160.0),)
    assert_told(crowned(4, (700.0, 450.0), (9000.0, 3000.0), marks).regions, marks)


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_the_place_of_a_flat_top_is_its_middle(seed: int) -> None:
    """60 mm of it are level, where the highest of all cells lies anywhere."""
    rng = np.random.default_rng(seed)
    x, y = places(rng, 600.0, 400.0, 1.4)
    flat = np.clip((70.0 - np.hypot(x - 80.0, y + 20.0)) / 40.0, 0.0, 1.0)
    z = -(x**2) / 9000.0 - y**2 / 3000.0 + 0.6 * flat**2 * (3.0 - 2.0 * flat)
    (high,) = check(scan_of(x, y, z + rng.normal(0.0, 0.1, len(x))), FINE).regions
    assert np.hypot(high.x - 80.0, high.y + 20.0) < 15.0


@pytest.mark.slow
def test_a_mark_beside_a_body_line_is_no_end_of_it() -> None:
    rng = np.random.default_rng(5)
    marks: tuple[Bump, ...] = ((-120.0, 50.0, 0.5, 80.0), (140.0, -50.0, -0.5, 80.0))
    x, y = places(rng, 800.0, 420.0, 1.4)
    z = -(x**2) / 9000.0 - y**2 / 3000.0 - 0.15 * np.abs(y) + rng.normal(0.0, 0.04, len(x))
    z += bumps_mm(x, y, marks) / np.cos(0.15)
    assert_told(check(scan_of(x, y, z), FINE).regions, marks)


def test_areas_and_lengths_are_those_of_the_skin() -> None:
    """Pappus: a band of a torus is as large as its section is long times its centroid's way."""
    tube, ring = 250.0, 1200.0
    rng = np.random.default_rng(6)
    along, round_ = places(rng, 600.0, 240.0, 2.0)
    a, b = along / ring, round_ / tube
    out = ring - tube + tube * np.cos(b)
    scan = scan_of(out * np.sin(a), tube * np.sin(b), out * np.cos(a) - ring)
    laid = unroll(scan, load_settings("metal"))
    cells, chart = laid.cells, laid.chart
    assert chart.curvature_per_mm == pytest.approx(1.0 / tube, rel=0.02)
    stretch = Stretch.of(cells, chart, laid.skin)
    known = laid.skin & np.isfinite(cells.height_mm)
    uvh = np.column_stack([f[known] for f in (cells.u_mm, cells.v_mm, cells.height_mm)])
    x, y, z = scan.to_file_frame(chart.to_space(uvh)).T
    across = tube * np.arctan2(y, np.hypot(x, z + ring) - (ring - tube))
    inside = (np.abs(ring * np.arctan2(x, z + ring)) < 250.0) & (np.abs(across) < 100.0)
    half = 100.0 / tube
    true = 500.0 / ring * (2.0 * half * tube * (ring - tube) + 2.0 * tube**2 * np.sin(half))
    assert stretch.area_mm2[known][inside].sum() == pytest.approx(true, rel=0.01)
    ends = uvh[[uvh[:, 0].argmin(), uvh[:, 0].argmax()]]
    ends[:, 1] = 0.0
    i, j = cells.grid.index(ends[:, 0], ends[:, 1])
    ends[:, 2] = cells.height_mm[i, j]
    chord = float(np.linalg.norm(np.diff(chart.to_space(ends), axis=0)))
    length = stretch.length_mm(ends[0, :2], (ends[1] - ends[0])[:2])
    assert length == pytest.approx(2.0 * ring * np.arcsin(0.5 * chord / ring), rel=0.002)


def test_a_flat_map_is_as_large_as_its_panel() -> None:
    grid = Grid(0.0, 0.0, 2.0, (50, 30))
    flat = Stretch.flat(grid)
    assert flat.area_mm2.sum() == 100.0 * 60.0
    assert flat.length_mm(np.array([5.0, 5.0]), np.array([30.0, 40.0])) == pytest.approx(50.0)
    assert flat.extent_mm(np.ones(grid.shape, bool)) == pytest.approx((98.0, 58.0))
