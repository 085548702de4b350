"""Distance along the normal to the foot point, slope and noise, against closed forms."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.measuring.deviation import measure_cells, normal_distance
from guidecoat.numerics.banded import Factor
from guidecoat.numerics.spline import Fit, SplineSpace, energy_band, solve
from guidecoat.open3d_loader import load_open3d
from guidecoat.outline.faces import JUDGED, Faces
from guidecoat.surface.fairing import FaceSurface, FairSurface
from guidecoat.unrolling.cells import Cells
from guidecoat.unrolling.chart import Chart, Grid

Floats = NDArray[np.float64]
KNOT_MM = 8.0


class Bench:
    """A known surface over a chart of 240 x 160 mm: cells, one face, and a spline through it.

    height : (u, v) -> h in the chart. The spline is laid on exact heights four to a knot with next
    to no smoothing, so it is the surface to far below a micrometre.
    """

    def __init__(self, chart: Chart, height: Callable[[Floats, Floats], Floats]) -> None:
        self.chart = chart
        self.grid = Grid(-120.0, -80.0, 4.0, (60, 40))
        spans = (34, 24)
        u0, v0 = -17.0 * KNOT_MM, -12.0 * KNOT_MM
        self.space = SplineSpace.build(u0, v0, KNOT_MM, np.ones(spans, bool))
        u, v = (
            a.ravel()
            for a in np.meshgrid(
                u0 + 2.0 * (np.arange(4 * spans[0]) + 0.5),
                v0 + 2.0 * (np.arange(4 * spans[1]) + 0.5),
                indexing="ij",
            )
        )
        rows = self.space.rows(u, v)
        # Laying on what is left over takes the last rounding away.
        z = height(u, v)
        base = np.linalg.lstsq(_quadratic(u, v), z, rcond=None)[0]
        rest = z - _quadratic(u, v) @ base
        self.fit = solve(
            energy_band(self.space, order=3), rows, rest, np.full(len(u), 4.0), smoothing=1e-3
        )
        plain = solve(
            energy_band(self.space, order=3),
            rows,
            _quadratic(u, v) @ base,
            np.full(len(u), 4.0),
            smoothing=1e-3,
        )
        self.fit = Fit(self.fit.coefficients + plain.coefficients, self.fit.factor)
        self.height = height

    def surface(self, *, noise_mm: float = 0.0) -> FairSurface:
        lattice = self.space.lattice(self.fit.coefficients)
        face = FaceSurface(
            1,
            self.space,
            Fit(self.fit.coefficients, Factor(self.fit.factor.lower)),
            lattice,
            200.0,
            "the settings",
            noise_mm,
            noise_mm,
            np.ones(self.grid.shape, bool),
            np.zeros(self.grid.shape, bool),
            ((200.0, noise_mm),),
            4.0,
            (),
            np.zeros((self.space.size, 1)),
            1,
            np.full(self.grid.shape, np.nan),
            broken_down=False,
        )
        return FairSurface(self.space.u0, self.space.v0, KNOT_MM, lattice[None], (face,), 3)

    def cells(self, off: Floats | None = None, error_mm: float = 0.01) -> Cells:
        u, v = np.meshgrid(self.grid.u_mm, self.grid.v_mm, indexing="ij")
        h = self.height(u.ravel(), v.ravel()).reshape(u.shape) + (0.0 if off is None else off)
        flat = np.zeros(u.shape)
        return Cells(
            self.grid,
            u,
            v,
            h,
            np.full(u.shape, error_mm),
            flat,
            flat,
            np.full(u.shape, 9, np.int32),
            np.zeros(u.shape, bool),
            3.0 * error_mm,
            4.0 / 3.0,
        )

    def faces(self) -> Faces:
        shape = self.grid.shape
        return Faces(
            np.ones(shape, np.int32),
            np.full(shape, JUDGED, np.uint8),
            np.zeros(shape, bool),
            np.full(shape, 50.0),
            1,
            6.0,
        )

    def distance(self, points_mm: Floats) -> Floats:
        return normal_distance(points_mm, self.chart, self.faces(), self.cells(), self.surface())


def _quadratic(u: Floats, v: Floats) -> Floats:
    return np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def turned(seed: int) -> Floats:
    rotation, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    return np.asarray(rotation * np.sign(np.linalg.det(rotation)))


def height_of(
    chart: Chart, distance: Callable[[Floats], Floats]
) -> Callable[[Floats, Floats], Floats]:
    """Heights in the chart at which a signed distance (outside +) is nil, by secant steps."""

    def height(u: Floats, v: Floats) -> Floats:
        h0, h1 = np.zeros_like(u), np.full_like(u, 0.5)
        f0 = distance(chart.to_space(np.column_stack([u, v, h0])))
        for _ in range(30):
            f1 = distance(chart.to_space(np.column_stack([u, v, h1])))
            slope = np.where(np.abs(f1 - f0) > 1e-13, (f1 - f0) / (h1 - h0 + 1e-300), 1.0)
            h0, f0, h1 = h1, f1, h1 - f1 / slope
        return h1

    return height


def sphere(p: Floats) -> Floats:
    return np.asarray(np.linalg.norm(p + np.array([0.0, 0.0, 600.0]), axis=1) - 600.0)


def cylinder(p: Floats) -> Floats:
    """Radius 450, its axis askew to the chart's by 0.5 rad."""
    axis = np.array([np.cos(0.5), np.sin(0.5), 0.0])
    q = p + np.array([0.0, 0.0, 450.0])
    return np.asarray(np.linalg.norm(q - np.outer(q @ axis, axis), axis=1) - 450.0)


