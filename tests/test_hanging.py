"""How a panel hangs: flush and gaps against the other side's, edge by edge."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.cli.mirror import mirror_lines
from guidecoat.cli.words import on_any_terminal
from guidecoat.compare.hanging import EdgeHang, Position
from guidecoat.compare.mirror import MirrorOptions, MirrorResult, mirror_pair
from guidecoat.errors import SettingsError
from guidecoat.export.compare_summary import mirror_summary
from guidecoat.registration.rigid import small_motions
from guidecoat.scans.scan import Scan
from guidecoat.settings import load_settings
from guidecoat.wording.hanging_words import hanging_words
from pair_fixture import counterpart, seen

Floats = NDArray[np.float64]
SETTINGS = load_settings("metal")
PLANE = MirrorOptions(plane=((0.0, 0.0, 0.0), (1.0, 0.0, 0.0)))
# 800 mm off the middle of the vehicle, its outside looking along x, its length along y.
OUTWARD = np.array(
    [[0.0, 0.0, 1.0, 800.0], [1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]]
)
TRUE = EdgeHang("A", 0.0, 0.01, (0.0, 0.0), 0.01)


def hung(shift_mm: tuple[float, float, float], about_x_mrad: float = 0.0) -> Floats:
    step = small_motions(np.array([[1e-3 * about_x_mrad, 0.0, 0.0, 0.0, 0.0, 0.0]]))[0]
    middle = OUTWARD[:3, 3]
    step[:3, 3] = middle - step[:3, :3] @ middle + shift_mm
    return np.asarray(step @ OUTWARD)


def seen_at(pose: Floats, seed: int) -> Scan:
    return seen((), seed=seed, spacing_mm=2.5, pose=pose, name="left")[0]


@pytest.fixture(scope="module")
def right() -> Scan:
    return counterpart(seen((), seed=2, spacing_mm=2.5, pose=OUTWARD, name="right")[0])


@pytest.fixture(scope="module")
def moved(right: Scan) -> MirrorResult:
    """Hung 0.7 mm out and 2.4 mm towards +y, and turned by 3 mrad in its own plane."""
    return mirror_pair(seen_at(hung((0.7, 2.4, 0.0), 3.0), 5), right, SETTINGS, PLANE)


def with_hung(result: MirrorResult, *hangs: EdgeHang, **gaps: float) -> MirrorResult:
    own = load_settings("metal", overrides={f"gaps.{key}": value for key, value in gaps.items()})
    return replace(result, hung=hangs, settings=own)


def said(result: MirrorResult) -> dict[str, str]:
    return dict(hanging_words(result))


def test_edges_tell_what_was_done_to_the_panel(moved: MirrorResult) -> None:
    """Along y the panel moved towards one short edge; the turn tapers the long edges' gaps."""
    assert len(moved.hung) == 4
    gaps = sorted((np.mean(hang.narrower_mm), np.ptp(hang.narrower_mm)) for hang in moved.hung)
    assert gaps[0][0] == pytest.approx(-2.4, abs=0.15)
    assert gaps[-1][0] == pytest.approx(2.4, abs=0.15)
    # Over the 600 mm of a long edge less its corners, 3 mrad are some 1.3 mm.
    tapers = [np.ptp(h.narrower_mm) for h in moved.hung if abs(np.mean(h.narrower_mm)) < 1.0]
    assert len(tapers) == 2
    assert min(tapers) > 0.9
    for hang in moved.hung:
        # Out by 0.7 mm, less or more by what 2.4 mm along a crowned skin rise.
        assert hang.proud_mm == pytest.approx(0.7, abs=0.35)
        assert 0.0 < hang.proud_sigma_mm < 0.05


def test_moved_is_the_rigid_motion() -> None:
    at = Position(np.array([1.0, 2.0, 3.0]), np.array([0.0, 0.0, 2.0]), 0.1, 0.1, np.zeros(3))
    np.testing.assert_allclose(at.moved_mm(np.array([[500.0, 0.0, 0.0]])), [[1.0, 3.0, 3.0]])


def test_a_panel_that_hangs_true_is_flush_for_show(right: Scan) -> None:
    result = mirror_pair(seen_at(OUTWARD, 6), right, SETTINGS, PLANE)
    words = said(result)
    assert words["Flush"].startswith("Within \u00b10.25 mm of the other side at every edge")
    assert words["Gaps"].startswith("Alike on both sides to 0.1 mm")


