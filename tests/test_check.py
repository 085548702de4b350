"""The whole check on invented panels whose form, highs and lows are known.

The limits are the project's promises: fair surface within 0.02 mm rms (0.06 at the 99th percentile)
of the true form at noise 0.05 mm, 0.04 rms at 0.2; marks of twice the tolerance or more, 50 to
200 mm across, found once each with peak, place and volume; nothing found where nothing is.
"""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check, check_scan
from guidecoat.cli import main
from guidecoat.formats.ply import write_ply_chunks
from guidecoat.measuring.deviation import HELD, LOW, NOT_JUDGED, RIPPLE
from guidecoat.scans.scan import Scan, Units
from guidecoat.synthetic import (
    Defect,
    Dimple,
    Panel,
    Part,
    Ripple,
    SyntheticScan,
    bonnet,
    crowned_door,
    cylinder_panel,
    flat_panel,
    hull_panel,
    real_door,
    scan_panel,
    sphere_panel,
    to_scan,
    torus_panel,
    wing,
)
from truth_fixture import (
    TOLERANCE_MM,
    checked,
    form_error,
    form_errors_mm,
    marks_found,
    planted,
    settings,
)

Floats = NDArray[np.float64]

SMALL = sphere_panel(800.0, length_mm=420.0, width_mm=300.0)
TWO_MARKS: tuple[Defect, ...] = (
    Dimple((-90.0, 20.0), 0.6, (45.0, 35.0), 0.4),
    Dimple((90.0, -30.0), -0.5, (50.0, 50.0)),
)
PANELS = {
    "flat": flat_panel(),
    "sphere": sphere_panel(900.0),
    "cylinder": cylinder_panel(500.0),
    "torus": torus_panel(900.0, 400.0),
    "hull": hull_panel(length_mm=1600.0, beam_mm=160.0, draught_mm=450.0),
    "door": crowned_door(length_mm=800.0, width_mm=500.0, crown_mm=14.0),
    "creased door": crowned_door(
        length_mm=800.0, width_mm=500.0, crown_mm=14.0, crease=True, handle=True
    ),
    "wing": wing(),
    "bonnet": bonnet(length_mm=800.0, width_mm=760.0, crown_mm=16.0, cross_crown_mm=14.0),
    "real door": real_door(),
}


# --- the form -----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", PANELS)
def test_a_sound_panel_is_in_and_its_form_is_met(name: str) -> None:
    scan, result = checked(PANELS[name], seed=11, spacing_mm=1.6)
    error = form_error(scan, result)
    assert result.regions == ()
    assert result.verdict == "in"
    assert (error.rms_mm <= 0.02, error.p99_mm <= 0.06) == (True, True), error


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "seed", "spacing_mm"),
    [
        *((name, seed, 1.6) for seed in (21, 22) for name in PANELS if name != "real door"),
        ("creased door", 21, 0.8),
        ("bonnet", 22, 0.8),
    ],
)
def test_marks_are_found_once_each_and_nothing_else(
    name: str, seed: int, spacing_mm: float
) -> None:
    marks = planted(PANELS[name], seed=seed, count=5)
    assert len(marks) >= 2
    scan, result = checked(PANELS[name], marks, seed=seed, spacing_mm=spacing_mm)
    error = form_error(scan, result)
    found, others = marks_found(scan, result)
    bad = [str(mark) for mark in found if not mark.good]
    bad += [f"{r.kind} {r.peak_mm:+.3f} {r.verdict} where nothing is" for r in others]
    assert not bad, bad
    assert (error.rms_mm <= 0.02, error.p99_mm <= 0.06) == (True, True), error


@pytest.mark.parametrize("name", ["door", "wing"])
def test_marks_without_noise(name: str) -> None:
    """The sag of the skin within a cell is no reason to leave the cell out."""
    marks = planted(PANELS[name], seed=22, count=5)
    scan, result = checked(PANELS[name], marks, seed=22, noise_mm=0.0)
    found, others = marks_found(scan, result)
    assert not [str(mark) for mark in found if not mark.good]
    assert not others


@pytest.mark.slow
@pytest.mark.parametrize("name", ["sphere", "door", "wing"])
def test_form_under_heavy_noise(name: str) -> None:
    """Noise 0.2 mm at a spacing of 0.8 mm, two marks on the panel."""
    scan, result = checked(
        PANELS[name], planted(PANELS[name], seed=31, count=2), seed=31, noise_mm=0.2
    )
    assert form_error(scan, result).rms_mm <= 0.04


