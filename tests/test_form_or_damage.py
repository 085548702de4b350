"""Sound forms of vans and cars: no false mark that is sure, and no planted one lost."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check
from guidecoat.findings.untold import BROAD
from guidecoat.scans.scan import Scan, Units
from guidecoat.settings import load_settings
from guidecoat.synthetic import Dimple, sphere_panel
from truth_fixture import checked, settings

Floats = NDArray[np.float64]
Form = Callable[[Floats, Floats], Floats]
Mark = tuple[float, float, float, float]

LENGTH_MM, WIDTH_MM = 1000.0, 650.0


def crown(x: Floats, y: Floats) -> Floats:
    return 14.0 * (1.0 - (x / 500.0 - 1.0) ** 2) + 20.0 * (1.0 - (y / 325.0 - 1.0) ** 2)


def eased(t: Floats) -> Floats:
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def roof(distance: Floats, radius: float) -> Floats:
    """A fold rounded over about a radius to either side."""
    return np.asarray(np.sqrt(distance**2 + radius**2) - radius)


def fading_line(x: Floats, y: Floats) -> Floats:
    """A body line of 100 mrad that fades out in the middle of the panel."""
    return crown(x, y) - 0.05 * eased((700.0 - x) / 450.0) * roof(y - 330.0, 8.0)


def rounded_line(x: Floats, y: Floats) -> Floats:
    return crown(x, y) - 0.06 * roof(y - 330.0, 25.0)


def raised_swage(x: Floats, y: Floats) -> Floats:
    """A raised line 3 mm high and 16 mm wide that ends in the middle of the panel."""
    return crown(x, y) + 3.0 * eased((600.0 - x) / 150.0) * np.exp(-(((y - 325.0) / 8.0) ** 2))


def handle_bowl(x: Floats, y: Floats) -> Floats:
    out = np.clip((np.hypot((x - 800.0) / 1.6, y - 450.0) - 35.0) / 30.0, -0.5, 0.5)
    return np.asarray(crown(x, y) - 5.0 * (1.0 - np.sin(np.pi * out)))


def scanned(form: Form, marks: tuple[Mark, ...] = (), *, seed: int, noise_mm: float) -> Scan:
    """Points 1.5 mm apart, normals given; marks as (x, y, height, width) cosines."""
    rng = np.random.default_rng(seed)
    x, y = (
        a.ravel() for a in np.meshgrid(np.arange(0, LENGTH_MM, 1.5), np.arange(0, WIDTH_MM, 1.5))
    )
    x, y = x + rng.uniform(-0.5, 0.5, x.size), y + rng.uniform(-0.5, 0.5, x.size)
    slope_x = (form(x + 0.01, y) - form(x - 0.01, y)) / 0.02
    slope_y = (form(x, y + 0.01) - form(x, y - 0.01)) / 0.02
    normal = np.column_stack([-slope_x, -slope_y, np.ones_like(x)])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    off = noise_mm * rng.standard_normal(x.size)
    for u, v, height, width in marks:
        r = np.minimum(2.0 * np.hypot(x - u, y - v) / width, 1.0)
        off += height * np.cos(0.5 * np.pi * r) ** 2
    points = np.column_stack([x, y, form(x, y)]) + off[:, None] * normal
    return Scan(
        "panel",
        points.astype(np.float32),
        np.ones(len(points), np.bool_),
        np.zeros(3),
        Units("mm", 1.0, "given"),
        np.zeros(len(points), dtype=[(name, np.float32) for name in "xyz"]),
        normal.astype(np.float32),
    )


def judged(form: Form, marks: tuple[Mark, ...] = (), *, stage: str, seed: int) -> CheckResult:
    scan = scanned(form, marks, seed=seed, noise_mm=0.05)
    return check(scan, load_settings(stage))


@pytest.mark.parametrize("stage", ["metal", "filler"])
@pytest.mark.parametrize("form", [fading_line, rounded_line, raised_swage])
def test_a_sound_body_line_has_no_mark(form: Form, stage: str) -> None:
    result = judged(form, stage=stage, seed=3)
    assert (result.verdict, result.regions) == ("in", ())


@pytest.mark.parametrize("form", [fading_line, rounded_line])
def test_marks_beside_a_body_line_are_found_once(form: Form) -> None:
    marks = ((250.0, 150.0, 0.8, 100.0), (800.0, 520.0, -0.9, 140.0), (250.0, 520.0, -0.7, 70.0))
    result = judged(form, marks, stage="filler", seed=4)
    assert len(result.regions) == len(marks)
    for x, y, peak, _ in marks:
        near = min(result.regions, key=lambda r: float(np.hypot(r.x - x, r.y - y)))
        assert np.hypot(near.x - x, near.y - y) < 15.0
        assert near.peak_mm == pytest.approx(peak, abs=0.08)


def test_a_pressed_bowl_is_undecided_with_the_reason_and_a_dent_is_out() -> None:
    marks = ((300.0, 150.0, -0.9, 120.0),)
    result = judged(handle_bowl, marks, stage="filler", seed=5)
    (dent,) = [r for r in result.regions if r.verdict == "out"]
    assert dent.peak_mm == pytest.approx(-0.9, abs=0.08)
    doubted = [r for r in result.regions if r is not dent]
    assert doubted
    for bowl in doubted:
        assert np.hypot(bowl.x - 800.0, bowl.y - 450.0) < 120.0
        assert "may be form" in bowl.doubt
        assert bowl.action.startswith("make sure what it is: it may be form")
    (said,) = [w for w in result.warnings if "cannot tell form from damage" in w]
    assert "--creases" in said


def test_a_sound_bowl_leaves_it_undecided() -> None:
    result = judged(handle_bowl, stage="filler", seed=6)
    assert result.verdict == "undecided"
    assert {r.verdict for r in result.regions} == {"undecided"}


def louvres(x: Floats, y: Floats) -> Floats:
    """Five louvres of 150 x 20 mm, 3 mm high: one steep wall, a slope, and eased ends."""
    z = crown(x, y)
    for k in range(5):
        up = y - (200.0 + 40.0 * k)
        ends = eased((85.0 - np.abs(x - 500.0)) / 15.0)
        z = z + 3.0 * ends * np.where(up > 0.0, eased(up / 2.5) * eased((20.0 - up) / 18.0), 0.0)
    return np.asarray(z)


def bosses(x: Floats, y: Floats) -> Floats:
    """Six bosses of 40 x 24 mm, 2.5 mm high."""
    z = crown(x, y)
    for k in range(6):
        across = np.hypot((x - 250.0 - 100.0 * k) / 20.0, (y - 400.0) / 12.0)
        z = z + 2.5 * eased(2.0 * (1.0 - across))
    return np.asarray(z)


@pytest.mark.parametrize("form", [louvres, bosses])
def test_what_one_tool_pressed_in_a_row_is_form(form: Form) -> None:
    result = judged(form, ((850.0, 150.0, -1.0, 90.0),), stage="metal", seed=8)
    (dent,) = [r for r in result.regions if r.verdict == "out"]
    assert dent.peak_mm == pytest.approx(-1.0, abs=0.08)
    pressed = [r for r in result.regions if r.kind == "high"]
    assert len(pressed) == (5 if form is louvres else 6)
    assert all("may be form" in r.doubt for r in pressed)


def test_dents_of_one_ball_are_damage() -> None:
    """Four round lows alike, deep and steep."""
    marks = tuple((200.0 + 180.0 * k, 250.0, -3.0, 55.0) for k in range(4))
    result = judged(crown, marks, stage="metal", seed=9)
    assert [(r.kind, r.verdict) for r in result.regions] == [("low", "out")] * 4


def test_close_dents_are_no_form() -> None:
    """Each lies in what would be the other's quiet ring."""
    marks = ((400.0, 300.0, -1.0, 110.0), (520.0, 300.0, -1.2, 110.0), (460.0, 400.0, -0.9, 100.0))
    result = judged(crown, marks, stage="filler", seed=7)
    assert [r.kind for r in result.regions] == ["low"] * 3
    assert not any("cannot tell form" in w for w in result.warnings)


