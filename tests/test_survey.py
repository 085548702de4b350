"""A survey says what a scan is; its figures are held against scans whose truth is known."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from guidecoat.check import check
from guidecoat.cli import main
from guidecoat.errors import ScanReadError
from guidecoat.panel.fitness import StageFit, _sight
from guidecoat.panel.unrolled import unroll
from guidecoat.scans.scan import Scan, Units
from guidecoat.settings import STAGES, load_settings
from guidecoat.survey import Survey, survey, survey_scan
from guidecoat.survey.skin import Skin
from guidecoat.synthetic import (
    DisplacedSkin,
    Dropout,
    Panel,
    crowned_door,
    cylinder_panel,
    real_door,
    scan_panel,
    to_scan,
    wing,
)

Printed = pytest.CaptureFixture[str]


@cache
def door() -> Panel:
    return crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=12.0, crease=False)


@cache
def surveyed(
    *,
    spacing_mm: float = 2.0,
    noise_mm: float = 0.05,
    seed: int = 1,
    hem_mm: float = 0.0,
    dropouts: tuple[Dropout, ...] = (),
    displaced: tuple[DisplacedSkin, ...] = (),
    stage: str = "metal",
) -> Survey:
    scan = scan_panel(
        door(),
        spacing_mm=spacing_mm,
        noise_mm=noise_mm,
        seed=seed,
        hem_mm=hem_mm,
        dropouts=dropouts,
        displaced_skin=displaced,
        flying_points=60,
        pose=np.eye(4),
    )
    return survey(to_scan(scan, normals=True), load_settings(stage))


def skin_of(found: Survey) -> Skin:
    assert found.skin is not None
    return found.skin


def fit_of(found: Survey, stage: str) -> StageFit:
    return next(fit for fit in skin_of(found).stages if fit.stage == stage)


# --- figures against the truth -------------------------------------------------------------------


@pytest.mark.parametrize(("spacing", "noise"), [(2.0, 0.05), (1.2, 0.1), (3.0, 0.03)])
def test_spacing_noise_and_size_are_the_truth(spacing: float, noise: float) -> None:
    skin = skin_of(surveyed(spacing_mm=spacing, noise_mm=noise))
    assert skin.spacing_mm == pytest.approx(spacing, rel=0.06)
    assert skin.coverage.spacing_low_mm <= skin.spacing_mm * 1.03
    assert skin.coverage.spacing_high_mm >= skin.spacing_mm * 0.97
    assert skin.noise_mm == pytest.approx(noise, rel=0.05)
    assert skin.roughness == pytest.approx(1.0, abs=0.1)
    assert skin.length_mm == pytest.approx(600.0, abs=6.0 * spacing)
    assert skin.width_mm == pytest.approx(400.0, abs=6.0 * spacing)
    assert skin.outside[2] > 0.99
    assert skin.outside_decided_by == "the file's normals"


def test_wrap_of_a_cylinder_and_a_wing() -> None:
    cylinder = cylinder_panel(400.0, length_mm=500.0, width_mm=400.0 * np.radians(80.0))
    for panel, wrap in ((cylinder, 80.0), (wing(), 95.0)):
        scan = to_scan(scan_panel(panel, spacing_mm=3.0, noise_mm=0.05, seed=3), normals=True)
        assert skin_of(survey(scan, load_settings())).wrap_deg == pytest.approx(wrap, abs=5.0)


def test_least_visible_height_is_the_noise_part_of_a_checks() -> None:
    """A check adds what its surface does not follow, which is not known before it is laid."""
    panel = scan_panel(door(), spacing_mm=2.0, noise_mm=0.1, seed=1)
    scan, settings = to_scan(panel, normals=True), load_settings()
    stated = check(scan, settings).smallest_visible_mm
    assert 0.5 * stated < skin_of(survey(scan, settings)).sight.height_mm < 1.05 * stated


@pytest.mark.parametrize("side", [3.0, 6.0, 9.0])
def test_sight_is_what_white_noise_lets_through(side: float) -> None:
    """Against a simulation: cells of independent noise, smoothed as a check smooths them."""
    found = surveyed(spacing_mm=side / 3.0)
    panel = scan_panel(door(), spacing_mm=side / 3.0, noise_mm=0.05, seed=1, pose=np.eye(4))
    cells = unroll(to_scan(panel, normals=True), load_settings()).cells
    error, side = float(np.nanmedian(cells.error_mm)), cells.grid.cell_mm
    field = np.random.default_rng(2).normal(0.0, error, (400, 400))

    def smoothed(sigma: float) -> NDArray[np.float64]:
        once = ndimage.gaussian_filter(field, sigma)
        return np.asarray(2.0 * once - ndimage.gaussian_filter(once, sigma))

    sight = skin_of(found).sight
    height = 2.0 * 1.6449 * smoothed(max(1.0, 3.0 / side)).std()
    assert sight.height_mm == pytest.approx(height, rel=0.08)
    slope_u, slope_v = np.gradient(smoothed(20.0 * 1.5674 / (2.0 * np.pi) / side), side)
    square = ndimage.gaussian_filter(1e6 * (slope_u**2 + slope_v**2), 18.0 / side)[30:-30, 30:-30]
    # A wave of amplitude a adds a^2 / 2 to the mean square.
    ripple = np.sqrt(2.0 * 2.0 * 1.6449 * square.std())
    assert sight.slope_mrad == pytest.approx(ripple, rel=0.15)


def test_least_visible_goes_with_noise_and_density() -> None:
    base = skin_of(surveyed(spacing_mm=0.9, noise_mm=0.05)).sight
    noisy = skin_of(surveyed(spacing_mm=0.9, noise_mm=0.1)).sight
    coarse = skin_of(surveyed(spacing_mm=1.8, noise_mm=0.05)).sight
    assert noisy.height_mm == pytest.approx(2.0 * base.height_mm, rel=0.1)
    assert noisy.slope_mrad == pytest.approx(2.0 * base.slope_mrad, rel=0.1)
    assert coarse.slope_mrad > 1.4 * base.slope_mrad


# --- second skins --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("apart", "noise", "spacing", "hem"),
    [
        (0.4, 0.05, 2.0, 0.0),
        (0.8, 0.05, 1.2, 1.2),
        (-1.2, 0.1, 2.0, 2.5),
        (2.8, 0.05, 2.0, 1.2),
    ],
)
def test_a_displaced_second_skin_is_found(
    apart: float, noise: float, spacing: float, hem: float
) -> None:
    patch = DisplacedSkin((120.0, -40.0), 70.0, apart)
    found = surveyed(spacing_mm=spacing, noise_mm=noise, hem_mm=hem, displaced=(patch,))
    skin = skin_of(found)
    assert len(skin.doubles) == 1
    double, place = skin.doubles[0], skin.double_places[0]
    assert double.apart_mm == pytest.approx(abs(apart), rel=0.06)
    assert double.area_cm2 == pytest.approx(np.pi * 49.0, rel=0.15)
    assert np.hypot(place.x - 120.0, place.y + 40.0) < 8.0
    assert skin.double_share == pytest.approx(np.pi * 49.0 / skin.area_cm2, rel=0.15)
    assert fit_of(found, "metal").verdict == "barely"
    assert "delete the second skin" in " ".join(fit_of(found, "metal").remedies)
    assert "lie twice" in " ".join(found.lines())


@pytest.mark.parametrize("hem", [0.0, 1.0, 1.5, 2.5, 5.0])
@pytest.mark.parametrize("noise", [0.03, 0.2])
def test_hems_and_noise_are_no_second_skin(hem: float, noise: float) -> None:
    skin = skin_of(surveyed(hem_mm=hem, noise_mm=noise, seed=4))
    assert skin.doubles == ()
    assert (skin.hem_share > 0.1) == (hem > 0.0)


def test_body_lines_steps_and_dents_are_no_second_skin() -> None:
    panel = scan_panel(real_door(), spacing_mm=2.5, noise_mm=0.05, seed=2, backings=True)
    assert skin_of(survey(to_scan(panel, normals=True), load_settings())).doubles == ()


# --- coverage ------------------------------------------------------------------------------------


def test_drop_outs_are_counted_and_placed() -> None:
    whole = skin_of(surveyed())
    assert whole.coverage.share > 0.995
    assert whole.coverage.drop_outs == ()
    holes = (Dropout((-150.0, 60.0), 40.0, 1), Dropout((100.0, -90.0), 20.0, 2))
    found = surveyed(dropouts=holes)
    skin = skin_of(found)
    assert len(skin.coverage.drop_outs) == 2
    largest, place = skin.coverage.drop_outs[0], skin.drop_out_places[0]
    assert np.hypot(place.x + 150.0, place.y - 60.0) < 12.0
    assert 50.0 < largest.length_mm < 100.0
    seen = skin.area_cm2 / (skin.area_cm2 + sum(hole.area_cm2 for hole in skin.coverage.drop_outs))
    assert skin.coverage.share == pytest.approx(seen, abs=0.003)
    assert "edge" in place.from_edges
    assert "2 drop-outs, the largest" in " ".join(found.lines())


def test_an_opening_is_no_drop_out() -> None:
    panel = crowned_door(handle=True)
    skin = skin_of(
        survey(
            to_scan(scan_panel(panel, spacing_mm=2.5, noise_mm=0.05, seed=5), normals=True),
            load_settings(),
        )
    )
    assert len(panel.openings) == 1
    assert skin.openings == 1
    assert skin.coverage.drop_outs == ()
    assert skin.coverage.share > 0.99


def test_a_gap_beside_an_inner_skin_is_no_drop_out() -> None:
    """Between a window's frame and what is seen behind it lies nothing, and nothing is missing."""
    sample = Path(__file__).parents[1] / "sample_scans" / "pelham300_door_real.ply"
    skin = skin_of(survey_scan(sample, load_settings()))
    assert skin.behind_cm2 > 500.0
    # Its ragged holes are small; the gap along the frame is 950 mm long.
    assert len(skin.coverage.drop_outs) == 3
    assert max(hole.length_mm for hole in skin.coverage.drop_outs) < 60.0