@pytest.mark.slow
def test_a_door_as_doors_are_with_marks_on_it() -> None:
    """Sharp line, recess, belt step, frame and inner skins: found marks, and nothing else."""
    panel = PANELS["real door"]
    marks = planted(panel, seed=41, count=4)
    scan, result = checked(panel, marks, seed=41, spacing_mm=1.0, backings=True, hem_mm=3.0)
    found, others = marks_found(scan, result)
    assert not [str(mark) for mark in found if not mark.good]
    assert not others
    inner = np.isin(scan.part, [Part.INNER_SKIN])
    assert np.isnan(result.deviation.point_mm[inner]).mean() > 0.99


@pytest.mark.slow
@pytest.mark.parametrize(
    ("panel", "angle_rad"),
    [(sphere_panel(900.0), 0.3), (PANELS["wing"], 0.3), (PANELS["wing"], 0.9)],
    ids=["amid a sphere", "over a wing's arch", "across it"],
)
def test_ripple_is_reported_with_its_slope(panel: Panel, angle_rad: float) -> None:
    """0.08 mm at 60 mm wavelength: 8.38 mrad within 20 %, at a slope tolerance of 2 mrad; on the
    wing it runs out over the arch, and its crests and troughs bend the edge's line.
    """
    wave = Ripple((20.0, -10.0), 0.08, 60.0, 120.0, angle_rad)
    scan, result = checked(
        panel,
        (wave,),
        seed=51,
        spacing_mm=0.8,
        with_settings=settings(tolerance__slope_mrad=2.0),
    )
    assert [region.kind for region in result.regions if region.verdict == "out"] == ["ripple"]
    assert [r.kind for r in result.regions if not r.edge] == ["ripple"]
    (ripple,) = (region for region in result.regions if not region.edge)
    # The surface runs through its middle: neither crests nor troughs are left out.
    assert abs(ripple.peak_mm) < 0.08 + 0.05
    assert form_error(scan, result).rms_mm <= 0.02
    assert ripple.max_slope_mrad == pytest.approx(8.38, rel=0.2)


@pytest.mark.slow
def test_stated_uncertainty_covers_the_true_error() -> None:
    """U (k = 2) over 40 repeats of two marks: 90 to 99 %, the binomial's own two sigmas allowed."""
    inside = []
    for seed in range(40):
        scan, result = checked(SMALL, TWO_MARKS, seed=100 + seed, spacing_mm=1.6, pose=np.eye(4))
        found, _ = marks_found(scan, result)
        inside += [mark.peak_mm <= mark.uncertainty_mm for mark in found]
    assert 0.90 - 0.07 <= float(np.mean(inside)) <= 0.99 + 0.02


# --- without noise ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "panel",
    [
        cylinder_panel(500.0, length_mm=420.0, width_mm=300.0),
        SMALL,
        torus_panel(900.0, 500.0, length_mm=420.0, width_mm=300.0),
    ],
    ids=lambda panel: panel.name,
)
def test_without_noise_points_stand_off_by_what_was_planted(panel: Panel) -> None:
    """Deviation of every point and the surface's own distance from the form are exact parts of
    one sum: planted - deviation is the surface's error, to a micrometre (and float32's rounding).
    """
    scan, result = checked(panel, TWO_MARKS, seed=3, noise_mm=0.0, spacing_mm=2.0)
    judged = np.flatnonzero(np.isfinite(result.deviation.point_mm))[::37]
    points = result.scan.points_mm[judged].astype(np.float64)
    off = result.deviation.point_mm[judged].astype(np.float64)
    assert form_error(scan, result).rms_mm <= 0.02
    # The foot point on the fair surface, carried back along the true normal.
    normal = scan.normals[judged].astype(np.float64)
    face = result.fair.faces[0]
    foot = points - off[:, None] * normal
    uvh = result.chart.to_chart(foot)
    height = face.space.rows(uvh[:, 0], uvh[:, 1]) @ face.fit.coefficients
    # Its normal differs from the true one by under 1 mrad: a micrometre over 1 mm.
    np.testing.assert_allclose(uvh[:, 2], height, atol=1e-3)


