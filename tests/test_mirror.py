"""Left against right: shape told apart from position, planes found, the other side as a model."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.cli import main
from guidecoat.compare.against_other import check_like
from guidecoat.compare.mirror import MirrorOptions, MirrorResult, mirror_body, mirror_pair
from guidecoat.compare.placing import place_scan
from guidecoat.compare.reflecting import mirrored
from guidecoat.doubts.remarks import beside_other_side
from guidecoat.errors import ScanUnfitError, SettingsError
from guidecoat.export.mirror_files import write_mirror
from guidecoat.findings.untold import FADES, untold_words
from guidecoat.formats.ply import write_ply
from guidecoat.registration import Registration
from guidecoat.registration.rigid import small_motions
from guidecoat.scans.scan import Scan
from guidecoat.scans.scan_io import read_scan
from guidecoat.settings import load_settings
from guidecoat.synthetic import Dimple
from pair_fixture import DENT, HIGH, ONE_FRAME, PANEL, counterpart, seen

Floats = NDArray[np.float64]
SETTINGS = load_settings("metal", overrides={"tolerance.height_mm": 0.3})
X_PLANE = MirrorOptions(plane=((0.0, 0.0, 0.0), (1.0, 0.0, 0.0)))
# A door hangs some 800 mm off the middle of the vehicle, its outside looking along x.
OUTWARD = np.array(
    [[0.0, 0.0, 1.0, 800.0], [1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]]
)
OTHERS_LOW = Dimple((120.0, 60.0), -0.9, (50.0, 50.0))


def hung(shift_mm: tuple[float, float, float], turn_mrad: tuple[float, float, float]) -> Floats:
    """A panel's place on the vehicle, moved from its drawing by a shift and a turn about itself."""
    step = small_motions(np.array([[*turn_mrad, 0.0, 0.0, 0.0]]) * 1e-3)[0]
    middle = OUTWARD[:3, 3]
    step[:3, 3] = middle - step[:3, :3] @ middle + shift_mm
    return np.asarray(step @ OUTWARD)


@pytest.fixture(scope="module")
def left() -> Scan:
    return seen((DENT, HIGH), seed=1, pose=OUTWARD, name="left")[0]


@pytest.fixture(scope="module")
def right() -> Scan:
    return counterpart(seen((OTHERS_LOW,), seed=2, spacing_mm=1.8, pose=OUTWARD, name="right")[0])


@pytest.fixture(scope="module")
def pair(left: Scan, right: Scan) -> MirrorResult:
    return mirror_pair(left, right, SETTINGS, X_PLANE)


def told(result: MirrorResult) -> dict[str, float]:
    return {r.region: r.peak_mm for r in result.shape.regions if r.kind != "ripple"}


def test_both_panels_marks_show_with_the_right_sign(pair: MirrorResult) -> None:
    peaks = told(pair)
    assert list(peaks) == ["H1", "H2", "L1"]
    truth = (-OTHERS_LOW.peak_mm, HIGH.peak_mm, DENT.peak_mm)
    assert list(peaks.values()) == pytest.approx(truth, abs=0.06)
    actions = {r.region: r.action for r in pair.shape.regions}
    said = r"the other panel's low, not this one's: look there \(this \+0\.0\d, other -0\.\d\d mm\)"
    assert re.fullmatch(said, actions["H1"])
    assert "look there" not in actions["L1"]


def test_a_panel_that_hangs_true_has_no_position_error(pair: MirrorResult) -> None:
    assert pair.position is not None
    assert np.abs(pair.position.shift_mm[0]) < 0.03
    assert np.abs(pair.position.shift_mm).max() < 0.25
    assert np.abs(pair.position.turn_mrad[1:]).max() < 0.15


def test_position_is_told_apart_from_shape(right: Scan) -> None:
    shift_mm, turn_mrad = (-2.0, 0.0, 1.0), (0.0, 4.0, -2.0)
    low = seen((DENT, HIGH), seed=3, pose=hung(shift_mm, turn_mrad), name="low door")[0]
    result = mirror_pair(low, right, SETTINGS, X_PLANE)
    assert result.position is not None
    # The turn is about the door's middle, and so is what is told, to a few millimetres.
    assert result.position.shift_mm[0] == pytest.approx(shift_mm[0], abs=0.03)
    assert result.position.turn_mrad[1:] == pytest.approx(turn_mrad[1:], abs=0.2)
    assert result.position.shift_mm[1:] == pytest.approx(shift_mm[1:], abs=0.3)
    truth = (-OTHERS_LOW.peak_mm, HIGH.peak_mm, DENT.peak_mm)
    assert list(told(result).values()) == pytest.approx(truth, abs=0.06)


