"""Which way a chart's u runs must not hang on noise: edge names are read from it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.synthetic import Dimple, Panel, crowned_door, scan_panel, sphere_panel, to_scan, wing
from guidecoat.unrolling.chart import Chart
from guidecoat.unrolling.settling import odd_features, settled, turned
from guidecoat.unrolling.unroll import lay_chart
from guidecoat.unrolling.voxels import voxelise

Floats = NDArray[np.float64]

DOOR = crowned_door(length_mm=900.0, width_mm=700.0, crown_mm=20.0)
DENT = Dimple((60.0, 40.0), -1.5, (60.0, 60.0))


def way_of_u(panel: Panel, seed: int, pose: Floats | None) -> Floats:
    """(3,) the panel's own s direction, seen on the chart."""
    marks = (DENT,) if seed % 2 else ()
    made = scan_panel(
        panel,
        marks,
        spacing_mm=2.5 + 0.3 * (seed % 3),
        noise_mm=0.03 + 0.02 * seed,
        seed=seed,
        pose=pose,
    )
    scan = to_scan(made, normals=True)
    chart = lay_chart(scan, voxelise(scan.points_mm, scan.usable)).chart
    s = np.array([0.0, 40.0])
    a, b = made.place_mm(s, np.zeros(2))
    return np.asarray(chart.rotation @ (b - a) / np.linalg.norm(b - a))


@pytest.mark.parametrize("panel", [DOOR, sphere_panel(800.0)])
def test_a_symmetric_panel_keeps_its_way_in_one_frame(panel: Panel) -> None:
    ways = np.array([way_of_u(panel, seed, np.eye(4)) for seed in range(6)])
    assert (ways[:, :2] @ ways[0, :2] > 0.99).all()


def test_a_panel_that_is_not_symmetric_keeps_its_way_in_any_frame() -> None:
    panel = wing()
    ways = np.array([way_of_u(panel, seed, None) for seed in range(4)])
    assert (ways @ ways[0] > 0.95).all()


def test_every_feature_changes_sign_when_the_panel_is_turned() -> None:
    rng = np.random.default_rng(3)
    uvh = rng.uniform(-1.0, 1.0, (500, 3)) * [400.0, 250.0, 8.0]
    np.testing.assert_allclose(odd_features(uvh * [-1.0, -1.0, 1.0]), -odd_features(uvh), atol=1e-8)


def test_a_chart_turned_twice_is_the_chart() -> None:
    chart = Chart(np.array([3.0, -4.0, 5.0]), np.eye(3), 1e-3)
    uvh = np.array([[10.0, 200.0, 3.0], [-50.0, 7.0, -1.0]])
    space = chart.to_space(uvh)
    np.testing.assert_allclose(turned(chart).to_chart(space), uvh * [-1.0, -1.0, 1.0], atol=1e-9)
    np.testing.assert_allclose(turned(turned(chart)).to_chart(space), uvh, atol=1e-9)


def test_one_longer_end_decides() -> None:
    """A wedge, wide at one end, with u the way it narrows or widens: the same way both times."""
    rng = np.random.default_rng(4)
    u = rng.uniform(-400.0, 400.0, 4000)
    v = rng.uniform(-1.0, 1.0, 4000) * (100.0 + 0.15 * (u + 400.0))
    points = np.column_stack([u, v, np.zeros_like(u)])
    chart = Chart(np.zeros(3), np.eye(3), 0.0)
    ways = [settled(c, points).rotation[0] for c in (chart, turned(chart))]
    np.testing.assert_allclose(ways[0], ways[1])