# --- held edges and points ----------------------------------------------------------------------


def test_held_stations_are_met_to_a_micrometre() -> None:
    _, result = checked(SMALL, TWO_MARKS, seed=4, spacing_mm=2.0)
    count = 0
    for face in result.fair.faces:
        for line in face.edges:
            u, v = line.station_uv[line.held].T
            got = face.space.rows(u, v) @ face.fit.coefficients
            np.testing.assert_allclose(got, line.height_mm[line.held], atol=1e-3)
            count += len(u)
    assert count > 60


def test_a_held_point_is_passed_through_and_others_are_not_moved_far(tmp_path: Path) -> None:
    scan = scan_panel(SMALL, spacing_mm=2.0, noise_mm=0.05, seed=5, pose=np.eye(4))
    top = SMALL.position_mm(np.array([30.0]), np.array([10.0]))[0] + [0.0, 0.0, 0.8]
    path = tmp_path / "hold.csv"
    path.write_text("x,y,z\n{},{},{}\n".format(*top))
    result = check(to_scan(scan, normals=True), settings(edges__hold_points_file=path))
    face = result.fair.faces[0]
    u, v, h = result.chart.to_chart(top[None] - result.scan.origin).T
    assert (face.space.rows(u, v) @ face.fit.coefficients)[0] == pytest.approx(h[0], abs=1e-3)


def test_a_ding_in_an_edge_is_reported_and_not_held() -> None:
    """A knock of 1.2 mm, 60 mm long, in the long edge of a panel."""
    edge = SMALL.extent_mm[2]
    ding = Dimple((-20.0, edge), -1.2, (30.0, 30.0), kind="edge ding")
    scan, result = checked(SMALL, (ding,), seed=6, spacing_mm=1.6)
    (region,) = result.regions
    assert region.edge
    assert -1.3 < region.peak_mm < -0.6
    (line,) = (line for line in result.edges if line.name == region.edge)
    away = np.hypot(*(line.station_uv - [region.u_mm, region.v_mm]).T)
    assert not line.held[away < 12.0].any()
    # The region tells it; it is not told twice.
    assert not any("knock" in warning for warning in result.warnings)
    assert form_error(scan, result).rms_mm <= 0.02


def test_every_vertex_is_counted_once(tmp_path: Path) -> None:
    """Some are repeated, some are held, some are no part of the skin."""
    scan = scan_panel(
        SMALL, spacing_mm=1.6, noise_mm=0.05, seed=7, flying_points=200, dropouts=2, hem_mm=3.0
    )
    vertices = to_scan(scan, normals=True).vertices
    doubled = np.concatenate([vertices, vertices[::7]])
    write_ply_chunks(tmp_path / "p.ply", doubled.dtype, len(doubled), iter([doubled]))
    points = check_scan(tmp_path / "p.ply", settings().model_copy(update={"units": "mm"})).points
    assert points.dropped["repeated"] == len(vertices[::7])
    assert points.judged + points.held + sum(points.dropped.values()) == len(doubled)
    assert points.judged > 0.7 * len(vertices)
    assert points.held > 0


def test_points_have_the_state_of_the_region_they_lie_in() -> None:
    """Ripple of 0.12 mm and a low beside it."""
    defects = (Ripple((-90.0, 0.0), 0.12, 60.0, 80.0), Dimple((110.0, 0.0), -0.6, (45.0, 45.0)))
    scan, result = checked(SMALL, defects, seed=4, spacing_mm=1.2)
    status = result.deviation.point_status
    assert {r.kind for r in result.regions if r.verdict == "out"} == {"ripple", "low"}
    near = np.hypot(*(scan.st_mm - [-90.0, 0.0]).T) < 40.0
    assert (status[near] == RIPPLE).mean() > 0.9
    assert (status[np.hypot(*(scan.st_mm - [110.0, 0.0]).T) < 15.0] == LOW).mean() > 0.9


