"""Scans whose noise hangs together over centimetres, as pictures make it: undecided, not out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from guidecoat.check import CheckResult, check
from guidecoat.compare import CompareOptions, Comparison, compare_scans
from guidecoat.compare.progress import as_changed
from guidecoat.scans.scan import Scan
from guidecoat.wording.compare_words import progress_words
from truth_fixture import bare_cloud, settings

Floats = NDArray[np.float64]

_DENT_MM = -1.8


def panel(
    *, seed: int, noise_mm: float, points_mm: float, dent_mm: float = 0.0, wave_mm: float = 0.0
) -> Scan:
    """A crowned panel of 800 x 500 mm, 2 mm from point to point, a dent 100 mm wide or ripple all
    over it; the noise is half of 8 and half of 20 mm.
    """
    draw = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(-400.0, 401.0, 2.0), np.arange(-250.0, 251.0, 2.0), indexing="ij")
    z = 12.0 * (1.0 - (x / 400.0) ** 2) + 10.0 * (1.0 - (y / 250.0) ** 2)
    away = np.minimum(np.hypot(x - 100.0, y - 50.0) / 50.0, 1.0)
    z += dent_mm * 0.5 * (1.0 + np.cos(np.pi * away))
    z += wave_mm * np.sin(2.0 * np.pi * (0.8 * x + 0.6 * y) / 75.0)
    for sigma_mm in (8.0, 20.0):
        field = ndimage.gaussian_filter(draw.normal(size=z.shape), sigma_mm / 2.0, mode="wrap")
        z += noise_mm / np.sqrt(2.0) * field / field.std()
    z += points_mm * draw.normal(size=z.shape)
    points = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    return bare_cloud(points, name="pictures")


def checked(scan: Scan, tolerance_mm: float) -> CheckResult:
    return check(scan, settings(tolerance__height_mm=tolerance_mm, tolerance__slope_mrad=4.0))


@pytest.mark.parametrize(
    ("noise_mm", "points_mm", "tolerance_mm"),
    [(0.05, 0.03, 0.15), (0.1, 0.05, 0.15), (0.05, 0.03, 0.3), (0.1, 0.05, 0.3), (0.16, 0.02, 0.3)],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_sound_metal_is_never_out(
    seed: int, noise_mm: float, points_mm: float, tolerance_mm: float
) -> None:
    result = checked(panel(seed=seed, noise_mm=noise_mm, points_mm=points_mm), tolerance_mm)
    assert result.verdict == "undecided"
    assert [r.region for r in result.regions if r.verdict == "out"] == []


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_a_dent_stays_out_and_its_uncertainty_carries_the_noise(seed: int) -> None:
    result = checked(panel(seed=seed, noise_mm=0.16, points_mm=0.02, dent_mm=_DENT_MM), 0.3)
    dent = min(result.regions, key=lambda region: region.peak_mm)
    assert dent.verdict == "out"
    # Of 0.32 mm the fair surface takes up a part, which no one scan can tell from form.
    assert 0.22 < dent.uncertainty_mm < 0.4
    assert result.smallest_visible_mm > 0.3


@pytest.mark.parametrize("seed", [2, 3])
def test_what_passed_for_a_wave_of_doubted_ripple_is_told_undecided(seed: int) -> None:
    """The farthest off on the map has a name and a row, and is not called sure."""
    result = checked(panel(seed=seed, noise_mm=0.1, points_mm=0.02, dent_mm=-0.48), 0.3)
    assert {r.verdict for r in result.regions} == {"undecided"}
    assert "ripple" in {r.kind for r in result.regions}
    off = result.deviation.smooth_mm
    for sign, kind in ((1.0, "high"), (-1.0, "low")):
        farthest = np.unravel_index(np.nanargmax(sign * off), off.shape)
        if sign * off[farthest] > 0.3:
            assert any(r.core[farthest] for r in result.regions if r.kind == kind)


def test_ripple_over_the_whole_panel_stays_out() -> None:
    """Waves cover it as noise would, but they go down again where they went up."""
    result = checked(panel(seed=1, noise_mm=0.0, points_mm=0.05, wave_mm=0.12), 0.3)
    assert [(r.kind, r.verdict) for r in result.regions] == [("ripple", "out")]
    # They are metal's, and say nothing against the scan: as noise they would make it 0.28 mm.
    assert result.smallest_visible_mm < 0.2


def compared(*scans: Scan) -> Comparison:
    shop = settings(tolerance__height_mm=0.15, tolerance__slope_mrad=4.0)
    return compare_scans(scans, shop, CompareOptions(already_aligned=True))


def test_noise_of_the_first_scan_that_is_gone_was_not_fixed() -> None:
    """Nobody mended what was undecided and is not there the next time: it is not confirmed."""
    result = compared(*(panel(seed=k, noise_mm=0.1, points_mm=0.05) for k in (1, 2)))
    states = [track.last.state for track in result.tracks]
    assert "fixed" not in states
    gone = [track for track in result.tracks if track.last.state == "not confirmed"]
    assert gone
    for track in gone:
        assert "no change was found there" in track.place.action
    words = progress_words(result)
    assert f"{len(gone)} not confirmed (undecided before, gone without a change)" in words
    assert "fixed" not in words


def test_a_dent_that_was_filled_is_fixed() -> None:
    """Out before, or undecided and filled beyond doubt."""
    result = compared(
        panel(seed=1, noise_mm=0.05, points_mm=0.03, dent_mm=-1.0),
        panel(seed=2, noise_mm=0.05, points_mm=0.03),
    )
    dent = min(result.tracks, key=lambda track: track.stands[0].peak_mm if track.stands[0] else 0.0)
    assert dent.last.state == "fixed"
    first, last = dent.stands
    assert first is not None
    assert first.region is not None
    doubtful = replace(first, region=replace(first.region, verdict="undecided"))
    (told,) = as_changed((replace(dent, stands=(doubtful, last)),), result.steps)
    assert told.last.state == "fixed"
    still = replace(result.whole, changed=np.zeros_like(result.whole.changed))
    (told,) = as_changed((replace(dent, stands=(doubtful, last)),), (still,))
    assert told.last.state == "not confirmed"