def test_a_half_seen_panel_is_not_fit() -> None:
    holes = tuple(Dropout((s, t), 58.0, 3) for s in range(-240, 241, 120) for t in (-120, 0, 120))
    found = surveyed(dropouts=holes)
    assert skin_of(found).coverage.share < 0.85
    assert fit_of(found, "metal").verdict in ("barely", "no")
    assert any("of the skin was seen" in why for why in fit_of(found, "metal").reasons)


# --- fit for the stages --------------------------------------------------------------------------


def test_stages_by_noise() -> None:
    fine = surveyed(spacing_mm=1.0, noise_mm=0.01)
    assert [fit.verdict for fit in skin_of(fine).stages] == ["yes"] * 4
    assert all(not fit.reasons and not fit.remedies for fit in skin_of(fine).stages)
    poor = surveyed(spacing_mm=3.0, noise_mm=0.4)
    assert [fit.stage for fit in skin_of(poor).stages] == list(STAGES)
    assert fit_of(poor, "paint").verdict == "no"
    for fit in skin_of(poor).stages:
        assert bool(fit.reasons) == (fit.verdict != "yes") == bool(fit.remedies)
    order = ["yes", "barely", "no"]
    ranks = [order.index(fit_of(poor, stage).verdict) for stage in STAGES]
    assert ranks == sorted(ranks)


