"""Two panels in one scan, flush and a few millimetres apart, and what is like them and is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import check
from guidecoat.errors import ScanUnfitError
from guidecoat.panel.shut_lines import ShutLine
from guidecoat.panel.unrolled import unroll
from guidecoat.scans.scan import Scan
from guidecoat.settings import load_settings
from guidecoat.survey import survey
from guidecoat.synthetic import crowned_door, scan_panel, to_scan

Floats = NDArray[np.float64]

DOOR = crowned_door(length_mm=500.0, width_mm=350.0, crown_mm=12.0, crease=False)


def sampled(
    *, spacing_mm: float = 1.0, noise_mm: float = 0.05, seed: int = 1
) -> tuple[Scan, Floats]:
    """A sound door's scan, and the place of every point on the door."""
    made = scan_panel(DOOR, spacing_mm=spacing_mm, noise_mm=noise_mm, seed=seed, pose=np.eye(4))
    return to_scan(made, normals=True), made.st_mm


def without(scan: Scan, gone: NDArray[np.bool_]) -> Scan:
    return replace(scan, usable=scan.usable & ~gone)


def raised(scan: Scan, by_mm: Floats) -> Scan:
    points = scan.points_mm.copy()
    points[:, 2] += by_mm.astype(np.float32)
    return replace(scan, points_mm=points)


def off_lane(st: Floats, *, turn: float = 0.0, bend_mm: float = 0.0) -> Floats:
    """Distance from a line right across the door, straight or bent as a wing's edge is."""
    s, t = st.T
    along = t * np.cos(turn) - s * np.sin(turn)
    return np.asarray(s * np.cos(turn) + t * np.sin(turn) - bend_mm * (along / 175.0) ** 2)


def line_of(scan: Scan) -> ShutLine | None:
    return unroll(scan, load_settings()).shut_line


@pytest.mark.parametrize(
    ("gap", "spacing", "turn", "bend"),
    [
        (3.0, 0.7, 0.3, 6.0),
        (3.0, 1.0, 0.0, 0.0),
        (4.0, 1.0, 0.3, 6.0),
        (4.0, 1.5, 0.0, 0.0),
        (4.0, 2.0, 0.3, 0.0),
        (6.0, 1.0, 0.3, 6.0),
        (6.0, 2.0, 0.0, 0.0),
    ],
)
def test_a_lane_right_across_is_found(gap: float, spacing: float, turn: float, bend: float) -> None:
    """A few points bridge it, as dirt and the lane's own bottom do."""
    scan, st = sampled(spacing_mm=spacing, seed=2)
    bridging = np.random.default_rng(3).random(len(st)) < 0.04
    away = off_lane(st, turn=turn, bend_mm=bend)
    line = line_of(without(scan, (np.abs(away) < 0.5 * gap) & ~bridging))
    assert line is not None
    assert line.width_mm == pytest.approx(gap, abs=0.35 + 0.35 * spacing)
    assert line.length_mm == pytest.approx(350.0 / np.cos(turn), abs=16.0)
    assert abs(off_lane(np.array([line.middle_uv]), turn=turn, bend_mm=bend)[0]) < 6.0
    assert abs(line.step_mm) < 0.05
    assert not line.rolled
    assert not line.two_panels


def test_a_step_across_the_lane_means_two_panels() -> None:
    scan, st = sampled()
    away = off_lane(st, turn=0.2)
    apart = without(raised(scan, np.where(away > 0.0, 0.7, 0.0)), np.abs(away) < 2.0)
    said = r"two panels lie side by side.*4 mm wide.*by 0\.7 mm\. Take them out one by one"
    with pytest.raises(ScanUnfitError, match=said):
        unroll(apart, load_settings())
    with pytest.raises(ScanUnfitError, match="two panels"):
        check(apart, load_settings())
    assert "two panels" in str(survey(apart, load_settings()).unfit)


