"""Small invented panels, checked once, for the tests of light, sections, report and paper."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from guidecoat.check import CheckResult, check
from guidecoat.sections import Panel
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
from guidecoat.synthetic import (
    Panel as InventedPanel,
)

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