def test_what_is_not_judged_is_named_and_counted() -> None:
    scan, result = checked(SMALL, seed=7, spacing_mm=1.6, dropouts=2, flying_points=200, hem_mm=3.0)
    status = result.deviation.point_status
    assert len(status) == len(scan.points_mm) == len(result.deviation.point_mm)
    nan = np.isnan(result.deviation.point_mm)
    np.testing.assert_array_equal(nan, (status == HELD) | (status == NOT_JUDGED))
    assert result.points.judged == int((~nan).sum())
    assert result.points.held == int((status == HELD).sum())
    missing = int((status == NOT_JUDGED).sum())
    assert sum(result.points.dropped.values()) == missing
    assert any("Not judged: " in w and "edge band" in w for w in result.warnings)
    assert any("longer looks like form" in w for w in result.warnings)
    assert np.isnan(result.deviation.point_mm[scan.part == Part.FLYING]).mean() > 0.8
    deep = np.abs(form_errors_mm(scan, result))
    assert deep.max() < 0.1


# --- what must not matter -----------------------------------------------------------------------


def rows(result: CheckResult) -> Floats:
    """(k, 6) peak, mean, area, volume, length, u of every region, by name."""
    return np.array(
        [
            (r.peak_mm, r.mean_mm, r.area_cm2, r.volume_cm3, r.length_mm, r.uncertainty_mm)
            for r in sorted(result.regions, key=lambda r: r.region)
        ]
    )


@pytest.fixture(scope="module")
def plain() -> tuple[SyntheticScan, CheckResult]:
    return checked(SMALL, TWO_MARKS, seed=8, spacing_mm=2.0, pose=np.eye(4))


def same_within(one: CheckResult, other: CheckResult, share: float) -> None:
    assert [(r.region, r.kind, r.verdict) for r in one.regions] == [
        (r.region, r.kind, r.verdict) for r in other.regions
    ]
    assert len(one.regions) == 2
    assert one.verdict == other.verdict
    np.testing.assert_allclose(rows(other), rows(one), rtol=share, atol=share)


def test_the_order_of_the_points(plain: tuple[SyntheticScan, CheckResult]) -> None:
    """Sums run in another order: to 1e-5."""
    scan = to_scan(plain[0], normals=True)
    shuffled = np.random.default_rng(1).permutation(len(scan.points_mm))
    assert scan.normals is not None
    other = check(
        replace(
            scan,
            points_mm=scan.points_mm[shuffled],
            vertices=scan.vertices[shuffled],
            normals=scan.normals[shuffled],
        ),
        settings(),
    )
    same_within(plain[1], other, 1e-5)
    np.testing.assert_allclose(
        other.deviation.point_mm, plain[1].deviation.point_mm[shuffled], atol=2e-5
    )


@pytest.mark.parametrize("seed", [1, 2])
def test_rigid_motion(plain: tuple[SyntheticScan, CheckResult], seed: int) -> None:
    """Other coordinates round otherwise in float32: points by 1e-4 mm, so a point may change
    cells; heights to 2 % of a mark's noise, sizes by less than a cell's share.
    """
    moved = scan_panel(SMALL, TWO_MARKS, spacing_mm=2.0, noise_mm=0.05, seed=8)
    rng = np.random.default_rng(seed)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn * np.sign(np.linalg.det(turn)), rng.uniform(-900, 900, 3)
    moved = scan_panel(SMALL, TWO_MARKS, spacing_mm=2.0, noise_mm=0.05, seed=8, pose=pose)
    other = check(moved_scan(plain[0], moved), settings())
    same_within(plain[1], other, 2e-2)
    np.testing.assert_allclose(
        [r.peak_mm for r in other.regions], [r.peak_mm for r in plain[1].regions], atol=1e-3
    )


def moved_scan(scan: SyntheticScan, moved: SyntheticScan) -> Scan:
    """The points of one scan in the pose of another."""
    pose = moved.T_scan_panel
    points = scan.points_mm @ pose[:3, :3].T + pose[:3, 3]
    normals = (scan.normals @ pose[:3, :3].T).astype(np.float32)
    return to_scan(replace(scan, points_mm=points, normals=normals), normals=True)


def test_a_mirror_image(plain: tuple[SyntheticScan, CheckResult]) -> None:
    scan = plain[0]
    flip = np.array([-1.0, 1.0, 1.0])
    image = replace(
        scan, points_mm=scan.points_mm * flip, normals=scan.normals * flip.astype(np.float32)
    )
    other = check(to_scan(image, normals=True), settings())
    same_within(plain[1], other, 2e-2)
    for one, mirrored in zip(plain[1].regions, other.regions, strict=True):
        assert mirrored.peak_mm == pytest.approx(one.peak_mm, abs=1e-3)
        assert (mirrored.x, mirrored.y, mirrored.z) == pytest.approx(
            (-one.x, one.y, one.z), abs=0.5
        )


