"""One panel out of a scan of a room, of its neighbours, of what it stands on."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import check
from guidecoat.cli import main
from guidecoat.errors import ScanUnfitError, SettingsError
from guidecoat.formats.ply import read_ply, write_ply
from guidecoat.panel.crop import in_box, part_at
from guidecoat.panel.parts import likely_parts
from guidecoat.scans.scan_io import read_scan
from guidecoat.settings import load_settings
from guidecoat.survey import survey
from guidecoat.synthetic import Dimple, crowned_door, scan_panel
from truth_fixture import bare_cloud

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

DOOR = crowned_door(length_mm=500.0, width_mm=350.0, crown_mm=14.0)
LOW = Dimple((60.0, -40.0), -1.6, (45.0, 45.0))
SETTINGS = load_settings()


def door(seed: int = 1, spacing_mm: float = 1.5) -> Floats:
    """A door's points, lying with its outside up, a low in it."""
    made = scan_panel(DOOR, (LOW,), spacing_mm=spacing_mm, noise_mm=0.05, seed=seed, pose=np.eye(4))
    return made.points_mm - made.points_mm.mean(axis=0)


def sheet(corner: Floats, one: Floats, other: Floats, *, spacing_mm: float = 3.0) -> Floats:
    """A flat sheet of points with noise, from a corner along two sides."""
    rng = np.random.default_rng(7)
    count = int(np.linalg.norm(one) * np.linalg.norm(other) / spacing_mm**2)
    a, b = rng.random((2, count, 1))
    return corner + a * one + b * other + rng.normal(0.0, 0.1, (count, 3))


def room() -> tuple[Floats, Mask]:
    """A door on two posts that stand on a floor before a wall; which points are the door's."""
    panel = door()
    x, y, z = np.eye(3)
    around = [
        sheet(np.array([-900.0, -600.0, -420.0]), 1800.0 * x, 1000.0 * y, spacing_mm=5.0),
        sheet(np.array([-900.0, 400.0, -420.0]), 1800.0 * x, 1200.0 * z, spacing_mm=5.0),
    ]
    for left in (-170.0, 120.0):
        post = np.array([left, 100.0, -420.0])
        around += [sheet(post, 50.0 * x, 404.0 * z), sheet(post, 50.0 * y, 404.0 * z)]
    points = np.concatenate([panel, *around])
    return points, np.arange(len(points)) < len(panel)


def found_share(kept: Mask, wanted: Mask) -> tuple[float, float]:
    """Share of what was wanted that was kept, and of what was kept that was wanted."""
    return float(kept[wanted].mean()), float(wanted[kept].mean())


def test_a_door_in_a_room_is_found_and_checked_as_if_it_were_alone() -> None:
    points, is_door = room()
    scan = bare_cloud(points, name="room")
    at = part_at(scan, (0.0, 0.0, float(points[is_door][:, 2].max())), SETTINGS)
    had, pure = found_share(at.keep, is_door)
    assert had > 0.999
    assert pure > 0.97
    alone = bare_cloud(points[is_door], name="alone")
    (want,), (got,) = (
        check(one, SETTINGS).regions for one in (alone, replace(scan, usable=at.keep))
    )
    assert got.verdict == want.verdict == "out"
    assert got.peak_mm == pytest.approx(want.peak_mm, abs=0.02)
    assert got.volume_cm3 == pytest.approx(want.volume_cm3, rel=0.02)


def test_in_a_room_the_door_is_told_first_and_walls_last() -> None:
    points, is_door = room()
    scan = bare_cloud(points, name="room")
    first, *others = likely_parts(scan)
    near = np.linalg.norm(points - first.place, axis=1).argmin()
    assert is_door[near]
    assert not first.flat
    assert first.share == pytest.approx(is_door.mean(), rel=0.1)
    assert others
    assert all(part.flat for part in others)
    assert max(part.share for part in others) > first.share


