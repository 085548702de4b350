"""Plates and battens: the order-two energy is a handbook's plate with Poisson's ratio 0.

With D = 1 the deflection under a load f is the minimum of c'Ec / 2 - f'c, which `solve` finds with
its data term carrying the load: a datum of weight w and value z pulls with w z. Coefficients of
rectangles: Levy series with edge moments, checked by Ritz (computed); Timoshenko &
Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed. 1959, tables 8, 23, 35 and 37 print them to
three digits.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from guidecoat.numerics.spline import Rows, SplineSpace, energy_band, solve
from spline_fixture import box_space, cell_centres

Floats = NDArray[np.float64]

# A datum pulls with its weight times its value; its weight alone must not stiffen the plate.
_LIGHT = 1e-9
# Per b/a: supported uniform, supported point, clamped uniform, clamped point.
TABLE = {
    1.0: (0.004062353, 0.011600840, 0.0012653191, 0.0056120240),
    1.2: (0.005650530, 0.013555987, 0.0017248705, 0.0064755540),
    1.5: (0.007724022, 0.015332827, 0.0021965221, 0.0070428578),
    2.0: (0.010128663, 0.016523949, 0.0025329558, 0.0072305563),
}


def deflection(
    space: SplineSpace,
    held: Rows,
    load_at: tuple[Floats, Floats],
    load: Floats,
    asked: Sequence[tuple[float, float]],
) -> Floats:
    """Deflections of a plate with D = 1, zero at the held rows, under point loads."""
    fit = solve(
        energy_band(space, order=2),
        space.rows(*load_at),
        load / _LIGHT,
        np.full(len(load), _LIGHT),
        smoothing=1.0,
        held=held,
        held_values=np.zeros(len(held.index)),
    )
    places = np.array(asked, np.float64)
    return space.rows(places[:, 0], places[:, 1]) @ fit.coefficients


def rim_rows(space: SplineSpace, a: float, b: float, knot: float, *, clamped: bool) -> Rows:
    """Values, or values and slopes, along the rim: four places a knot, so that cubics are nil."""
    along_u = np.linspace(0.0, b, 4 * round(b / knot) + 1)
    along_v = np.linspace(0.0, a, 4 * round(a / knot) + 1)
    u = np.concatenate([along_u, along_u, np.zeros_like(along_v), np.full_like(along_v, b)])
    v = np.concatenate([np.zeros_like(along_u), np.full_like(along_u, a), along_v, along_v])
    if not clamped:
        return space.rows(u, v)
    return Rows.stacked(space.rows(u, v), space.rows(u, v, du=1), space.rows(u, v, dv=1))


def uniform(a: float, b: float, knot: float) -> tuple[tuple[Floats, Floats], Floats]:
    """A uniform load of 1 as Gauss-Legendre points, exact for the cubics of each span."""
    nodes, weights = np.polynomial.legendre.leggauss(3)

    def line(length: float) -> tuple[Floats, Floats]:
        n = round(length / knot)
        at = ((np.arange(n)[:, None] + 0.5 * (nodes + 1.0)) * knot).ravel()
        return at, np.tile(0.5 * weights * knot, n)

    (u, wu), (v, wv) = line(b), line(a)
    uu, vv = np.meshgrid(u, v, indexing="ij")
    return (uu.ravel(), vv.ravel()), np.outer(wu, wv).ravel()


@pytest.mark.parametrize("ratio", TABLE)
@pytest.mark.parametrize("rim", ["supported", "clamped"])
@pytest.mark.parametrize("kind", ["uniform", "point"])
def test_rectangles_sag_as_the_handbook_says(ratio: float, rim: str, kind: str) -> None:
    """w = c q a^4 / D under a uniform load, c P a^2 / D under one at the centre, a the short side.

    Forty spans across: to 1e-5 of the coefficient under uniform load; under a point load the
    cubic rounds the peak, r^2 log r, over a span: 1e-3.
    """
    a, knot = 1.0, 1.0 / 40.0
    b = ratio * a
    space = box_space(b, a, knot)
    held = rim_rows(space, a, b, knot, clamped=rim == "clamped")
    centre = (0.5 * b, 0.5 * a)
    if kind == "uniform":
        at, load = uniform(a, b, knot)
        close = 1e-5
    else:
        at, load = (np.array([centre[0]]), np.array([centre[1]])), np.ones(1)
        close = 1e-3
    wanted = TABLE[ratio][2 * (rim == "clamped") + (kind == "point")]
    (found,) = deflection(space, held, at, load, [centre])
    assert found == pytest.approx(wanted, rel=close)


@pytest.mark.parametrize(
    ("rim", "factor", "half_way"),
    [("clamped", 1.0, 0.4034264), ("supported", 3.0, 0.6344755), ("in a sheet", 2.0, 0.5767132)],
)
def test_a_point_load_on_a_circle(rim: str, factor: float, half_way: float) -> None:
    """w(0) in P a^2 / (16 pi D): clamped 1, supported 3 (Poisson 0), held by value on a ring in an
    infinite sheet 2; w(a/2) / w(0) likewise (closed forms). A round rim on square spans, the plate
    reaching a span beyond it: to 2 %.
    """
    knot = 1.0 / 24.0
    reach = 1.0 + (8.0 if rim == "in a sheet" else 0.0)
    knot = 0.1 if rim == "in a sheet" else knot
    spans = 2 * int(np.ceil(reach / knot)) + 2
    corner = -0.5 * spans * knot
    middle = corner + (np.arange(spans) + 0.5) * knot
    near = np.hypot(*np.meshgrid(middle, middle, indexing="ij")) < reach + 0.5 * knot
    space = SplineSpace.build(corner, corner, knot, near)
    angle = np.linspace(0.0, 2.0 * np.pi, int(2.0 * np.pi / knot), endpoint=False)
    u, v = np.cos(angle), np.sin(angle)
    on = space.covers(u, v)
    u, v = u[on], v[on]
    held = space.rows(u, v)
    if rim == "clamped":
        slope = space.rows(u, v, du=1).combined(u, space.rows(u, v, dv=1), v)
        held = Rows.stacked(held, slope)
    centre, half = deflection(
        space, held, (np.zeros(1), np.zeros(1)), np.ones(1), [(0.0, 0.0), (0.5, 0.0)]
    )
    assert centre * 16.0 * np.pi == pytest.approx(factor, rel=0.02)
    assert half / centre == pytest.approx(half_way, rel=0.01)


# --- battens ------------------------------------------------------------------------------------


def batten(x: Sequence[float], y: Sequence[float], asked: Floats) -> Floats:
    """A natural spline through pegs: a narrow strip of the surface, held at them."""
    knot = 0.1
    space = box_space(x[-1] - x[0], 0.2, knot)
    u = np.repeat(np.array(x) - x[0], 5)
    v = np.tile(np.linspace(0.0, 0.2, 5), len(x))
    fit = solve(
        energy_band(space, order=2),
        space.rows(u[:1], v[:1]),
        np.zeros(1),
        np.zeros(1),
        smoothing=1.0,
        held=space.rows(u, v),
        held_values=np.repeat(np.array(y), 5),
    )
    return space.rows(asked - x[0], np.full(len(asked), 0.1)) @ fit.coefficients


def test_a_batten_over_three_pegs() -> None:
    """Through (0, 0), (1, 1), (2, 0): M1 = -3, y(0.5) = 0.6875 (computed)."""
    x = np.array([0.5, 0.95, 1.0, 1.05, 1.5])
    y = batten((0.0, 1.0, 2.0), (0.0, 1.0, 0.0), x)
    assert y[0] == pytest.approx(0.6875, abs=1e-5)
    assert y[4] == pytest.approx(0.6875, abs=1e-5)
    # Second difference over +-0.05 of a spline with M1 = -3: -3 (1 - 0.05 / 3).
    assert (y[1] - 2.0 * y[2] + y[3]) / 0.05**2 == pytest.approx(-3.0 * (1 - 0.05 / 3), rel=1e-3)


def test_a_batten_through_the_textbooks_pegs() -> None:
    """Through (1, 2), (2, 3), (3, 5): 2 + 3t/4 + t^3/4 and 3 + 3t/2 + 3t^2/4 - t^3/4
    (Burden & Faires, section on cubic splines; memory, computed).
    """
    t = np.linspace(0.0, 1.0, 9)
    first = 2.0 + 0.75 * t + 0.25 * t**3
    second = 3.0 + 1.5 * t + 0.75 * t**2 - 0.25 * t**3
    np.testing.assert_allclose(batten((1, 2, 3), (2, 3, 5), 1.0 + t), first, atol=1e-5)
    np.testing.assert_allclose(batten((1, 2, 3), (2, 3, 5), 2.0 + t), second, atol=1e-5)


def test_a_batten_is_scipys_natural_spline() -> None:
    rng = np.random.default_rng(2)
    x = np.array([0.0, 0.4, 1.1, 1.5, 2.4, 3.0])
    y = rng.normal(0.0, 1.0, 6)
    asked = np.linspace(0.0, 3.0, 61)
    want = CubicSpline(x, y, bc_type="natural")(asked)
    np.testing.assert_allclose(batten(tuple(x), tuple(y), asked), want, atol=1e-5)


@pytest.mark.parametrize(("order", "share"), [(2, -1.0), (3, 0.0)])
def test_what_a_surface_makes_of_a_crown_under_damage(order: int, share: float) -> None:
    """Over a disc of radius a that is left out, with value and slope given at its rim, the
    biharmonic A + B r^2 makes of c r^4 its centre -c a^4 (computed); order three knows r^4 too.

    A sphere has c = 1 / (8 R^3): R = 500 mm and a = 100 mm give 0.1 mm, a warning to those who
    choose order two over broad damage.
    """
    a, radius, knot = 100.0, 500.0, 5.0
    space = box_space(300.0, 300.0, knot)
    u, v = cell_centres(300.0, 300.0, 2.5)
    r = np.hypot(u - 150.0, v - 150.0)
    kept = r > a
    fit = solve(
        energy_band(space, order=order),
        space.rows(u[kept], v[kept]),
        r[kept] ** 4 / (8.0 * radius**3),
        np.full(int(kept.sum()), 1.0),
        smoothing=1e-4,
    )
    (centre,) = space.rows(np.array([150.0]), np.array([150.0])) @ fit.coefficients
    # Data hold the spans they lie in whole, so the disc is smaller by less than a span.
    least, most = (share * r0**4 / (8.0 * radius**3) for r0 in (a, a - knot))
    assert least - 0.001 < centre < most + 0.001