def test_the_runs_own_tolerance_decides_for_its_stage() -> None:
    scan = scan_panel(door(), spacing_mm=2.0, noise_mm=0.05, seed=1)
    strict = load_settings("metal", overrides={"tolerance.height_mm": 0.02})
    found = survey(to_scan(scan, normals=True), strict)
    assert fit_of(found, "metal").verdict == "no"
    assert fit_of(found, "metal").tolerance_mm == 0.02
    assert fit_of(found, "filler").tolerance_mm == load_settings("filler").tolerance.height_mm


def test_the_remedy_is_enough() -> None:
    """A scan as dense as the remedy asks is fit."""
    found = fit_of(surveyed(spacing_mm=2.0), "primer")
    assert found.verdict == "barely"
    asked = float(found.remedies[0].split()[1])
    again = fit_of(surveyed(spacing_mm=0.97 * asked), "primer")
    assert again.verdict == "yes"


def test_points_too_far_apart_see_neither_marks_nor_ripple() -> None:
    """However calm such cells are, they draw nothing 50 mm wide, and nobody says they do."""
    found = surveyed(spacing_mm=8.0)
    text = " ".join(" ".join(found.lines()).split())
    assert "Sees no mark 50 mm wide and no ripple" in text
    assert "sees ripple" not in text
    for fit in skin_of(found).stages:
        assert fit.verdict == "no"
        assert len(fit.reasons) == len(fit.remedies) == 1
    asked = float(fit_of(found, "filler").remedies[0].split()[1])
    assert fit_of(surveyed(spacing_mm=0.97 * asked), "filler").verdict == "yes"


