"""What a comparison says of each place: figures, state, verdict and action tell one story."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from guidecoat.compare import CompareOptions, Comparison, Track, compare_scans
from guidecoat.compare.advice import left_verdict
from guidecoat.compare.progress import Stand
from guidecoat.export.compare_tables import regions_csv
from guidecoat.report.remaining import remaining
from guidecoat.settings import load_settings
from guidecoat.synthetic import Defect, Dimple, Ripple
from guidecoat.wording.compare_words import track_words
from guidecoat.wording.words import outside_words
from guidecoat.workplan.actions import UNSEEN_DENT
from pair_fixture import DENT, HIGH, PANEL, seen

SETTINGS = load_settings("filler")
STILL = CompareOptions(already_aligned=True)
LOW = Dimple((-130.0, -40.0), -1.2, (70.0, 70.0))


def compared(*states: tuple[Defect, ...], options: CompareOptions = STILL) -> Comparison:
    scans = [seen(state, seed=30 + k, spacing_mm=3.0)[0] for k, state in enumerate(states)]
    return compare_scans(tuple(scans), SETTINGS, options)


def rows_of(result: Comparison) -> dict[str, dict[str, str]]:
    return {row["region"]: row for row in csv.DictReader(io.StringIO(regions_csv(result)))}


def action_of(track: Track) -> str:
    return (track.last.region or track.place).action


def test_the_figure_of_a_mended_low_is_that_of_its_spot() -> None:
    """Filler that stands a little proud beside the spot is not what is left of the low."""
    beside = Dimple((-98.0, -40.0), 0.2, (28.0, 40.0))
    result = compared((LOW,), (beside,))
    (track,) = (t for t in result.tracks if t.kind == "low")
    assert track.last.state == "fixed"
    assert track.last.peak_mm == pytest.approx(0.0, abs=0.05)
    row = rows_of(result)[track.name]
    assert float(row["was_mm"]) + float(row["build_mm"]) == pytest.approx(
        float(row["peak_mm"]), abs=0.05
    )


@pytest.mark.parametrize(("left_mm", "state"), [(0.6, "improved"), (1.2, "worse")])
def test_a_low_filled_proud_is_held_against_what_it_was(left_mm: float, state: str) -> None:
    """Nearer the fair surface is improved, on whichever side; as far off on the other is not."""
    result = compared((LOW,), (replace(LOW, peak_mm=left_mm),))
    (track,) = result.tracks
    assert (track.last.state, track.last.turned) == (state, True)
    assert action_of(track).startswith("filled proud: block down ")


@cache
def rippled() -> Comparison:
    """Ripple that a dent then hides."""
    ripple = Ripple((120.0, 40.0), 0.16, 70.0, 80.0)
    return compared((DENT, ripple), (DENT, ripple, Dimple((120.0, 40.0), -3.0, (120.0, 120.0))))


def test_ripple_is_not_told_by_the_flanks_of_a_new_dent() -> None:
    (track,) = (t for t in rippled().tracks if t.kind == "ripple")
    (dent,) = (t for t in rippled().tracks if t.last.state == "new")
    assert track.last.state == "not seen"
    assert np.isnan(track.last.slope_mrad)
    assert action_of(track).startswith(f"no ripple can be told under {dent.name}: ")
    assert rows_of(rippled())[track.name]["verdict"] == ""


@pytest.mark.parametrize(
    ("kind", "peak_mm", "slope_mrad", "verdict"),
    [
        ("ripple", 0.1, 8.7, "undecided"),
        ("ripple", 0.1, 2.0, "in"),
        ("low", -0.28, 9.0, "undecided"),
        ("low", -0.1, 9.0, "in"),
    ],
)
def test_what_is_left_is_in_tolerance_by_its_own_figure(
    kind: str, peak_mm: float, slope_mrad: float, verdict: str
) -> None:
    result = rippled()
    left = Stand(None, peak_mm, 0.08, slope_mrad, "unchanged")
    track = next(t for t in result.tracks if t.kind == kind and t.last.state != "new")
    track = replace(track, stands=(*track.stands[:-1], left))
    assert left_verdict(track, SETTINGS) == verdict
    told = replace(result, tracks=(track,))
    assert rows_of(told)[track.name]["verdict"] == verdict
    assert [mark.verdict for mark in remaining(told).regions] == [verdict]


def test_a_mended_mark_that_ran_out_over_an_edge_has_its_figure() -> None:
    """What lay in the band along the edge was not measured; most of the place was."""
    over = Dimple((60.0, PANEL.extent_mm[2] + 45.0), -1.5, (60.0, 60.0))
    (track,) = (t for t in compared((over,), ()).tracks if t.place.edge)
    assert track.last.state == "fixed"
    assert track.last.peak_mm == pytest.approx(0.0, abs=0.08)


def test_no_figure_is_told_of_the_band_along_an_edge() -> None:
    knock = Dimple((40.0, PANEL.extent_mm[3]), -1.4, (50.0, 7.0), kind="edge ding")
    (track,) = (t for t in compared((knock,), ()).tracks if t.place.edge)
    assert "?" not in track_words(track)
    assert track_words(track).endswith(" to no knock, fixed")


def test_all_rows_lie_in_the_frame_of_the_last_scan() -> None:
    """That of what is mended, too, which only an earlier scan in another frame showed."""
    turned = np.eye(4)
    turned[:3, :3] = [[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
    turned[:3, 3] = 300.0, -200.0, 900.0
    first = seen((DENT, HIGH), seed=1, spacing_mm=4.0)[0]
    later = seen((HIGH,), seed=2, spacing_mm=4.0, pose=turned)[0]
    result = compare_scans((first, later), SETTINGS)
    rows = {row["state"]: row for row in rows_of(result).values()}
    truth = {"fixed": DENT.centre_st, "unchanged": HIGH.centre_st}
    assert set(rows) == set(truth)
    for state, centre in truth.items():
        place = [float(rows[state][axis]) for axis in "xyz"]
        back = np.linalg.inv(turned) @ [*place, 1.0]
        assert back[:2] == pytest.approx(centre, abs=6.0)
    (said,) = (w for w in result.warnings if w.startswith("Outside is"))
    named = said[said.index("(") : said.index(")") + 1]
    assert named in outside_words(result.after.result)
    assert f"in {later.name}, by" in said


@pytest.mark.parametrize("reference", ["before", "after"])
def test_filler_in_a_dent_that_the_batten_followed_is_no_sure_high(reference: str) -> None:
    dent = Dimple((0.0, 0.0), -1.6, (190.0, 150.0))
    short = load_settings("filler", overrides={"surface.batten_mm": 120.0})
    scans = [seen(marks, seed=50 + k, spacing_mm=2.4)[0] for k, marks in enumerate([(dent,), ()])]
    result = compare_scans(tuple(scans), short, replace(STILL, reference=reference))
    highs = [t for t in result.tracks if t.last.region and t.last.region.kind == "high"]
    if reference == "after":
        assert not highs
        return
    (high,) = highs
    assert high.last.region is not None
    assert (high.last.region.verdict, high.last.region.doubt) == ("undecided", UNSEEN_DENT)
    assert "compare with --reference after" in action_of(high)
    assert "tap down" not in action_of(high)
    assert result.after.result.verdict != "out"
    assert not any("Blocking will go through" in w for w in result.warnings)
    assert {m.region: m.action for m in remaining(result).regions}[high.name] == action_of(high)


def test_a_small_patch_of_filler_on_sound_metal_stays_a_sure_high() -> None:
    (high,) = compared((), (Dimple((0.0, 0.0), 0.8, (60.0, 60.0)),)).tracks
    assert high.last.region is not None
    assert high.last.region.verdict == "out"
    assert action_of(high).startswith("block down 0.")
