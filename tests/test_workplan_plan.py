"""The plan as a whole: stages, limits, held edges, order of work, when to stop, and a real scan."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from guidecoat.cautions import cautions_for
from guidecoat.check import CheckResult, check
from guidecoat.errors import SettingsError
from guidecoat.export.plan_files import plan_json
from guidecoat.outline.edge_lines import Ding
from guidecoat.settings import STAGES, PlanSettings, load_settings
from guidecoat.synthetic import Dimple, crowned_door, planted_volume_cm3, scan_panel, to_scan
from guidecoat.workplan import WorkPlan, plan_work
from guidecoat.workplan.actions import decide, is_oil_can, with_actions
from guidecoat.workplan.held_edges import edge_moves, reach_mm
from guidecoat.workplan.inputs import panel_field
from guidecoat.workplan.ready import Product, products_after, ready_for
from workplan_fixture import Planted, sound_panel, with_marks

HIGH = Planted("H1", -60.0, 20.0, 1.2)
LOW = Planted("L1", 90.0, 20.0, -1.5)


def said(mark: Planted, stage: str, beneath: float | None = None) -> str:
    region = with_marks([mark], stage=stage).regions[0]
    action = decide(region, stage, load_settings(stage).plan, beneath_mm=beneath)
    return f"{action.verb}: {action.words}"


def groups(plan: WorkPlan) -> list[str]:
    return [step.group for step in plan.steps]


@pytest.mark.parametrize(
    ("stage", "height", "beneath", "verb"),
    [
        ("metal", 1.2, None, "tap"),
        ("filler", 1.2, None, "probe"),
        ("filler", 1.2, 1.2, "block"),
        ("filler", 1.2, 1.1, "tap"),
        ("filler", 1.2, 0.0, "tap"),
        ("primer", 0.1, None, "block"),
        ("primer", 0.101, None, "refill"),
        ("primer", 0.15, 0.15, "block"),
        ("paint", 1.2, None, "report"),
        ("metal", -1.5, None, "fill"),
        ("metal", -3.0, None, "fill"),
        ("metal", -3.01, None, "raise"),
        ("metal", -6.0, None, "raise"),
        ("filler", -1.0, None, "glaze"),
        ("filler", -1.01, None, "fill"),
        ("filler", -1.0, 2.0, "glaze"),
        ("filler", -1.0, 2.01, "raise"),
        ("primer", -0.1, None, "prime"),
        ("primer", -0.101, None, "refill"),
        ("paint", -1.5, None, "report"),
    ],
)
def test_stage_decides(stage: str, height: float, beneath: float | None, verb: str) -> None:
    name = "H1" if height > 0 else "L1"
    assert said(Planted(name, 0.0, 0.0, height), stage, beneath).startswith(f"{verb}: ")


def test_every_action_has_its_reason_in_figures() -> None:
    assert "6.0 mm reaches the stop at 6 mm" in said(Planted("L1", 0, 0, -6.0), "metal")
    assert "4.0 mm is over 3 mm" in said(Planted("L1", 0, 0, -4.0), "metal")
    assert "1.50 mm of filler lies under it" in said(HIGH, "filler", 1.5)
    assert "block to the metal, then tap down 0.7 mm" in said(HIGH, "filler", 0.5)
    assert "break through" in said(HIGH, "primer")


def test_highs_in_metal_are_never_blocked() -> None:
    plan = plan_work(with_marks([HIGH]))
    assert [s.group for s in plan.steps if s.region == "H1"] == ["metal"]


def test_undecided_marks_are_measured_first() -> None:
    doubtful = Planted("H2", 150.0, -60.0, 0.5, verdict="undecided")
    plan = plan_work(with_marks([HIGH, doubtful]))
    assert plan.steps[0].region == "H2"
    assert plan.steps[0].group == "measure"
    assert "U 0.02 mm" in plan.steps[0].why


@pytest.mark.parametrize(
    ("height", "radius", "oil_can"),
    [(1.0, 60.0, True), (1.0, 59.9, False), (2.0, 60.0, True), (2.01, 60.0, False)],
)
def test_an_oil_can_is_broad_and_shallow(height: float, radius: float, oil_can: bool) -> None:
    region = with_marks([Planted("H1", 0.0, 0.0, height, radius, radius)]).regions[0]
    assert is_oil_can(region) is oil_can
    action = decide(region, "metal", load_settings("metal").plan)
    assert action.verb == ("shrink" if oil_can else "tap")
    assert "heat" not in action.words


def test_work_goes_from_metal_to_filler_to_blocking() -> None:
    marks = [HIGH, Planted("H2", -180.0, -80.0, 0.7), LOW, Planted("L2", 190.0, -90.0, -3.5)]
    plan = plan_work(with_marks(marks))
    order = ["measure", "metal", "fill", "block", "look"]
    assert groups(plan) == sorted(groups(plan), key=order.index)
    assert [step.number for step in plan.steps] == list(range(1, len(plan.steps) + 1))
    tapped = [s.region for s in plan.steps if s.group == "metal" and s.region[:1] == "H"]
    assert tapped == [tap.region for tap in plan.taps]
    filled = [s for s in plan.steps if s.group == "fill" and s.region == "L2"]
    assert [s.what for s in filled] == ["fill what is left of L2, no deeper than 3 mm"]
    lengths = [s.board.length_mm for s in plan.steps if s.group == "block" and s.board]
    assert lengths == sorted(lengths)
    assert groups(plan).count("look") == 1


def test_in_filler_nothing_is_hammered_after_filling() -> None:
    """What lies under the highs is found out first; metal comes down before the lows are filled."""
    marks = [HIGH, Planted("H2", -180.0, -80.0, 0.7), LOW, Planted("L2", 190.0, -90.0, -0.6)]
    plan = plan_work(with_marks(marks, stage="filler"))
    order = ["measure", "metal", "fill", "block", "look"]
    assert groups(plan) == sorted(groups(plan), key=order.index)
    first = plan.steps[0]
    assert first.what.startswith("find out what lies under H1, H2: compare with a scan")
    assert "beneath_mm" not in f"{first.what} {first.why}"
    assert "tapped down now, before filling" in first.why
    assert [(s.group, s.region) for s in plan.steps[1:3]] == [("metal", "H1"), ("metal", "H2")]
    assert "tap down 1.2 mm, where it is metal" in plan.steps[1].what
    blocked = [s for s in plan.steps if s.group == "block" and s.region[0] == "H"]
    assert [s.region for s in blocked] == ["H1", "H2"]
    assert all("filler was found under it" in s.what and s.board for s in blocked)
    fill = groups(plan).index("fill")
    assert not any("tap" in step.what for step in plan.steps[fill:])


def at_edge(mark: Planted, stage: str, edge_mm: float) -> CheckResult:
    """One mark that runs out over edge A, among another low."""
    result = with_marks([mark, Planted("L9", -180.0, -80.0, -0.6)], stage=stage)
    first, rest = result.regions
    return replace(result, regions=(replace(first, edge="A", edge_peak_mm=edge_mm), rest))


@pytest.mark.parametrize(
    ("stage", "mark", "edge_mm", "words"),
    [
        ("filler", Planted("L1", 90.0, 20.0, -0.9), -0.7, "dress edge A: raise it 0.7 mm"),
        ("primer", Planted("L1", 90.0, 20.0, -0.9), 0.0, "dress edge A: raise it 0.9 mm"),
        ("filler", Planted("H1", 90.0, 20.0, 0.9), 0.8, "dress edge A: tap it down 0.8 mm"),
    ],
)
def test_an_edge_is_dressed_before_anything_is_filled(
    stage: str, mark: Planted, edge_mm: float, words: str
) -> None:
    plan = plan_work(at_edge(mark, stage, edge_mm))
    dressed = [s for s in plan.steps if "dress edge" in s.what]
    assert [(s.group, s.region) for s in dressed] == [("metal", mark.name)]
    assert dressed[0].what == f"{words} on a dolly"
    assert dressed[0].depth_mm == pytest.approx(abs(edge_mm or mark.height_mm))
    assert dressed[0].number < groups(plan).index("fill") + 1
    # the row of the table still says both, in their order
    (decision,) = (d for d in plan.decisions if d.region == mark.name)
    assert decision.action.words.startswith("dress edge A first; then ")
    metal = [s for s in plan_work(at_edge(mark, "metal", edge_mm)).steps if "dress" in s.what]
    assert [s.group for s in metal] == ["metal"]


@pytest.mark.parametrize("stage", ["metal", "filler", "primer"])
def test_a_knock_at_a_corner_is_dressed_in_both_edges(stage: str) -> None:
    """A mark names the edge that is farther off; the other one has a step and a word, too."""
    result = at_edge(Planted("L1", 90.0, 20.0, -0.9), stage, -0.8)
    corner = Ding(100.0, 30.0, -0.6, 20.0)
    proud = Ding(100.0, 30.0, 0.6, 20.0)
    elsewhere = Ding(-200.0, 30.0, -0.6, 20.0)
    own, other, third, *rest = result.edges
    edges = (
        replace(own, dings=(corner,)),
        replace(other, dings=(proud, elsewhere, corner)),
        replace(third, dings=(elsewhere,)),
        *rest,
    )
    first = replace(result.regions[0], edge=own.name)
    knocked = replace(result, edges=edges, regions=(first, *result.regions[1:]))
    plan = plan_work(knocked)
    dressed = [s.what for s in plan.steps if s.what.startswith("dress edge")]
    assert len(dressed) == 2
    assert f"dress edge {other.name}: raise it 0.6 mm on a dolly" in dressed
    assert any(what.startswith(f"dress edge {own.name}: raise it 0.8 mm") for what in dressed)
    assert all(s.group == "metal" for s in plan.steps if "dress edge" in s.what)
    action = plan.regions[0].action
    assert f"edge {other.name}" in action or f"edges {own.name} and {other.name}" in action
    assert action.count("chips") == 1
    told = plan_json(plan, knocked)["regions"][0]
    assert f"{told['what']}: {told['why']}" == action
    assert {"edge": other.name, "off_mm": -0.6} in told["edges"]
    # what an earlier scan's edges were like is no work for now
    later = plan_work(knocked, build_mm=0.0, since="metal")
    assert not any(f"dress edge {other.name}" in s.what for s in later.steps)


def test_an_undecided_mark_at_an_edge_is_measured_before_the_edge_is_dressed() -> None:
    mark = Planted("L1", 90.0, 20.0, -0.9, verdict="undecided")
    plan = plan_work(at_edge(mark, "filler", -0.7))
    dressed = [s for s in plan.steps if "dress edge" in f"{s.what} {s.why}"]
    assert [(s.group, s.region) for s in dressed] == [("measure", "L1")]
    assert "if it is out, dress edge A first; then glaze" in dressed[0].why


def test_what_lies_beneath_is_asked_only_where_it_is_unknown() -> None:
    for beneath in (0.0, 0.5, 3.0):
        plan = plan_work(with_marks([HIGH, LOW], stage="filler"), build_mm=beneath)
        assert "measure" not in groups(plan)
        high = [s.group for s in plan.steps if s.region == "H1"]
        assert high == (["block"] if beneath == 3.0 else ["metal"])
    assert "measure" not in groups(plan_work(with_marks([LOW], stage="filler")))


def test_what_is_left_says_between_which_spots_it_is_measured() -> None:
    """0.7 mm up and 0.9 mm down are 1.6 mm from the highest to the lowest spot."""
    marks = [Planted("H1", -180.0, -80.0, 0.7), Planted("L1", 90.0, 20.0, -0.9)]
    plan = plan_work(with_marks(marks, stage="filler"))
    ready = plan.ready[0]
    assert ready.wave_mm == pytest.approx(1.6, abs=1e-9)
    said = f"{ready.wave_mm:.2f} mm from the highest to the lowest spot"
    assert plan.steps[-1].why.endswith(f"now it is {said}")
    assert "mm is left from the highest to the lowest spot" in ready.words
    metal = plan_work(with_marks([Planted("L1", 90.0, 20.0, -2.5)]))
    assert metal.steps[-1].why.endswith("mm at the deepest low")


def test_fill_of_a_low_in_a_plane() -> None:
    """Volume 1.5 x 50^2 (pi / 2 - 2 / pi) = 3503 mm3: 3.5 ml in place, 8.8 g mixed."""
    plan = plan_work(with_marks([LOW]))
    assert plan.tap.litres == pytest.approx(3.503e-3, rel=0.02)
    assert plan.tap.kilograms == pytest.approx(8.83e-3, rel=0.02)
    assert plan.tap.greatest_mm == pytest.approx(1.5, abs=0.03)
    assert plan.tap.slope_mrad == 0.0
    assert plan.cover.litres == pytest.approx(plan.tap.litres, rel=1e-9)
    step = next(s for s in plan.steps if s.group == "fill" and s.region == "L1")
    assert "(1.5 mm, 1 coat, mix 9 g)" in step.what


def test_covering_a_high_costs_more_and_tilts() -> None:
    plan = plan_work(with_marks([HIGH, LOW]))
    assert plan.cover.litres > 3.0 * plan.tap.litres
    assert plan.cover.slope_mrad > plan.tap.slope_mrad == 0.0
    assert plan.cover.greatest_mm >= plan.tap.greatest_mm
    assert "covering takes" in plan.choice_reason


@pytest.mark.parametrize("stage", STAGES)
def test_cautions_of_the_stage_are_always_there(stage: str) -> None:
    assert plan_work(with_marks([], stage=stage)).cautions == cautions_for(stage)


def test_paint_is_reported_only() -> None:
    plan = plan_work(with_marks([HIGH, LOW], stage="paint"))
    assert set(groups(plan)) == {"report"}
    assert plan.ready == ()


def test_a_sound_panel_is_ready() -> None:
    for stage, product in (("metal", "filler"), ("filler", "primer"), ("primer", "paint")):
        plan = plan_work(with_marks([], stage=stage))
        assert (plan.tap.litres, plan.cover.litres, plan.taps) == (0.0, 0.0, ())
        assert (plan.ready[0].product, plan.ready[0].state) == (product, "yes")
        assert [step.what for step in plan.steps] == [f"stop here: ready for {product}"]
        assert f"ready for {product}" in plan.steps[0].why


def test_metal_with_highs_is_not_ready_for_filler() -> None:
    assert plan_work(with_marks([HIGH])).ready[0].state == "no"
    assert plan_work(with_marks([LOW])).ready[0].state == "yes"
    assert plan_work(with_marks([Planted("L1", 0, 0, -2.5)])).ready[0].state == "no"
    wavy = Planted("R1", 0.0, 0.0, 0.2, 100.0, 100.0)
    assert plan_work(with_marks([wavy])).ready[0].state == "no"
    unsure = replace(wavy, verdict="undecided")
    assert plan_work(with_marks([unsure])).ready[0].state == "undecided"
    assert plan_work(with_marks([replace(HIGH, verdict="undecided")])).ready[0].state == "undecided"


@pytest.mark.parametrize(
    ("wave", "state"),
    [(0.08, "yes"), (0.0801, "undecided"), (0.1199, "undecided"), (0.1201, "no")],
)
def test_ready_at_the_guard_band(wave: float, state: str) -> None:
    ready = ready_for(Product("primer", 0.1), wave, 0.02)
    assert ready.state == state
    assert ready.margin_mm == pytest.approx(0.1 - wave)


def test_ready_says_the_margin() -> None:
    """What filler fills, 2 mm, less the deepest low; cells see a mark of 1.5 mm to within 0.05."""
    ready = plan_work(with_marks([LOW])).ready[0]
    assert ready.levels_mm == load_settings("metal").plan.filler_caution_mm == 2.0
    assert ready.wave_mm == pytest.approx(-LOW.height_mm, abs=0.05)
    assert ready.margin_mm == pytest.approx(2.0 - ready.wave_mm, abs=1e-12)
    assert f"margin {2.0 - ready.wave_mm:.2f} mm" in ready.words


def test_nobody_is_told_to_stop_while_work_is_left() -> None:
    """A low of 0.6 mm is within what glaze levels by itself, and is out of tolerance."""
    plan = plan_work(with_marks([Planted("L1", 0.0, 0.0, -0.6)], stage="filler"))
    assert {r.product: r.state for r in plan.ready}["a skim of glaze"] == "yes"
    assert plan.steps[-1].what.startswith("scan again")
    unsure = Planted("L1", 0.0, 0.0, -0.31, verdict="undecided")
    plan = plan_work(with_marks([unsure], stage="filler"))
    assert [step.group for step in plan.steps] == ["measure", "look"]
    assert plan.steps[-1].what.endswith("tolerance, stop here: ready for a skim of glaze")


def test_out_of_tolerance_is_never_ready() -> None:
    assert ready_for(Product("paint", 0.3), 0.0, 0.01, verdict="out").state == "no"
    assert ready_for(Product("paint", 0.3), 0.0, 0.01, verdict="undecided").state == "undecided"


def test_what_products_level() -> None:
    """Primer 50 um; sprayed polyester 400 um x 0.33 = 0.132 mm; glaze 1 mm."""
    found = products_after("filler", load_settings("filler").plan, 0.3)
    assert [round(p.levels_mm, 4) for p in found] == [0.05, 0.132, 1.0]


def test_build_of_another_shape_or_sign_is_refused() -> None:
    result = with_marks([HIGH], stage="filler")
    with pytest.raises(SettingsError, match="cells' grid"):
        plan_work(result, build_mm=np.ones((3, 3)))
    with pytest.raises(SettingsError, match="below 0 mm"):
        plan_work(result, build_mm=-0.1)


def test_build_from_a_map_counts_where_the_high_peaks() -> None:
    result = with_marks([HIGH], stage="filler")
    grid = result.cells.grid
    build = np.full(grid.shape, np.nan)
    assert plan_work(result, build_mm=build).decisions == plan_work(result).decisions
    i, j = grid.index(np.array([HIGH.u]), np.array([HIGH.v]))
    build[i[0], j[0]] = 2.0
    decided = plan_work(result, build_mm=build).decisions[0].action
    assert decided.what == "block down 1.20 mm"
    assert decided == plan_work(result, build_mm=2.0).decisions[0].action


def test_the_shop_may_say_what_lies_on_the_metal() -> None:
    result = with_marks([HIGH], stage="filler")
    figures = result.settings.plan
    for beneath in (0.0, 0.5, 1.2, 3.0):
        told = result.settings.model_copy(
            update={"plan": figures.model_copy(update={"beneath_mm": beneath})}
        )
        stated = plan_work(replace(result, settings=told))
        assert stated.decisions == plan_work(result, build_mm=beneath).decisions
    assert figures.beneath_mm == "unknown"
    assert "is not known" in plan_work(result).decisions[0].action.why


def test_reach_of_a_held_edge() -> None:
    """4 mrad over 160 mm by "1.6 h/w": 0.4 mm."""
    assert reach_mm(160.0, load_settings("metal")) == pytest.approx(0.4)


def test_a_high_beside_a_held_edge_names_it() -> None:
    near = Planted("H1", 0.0, 110.0, 1.2)
    result = with_marks([near])
    moves = edge_moves(result, panel_field(result))
    assert [move.how for move in moves] == ["cover"]
    edge = next(e for e in result.edges if e.name == moves[0].edge)
    assert np.median(edge.station_uv[:, 1]) > 150.0
    away = np.median(edge.station_uv[:, 1]) - 110.0
    assert moves[0].by_mm == pytest.approx(1.2 - 0.004 * away / 1.6, abs=0.08)
    assert f"held edge {edge.name}" in moves[0].reason


def test_a_mark_has_one_height_and_one_place() -> None:
    """A steep flank asks more of an edge than the peak does; only the peak's numbers are told."""
    result = with_marks([Planted("H1", 0.0, 110.0, 1.2, radius_v=70.0)])
    high = replace(result.regions[0], from_edges="81 mm from edge A, 290 mm from edge B")
    result = replace(result, regions=(high,))
    (move,) = edge_moves(result, panel_field(result))
    assert move.reason.startswith(f"H1 ({high.peak_mm:+.2f} mm, {high.from_edges}) is too near")
    told = set(re.findall(r"\d+(?= mm from)", move.reason))
    assert told == {"81", "290"}