def test_a_scan_that_is_refused_for_its_room_is_checked_without_it() -> None:
    points, is_door = room()
    scan = bare_cloud(points, name="room")
    result = check(scan, SETTINGS)
    (low,) = result.regions
    assert low.verdict == "out"
    assert low.peak_mm == pytest.approx(-1.6, abs=0.1)
    assert "only the one curved part in it was looked at" in result.warnings[0]
    assert "guidecoat crop --at" in result.warnings[0]
    assert (result.deviation.point_status[~is_door] == 255).mean() > 0.98
    left_out = next(n for reason, n in result.points.dropped.items() if "walls" in reason)
    assert left_out == pytest.approx((~is_door).sum(), rel=0.02)
    assert survey(scan, SETTINGS).unfit is None


@pytest.mark.parametrize("what", ["two doors in a room", "a box", "a tube before a wall"])
def test_where_the_panel_is_not_the_one_curved_part_the_scan_stays_refused(what: str) -> None:
    x, y, z = 400.0 * np.eye(3)
    rng = np.random.default_rng(4)
    if what == "a box":
        corners, sides = np.zeros(3), ((x, y), (y, z), (z, x))
        faces = [sheet(corners, a, b) for a, b in sides]
        faces += [sheet(x + y + z, -a, -b) for a, b in sides]
        points = np.concatenate(faces)
    elif what == "a tube before a wall":
        angle = rng.uniform(-0.5 * np.pi, 0.5 * np.pi, 60_000)
        along = rng.uniform(-300.0, 300.0, len(angle))
        tube = np.column_stack([along, 200.0 * np.sin(angle), 200.0 * np.cos(angle)])
        wall = sheet(np.array([-500.0, -500.0, -300.0]), 2.5 * x, 2.5 * y, spacing_mm=4.0)
        points = np.concatenate([tube, wall])
    else:
        points = np.concatenate([room()[0], door(2) + np.array([0.0, -380.0, 30.0])])
    with pytest.raises(ScanUnfitError, match="guidecoat crop"):
        check(bare_cloud(points, name="refused"), SETTINGS)


def test_two_panels_apart_are_refused_and_can_be_taken_one_by_one() -> None:
    one, other = door(1), door(2) + np.array([0.0, 380.0, 0.0])
    scan = bare_cloud(np.concatenate([one, other]), name="two")
    with pytest.raises(ScanUnfitError, match="guidecoat crop"):
        check(scan, SETTINGS)
    is_first = np.arange(len(scan.points_mm)) < len(one)
    for y, wanted in ((0.0, is_first), (380.0, ~is_first)):
        assert (part_at(scan, (0.0, y, 0.0), SETTINGS).keep == wanted).all()


@pytest.mark.parametrize("step", [0.7, -0.7])
def test_of_two_panels_that_lie_flush_the_one_at_the_place_is_taken(step: float) -> None:
    """A shut line 4 mm wide, askew, in a bare cloud; one side stands proud by 0.7 mm."""
    panel = door(spacing_mm=1.0)
    away = panel[:, 0] * np.cos(0.2) + panel[:, 1] * np.sin(0.2) - 20.0
    apart = panel[np.abs(away) > 2.0]
    beyond = away[np.abs(away) > 2.0] > 0.0
    apart = apart + np.where(beyond, step, 0.0)[:, None] * [0.0, 0.0, 1.0]
    scan = bare_cloud(apart, name="flush")
    with pytest.raises(ScanUnfitError, match=r"two panels lie side by side.*guidecoat crop"):
        check(scan, SETTINGS)
    for x, wanted in ((-120.0, ~beyond), (150.0, beyond)):
        part = part_at(scan, (x, 0.0, 10.0), SETTINGS)
        assert (part.keep == wanted).mean() > 0.999
        assert check(replace(scan, usable=part.keep), SETTINGS).verdict in ("in", "out")


