"""Scans as scanners give them: smoothed noise, thinned meshes, form that turns tight."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from bump_fixture import Bump, bumps_mm
from guidecoat.check import CheckResult, check
from guidecoat.compare import compare_scans
from guidecoat.errors import ScanUnfitError
from guidecoat.panel.ground import without_ground
from guidecoat.panel.unrolled import unroll
from guidecoat.scans.scan import Scan, Units
from guidecoat.settings import load_settings
from guidecoat.surface.left_out import broken_down

Floats = NDArray[np.float64]
Form = Callable[[Floats, Floats], Floats]


def scan_of(x: Floats, y: Floats, z: Floats) -> Scan:
    """A cloud with its outside along +z, in mm about its middle."""
    points = np.column_stack([x, y, z]).astype(np.float32)
    table = np.zeros(len(points), dtype=[(name, np.float32) for name in "xyz"])
    up = np.tile(np.array([0.0, 0.0, 1.0], np.float32), (len(points), 1))
    return Scan(
        "uneven",
        points,
        np.ones(len(points), np.bool_),
        np.zeros(3),
        Units("mm", 1.0, "given"),
        table,
        normals=up,
    )


def places(
    rng: np.random.Generator, length_mm: float, width_mm: float, spacing_mm: float
) -> tuple[Floats, Floats]:
    """Points about as far apart as said, on no lattice."""
    x, y = np.meshgrid(
        np.arange(-length_mm / 2, length_mm / 2, spacing_mm),
        np.arange(-width_mm / 2, width_mm / 2, spacing_mm),
        indexing="ij",
    )
    shift = rng.uniform(-0.3, 0.3, (2, x.size)) * spacing_mm
    return x.ravel() + shift[0], y.ravel() + shift[1]


def together(rng: np.random.Generator, x: Floats, y: Floats, reach_mm: float) -> Floats:
    """Noise of standard deviation 1 that hangs together over a Gaussian window."""
    field = ndimage.gaussian_filter(rng.normal(size=(1000, 1000)), reach_mm)
    at = np.array([x - x.min() + 20.0, y - y.min() + 20.0])
    return np.asarray(ndimage.map_coordinates(field / field.std(), at, order=1))


def crowned(x: Floats, y: Floats) -> Floats:
    return -9.0 * (x / 250.0) ** 2 - 6.0 * (y / 200.0) ** 2


def saddled(x: Floats, y: Floats) -> Floats:
    return -12.0 * (x / 250.0) ** 2 + 3.0 * (y / 200.0) ** 2 + 2.0 * (x / 250.0) ** 3


def bulged(x: Floats, y: Floats) -> Floats:
    rise = 0.5 * (1.0 + np.tanh((x + 150.0) / 160.0))
    return crowned(x, y) + 18.0 * rise * np.exp(-((y / 130.0) ** 2))


@pytest.mark.parametrize("form", [crowned, saddled])
@pytest.mark.parametrize("seed", [1, 2])
def test_noise_smoothed_with_the_mesh_is_no_ripple_for_sure(form: Form, seed: int) -> None:
    """0.03 mm of noise that hangs together over two or three points, on a sound panel."""
    rng = np.random.default_rng(seed)
    x, y = places(rng, 500.0, 400.0, 2.0)
    scan = scan_of(x, y, form(x, y) + 0.03 * together(rng, x, y, 4.5))
    result = check(scan, load_settings("metal"))
    assert {region.verdict for region in result.regions} <= {"undecided"}
    assert all("the scan's noise" in region.doubt for region in result.regions)
    if result.regions:
        assert any("cannot be told from the scan's noise" in said for said in result.warnings)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_seams_between_passes_are_no_ripple_for_sure(seed: int) -> None:
    """Passes 150 mm wide, laid 0.05 mm too high or low each."""
    rng = np.random.default_rng(seed)
    x, y = places(rng, 600.0, 450.0, 1.8)
    step = rng.choice([-1.0, 1.0], 40) * 0.05
    across = np.floor((x * np.cos(0.5) + y * np.sin(0.5) + 1000.0) / 150.0).astype(int)
    height = crowned(x, y) + step[across] + rng.normal(0.0, 0.012, len(x))
    result = check(scan_of(x, y, height), load_settings("filler"))
    assert {region.verdict for region in result.regions} <= {"undecided"}


def passes(seed: int, marks: tuple[Bump, ...]) -> CheckResult:
    """Six passes of a hand scanner, each laid 0.15 mm off and askew, over each other by half."""
    rng = np.random.default_rng(seed)
    parts = []
    for k in range(6):
        x, y = places(rng, 900.0, 600.0, 1.5)
        middle = -300.0 + 100.0 * (k + 0.5)
        here = np.abs(y - middle - 25.0 * np.sin(x / 150.0 + k)) < 85.0
        x, y = x[here], y[here]
        z = -((x / 90.0) ** 2) - (y / 65.0) ** 2 + rng.normal(0.0, 0.03, len(x))
        z += bumps_mm(x, y, marks)
        off, lean, tilt = rng.normal(0.0, 0.15, 3)
        parts.append((x, y, z + off + lean * x / 900.0 + tilt * (y - middle) / 170.0))
    x, y, z = (np.concatenate(a) for a in zip(*parts, strict=True))
    return check(scan_of(x, y, z), load_settings("metal"))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_passes_off_each_other_are_no_damage(seed: int) -> None:
    result = passes(seed, ())
    assert any("lie twice" in said for said in result.warnings)
    assert {region.verdict for region in result.regions} <= {"undecided"}


@pytest.mark.parametrize("seed", [4, 5, 6, 7])
def test_heights_carry_what_passes_are_off_each_other(seed: int) -> None:
    marks = ((-250.0, -120.0, -1.5, 100.0), (150.0, 160.0, 1.4, 80.0), (280.0, -90.0, -1.3, 70.0))
    result = passes(seed, marks)
    for x, y, height, _ in marks:
        there = [r for r in result.regions if r.kind != "ripple" and r.peak_mm * height > 0.0]
        near = min(there, key=lambda r: float(np.hypot(r.x - x, r.y - y)))
        assert np.hypot(near.x - x, near.y - y) < 15.0
        assert abs(near.peak_mm - height) < near.uncertainty_mm
        assert near.uncertainty_mm > 0.1


@pytest.mark.parametrize("seed", [1, 2])
def test_wandering_photogrammetry_is_no_ripple_for_sure(seed: int) -> None:
    """0.05 mm that hang together over 20 mm, below 0.1 mm from point to point, on a sound panel."""
    rng = np.random.default_rng(seed)
    x, y = places(rng, 500.0, 400.0, 1.5)
    wander = 0.05 * together(rng, x, y, 12.0)
    scan = scan_of(x, y, crowned(x, y) + wander + rng.normal(0.0, 0.1, len(x)))
    regions = check(scan, load_settings("metal")).regions
    assert {region.kind for region in regions} == {"ripple"}
    assert {region.verdict for region in regions} == {"undecided"}


def test_waves_stay_ripple() -> None:
    """0.08 mm at 60 mm, on a scan as coarse as those above."""
    rng = np.random.default_rng(4)
    x, y = places(rng, 500.0, 400.0, 2.0)
    apart = np.hypot(x, y) / 120.0
    fade = np.where(apart < 1.0, np.cos(0.5 * np.pi * apart) ** 2, 0.0)
    wave = 0.08 * fade * np.sin(2.0 * np.pi * (0.8 * x + 0.6 * y) / 60.0)
    scan = scan_of(x, y, crowned(x, y) + wave + rng.normal(0.0, 0.03, len(x)))
    (ripple,) = check(scan, load_settings("filler")).regions
    assert (ripple.kind, ripple.verdict, ripple.doubt) == ("ripple", "out", "")


def test_a_tall_bulge_is_form_to_a_batten_that_follows_it() -> None:
    """The surface lies on it, rather than on the rest of the panel as if it were not there."""
    rng = np.random.default_rng(3)
    x, y = places(rng, 800.0, 700.0, 2.4)
    scan = scan_of(x, y, bulged(x, y) + rng.normal(0.0, 0.03, len(x)))
    result = check(scan, load_settings("filler"))
    assert result.verdict != "out"
    assert float(np.nanmax(np.abs(result.deviation.smooth_mm))) < 1.0
    assert result.fair.faces[0].sound.sum() > 0.8 * result.cells.filled.sum()


def test_marks_on_a_tall_bulge_are_found_beside_it() -> None:
    rng = np.random.default_rng(4)
    x, y = places(rng, 800.0, 700.0, 2.4)
    apart = np.hypot(x - 200.0, y + 250.0) / 50.0
    dent = -1.2 * np.where(apart < 1.0, np.cos(0.5 * np.pi * apart) ** 2, 0.0)
    scan = scan_of(x, y, bulged(x, y) + dent + rng.normal(0.0, 0.03, len(x)))
    result = check(scan, load_settings("filler"))
    lows = [r for r in result.regions if r.kind == "low" and np.hypot(r.x - 200, r.y + 250) < 25]
    # The batten hardly follows such a form: it says itself that heights are sure to 0.4 mm only.
    assert [low.verdict for low in lows] == ["out"]
    assert lows[0].peak_mm == pytest.approx(-1.2, abs=0.4)


def wavy(seed: int) -> Scan:
    """A tightly formed sheet whose broad waves a batten of 200 mm follows by half."""
    rng = np.random.default_rng(seed)
    x, y = places(rng, 480.0, 420.0, 2.2)
    phase = rng.uniform(0.0, 2.0 * np.pi, 8)
    height = -(x**2) / 580.0 - y**2 / 1200.0
    for k in range(4):
        way = 0.25 * np.pi * k + 0.2 * phase[k]
        along = x * np.cos(way) + y * np.sin(way)
        height += 0.35 * np.cos(2.0 * np.pi * along / (136.0 + 17.0 * k) + phase[k + 4])
    return scan_of(x, y, height + rng.normal(0.0, 0.025, len(x)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_lesser_part_of_a_panel_is_not_taken_for_all_that_is_sound(seed: int) -> None:
    """Half of it would lie near a surface that leaves out the other half; every stage sees one."""
    metal, filler = (check(wavy(seed), load_settings(stage)) for stage in ("metal", "filler"))
    for result in (metal, filler):
        assert result.fair.faces[0].sound.sum() > 0.75 * result.cells.filled.sum()
        # rms of four such waves is 0.5 mm, of which half is followed
        assert np.sqrt(np.nanmean(result.deviation.smooth_mm**2)) < 0.35
    apart = metal.deviation.smooth_mm - filler.deviation.smooth_mm
    # by less than half of the tolerance
    assert np.nanpercentile(np.abs(apart), 95) < 0.15


@pytest.mark.parametrize(("damaged", "expected"), [(0.2, False), (0.4, False), (0.6, True)])
def test_a_fit_breaks_down_where_its_surface_is_the_lesser_part(
    damaged: float, expected: bool
) -> None:
    """A share of the cells lies 1 mm off it, and all 0.6 mm off the one that leaves out none."""
    off = np.where(np.arange(1000) < 1000 * damaged, 1.0, 0.01)
    assert broken_down(off < 0.5, off, np.full(1000, 0.6)) is expected


@pytest.mark.parametrize("seed", [1, 2])
def test_what_a_mesh_draws_thinly_stays_skin(seed: int) -> None:
    """A slope with a third of the points that there are elsewhere, and hardly any noise."""
    rng = np.random.default_rng(seed)
    x, y = places(rng, 500.0, 400.0, 1.8)
    kept = (x < 0.0) | (rng.random(len(x)) < 0.4)
    x, y = x[kept], y[kept]
    height = -90.0 * (x / 250.0) ** 2 + rng.normal(0.0, 0.005, len(x))
    unrolled = unroll(scan_of(x, y, height), load_settings("metal"))
    filled = unrolled.cells.filled
    assert (filled & ~unrolled.skin).sum() < 0.03 * filled.sum()


def test_three_marks_near_each_other_are_no_ripple() -> None:
    """Highs and lows of like size, some 30 mm of sound metal between them."""
    rng = np.random.default_rng(5)
    x, y = places(rng, 600.0, 400.0, 2.0)
    height = crowned(x, y)
    marks = ((-120.0, 20.0, 0.9, 45.0), (20.0, 10.0, -0.8, 60.0), (175.0, -20.0, 0.7, 60.0))
    for u, v, peak, radius in marks:
        apart = np.hypot(x - u, y - v) / radius
        height = height + peak * np.where(apart < 1.0, np.cos(0.5 * np.pi * apart) ** 2, 0.0)
    scan = scan_of(x, y, height + rng.normal(0.0, 0.03, len(x)))
    result = check(scan, load_settings("metal"))
    assert sorted(region.kind for region in result.regions) == ["high", "high", "low"]


def held_at(
    tmp_path: Path, places_mm: tuple[tuple[float, float, float], ...]
) -> tuple[CheckResult, list[str]]:
    """A sound panel with points held at x, y, so far off it; and its warnings of them."""
    rng = np.random.default_rng(6)
    x, y = places(rng, 500.0, 400.0, 2.5)
    scan = scan_of(x, y, crowned(x, y) + rng.normal(0.0, 0.03, len(x)))
    path = tmp_path / "held.csv"
    rows = [
        f"{u},{v},{float(crowned(np.array([u]), np.array([v]))[0]) + off}"
        for u, v, off in places_mm
    ]
    path.write_text("\n".join(["x,y,z", *rows]), encoding="utf-8")
    chosen = load_settings("filler", overrides={"edges.hold_points_file": path})
    result = check(scan, chosen)
    return result, [w for w in result.warnings if "hold point" in w]


@pytest.mark.parametrize("off_mm", [10.0, 2.0, 0.6, -6.0])
def test_marks_that_a_wrong_hold_point_makes_are_undecided(tmp_path: Path, off_mm: float) -> None:
    """The metal is sound: what stands out is the point's, and the first thing said is so."""
    way = "above" if off_mm > 0 else "below"
    result, warned = held_at(tmp_path, ((-60.0, 30.0, 0.0), (80.0, -40.0, off_mm)))
    assert result.regions
    assert result.verdict == "undecided"
    greatest = max(result.regions, key=lambda region: abs(region.peak_mm))
    assert "measure hold point 2 again" in greatest.doubt
    assert "hold point 2" in greatest.action
    assert warned[0].startswith(f"Measure hold point 2 again: it lies {abs(off_mm):.1f} mm {way}")