def test_turned_inside_out(plain: tuple[SyntheticScan, CheckResult]) -> None:
    """The other side as outside: every high is a low of the same size."""
    scan = plain[0]
    other = check(to_scan(replace(scan, normals=-scan.normals), normals=True), settings())
    one = sorted(r.peak_mm for r in plain[1].regions)
    np.testing.assert_allclose(sorted(-r.peak_mm for r in other.regions), one, atol=5e-3)


@pytest.mark.parametrize(("units", "per_mm"), [("m", 1e-3), ("in", 1 / 25.4), ("cm", 0.1)])
def test_units(plain: tuple[SyntheticScan, CheckResult], units: str, per_mm: float) -> None:
    """Lengths stay mm; x, y, z are in the scan's own units. Scaled coordinates round otherwise, so
    points change cells and a footprint's rim, 80 cells round, gains or loses two: 3 % of its area.
    """
    scan = to_scan(plain[0], normals=True)
    points = (scan.points_mm * np.float32(per_mm)) * np.float32(1.0 / per_mm)
    other = check(
        replace(
            scan,
            points_mm=points,
            origin=scan.origin * per_mm,
            units=Units(units, 1.0 / per_mm, "given"),
        ),
        settings(),
    )
    same_within(plain[1], other, 3e-2)
    for one, scaled in zip(plain[1].regions, other.regions, strict=True):
        assert scaled.peak_mm == pytest.approx(one.peak_mm, abs=1e-3)
        assert scaled.x / per_mm == pytest.approx(one.x, abs=0.01)


def test_the_same_input_gives_the_same_bytes(
    shop: Path, plain: tuple[SyntheticScan, CheckResult]
) -> None:
    scan = to_scan(plain[0], normals=True)
    write_ply_chunks(
        Path("door.ply"), scan.vertices.dtype, len(scan.vertices), iter([scan.vertices])
    )
    left = []
    for run in ("one", "two"):
        assert main(["check", "door.ply", "--tolerance", "0.15", "--out", run, "--quiet"]) == 0
        files = {p.name: p.read_bytes() for p in sorted(Path(run).iterdir())}
        summary = json.loads(files.pop("summary.json"))
        summary.pop("timings_s")
        left.append((files, summary))
    assert left[0][1] == left[1][1]
    assert left[0][0].keys() == left[1][0].keys()
    for name, content in left[0][0].items():
        assert content == left[1][0][name], name


# --- settings -----------------------------------------------------------------------------------


def test_a_panel_is_not_in_where_its_scan_cannot_see_the_slope_tolerance() -> None:
    for slope_mrad, verdict in ((4.0, "in"), (0.3, "undecided")):
        shop = settings(tolerance__slope_mrad=slope_mrad)
        _, result = checked(SMALL, seed=9, spacing_mm=1.6, with_settings=shop)
        assert result.regions == ()
        assert result.verdict == verdict
        blind = [said for said in result.warnings if "cannot see the slope tolerance" in said]
        assert len(blind) == (verdict == "undecided")


def test_a_scan_too_noisy_for_the_tolerance_says_so_first() -> None:
    _, result = checked(
        SMALL,
        seed=9,
        spacing_mm=4.0,
        noise_mm=0.2,
        with_settings=settings(tolerance__height_mm=0.05),
    )
    assert result.smallest_visible_mm > 0.05
    assert result.verdict in ("undecided", "out")
    assert result.warnings[0].startswith("The tolerance of 0.05 mm cannot be seen: the least this")
    assert result.blurred_by == "noise"


def test_the_batten_and_order_asked_for_are_used() -> None:
    _, result = checked(
        SMALL,
        TWO_MARKS,
        seed=10,
        spacing_mm=2.0,
        with_settings=settings(surface__batten_mm=260.0, surface__order=2),
    )
    assert (result.surface.batten_mm, result.surface.order) == (260.0, 2)
    assert result.surface.batten_decided_by == "the settings"
    assert result.settings.tolerance.height_mm == TOLERANCE_MM


def test_what_a_check_found_is_put_together_by_name() -> None:
    assert {field.name for field in fields(CheckResult) if not field.kw_only} == set()
