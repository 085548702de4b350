"""Filler: volumes of closed form, hand-worked litres and kilograms, limits at their boundaries."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.settings import PlanSettings, load_settings
from guidecoat.workplan.depths import (
    Fill,
    added_slope_mrad,
    coats_for,
    fill_of,
    limit_of,
    mixed_kilograms,
)

Floats = NDArray[np.float64]
FIGURES = load_settings("metal").plan


def grid(side: float, cell: float) -> tuple[Floats, Floats]:
    t = np.arange(-0.5 * side + 0.5 * cell, 0.5 * side, cell)
    u, v = np.meshgrid(t, t, indexing="ij")
    return u, v


def measured(depth: Floats, cell: float, figures: PlanSettings = FIGURES) -> Fill:
    return fill_of(
        "tap",
        depth,
        figures,
        area_mm2=np.full(depth.shape, cell**2),
        cell_mm=cell,
        corner_mm=(0.0, 0.0),
        slope_mrad=0.0,
    )


def test_one_millimetre_over_a_square_metre_is_a_litre() -> None:
    """1 l in place; 1.4 l mixed; 1.4 x 1.8 = 2.52 kg; 2 % of it is 50.4 g of hardener."""
    fill = measured(np.ones((200, 200)), 5.0)
    assert fill.litres == pytest.approx(1.0, rel=1e-12)
    assert fill.litres_mixed == pytest.approx(1.4)
    assert fill.kilograms == pytest.approx(2.52)
    assert fill.hardener_g == pytest.approx(50.4)
    assert fill.area_cm2 == pytest.approx(10_000.0)
    assert fill.greatest_mm == 1.0
    assert fill.mean_mm == pytest.approx(1.0)


def test_light_filler_weighs_less() -> None:
    light = load_settings("metal", overrides={"plan.filler": "light"}).plan
    assert mixed_kilograms(0.5, light) == pytest.approx(0.5 * 1.4 * 1.15)
    assert mixed_kilograms(0.5, FIGURES) == pytest.approx(0.5 * 1.4 * 1.8)


def test_cap_of_a_sphere() -> None:
    """pi h^2 (3R - h) / 3 with R = 1000, a = 150: h = 11.3140033, V = 400628.196 mm3."""
    u, v = grid(320.0, 1.0)
    cap = np.sqrt(1000.0**2 - u**2 - v**2) - np.sqrt(1000.0**2 - 150.0**2)
    fill = measured(np.maximum(cap, 0.0), 1.0)
    assert fill.litres == pytest.approx(0.400628196, rel=2e-4)
    assert fill.greatest_mm == pytest.approx(11.3140033, abs=2e-3)
    assert fill.area_cm2 == pytest.approx(np.pi * 15.0**2, rel=5e-3)


def test_cosine_low_in_a_plane() -> None:
    """Volume d a^2 (pi / 2 - 2 / pi), of which the rim under 0.02 mm is 0.2 % and is no filling."""
    u, v = grid(200.0, 1.0)
    r = np.hypot(u, v) / 80.0
    depth = np.where(r < 1.0, 0.75 * (1.0 + np.cos(np.pi * np.minimum(r, 1.0))), 0.0)
    fill = measured(depth, 1.0)
    assert fill.litres == pytest.approx(1.5 * 80.0**2 * (np.pi / 2 - 2 / np.pi) / 1e6, rel=4e-3)


def test_feathered_ring_of_a_disc_and_of_a_thick_one() -> None:
    """25 mm round a disc of 40 mm; a fill of twice the caution is feathered twice as far."""
    u, v = grid(400.0, 1.0)
    disc = np.hypot(u, v) <= 40.0
    thin = measured(np.where(disc, 1.0, 0.0), 1.0)
    thick = measured(np.where(disc, 4.0, 0.0), 1.0)
    assert thin.feather_cm2 == pytest.approx(np.pi * (65.0**2 - 40.0**2) / 100, rel=0.02)
    assert thick.feather_cm2 == pytest.approx(np.pi * (90.0**2 - 40.0**2) / 100, rel=0.02)


def test_what_is_not_judged_is_not_filled() -> None:
    depth = np.ones((20, 20))
    depth[:10] = np.nan
    fill = measured(depth, 5.0)
    assert fill.area_cm2 == pytest.approx(10 * 20 * 0.25)
    assert np.isnan(fill.depth_mm[:10]).all()
    assert not fill.depth_mm.flags.writeable


def test_nothing_to_fill() -> None:
    fill = measured(np.zeros((10, 10)), 5.0)
    assert (fill.litres, fill.greatest_mm, fill.mean_mm, fill.feather_cm2) == (0, 0, 0, 0)
    assert (fill.coats, fill.limit) == (0, "none")


@pytest.mark.parametrize(
    ("depth", "limit"),
    [
        (0.0, "none"),
        (2.0, "none"),
        (np.nextafter(2.0, 3.0), "caution"),
        (3.0, "caution"),
        (np.nextafter(3.0, 4.0), "metalwork first"),
        (np.nextafter(6.0, 5.0), "metalwork first"),
        (6.0, "stop"),
        (9.0, "stop"),
    ],
)
def test_limits_at_their_boundaries(depth: float, limit: str) -> None:
    assert limit_of(depth, FIGURES) == limit


def test_area_beyond_each_limit() -> None:
    fill = measured(np.array([[1.0, 2.0, 2.5, 3.0], [3.5, 5.9, 6.0, 7.0]]), 10.0)
    assert (fill.caution_cm2, fill.metalwork_cm2, fill.stop_cm2) == (6.0, 4.0, 2.0)
    assert fill.limit == "stop"


@pytest.mark.parametrize(("depth", "coats"), [(0.0, 0), (0.1, 1), (3.0, 1), (3.1, 2), (6.0, 2)])
def test_coats(depth: float, coats: int) -> None:
    assert coats_for(depth, FIGURES) == coats


def test_half_a_millimetre_wants_eight_tenths_of_a_metre() -> None:
    assert added_slope_mrad(0.5, 800.0, FIGURES) == pytest.approx(1.0)
    assert added_slope_mrad(0.5, 400.0, FIGURES) == pytest.approx(2.0)
