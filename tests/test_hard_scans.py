"""Scans as they also come: broad damage, long knocks, flying points, thin parts, turned normals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check
from guidecoat.errors import ScanUnfitError
from guidecoat.findings.tapes import tape_distances
from guidecoat.numerics.specks import specks_of, wild_cells
from guidecoat.outline.edges import Edge
from guidecoat.scans.scan import Scan
from guidecoat.synthetic import (
    Dimple,
    Ripple,
    crowned_door,
    flat_panel,
    scan_panel,
    sphere_panel,
    to_scan,
)
from truth_fixture import checked, form_error, marks_found, planted, settings

Floats = NDArray[np.float64]

DOOR = crowned_door(length_mm=900.0, width_mm=700.0, crown_mm=20.0)
SMALL = sphere_panel(800.0)


def check_points(scan: Scan, points_mm: Floats) -> CheckResult:
    """The same scan with its points moved."""
    return check(replace(scan, points_mm=points_mm.astype(np.float32)), settings())


def test_damage_half_as_broad_as_the_panel_is_not_taken_for_form() -> None:
    """8 mm deep, 450 mm wide: battens of 200 to 350 mm follow half of it, longer ones none."""
    dent = Dimple((0.0, 0.0), -8.0, (225.0, 225.0))
    scan, result = checked(DOOR, (dent,), seed=3, spacing_mm=1.6)
    (mark,), others = marks_found(scan, result)
    assert (mark.good, others) == (True, ()), str(mark)
    assert result.surface.batten_mm >= 350.0
    assert "broad damage" in result.surface.batten_decided_by


@pytest.mark.parametrize("tolerance", [0.3, 0.5])
def test_a_knock_as_long_as_the_batten_is_not_held(tolerance: float) -> None:
    """1.5 mm deep, 160 mm long, in the long edge; a held line that followed it would hide it."""
    edge = DOOR.extent_mm[2]
    knock = Dimple((20.0, edge), -1.5, (80.0, 80.0), kind="edge ding")
    scan, result = checked(
        DOOR,
        (knock,),
        seed=4,
        spacing_mm=1.6,
        with_settings=settings(tolerance__height_mm=tolerance),
    )
    assert form_error(scan, result).rms_mm <= 0.02
    assert [region.kind for region in result.regions] == ["low"]
    assert result.regions[0].peak_mm == pytest.approx(-1.5, abs=0.2)


def test_flying_points_change_nothing() -> None:
    """Three in a hundred fly 40 mm about, and a few some metres."""
    marks = planted(DOOR, seed=5, count=3)
    scan = scan_panel(DOOR, marks, spacing_mm=1.2, noise_mm=0.05, seed=5)
    plain = to_scan(scan, normals=True)
    rng = np.random.default_rng(0)
    points = plain.points_mm.astype(np.float64)
    fly = rng.random(len(points)) < 0.03
    points[fly] += rng.normal(0.0, 40.0, (int(fly.sum()), 3))
    points[rng.choice(len(points), 100, replace=False)] += rng.normal(0.0, 4000.0, (100, 3))
    result = check_points(plain, points)
    found, others = marks_found(scan, result)
    assert not others
    assert [len(mark.regions) for mark in found] == [1] * len(marks)
    assert all(mark.peak_mm <= mark.peak_allowed_mm for mark in found), [str(m) for m in found]


def test_a_wild_cell_is_told_from_a_small_dent() -> None:
    u, v = np.meshgrid(np.arange(40.0), np.arange(40.0), indexing="ij")
    field = np.random.default_rng(1).normal(0.0, 0.01, u.shape)
    apart = np.hypot(u - 10.0, v - 10.0) / 2.2
    field -= 0.8 * np.where(apart < 1.0, np.cos(0.5 * np.pi * apart) ** 2, 0.0)
    field[30, 30] = 3.0
    field[0, 5] = np.nan
    wild = wild_cells(field)
    assert wild[30, 30]
    assert not wild[8:13, 8:13].any()
    assert wild.sum() <= 3


def test_ripple_beside_a_lone_mark_is_reported() -> None:
    """A high under twice the tolerance touches the ripple, and is higher than its crests."""
    wave = Ripple((0.0, 0.0), 0.08, 60.0, 120.0, 0.3)
    high = Dimple((0.0, 110.0), 0.27, (35.0, 35.0))
    _, result = checked(
        sphere_panel(900.0),
        (wave, high),
        seed=51,
        with_settings=settings(tolerance__slope_mrad=2.0),
    )
    assert "ripple" in {region.kind for region in result.regions}


def test_turned_normals_are_warned_of_and_the_outside_is_said() -> None:
    scan = to_scan(scan_panel(SMALL, spacing_mm=2.0, noise_mm=0.05, seed=6), normals=True)
    assert scan.normals is not None
    right = check(scan, settings())
    turned = check(replace(scan, normals=-scan.normals), settings())
    assert not any("hollow" in remark for remark in right.warnings)
    assert any("hollow by" in remark and "--outside" in remark for remark in turned.warnings)
    assert any(remark.startswith("Outside is") for remark in right.warnings)
    assert right.chart.outside == pytest.approx(-turned.chart.outside, abs=1e-3)


def test_points_too_far_apart_leave_it_undecided() -> None:
    scan = to_scan(scan_panel(DOOR, spacing_mm=9.0, noise_mm=0.05, seed=7), normals=True)
    result = check(scan, settings())
    assert result.verdict == "undecided"
    assert any("do not draw a mark" in remark for remark in result.warnings)


def test_a_part_scanned_too_thinly_is_said() -> None:
    """One half holds a point where the other holds thirty."""
    dense = to_scan(scan_panel(DOOR, spacing_mm=1.5, noise_mm=0.05, seed=8, pose=np.eye(4)))
    points = dense.points_mm.astype(np.float64)
    kept = (points[:, 0] < 0.0) | (np.random.default_rng(2).random(len(points)) < 1.0 / 30.0)
    points[~kept] = np.nan
    result = check(
        replace(dense, points_mm=points.astype(np.float32), usable=dense.usable & kept), settings()
    )
    assert result.verdict == "undecided"
    assert any("scanned too thinly" in remark for remark in result.warnings)


def edge(name: str, line: Floats) -> Edge:
    nothing = np.zeros((0, 2))
    return Edge(name, "outline", 1, line, nothing, nothing, False, 0.0, 20.0)


def test_tapes_in_a_corner_run_across_each_other() -> None:
    """Edges stop 20 mm short of their corners, and their points lie 20 mm apart."""
    along = np.arange(20.0, 881.0, 20.0)
    edges = (
        edge("A", np.column_stack([along, np.full_like(along, 700.0)])),
        edge("B", np.column_stack([np.full(34, 900.0), np.linspace(680.0, 20.0, 34)])),
        edge("C", np.column_stack([along, np.zeros_like(along)])),
        edge("D", np.column_stack([np.zeros(34), np.linspace(20.0, 680.0, 34)])),
    )
    assert tape_distances(np.array([894.0, 694.0]), edges) in (
        "6 mm from edge A, 6 mm from edge B",
        "6 mm from edge B, 6 mm from edge A",
    )
    assert tape_distances(np.array([450.0, 11.0]), edges) == (
        "11 mm from edge C, 450 mm from edge B"
    )
    assert tape_distances(np.array([13.0, 333.0]), edges) == (
        "13 mm from edge D, 333 mm from edge C"
    )


@pytest.mark.parametrize("seed", [9, 10, 11])
def test_a_sheet_of_noise_alone_is_never_out(seed: int) -> None:
    """4 mm of noise at a tolerance of 1 mm: refused or undecided, whatever its peaks."""
    scan = to_scan(scan_panel(flat_panel(), spacing_mm=2.5, noise_mm=4.0, seed=seed), normals=True)
    try:
        result = check(scan, settings(tolerance__height_mm=1.0))
    except ScanUnfitError:
        return
    assert result.verdict == "undecided"


def test_specks_are_what_is_surely_beyond_and_in_no_mark() -> None:
    smooth = np.array([[0.2, 0.9, -0.9], [0.52, np.nan, 0.9]])
    judged = np.isfinite(smooth)
    judged[1, 2] = False
    marked = np.array([[False, True, False], [False, False, False]])
    specks = specks_of(smooth, np.full((2, 3), 0.02), judged, marked, limit_mm=0.5, guard=1.6449)
    assert np.argwhere(specks).tolist() == [[0, 2]]