@pytest.mark.parametrize("side", [2.0, 6.0, 10.0])
def test_half_of_the_shortest_wave_is_seen(side: float) -> None:
    """A wave of the length that is told, averaged over cells, smoothed and differenced."""
    settings = load_settings()
    length = settings.slope.smoothing_mm
    wave = _sight(side, 0.01, settings).wave_mm
    fine = side / 50.0
    x = (np.arange(50 * 4000) + 0.5) * fine
    cells = np.sin(2.0 * np.pi * x / wave).reshape(-1, 50).mean(axis=1)
    # A Gaussian of this sigma, used as 2 G - G^2, leaves half of a wave of the smoothing length.
    sigma = length * np.sqrt(-2.0 * np.log(1.0 - np.sqrt(0.5))) / (2.0 * np.pi) / side
    once = ndimage.gaussian_filter1d(cells, sigma)
    level = 2.0 * once - ndimage.gaussian_filter1d(once, sigma)
    slope = np.gradient(level, side)[500:-500]
    seen = np.sqrt(2.0) * slope.std() / (2.0 * np.pi / wave)
    assert seen == pytest.approx(0.5, abs=0.03)


def test_steps_between_passes_show_as_roughness() -> None:
    """Passes 12 mm wide, each 0.1 mm off the next, under noise of 0.02 mm."""
    panel = scan_panel(door(), spacing_mm=1.5, noise_mm=0.02, seed=6, pose=np.eye(4))
    smooth = to_scan(panel, normals=True)
    points = smooth.points_mm.copy()
    rng = np.random.default_rng(0)
    step = rng.normal(0.0, 0.1, 200)[np.floor((points[:, 0] + 1000.0) / 12.0).astype(int) % 200]
    points[:, 2] += step.astype(np.float32)
    rough = skin_of(survey(replace(smooth, points_mm=points), load_settings()))
    plain = skin_of(survey(smooth, load_settings()))
    assert plain.roughness < 1.1
    assert rough.roughness > 1.5
    assert rough.sight.height_mm > 1.5 * plain.sight.height_mm


@pytest.mark.parametrize(("spacing", "noise"), [(1.0, 0.02), (1.5, 0.1), (2.5, 0.3)])
def test_a_check_warns_of_what_a_survey_calls_unfit(spacing: float, noise: float) -> None:
    """A stage whose tolerance a scan cannot see, in height or slope, is not passed in silence."""
    panel = scan_panel(door(), spacing_mm=spacing, noise_mm=noise, seed=11)
    scan = to_scan(panel, normals=True)
    for fit in skin_of(survey(scan, load_settings())).stages:
        warnings = check(scan, load_settings(fit.stage)).warnings
        assert any("cannot see the" in said for said in warnings) == (fit.verdict == "no")


# --- words, values, commands ---------------------------------------------------------------------


