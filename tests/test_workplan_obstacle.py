"""The lift over an obstacle: against a dense quadratic programme and plates of the handbooks."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import nnls

from guidecoat.numerics.spline import Rows, SplineSpace, energy_band, solve
from guidecoat.workplan.cover import LIFT_SLOPE, lift_length_mm
from guidecoat.workplan.obstacle import LET_THROUGH_MM, Obstacle

Floats = NDArray[np.float64]


def frame(side: float, step: float) -> tuple[Floats, Floats]:
    """Places round a square of a side, its corners once."""
    t = np.arange(0.0, side, step)
    zero, full = np.zeros_like(t), np.full_like(t, side)
    return np.concatenate([t, full, side - t, zero]), np.concatenate([zero, t, full, side - t])


def inside(side: float, step: float) -> tuple[Floats, Floats]:
    t = np.arange(step, side - 0.5 * step, step)
    u, v = np.meshgrid(t, t, indexing="ij")
    return u.ravel(), v.ravel()


def plate(
    side: float, knot: float, *, order: int, clamped: bool, watch: float
) -> tuple[SplineSpace, Obstacle, tuple[Floats, Floats]]:
    """A square held at its rim, and an obstacle watched on a lattice in it."""
    n = round(side / knot)
    space = SplineSpace.build(0.0, 0.0, knot, np.ones((n, n), bool))
    u, v = frame(side, knot / 2.0)
    held = [space.rows(u, v)]
    if clamped:
        across, along = space.rows(u, v, du=1), space.rows(u, v, dv=1)
        ones, none = np.full(len(u), knot), np.zeros(len(u))
        held += [across.combined(ones, along, none), across.combined(none, along, ones)]
    rows = Rows.stacked(*held)
    place = inside(side, watch)
    watched = space.rows(*place)
    fit = solve(
        energy_band(space, order=order),
        watched,
        np.zeros(len(place[0])),
        np.full(len(place[0]), 1e-30),
        smoothing=1.0,
        held=rows,
        held_values=np.zeros(len(rows.index)),
    )
    block = np.arange(len(place[0])) // 7
    return space, Obstacle(fit.factor, watched, block), place


def dense_lift(space: SplineSpace, held: Rows, watched: Rows, bound: Floats, order: int) -> Floats:
    """The same problem, dense: held rows eliminated by a null space, then least distance
    programming by non-negative least squares (Lawson & Hanson 1974, ch. 23, problem LDP).
    """
    band = energy_band(space, order=order)
    n = space.size
    energy = np.zeros((n, n))
    for k in range(band.shape[1]):
        energy[np.arange(k, n), np.arange(n - k)] = band[: n - k, k]
    energy = energy + np.tril(energy, -1).T

    def dense(rows: Rows) -> Floats:
        out = np.zeros((len(rows.index), n))
        np.add.at(out, (np.arange(len(out))[:, None], rows.index), rows.value)
        return out

    _, size, right = np.linalg.svd(dense(held))
    null = right[int((size > 1e-9 * size[0]).sum()) :].T
    lower = cholesky(null.T @ energy @ null, lower=True)
    matrix = solve_triangular(lower, (dense(watched) @ null).T, lower=True).T
    scale = np.linalg.norm(matrix, axis=1).max()
    stacked = np.vstack([matrix.T / scale, bound[None]])
    target = np.zeros(len(stacked))
    target[-1] = 1.0
    weight, _ = nnls(stacked, target, maxiter=50_000)
    rest = stacked @ weight - target
    reduced = -rest[:-1] / rest[-1] / scale
    return np.asarray(null @ solve_triangular(lower.T, reduced))


@pytest.mark.parametrize("order", [2, 3])
@pytest.mark.parametrize("seed", range(4))
def test_equals_a_dense_quadratic_programme(order: int, seed: int) -> None:
    side, knot = 200.0, 20.0
    space, obstacle, (u, v) = plate(side, knot, order=order, clamped=False, watch=10.0)
    generator = np.random.default_rng(seed)
    bound = np.zeros(len(u))
    for _ in range(3):
        a, b = generator.uniform(40.0, 160.0, 2)
        height, radius = generator.uniform(0.3, 2.0), generator.uniform(15.0, 40.0)
        bound = np.maximum(bound, height * (1.0 - ((u - a) ** 2 + (v - b) ** 2) / radius**2))
    found = obstacle.lift(bound)
    watched = space.rows(u, v)
    truth = dense_lift(space, space.rows(*frame(side, knot / 2.0)), watched, bound, order)
    assert (watched @ found.coefficients - bound).min() >= -1.01 * LET_THROUGH_MM
    # The one solver lets a tenth of a micrometre through, the other does not.
    assert np.abs(watched @ found.coefficients - watched @ truth).max() < 1e-3
    band = energy_band(space, order=order)
    energy = 0.0
    for k in range(band.shape[1]):
        product = truth[k:] * truth[: len(truth) - k]
        energy += (1.0 if k == 0 else 2.0) * float(band[: len(truth) - k, k] @ product)
    assert found.energy == pytest.approx(energy, rel=1e-3)


@pytest.mark.parametrize(("clamped", "coefficient"), [(True, 0.0056120240), (False, 0.011600840)])
def test_one_point_lifts_a_square_plate(clamped: bool, coefficient: float) -> None:
    """Timoshenko & Woinowsky-Krieger 1959, tables 37 and 23, digits computed: a point load P bends
    the middle by c P a^2 / D, so lifting it by 1 takes the energy integral 1 / (c a^2).
    """
    side = 400.0
    _, obstacle, (u, v) = plate(side, 20.0, order=2, clamped=clamped, watch=20.0)
    bound = np.full(len(u), -1e3)
    bound[np.argmin(np.hypot(u - 0.5 * side, v - 0.5 * side))] = 1.0
    found = obstacle.lift(bound)
    assert found.energy == pytest.approx(1.0 / (coefficient * side**2), rel=0.01)


def test_nothing_proud_is_not_lifted() -> None:
    _, obstacle, (u, _) = plate(200.0, 20.0, order=3, clamped=False, watch=20.0)
    found = obstacle.lift(np.zeros(len(u)))
    assert not found.coefficients.any()
    assert found.energy == 0.0


def test_twice_the_height_is_twice_the_lift() -> None:
    space, obstacle, (u, v) = plate(200.0, 20.0, order=3, clamped=False, watch=20.0)
    bound = 1.0 - (np.hypot(u - 80.0, v - 120.0) / 30.0) ** 2
    once, twice = obstacle.lift(np.maximum(bound, 0.0)), obstacle.lift(np.maximum(2 * bound, 0.0))
    rows = space.rows(u, v)
    difference = rows @ twice.coefficients - 2.0 * (rows @ once.coefficients)
    assert np.abs(difference).max() < 1e-3


@pytest.mark.parametrize("order", [2, 3])
def test_slope_of_a_lift_on_a_wide_free_panel(order: int) -> None:
    """The constant behind the length of a lift: greatest slope times L over the height."""
    side, knot, length = 900.0, 10.0, 200.0
    n = round(side / knot)
    space = SplineSpace.build(0.0, 0.0, knot, np.ones((n, n), bool))
    u, v = inside(side, knot / 2.0)
    rows = space.rows(u, v)
    fit = solve(
        energy_band(space, order=order),
        rows,
        np.zeros(len(u)),
        np.full(len(u), (knot / 2.0) ** 2),
        smoothing=(length / (2.0 * np.pi)) ** (2 * order),
    )
    bound = np.full(len(u), -1e3)
    bound[np.argmin(np.hypot(u - 0.5 * side, v - 0.5 * side))] = 1.0
    lift = Obstacle(fit.factor, rows, np.arange(len(u))).lift(bound).coefficients
    slope = np.hypot(space.rows(u, v, du=1) @ lift, space.rows(u, v, dv=1) @ lift).max()
    assert slope * length == pytest.approx(LIFT_SLOPE[order], rel=0.02)


def test_length_of_a_lift_at_its_limits() -> None:
    free = lift_length_mm(1.0, slope_mrad=2.0, order=3, from_edge_mm=1e6)
    assert free == pytest.approx(LIFT_SLOPE[3] * 500.0)
    assert lift_length_mm(2.0, slope_mrad=2.0, order=3, from_edge_mm=1e6) == pytest.approx(2 * free)
    assert lift_length_mm(1.0, slope_mrad=2.0, order=3, from_edge_mm=100.0) == 300.0
