"""Two scans of one panel laid over each other a little off, their points among each other."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import check
from guidecoat.doubts.doubting import doubt_doubled
from guidecoat.findings.regions import Region
from guidecoat.outline.double_skins import DoubleSkin
from guidecoat.panel.unrolled import unroll
from guidecoat.scans.scan import Scan
from guidecoat.settings import load_settings
from guidecoat.survey import survey
from guidecoat.synthetic import Panel, crowned_door, cylinder_panel, scan_panel, to_scan

Floats = NDArray[np.float64]

DOOR = crowned_door(length_mm=500.0, width_mm=350.0, crown_mm=12.0, crease=False)
TIGHT = cylinder_panel(150.0, length_mm=400.0, width_mm=300.0)


@cache
def scanned(panel: Panel, spacing_mm: float, noise_mm: float, seed: int) -> tuple[Scan, Floats]:
    """A sound panel's scan, and the place of every point on the panel."""
    made = scan_panel(panel, spacing_mm=spacing_mm, noise_mm=noise_mm, seed=seed, pose=np.eye(4))
    return to_scan(made, normals=True), made.st_mm


def lifted(scan: Scan, by_mm: NDArray[np.floating]) -> Scan:
    """Points moved along their normals."""
    assert scan.normals is not None
    points = scan.points_mm + scan.normals * by_mm[:, None].astype(np.float32)
    return replace(scan, points_mm=points)


def twice(
    panel: Panel,
    *,
    spacing: float,
    noise: float,
    apart: float,
    share: float,
    part: float,
    seed: int,
) -> tuple[Scan, float]:
    """A scan some of whose points, over part of the panel, lie apart; and that part, cm2."""
    scan, st = scanned(panel, spacing, noise, seed)
    there = st[:, 0] > np.quantile(st[:, 0], 1.0 - part)
    second = there & (np.random.default_rng(seed).random(len(st)) < share)
    length, width = np.ptp(st, axis=0)
    return lifted(scan, apart * second), part * length * width / 100.0


def found_in(scan: Scan) -> tuple[DoubleSkin, ...]:
    return unroll(scan, load_settings()).doubles


@pytest.mark.parametrize(
    ("panel", "spacing", "noise", "apart", "share", "part"),
    [
        (DOOR, 1.0, 0.06, 0.25, 0.5, 0.4),
        (DOOR, 2.0, 0.06, 0.27, 0.5, 0.4),
        (DOOR, 1.0, 0.06, 0.8, 0.5, 0.25),
        (DOOR, 2.5, 0.06, 0.8, 0.3, 0.4),
        (DOOR, 1.5, 0.05, 0.22, 0.5, 1.0),
        (DOOR, 1.5, 0.05, 0.9, 0.5, 1.0),
        (DOOR, 1.5, 0.20, 0.9, 0.5, 0.4),
        (TIGHT, 1.5, 0.05, 0.3, 0.5, 0.4),
    ],
)
def test_interleaved_skins_are_found(
    panel: Panel, spacing: float, noise: float, apart: float, share: float, part: float
) -> None:
    """From little over four times the noise upward, over a part or all of the panel."""
    scan, area = twice(
        panel, spacing=spacing, noise=noise, apart=apart, share=share, part=part, seed=6
    )
    doubles = found_in(scan)
    assert doubles
    assert doubles[0].apart_mm == pytest.approx(apart, rel=0.04)
    assert sum(double.area_cm2 for double in doubles) == pytest.approx(area, rel=0.12)


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.3])
@pytest.mark.parametrize("spacing", [1.0, 3.0])
def test_noise_is_one_skin(spacing: float, noise: float) -> None:
    assert found_in(scanned(DOOR, spacing, noise, 3)[0]) == ()


def test_even_noise_is_one_skin() -> None:
    """Its halves lie farthest apart of any noise with one hump."""
    scan, _ = scanned(DOOR, 1.2, 0.0, 3)
    even = np.random.default_rng(1).uniform(-0.3, 0.3, len(scan.points_mm))
    assert found_in(lifted(scan, even)) == ()


@pytest.mark.parametrize("wave", [6.0, 12.0, 40.0])
@pytest.mark.parametrize("square", [False, True])
def test_waves_and_ribs_are_one_skin(wave: float, square: bool) -> None:
    """Heights in two groups, but either has its own ground."""
    scan, st = scanned(DOOR, 1.2, 0.04, 3)
    height = np.cos(2.0 * np.pi * st[:, 1] / wave)
    assert found_in(lifted(scan, 0.3 * (np.sign(height) if square else height))) == ()


def test_flying_points_are_no_skin() -> None:
    scan, st = scanned(DOOR, 1.2, 0.05, 3)
    rng = np.random.default_rng(2)
    stray = (rng.random(len(st)) < 0.05) * rng.normal(0.0, 2.0, len(st))
    assert found_in(lifted(scan, stray)) == ()


def test_a_check_says_where_how_far_apart_and_the_remedy() -> None:
    """What it finds there is not sure, and without a mark the panel is undecided."""
    scan, _ = twice(DOOR, spacing=1.2, noise=0.06, apart=0.8, share=0.5, part=0.3, seed=8)
    settings = load_settings()
    assert check(scanned(DOOR, 1.2, 0.06, 8)[0], settings).verdict == "in"
    result = check(scan, settings)
    assert result.verdict == "undecided"
    warning = next(said for said in result.warnings if "lie twice" in said)
    assert re.search(r"0\.(79|80) mm apart, at x .* from edge .*: ", warning)
    assert "Delete the second skin in the scanning program, or scan again." in warning
    found = survey(scan, settings)
    assert "lie twice" in " ".join(" ".join(found.lines()).split())
    assert found.skin is not None
    assert found.skin.stages[0].verdict != "yes"


def test_heights_on_two_skins_are_uncertain_by_half_their_distance() -> None:
    scan, st = scanned(DOOR, 1.2, 0.06, 9)
    away = np.clip(np.hypot(*st.T) / 45.0, 0.0, 1.0)
    result = check(lifted(scan, -0.8 * np.cos(0.5 * np.pi * away) ** 2), load_settings())
    low = result.regions[0]
    assert low.verdict == "out"
    cells = result.cells

    def doubted(apart_mm: float, over: NDArray[np.bool_]) -> Region:
        skin = DoubleSkin(1.0, apart_mm, 0.0, 0.0, over)
        (told,) = doubt_doubled((low,), (skin,), cells, cells.filled, tolerance_mm=0.5)
        return told

    near, far = doubted(0.2, low.core), doubted(0.8, low.core)
    assert near.uncertainty_mm == pytest.approx(low.uncertainty_mm + 0.1)
    assert near.verdict == "out"
    assert far.uncertainty_mm == pytest.approx(low.uncertainty_mm + 0.4)
    assert far.verdict == "undecided"
    assert doubted(0.8, ~low.core) == low
    assert doubt_doubled((low,), (), cells, cells.filled, tolerance_mm=0.5) == (low,)