def test_a_free_edge_is_not_in_the_way() -> None:
    result = with_marks([Planted("H1", 0.0, 110.0, 1.2)])
    edges = result.settings.edges.model_copy(update={"hold": "free"})
    free = replace(result, settings=result.settings.model_copy(update={"edges": edges}))
    assert edge_moves(free, panel_field(free)) == ()
    assert plan_work(free).cover.greatest_mm > 0.0


def test_a_high_that_runs_out_over_an_edge_moves_it() -> None:
    result = with_marks([Planted("H1", 0.0, 185.0, 1.2)])
    moves = edge_moves(result, panel_field(result))
    assert moves[0].how == "both"
    assert -1.25 < moves[0].by_mm < -1.0


def test_a_knock_in_an_edge_is_the_edge_itself() -> None:
    result = with_marks([])
    ding = Ding(0.0, 195.0, -0.62, 38.0)
    first = replace(result.edges[0], dings=(ding,))
    knocked = replace(result, edges=(first, *result.edges[1:]))
    moves = plan_work(knocked).edge_moves
    assert (moves[0].edge, moves[0].by_mm, moves[0].how) == (first.name, 0.62, "both")


def test_regions_carry_the_plans_action() -> None:
    result = with_marks([HIGH, LOW])
    plan = plan_work(result)
    assert [r.action for r in plan.regions] == [d.action.words for d in plan.decisions]
    assert all(": " in r.action for r in plan.regions)
    plain = with_actions(result.regions, "metal")
    assert [r.action for r in plain] == [
        "tap down; do not sand metal away",
        "raise from behind if it can be reached, else fill",
    ]