def test_swapped_sides_negate_the_shape(left: Scan, right: Scan, pair: MirrorResult) -> None:
    back = mirror_pair(right, left, SETTINGS, X_PLANE)
    ours, theirs = told(pair), told(back)
    assert list(theirs) == ["H1", "L1", "L2"]
    assert theirs["H1"] == pytest.approx(-ours["L1"], abs=0.05)
    assert theirs["L1"] == pytest.approx(-ours["H1"], abs=0.05)
    assert theirs["L2"] == pytest.approx(-ours["H2"], abs=0.05)
    assert back.position is not None
    assert pair.position is not None


def test_mirrored_twice_is_the_same_scan(left: Scan) -> None:
    point, normal = np.array([3.0, -2.0, 1.0]), np.array([1.0, 2.0, -0.5])
    again = mirrored(mirrored(left, point, normal), point, normal)
    np.testing.assert_allclose(again.origin, left.origin, atol=1e-9)
    np.testing.assert_allclose(again.points_mm, left.points_mm, atol=1e-4)
    np.testing.assert_array_equal(again.vertices, left.vertices)


def test_a_reflected_mesh_still_faces_outward(left: Scan) -> None:
    faces = np.array([[0, 1, 2], [2, 3, 4]], np.int32)
    meshed = replace(
        left,
        faces=faces,
        normals=np.tile(np.array([0, 0, 1], np.float32), (len(left.points_mm), 1)),
    )
    seen_back = mirrored(meshed, np.zeros(3), np.array([0.0, 0.0, 1.0]))
    assert seen_back.faces is not None
    assert seen_back.normals is not None
    a, b, c = (meshed.points_mm[faces[:, k]].astype(float) for k in range(3))
    out = np.cross(b - a, c - a)
    a, b, c = (seen_back.points_mm[seen_back.faces[:, k]].astype(float) for k in range(3))
    np.testing.assert_allclose(np.cross(b - a, c - a), out * [1, 1, -1], rtol=1e-3, atol=1e-3)
    np.testing.assert_array_equal(seen_back.normals[0], [0, 0, -1])


@pytest.fixture(scope="module")
def body() -> Scan:
    """Both doors of a vehicle in one scan, somewhere in space, the left with a dent."""
    pose = small_motions(np.array([[0.3, -0.2, 0.5, 0.0, 0.0, 0.0]]))[0]
    pose[:3, 3] = (250.0, -90.0, 40.0)
    scans = [seen((DENT,), seed=5, pose=OUTWARD)[0], seen((), seed=6, pose=OUTWARD)[0]]
    flip = np.array([-1.0, 1.0, 1.0])
    places = [s.points_mm.astype(float) + s.origin for s in scans]
    both = np.vstack([places[0], places[1] * flip]) @ pose[:3, :3].T + pose[:3, 3]
    rows = np.empty(len(both), [(axis, "f4") for axis in "xyz"])
    for k, axis in enumerate("xyz"):
        rows[axis] = both[:, k]
    origin = np.round(both.mean(0))
    return replace(
        scans[0],
        name="body",
        points_mm=(both - origin).astype(np.float32),
        usable=np.ones(len(both), bool),
        origin=origin,
        vertices=rows,
    )


def test_a_body_finds_its_own_plane(body: Scan) -> None:
    result = mirror_body(body, SETTINGS)
    pose = small_motions(np.array([[0.3, -0.2, 0.5, 0.0, 0.0, 0.0]]))[0]
    truth = pose[:3, 0]
    assert result.plane is not None
    tilt = np.linalg.norm(np.cross(result.plane.normal, truth))
    assert 1e3 * tilt < 0.1
    # Where it lies matters amid the body.
    amid = np.array([250.0, -90.0, 40.0])
    assert abs((result.plane.point - amid) @ truth) < 0.05
    assert "side towards" in result.side.scan.name
    # There is nothing but the two doors.
    assert result.position is None
    assert result.plane_decided_by == "the two sides alone"
    peaks = [r.peak_mm for r in result.shape.regions if r.kind != "ripple"]
    assert [abs(p) for p in peaks] == pytest.approx([abs(DENT.peak_mm)], abs=0.06)
    status = result.shape.deviation.point_status
    assert len(status) == len(body.points_mm)
    assert (status <= 3).mean() == pytest.approx(0.4, abs=0.1)


