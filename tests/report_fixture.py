"""Small invented panels, checked once, for the tests of light, sections, report and paper."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import pair_fixture
from guidecoat.check import CheckResult, check
from guidecoat.compare import CompareOptions, Comparison, compare_scans
from guidecoat.compare.mirror import MirrorResult, mirror_pair
from guidecoat.preview.sections import Panel
from guidecoat.settings import load_settings
from guidecoat.synthetic import (
    Defect,
    Dimple,
    crowned_door,
    cylinder_panel,
    scan_panel,
    sphere_panel,
    to_scan,
)
from guidecoat.synthetic import Panel as InventedPanel

RADIUS_MM = 800.0
LOW = Dimple((-110.0, -40.0), -0.9, (60.0, 60.0))
HIGH = Dimple((150.0, -60.0), 0.8, (50.0, 50.0))


def checked(
    panel: InventedPanel, defects: Sequence[Defect] = (), *, noise_mm: float, seed: int = 5
) -> CheckResult:
    """The check of a scan of a panel at 2 mm spacing."""
    scan = scan_panel(panel, defects, spacing_mm=2.0, noise_mm=noise_mm, seed=seed)
    return check(to_scan(scan, name="pelham300_offcut"), load_settings("metal"))


@cache
def door() -> CheckResult:
    """A small crowned door with a body line, a low and a high."""
    panel = crowned_door(
        length_mm=600.0,
        width_mm=400.0,
        crown_mm=12.0,
        cross_crown_mm=4.0,
        crease=True,
        crease_t_mm=110.0,
    )
    return checked(panel, (LOW, HIGH), noise_mm=0.03)


@cache
def filled() -> Comparison:
    """A dent before and after it was overfilled, and a high that was not touched."""
    before, _ = pair_fixture.seen((pair_fixture.DENT, pair_fixture.HIGH), seed=1, name="metal")
    after, _ = pair_fixture.seen(
        (pair_fixture.DENT, pair_fixture.HIGH, pair_fixture.BUILD), seed=2, name="filler"
    )
    options = CompareOptions(already_aligned=True)
    return compare_scans((before, after), load_settings("filler"), options)


def mended() -> Comparison:
    """The same, filled as it should be."""
    before, _ = pair_fixture.seen((pair_fixture.DENT, pair_fixture.HIGH), seed=1, name="metal")
    after, _ = pair_fixture.seen((pair_fixture.HIGH,), seed=2, name="filler")
    options = CompareOptions(already_aligned=True)
    return compare_scans((before, after), load_settings("filler"), options)


@cache
def sides() -> MirrorResult:
    """A panel with a high against its counterpart with a dent."""
    left, _ = pair_fixture.seen((pair_fixture.HIGH,), seed=3, name="left")
    right, _ = pair_fixture.seen((pair_fixture.DENT,), seed=4, name="right")
    return mirror_pair(left, pair_fixture.counterpart(right), load_settings("metal"))


@cache
def cylinder() -> CheckResult:
    """A sound part of a cylinder of 800 mm radius, without noise."""
    return checked(cylinder_panel(RADIUS_MM), noise_mm=0.0)


@cache
def sphere() -> CheckResult:
    """A sound part of a sphere of 800 mm radius, without noise."""
    return checked(sphere_panel(RADIUS_MM), noise_mm=0.0)


def panel_of(result: CheckResult) -> Panel:
    """What sections are cut from."""
    return Panel(
        result.chart,
        result.cells,
        result.faces,
        result.fair,
        result.deviation,
        result.regions,
    )