def test_same_input_same_plan() -> None:
    result = with_marks([HIGH, LOW])
    first, second = plan_work(result), plan_work(result)
    assert first.steps == second.steps
    assert first.taps == second.taps
    assert np.array_equal(first.cover.depth_mm, second.cover.depth_mm, equal_nan=True)


def test_nothing_is_changed() -> None:
    result = with_marks([HIGH, LOW])
    before = result.deviation.smooth_mm.copy()
    plan_work(result)
    assert np.array_equal(before, result.deviation.smooth_mm, equal_nan=True)
    assert not sound_panel().regions


def scanned() -> tuple[CheckResult, tuple[Dimple, ...]]:
    panel = crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=10.0)
    marks = (
        Dimple((-150.0, -60.0), 1.6, (60.0, 60.0)),
        Dimple((120.0, 60.0), 0.9, (50.0, 50.0)),
        Dimple((30.0, -90.0), -2.4, (60.0, 45.0)),
    )
    scan = scan_panel(panel, marks, spacing_mm=2.0, noise_mm=0.05, seed=5)
    return check(to_scan(scan), load_settings("metal")), marks


def test_plan_of_a_scan_with_known_marks() -> None:
    result, marks = scanned()
    plan = plan_work(result)
    panel = crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=10.0)
    truth = -planted_volume_cm3(panel, marks[2]) / 1000.0
    assert plan.tap.litres == pytest.approx(truth, rel=0.15)
    assert plan.tap.greatest_mm == pytest.approx(2.4, abs=0.2)
    assert plan.tap.limit == "caution"
    assert [tap.region for tap in plan.taps] == ["H1", "H2"]
    assert all(tap.worth and tap.saves_litres > 0.01 for tap in plan.taps)
    assert [step.region for step in plan.steps[:2]] == ["H1", "H2"]
    field = panel_field(result)
    assert np.nanmin(plan.cover.depth_mm[field.judged]) == 0.0