@pytest.fixture(scope="module")
def long_dent() -> tuple[Scan, Scan]:
    """A dent longer than any batten follows, and a sound counterpart scanned apart."""
    dent = Dimple((0.0, 0.0), -1.2, (205.0, 120.0))
    bad = seen((dent, Dimple((230.0, -130.0), -0.6, (36.0, 36.0))), seed=8, name="bad")[0]
    good = counterpart(seen((), seed=9, spacing_mm=1.8, pose=None, name="good")[0])
    return bad, good


def test_the_other_side_shows_damage_longer_than_the_batten(long_dent: tuple[Scan, Scan]) -> None:
    bad, good = long_dent
    like = check_like(bad, good, SETTINGS, reflected=True)
    lows = {r.region: r for r in like.regions if r.kind == "low"}
    assert lows["L1"].peak_mm == pytest.approx(-1.2, abs=0.06)
    assert lows["L2"].peak_mm == pytest.approx(-0.6, abs=0.06)
    truth = 1.2 * 205.0 * 120.0 * (np.pi / 2.0 - 2.0 / np.pi) / 1000.0
    assert lows["L1"].volume_cm3 == pytest.approx(-truth, rel=0.05)
    assert like.verdict == "out"
    assert not any("as long as the batten" in w for w in like.warnings)
    assert any("Measured against good, reflected" in w for w in like.warnings)
    # The plan fills what the other side shows, which this scan alone would take for form.
    assert like.plan is not None
    assert [r.region for r in like.plan.regions] == [r.region for r in like.regions]
    assert 1000.0 * like.plan.tap.litres > 0.9 * truth


def test_a_mark_of_the_model_is_not_worked_on(left: Scan) -> None:
    low = Dimple((120.0, 60.0), -0.9, (50.0, 50.0))
    model = seen((low,), seed=14, pose=OUTWARD, name="model")[0]
    like = check_like(left, model, SETTINGS, reflected=False)
    action = {r.region: r.action for r in like.regions}
    assert action["H1"].startswith("the other panel's low, not this one's: look there (this ")
    assert like.plan is not None
    assert [r.region for r in like.plan.regions] == ["H2", "L1"]
    assert "look there" not in action["H2"] + action["L1"]


def test_an_earlier_scan_of_the_same_panel_is_a_model_too(left: Scan) -> None:
    earlier = seen((), seed=11, pose=OUTWARD, name="earlier")[0]
    like = check_like(left, earlier, SETTINGS, reflected=False)
    peaks = {r.region: r.peak_mm for r in like.regions if r.kind != "ripple"}
    assert peaks == pytest.approx({"H1": HIGH.peak_mm, "L1": DENT.peak_mm}, abs=0.06)


@pytest.mark.slow
def test_two_scans_of_one_side_are_told(left: Scan) -> None:
    same = seen((HIGH,), seed=12, pose=None, name="same side")[0]
    with pytest.raises(ScanUnfitError, match=r"both show the same side\. Use `guidecoat compare`"):
        mirror_pair(left, same, SETTINGS)


@pytest.mark.slow
def test_panels_scanned_apart_tell_shape_and_no_position(left: Scan) -> None:
    apart = counterpart(seen((OTHERS_LOW,), seed=13, pose=None, name="apart")[0])
    result = mirror_pair(left, apart, SETTINGS)
    truth = (-OTHERS_LOW.peak_mm, HIGH.peak_mm, DENT.peak_mm)
    assert list(told(result).values()) == pytest.approx(truth, abs=0.06)
    assert result.position is None
    assert "scanned apart" in result.position_words
    assert np.linalg.det(result.T_side_other[:3, :3]) == pytest.approx(-1.0)


