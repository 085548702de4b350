"""Two scans of one panel: planted changes come back, nothing else does, and refusals say why."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from guidecoat.check import CheckResult, check
from guidecoat.cli import main
from guidecoat.compare import CompareOptions, Comparison, compare_scans
from guidecoat.compare.change import find_change
from guidecoat.compare.placing import between_files, place_scan, read_pairs
from guidecoat.compare.progress import OVERDONE
from guidecoat.errors import ScanUnfitError, SettingsError
from guidecoat.export.compare_files import write_comparison
from guidecoat.export.compare_tables import TRACK_COLUMNS, history_csv, regions_csv
from guidecoat.formats.ply import write_ply
from guidecoat.registration import (
    Registration,
    RegistrationSettings,
    WeakDirection,
    held_by_pairs,
)
from guidecoat.report.remaining import remaining
from guidecoat.scans.scan import Scan, Units
from guidecoat.scans.scan_io import read_scan
from guidecoat.settings import load_settings
from guidecoat.synthetic import (
    Dimple,
    Part,
    SyntheticScan,
    cylinder_panel,
    planted_volume_cm3,
    scan_panel,
    to_scan,
    total_displacement_mm,
    wing,
)
from guidecoat.synthetic.heights import smooth_step
from guidecoat.wording.compare_words import track_words
from guidecoat.wording.words import signed
from pair_fixture import (
    BUILD,
    DENT,
    GROUND,
    HIGH,
    ONE_FRAME,
    PANEL,
    counterpart,
    seen,
    slip_mm,
    true_change_mm,
    turn_mrad,
)

SETTINGS = load_settings("filler")
STILL = CompareOptions(already_aligned=True)
FILLS = (BUILD, GROUND)


@pytest.fixture(scope="module")
def before() -> Scan:
    return seen((DENT, HIGH), seed=1, name="before")[0]


@pytest.fixture(scope="module")
def after() -> Scan:
    return seen((DENT, HIGH, *FILLS), seed=2, spacing_mm=1.7, name="after")[0]


@pytest.fixture(scope="module")
def filled(before: Scan, after: Scan) -> Comparison:
    return compare_scans((before, after), SETTINGS, STILL)


def test_the_build_comes_back(filled: Comparison) -> None:
    truth = true_change_mm(filled, FILLS)
    error = filled.whole.smooth_mm - truth
    known = np.isfinite(error)
    assert known.sum() > 5000
    # Nine points a cell and a window of 0.83 cells leave 0.05 sqrt(2 / 9) 0.34 = 0.008 (computed).
    assert np.sqrt(np.mean(error[known] ** 2)) < 0.012
    assert np.quantile(np.abs(error[known]), 0.99) < 0.03
    assert filled.whole.max_build_mm == pytest.approx(BUILD.peak_mm, abs=0.03)


def test_the_volumes_come_back_within_their_doubt(filled: Comparison) -> None:
    whole = filled.whole
    added, removed = (planted_volume_cm3(PANEL, d) for d in FILLS)
    assert whole.added_cm3 == pytest.approx(added, rel=0.02)
    assert abs(whole.added_cm3 - added) < 1.5 * whole.added_uncertainty_cm3
    assert whole.removed_cm3 == pytest.approx(-removed, rel=0.03)
    assert abs(whole.removed_cm3 + removed) < 1.5 * whole.removed_uncertainty_cm3


def test_what_changed_is_where_it_was_planted(filled: Comparison) -> None:
    truth = true_change_mm(filled, FILLS)
    whole = filled.whole
    assert [patch.region for patch in whole.patches] == ["B1", "T1"]
    sure = np.abs(truth) > 0.1
    assert whole.changed[sure].mean() > 0.995
    untouched = np.isfinite(truth) & (truth == 0.0)
    # The foot of a patch is carried 6 mm out so that its volume is whole.
    assert whole.changed[untouched].mean() < 0.06


def test_the_same_panel_twice_shows_no_change(before: Scan) -> None:
    again = seen((DENT, HIGH), seed=7, spacing_mm=2.6, noise_mm=0.07, name="again")[0]
    result = compare_scans((before, again), SETTINGS, STILL)
    assert not result.whole.changed.any()
    assert result.whole.patches == ()
    assert result.whole.added_cm3 == result.whole.removed_cm3 == 0.0
    assert {t.last.state for t in result.tracks} == {"unchanged"}
    assert any(w.startswith("No change was found") for w in result.warnings)


def test_a_lone_cell_of_hem_is_no_change(filled: Comparison) -> None:
    """At an edge a cell may hold but one point of the skin and several of the hem behind it."""
    first = filled.passes[0]
    off = first.off_mm.copy()
    rim = first.skin & (ndimage.binary_erosion(first.skin, iterations=2) ^ first.skin)
    i, j = np.argwhere(rim & np.isfinite(off))[40]
    off[i, j] -= 6.1
    change = find_change(first, replace(first, off_mm=off))
    assert not change.changed.any()
    assert not change.compared[i, j]


@pytest.fixture(scope="module")
def untouched() -> Comparison:
    return compare_scans(
        tuple(seen((), seed=k, spacing_mm=1.2)[0] for k in (5, 6)), SETTINGS, STILL
    )


@pytest.mark.parametrize("radius_mm", [40.0, 60.0])
def test_the_height_of_a_flat_build_is_told(untouched: Comparison, radius_mm: float) -> None:
    """The window that tells what changed overshoots the rim of a level build by 0.06 to 0.12 mm."""
    first, later = untouched.passes
    cells = first.result.cells
    r = np.hypot(cells.u_mm - 60.0, cells.v_mm + 40.0)
    build = 3.0 * smooth_step(0.8 * radius_mm - r, 0.4 * radius_mm)[0]
    change = find_change(first, replace(later, off_mm=later.off_mm + build))
    assert change.max_build_mm == pytest.approx(3.0, abs=0.03)
    assert change.patches[0].peak_mm == change.max_build_mm


@pytest.mark.parametrize("hem_mm", [3.0, 0.0])
def test_a_build_out_to_the_edges_has_its_whole_volume(hem_mm: float) -> None:
    """8 mm along edges are not judged: a tenth of what is put on over a narrow panel's end."""
    s0, _, t0, t1 = PANEL.extent_mm
    build = Dimple((s0 + 15.0, 0.5 * (t0 + t1)), 2.5, (110.0, 0.8 * (t1 - t0)))
    pair = [
        to_scan(
            scan_panel(
                PANEL,
                marks,
                spacing_mm=spacing_mm,
                noise_mm=0.05,
                seed=21 + k,
                noise_way="along normal",
                hem_mm=hem_mm,
                pose=ONE_FRAME,
                lay=None,
            )
        )
        for k, (marks, spacing_mm) in enumerate([((), 1.6), ((build,), 1.8)])
    ]
    whole = compare_scans((pair[0], pair[1]), SETTINGS, STILL).whole
    # A hem carries the build round its roll, of which cells show a part.
    along = np.arange(t0 + 0.5, t1, 1.0)
    on_roll = hem_mm * total_displacement_mm((build,), np.full(len(along), s0), along).sum() / 1e3
    truth = planted_volume_cm3(PANEL, build)
    assert 0.985 * truth < whole.added_cm3 < 1.015 * truth + on_roll
    assert whole.removed_cm3 == pytest.approx(0.0, abs=0.1)


