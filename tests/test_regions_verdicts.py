"""Regions on a made-up deviation: verdicts at the guard band, sizes, volumes, names, tape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.findings.marks import find_marks
from guidecoat.findings.regions import Region, measure_regions
from guidecoat.measuring.deviation import CellDeviation
from guidecoat.outline.edges import Edge
from guidecoat.rules import GUARD
from guidecoat.scans.scan import Scan, Units
from guidecoat.settings import ToleranceSettings
from guidecoat.unrolling.cells import Cells
from guidecoat.unrolling.chart import Chart, Grid

Floats = NDArray[np.float64]
SIDE = 4.0
GRID = Grid(-300.0, -200.0, SIDE, (150, 100))
TOLERANCE = ToleranceSettings(height_mm=0.5, slope_mrad=4.0)


@dataclass(frozen=True)
class Sheet:
    """Coordinates of the cells of a flat panel."""

    u: Floats
    v: Floats


def sheet() -> Sheet:
    u, v = np.meshgrid(GRID.u_mm, GRID.v_mm, indexing="ij")
    return Sheet(u, v)


def deviation(
    field: Floats, *, sigma_mm: float = 0.02, judged: Floats | None = None
) -> CellDeviation:
    on = np.ones(GRID.shape, bool) if judged is None else judged.astype(bool)
    slope_u, slope_v = np.gradient(field, SIDE)
    return CellDeviation(
        np.where(on, field, np.nan),
        np.where(on, field, np.nan),
        np.full(GRID.shape, sigma_mm),
        np.full(GRID.shape, 0.2 * sigma_mm),
        np.where(on, 1e3 * np.hypot(slope_u, slope_v), np.nan),
        0.1,
        on,
        5.0,
    )


def regions(found: CellDeviation, edges: tuple[Edge, ...] = ()) -> tuple[Region, ...]:
    at = sheet()
    flat = np.zeros(GRID.shape)
    cells = Cells(
        GRID,
        at.u,
        at.v,
        np.nan_to_num(found.cell_mm),
        found.sigma_mm,
        flat,
        flat,
        np.full(GRID.shape, 9, np.int32),
        np.zeros(GRID.shape, bool),
        0.05,
        SIDE / 3.0,
    )
    scan = Scan(
        "sheet",
        np.zeros((1, 3), np.float32),
        np.ones(1, np.bool_),
        np.array([1.0, 2.0, 3.0]),
        Units("m", 1000.0, "given"),
        np.zeros(1, dtype=[("x", "f4")]),
    )
    chart = Chart(np.zeros(3), np.eye(3), 0.0)
    marks = find_marks(found, cells, TOLERANCE)
    label = found.judged.astype(np.int32)
    return measure_regions(marks, found, cells, chart, scan, edges, TOLERANCE, label=label)


def cosine(u0: float, v0: float, radius: float, height: float) -> Floats:
    """A round mark; centred on a cell its greatest cell has its full height."""
    at = sheet()
    r = np.minimum(np.hypot(at.u - u0, at.v - v0) / radius, 1.0)
    return np.asarray(0.5 * height * (1.0 + np.cos(np.pi * r)))


# --- verdicts -----------------------------------------------------------------------------------


def test_the_guard_band_is_the_standards() -> None:
    """ISO 14253-1:2017: 95 % one-sided, 1.6449 standard uncertainties (normal quantile)."""
    assert pytest.approx(1.6449, abs=5e-5) == GUARD


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("sigma", [0.01, 0.05])
@pytest.mark.parametrize(
    ("bands", "verdict"),
    [(1.1, "out"), (0.9, "undecided"), (0.0, "undecided"), (-0.7, "undecided"), (-1.02, None)],
)
def test_three_verdicts_round_the_tolerance(
    sign: float, sigma: float, bands: float, verdict: str | None
) -> None:
    """Tolerance 0.5 mm, the peak a share of the guard band beyond or within it."""
    peak = 0.5 + bands * GUARD * sigma
    found = regions(deviation(sign * cosine(22.0, -30.0, 130.0, peak), sigma_mm=sigma))
    high_or_low = [r for r in found if r.kind != "ripple"]
    if verdict is None:
        assert not high_or_low
        return
    (region,) = high_or_low
    assert region.verdict == verdict
    assert region.kind == ("high" if sign > 0 else "low")
    # The top of a squared cosine is a quadratic but for 0.2 % of its height (computed).
    assert region.peak_mm == pytest.approx(sign * peak, rel=0.0025)
    assert region.uncertainty_mm == pytest.approx(2.0 * sigma)


# --- sizes --------------------------------------------------------------------------------------


def test_size_place_and_volume_of_a_cosine_low() -> None:
    """Volume d a^2 (pi/2 - 2/pi) (closed form), greatest slope pi d / 2a; the foot below a tenth
    of the tolerance is left out, which costs under 3 % of the volume.
    """
    found = regions(deviation(cosine(-40.0, 30.0, 80.0, -1.2), sigma_mm=0.005))
    (low,) = (r for r in found if r.kind == "low")
    assert (low.region, low.verdict) == ("L1", "out")
    assert low.peak_mm == pytest.approx(-1.2, abs=0.01)
    assert low.volume_cm3 == pytest.approx(-1.2 * 80.0**2 * (np.pi / 2 - 2 / np.pi) / 1e3, rel=0.03)
    assert (low.u_mm, low.v_mm) == pytest.approx((-40.0, 30.0), abs=SIDE)
    assert low.max_slope_mrad == pytest.approx(1e3 * np.pi * 1.2 / 160.0, rel=0.02)
    # Where the cosine sinks under the foot: nearly all of its 160 mm.
    assert 120.0 < low.width_mm <= low.length_mm < 165.0
    # In the scan's own units and frame: metres, and an origin.
    assert low.x == pytest.approx(1.0 + low.u_mm / 1000.0)
    assert low.y == pytest.approx(2.0 + low.v_mm / 1000.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_noise_does_not_lift_a_flat_top(sign: float) -> None:
    """Of a hundred and more cells of one height the highest stands 2.5 sigmas above it."""
    at, sigma = sheet(), 0.02
    rng = np.random.default_rng(5)
    off = []
    for _ in range(20):
        away = np.hypot(at.u - rng.uniform(-60.0, 60.0), at.v)
        flat = np.clip((60.0 - away) / 12.0, 0.0, 1.0)
        field = sign * 0.8 * flat + rng.normal(0.0, sigma, flat.shape)
        (mark,) = (r for r in regions(deviation(field, sigma_mm=sigma)) if r.kind != "ripple")
        off.append(sign * mark.peak_mm - 0.8)
    assert abs(np.mean(off)) < 0.25 * sigma
    assert np.abs(off).max() < 2.0 * sigma


def test_a_long_dent_has_its_length_and_width_however_it_lies() -> None:
    at = sheet()
    for angle in (0.0, 0.5, 1.2):
        x = at.u * np.cos(angle) + at.v * np.sin(angle)
        y = at.v * np.cos(angle) - at.u * np.sin(angle)
        field = -1.0 * (np.abs(x) < 100.0) * (np.abs(y) < 25.0)
        (low,) = (r for r in regions(deviation(field)) if r.kind == "low")
        assert low.length_mm == pytest.approx(200.0, abs=2.0 * SIDE)
        assert low.width_mm == pytest.approx(50.0, abs=2.0 * SIDE)
        assert low.area_cm2 == pytest.approx(100.0, rel=0.05)


def test_names_go_by_size_within_a_kind() -> None:
    field = (
        cosine(-202.0, 2.0, 60.0, 0.8)
        + cosine(-50.0, 2.0, 60.0, 1.3)
        + cosine(98.0, 2.0, 60.0, -0.9)
        + cosine(222.0, 2.0, 60.0, -2.0)
    )
    found = [r for r in regions(deviation(field)) if r.kind != "ripple"]
    assert [(r.region, round(r.peak_mm, 2)) for r in found] == [
        ("H1", 1.3),
        ("H2", 0.8),
        ("L1", -2.0),
        ("L2", -0.9),
    ]


def test_two_marks_near_each_other_stay_two_and_a_saddled_one_is_one() -> None:
    two = cosine(-70.0, 0.0, 50.0, 1.0) + cosine(70.0, 0.0, 50.0, 1.0)
    assert sum(r.kind == "high" for r in regions(deviation(two))) == 2
    one = np.maximum(cosine(-25.0, 0.0, 80.0, 1.0), cosine(25.0, 0.0, 80.0, 1.0))
    assert sum(r.kind == "high" for r in regions(deviation(one))) == 1


def test_a_speck_of_a_few_cells_is_no_region() -> None:
    field = np.zeros(GRID.shape)
    field[70:71, 50:52] = 3.0
    assert not [r for r in regions(deviation(field)) if r.kind != "ripple"]


def test_what_is_not_judged_is_no_region() -> None:
    field = cosine(0.0, 0.0, 50.0, 2.0)
    assert not regions(deviation(field, judged=(field == 0.0).astype(float)))


def test_turned_inside_out_highs_are_lows() -> None:
    field = cosine(-100.0, 0.0, 50.0, 0.9) + cosine(100.0, 20.0, 70.0, -1.1)
    one, other = regions(deviation(field)), regions(deviation(-field))

    def rows(found: tuple[Region, ...], sign: float) -> set[tuple[float, ...]]:
        return {
            (
                round(sign * r.peak_mm, 9),
                round(sign * r.volume_cm3, 6),
                round(r.area_cm2, 6),
                round(r.u_mm, 6),
            )
            for r in found
        }

    assert rows(one, 1.0) == rows(other, -1.0)


# --- ripple -------------------------------------------------------------------------------------


def ripple(amplitude: float, wavelength: float, radius: float = 110.0) -> Floats:
    at = sheet()
    window = np.clip((radius - np.hypot(at.u, at.v)) / 30.0, 0.0, 1.0)
    return np.asarray(amplitude * np.sin(2.0 * np.pi * at.u / wavelength) * window)


def test_ripple_is_told_by_slope_while_its_height_is_in() -> None:
    """0.08 mm at 60 mm is 2 pi 0.08 / 60 = 8.38 mrad, twice the tolerance of 4; height 0.5."""
    (found,) = regions(deviation(ripple(0.08, 60.0)))
    assert (found.region, found.kind, found.verdict) == ("R1", "ripple", "out")
    assert found.max_slope_mrad == pytest.approx(8.38, rel=0.1)
    assert abs(found.peak_mm) == pytest.approx(0.08, rel=0.05)


def test_a_slope_inside_tolerance_is_no_ripple() -> None:
    assert regions(deviation(ripple(0.03, 60.0))) == ()


def test_a_lean_is_no_ripple() -> None:
    """6 mrad over the whole sheet, but it does not go up and down."""
    at = sheet()
    field = 0.006 * np.clip(at.u, -60.0, 60.0)
    assert not [r for r in regions(deviation(field)) if r.kind == "ripple"]


# --- tape ---------------------------------------------------------------------------------------


def straight(name: str, a: tuple[float, float], b: tuple[float, float]) -> Edge:
    line = np.linspace(a, b, 400)
    return Edge(name, "outline", 1, line, line, np.zeros_like(line), False, 1.0, 10.0)


def test_tape_distances_run_from_two_edges_across_each_other() -> None:
    edges = (
        straight("A", (-300.0, 200.0), (300.0, 200.0)),
        straight("B", (300.0, 200.0), (300.0, -200.0)),
        straight("C", (300.0, -200.0), (-300.0, -200.0)),
        straight("D", (-300.0, -200.0), (-300.0, 200.0)),
    )
    (low,) = (
        r for r in regions(deviation(cosine(202.0, -82.0, 60.0, -1.0)), edges) if r.kind == "low"
    )
    assert low.from_edges == "98 mm from edge B, 118 mm from edge C"