@pytest.mark.parametrize("place_x", [0.0, 420.0])
def test_of_two_panels_with_a_gap_the_one_at_the_place_is_taken(place_x: float) -> None:
    """The gap is narrower than voxels are wide, and wider than a shut line."""
    panel = door(spacing_mm=2.5)
    low, high = panel[:, 0].min(), panel[:, 0].max()
    beside = panel[panel[:, 0] < low + 180.0] + np.array([high - low + 14.0, 0.0, 0.0])
    points = np.concatenate([panel, beside])
    is_door = np.arange(len(points)) < len(panel)
    near = np.abs(points[:, 0] - place_x) < 5.0
    at = points[near][np.abs(points[near][:, 1]).argmin()]
    part = part_at(bare_cloud(points, name="beside"), (at[0], at[1], at[2]), SETTINGS)
    had, pure = found_share(part.keep, is_door if place_x == 0.0 else ~is_door)
    assert had > 0.99
    assert pure > 0.999


def test_a_lane_that_may_have_been_missed_is_told_and_not_cut_at() -> None:
    panel = door()
    points = panel[np.abs(panel[:, 0] - 20.0) > 2.5]
    part = part_at(
        bare_cloud(points, name="lane"), (-100.0, 0.0, float(points[:, 2].max())), SETTINGS
    )
    assert part.share > 0.99
    assert part.lane is not None
    assert part.lane.width_mm == pytest.approx(5.0, abs=1.5)
    assert part.lane.place[0] == pytest.approx(20.0, abs=3.0)


def test_skin_that_turns_too_far_is_cut_where_it_can_be_unrolled() -> None:
    """A half tube of 180 degrees is refused whole; 140 degrees of it about its crown are not."""
    rng = np.random.default_rng(3)
    angle = rng.uniform(-0.5 * np.pi, 0.5 * np.pi, 120_000)
    along = rng.uniform(-300.0, 300.0, len(angle))
    tube = np.column_stack([along, 200.0 * np.sin(angle), 200.0 * np.cos(angle)])
    scan = bare_cloud(tube, name="tube")
    with pytest.raises(ScanUnfitError, match=r"wraps through 1[78]\d degrees.*guidecoat crop"):
        check(scan, SETTINGS)
    part = part_at(scan, (0.0, 0.0, 200.0), SETTINGS)
    kept = np.degrees(np.abs(angle[part.keep]))
    assert kept.max() < 79.0
    assert (np.degrees(np.abs(angle[~part.keep])) > 66.0).all()
    assert check(replace(scan, usable=part.keep), SETTINGS).verdict == "in"


def test_a_rigid_motion_and_another_order_keep_the_same_points() -> None:
    points, is_door = room()
    rng = np.random.default_rng(5)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    order = rng.permutation(len(points))
    place = points[is_door][np.abs(points[is_door]).sum(axis=1).argmin()]
    kept = part_at(bare_cloud(points, name="a"), tuple(place), SETTINGS).keep
    moved = bare_cloud((points @ turn.T)[order], name="b")
    assert (part_at(moved, tuple(turn @ place), SETTINGS).keep == kept[order]).mean() > 0.9999


def test_a_box_counts_in_the_files_units_and_frame() -> None:
    points, _ = room()
    cloud = bare_cloud(points, name="room")
    scan = replace(cloud, origin=np.array([5000.0, 0.0, -100.0]))
    seen = in_box(scan, (4800.0, -150.0, 400.0), (5100.0, 100.0, -300.0))
    inside = (points >= [-200.0, -150.0, -200.0]).all(axis=1)
    inside &= (points <= [100.0, 100.0, 500.0]).all(axis=1)
    assert (seen.usable == inside).all()
    assert not (part_at(seen, (5000.0, 0.0, -100.0), SETTINGS).keep & ~inside).any()
    with pytest.raises(SettingsError, match=r"--box holds 0 points.*two opposite corners"):
        in_box(scan, (0.0, 0.0, 0.0), (10.0, 10.0, 10.0))
    with pytest.raises(SettingsError, match=r"--at 1,2,3: the nearest.*lies \d+ mm off"):
        part_at(scan, (1.0, 2.0, 3.0), SETTINGS)