def test_a_plane_found_from_the_two_panels_tells_no_position(right: Scan) -> None:
    """Half of what one hangs out is taken for the plane's own place, and no more is left over."""
    out = seen((), seed=14, pose=hung((1.0, 0.0, 0.0), (0.0, 0.0, 0.0)), name="out")[0]
    result = mirror_pair(out, right, SETTINGS, MirrorOptions(already_aligned=True))
    assert result.plane is not None
    assert result.plane.point @ result.plane.normal == pytest.approx(0.5, abs=0.05)
    assert result.position is None
    assert "moves with them" in result.position_words
    assert "--plane" in result.position_words


def loosely(*scans: Scan, **given: object) -> tuple[Floats, Registration]:
    motion, found = place_scan(*scans, **given)  # type: ignore[arg-type]
    return motion, replace(found, scatter_mm=9.0 * found.noise_mm)


def test_a_placing_that_may_be_tilted_is_told(
    left: Scan, right: Scan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the edges can't be laid on each other either; nothing is advised that was done."""

    def no_edges(*_: object) -> None:
        raise ScanUnfitError("too few cells beside held edges are in both scans")

    monkeypatch.setattr("guidecoat.compare.laying.place_scan", loosely)
    monkeypatch.setattr("guidecoat.compare.mirror.part_at_edges", no_edges)
    warnings = mirror_pair(left, right, SETTINGS, X_PLANE).warnings
    told = next(w for w in warnings if "may be tilted" in w)
    assert "--pairs" in told
    assert "--already-aligned" not in told


def test_a_plane_without_direction_is_refused(left: Scan, right: Scan) -> None:
    bad = MirrorOptions(plane=((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)))
    with pytest.raises(SettingsError, match="normal has no direction"):
        mirror_pair(left, right, SETTINGS, bad)


def test_files(pair: MirrorResult, left: Scan, tmp_path: Path) -> None:
    write_mirror(pair, tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {
        "mirror.ply",
        "mirror.glb",
        "mirror.png",
        "regions.csv",
        "report.html",
        "summary.json",
    }
    back = read_scan(tmp_path / "mirror.ply", units="mm")
    np.testing.assert_array_equal(back.vertices["x"], left.vertices["x"])
    assert np.isfinite(back.vertices["difference"]).mean() > 0.75
    summary = json.loads((tmp_path / "summary.json").read_text("utf-8"))
    assert set(summary) >= {"plane", "position", "shape", "registration", "regions", "verdict"}
    assert set(summary["shape"]) >= {"rms_mm", "min_mm", "max_mm"}
    assert len(summary["position"]["shift_mm"]) == len(summary["position"]["turn_mrad"]) == 3
    assert summary["plane"]["normal"] == [1.0, 0.0, 0.0]


def test_the_command_line(left: Scan, right: Scan, shop: Path) -> None:
    write_ply(shop / "left.ply", left.vertices)
    # A reflected scan keeps the file's own rows; the file of the right panel is the reflected one.
    rows = right.vertices.copy()
    rows["x"] = -rows["x"]
    write_ply(shop / "right.ply", rows)
    plane = ["--plane", "0,0,0,1,0,0"]
    assert main(["mirror", "left.ply", "right.ply", *plane, "--quiet"]) == 0
    assert (shop / "left_against_right_guidecoat" / "mirror.png").is_file()
    assert main(["mirror", "left.ply", "right.ply", "--plane", "0,0,1"]) == 2
    assert main(["check", "left.ply", "--like", "right.ply", "--like-as", "turned"]) == 2


def test_no_side_is_advised_to_be_compared_with_the_other(pair: MirrorResult) -> None:
    """That is what was done; whatever else helps is told."""
    said = [w for w in pair.warnings if w.startswith("Damage as long as the batten")]
    assert said
    assert all("(--hold), compare with an earlier scan or with a sound donor" in w for w in said)
    assert not any("other side" in w for w in said)
    doubted = untold_words((replace(pair.side.result.regions[0], doubt=FADES),))
    (left,) = beside_other_side(tuple(doubted))
    assert left.endswith("give its body lines (--creases) or another batten (--batten).")


def test_panel_fixture_is_no_mirror_image_of_itself() -> None:
    s, t = np.meshgrid(np.linspace(-250.0, 250.0, 11), np.linspace(-150.0, 150.0, 9))
    height = PANEL.position_mm(s.ravel(), t.ravel())[:, 2]
    turned = PANEL.position_mm(-s.ravel(), t.ravel())[:, 2]
    assert np.abs(height - turned).max() > 1.0
    np.testing.assert_array_equal(ONE_FRAME, np.eye(4))