FILL = Dimple((10.0, 0.0), 1.5, (100.0, 80.0))


def _before_and_filled(seed: int) -> tuple[Scan, Scan]:
    return seen((), seed=70 + 2 * seed)[0], seen((FILL,), seed=71 + 2 * seed)[0]


@cache
def _filled_with_holes(seed: int) -> Comparison:
    """Holes of 36 and 60 mm, in one scan each, take a fifth of the build out of both."""
    first, later = _before_and_filled(seed)
    holed = _with_hole(first, (30.0, -10.0), 30.0), _with_hole(later, (-40.0, 25.0), 18.0)
    return compare_scans(holed, SETTINGS, STILL)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_lies_under_holes_of_a_scan_is_in_the_volume(seed: int) -> None:
    found = _filled_with_holes(seed).whole
    truth = planted_volume_cm3(PANEL, FILL)
    assert abs(found.added_cm3 - truth) < found.added_uncertainty_cm3
    assert found.added_cm3 == pytest.approx(truth, rel=0.03)
    assert found.bridged_area_cm2 > 30.0
    assert found.unseen_area_cm2 == 0.0


def test_what_was_not_seen_is_known_less_well() -> None:
    whole = compare_scans(_before_and_filled(1), SETTINGS, STILL).whole
    assert _filled_with_holes(1).whole.added_uncertainty_cm3 > whole.added_uncertainty_cm3
    assert whole.bridged_area_cm2 == 0.0


