"""Dents on body lines: found beside the fold, undecided, and none where the line is sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check
from guidecoat.findings.line_dents import ON_LINE, with_line_dents
from guidecoat.findings.regions import Region
from guidecoat.settings import load_settings
from guidecoat.synthetic import Dimple, Panel, bonnet, crowned_door, real_door, scan_panel, to_scan
from truth_fixture import checked as at_tenths
from truth_fixture import planted

Floats = NDArray[np.float64]

DOOR = crowned_door(length_mm=900.0, width_mm=500.0, crown_mm=16.0, crease=True, crease_t_mm=20.0)
SETTINGS = load_settings("metal")


def checked(panel: Panel, low: Dimple | None, seed: int) -> tuple[Floats | None, CheckResult]:
    marks = () if low is None else (low,)
    made = scan_panel(panel, marks, spacing_mm=1.3, noise_mm=0.05, seed=seed, pose=np.eye(4))
    place = None
    if low is not None:
        s, t = made.st_mm.T
        nearest = np.argmin((s - low.centre_st[0]) ** 2 + (t - low.centre_st[1]) ** 2)
        place = made.points_mm[nearest].astype(np.float64)
    return place, check(to_scan(made), SETTINGS)


def on_lines(regions: tuple[Region, ...]) -> list[Region]:
    return [region for region in regions if region.doubt == ON_LINE]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    ("peak", "across"), [(-2.0, 70.0), (-1.2, 110.0), (1.0, 90.0)], ids=["deep", "broad", "high"]
)
def test_a_dent_on_a_body_line_is_found_once(peak: float, across: float, seed: int) -> None:
    low = Dimple((-60.0, 20.0), peak, (0.5 * across, 0.5 * across))
    place, result = checked(DOOR, low, seed)
    assert place is not None
    (region,) = [r for r in result.regions if r.kind != "ripple"]
    assert region.kind == ("low" if peak < 0.0 else "high")
    assert region.doubt in (ON_LINE, "")
    assert region.verdict == result.verdict == ("undecided" if region.doubt else "out")
    assert abs(region.peak_mm - peak) < region.uncertainty_mm + 0.02
    assert region.volume_cm3 == pytest.approx(low.volume_cm3, rel=0.25)
    assert region.length_mm == pytest.approx(across, rel=0.2)
    assert np.linalg.norm(np.array([region.x, region.y, region.z]) - place) < 15.0
    assert ("across which one scan is not judged" in region.action) == bool(region.doubt)


@pytest.mark.parametrize("seed", [3, 4])
@pytest.mark.parametrize(
    "panel",
    [DOOR, bonnet(length_mm=900.0, width_mm=650.0), real_door()],
    ids=["door", "bonnet", "real"],
)
def test_a_sound_line_has_none(panel: Panel, seed: int) -> None:
    _, result = checked(panel, None, seed)
    assert result.creases
    assert on_lines(result.regions) == []


def test_a_line_that_is_drawn_off_by_two_millimetres_makes_no_dent() -> None:
    """One side then reads high and the other low, by as much as the skin turns."""
    _, sound = checked(DOOR, None, 5)
    low = Dimple((-60.0, 20.0), -1.2, (45.0, 45.0))
    _, dented = checked(DOOR, low, 5)
    for result, expected in ((sound, 0), (dented, 1)):
        (crease,) = result.creases
        line = crease.line_uv.copy()
        line[:, 1] += 2.0 * np.sin(2.0 * np.pi * line[:, 0] / 120.0)
        found = with_line_dents(
            (),
            (replace(crease, line_uv=line),),
            result.cells,
            result.chart,
            result.scan,
            tuple(edge.edge for edge in result.edges),
            SETTINGS.tolerance,
            batten_mm=result.surface.batten_mm,
        )
        assert len(found) == expected


def test_a_low_beside_the_line_is_told_once() -> None:
    """It reaches over the line, and is measured on the face on which it lies."""
    low = Dimple((40.0, 75.0), -1.5, (70.0, 70.0))
    _, result = checked(DOOR, low, 6)
    (region,) = [r for r in result.regions if r.kind == "low"]
    assert region.doubt != ON_LINE
    assert region.peak_mm == pytest.approx(-1.5, abs=0.12)


def test_lines_that_meet_in_a_corner_make_no_dent() -> None:
    """A door with its recess and frame, marks elsewhere: near its corner lines run out."""
    panel = real_door()
    _, result = at_tenths(panel, planted(panel, seed=4), seed=4, spacing_mm=0.7)
    assert result.creases
    assert on_lines(result.regions) == []