def test_lines_are_few_aligned_and_plain() -> None:
    lines = surveyed(dropouts=(Dropout((-150.0, 60.0), 40.0, 1),)).lines()
    assert 15 <= len(lines) <= 30
    assert max(map(len, lines)) <= 100
    assert all(line.isascii() and line == line.rstrip() for line in lines)
    labels = [line[2:15].strip() for line in lines[1:]]
    for label in (
        "Points",
        "Units",
        "Extent",
        "Panel",
        "Spacing",
        "Noise",
        "Coverage",
        "Outside",
        "Fit for",
    ):
        assert label in labels
    assert all(line[:2] == "  " and line[15] != " " for line in lines[1:] if line[2] != " ")


def test_summary_is_plain_json_with_units() -> None:
    found = surveyed()
    summary = found.summary()
    assert json.loads(json.dumps(summary, allow_nan=False)) == summary
    assert summary["unfit"] is None
    assert summary["skin"]["scan"]["noise_mm"] == pytest.approx(0.05, rel=0.05)
    assert [stage["stage"] for stage in summary["skin"]["stages"]] == list(STAGES)
    assert summary == surveyed.__wrapped__().summary()


def test_rigid_motion_changes_no_figure() -> None:
    settings = load_settings()
    still = scan_panel(door(), spacing_mm=2.0, noise_mm=0.05, seed=7, pose=np.eye(4))
    moved = scan_panel(door(), spacing_mm=2.0, noise_mm=0.05, seed=7)
    a, b = (skin_of(survey(to_scan(s, normals=True), settings)) for s in (still, moved))
    assert b.noise_mm == pytest.approx(a.noise_mm, rel=0.01)
    assert b.spacing_mm == pytest.approx(a.spacing_mm, rel=0.01)
    assert b.wrap_deg == pytest.approx(a.wrap_deg, abs=0.2)
    assert b.sight.height_mm == pytest.approx(a.sight.height_mm, rel=0.02)
    assert b.sight.slope_mrad == pytest.approx(a.sight.slope_mrad, rel=0.03)
    assert b.coverage.share == pytest.approx(a.coverage.share, abs=0.003)


def written(scan: Scan, path: Path) -> Path:
    np.savetxt(path, scan.points_mm, fmt="%.4f")
    return path


def test_scale_is_a_caution_until_a_length_is_known() -> None:
    found = surveyed()
    assert "--known-length" in " ".join(found.lines())
    units = Units("scaled", 1.25, "from a known length: 100 units are 125 mm")
    scaled = replace(found, scan=replace(found.scan, units=units))
    assert "--known-length" not in " ".join(scaled.lines())
    assert "1 unit is 1.25 mm" in " ".join(scaled.lines())


def test_what_cannot_be_unrolled_is_told_as_far_as_it_goes(tmp_path: Path, capsys: Printed) -> None:
    rng = np.random.default_rng(1)
    way = rng.normal(size=(20_000, 3))
    ball = (300.0 * way / np.linalg.norm(way, axis=1)[:, None]).astype(np.float32)
    path = tmp_path / "ball.xyz"
    np.savetxt(path, ball, fmt="%.3f")
    assert main(["survey", str(path)]) == 4
    printed = capsys.readouterr()
    assert "20 000 points" in printed.out
    assert "600 x 600 x 600 mm" in printed.out
    assert "cannot be unrolled" in printed.out
    assert "closes on itself" in printed.err
    assert main(["survey", str(path), "--json"]) == 4
    summary = json.loads(capsys.readouterr().out)
    assert summary["skin"] is None
    assert "closes on itself" in summary["unfit"]
    assert sorted(tmp_path.iterdir()) == [path]


def test_a_file_that_is_no_scan(tmp_path: Path) -> None:
    path = tmp_path / "door.ply"
    path.write_text("not a scan")
    with pytest.raises(ScanReadError, match=r"door\.ply"):
        survey_scan(path, load_settings())


def test_command(tmp_path: Path, capsys: Printed) -> None:
    scan = scan_panel(door(), spacing_mm=2.5, noise_mm=0.05, seed=1, pose=np.eye(4))
    path = written(to_scan(scan), tmp_path / "door.xyz")
    assert main(["survey", str(path), "--outside", "+z"]) == 0
    printed = capsys.readouterr()
    assert printed.out.startswith("door.xyz\n")
    assert "decided by the settings" in printed.out
    assert printed.err == ""