def test_a_hole_too_wide_to_carry_over_is_told() -> None:
    fill = Dimple((10.0, 0.0), 1.5, (180.0, 120.0))
    before, after = (seen(marks, seed=80 + k)[0] for k, marks in enumerate([(), (fill,)]))
    result = compare_scans((before, _with_hole(after, (10.0, 0.0), 75.0)), SETTINGS, STILL)
    assert result.whole.unseen_area_cm2 == pytest.approx(np.pi * 7.5**2, rel=0.1)
    assert any("put on there is not in the volumes" in words for words in result.warnings)


def _with_hole(scan: Scan, middle: tuple[float, float], radius_mm: float) -> Scan:
    place = scan.points_mm + scan.origin
    away = np.hypot(place[:, 0] - middle[0], place[:, 1] - middle[1])
    return replace(scan, usable=scan.usable & (away > radius_mm))


def test_a_gap_of_one_scan_that_another_shows_is_no_opening() -> None:
    """A round gap with a clean rim, as a spot that shone leaves it, looks cut to the one scan."""
    first, other = (seen((DENT,), seed=seed)[0] for seed in (1, 2))
    gapped, alike = (_with_hole(scan, (40.0, 20.0), 32.0) for scan in (first, other))

    def openings(result: CheckResult) -> int:
        return sum(edge.edge.kind == "opening" for edge in result.edges)

    assert openings(check(gapped, SETTINGS)) == 1
    assert openings(compare_scans((gapped, other), SETTINGS, STILL).before.result) == 0
    # What both lack is an opening, as a handle's is.
    assert openings(compare_scans((gapped, alike), SETTINGS, STILL).before.result) == 1


def test_swapped_scans_negate_the_change(before: Scan, after: Scan, filled: Comparison) -> None:
    back = compare_scans((after, before), SETTINGS, replace(STILL, reference="after"))
    # The yardstick is the same scan's both times, so the cells are the same.
    np.testing.assert_allclose(back.whole.change_mm, -filled.whole.change_mm, atol=2e-4)
    assert back.whole.added_cm3 == pytest.approx(filled.whole.removed_cm3, rel=1e-3)
    assert back.whole.removed_cm3 == pytest.approx(filled.whole.added_cm3, rel=1e-3)


def test_any_pose_any_density(before: Scan) -> None:
    later, moved = seen((DENT, HIGH, *FILLS), seed=3, spacing_mm=1.6, pose=None, name="later")
    _, still = seen((DENT, HIGH), seed=1)
    result = compare_scans((before, later), SETTINGS)
    motion = between_files(result.T_first[1], later, before)
    off, along = slip_mm(motion, moved, still)
    assert np.abs(off).max() < 0.02
    assert along.max() < 0.25
    assert turn_mrad(motion, moved, still) < 0.3
    added = planted_volume_cm3(PANEL, BUILD)
    assert result.whole.added_cm3 == pytest.approx(added, rel=0.02)
    assert result.whole.max_build_mm == pytest.approx(BUILD.peak_mm, abs=0.03)
    assert result.registrations[0].converged


def test_files_that_share_a_frame_may_have_far_origins(before: Scan, after: Scan) -> None:
    far = replace(after, points_mm=after.points_mm + np.float32(64.0), origin=after.origin - 64.0)
    result = compare_scans((before, far), SETTINGS, STILL)
    np.testing.assert_allclose(between_files(result.T_first[1], far, before), np.eye(4), atol=1e-9)
    assert result.whole.added_cm3 == pytest.approx(planted_volume_cm3(PANEL, BUILD), rel=0.02)


