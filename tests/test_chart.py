"""The chart itself: an isometry between space and paper, with a plane as its limit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from guidecoat.unrolling.chart import Chart, Grid

Floats = NDArray[np.float64]


def turned(seed: int) -> Floats:
    rotation, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    return np.asarray(rotation * np.sign(np.linalg.det(rotation)))


def chart_of(radius_mm: float, seed: int = 1) -> Chart:
    curvature = 0.0 if np.isinf(radius_mm) else 1.0 / radius_mm
    return Chart(np.array([12.0, -7.0, 30.0]), turned(seed), curvature)


@given(
    radius=st.one_of(st.just(np.inf), st.floats(180.0, 1e7), st.floats(-1e7, -180.0)),
    seed=st.integers(0, 9),
)
def test_there_and_back(radius: float, seed: int) -> None:
    chart = chart_of(radius, seed)
    rng = np.random.default_rng(seed)
    uvh = rng.uniform(-1.0, 1.0, (200, 3)) * [800.0, 240.0, 40.0]
    np.testing.assert_allclose(chart.to_chart(chart.to_space(uvh)), uvh, atol=1e-8)


@pytest.mark.parametrize("radius", [200.0, 350.0, -500.0, 4000.0, np.inf])
def test_laying_it_flat_keeps_every_length(radius: float) -> None:
    """First fundamental form of the base: the identity, by central differences."""
    chart = chart_of(radius)
    rng = np.random.default_rng(2)
    uv0 = np.column_stack([rng.uniform(-250.0, 250.0, (300, 2)), np.zeros(300)])
    step = 1e-3
    du = (
        chart.to_space(uv0 + np.array([step, 0, 0])) - chart.to_space(uv0 - np.array([step, 0, 0]))
    ) / (2 * step)
    dv = (
        chart.to_space(uv0 + np.array([0, step, 0])) - chart.to_space(uv0 - np.array([0, step, 0]))
    ) / (2 * step)
    dh = (
        chart.to_space(uv0 + np.array([0, 0, step])) - chart.to_space(uv0 - np.array([0, 0, step]))
    ) / (2 * step)
    for a, b, want in ((du, du, 1.0), (dv, dv, 1.0), (dh, dh, 1.0), (du, dv, 0.0), (dv, dh, 0.0)):
        np.testing.assert_allclose(np.einsum("ij,ij->i", a, b), want, atol=1e-8)
    # Right-handed, so that paper shows the panel as one stands before it.
    np.testing.assert_allclose(np.cross(du, dv), dh, atol=1e-8)


def test_a_cylinder_lies_flat() -> None:
    """R = 300 about u: a point at angle a and radius R + 2 is (u, 300 a, 2) (closed form)."""
    chart = Chart(np.zeros(3), np.eye(3), 1.0 / 300.0)
    angle, u = np.linspace(-1.3, 1.3, 27), np.linspace(-40.0, 60.0, 27)
    points = np.column_stack([u, 302.0 * np.sin(angle), 302.0 * np.cos(angle) - 300.0])
    want = np.column_stack([u, 300.0 * angle, np.full(27, 2.0)])
    np.testing.assert_allclose(chart.to_chart(points), want, atol=1e-10)


def test_a_hollow_base_turns_the_other_way() -> None:
    chart = Chart(np.zeros(3), np.eye(3), -1.0 / 300.0)
    points = chart.to_space(np.array([[0.0, 100.0, 0.0], [0.0, 100.0, 5.0]]))
    assert points[0, 2] == pytest.approx(300.0 * (1.0 - np.cos(1.0 / 3.0)))
    assert np.hypot(points[1, 1], points[1, 2] - 300.0) == pytest.approx(295.0)


def test_the_plane_is_the_limit_of_the_cylinder() -> None:
    """The difference falls as the curvature: v^2 / 2R."""
    flat = chart_of(np.inf)
    rng = np.random.default_rng(3)
    points = flat.to_space(rng.uniform(-1.0, 1.0, (300, 3)) * [500.0, 300.0, 10.0])
    want = flat.to_chart(points)
    for radius in (1e5, 1e7, 1e9):
        off = np.abs(chart_of(radius).to_chart(points) - want).max()
        assert off < 1.01 * 300.0**2 / (2.0 * radius) + 300.0 * 10.0 / radius
    assert np.abs(chart_of(1e13).to_chart(points) - want).max() < 1e-7


def test_single_precision_points_are_charted_in_double() -> None:
    chart = chart_of(400.0)
    points = chart.to_space(np.array([[100.0, 50.0, 1.0], [-300.0, -200.0, -2.0]]))
    single = points.astype(np.float32)
    np.testing.assert_array_equal(chart.to_chart(single), chart.to_chart(single.astype(np.float64)))


def test_grid_cells_are_found_and_clipped() -> None:
    grid = Grid(-10.0, 5.0, 2.0, (7, 3))
    np.testing.assert_allclose(grid.u_mm, [-9.0, -7.0, -5.0, -3.0, -1.0, 1.0, 3.0])
    i, j = grid.index(
        np.array([-10.0, -8.0, 3.99, 99.0, -99.0]), np.array([5, 7, 10.99, 99, -99.0])
    )
    assert i.tolist() == [0, 1, 6, 6, 0]
    assert j.tolist() == [0, 1, 2, 2, 0]
