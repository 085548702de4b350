"""What tapping saves: the energy of a lift never rises with a tap, and the ranking adds up."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as run
from hypothesis import strategies as st

from guidecoat.workplan import plan_work
from guidecoat.workplan.cover import CoverSurface
from guidecoat.workplan.inputs import panel_field
from guidecoat.workplan.obstacle import LET_THROUGH_MM
from guidecoat.workplan.taps import rank_taps
from workplan_fixture import Planted, with_marks

HIGH = Planted("H1", -60.0, 20.0, 1.2)
OTHER = Planted("H2", 120.0, -40.0, 0.8)
LOW = Planted("L1", 40.0, 40.0, -1.5)

highs = st.lists(
    st.tuples(
        st.floats(-220.0, 220.0),
        st.floats(-120.0, 120.0),
        st.floats(0.3, 2.5),
        st.floats(25.0, 60.0),
    ),
    min_size=1,
    max_size=4,
)


def surface_of(*marks: Planted) -> CoverSurface:
    result = with_marks(marks)
    return CoverSurface(result, panel_field(result))


@run(max_examples=12)
@given(highs)
def test_a_tap_never_asks_for_a_bolder_surface(planted: list[tuple[float, ...]]) -> None:
    """Tapping takes bounds away, so the least energy cannot rise, whichever is tapped when; and
    the filler that is left when one may choose among more taps cannot rise either.
    """
    marks = [Planted(f"H{k}", u, v, h, r, r) for k, (u, v, h, r) in enumerate(planted, start=1)]
    surface = surface_of(*marks, LOW)
    names = [mark.name for mark in marks]
    energy = {
        chosen: surface.energy(chosen)
        for size in range(len(names) + 1)
        for chosen in combinations(names, size)
    }
    volume = {chosen: surface.need(chosen).volume_mm3 for chosen in energy}
    # A solution may cut in by LET_THROUGH_MM, which lowers its energy by twice that share.
    slack = 2.0 * LET_THROUGH_MM / 0.3 * max(energy.values()) + 1e-15
    for chosen, least in energy.items():
        for name in names:
            more = tuple(sorted({*chosen, name}))
            assert energy[more] <= least + slack
    best = [min(v for c, v in volume.items() if set(c) <= set(names[:k])) for k in range(5)]
    assert all(b <= a for a, b in pairwise(best))


@run(max_examples=12)
@given(st.floats(-200.0, 200.0), st.floats(-110.0, 110.0), st.floats(0.3, 3.0))
def test_tapping_the_only_high_never_raises_the_filler(u: float, v: float, height: float) -> None:
    surface = surface_of(Planted("H1", u, v, height), LOW)
    covered, tapped = surface.need(), surface.need(("H1",))
    assert tapped.volume_mm3 <= covered.volume_mm3
    assert tapped.greatest_mm <= covered.greatest_mm + 1e-3


def test_with_every_high_tapped_the_cover_is_the_fair_surface() -> None:
    result = with_marks([HIGH, OTHER, LOW])
    field = panel_field(result)
    surface = CoverSurface(result, field)
    lift = surface.lift_mm(("H1", "H2"))
    assert np.nanmax(np.abs(lift)) == 0.0
    need = surface.need(("H1", "H2"))
    assert need.volume_mm3 == pytest.approx(-LOW.volume_mm3, rel=0.02)
    # The deepest cell's middle may lie 4 mm off the low's, 0.1 mm up its slope.
    deepest = float(-np.nanmin(field.height_mm))
    assert 1.4 < deepest <= 1.5
    assert need.greatest_mm == pytest.approx(deepest, abs=1e-3)


def test_the_cover_lies_on_the_panel_and_touches_the_high() -> None:
    result = with_marks([HIGH, LOW])
    field = panel_field(result)
    lift = CoverSurface(result, field).lift_mm()
    # Outside the line on which the edge is held, nothing is asked of it.
    held_at = result.settings.edges.inboard_mm + 1.5 * field.cell_mm
    gap = (lift - field.height_mm)[field.judged & (result.faces.inside_mm > held_at)]
    assert gap.min() >= -2e-3
    on_high = result.regions[0].footprint
    assert (lift - field.height_mm)[on_high].min() == pytest.approx(0.0, abs=2e-3)


def test_the_cover_keeps_held_edges() -> None:
    result = with_marks([HIGH])
    field = panel_field(result)
    lift = CoverSurface(result, field).lift_mm()
    inside = result.faces.inside_mm
    beside = np.isfinite(lift) & (inside < result.settings.edges.inboard_mm + field.cell_mm)
    assert beside.sum() > 50
    assert np.abs(lift[beside]).max() < 0.06


def test_the_cover_is_no_step_at_a_held_edge() -> None:
    """A high that runs out over an edge stays proud there, and the plan says by how much."""
    plan = plan_work(with_marks([Planted("H1", 0.0, 180.0, 2.0)]))
    assert 0.3 < plan.cover.proud_mm < 2.0
    assert plan.cover.greatest_mm < 2.0
    assert [move.how for move in plan.edge_moves] == ["both"]
    assert plan.tap.proud_mm == 0.0
    assert plan_work(with_marks([HIGH])).cover.proud_mm == 0.0


def test_a_high_that_stands_twice_as_proud_is_twice_the_lift() -> None:
    """On the same length of lift, which the panel's width sets for both; to the root of what is
    let through times the height, as the energy is level about its least.
    """
    one, two = Planted("H1", 0.0, 60.0, 1.5), Planted("H1", 0.0, 60.0, 3.0)
    once, twice = surface_of(one).lift_mm(), surface_of(two).lift_mm()
    assert np.nanmax(np.abs(twice - 2.0 * once)) < np.sqrt(2.0 * LET_THROUGH_MM * 3.0)


def test_undecided_marks_are_not_worked() -> None:
    doubtful = Planted("H1", -60.0, 20.0, 0.5, verdict="undecided")
    surface = surface_of(doubtful)
    assert surface.need().volume_mm3 == 0.0


def test_ranking_starts_covered_and_ends_tapped() -> None:
    result = with_marks([HIGH, OTHER, LOW])
    surface = CoverSurface(result, panel_field(result))
    taps = rank_taps(panel_field(result).highs, surface.need)
    plan = plan_work(result)
    assert [tap.rank for tap in taps] == [1, 2]
    assert taps[0].depth_before_mm == pytest.approx(plan.cover.greatest_mm, abs=5e-3)
    assert taps[-1].left_litres == pytest.approx(plan.tap.litres, rel=0.03)
    first = surface.need((taps[0].region,)).volume_mm3
    assert first <= surface.need((taps[1].region,)).volume_mm3
    assert taps[0].saves_litres == pytest.approx((surface.need().volume_mm3 - first) / 1e6)
    assert taps[0].left_litres == pytest.approx(first / 1e6)


def test_a_high_under_another_is_not_worth_a_tap() -> None:
    """A small high beneath the lift that a large one asks for saves nothing alone."""
    big, small = (
        Planted("H1", 0.0, 0.0, 2.5, 80.0, 80.0),
        Planted("H2", 115.0, 0.0, 0.3, 25.0, 25.0),
    )
    result = with_marks([big, small])
    taps = {tap.region: tap for tap in plan_work(result).taps}
    assert taps["H2"].saves_litres <= 0.0
    assert "more filler" in taps["H2"].words()
    assert (taps["H1"].rank, taps["H1"].worth) == (1, True)


def test_words_of_a_tap() -> None:
    taps = plan_work(with_marks([HIGH, LOW])).taps
    assert taps[0].words().startswith("tap H1 by 1.2 mm: ")
    assert "less filler, greatest depth" in taps[0].words()
    level = replace(taps[0], depth_before_mm=1.52, depth_after_mm=1.48)
    assert level.words().endswith("greatest depth stays 1.5 mm")
    less = replace(taps[0], saves_litres=0.9, depth_before_mm=3.4, depth_after_mm=1.9)
    assert less.words() == "tap H1 by 1.2 mm: 0.9 l less filler, greatest depth 3.4 -> 1.9 mm"