def test_motion_between_files_of_other_units_is_in_mm(before: Scan, after: Scan) -> None:
    metres = replace(after, origin=after.origin / 1000.0, units=Units("m", 1000.0, "given"))
    T_local = np.eye(4)
    T_local[:3, 3] = after.origin - before.origin
    motion = between_files(T_local, metres, before)
    place = after.points_mm[:5] + after.origin
    np.testing.assert_allclose(place @ motion[:3, :3].T + motion[:3, 3], place, atol=1e-9)


@pytest.fixture(scope="module")
def passes() -> Comparison:
    """Metal; then overfilled and a new high; then blocked, one low untouched all along."""
    small = Dimple((60.0, 120.0), -0.7, (40.0, 40.0))
    states = (
        (DENT, HIGH, small),
        (replace(DENT, peak_mm=0.9), HIGH, small, Dimple((60.0, -120.0), 0.6, (40.0, 40.0))),
        (replace(DENT, peak_mm=0.05), replace(HIGH, peak_mm=0.5), small),
    )
    scans = tuple(seen(state, seed=20 + k)[0] for k, state in enumerate(states))
    return compare_scans(scans, SETTINGS, STILL)


def test_every_region_is_followed(passes: Comparison) -> None:
    found = [t for t in passes.tracks if t.kind != "ripple"]
    told = {t.name: [s.state if s else None for s in t.stands] for t in found}
    assert told == {
        "H1": ["", "unchanged", "improved"],
        "L1": ["", "improved", "fixed"],
        "L2": ["", "unchanged", "unchanged"],
        "H2": [None, "new", "fixed"],
    }
    peaks = {t.name: [s.peak_mm if s else np.nan for s in t.stands] for t in passes.tracks}
    # One yardstick for all: what it misreads, it misreads alike, so differences come out true.
    assert np.subtract(peaks["H1"], peaks["H1"][0]) == pytest.approx([0.0, 0.0, -0.3], abs=0.04)
    assert np.subtract(peaks["L2"], peaks["L2"][0]) == pytest.approx([0.0, 0.0, 0.0], abs=0.04)
    # A low that was overfilled is one story, told by what stands there.
    assert peaks["L1"][1] - peaks["L1"][0] == pytest.approx(0.9 - DENT.peak_mm, abs=0.04)
    # What is left at the place of a high that is gone: its highest spot, not a peak of 0.05.
    assert abs(peaks["L1"][2]) < 0.1


def test_a_knock_in_the_edge_is_followed() -> None:
    """Nothing in the band along an edge is judged, but knocks there are looked for every time."""
    knock = Dimple((40.0, PANEL.extent_mm[3]), -1.4, (50.0, 7.0), kind="edge ding")
    scans = tuple(
        seen(state, seed=60 + k, spacing_mm=1.6)[0]
        for k, state in enumerate(((DENT, knock), (DENT, knock), (DENT,)))
    )
    result = compare_scans(scans, SETTINGS, STILL)
    (track,) = (t for t in result.tracks if t.place.edge)
    assert [s.state if s else None for s in track.stands] == ["", "unchanged", "fixed"]


def test_steps_add_up_to_the_whole(passes: Comparison) -> None:
    total = passes.steps[0].change_mm + passes.steps[1].change_mm
    both = np.isfinite(total) & np.isfinite(passes.whole.change_mm)
    np.testing.assert_allclose(total[both], passes.whole.change_mm[both], atol=1e-9)


def test_a_high_over_too_little_build_is_told(passes: Comparison) -> None:
    action = {t.name: t.last.region.action if t.last.region else "" for t in passes.tracks}
    # The metal itself stands 0.5 mm proud at H1, and nothing was put on it.
    assert action["H1"].startswith("tap down 0.5 mm, then skim again: no filler was put on there")
    assert action["H1"].endswith(f"since {passes.before.scan.name}")
    assert any("Blocking will go through at H1:" in w for w in passes.warnings)


def test_the_table_and_the_plan_say_the_same(passes: Comparison, filled: Comparison) -> None:
    """What to do and why: in regions.csv, in the terminal and in the plan of the page."""
    for result in (passes, filled):
        marks = {mark.region: mark.action for mark in remaining(result).regions}
        for track in result.tracks:
            action = (track.last.region or track.place).action
            for word in OVERDONE.values():
                action = action.removeprefix(f"{word}: ")
            assert marks[track.name] == action


