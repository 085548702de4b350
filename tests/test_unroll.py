"""Unrolling scans: which way is out, the axis, what belongs to the panel, what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.errors import ScanUnfitError
from guidecoat.scans.scan import Scan, Units
from guidecoat.synthetic import (
    Panel,
    SyntheticScan,
    crowned_door,
    cylinder_panel,
    flat_panel,
    scan_panel,
    sphere_panel,
    to_scan,
    wing,
)
from guidecoat.unrolling.cells import chart_points
from guidecoat.unrolling.unroll import Skin, lay_chart
from guidecoat.unrolling.voxels import Voxels, voxelise

Floats = NDArray[np.float64]
SPACING_MM = 3.0


def made(panel: Panel, *, noise_mm: float = 0.03, seed: int = 1) -> SyntheticScan:
    return scan_panel(panel, spacing_mm=SPACING_MM, noise_mm=noise_mm, seed=seed)


def looked_at(scan: Scan) -> Voxels:
    return voxelise(scan.points_mm, scan.usable)


def test_voxels_hold_their_points_and_know_their_normals() -> None:
    scan = to_scan(made(sphere_panel(500.0, length_mm=300.0, width_mm=200.0)))
    voxels = looked_at(scan)
    number = voxels.number(scan.points_mm)
    assert (number >= 0).all()
    np.testing.assert_array_equal(np.bincount(number), voxels.count)
    points = scan.points_mm.astype(np.float64)
    for k in range(0, len(voxels.count), 7):
        middle = points[number == k].mean(axis=0)
        np.testing.assert_allclose(voxels.centre_mm[k], middle, atol=1e-9)
    # Of a sphere every normal runs through one centre. A voxel's is that of its neighbourhood,
    # whose middle lies up to half a voxel beside its own.
    a = np.eye(3) - voxels.normal[:, :, None] * voxels.normal[:, None, :]
    centre = np.linalg.solve(a.sum(axis=0), (a @ voxels.centre_mm[:, :, None]).sum(axis=0))[:, 0]
    to_centre = centre - voxels.centre_mm
    to_centre /= np.linalg.norm(to_centre, axis=1, keepdims=True)
    off = np.abs((to_centre * voxels.normal).sum(axis=1))
    assert np.median(off) > np.cos(0.5 * voxels.size_mm / 500.0)


def laid(scan: Scan, outside: str = "auto") -> Skin:
    return lay_chart(scan, looked_at(scan), outside=outside)


def cloud(points: Floats) -> Scan:
    """A scan of bare points, as read from a file without normals or faces."""
    vertices = np.zeros(len(points), dtype=[(name, np.float32) for name in "xyz"])
    return Scan(
        "cloud",
        points.astype(np.float32),
        np.ones(len(points), np.bool_),
        np.zeros(3),
        Units("mm", 1.0, "given"),
        vertices,
    )


def outward_share(scan: SyntheticScan, skin: Skin) -> float:
    """Cosine between the chart's outside and the panel's true one at the middle."""
    return float(scan.outside_at(np.zeros(1), np.zeros(1))[0] @ skin.chart.outside)


# --- the base -----------------------------------------------------------------------------------


@pytest.mark.parametrize("radius", [350.0, 900.0, 2500.0])
def test_a_cylinder_is_found_with_its_radius(radius: float) -> None:
    scan = made(cylinder_panel(radius), noise_mm=0.02)
    skin = laid(to_scan(scan, normals=True))
    assert 1.0 / skin.chart.curvature_per_mm == pytest.approx(radius, rel=2e-3)
    heights = skin.chart.to_chart(to_scan(scan).points_mm)[:, 2]
    # Its own noise, and what a radius 0.2 % off makes over the rim: (200 mm)^2 / 2R * 0.002.
    assert np.abs(heights).max() < 0.15 + 200.0**2 / (2.0 * radius) * 2e-3


def test_a_wing_is_unrolled_about_its_length() -> None:
    scan = made(wing(wrap_deg=95.0))
    skin = laid(to_scan(scan))
    along = scan.T_scan_panel[:3, 0]
    assert abs(along @ skin.chart.rotation[0]) > np.cos(np.radians(4.0))
    uvh = skin.chart.to_chart(to_scan(scan).points_mm)
    # Tape lengths survive: 820 along, 587 around (the crown and the form's own waves add a little).
    assert np.ptp(uvh[:, 0]) == pytest.approx(820.0, rel=0.02)
    assert np.ptp(uvh[:, 1]) == pytest.approx(587.0, rel=0.03)


def test_a_wide_panel_that_hardly_wraps_lies_along_its_longest_side() -> None:
    scan = made(crowned_door(length_mm=700.0, width_mm=420.0))
    skin = laid(to_scan(scan))
    assert abs(scan.T_scan_panel[:3, 0] @ skin.chart.rotation[0]) > np.cos(np.radians(1.0))


def test_up_to_150_degrees_and_no_farther() -> None:
    assert laid(to_scan(made(wing(wrap_deg=140.0, arch_radius_mm=1.0)), normals=True))
    with pytest.raises(ScanUnfitError, match=r"wraps through 1[67]\d degrees; up to 150 .*crop"):
        laid(to_scan(made(wing(wrap_deg=170.0, arch_radius_mm=1.0)), normals=True))


# --- what is no panel ---------------------------------------------------------------------------


def test_a_closed_body_is_refused() -> None:
    rng = np.random.default_rng(5)
    ball = rng.normal(size=(60_000, 3))
    ball *= 250.0 / np.linalg.norm(ball, axis=1)[:, None]
    with pytest.raises(ScanUnfitError, match=r"closes on itself.*guidecoat crop"):
        laid(cloud(ball))


def test_a_tube_is_refused() -> None:
    rng = np.random.default_rng(6)
    angle = rng.uniform(0.0, 2.0 * np.pi, 40_000)
    tube = np.column_stack(
        [rng.uniform(-300.0, 300.0, 40_000), 120.0 * np.cos(angle), 120.0 * np.sin(angle)]
    )
    with pytest.raises(ScanUnfitError, match=r"closes on itself|wraps through"):
        laid(cloud(tube))


def test_two_panels_in_one_scan_are_refused() -> None:
    one = to_scan(made(sphere_panel(900.0))).points_mm.astype(np.float64)
    with pytest.raises(ScanUnfitError, match=r"two separate pieces.*guidecoat crop"):
        laid(cloud(np.vstack([one, one + np.array([0.0, 0.0, 900.0])])))


# --- outside ------------------------------------------------------------------------------------


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("source", ["normals", "faces"])
def test_the_files_normals_or_faces_decide(source: str, inverted: bool) -> None:
    """Even against the crown: a flipped file is taken at its word."""
    scan = scan_panel(
        sphere_panel(900.0), spacing_mm=SPACING_MM, noise_mm=0.03, seed=2, triangles=True
    )
    read = to_scan(scan, normals=source == "normals")
    read = replace(read, faces=None) if source == "normals" else read
    if inverted and source == "normals":
        assert read.normals is not None
        read = replace(read, normals=-read.normals)
    elif inverted:
        assert read.faces is not None
        read = replace(read, faces=read.faces[:, ::-1])
    skin = laid(read)
    assert outward_share(scan, skin) * (-1.0 if inverted else 1.0) > 0.99
    assert skin.chart.outside_decided_by == f"the file's {source}"


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    "panel", [sphere_panel(900.0), crowned_door(length_mm=600.0, width_mm=400.0), wing()]
)
def test_else_the_crown_decides(panel: Panel, seed: int) -> None:
    scan = made(panel, seed=seed)
    skin = laid(to_scan(scan))
    assert outward_share(scan, skin) > 0.9
    assert "crown" in skin.chart.outside_decided_by


def flanged_sheet(seed: int, depth_mm: float = 30.0) -> tuple[Scan, NDArray[np.bool_]]:
    """A flat sheet 600 x 400 whose long sides are folded down by 90 degrees; True on the folds."""
    rng = np.random.default_rng(seed)
    face = rng.uniform(-1.0, 1.0, (30_000, 3)) * [300.0, 200.0, 0.0]
    flange = np.column_stack(
        [
            rng.uniform(-300.0, 300.0, 4000),
            rng.choice([-200.0, 200.0], 4000),
            rng.uniform(-depth_mm, 0.0, 4000),
        ]
    )
    points = np.vstack([face, flange]) + rng.normal(0.0, 0.03, (34_000, 3))
    return cloud(points), np.arange(34_000) >= 30_000


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_else_the_returned_flanges_tell(seed: int) -> None:
    scan, _ = flanged_sheet(seed)
    skin = laid(scan)
    assert skin.chart.outside[2] > 0.99
    # Where a voxel at the fold holds both, the fold itself may look like a crown.
    assert skin.chart.outside_decided_by.startswith(("the returned flanges", "the crown"))


def test_a_flat_sheet_cannot_tell_and_says_what_to_type() -> None:
    scan = to_scan(scan_panel(flat_panel(), spacing_mm=3.0, noise_mm=0.03, seed=1, pose=np.eye(4)))
    with pytest.raises(ScanUnfitError, match=r"cannot be told apart.*--outside [+-]z"):
        laid(scan)
    assert laid(scan, "+z").chart.outside[2] > 0.99
    assert laid(scan, "-z").chart.outside[2] < -0.99


def test_an_outside_along_the_panel_is_refused() -> None:
    scan = to_scan(scan_panel(flat_panel(), spacing_mm=3.0, noise_mm=0.03, seed=1, pose=np.eye(4)))
    with pytest.raises(ScanUnfitError, match=r"--outside \+x runs along this panel.*[+-]z"):
        laid(scan, "+x")


# --- what belongs to it -------------------------------------------------------------------------


def test_what_faces_backward_and_what_lies_loose_is_cut_off_and_counted() -> None:
    """A sheet with returned flanges 60 mm deep that come back under it, and a bar behind."""
    scan, folded = flanged_sheet(3, depth_mm=60.0)
    rng = np.random.default_rng(7)
    lip = np.column_stack(
        [
            rng.uniform(-300.0, 300.0, 6000),
            rng.uniform(140.0, 200.0, 6000) * rng.choice([-1.0, 1.0], 6000),
            rng.normal(-60.0, 0.03, 6000),
        ]
    )
    bar = rng.uniform(-1.0, 1.0, (2000, 3)) * [150.0, 20.0, 0.03] - [0.0, 0.0, 160.0]
    both = cloud(np.vstack([scan.points_mm, lip, bar]))
    voxels = looked_at(both)
    charted = chart_points(both, voxels, lay_chart(both, voxels, outside="+z"))
    on = np.isfinite(charted.uvh[:, 0])
    face = np.zeros(len(on), bool)
    face[: len(folded)] = ~folded
    assert on[face].mean() > 0.995
    assert on[34_000:40_000].mean() < 0.2
    assert not on[40_000:].any()
    assert sum(charted.dropped.values()) == int((~on).sum())
    assert len(charted.dropped) == 2
