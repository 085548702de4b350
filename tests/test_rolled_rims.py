"""Rims that a meshing program drew out beyond the panel: nothing is held or called damage there."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from bump_fixture import assert_told, bumps_mm
from guidecoat.check import CheckResult, check
from guidecoat.panel.unrolled import unroll
from guidecoat.settings import load_settings
from guidecoat.synthetic import bonnet, crowned_door, scan_panel, to_scan, wing
from truth_fixture import bare_cloud

Floats = NDArray[np.float64]
MARKS = ((220.0, 160.0, -1.2, 90.0), (560.0, 320.0, 0.8, 70.0), (400.0, 90.0, -0.8, 60.0))


def drawn_out(*, seed: int, marks: bool, out_mm: float, radius_mm: float) -> CheckResult:
    """A crowned panel of 800 x 500 mm whose skin runs on, and down, up to so far beyond its rim."""
    rng = np.random.default_rng(seed)
    x, y = (
        a.ravel() for a in np.meshgrid(np.arange(-40.0, 841.0, 1.6), np.arange(-40.0, 541.0, 1.6))
    )
    x, y = x + rng.uniform(-0.4, 0.4, x.size), y + rng.uniform(-0.4, 0.4, x.size)
    beyond = np.maximum(np.maximum(-x, x - 800.0), np.maximum(-y, y - 500.0))
    keep = beyond < out_mm * (0.75 + 0.25 * np.sin(x / 61.0 + seed) * np.cos(y / 43.0))
    x, y, beyond = x[keep], y[keep], np.maximum(beyond[keep], 0.0)
    z = -((x - 400.0) ** 2) / 9000.0 - (y - 250.0) ** 2 / 5000.0 - beyond**2 / (2.0 * radius_mm)
    z += bumps_mm(x, y, MARKS if marks else ()) + rng.normal(0.0, 0.03, x.size)
    cloud = bare_cloud(np.column_stack([x, y, z]), name="drawn out")
    return check(cloud, load_settings("metal"))


@pytest.mark.parametrize(
    ("out_mm", "radius_mm", "seed"), [(22.0, 18.0, 1), (16.0, 14.0, 2), (12.0, 10.0, 3)]
)
def test_a_sound_panel_is_never_out(out_mm: float, radius_mm: float, seed: int) -> None:
    result = drawn_out(seed=seed, marks=False, out_mm=out_mm, radius_mm=radius_mm)
    assert result.faces.inboard_mm > load_settings("metal").edges.inboard_mm
    assert result.verdict != "out"
    (said,) = [w for w in result.warnings if "rolls off" in w]
    assert f"{result.faces.inboard_mm:.0f} mm" in said


def test_marks_amid_it_are_found() -> None:
    result = drawn_out(seed=4, marks=True, out_mm=22.0, radius_mm=18.0)
    assert_told(result.regions, MARKS)


@pytest.mark.parametrize("hem_mm", [0.0, 3.0])
@pytest.mark.parametrize("panel", [wing(), bonnet(), crowned_door(crease=True, handle=True)])
def test_hems_and_cut_edges_are_edges(panel: object, hem_mm: float) -> None:
    settings = load_settings("metal")
    for spacing in (1.2, 2.2):
        scan = scan_panel(panel, spacing_mm=spacing, noise_mm=0.05, seed=9, hem_mm=hem_mm)  # type: ignore[arg-type]
        faces = unroll(to_scan(scan, name="panel"), settings).faces
        assert faces.inboard_mm == settings.edges.inboard_mm
