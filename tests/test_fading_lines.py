"""Shoulders, raised middles and pressed swages that fade out within a panel, sound and marked."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check
from guidecoat.findings.untold import FADES
from guidecoat.outline.faces import BAND, CREASE
from guidecoat.settings import load_settings
from guidecoat.unrolling.polylines import near_line
from test_uneven_scans import places, scan_of

Floats = NDArray[np.float64]
Form = Callable[[Floats, Floats], Floats]
LENGTH_MM, WIDTH_MM = 900.0, 640.0


def eased(t: Floats) -> Floats:
    """From 0 to 1 with two derivatives that end at nothing (the quintic smoothstep)."""
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t**3 * (10.0 - 15.0 * t + 6.0 * t**2))


def crown(x: Floats, y: Floats) -> Floats:
    return -(x**2) / 9000.0 - y**2 / 5000.0


def shoulder(x: Floats, y: Floats) -> Floats:
    """A shoulder of 7 mm, 25 mm wide, that fades to nothing towards one end."""
    below = y - 30.0 + 0.06 * x
    rounded = 0.5 * (1.0 + np.tanh(below / 6.0)) * np.exp(-np.clip(below, 0.0, None) / 150.0)
    return crown(x, y) - 7.0 * eased((x + 390.0) / 650.0) * rounded


def raised_middle(x: Floats, y: Floats) -> Floats:
    """A middle raised by 9 mm between two flanks 75 mm wide, rising over 260 mm from one end."""
    half = 170.0 + 0.05 * (x + 450.0)
    return crown(x, y) + 9.0 * eased((half + 35.0 - np.abs(y)) / 75.0) * eased((x + 420.0) / 260.0)


def swages(x: Floats, y: Floats) -> Floats:
    """Three swages pressed 2.8 mm deep, 170 mm apart, that end within the panel."""
    fade = eased((x + 330.0) / 80.0) * eased((330.0 - x) / 80.0)
    lines = sum(np.exp(-(((y - at) / 17.0) ** 4)) for at in (-170.0, 0.0, 170.0))
    return np.asarray(crown(x, y) - 2.8 * lines * fade)


def round_swages(x: Floats, y: Floats) -> Floats:
    """Two round swages pressed 4 mm deep, that fade out at both ends."""
    fade = eased((x + 430.0) / 180.0) * eased((430.0 - x) / 180.0)
    return crown(x, y) - 4.0 * fade * np.exp(-(((np.abs(y) - 130.0) / 19.0) ** 2))


def converging(x: Floats, y: Floats) -> Floats:
    """A middle raised by 6 mm between steep flanks that converge and fade out over 350 mm."""
    half = 260.0 - 0.17 * (x + 450.0)
    up = eased((half - np.abs(y)) / 32.0 + 0.5)
    return -(x**2) / 12000.0 - y**2 / 6000.0 + 6.0 * up * eased((500.0 - x) / 350.0)


def narrowing(x: Floats, y: Floats) -> Floats:
    """A long bonnet's middle, raised by 5.4 mm, that narrows from 660 to 240 mm and fades out over
    270 mm, 120 mm before the front.
    """
    along = (x + 605.0) / 1210.0
    half = 329.0 - 211.0 * along
    up = eased((half - np.abs(y)) / 29.6 + 0.5) * eased((482.0 - x) / 267.0)
    nose = np.clip(along - 0.55, 0.0, 1.0) / 0.45
    return -(x**2) / 12000.0 - y**2 / 6000.0 + 5.39 * up - 14.0 * nose**3


def dent(x: Floats, y: Floats, at: tuple[float, float], peak_mm: float, wide_mm: float) -> Floats:
    r = np.hypot(x - at[0], y - at[1]) / (0.5 * wide_mm)
    return np.asarray(0.5 * peak_mm * (1.0 + np.cos(np.pi * np.minimum(r, 1.0))))


def looked_at(
    form: Form, seed: int, *, length_mm: float = LENGTH_MM, width_mm: float = WIDTH_MM
) -> CheckResult:
    rng = np.random.default_rng(seed)
    x, y = places(rng, length_mm, width_mm, 1.4)
    z = form(x, y) + rng.normal(0.0, 0.03, len(x))
    return check(scan_of(x, y, z), load_settings("metal"))


@pytest.mark.slow
@pytest.mark.parametrize("form", [shoulder, raised_middle, swages])
@pytest.mark.parametrize("seed", [1, 2])
def test_sound_metal_beside_a_fading_line_is_never_millimetres_off(form: Form, seed: int) -> None:
    result = looked_at(form, seed)
    assert result.verdict != "out"
    off = np.abs(result.deviation.cell_mm[np.isfinite(result.deviation.cell_mm)])
    # Where the form fades it turns tighter than the batten follows, and that is said of it.
    assert np.quantile(off, 0.95) < 0.5
    assert all(region.verdict == "undecided" for region in result.regions)


@pytest.mark.slow
def test_form_that_fades_between_two_lines_is_undecided_at_most() -> None:
    result = looked_at(narrowing, 1, length_mm=1210.0, width_mm=1358.0)
    assert not [region for region in result.regions if region.verdict == "out"]
    assert any(region.doubt == FADES for region in result.regions)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 4])
def test_marks_beside_a_fading_shoulder_are_read_right(seed: int) -> None:
    marks = (((-120.0, 180.0), -1.3, 110.0), ((180.0, -190.0), 1.2, 120.0))
    result = looked_at(lambda x, y: shoulder(x, y) + sum(dent(x, y, *m) for m in marks), seed)
    assert result.verdict == "out"
    low = min(result.regions, key=lambda region: region.peak_mm)
    high = max(result.regions, key=lambda region: region.peak_mm)
    for region, (_, peak_mm, _) in zip((low, high), marks, strict=True):
        assert region.verdict == "out"
        assert region.peak_mm == pytest.approx(peak_mm, rel=0.08)


@pytest.mark.slow
def test_ripple_between_pressed_swages_is_not_passed_as_sound() -> None:
    def rippled(x: Floats, y: Floats) -> Floats:
        here = eased((90.0 - np.abs(x)) / 25.0) * eased((55.0 - np.abs(y - 85.0)) / 20.0)
        return swages(x, y) + 0.1 * np.sin(2.0 * np.pi * x / 60.0) * here

    result = looked_at(rippled, 5)
    assert result.verdict != "in"
    assert any(
        region.kind == "ripple"
        and np.hypot(*(np.abs([region.u_mm, region.v_mm]) - [0.0, 85.0])) < 60.0
        for region in result.regions
    )


@pytest.mark.slow
@pytest.mark.parametrize("peak_mm", [1.3, -1.3])
def test_marks_between_a_round_swage_and_the_rim_are_read_right(peak_mm: float) -> None:
    mark = (40.0, 235.0), peak_mm, 110.0
    result = looked_at(lambda x, y: round_swages(x, y) + dent(x, y, *mark), 6)
    assert [crease.pressed for crease in result.creases] == [True, True]
    # Where a swage turns is not judged.
    along = near_line(result.cells.grid, result.creases[0].line_uv, 30.0)
    assert set(np.unique(result.faces.reason[along & result.cells.filled])) <= {CREASE, BAND}
    (found,) = (region for region in result.regions if region.verdict == "out")
    assert found.peak_mm == pytest.approx(peak_mm, rel=0.08)
    assert found.uncertainty_mm > abs(found.peak_mm - peak_mm)


@pytest.mark.slow
def test_a_sound_panel_with_round_swages_is_in_tolerance() -> None:
    result = looked_at(round_swages, 7)
    assert (result.verdict, result.regions) == ("in", ())
    assert result.share_judged > 0.65


def test_a_fold_is_not_pressed_into_one_skin() -> None:
    result = looked_at(lambda x, y: crown(x, y) - 0.05 * np.sqrt((y - 40.0) ** 2 + 15.0**2), 8)
    (line,) = result.creases
    assert line.kind == "soft"
    assert not line.pressed
    assert result.verdict == "in"


@pytest.mark.slow
@pytest.mark.parametrize("height_mm", [2.5, -2.5])
def test_flanks_round_a_flat_mark_are_no_body_lines(height_mm: float) -> None:
    def pad(x: Floats, y: Floats) -> Floats:
        inside = np.minimum(150.0 - np.abs(x + 60.0), 120.0 - np.abs(y))
        return crown(x, y) + height_mm * eased((inside + 37.5) / 75.0)

    result = looked_at(pad, 9)
    assert result.creases == ()
    assert result.verdict != "in"


def plate_recess(x: Floats, y: Floats) -> Floats:
    """A field of 360 x 110 mm pressed in 9 mm deep, with walls of 45 degrees all round."""
    inside = np.minimum(180.0 - np.abs(x), 55.0 - np.abs(y))
    return crown(x, y) - 9.0 * eased((inside + 8.0) / 16.0)


@pytest.mark.slow
def test_lines_that_end_in_one_another_fade_nowhere() -> None:
    """A dent off the corner of a pressed field, whose rim is found in pieces."""
    at = (-180.0, 160.0)
    result = looked_at(lambda x, y: plate_recess(x, y) + dent(x, y, at, -1.2, 110.0), seed=3)
    assert len(result.creases) >= 4
    (low,) = (r for r in result.regions if r.kind == "low")
    assert (low.verdict, low.doubt) == ("out", "")
    assert low.peak_mm == pytest.approx(-1.2, abs=0.1)


@pytest.mark.slow
def test_a_line_that_a_mark_breaks_does_not_fade_there() -> None:
    """A flat dent over a rounded body line, and a round one beside the gap that it leaves."""

    def folded(x: Floats, y: Floats) -> Floats:
        fold = -0.12 * 9.0 * np.logaddexp(0.0, (y - 20.0) / 9.0)
        flat = -2.3 * eased((65.0 - np.hypot(0.85 * x, 1.5 * (y - 25.0))) / 20.0 + 0.5)
        return crown(x, y) + fold + flat + dent(x, y, (-10.0, 145.0), -1.2, 110.0)

    result = looked_at(folded, seed=3)
    (line,) = result.creases
    assert line.length_mm == pytest.approx(LENGTH_MM, abs=30.0)
    (beside,) = (r for r in result.regions if r.verdict == "out")
    assert beside.peak_mm == pytest.approx(-1.2, abs=0.1)
    deepest = min(result.regions, key=lambda region: region.peak_mm)
    assert deepest.peak_mm == pytest.approx(-2.3, rel=0.08)
