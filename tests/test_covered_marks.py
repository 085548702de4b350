"""Marks under filler that reaches far beyond them are followed at their own place."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, replace
from functools import cache
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.compare import CompareOptions, Comparison, Track, compare_scans
from guidecoat.export.compare_tables import regions_csv
from guidecoat.report.remaining import remaining
from guidecoat.settings import load_settings
from guidecoat.synthetic import Defect, Dimple
from guidecoat.synthetic.heights import smooth_step
from pair_fixture import ONE_FRAME, seen

Floats = NDArray[np.float64]
SETTINGS = load_settings("filler")
STILL = CompareOptions(already_aligned=True)
LOW = Dimple((-150.0, -60.0), -1.5, (55.0, 55.0))
PROUD = Dimple((-60.0, 60.0), 0.8, (40.0, 40.0))
OUTSIDE = Dimple((200.0, -120.0), 0.8, (40.0, 40.0))


@dataclass(frozen=True)
class Skim:
    """A flat fill over a rectangle, feathered out over 50 mm."""

    peak_mm: float
    centre_st: tuple[float, float] = (-90.0, 0.0)
    half_st: tuple[float, float] = (130.0, 120.0)
    reach_mm: float = 1e9

    def displacement_mm(self, s: Floats, t: Floats) -> Floats:
        inside = [
            half + 25.0 - np.abs(place - middle)
            for place, middle, half in zip((s, t), self.centre_st, self.half_st, strict=True)
        ]
        return self.peak_mm * np.prod([smooth_step(x - 25.0, 50.0)[0] for x in inside], axis=0)


def skim(peak_mm: float) -> Defect:
    return cast(Defect, Skim(peak_mm))


def scans(*states: tuple[Defect, ...]) -> Comparison:
    found = [
        seen(state, seed=70 + k, spacing_mm=2.2, pose=ONE_FRAME)[0]
        for k, state in enumerate(states)
    ]
    return compare_scans(tuple(found), SETTINGS, STILL)


METAL: tuple[Defect, ...] = (LOW, PROUD, OUTSIDE)


@cache
def filled() -> Comparison:
    return scans(METAL, (*METAL, skim(3.0)), (*METAL, skim(1.45)))


def track_at(result: Comparison, mark: Dimple) -> Track:
    """The track of the first scan that begins at a mark's middle."""
    (near,) = (
        t
        for t in result.tracks
        if t.stands[0] is not None
        and np.hypot(t.place.x - mark.centre_st[0], t.place.y - mark.centre_st[1]) < 12.0
    )
    return near


@pytest.mark.parametrize("mark", [LOW, PROUD], ids=["low", "high"])
def test_a_covered_mark_stands_as_the_skin_does_there(mark: Dimple) -> None:
    track = track_at(filled(), mark)
    was, now, last = track.stands
    assert was is not None
    assert now is not None
    assert last is not None
    assert was.peak_mm == pytest.approx(mark.peak_mm, abs=0.05)
    assert now.peak_mm - was.peak_mm == pytest.approx(3.0, abs=0.08)
    assert last.peak_mm - was.peak_mm == pytest.approx(1.45, abs=0.08)
    assert now.state == "worse"
    assert now.turned == (mark is LOW)
    assert now.region is not None
    # Its region is the part of the fill that lies there.
    assert not (now.region.footprint & ~track.place.footprint).any()
    assert (now.region.x, now.region.y) == pytest.approx(mark.centre_st, abs=12.0)


def test_blocked_level_a_covered_low_is_fixed_among_what_still_stands_proud() -> None:
    last = track_at(filled(), LOW).last
    assert last.state == "fixed"
    assert abs(last.peak_mm) < 0.1


def test_the_fill_is_a_high_of_its_own() -> None:
    fill = next(t for t in filled().tracks if t.stands[0] is None and t.kind == "high")
    now = fill.stands[1]
    assert now is not None
    assert now.state == "new"
    # Where the metal itself stood proud the fill stands proudest.
    assert now.peak_mm == pytest.approx(3.0 + PROUD.peak_mm, abs=0.1)
    assert now.region is not None
    assert now.region.area_cm2 > 400.0


def test_what_the_fill_leaves_alone_goes_on_as_it_was() -> None:
    assert [s.state if s else None for s in track_at(filled(), OUTSIDE).stands] == [
        "",
        "unchanged",
        "unchanged",
    ]


def test_the_row_agrees_with_itself() -> None:
    """What it was and what was put on make what it is, at the place that is told."""
    result = scans(METAL, (*METAL, skim(3.0)))
    rows = {row["region"]: row for row in csv.DictReader(io.StringIO(regions_csv(result)))}
    for mark in (LOW, PROUD):
        track = track_at(result, mark)
        row = rows[track.name]
        assert float(row["was_mm"]) + float(row["build_mm"]) == pytest.approx(
            float(row["peak_mm"]), abs=0.1
        )
        assert (float(row["x"]), float(row["y"])) == pytest.approx(mark.centre_st, abs=12.0)
        assert row["state"] == "worse"
    assert rows[track_at(result, LOW).name]["action"].startswith("filled proud: block down 1.")
    plan = remaining(result).plan
    assert plan is not None
    # The fill is blocked down as a whole: what it covers is no work of its own.
    assert track_at(result, LOW).name not in [region.region for region in plan.regions]


def test_filler_a_little_larger_than_its_low_is_one_story() -> None:
    result = scans((LOW,), (LOW, replace(LOW, peak_mm=2.6, radii_mm=(75.0, 75.0))))
    (track,) = (t for t in result.tracks if t.kind != "ripple")
    assert track.last.turned


def test_the_build_of_a_row_is_the_one_its_action_speaks_of() -> None:
    """One figure with one meaning: what was put on since the first scan where the peak is."""
    for result in (filled(), scans(METAL, (*METAL, skim(0.5)))):
        rows = list(csv.DictReader(io.StringIO(regions_csv(result))))
        told = 0
        for row in rows:
            for figure in re.findall(r"([0-9.]+) mm of filler", row["action"]):
                assert f"{float(row['build_mm']):.2f}" == figure, row
                told += 1
            if "no filler was put on" in row["action"]:
                assert float(row["build_mm"]) < 0.005, row
                told += 1
        assert told
        low = next(row for row in rows if row["region"] == track_at(result, LOW).name)
        first = track_at(result, LOW).stands[0]
        assert first is not None
        assert float(low["build_mm"]) == pytest.approx(
            float(low["peak_mm"]) - first.peak_mm, abs=0.1
        )