def torus(p: Floats) -> Floats:
    """sqrt((hypot(x, z) - R)^2 + y^2) - r, R = 700, r = 350, seen from outside."""
    x, y, z = p.T
    return np.asarray(np.hypot(np.hypot(x, z + 1050.0) - 700.0, y) - 350.0)


def saddle(p: Floats) -> Floats:
    """The inner side of the same torus: bulging one way and hollow the other."""
    x, y, z = p.T
    return np.asarray(350.0 - np.hypot(np.hypot(x, z - 350.0) - 700.0, y))


def cone(p: Floats) -> Floats:
    """Half angle 0.2 rad about x, distance 400 from its axis at x = 0."""
    x, y, z = p.T
    ring = np.hypot(y, z + 400.0)
    return np.asarray((ring - 400.0 - x * np.tan(0.2)) * np.cos(0.2))


CHARTS = {
    "plane": Chart(np.zeros(3), np.eye(3), 0.0),
    "roll": Chart(np.zeros(3), np.eye(3), 1.0 / 500.0),
    "hollow": Chart(np.zeros(3), np.eye(3), -1.0 / 800.0),
}


@pytest.mark.parametrize("base", ["plane", "roll", "hollow"])
@pytest.mark.parametrize("form", [sphere, cylinder, torus, cone])
def test_distance_is_exact_to_a_micrometre(form: Callable[[Floats], Floats], base: str) -> None:
    """Points up to 10 mm off, wherever they lie, against the closed form; outside is +."""
    bench = Bench(CHARTS[base], height_of(CHARTS[base], form))
    rng = np.random.default_rng(1)
    uvh = rng.uniform(-1.0, 1.0, (3000, 3)) * [100.0, 65.0, 0.0]
    uvh[:, 2] = bench.height(uvh[:, 0], uvh[:, 1]) + rng.uniform(-10.0, 10.0, 3000)
    points = bench.chart.to_space(uvh)
    np.testing.assert_allclose(bench.distance(points), form(points), atol=1e-3)


