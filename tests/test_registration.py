"""Two scans into one frame: known poses, changed and missing parts, weak shapes, refusals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.errors import ScanUnfitError, SettingsError
from guidecoat.registration import (
    MirrorPlane,
    Registration,
    RegistrationSettings,
    find_mirror_plane,
    reflect,
    register,
    require_observable,
    umeyama,
)
from guidecoat.registration.cut_edges import Strip, edges_of, fit_together
from guidecoat.registration.edge_windows import find_windows, read_edges
from guidecoat.registration.placing import settled
from guidecoat.registration.rigid import inverse, move, reflection, small_motions
from guidecoat.registration.settling_edges import CELL_MM as EDGE_CELL_MM
from guidecoat.registration.settling_edges import settled_on_edges
from guidecoat.registration.surfels import make_surfels
from guidecoat.synthetic import Dimple, Panel, Part, crowned_door, scan_panel, wing

Array = NDArray[np.float64]
Height = Callable[[Array, Array], Array]

TWISTED = crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=13.0, twist_mm=3.0)
NEARLY_SYMMETRIC = crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=13.0, twist_mm=1.0)


def door_height(x: Array, y: Array) -> Array:
    """A crowned skin with a soft crease that runs out of parallel, mm."""
    line = y - 90.0 - 0.06 * x
    crown = -20.0 * (x / 450.0) ** 2 - 14.0 * (y / 270.0) ** 2 - 3.0 * (x / 450.0) ** 3
    return crown - 0.06 * (np.sqrt(line**2 + 15.0**2) - 15.0)


def scan_height(
    height: Height,
    *,
    seed: int,
    half: tuple[float, float] = (450.0, 270.0),
    count: int = 120_000,
    noise_mm: float = 0.05,
    change: Height | None = None,
    opening: bool = True,
) -> tuple[Array, Array]:
    """Random points on z = height(x, y) with noise along z, and their unit normals."""
    generator = np.random.default_rng(seed)
    x = generator.uniform(-half[0], half[0], count)
    y = generator.uniform(-half[1], half[1], count)
    if opening:
        kept = np.hypot((x - 250.0) / 70.0, (y + 60.0) / 30.0) > 1.0
        x, y = x[kept], y[kept]
    z = height(x, y) + (change(x, y) if change else 0.0)
    step = 1e-3
    slope = np.stack(
        [
            (height(x - step, y) - height(x + step, y)) / (2.0 * step),
            (height(x, y - step) - height(x, y + step)) / (2.0 * step),
            np.ones_like(x),
        ],
        axis=1,
    )
    normals = slope / np.linalg.norm(slope, axis=1, keepdims=True)
    return np.stack([x, y, z], axis=1) + noise_mm * generator.normal(size=(len(x), 1)) * normals, (
        normals
    )


def wing_points(*, seed: int, count: int = 100_000, noise_mm: float = 0.05) -> Array:
    """A wing that wraps 95 degrees, its radius changing along it, with a slanted end."""
    generator = np.random.default_rng(seed)
    u = generator.uniform(-350.0, 350.0, count)
    angle = np.deg2rad(generator.uniform(-47.5, 47.5, count))
    kept = u < 300.0 + 60.0 * np.sin(angle)
    u, angle = u[kept], angle[kept]
    radius = 330.0 - 25.0 * (u / 350.0) ** 2 + 12.0 * np.cos(2.0 * angle + u / 200.0)
    radius = radius + noise_mm * generator.normal(size=len(u))
    return np.stack([u, radius * np.sin(angle), radius * np.cos(angle) - 250.0], axis=1)


def torus_points(*, seed: int, count: int = 80_000, noise_mm: float = 0.05) -> Array:
    """An outer part of a torus, its outline a skew quadrangle."""
    generator = np.random.default_rng(seed)
    a, b = generator.uniform(-0.4, 0.4, (2, count))
    kept = (a + 0.5 * b < 0.42) & (b - 0.3 * a > -0.33)
    a, b = a[kept], b[kept]
    minor = 320.0 + noise_mm * generator.normal(size=len(a))
    ring = 500.0 + minor * np.cos(b)
    return np.stack([ring * np.sin(a), minor * np.sin(b), ring * np.cos(a) - 780.0], axis=1)


def pose(seed: int) -> Array:
    """Any turn, a shift of up to half a metre."""
    generator = np.random.default_rng(seed)
    turn = generator.normal(size=3)
    turn *= generator.uniform(0.0, np.pi) / np.linalg.norm(turn)
    return small_motions(np.concatenate([turn, generator.uniform(-500.0, 500.0, 3)])[None])[0]


def filler(x: Array, y: Array) -> Array:
    """Four smooth builds and lows of 1.5 to 4 mm over a quarter of the door."""
    total = np.zeros_like(x)
    for at_x, at_y, radius, peak in (
        (-250.0, 40.0, 150.0, 3.0),
        (60.0, -120.0, 120.0, 4.0),
        (320.0, 150.0, 110.0, -1.5),
        (-300.0, -180.0, 85.0, 1.5),
    ):
        r = np.minimum(np.hypot(x - at_x, y - at_y) / radius, 1.0)
        total += 0.5 * peak * (1.0 + np.cos(np.pi * r))
    return total


def assert_placed(
    found: Registration,
    truth: Array,
    points: Array,
    normals: Array | None = None,
    *,
    across_mm: float = 0.02,
    along_mm: float = 0.1,
    turn_mrad: float = 0.05,
) -> None:
    """Within the limits over all points: across the skin, along it, and in turn."""
    some = points[::200]
    apart = move(found.T_target_source, some) - move(truth, some)
    if normals is not None:
        out = normals[::200] @ truth[:3, :3].T
        assert np.abs(np.einsum("nk,nk->n", apart, out)).max() < across_mm
    assert np.linalg.norm(apart, axis=1).max() < along_mm
    turned = truth[:3, :3].T @ found.T_target_source[:3, :3]
    assert 1e3 * np.linalg.norm(turned - np.eye(3)) / np.sqrt(2.0) < turn_mrad
    assert np.linalg.det(found.T_target_source[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    assert found.converged


def test_umeyama_reflection_trap() -> None:
    # Umeyama 1991, PAMI 13(4) 376, the example; figures computed.
    x = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
    y = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    scale, rotation, shift = umeyama(x, y, with_scale=True)
    np.testing.assert_allclose(rotation, [[0.832050, 0.554700], [-0.554700, 0.832050]], atol=1e-6)
    assert scale == pytest.approx(0.721110, abs=1e-6)
    np.testing.assert_allclose(shift, [-0.8, 0.4], atol=1e-6)
    error = ((y - (scale * x @ rotation.T + shift)) ** 2).sum(1).mean()
    assert error == pytest.approx(0.533333, abs=1e-6)
    assert np.linalg.det(umeyama(x, y)[1]) == pytest.approx(1.0)


def test_umeyama_exact_and_degenerate() -> None:
    x = np.random.default_rng(1).normal(size=(6, 3))
    truth = pose(5)
    _, rotation, shift = umeyama(x, move(truth, x))
    np.testing.assert_allclose(rotation, truth[:3, :3], atol=1e-12)
    np.testing.assert_allclose(shift, truth[:3, 3], atol=1e-9)
    line = np.outer(np.arange(4.0), [1.0, 2.0, 3.0])
    with pytest.raises(ScanUnfitError, match="one line"):
        umeyama(line, line)
    with pytest.raises(SettingsError, match="same number"):
        umeyama(x, x[:5])


@dataclass(frozen=True, eq=False)
class Laid:
    """Two scans, the later moved by a known motion, and how the earlier one was laid on it."""

    before: Array
    normals: Array
    moved: Array
    truth: Array
    found: Registration


@pytest.fixture(scope="module")
def quarter_filled() -> Laid:
    """A door before and after a quarter of it was changed, in frames of their own."""
    before, normals = scan_height(door_height, seed=10)
    after, _ = scan_height(door_height, seed=20, count=90_000, change=filler)
    truth = pose(0)
    moved = move(truth, after)
    return Laid(before, normals, moved, truth, register(before, moved))


def test_door_with_a_quarter_changed(quarter_filled: Laid) -> None:
    found = quarter_filled.found
    assert_placed(found, quarter_filled.truth, quarter_filled.before, quarter_filled.normals)
    assert found.overlap > 0.95
    # No cell that was built up by over half a millimetre took part.
    x, y, _ = found.source_cells_mm.T
    built = np.abs(filler(x, y)) > 0.5
    assert found.unchanged[built].mean() < 0.01
    assert found.unchanged[filler(x, y) == 0.0].mean() > 0.9
    assert not found.loose
    require_observable(found)


@pytest.mark.parametrize("seed", [3])
def test_change_of_six_millimetres_and_a_missing_third(seed: int) -> None:
    before, normals = scan_height(door_height, seed=30 + seed)
    after, _ = scan_height(door_height, seed=40 + seed, change=lambda x, y: 2.0 * filler(x, y))
    after = after[after[:, 0] < 180.0]
    truth = pose(seed)
    found = register(before, move(truth, after))
    assert_placed(found, truth, before, normals, across_mm=0.03, along_mm=0.3, turn_mrad=0.2)


@pytest.mark.parametrize(("points", "turn_mrad"), [(wing_points, 0.15), (torus_points, 0.15)])
def test_other_shapes(points: Callable[..., Array], turn_mrad: float) -> None:
    truth = pose(7)
    source, target = points(seed=1), points(seed=2)
    found = register(source, move(truth, target))
    assert_placed(found, truth, source, turn_mrad=turn_mrad)


def test_half_overlap_of_a_shape_that_holds() -> None:
    def bumpy(x: Array, y: Array) -> Array:
        waves = 4.0 * np.sin(x / 90.0 + 1.0) * np.cos(y / 70.0) + 3.0 * np.sin((x + 2 * y) / 130.0)
        return door_height(x, y) + waves

    one, normals = scan_height(bumpy, seed=1)
    two, _ = scan_height(bumpy, seed=2)
    keep = one[:, 0] < 150.0
    truth = pose(11)
    found = register(one[keep], move(truth, two[two[:, 0] > -150.0]))
    assert_placed(found, truth, one, normals)
    assert found.overlap == pytest.approx(0.5, abs=0.06)


def test_swap_gives_the_inverse_and_repeats_are_the_same(quarter_filled: Laid) -> None:
    before, moved, there = quarter_filled.before, quarter_filled.moved, quarter_filled.found
    back = register(moved, before)
    np.testing.assert_allclose(
        move(back.T_target_source, move(there.T_target_source, before[::500])),
        before[::500],
        atol=0.06,
    )
    again = register(before, moved)
    np.testing.assert_array_equal(again.T_target_source, there.T_target_source)
    np.testing.assert_array_equal(again.unchanged, there.unchanged)
    assert again.rms_mm == there.rms_mm


def test_already_aligned_moves_nothing() -> None:
    before, _ = scan_height(door_height, seed=1, count=60_000)
    after, _ = scan_height(door_height, seed=2, count=60_000, change=filler)
    found = register(before, after, already_aligned=True)
    np.testing.assert_array_equal(found.T_target_source, np.eye(4))
    assert found.rms_mm < 0.03
    assert not found.loose
    for away in ([0.0, 0.0, 400.0], [0.0, 0.0, 4.0]):
        with pytest.raises(ScanUnfitError, match=r"do not share one frame\. Leave out"):
            register(before, after + np.array(away), already_aligned=True)


def test_picked_points_give_the_start() -> None:
    before, normals = scan_height(door_height, seed=1, count=120_000)
    after, _ = scan_height(door_height, seed=2, count=120_000)
    truth = pose(9)
    picked = before[[10, 2_000, 50_000, 90_000]]
    wrong_by = np.random.default_rng(0).normal(0.0, 3.0, picked.shape)
    found = register(before, move(truth, after), pairs=(picked, move(truth, picked) + wrong_by))
    assert_placed(found, truth, before, normals)
    with pytest.raises(ScanUnfitError, match="picked points do not match"):
        register(before, move(truth, after), pairs=(picked, move(truth, picked[::-1])))


def free(found: Registration) -> list[str]:
    return [w.kind for w in found.weak_directions if w.held_by == "nothing"]


def coverage(points: Array, seed: int) -> Array:
    """Cut by a ragged end of coverage of its own, so that no edge is shared."""
    generator = np.random.default_rng(seed)
    angle = np.arctan2(points[:, 1], points[:, 0])
    reach = 150.0 + sum(
        generator.uniform(-14.0, 14.0) * np.cos(k * angle + generator.uniform(0.0, 6.0))
        for k in range(2, 9)
    )
    return points[np.hypot(points[:, 0], points[:, 1]) < reach]


def test_plain_cylinder_is_weak_along_its_axis() -> None:
    def barrel(x: Array, y: Array) -> Array:
        return np.sqrt(400.0**2 - y**2) - 400.0

    one, two = (
        coverage(
            scan_height(barrel, seed=s, half=(200.0, 200.0), opening=False, count=40_000)[0], s
        )
        for s in (1, 2)
    )
    found = register(one, two)
    slides = [w for w in found.weak_directions if w.kind == "slide" and w.held_by == "nothing"]
    # The barrel slides along its axis and rolls about it, in whatever mixture they come.
    grip = np.array([w.direction for w in slides])
    assert np.linalg.norm(np.linalg.pinv(grip) @ grip @ [1.0, 0.0, 0.0]) > 0.99
    with pytest.raises(ScanUnfitError, match="does not hold"):
        require_observable(found)


def test_cylinder_with_shared_ends_says_that_only_its_edges_hold_it() -> None:
    def barrel(x: Array, y: Array) -> Array:
        return np.sqrt(400.0**2 - y**2) - 400.0

    one, two = (
        scan_height(barrel, seed=s, half=(220.0, 150.0), opening=False, count=60_000)[0]
        for s in (1, 2)
    )
    found = register(one, two)
    slides = [w for w in found.weak_directions if w.kind == "slide"]
    grip = np.array([w.direction for w in slides])
    assert np.linalg.norm(np.linalg.pinv(grip) @ grip @ [1.0, 0.0, 0.0]) > 0.99
    assert {w.held_by for w in slides} == {"edges"}
    assert max(w.uncertainty for w in slides) < 0.1


@pytest.mark.parametrize("radius", [np.inf, 500.0])
def test_plane_and_sphere_are_free_in_three_ways(radius: float) -> None:
    def ball(x: Array, y: Array) -> Array:
        if np.isinf(radius):
            return np.zeros_like(x)
        return np.sqrt(radius**2 - x**2 - y**2) - radius

    one, two = (
        coverage(scan_height(ball, seed=s, half=(200.0, 200.0), opening=False)[0], s)
        for s in (1, 2)
    )
    found = register(one, two, already_aligned=True)
    assert sorted(free(found)) == ["slide", "slide", "turn"]


def test_symmetric_panel_names_the_half_turn() -> None:
    def crown(x: Array, y: Array) -> Array:
        return -25.0 * (x / 300.0) ** 2 - 15.0 * (y / 180.0) ** 2

    one, two = (
        scan_height(crown, seed=s, half=(300.0, 180.0), opening=False, count=40_000)[0]
        for s in (1, 2)
    )
    found = register(one, move(pose(2), two))
    turns = [w for w in found.weak_directions if w.kind == "turn" and w.held_by == "nothing"]
    assert turns
    assert turns[0].uncertainty == pytest.approx(1000.0 * np.pi, rel=0.01)


def test_different_units_are_named() -> None:
    one, _ = scan_height(door_height, seed=1, count=60_000)
    two, _ = scan_height(door_height, seed=2, count=60_000)
    with pytest.raises(ScanUnfitError, match="metres and millimetres"):
        register(one, two / 1000.0)
    with pytest.raises(ScanUnfitError, match="inches and millimetres"):
        register(one / 25.4, two)
    with pytest.raises(ScanUnfitError, match="centimetres and millimetres"):
        register(one / 10.0, two)


def test_mirrored_by_mistake_is_named() -> None:
    one, _ = scan_height(door_height, seed=1, count=60_000)
    two, _ = scan_height(door_height, seed=2, count=60_000)
    mirror = reflection(np.zeros(3), np.array([1.0, 0.0, 0.0]))
    with pytest.raises(ScanUnfitError, match="mirrored"):
        register(move(mirror, one), move(pose(1), two))


def long_dent(panel: Panel) -> Dimple:
    """Damage over half a panel, which contradicts a placing in either hand."""
    s0, s1, t0, t1 = panel.extent_mm
    middle = (0.5 * (s0 + s1), 0.5 * (t0 + t1))
    return Dimple(middle, -1.2, (0.34 * (s1 - s0), 0.3 * (t1 - t0)))


def hemmed(panel: Panel, defects: tuple[Dimple, ...], *, spacing_mm: float, seed: int) -> Array:
    scan = scan_panel(
        panel,
        defects,
        spacing_mm=spacing_mm,
        noise_mm=0.05,
        seed=seed,
        noise_way="along normal",
        hem_mm=3.0,
    )
    return scan.points_mm - scan.points_mm.mean(0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("panel", "spacing_mm", "seed"),
    [(NEARLY_SYMMETRIC, 2.6, 1), (wing(), 4.0, 0)],
)
def test_damage_over_half_a_panel_leaves_its_hand_plain(
    panel: Panel, spacing_mm: float, seed: int
) -> None:
    good = hemmed(panel, (), spacing_mm=spacing_mm, seed=2 * seed)
    bad = hemmed(panel, (long_dent(panel),), spacing_mm=1.15 * spacing_mm, seed=2 * seed + 1)
    assert register(good, bad).doubt == ""
    with pytest.raises(ScanUnfitError, match="One of the scans is mirrored"):
        register(good * [-1.0, 1.0, 1.0], bad)


def test_a_symmetric_panel_has_no_hand_to_doubt() -> None:
    """What is wrong with one side contradicts alike in both hands."""

    def crown(x: Array, y: Array) -> Array:
        return -25.0 * (x / 300.0) ** 2 - 15.0 * (y / 180.0) ** 2 - 8.0 * (y / 180.0) ** 3

    one, _ = scan_height(crown, seed=1, half=(300.0, 180.0), opening=False, count=30_000)
    two, _ = scan_height(
        crown, seed=2, half=(300.0, 180.0), opening=False, count=30_000, change=filler
    )
    mirror = reflection(np.zeros(3), np.array([1.0, 0.0, 0.0]))
    assert register(one, two).doubt == ""
    assert register(move(mirror, one), two).doubt == ""


@pytest.mark.parametrize(("panel", "spacing_mm"), [(TWISTED, 0.9), (wing(), 1.0)])
def test_hemmed_edges_hold_a_smooth_panel_along_itself(panel: Panel, spacing_mm: float) -> None:
    s0, s1, t0, t1 = panel.extent_mm
    build = Dimple((0.6 * s0 + 0.4 * s1, 0.5 * (t0 + t1)), 3.0, (0.2 * (s1 - s0), 0.3 * (t1 - t0)))
    scans = [
        scan_panel(panel, d, spacing_mm=k * spacing_mm, noise_mm=0.05, seed=9 + i, hem_mm=3.0)
        for i, (d, k) in enumerate([((), 1.0), ((build,), 1.2)])
    ]
    truth = scans[1].T_scan_panel @ inverse(scans[0].T_scan_panel)
    # Rough frames: a millimetre and a milliradian off.
    off = small_motions(np.array([[1e-3, -1e-3, 1e-3, 0.0, 0.0, 0.0]]))[0]
    there = move(truth, scans[0].points_mm)
    middle = there.mean(0)
    start = move(off, there - middle) + np.array([0.8, -0.6, 0.6])
    found = register(start, scans[1].points_mm - middle, roughly_aligned=True)
    skin = np.flatnonzero(scans[0].part == Part.SKIN)[::50]
    apart = move(found.T_target_source, start[skin]) - (there[skin] - middle)
    assert np.linalg.norm(apart, axis=1).max() < 0.02
    turned = found.T_target_source[:3, :3] @ off[:3, :3]
    assert 1e3 * np.linalg.norm(turned - np.eye(3)) / np.sqrt(2.0) < 0.05


@pytest.mark.parametrize(("noise_mm", "blur_mm"), [(0.01, 0.0125), (0.05, 0.05)])
def test_cut_edges_are_told_nearly_as_well_as_can_be(noise_mm: float, blur_mm: float) -> None:
    """Against the bound from the Fisher information of points of even density up to an edge that
    noise blurs, sqrt(noise / (0.90 density length)) (computed); eighty stretches tell their own
    scatter to 8 %. Six more run round a corner, which no parabola does.
    """
    generator = np.random.default_rng(3)
    count, corners, half, densities = 86, 6, 60.0, (4.0, 2.5)
    bent = generator.normal(0.0, 0.3, (count, 2))
    strips = []
    for density in densities:
        many = generator.poisson(density * 2.0 * half * 2.0, count)
        window = np.repeat(np.arange(count), many)
        along = generator.uniform(-1.0, 1.0, len(window))
        inward = generator.uniform(0.0, 2.0, len(window))
        out = bent[window, 0] * along + bent[window, 1] * along**2 - inward
        out += noise_mm * generator.standard_normal(len(window))
        on = (along < 0.2) | (window < count - corners)
        even = np.full(count, density * 2.0 * half)
        strips.append(Strip(window[on], out[on], along[on], even))
    shape, blur = fit_together((strips[0], strips[1]), np.zeros((count, 4)))
    assert blur == pytest.approx(blur_mm, rel=0.45)
    least = np.sqrt(noise_mm / (0.9 * 2.0 * half) * sum(1.0 / d for d in densities))
    straight = shape[: count - corners]
    assert np.std(straight[:, 1] - straight[:, 0]) < 1.35 * least
    told = np.isfinite(shape[:, 0])
    again = edges_of(strips[1], np.where(told[:, None], shape[:, 1:], 0.0), blur)
    np.testing.assert_allclose(again[: count - corners], straight[:, 1], atol=0.2 * least)


@pytest.mark.parametrize("blur_mm", [0.3, 0.05, 0.04, 0.009])
def test_an_edge_is_told_by_any_blur(blur_mm: float) -> None:
    """Within three of the least standard errors, sqrt(blur / (0.90 points per mm)) (computed)."""
    generator = np.random.default_rng(11)
    true, many = np.array([0.25, -0.4]), 9000
    window = np.repeat([0, 1], many)
    along, inward = generator.uniform(-1.0, 1.0, 2 * many), generator.uniform(0.0, 2.0, 2 * many)
    out = true[window] - inward + blur_mm * generator.standard_normal(2 * many)
    strip = Strip(window, out, along, np.full(2, many / 2.0))
    found = edges_of(strip, np.zeros((2, 3)), blur_mm)
    np.testing.assert_allclose(found, true, atol=3.0 * np.sqrt(blur_mm / (0.9 * many / 2.0)))


def test_the_edge_of_a_cut_panel_is_the_same_in_two_scans() -> None:
    """Parabolas through the outermost points leave 0.04 mm, those of both scans at once half."""
    scans = [
        scan_panel(
            TWISTED,
            spacing_mm=spacing_mm,
            noise_mm=0.05,
            seed=31 + k,
            noise_way="along normal",
            flying_points=60,
            pose=np.eye(4),
            lay=None,
        )
        for k, spacing_mm in enumerate((1.0, 1.2))
    ]
    middle = scans[0].points_mm.mean(0)
    one, two = (
        make_surfels(scan.points_mm - middle, None, EDGE_CELL_MM, with_beside=True)
        for scan in scans
    )
    windows = find_windows(two.rim, two.beside, one.beside)
    assert windows is not None
    assert windows.cut
    residual = read_edges(windows, one.beside, np.eye(4))[0]
    assert np.isfinite(residual).sum() > 20
    assert 1.4826 * np.nanmedian(np.abs(residual - np.nanmedian(residual))) < 0.028
    assert abs(np.nanmedian(residual)) < 0.02


def test_the_two_ends_of_a_long_panel_bring_back_a_slide() -> None:
    """Most of the edges run along the slide and agree wherever it is; the few others tell it."""
    panel = crowned_door(length_mm=700.0, width_mm=300.0, crown_mm=9.0, cross_crown_mm=2.0)
    scans = [
        scan_panel(panel, spacing_mm=1.5, noise_mm=0.05, seed=5 + k, hem_mm=3.0, pose=np.eye(4))
        for k in (0, 1)
    ]
    middle = scans[0].points_mm.mean(0)
    points = [scan.points_mm - middle for scan in scans]
    source, target = (make_surfels(p, None, 6.0) for p in points)
    edges = [make_surfels(p, None, EDGE_CELL_MM, with_beside=True) for p in points]
    off = np.eye(4)
    off[0, 3] = 0.9
    settings = RegistrationSettings()
    resting = settled(source, target, off, settings, reach_mm=1.0, held_still=True)
    found = settled_on_edges((source, target), (edges[0], edges[1]), resting, settings)
    assert found is not None
    assert np.linalg.norm(move(found.motion, points[0]) - points[0], axis=1).max() < 0.03


def test_other_side_of_the_skin_is_named() -> None:
    one, normals = scan_height(door_height, seed=1, count=60_000)
    two, other = scan_height(door_height, seed=2, count=60_000)
    with pytest.raises(ScanUnfitError, match="other side of the skin"):
        register(one, two, source_normals=normals, target_normals=-other)


def half(x: Array, y: Array) -> Array:
    """A step of 1 mm, on over one half of the door and all its edges."""
    t = np.clip(x / 80.0 + 0.5, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


@pytest.fixture(scope="module")
def half_filled() -> Laid:
    """A step of 1 mm over one half of a door and all its edges, laid on each other as they are."""
    before, normals = scan_height(door_height, seed=1, count=60_000)
    after, _ = scan_height(door_height, seed=2, count=60_000, change=half)
    back = inverse(pose(3))
    away = move(pose(3), before)
    return Laid(away, normals @ pose(3)[:3, :3].T, after, back, register(away, after))


def test_filler_over_half_a_panel_is_not_taken_for_a_good_placing(half_filled: Laid) -> None:
    """It comes out as a tilt; its doubt covers what that is off by."""
    found = half_filled.found
    assert found.loose
    assert found.scatter_mm > 0.1
    some = half_filled.before[::500]
    right = move(half_filled.truth, some)
    out = half_filled.normals[::500] @ half_filled.truth[:3, :3].T
    off = np.einsum("nk,nk->n", move(found.T_target_source, some) - right, out)
    # Half of the step is a shift that the scans can't tell from a placing.
    assert np.abs(off).max() > 0.3
    assert np.sqrt(np.mean((off / found.sigma_mm(right, out)) ** 2)) < 2.0
    before = move(half_filled.truth, half_filled.before)
    trusted = register(before, half_filled.moved, already_aligned=True)
    assert not trusted.loose
    np.testing.assert_array_equal(trusted.T_target_source, np.eye(4))


def test_picked_points_tell_which_half_was_filled(half_filled: Laid) -> None:
    """Skin and edges alone leave it open."""
    left_open = half_filled.found
    assert "Two placings fit" in left_open.doubt
    assert "--pairs" in left_open.doubt
    assert left_open.loose
    x, y = np.array([-420.0, -420.0, -250.0, -250.0]), np.array([-240.0, 240.0, -240.0, 240.0])
    spots = np.column_stack([x, y, door_height(x, y)])
    hand = np.random.default_rng(0).normal(0.0, 0.7, spots.shape)
    before, truth = half_filled.before, half_filled.truth
    pairs = (move(inverse(truth), spots) + hand, spots)
    found = register(before, half_filled.moved, pairs=pairs)
    assert_placed(found, truth, before, half_filled.normals)
    assert found.doubt == ""
    assert not found.loose


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (np.zeros((600, 3)), "one spot"),
        (np.zeros((10, 3)), "500 are needed"),
        (np.full((600, 3), np.nan), "not finite"),
        (np.outer(np.linspace(0.0, 900.0, 700), [1.0, 0.0, 0.0]), "cells"),
    ],
)
def test_degenerate_input_is_refused(points: Array, words: str) -> None:
    door, _ = scan_height(door_height, seed=1, count=20_000)
    with pytest.raises(ScanUnfitError, match=words):
        register(points, door)


def test_wrong_settings_name_the_key() -> None:
    with pytest.raises(SettingsError, match="noise_floor_mm"):
        RegistrationSettings(noise_floor_mm=0.0)
    with pytest.raises(SettingsError, match="least_overlap"):
        RegistrationSettings(least_overlap=1.5)


def body_points(*, seed: int, count: int = 300_000) -> Array:
    """A closed-in van body, mirror-symmetric about y = 0: nose and roof, no floor."""
    generator = np.random.default_rng(seed)
    u = generator.uniform(0.02, 0.93, count) * np.pi
    v = generator.uniform(-0.5, 0.5, count) * np.pi
    x = 1400.0 * np.cos(u) + 150.0 * np.cos(2.0 * v) * np.sin(u)
    y = 620.0 * np.sign(np.sin(v)) * np.abs(np.sin(v)) ** 0.7 * np.sin(u) ** 0.5
    z = 700.0 * np.cos(v) ** 0.7 * np.sin(u) ** 0.5 - 90.0 * np.exp(-(((x - 500.0) / 300.0) ** 2))
    return np.stack([x, y, z], axis=1)


@pytest.mark.parametrize("seed", [0, 1])
def test_mirror_plane_of_a_damaged_body(seed: int) -> None:
    points = body_points(seed=seed)
    # Dents on one side over 15 % of the body, a missing part on it, noise.
    x, y, z = points.T
    dent = (y > 100.0) & (np.abs(x) < 550.0) & (z > 50.0)
    assert 0.1 < dent.mean() < 0.25
    push = 12.0 * np.cos(x / 350.0) ** 2 * np.minimum((y - 100.0) / 200.0, 1.0)
    points[dent, 1] -= push[dent]
    points = points[~((points[:, 1] > 50.0) & (points[:, 0] > 900.0))]
    points += np.random.default_rng(seed + 5).normal(0.0, 0.05, points.shape)
    turned = pose(seed + 3)
    found = find_mirror_plane(move(turned, points))
    normal = turned[:3, :3] @ [0.0, 1.0, 0.0]
    at = move(turned, np.zeros((1, 3)))[0]
    assert np.linalg.norm(np.cross(found.normal, normal)) < 1e-4
    assert abs((found.point - at) @ normal) < 0.05
    assert 0.0 < found.uncertainty_mm < 0.05
    assert 0.0 < found.uncertainty_mrad < 0.1


def test_mirror_twice_is_identity() -> None:
    points = np.random.default_rng(0).normal(0.0, 300.0, (50, 3))
    plane = MirrorPlane(np.array([10.0, -4.0, 3.0]), np.array([0.6, 0.0, 0.8]), 0.0, 0.0, 1.0)
    np.testing.assert_allclose(reflect(reflect(points, plane), plane), points, atol=1e-10)
    assert np.abs(reflect(points, plane) - points).max() > 1.0
    mirror = reflection(plane.point, plane.normal)
    assert np.linalg.det(mirror[:3, :3]) == pytest.approx(-1.0)
    np.testing.assert_allclose(inverse(mirror), mirror, atol=1e-12)


def test_lopsided_body_has_no_mirror_plane() -> None:
    generator = np.random.default_rng(0)
    a, b = generator.uniform(-1.0, 1.0, (2, 60_000))
    spiral = np.stack(
        [300.0 * a + 90.0 * b**2, 220.0 * b + 80.0 * a**3, 90.0 * a * b + 60.0 * np.sin(3 * a + b)],
        axis=1,
    )
    with pytest.raises(ScanUnfitError, match="No plane mirrors"):
        find_mirror_plane(spiral)