def test_heights_are_doubted_by_one_figure(tmp_path: Path) -> None:
    """What the remark says they are sure to is the uncertainty beside every mark, but for place."""
    result, _ = held_at(tmp_path, ((-60.0, 30.0, 0.0), (80.0, -40.0, 10.0)))
    (said,) = (w for w in result.warnings if "Heights are sure to about" in w)
    sure_mm = float(said.split("Heights are sure to about ")[1].split(" mm")[0])
    stated = [region.uncertainty_mm for region in result.regions]
    assert stated == pytest.approx([sure_mm] * len(stated), rel=0.1)
    assert result.smallest_visible_mm == pytest.approx(1.645 * sure_mm, abs=0.01)


def test_two_hold_points_that_agree_decide(tmp_path: Path) -> None:
    """Damage broader than any batten is seen by what is held, as long as more than one says so."""
    result, _ = held_at(tmp_path, ((60.0, -20.0, 3.0), (90.0, -40.0, 3.0)))
    low = max(result.regions, key=lambda region: abs(region.peak_mm))
    assert (low.kind, low.verdict, low.doubt) == ("low", "out", "")


def test_a_hold_point_within_the_tolerance_makes_nothing(tmp_path: Path) -> None:
    result, warned = held_at(tmp_path, ((-60.0, 30.0, 0.0), (80.0, -40.0, 0.1)))
    assert (result.verdict, warned) == ("in", [])