def test_distance_from_a_hull() -> None:
    """Wigley's form, y = B/2 (1 - (2x/L)^2)(1 - (z/T)^2): points put off it along its normal."""
    length, beam, draught = 900.0, 160.0, 330.0

    def height(u: Floats, v: Floats) -> Floats:
        form = (
            0.5 * beam * (1 - (2 * (u - 60.0) / length) ** 2) * (1 - ((v - 110.0) / draught) ** 2)
        )
        return np.asarray(form - 60.0)

    bench = Bench(CHARTS["plane"], height)
    rng = np.random.default_rng(2)
    u, v = rng.uniform(-1.0, 1.0, (2, 2000)) * [[95.0], [60.0]]
    across = 1 - ((v - 110.0) / draught) ** 2
    along = 1 - (2 * (u - 60.0) / length) ** 2
    slope_u = 0.5 * beam * across * -8.0 * (u - 60.0) / length**2
    slope_v = 0.5 * beam * along * -2.0 * (v - 110.0) / draught**2
    normal = np.column_stack([-slope_u, -slope_v, np.ones_like(u)])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    off = rng.uniform(-8.0, 8.0, 2000)
    points = np.column_stack([u, v, height(u, v)]) + off[:, None] * normal
    np.testing.assert_allclose(bench.distance(points), off, atol=1e-3)


