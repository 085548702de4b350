"""Knocks that lie in the band along an edge, which is not judged otherwise."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.outline.edges import Edge
from guidecoat.surface.edge_bands import EdgeBand
from guidecoat.surface.edge_knocks import Knock, find_knocks
from guidecoat.synthetic import Dimple, Dropout, Panel, crowned_door, sphere_panel, wing
from guidecoat.workplan.actions import with_actions
from truth_fixture import checked, marks_found

Floats = NDArray[np.float64]

DOOR = crowned_door(length_mm=800.0, width_mm=550.0, crown_mm=16.0)
WING = wing()
BALL = sphere_panel(900.0)
LENGTH_MM = 600.0
TOLERANCE_MM = 0.15


def in_edges(panel: Panel, *, seed: int) -> tuple[Dimple, ...]:
    """A knock in the upper edge and one in either end, 40 to 150 mm long, 6 to 8 mm in."""
    rng = np.random.default_rng(seed)
    s0, s1, t0, t1 = panel.extent_mm
    middle = 0.5 * (t0 + t1)
    places = (((s0 + s1) / 2 + 60.0, t1), (s0, middle + 90.0), (s1, middle + 40.0))
    found = []
    for (s, t), sign in zip(places, (-1.0, 1.0, -1.0), strict=True):
        half, reach = float(rng.uniform(20.0, 75.0)), float(rng.uniform(6.0, 8.0))
        radii = (half, reach) if t == t1 else (reach, half)
        peak = sign * float(rng.uniform(0.8, 1.8))
        found.append(Dimple((s, t), peak, radii, kind="edge ding"))
    return tuple(found)


@pytest.mark.parametrize("hem_mm", [0.0, 3.0])
@pytest.mark.parametrize("panel", [DOOR, WING, BALL], ids=lambda p: p.name)
def test_knocks_within_the_band_are_found_and_not_held(panel: Panel, hem_mm: float) -> None:
    planted = in_edges(panel, seed=5)
    scan, result = checked(panel, planted, seed=5, spacing_mm=1.6, hem_mm=hem_mm)
    found, others = marks_found(scan, result)
    assert not others
    assert [len(mark.regions) for mark in found] == [1] * len(planted), [str(m) for m in found]
    for mark in found:
        region = mark.regions[0]
        assert region.edge
        assert region.verdict == "out"
        assert 0.5 <= region.peak_mm / mark.defect.peak_mm <= 1.1
        (line,) = (line for line in result.edges if line.name == region.edge)
        away = np.hypot(*(line.station_uv - [region.u_mm, region.v_mm]).T)
        assert not line.held[away < 12.0].any()
        assert line.held[away > 150.0].all()
        assert region.core.any()
        assert f"mm from edge {region.edge}" in region.from_edges
        assert f"dress edge {region.edge}" in region.action


@pytest.mark.parametrize(
    ("hem_mm", "spacing_mm", "noise_mm"), [(0.0, 1.6, 0.2), (1.5, 2.5, 0.05), (3.0, 2.5, 0.2)]
)
@pytest.mark.parametrize("panel", [DOOR, WING, BALL], ids=lambda p: p.name)
def test_none_is_found_in_a_sound_edge(
    panel: Panel, hem_mm: float, spacing_mm: float, noise_mm: float
) -> None:
    s0, s1, t0, t1 = panel.extent_mm
    holes = (Dropout((s0 + 200.0, t1), 15.0, 3), Dropout((s1, 0.5 * (t0 + t1)), 12.0, 4))
    _, result = checked(
        panel,
        seed=8,
        spacing_mm=spacing_mm,
        noise_mm=noise_mm,
        hem_mm=hem_mm,
        dropouts=holes,
        flying_points=100,
    )
    assert [region.from_edges for region in result.regions if region.edge] == []


def test_a_ding_that_runs_inboard_is_one_region_with_its_whole_depth() -> None:
    ding = Dimple((30.0, DOOR.extent_mm[2]), -0.9, (40.0, 24.0), kind="edge ding")
    scan, result = checked(DOOR, (ding,), seed=6, spacing_mm=1.6)
    (mark,), others = marks_found(scan, result)
    assert (len(mark.regions), others) == (1, ())
    assert mark.peak_mm <= mark.peak_allowed_mm
    assert mark.volume_share <= 0.15
    assert mark.regions[0].edge


def test_the_edge_moves_by_what_stands_there() -> None:
    """A dent in a corner is deepest farther in: its edge is not raised by its peak."""
    s0, _, t0, _ = DOOR.extent_mm
    dent = Dimple((s0 + 45.0, t0 + 45.0), -1.9, (75.0, 75.0))
    _, result = checked(DOOR, (dent,), seed=6, spacing_mm=1.6)
    (region,) = result.regions
    assert region.edge
    assert region.peak_mm < -1.6
    # The deepest within the band along either edge, 12 mm in, by the dent's own formula.
    away = (45.0 - 12.0) / 75.0
    most = 0.5 * 1.9 * (1.0 + np.cos(np.pi * away))
    assert -most - 0.1 <= region.edge_peak_mm < -0.3
    (said,) = re.findall(rf"dress edge {region.edge}: raise it ([\d.]+) mm", region.action)
    assert float(said) == pytest.approx(-region.edge_peak_mm, abs=0.051)
    assert "farther in raise from behind" in region.action


@pytest.mark.parametrize("stage", ["metal", "filler", "primer"])
def test_the_action_speaks_of_the_edge(stage: str) -> None:
    planted = in_edges(BALL, seed=7)[:1]
    _, result = checked(BALL, planted, seed=7, spacing_mm=1.6)
    (region,) = with_actions(result.regions, stage)
    assert f"edge {region.edge}" in region.action


# --- one edge alone ----------------------------------------------------------------------------


def straight_band(
    off_at: object, *, spacing_mm: float = 1.6, noise_mm: float = 0.05, seed: int = 0
) -> tuple[EdgeBand, Floats]:
    """Points along a straight edge and how far they stand off, by a function of run and depth."""
    rng = np.random.default_rng(seed)
    count = int(LENGTH_MM * 13.0 / spacing_mm**2)
    run, inward = rng.uniform(0.0, LENGTH_MM, count), rng.uniform(-3.0, 10.0, count)
    off = off_at(run, inward)  # type: ignore[operator]
    kept = np.isfinite(off)
    run, inward = run[kept], inward[kept]
    off = off[kept] + rng.normal(0.0, noise_mm, len(run))
    line = np.column_stack([np.arange(0.0, LENGTH_MM + 1.0, 20.0), np.zeros(31)])
    nothing = np.zeros((0, 2))
    edge = Edge("A", "outline", 1, line, nothing, nothing, False, LENGTH_MM, 20.0)
    return EdgeBand(edge, run, inward, off, run, inward, 8.0, spacing_mm, noise_mm), off


def hem(run: Floats, inward: Floats, *, radius_mm: Floats) -> Floats:
    """A hem's roll: a quarter turn from 0 outward; its far end is where the scan ends."""
    out = np.clip(-inward / radius_mm, 0.0, 1.5)
    return np.where(
        out <= 1.0, -radius_mm * (1.0 - np.sqrt(1.0 - np.minimum(out, 1.0) ** 2)), np.nan
    )