def test_a_high_all_of_filler_is_not_called_bare() -> None:
    proud = Dimple((-130.0, -40.0), 0.8, (60.0, 45.0))
    scans = [seen(d, seed=40 + k)[0] for k, d in enumerate([(), (proud,)])]
    result = compare_scans(tuple(scans), SETTINGS, STILL)
    assert [t.last.state for t in result.tracks if t.kind == "high"] == ["new"]
    assert not any("go through" in w for w in result.warnings)


def test_build_is_held_against_the_stage(before: Scan, after: Scan, filled: Comparison) -> None:
    assert any("over 2 mm (filler_caution_mm)" in w for w in filled.warnings)
    primer = compare_scans((before, after), load_settings("primer"), STILL)
    assert any("0.2 mm of primer is the most" in w for w in primer.warnings)


def test_table_and_history(passes: Comparison) -> None:
    rows = [line.split(",") for line in regions_csv(passes).splitlines()]
    assert tuple(rows[0]) == TRACK_COLUMNS
    assert len(rows) == 1 + len(passes.tracks)
    assert rows[1][-1] == "improved"
    history = history_csv(passes).splitlines()
    assert history[0].startswith("region,kind,1 scan 20 peak_mm")
    assert history[1].startswith("H1,high,0.")
    assert history[0].endswith(",from_edges")
    columns = history[0].split(",")
    first = next(t for t in passes.tracks if t.name == "H1").stands[0]
    assert first is not None
    at = columns.index("1 scan 20 uncertainty_mm")
    assert float(history[1].split(",")[at]) == pytest.approx(first.uncertainty_mm, abs=1e-3)
    assert columns.index("1 scan 20 state") == at + 2
    said = track_words(passes.tracks[0])
    assert said.startswith(f"H1 {signed(first.peak_mm)} \u00b1 {first.uncertainty_mm:.2f} to ")
    assert "mm from edge" in history[1]


def test_what_lies_under_a_low_counts_against_its_filler(passes: Comparison) -> None:
    action = {t.name: t.last.region.action if t.last.region else "" for t in passes.tracks}
    assert action["L2"].startswith("glaze and block again: 0.")


def test_files(filled: Comparison, after: Scan, tmp_path: Path) -> None:
    write_comparison(filled, tmp_path)
    written = {path.name for path in tmp_path.iterdir()}
    assert written == {
        "change.ply",
        "change.glb",
        "change.png",
        "regions.csv",
        "report.html",
        "summary.json",
    }
    back = read_scan(tmp_path / "change.ply", units="mm")
    for axis in "xyz":
        np.testing.assert_array_equal(back.vertices[axis], after.vertices[axis])
    place = np.column_stack([after.vertices[a].astype(float) for a in "xyz"])
    change, known = back.vertices["change"], np.isfinite(back.vertices["change"])
    assert known.mean() > 0.8
    truth = total_displacement_mm(FILLS, place[:, 0], place[:, 1])
    error = change[known] - truth[known]
    # One point's own noise, and the earlier cell's.
    assert np.sqrt(np.mean(error**2)) < 0.065
    summary = json.loads((tmp_path / "summary.json").read_text("utf-8"))
    assert set(summary["change"]) >= {
        "added_cm3",
        "removed_cm3",
        "max_build_mm",
        "mean_build_mm",
        "changed_area_cm2",
    }
    assert np.shape(summary["registration"]["T_before_after"]) == (4, 4)
    for side in ("before", "after"):
        assert set(summary[side]) >= {"verdict", "deviation", "regions"}
    page = (tmp_path / "report.html").read_text("utf-8")
    assert "content=\"default-src 'none'; " in page
    assert "data:image/png;base64" in page