def test_a_scratch_half_as_long_as_the_panel_is_reported() -> None:
    def scratched(x: Floats, y: Floats) -> Floats:
        along, across = (x - 500.0) / 200.0, (y - 200.0) / 15.0
        r = np.minimum(np.hypot(along, across), 1.0)
        return np.asarray(crown(x, y) - 1.5 * np.cos(0.5 * np.pi * r) ** 2)

    result = judged(scratched, stage="metal", seed=8)
    assert [r.kind for r in result.regions] == ["low"]


@pytest.mark.parametrize("seed", [3, 5, 11, 12])
def test_a_widely_rounded_line_is_one_line(seed: int) -> None:
    """Noise breaks it into pieces when it is traced; each used to be carried on over the others."""
    (line,) = check(scanned(rounded_line, seed=seed, noise_mm=0.05), load_settings("metal")).creases
    assert line.kind == "soft"
    assert line.length_mm == pytest.approx(LENGTH_MM, abs=20.0)
    assert np.abs(line.line_uv[:, 1] - np.median(line.line_uv[:, 1])).max() < 15.0


@pytest.mark.parametrize("arm_mm", [90.0, 130.0, 170.0])
def test_a_fork_with_a_short_arm_is_sound(arm_mm: float) -> None:
    """Three flat flanks that meet in a Y; its third line, too short by itself, branches off."""

    def fork(x: Floats, y: Floats) -> Floats:
        angles = np.pi * np.array([1.0, -1.0, 3.0]) / 3.0
        flank = np.stack(
            [(x - LENGTH_MM + arm_mm) * np.cos(a) + (y - 325.0) * np.sin(a) for a in angles]
        )
        top = flank.max(axis=0)
        return np.asarray(
            crown(x, y) - 0.3 * (top + 4.0 * np.log(np.exp((flank - top) / 4.0).sum(0)))
        )

    result = judged(fork, stage="metal", seed=3)
    assert (result.verdict, result.regions) == ("in", ())
    lengths = sorted(line.length_mm for line in result.creases if line.kind == "sharp")
    assert len(lengths) == 3
    assert lengths[0] == pytest.approx(arm_mm, abs=25.0)