def with_figures(stage: str, **figures: object) -> PlanSettings:
    return load_settings(stage, overrides={f"plan.{k}": v for k, v in figures.items()}).plan


def planned(marks: list[Planted], stage: str, **figures: object) -> WorkPlan:
    result = with_marks(marks, stage=stage)
    told = result.settings.model_copy(update={"plan": with_figures(stage, **figures)})
    return plan_work(replace(result, settings=told))


def test_bare_metal_is_rubbed_before_it_is_filled() -> None:
    plan = planned([LOW], "metal", grits_metal=[36, 80])
    (rub,) = [step for step in plan.steps if "grits 36, 80" in step.what]
    assert rub.group == "metal"
    assert rub.what.startswith("rub the bare metal that will be filled, and 25 mm round it")
    assert rub.number < min(s.number for s in plan.steps if s.group == "fill")
    # Nothing is filled where there are only highs, and in filler metal is bare only where tapped.
    assert not any("rub the bare" in s.what for s in planned([HIGH], "metal").steps)
    shallow = Planted("L1", 0.0, 0.0, -0.6)
    assert not any("rub the bare" in s.what for s in planned([shallow], "filler").steps)
    tapped = planned([HIGH], "filler", beneath_mm=0.0)
    assert any("with grit 80" in s.what for s in tapped.steps)