def test_crumbs_have_no_part() -> None:
    rng = np.random.default_rng(1)
    crumbs = 400.0 * rng.random((40, 1, 3)) + 4.0 * rng.random((40, 500, 3))
    with pytest.raises(ScanUnfitError, match=r"no part of this scan hangs together.*--at"):
        likely_parts(bare_cloud(crumbs.reshape(-1, 3), name="crumbs"))


# --- the command ---------------------------------------------------------------------------------


def room_file(folder: Path, *, faces: bool = False) -> tuple[Path, NDArray[np.void]]:
    """The room as a scanner's file: doubles far from zero, fields of its own, a row without
    numbers, a row twice."""
    points, _ = room()
    points = np.concatenate([points, points[:1], [[np.nan] * 3]])
    types = [("x", "<f8"), ("y", "<f8"), ("z", "<f8"), ("quality", "<f4"), ("red", "u1")]
    rows = np.zeros(len(points), types)
    for k, name in enumerate("xyz"):
        rows[name] = points[:, k] + (412_000.0, -5_318_000.0, 85.0)[k]
    rows["quality"], rows["red"] = np.arange(len(rows)), np.arange(len(rows)) % 251
    path = folder / "room.ply"
    corners = np.array([[0, 1, 2], [1, 2, len(points) - 10], [3, 4, 5]], np.int32)
    write_ply(path, rows, faces=corners if faces else None)
    return path, rows


def test_the_command_writes_the_panel_with_every_field_as_read(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, rows = room_file(shop, faces=True)
    assert main(["crop", str(path), "--units", "mm"]) == 0
    said = capsys.readouterr().out
    assert "room_panel.ply: " in said
    assert "% of the scan: the largest curved part that faces one way, round 41" in said
    assert "if that is not the panel: --at 41" in said
    assert "Next: guidecoat check" in said
    kept = read_ply(shop / "room_panel.ply")
    numbers = kept.vertices["quality"].astype(int)
    assert (kept.vertices == rows[numbers]).all()
    assert len(rows) - 2 in numbers, "a repeated row goes with the one it repeats"
    assert kept.faces is not None
    assert [[numbers[k] for k in face] for face in kept.faces] == [[0, 1, 2], [3, 4, 5]]
    assert read_scan(shop / "room_panel.ply", units="mm").usable.sum() == len(numbers) - 1


def test_an_earlier_part_is_replaced_and_nothing_else(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, _ = room_file(shop)
    goal = shop / "panel.ply"
    for _ in range(2):
        assert main(["crop", str(path), str(goal), "--units", "mm", "--json"]) == 0
    summary = json.loads(capsys.readouterr().out.split("}\n{")[-1].join(["{", ""]))
    assert summary["points"] == len(read_ply(goal).vertices) - 1
    for taken in (path, shop):
        assert main(["crop", str(path), str(taken), "--units", "mm"]) == 2
        assert "something of this name is in the way" in capsys.readouterr().err
    assert len(read_ply(path).vertices) > len(read_ply(goal).vertices)
    assert main(["crop", str(path), str(shop / "no" / "panel.ply"), "--units", "mm"]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert sorted(one.name for one in shop.iterdir()) == ["panel.ply", "room.ply"]


@pytest.mark.parametrize(
    ("options", "code", "said"),
    [
        (["--at", "1,2"], 2, "needs 3 numbers parted by commas, X,Y,Z"),
        (["--box", "1,2,3,4,5,nan"], 2, "needs 6 numbers parted by commas"),
        (["--at", "0,0,0"], 2, "the nearest that was scanned lies"),
        (["--units", "ell"], 2, "units"),
    ],
)
def test_wrong_words_are_refused(
    shop: Path, capsys: pytest.CaptureFixture[str], options: list[str], code: int, said: str
) -> None:
    path, _ = room_file(shop)
    asked = options if "--units" in options else [*options, "--units", "mm"]
    assert main(["crop", str(path), *asked]) == code
    assert said in capsys.readouterr().err
    assert [one.name for one in shop.iterdir()] == ["room.ply"]