@pytest.mark.parametrize(
    ("across_mm", "batten", "verdict"),
    [
        (130.0, 100.0, "undecided"),
        (60.0, 100.0, "out"),
        (130.0, "auto", "out"),
    ],
)
def test_a_batten_that_was_asked_for_tells_nothing_sure_of_marks_as_broad_as_it(
    across_mm: float, batten: float | str, verdict: str
) -> None:
    panel = sphere_panel(900.0)
    low = Dimple((10.0, -20.0), -1.2, (0.5 * across_mm, 0.5 * across_mm))
    asked = settings(surface__batten_mm=batten)
    _, result = checked(panel, (low,), seed=5, spacing_mm=1.6, with_settings=asked)
    (region,) = [r for r in result.regions if r.kind == "low"]
    assert region.verdict == verdict
    assert region.doubt == (BROAD if verdict == "undecided" else "")
    assert result.verdict == verdict


def beads(x: Floats, y: Floats) -> Floats:
    """Three raised swages 5 mm high and 26 mm wide that run out over both ends."""
    z = crown(x, y)
    for middle in (125.0, 325.0, 525.0):
        z = z + 5.0 * eased((13.0 - np.abs(y - middle)) / 8.0)
    return np.asarray(z)


@pytest.mark.parametrize("seed", [11, 12])
def test_swages_that_run_out_over_an_edge_are_no_knocks_of_it(seed: int) -> None:
    """A knock between two of them is, and is not held."""
    sound = judged(beads, stage="metal", seed=seed)
    assert not [r for r in sound.regions if r.verdict == "out"]
    assert not [ding for line in sound.edges for ding in line.dings]
    assert not [words for words in sound.warnings if "has a knock" in words]
    knocked = judged(beads, ((0.0, 225.0, -1.5, 60.0),), stage="metal", seed=seed)
    (low,) = [r for r in knocked.regions if r.verdict == "out"]
    assert low.edge
    assert low.peak_mm == pytest.approx(-1.5, abs=0.4)
    (line,) = (line for line in knocked.edges if line.name == low.edge)
    away = np.hypot(*(line.station_uv - [low.u_mm, low.v_mm]).T)
    assert not line.held[away < 12.0].any()