def test_primer_is_blocked_dry_and_last_wet() -> None:
    low = Planted("L1", 0.0, 0.0, -0.1)
    (block,) = [s for s in planned([low], "primer").steps if s.group == "block"]
    assert block.what.endswith("grits 180, 320, 400 dry, then 600 wet")
    (block,) = [s for s in planned([low], "primer", grit_last_wet=800).steps if s.group == "block"]
    assert block.what.endswith("then 800 wet")
    deep = Planted("L1", 0.0, 0.0, -0.6)
    (block,) = [s for s in planned([deep], "filler").steps if s.group == "block"]
    assert block.what.endswith("grits 80, 150, 180")


@pytest.mark.parametrize(
    ("depth", "ending"),
    [
        (0.10, "; sprayed polyester levels up to 0.13 mm, too"),
        (0.14, "; sprayed polyester may level it, too: 0.13 mm for certain, never over 0.54 mm"),
        (0.53, "; sprayed polyester may level it, too: 0.13 mm for certain, never over 0.54 mm"),
        (0.54, "0.54 mm is within 1 mm of glaze"),
        (1.5, "1.50 mm is over 1 mm, as a rule too deep for glaze"),
    ],
)
def test_whether_sprayed_polyester_levels_a_low(depth: float, ending: str) -> None:
    """Surely 400 um x 0.33 = 0.132 mm, never over 800 um x 0.67 = 0.536 mm."""
    region = with_marks([Planted("L1", 0.0, 0.0, -depth)]).regions[0]
    assert decide(region, "filler", with_figures("filler")).why.endswith(ending)