@pytest.mark.parametrize("floor", [False, True])
def test_rolled_edges_on_both_sides_mean_two_panels(floor: bool) -> None:
    """Hems roll into the lane; through it something 12 mm below may show."""
    scan, st = sampled()
    away = off_lane(st, turn=0.1)
    rim = np.clip(np.abs(away) - 2.0, 0.0, 2.0)
    roll = 2.0 - np.sqrt(4.0 - (2.0 - rim) ** 2)
    lane = np.abs(away) < 2.0
    hemmed = raised(scan, -np.where(lane, 12.0, roll))
    with pytest.raises(ScanUnfitError, match="edges that roll off into it"):
        unroll(hemmed if floor else without(hemmed, lane), load_settings())


def test_a_bare_lane_is_warned_of_with_the_remedy() -> None:
    """It may be a shut line or a strip the scanner missed: the panel is undecided, not refused."""
    scan, st = sampled()
    lane = without(scan, np.abs(off_lane(st)) < 2.0)
    sound, parted = (check(one, load_settings()) for one in (scan, lane))
    assert sound.verdict == "in"
    assert parted.verdict == "undecided"
    assert parted.regions == ()
    warning = next(one for one in parted.warnings if "lane 4 mm wide" in one)
    assert "take each out with `guidecoat crop --box` and check it by itself" in warning
    assert "from edge" in warning
    found = survey(lane, load_settings())
    assert "between two panels" in " ".join(" ".join(found.lines()).split())
    assert found.skin is not None
    assert found.skin.stages[0].verdict == "barely"
    assert found.summary()["skin"]["shut_line"]["width_mm"] == pytest.approx(4.0, abs=0.7)
    assert survey(scan, load_settings()).summary()["skin"]["shut_line"] is None


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("spacing", [0.7, 1.2, 2.0])
def test_a_sound_panel_has_none(spacing: float, seed: int) -> None:
    assert line_of(sampled(spacing_mm=spacing, seed=seed)[0]) is None


@pytest.mark.parametrize(
    "gone",
    [
        lambda s, t: (np.abs(s) < 2.0) & (np.abs(t) < 120.0),
        lambda s, t: (np.abs(s) < 2.0) & (np.abs(t) < 155.0),
        lambda s, t: (np.abs(s) < 3.0) & (t < 90.0),
        lambda s, t: (np.abs(s) < 3.0) & (t < 160.0),
        lambda s, t: ((np.abs(s) < 3.0) & (t < 20.0)) | ((np.abs(s - 6.0) < 3.0) & (t > 35.0)),
    ],
    ids=["slot", "long slot", "strip that ends", "strip that nearly crosses", "two strips"],
)
def test_what_leaves_the_panel_whole_is_none(gone: object) -> None:
    scan, st = sampled(seed=4)
    assert callable(gone)
    assert line_of(without(scan, gone(*st.T))) is None


@pytest.mark.parametrize("missing", [(), (60,)])
@pytest.mark.parametrize(("pitch", "along"), [(1.0, 1.0), (2.0, 0.6), (3.0, 0.3)])
def test_stripes_are_none_nor_is_a_missing_one(
    pitch: float, along: float, missing: tuple[int, ...]
) -> None:
    row, place = np.meshgrid(np.arange(0.0, 350.0, pitch), np.arange(0.0, 500.0, along))
    seen = ~np.isin(np.arange(row.shape[1]), missing)
    t, s = row[:, seen].ravel(), place[:, seen].ravel()
    rng = np.random.default_rng(5)
    points = DOOR.position_mm(s - 250.0, t - 175.0) + rng.normal(0.0, 0.05, (len(s), 3))
    scan = sampled(spacing_mm=3.0)[0]
    striped = replace(
        scan,
        points_mm=points.astype(np.float32),
        usable=np.ones(len(points), bool),
        normals=np.tile(np.array([0.0, 0.0, 1.0], np.float32), (len(points), 1)),
    )
    assert line_of(striped) is None