def on_a_table(rng: np.random.Generator, drop_mm: float, *, beside_mm: float = 0.0) -> Scan:
    """A crowned panel above a table of which only what it does not hide is seen; or beside it."""
    x, y = places(rng, 500.0, 400.0, 2.6)
    a, b = places(rng, 760.0, 640.0, 2.6)
    seen = (np.abs(a) > 262.0) | (np.abs(b) > 212.0) | (beside_mm > 0.0)
    a, b = a[seen], b[seen]
    table = rng.normal(-drop_mm, 0.05, len(a))
    panel = crowned(x, y) + rng.normal(0.0, 0.03, len(x))
    return scan_of(
        np.concatenate([x, a + beside_mm]), np.concatenate([y, b]), np.concatenate([panel, table])
    )


@pytest.mark.parametrize("drop_mm", [40.0, 150.0])
def test_a_table_under_a_panel_is_left_out_and_said(drop_mm: float) -> None:
    scan = on_a_table(np.random.default_rng(7), drop_mm)
    result = check(scan, load_settings("metal"))
    assert (result.verdict, result.regions) == ("in", ())
    assert result.length_mm == pytest.approx(500.0, abs=12.0)
    assert result.warnings[0].startswith("uneven: 57 % of the points lie in one plane")
    assert np.isnan(result.deviation.point_mm[scan.points_mm[:, 2] < -drop_mm + 1.0]).all()