def test_a_thick_panel_scanned_on_both_skins_is_refused(before: Scan) -> None:
    outer, truth = seen((), seed=50)
    inner, _ = seen((), seed=51)
    skin = truth.part == Part.SKIN
    behind = inner.points_mm - np.array([0.0, 0.0, 4.0])
    both = np.vstack([outer.points_mm[skin], behind + (inner.origin - outer.origin)])
    doubled = replace(
        outer,
        points_mm=both.astype(np.float32),
        usable=np.ones(len(both), bool),
        name="doubled",
    )
    with pytest.raises(ScanUnfitError, match=r"doubled: .*two skins.*Scan the outside only"):
        compare_scans((before, doubled), SETTINGS, STILL)


@pytest.mark.slow
def test_the_other_side_is_refused_and_named(before: Scan) -> None:
    other = replace(counterpart(seen((HIGH,), seed=60, pose=None)[0]), name="other side")
    with pytest.raises(ScanUnfitError, match=r"other side against before: .*guidecoat mirror"):
        compare_scans((before, other), SETTINGS)


@pytest.mark.slow
def test_another_panel_is_refused(before: Scan) -> None:
    with pytest.raises(ScanUnfitError, match=r"against before: .*(different|overlap)"):
        compare_scans((before, seen((), seed=61, panel=wing(), spacing_mm=3.0)[0]), SETTINGS)


@pytest.mark.slow
def test_plain_cylinders_of_other_lengths_are_refused() -> None:
    long, short = (cylinder_panel(700.0, length_mm=size) for size in (600.0, 480.0))
    scans = [seen((), seed=62 + k, panel=p)[0] for k, p in enumerate((long, short))]
    with pytest.raises(ScanUnfitError, match=r"shape does not hold .*half a turn.*--pairs"):
        compare_scans(tuple(scans), SETTINGS)