def test_a_height_difference_would_not_do() -> None:
    """On a steep flank the normal distance is far from the height above the surface."""
    bench = Bench(CHARTS["plane"], lambda u, v: 0.6 * u)
    points = np.array([[20.0, 10.0, 12.0 + 5.0]])
    assert bench.distance(points)[0] == pytest.approx(5.0 / np.hypot(1.0, 0.6), abs=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rigid_motion_changes_no_distance(seed: int) -> None:
    chart = CHARTS["roll"]
    bench = Bench(chart, height_of(chart, sphere))
    rng = np.random.default_rng(seed)
    points = chart.to_space(rng.uniform(-1.0, 1.0, (500, 3)) * [100.0, 60.0, 5.0])
    rotation, shift = turned(seed), rng.uniform(-500.0, 500.0, 3)
    moved = Chart(rotation @ chart.origin_mm + shift, chart.rotation @ rotation.T, 1.0 / 500.0)
    want = bench.distance(points)
    bench.chart = moved
    np.testing.assert_allclose(bench.distance(points @ rotation.T + shift), want, atol=1e-8)


def test_signs_and_sizes_are_a_ray_casters() -> None:
    """open3d's signed distance from a closed mesh is negative inside: the same sign as ours."""
    o3d = load_open3d()
    ball = o3d.t.geometry.TriangleMesh.create_sphere(600.0, 120)
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(ball)
    chart = CHARTS["roll"]
    bench = Bench(chart, height_of(chart, sphere))
    rng = np.random.default_rng(4)
    uvh = rng.uniform(-1.0, 1.0, (200, 3)) * [90.0, 60.0, 0.0]
    uvh[:, 2] = bench.height(uvh[:, 0], uvh[:, 1]) + rng.choice([-8.0, 8.0], 200)
    points = chart.to_space(uvh)
    asked = (points + np.array([0.0, 0.0, 600.0])).astype(np.float32)
    theirs = scene.compute_signed_distance(o3d.core.Tensor(asked)).numpy()
    ours = bench.distance(points)
    assert (np.sign(theirs) == np.sign(ours)).all()
    # Facets of 16 mm lie up to 16^2 / 4R = 0.1 mm inside the sphere.
    np.testing.assert_allclose(ours, theirs, atol=0.12)


def test_off_the_face_there_is_no_distance() -> None:
    bench = Bench(CHARTS["plane"], lambda u, v: 0.0 * u)
    points = np.array([[0.0, 0.0, 1.0], [500.0, 0.0, 1.0], [np.nan, 0.0, 0.0]])
    np.testing.assert_array_equal(np.isnan(bench.distance(points)), [False, True, True])
    faces = bench.faces()
    faces.label[:30] = 0
    left = normal_distance(
        np.array([[-50.0, 0.0, 1.0], [50.0, 0.0, 1.0]]),
        bench.chart,
        faces,
        bench.cells(),
        bench.surface(),
    )
    np.testing.assert_allclose(left, [np.nan, 1.0], atol=1e-6)


# --- cells, slope and noise ---------------------------------------------------------------------


def flat_bench() -> Bench:
    return Bench(CHARTS["plane"], lambda u, v: 0.0 * u)


@pytest.mark.parametrize("along", ["u", "v"])
def test_slope_halves_the_wave_it_is_smoothed_over_and_height_keeps_it(along: str) -> None:
    """Slopes come from differences over two cells, which leave sin(k c) / (k c) of a wave k."""
    bench = flat_bench()
    u, v = np.meshgrid(bench.grid.u_mm, bench.grid.v_mm, indexing="ij")
    x = u if along == "u" else v
    inner = (np.abs(u) < 60.0) & (np.abs(v) < 30.0)
    for wavelength, least, most in ((30.0, 0.48, 0.52), (90.0, 0.97, 1.01), (12.0, 0.0, 0.02)):
        k = 2.0 * np.pi / wavelength
        wave = 0.1 * np.cos(k * x + 0.3)
        found = measure_cells(
            bench.cells(wave),
            bench.chart,
            bench.faces(),
            bench.surface(),
            np.ones(bench.grid.shape, bool),
            smoothing_mm=30.0,
        )
        np.testing.assert_allclose(found.cell_mm, wave, atol=1e-6)
        full = np.abs(1e3 * 0.1 * np.sin(k * 4.0) / 4.0 * np.sin(k * x + 0.3))[inner]
        share = float((found.slope_mrad[inner] * full).sum() / (full * full).sum())
        assert least <= share <= most
        if wavelength >= 30.0:
            kept = float((found.smooth_mm * wave)[inner].sum() / (wave * wave)[inner].sum())
            assert kept == pytest.approx(1.0, abs=0.03)


def test_slope_of_a_ripple() -> None:
    """0.08 mm at 60 mm wavelength is 2 pi 0.08 / 60 = 8.38 mrad; 4 mm cells and 20 mm smoothing
    leave over 90 %.
    """
    bench = flat_bench()
    u, v = np.meshgrid(bench.grid.u_mm, bench.grid.v_mm, indexing="ij")
    found = measure_cells(
        bench.cells(0.08 * np.sin(2.0 * np.pi * u / 60.0)),
        bench.chart,
        bench.faces(),
        bench.surface(),
        np.ones(bench.grid.shape, bool),
        smoothing_mm=20.0,
    )
    inner = (np.abs(u) < 80.0) & (np.abs(v) < 50.0)
    assert 0.9 * 8.38 < found.slope_mrad[inner].max() < 8.38


@pytest.mark.parametrize("smoothing", [12.0, 20.0, 40.0])
def test_stated_noise_of_height_and_slope_is_what_noise_makes(smoothing: float) -> None:
    """Over seeds: scatter of the smoothed height, and of either component of the slope."""
    bench = flat_bench()
    surface = bench.surface()
    error = 0.02
    heights, slopes = [], []
    for seed in range(12):
        noise = np.random.default_rng(seed).normal(0.0, error, bench.grid.shape)
        found = measure_cells(
            bench.cells(noise, error),
            bench.chart,
            bench.faces(),
            surface,
            np.ones(bench.grid.shape, bool),
            smoothing_mm=smoothing,
        )
        heights.append(found.smooth_mm[12:-12, 12:-12])
        slopes.append(found.slope_mrad[12:-12, 12:-12])
    stated = float(np.median(found.sigma_mm[12:-12, 12:-12]))
    assert float(np.std(heights)) == pytest.approx(stated, rel=0.1)
    per_way = float(np.sqrt(np.mean(np.square(slopes)) / 2.0))
    assert per_way == pytest.approx(found.slope_sigma_mrad, rel=0.1)