def test_glaze_never_goes_over_its_limit() -> None:
    figures = with_figures("filler", glaze_limit_mm=1.8, primer_levels_most_um=100.0)
    region = with_marks([Planted("L1", 0.0, 0.0, -1.9)]).regions[0]
    why = decide(region, "filler", figures).why
    assert why.endswith("as a rule too deep for glaze, which never goes over 1.8 mm")
    assert decide(region, "primer", figures).what == "refill: fill, then prime again"
    looser = with_figures("primer")
    assert decide(region, "primer", looser).what == "refill: glaze, then prime again"
    skim = products_after("filler", figures, 0.3)[2]
    assert ready_for(skim, 0.5, 0.02).words.endswith("(as a rule, never over 1.8 mm)")


@pytest.mark.parametrize(
    ("wave", "state", "begin"),
    [
        (0.11, "yes", "ready for sprayed polyester: 0.11 mm is left"),
        (0.13, "undecided", "too near to tell whether it is ready for sprayed polyester"),
        (0.30, "undecided", "sprayed polyester may do or not: 0.30 mm is left"),
        (0.55, "undecided", "sprayed polyester may do or not: 0.55 mm is left"),
        (0.56, "no", "not ready for sprayed polyester: 0.56 mm is left"),
    ],
)
def test_sprayed_polyester_between_its_least_and_most(wave: float, state: str, begin: str) -> None:
    polyester = products_after("filler", with_figures("filler"), 0.3)[1]
    ready = ready_for(polyester, wave, 0.02)
    assert ready.state == state
    assert ready.words.startswith(begin)
    assert "it levels 0.13 mm for certain and never over 0.54 mm" in ready.words
    assert ready.words.endswith("(400 to 800 um in 4 coats, of which blocking takes 33% to 67%)")


