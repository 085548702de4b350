"""Filler over a third to two thirds of a panel: placed by what did not change, or told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.compare import CompareOptions, compare_scans
from guidecoat.compare.placing import between_files, place_scan
from guidecoat.registration import Registration, RegistrationSettings
from guidecoat.registration.observability import own_noise_mm
from guidecoat.registration.placing import settled
from guidecoat.registration.surfels import make_surfels
from guidecoat.settings import load_settings
from guidecoat.synthetic import Defect, Panel, Part, crowned_door, scan_panel, to_scan, wing
from guidecoat.synthetic.heights import smooth_step
from pair_fixture import slip_mm

Floats = NDArray[np.float64]
WING = wing(length_mm=700.0, section_mm=500.0, arch_radius_mm=250.0)
DOOR = crowned_door(length_mm=700.0, width_mm=450.0, crown_mm=14.0, twist_mm=3.0)


@dataclass(frozen=True)
class Build:
    """2 mm put on beyond a line across the panel, rising over `ramp_mm`, up to all edges."""

    axis: int
    sign: int
    at: float
    ramp_mm: float
    centre_st: tuple[float, float] = (0.0, 0.0)
    reach_mm: float = 1e9
    peak_mm: float = 2.0

    def displacement_mm(self, s: Floats, t: Floats) -> Floats:
        return (
            self.peak_mm * smooth_step(self.sign * ((s, t)[self.axis] - self.at), self.ramp_mm)[0]
        )


@dataclass(frozen=True)
class Skim:
    """Filler over all of a panel, thicker toward one end."""

    thin_mm: float
    thick_mm: float
    length_mm: float
    centre_st: tuple[float, float] = (0.0, 0.0)
    reach_mm: float = 1e9

    def displacement_mm(self, s: Floats, t: Floats) -> Floats:
        del t
        along = s / self.length_mm + 0.5
        return np.asarray(self.thin_mm + (self.thick_mm - self.thin_mm) * along)


def build(panel: Panel, axis: int, sign: int, *, at: float, ramp: float) -> Build:
    """A build whose place and ramp are given as parts of the panel's length that way."""
    low, high = panel.extent_mm[2 * axis : 2 * axis + 2]
    return Build(axis, sign, low + at * (high - low), ramp * (high - low))


def placed(
    panel: Panel, fill: Build, *, seed: int, hem_mm: float, spacing_mm: float = 2.0
) -> tuple[Registration, Floats]:
    """The placing of a filled panel on itself, both anyhow, and its errors across the skin."""
    truths = [
        scan_panel(
            panel,
            defects,
            spacing_mm=part * spacing_mm,
            noise_mm=0.05,
            seed=seed + k,
            noise_way="along normal",
            hem_mm=hem_mm,
        )
        for k, (defects, part) in enumerate([((), 1.0), ((cast(Defect, fill),), 1.1)])
    ]
    before, after = (to_scan(truth) for truth in truths)
    motion, found = place_scan(after, before)
    return found, slip_mm(between_files(motion, after, before), truths[1], truths[0])[0]


def test_noise_is_told_where_a_placing_is_off() -> None:
    """Without known outsides neighbouring cells look either way, and so do their residuals."""
    truths = [scan_panel(DOOR, (), spacing_mm=2.5, noise_mm=0.05, seed=k) for k in (1, 2)]
    points = [(t.points_mm - t.T_scan_panel[:3, 3]) @ t.T_scan_panel[:3, :3] for t in truths]
    source, target = (make_surfels(p, None, 10.0) for p in points)
    settings = RegistrationSettings()
    off = np.eye(4)
    off[2, 3] = 0.6
    fits = [
        settled(source, target, motion, settings, reach_mm=2.0, held_still=True)
        for motion in (np.eye(4), off)
    ]
    right, wrong = (own_noise_mm(fit, source) for fit in fits)
    assert 0.005 < right < 0.05
    assert wrong < 1.5 * right


@pytest.mark.slow
@pytest.mark.parametrize(
    ("panel", "axis", "sign", "at", "ramp", "hem_mm"),
    [
        (WING, 0, 1, 0.65, 0.4, 3.0),
        (WING, 0, 1, 0.5, 0.3, 0.0),
        (WING, 1, -1, 0.4, 0.3, 3.0),
        (DOOR, 0, 1, 0.65, 0.4, 0.0),
        (DOOR, 0, 1, 0.75, 0.02, 0.0),
    ],
)
def test_a_broad_fill_does_not_tilt_a_placing(
    panel: Panel, axis: int, sign: int, at: float, ramp: float, hem_mm: float
) -> None:
    """What did not change agrees to within noise, and tells the placing."""
    found, off = placed(panel, build(panel, axis, sign, at=at, ramp=ramp), seed=31, hem_mm=hem_mm)
    assert np.abs(off).max() < 0.05
    assert not found.loose


@pytest.mark.slow
@pytest.mark.parametrize("at", [0.5, 0.35])
def test_a_step_over_the_larger_part_is_told(at: float) -> None:
    """Which part was filled neither skin nor edges can say."""
    found, off = placed(DOOR, build(DOOR, 0, 1, at=at, ramp=0.02), seed=41, hem_mm=0.0)
    assert np.abs(off).max() > 1.0
    said = " ".join(found.doubts("change", ""))
    assert "Two placings fit" in said
    assert "--pairs" in said
    assert "--already-aligned" in said


@pytest.mark.parametrize(("thin_mm", "thick_mm"), [(0.5, 0.95), (-0.3, -0.2)])
def test_a_skim_over_the_whole_panel_is_told(thin_mm: float, thick_mm: float) -> None:
    """In one frame, what lies off nearly everywhere to one side is filler and no noise."""
    skim = Skim(thin_mm, thick_mm, DOOR.extent_mm[1] - DOOR.extent_mm[0])
    truths = [
        scan_panel(
            DOOR,
            defects,
            spacing_mm=2.0,
            noise_mm=0.05,
            seed=seed,
            noise_way="along normal",
            pose=np.eye(4),
        )
        for seed, defects in ((1, ()), (2, (cast(Defect, skim),)))
    ]
    before, after = (to_scan(truth) for truth in truths)
    options = CompareOptions(already_aligned=True)
    change = compare_scans((before, after), load_settings("filler"), options).whole
    told = change.added_cm3 if thick_mm > 0.0 else change.removed_cm3
    doubt = change.added_uncertainty_cm3 if thick_mm > 0.0 else change.removed_uncertainty_cm3
    area_cm2 = 0.01 * 2.0**2 * float((truths[0].part == Part.SKIN).sum())
    true = 0.05 * abs(thin_mm + thick_mm) * area_cm2
    assert (change.changed & change.compared).sum() > 0.95 * change.compared.sum()
    assert abs(told - true) < max(doubt, 0.03 * true)
    assert min(change.added_cm3, change.removed_cm3) == 0.0