@pytest.mark.parametrize(
    ("proud_mm", "begin"),
    [
        (0.23, "Within \u00b10.25 mm of the other side at every edge, as for show"),
        (-0.30, "Within \u00b10.5 mm of the other side at every edge; beyond \u00b10.25 mm"),
        (
            0.505,
            "Perhaps out, beyond \u00b10.5 mm of the other side: edge A +0.51 mm (?",
        ),
        (-0.52, "Out, beyond \u00b10.5 mm of the other side: edge A \u22120.52 mm (+"),
    ],
)
def test_flush_at_its_guard_bands(moved: MirrorResult, proud_mm: float, begin: str) -> None:
    hang = replace(TRUE, proud_mm=proud_mm)
    assert said(with_hung(moved, hang))["Flush"].startswith(begin)


def test_the_shops_own_flush_decides(moved: MirrorResult) -> None:
    hang = replace(TRUE, proud_mm=0.4)
    words = said(with_hung(moved, hang, flush_mm=0.3))["Flush"]
    assert words.startswith("Out, beyond \u00b10.3 mm of the other side")
    words = said(with_hung(moved, hang, flush_show_mm=0.45))["Flush"]
    assert words.endswith("as for show.")


def test_gaps_that_cannot_both_be_right(moved: MirrorResult) -> None:
    """Gaps of 3 to 5 mm differ by 2 mm at most."""
    within = replace(TRUE, narrower_mm=(1.9, 1.95))
    beyond = replace(TRUE, edge="B", narrower_mm=(-2.1, -2.05))
    words = said(with_hung(moved, within, beyond))["Gaps"]
    assert "at A 1.9 mm narrower, at B 2.1 mm wider" in words
    assert "gaps of 3 to 5 mm differ by 2 mm at most, so at B one side's is out" not in words
    beyond = replace(beyond, narrower_mm=(-2.2, -2.15))
    words = said(with_hung(moved, within, beyond))["Gaps"]
    assert "gaps of 3 to 5 mm differ by 2 mm at most, so at B one side's is out" in words
    words = said(with_hung(moved, within, beyond, narrowest_mm=2.0))["Gaps"]
    assert "is out" not in words


def test_a_gap_that_tapers_is_not_even(moved: MirrorResult) -> None:
    words = said(with_hung(moved, replace(TRUE, narrower_mm=(-0.3, 0.8))))["Gaps"]
    assert "at A from 0.3 mm wider to 0.8 mm narrower, not even" in words


def test_paint_closes_gaps_that_are_not_painted_yet(moved: MirrorResult) -> None:
    words = said(with_hung(moved, TRUE))["Gaps"]
    assert "Wanted: 3.6 to 5.6 mm before paint, which closes them by 0.6 mm" in words
    painted = replace(with_hung(moved, TRUE), settings=load_settings("paint"))
    assert "Wanted: 3 to 5 mm, and even" in said(painted)["Gaps"]


def test_without_the_vehicles_plane_nothing_is_said(right: Scan) -> None:
    """A plane found from the two panels shares what is between them out."""
    left = seen_at(hung((0.7, 0.0, 0.0)), 7)
    for options in (MirrorOptions(), MirrorOptions(already_aligned=True)):
        assert hanging_words(mirror_pair(left, right, SETTINGS, options)) == ()


def test_terminal_and_summary_tell_the_same(moved: MirrorResult, tmp_path: Path) -> None:
    summary = mirror_summary(moved)["position"]
    assert [edge["edge"] for edge in summary["edges"]] == [h.edge for h in moved.hung]
    words = said(moved)
    lines = on_any_terminal([f"{name}: {line}" for name, line in words.items()])
    assert set(mirror_lines(moved, tmp_path)) >= set(lines)
    assert summary["hanging"] == {"flush": words["Flush"], "gaps": words["Gaps"]}


@pytest.mark.parametrize(
    "overrides",
    [{"gaps.narrowest_mm": 5.5}, {"gaps.flush_show_mm": 0.6}],
)
def test_limits_must_rise(overrides: dict[str, object]) -> None:
    with pytest.raises(SettingsError, match="must not fall from left to right"):
        load_settings("metal", overrides=overrides)