def test_the_filler_to_mix_is_the_sum_of_what_the_steps_say() -> None:
    """A knock in an edge lies beyond the cells of the surface that is worked to."""
    marks = [LOW, Planted("L2", -90.0, 20.0, -0.9), Planted("L3", -200.0, -90.0, -0.6, 30.0, 30.0)]
    result = with_marks(marks, stage="filler")
    regions = [replace(r, volume_cm3=1.12 * r.volume_cm3) for r in result.regions]
    plan = plan_work(replace(result, regions=tuple(regions)))
    each = [int(g) for s in plan.steps for g in re.findall(r"mix (\d+) g", s.what)]
    (total,) = (step for step in plan.steps if "to mix" in step.why)
    assert len(each) == 3
    assert f" {sum(each)} g to mix" in total.why
    assert not plan.in_edges
    assert total.litres == pytest.approx(
        sum(round(s.litres, 4) for s in plan.steps if s.region and s.group == "fill")
    )


def test_what_is_raised_first_is_named_in_the_total() -> None:
    deep = Planted("L2", -120.0, 20.0, -3.5)
    plan = plan_work(with_marks([LOW, deep]))
    (total,) = (step for step in plan.steps if "to mix" in step.why)
    assert "L2 counted as deep as now" in total.why
    assert f"{1e3 * plan.tap.kilograms:.0f} g to mix" in total.why