def picked(
    of_second: SyntheticScan, of_first: SyntheticScan, *, off_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Six spots picked on both scans, so far off."""
    s, t = (a.ravel() for a in np.meshgrid([-200.0, 0.0, 200.0], [-120.0, 120.0]))
    draw = np.random.default_rng(64)
    here, there = (
        truth.place_mm(s, t) + off_mm * draw.normal(size=(len(s), 3))
        for truth in (of_second, of_first)
    )
    return here, there


def test_pairs_that_the_edges_contradict_are_refused() -> None:
    """The shorter of two cylinders slides home to one end of the longer one."""
    long, short = (cylinder_panel(700.0, length_mm=size) for size in (600.0, 480.0))
    (first, of_first), (second, of_second) = (
        seen((), seed=62 + k, panel=p, pose=None) for k, p in enumerate((long, short))
    )
    with pytest.raises(ScanUnfitError, match=r"picked points lie 60\.\d mm apart .*same spot"):
        place_scan(second, first, pairs=picked(of_second, of_first, off_mm=0.3))


@pytest.fixture(scope="module")
def two_poses() -> tuple[tuple[Scan, SyntheticScan], tuple[Scan, SyntheticScan], Registration]:
    """Two scans in any pose with their truths, and how the second lies on the first."""
    one, two = (seen((), seed=66 + k, pose=None) for k in range(2))
    return one, two, place_scan(two[0], one[0])[1]


@pytest.mark.parametrize("off_mm", [0.0, 0.5])
def test_picked_pairs_hold_what_nothing_else_does(
    two_poses: tuple[tuple[Scan, SyntheticScan], tuple[Scan, SyntheticScan], Registration],
    off_mm: float,
) -> None:
    """A placing that was slid 6 mm along its one free direction comes back by them, to what they
    are worth; the rest of it, which the skin holds, does not move.
    """
    (first, of_first), (_, of_second), found = two_poses
    out = of_first.outside_at(np.zeros(1), np.zeros(1))[0]
    along = np.cross(out, np.eye(3)[np.abs(out).argmin()])
    along /= np.linalg.norm(along)
    slid = np.eye(4)
    slid[:3, 3] = 6.0 * along
    open_ = np.eye(6) * 1e-10
    open_[3:, 3:] = 1e-5 * np.eye(3) + 100.0 * np.outer(along, along)
    loose = replace(
        found,
        T_target_source=slid @ found.T_target_source,
        covariance=open_,
        weak_directions=(WeakDirection("slide", along, 10.0, "nothing"),),
    )
    spots = picked(of_second, of_first, off_mm=off_mm)
    local = spots[0] - first.origin, spots[1] - first.origin
    held = held_by_pairs(loose, local, RegistrationSettings())
    left = held.T_target_source[:3, 3] - found.T_target_source[:3, 3]
    assert abs(left @ along) < max(0.05, 3.0 * held.slide_mm * (off_mm > 0.0))
    assert np.linalg.norm(left - (left @ along) * along) < 0.03
    assert held.slide_mm < 0.5
    (weak,) = held.weak_directions
    assert weak.describe().endswith("held by the picked points only")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x,y,z\n1,2,3\n", "column to_x, to_y, to_z is missing"),
        ("x,y,z,to_x,to_y,to_z\n1,2,3,4,5\n", "line 2: all six columns must be numbers"),
        ("x,y,z,to_x,to_y,to_z\n1,2,3,4,5,nan\n", "line 2: all six columns must be finite"),
        ("x,y,z,to_x,to_y,to_z\n1,2,3,4,5,6\n", "1 pairs of points, at least 3 are needed"),
    ],
)
def test_bad_pairs_say_what_is_wrong(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "pairs.csv"
    path.write_text(text)
    with pytest.raises(SettingsError, match=said):
        read_pairs(path)


def test_a_broad_build_that_tilts_the_placing_is_told() -> None:
    thick = Dimple((-300.0, 0.0), 1.6, (420.0, 900.0))
    scans = [seen(d, seed=70 + k, spacing_mm=3.0)[0] for k, d in enumerate([(), (thick,)])]
    told = compare_scans(tuple(scans), SETTINGS)
    assert any("may be tilted" in w and "--already-aligned" in w for w in told.warnings)
    trusted = compare_scans(tuple(scans), SETTINGS, STILL)
    assert not any("may be tilted" in w for w in trusted.warnings)
    assert trusted.whole.added_cm3 > 3.0 * told.whole.added_cm3
    # What is wrong with the placing is within its doubt.
    apart = trusted.whole.added_cm3 - trusted.whole.removed_cm3
    apart -= told.whole.added_cm3 - told.whole.removed_cm3
    doubt_mm = float(told.after.placing_mm[told.whole.compared].mean())
    assert abs(apart) < 2.0 * doubt_mm * told.whole.compared_area_cm2 / 10.0


def test_picked_pairs_place_a_scan(before: Scan, tmp_path: Path) -> None:
    later, moved = seen((DENT, HIGH, *FILLS), seed=4, pose=None, name="later")
    _, still = seen((DENT, HIGH), seed=1)
    spots = np.array([[-250.0, -150.0], [250.0, -150.0], [240.0, 150.0], [-240.0, 140.0]])
    picked = [scan.place_mm(*spots.T) + 0.8 for scan in (moved, still)]
    lines = [",".join(f"{v:.2f}" for v in row) for row in np.hstack(picked)]
    path = tmp_path / "pairs.csv"
    path.write_text("\n".join(["x,y,z,to_x,to_y,to_z", *lines]))
    result = compare_scans((before, later), SETTINGS, CompareOptions(pairs=path))
    off, _ = slip_mm(between_files(result.T_first[1], later, before), moved, still)
    assert np.abs(off).max() < 0.02


def test_the_command_line(before: Scan, after: Scan, shop: Path, capsys: object) -> None:
    for scan in (before, after):
        write_ply(shop / f"{scan.name}.ply", scan.vertices)
    assert main(["compare", "before.ply", "after.ply", "--already-aligned", "--fail-if-out"]) == 5
    folder = shop / "before_to_after_guidecoat"
    assert json.loads((folder / "summary.json").read_text())["command"] == "compare"
    assert json.loads((folder / "summary.json").read_text())["settings"]["stage"] == "filler"
    assert main(["compare", "before.ply"]) == 2
    assert main(["compare", "before.ply", "gone.ply"]) == 3


def test_the_same_scans_give_the_same_result(before: Scan, after: Scan, filled: Comparison) -> None:
    again = compare_scans((before, after), SETTINGS, STILL)
    np.testing.assert_array_equal(again.whole.change_mm, filled.whole.change_mm)
    assert regions_csv(again) == regions_csv(filled)