def knock(run: Floats, inward: Floats) -> Floats:
    """0.9 mm low at 300 mm, 60 mm long, fading out 8 mm in."""
    r = np.hypot((run - 300.0) / 30.0, np.maximum(inward, 0.0) / 8.0)
    return np.asarray(-0.45 * (1.0 + np.cos(np.pi * np.minimum(r, 1.0))))


def found_in(off_at: object, **how: float) -> tuple[Knock, ...]:
    band, off = straight_band(off_at, **how)  # type: ignore[arg-type]
    return find_knocks(band, off, tolerance_mm=TOLERANCE_MM)


@pytest.mark.parametrize("spacing_mm", [1.0, 2.5])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_return_radius_that_changes_is_no_knock(spacing_mm: float, seed: int) -> None:
    """From 1.5 to 3 mm and back, over half the edge."""

    def off(run: Floats, inward: Floats) -> Floats:
        return hem(run, inward, radius_mm=2.25 + 0.75 * np.sin(2.0 * np.pi * run / LENGTH_MM))

    assert found_in(off, spacing_mm=spacing_mm, seed=seed) == ()
    (one,) = found_in(lambda s, t: off(s, t) + knock(s, t), spacing_mm=spacing_mm, seed=seed)
    assert one.kind == "low"
    assert abs(one.u_mm - 300.0) < 15.0
    assert one.peak_mm < -0.4


def test_an_edge_that_is_off_all_along_is_no_knock() -> None:
    """That is the form's business, and the held line's."""
    assert found_in(lambda s, t: np.where(t >= 0.0, 0.12 - 0.02 * t, np.nan)) == ()


def test_a_high_and_a_low_in_one_edge_are_two() -> None:
    def off(run: Floats, inward: Floats) -> Floats:
        both = knock(run + 150.0, inward) - knock(run - 150.0, inward)
        return np.where(inward >= 0.0, both, np.nan)

    high, low = found_in(off)
    assert (high.kind, low.kind) == ("high", "low")
    assert abs(high.u_mm - 450.0) < 10.0
    assert abs(low.u_mm - 150.0) < 10.0
    assert 48.0 <= low.length_mm <= 75.0
    assert low.peak_mm == pytest.approx(-0.87, abs=0.12)
    assert low.patch_mm.sum() * low.patch_mm2 == pytest.approx(
        -0.9 * 30.0 * 8.0 * 0.5 * (0.5 * np.pi - 2.0 / np.pi), rel=0.25
    )


def test_a_short_band_or_one_off_the_surface_holds_no_knock() -> None:
    assert found_in(lambda s, t: np.where(s < 5.0, 0.0, np.nan)) == ()
    band, off = straight_band(lambda s, t: knock(s, t))
    assert find_knocks(band, np.full_like(off, np.nan), tolerance_mm=TOLERANCE_MM) == ()