def test_a_table_close_under_a_panel_is_warned_of() -> None:
    result = check(on_a_table(np.random.default_rng(9), 18.0), load_settings("metal"))
    assert result.verdict != "in"
    assert any("If that is a table or floor" in said for said in result.warnings)


def lying_elsewhere(rng: np.random.Generator, turn: float, x_mm: float, y_mm: float) -> Scan:
    """A panel turned and moved on a table of which the same part is seen each time."""
    x, y = places(rng, 500.0, 400.0, 2.6)
    a, b = places(rng, 1100.0, 1000.0, 2.6)
    bare = (np.abs(a) > 262.0) | (np.abs(b) > 212.0)
    panel, table = saddled(x, y), np.full(int(bare.sum()), -40.0)
    u, v = np.concatenate([x, a[bare]]), np.concatenate([y, b[bare]])
    w = np.concatenate([panel, table]) + rng.normal(0.0, 0.03, len(u))
    s, t = np.cos(turn) * u - np.sin(turn) * v + x_mm, np.sin(turn) * u + np.cos(turn) * v + y_mm
    seen = (np.abs(s) < 380.0) & (np.abs(t) < 320.0)
    return scan_of(s[seen], t[seen], w[seen])


def test_two_scans_are_compared_without_their_tables() -> None:
    """Table on table they agree at once, with the panel elsewhere and nothing found changed."""
    before = lying_elsewhere(np.random.default_rng(11), 0.0, 0.0, 0.0)
    after = lying_elsewhere(np.random.default_rng(12), 0.06, 20.0, -15.0)
    result = compare_scans((before, after), load_settings("metal"))
    assert sum("left out as the table" in said for said in result.warnings) == 2
    assert np.linalg.norm(result.T_first[1][:2, 3]) == pytest.approx(25.0, abs=2.0)
    assert abs(result.whole.added_cm3) < 0.5


def test_a_panel_beside_a_flat_one_is_refused_still() -> None:
    scan = on_a_table(np.random.default_rng(8), 40.0, beside_mm=680.0)
    with pytest.raises(ScanUnfitError, match="two separate pieces"):
        check(scan, load_settings("metal"))


def test_a_flat_panel_is_no_table() -> None:
    """Recessed by 30 mm over a part: nothing stands round it."""
    rng = np.random.default_rng(9)
    x, y = places(rng, 500.0, 400.0, 2.6)
    flat = np.where(x > 60.0, 0.0, -30.0) + rng.normal(0.0, 0.03, len(x))
    assert without_ground(scan_of(x, y, flat)) is None
