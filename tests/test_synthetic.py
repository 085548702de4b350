"""Invented panels: their forms against closed forms, their scans against what was planted."""

import itertools

import numpy as np
import pytest

from guidecoat.synthetic import (
    ALONG_PANEL,
    Defect,
    Dimple,
    DisplacedSkin,
    Dropout,
    LongDent,
    Panel,
    Part,
    Ripple,
    bonnet,
    crowned_door,
    cylinder_panel,
    distance_to_form_mm,
    flat_panel,
    hull_panel,
    on_stand,
    planted_volume_cm3,
    random_defects,
    real_door,
    scan_panel,
    sphere_panel,
    to_scan,
    torus_panel,
    total_displacement_mm,
    wing,
)
from guidecoat.synthetic.forms import Revolved, Swept
from guidecoat.synthetic.heights import smooth_ramp, smooth_step
from guidecoat.synthetic.outline import Disc, HalfPlane, RoundBox, Trimmed
from guidecoat.synthetic.sampling import NoiseWay

PANELS = [
    flat_panel(),
    cylinder_panel(500.0),
    sphere_panel(800.0),
    torus_panel(900.0, 400.0),
    hull_panel(),
    crowned_door(),
    crowned_door(crease=True, handle=True),
    real_door(),
    wing(),
    bonnet(),
]
NAMES = [f"{k}-{panel.name}" for k, panel in enumerate(PANELS)]


def places(panel: Panel, n: int = 4000, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    s0, s1, t0, t1 = panel.extent_mm
    return rng.uniform(s0, s1, n), rng.uniform(t0, t1, n)


# Forms


@pytest.mark.parametrize("panel", PANELS, ids=NAMES)
def test_derivatives_and_normals_are_those_of_the_positions(panel: Panel) -> None:
    s, t = places(panel)
    frame, step = panel.form.frame(s, t), 2e-4
    by_s = (panel.position_mm(s + step, t) - panel.position_mm(s - step, t)) / (2 * step)
    by_t = (panel.position_mm(s, t + step) - panel.position_mm(s, t - step)) / (2 * step)
    # Rounding of 1e3 mm over the step, and step^2/6 times the third derivative of a 1 mm crease.
    np.testing.assert_allclose(frame.along_s, by_s, atol=2e-7)
    np.testing.assert_allclose(frame.along_t, by_t, atol=2e-7)
    assert np.abs(np.einsum("ij,ij->i", frame.normal, by_s)).max() < 1e-6
    assert np.abs(np.einsum("ij,ij->i", frame.normal, by_t)).max() < 1e-6
    assert (frame.normal[:, 2] > 0.0).mean() > 0.99


def test_sphere_cylinder_and_torus_lie_on_their_equations() -> None:
    for radius in (400.0, 3000.0):
        panel = sphere_panel(radius)
        x, y, z = panel.position_mm(*places(panel)).T
        np.testing.assert_allclose(np.hypot(np.hypot(x, y), z + radius), radius, atol=1e-9)
        panel = cylinder_panel(radius)
        x, y, z = panel.position_mm(*places(panel)).T
        np.testing.assert_allclose(np.hypot(y, z + radius), radius, atol=1e-9)
    panel = torus_panel(900.0, 400.0)
    assert isinstance(panel.form, Revolved)
    points = panel.position_mm(*places(panel))
    np.testing.assert_allclose(panel.form.distance_mm(points), 0.0, atol=1e-9)
    shifted = points + 7.25 * panel.normal(*places(panel))
    np.testing.assert_allclose(panel.form.distance_mm(shifted), 7.25, atol=1e-9)


def test_distance_from_a_torus_is_the_textbook_one() -> None:
    # R = 3, r = 1, axis z: (3, 4, 2) lies at 1.828427125 (computed). Here the axis is y.
    torus = Revolved(3.0, 1.0)
    here = np.array([[3.0, 2.0, 4.0 - 4.0]])
    assert torus.distance_mm(here)[0] == pytest.approx(1.828427125, abs=1e-9)


def test_the_hull_is_wigleys() -> None:
    panel = hull_panel(length_mm=2000.0, beam_mm=200.0, draught_mm=125.0)
    s, t = places(panel)
    x, z, y = panel.position_mm(s, t).T
    want = 100.0 * (1.0 - (2.0 * x / 2000.0) ** 2) * (1.0 - (z / 125.0) ** 2)
    np.testing.assert_allclose(y, want, atol=1e-12)
    np.testing.assert_array_equal(panel.position_mm(-s, t)[:, 2], y)


def test_cap_of_a_sphere_has_its_height_and_volume() -> None:
    # h = R - sqrt(R^2 - a^2) = 11.3140033, V = pi h^2 (3R - h)/3 = 400628.196 (computed).
    radius, rim = 1000.0, 150.0
    panel = sphere_panel(radius, length_mm=400.0, width_mm=400.0)
    step = 0.25
    line = np.arange(-160.0, 160.0, step) + step / 2
    s, t = (a.ravel() for a in np.meshgrid(line, line))
    x, y, z = panel.position_mm(s, t).T
    frame = panel.form.frame(s, t)
    floor = np.sqrt(radius**2 - rim**2) - radius
    assert -floor == pytest.approx(11.3140033, abs=1e-7)
    on = np.hypot(x, y) < rim
    plan_area = frame.area_factor * frame.normal[:, 2] * step * step
    volume = ((z - floor) * plan_area)[on].sum()
    assert volume == pytest.approx(400628.196, rel=1e-6)


def test_a_wrapping_section_keeps_its_length_and_its_turn() -> None:
    panel = wing(wrap_deg=95.0, section_mm=587.0, crown_mm=0.0, uneven=0.22, skew=0.08)
    t = np.linspace(-293.5, 293.5, 200_001)
    still = np.zeros_like(t)
    run = np.linalg.norm(np.diff(Swept.frame(_bare(panel), still, t).position_mm, axis=0), axis=1)
    assert run.sum() == pytest.approx(587.0, abs=1e-5)
    ends = _bare(panel).frame(np.zeros(2), t[[0, -1]]).normal
    assert np.degrees(np.arccos(ends[0] @ ends[1])) == pytest.approx(95.0, abs=1e-9)
    centre_gap = np.ptp(run) / run.mean()
    assert centre_gap < 1e-6
    turning = np.diff(_bare(panel)._angle(t)[0])
    assert turning.max() / turning.min() > 1.3


def _bare(panel: Panel) -> Swept:
    form = panel.form
    assert isinstance(form, Swept)
    return Swept(form.turn_rad, form.length_mm, form.uneven, form.skew)


def test_an_uneven_section_without_unevenness_is_the_circle() -> None:
    s, t = np.zeros(500), np.linspace(-290.0, 290.0, 500)
    circle = Swept(1.6, 587.0).frame(s, t).position_mm
    nearly = Swept(1.6, 587.0, 1e-14).frame(s, t).position_mm
    np.testing.assert_allclose(nearly, circle, atol=1e-9)


def test_steps_and_ramps_are_smooth_and_each_others_integral() -> None:
    d = np.linspace(-12.0, 12.0, 240_001)
    value, slope = smooth_step(d, 16.0)
    assert value[0] == pytest.approx(0.0, abs=1e-15)
    assert value[-1] == pytest.approx(1.0, abs=1e-15)
    np.testing.assert_allclose(np.gradient(value, d), slope, atol=1e-6)
    second = np.gradient(np.gradient(slope, d), d)
    assert np.abs(np.diff(second)).max() < 1e-4
    ramp, turned = smooth_ramp(d, 16.0)
    np.testing.assert_array_equal(turned, value)
    np.testing.assert_allclose(np.gradient(ramp, d), value, atol=1e-4)
    assert ramp[0] == pytest.approx(0.0, abs=1e-15)
    assert ramp[-1] == pytest.approx(12.0, abs=1e-12)


@pytest.mark.parametrize(
    ("plain", "creased"),
    [
        (crowned_door(), crowned_door(crease=True)),
        (crowned_door(), crowned_door(crease=True, crease_turn_rad=0.2, crease_t_mm=-50.0)),
        (real_door(line_turn_deg=1e-6), real_door(line_turn_deg=22.0)),
        (bonnet(crease_turn_rad=0.0), bonnet()),
    ],
)
def test_a_crease_turns_the_panel_by_its_own_turn(plain: Panel, creased: Panel) -> None:
    for crease in creased.creases:
        if crease.kind == "step":
            continue
        s, t = crease.line_st[len(crease.line_st) // 2]
        s_pair, t_pair = np.full(2, s), t + np.array([-0.6, 0.6]) * crease.width_mm
        turn = [
            np.arccos(np.clip(np.dot(*panel.normal(s_pair, t_pair)), -1.0, 1.0))
            for panel in (plain, creased)
        ]
        # The crown's own turn adds up; a line askew to it adds them as vectors, nearly.
        assert turn[1] - turn[0] == pytest.approx(crease.turn_rad, rel=0.03)


def test_the_door_steps_in_at_its_belt_and_in_its_recess() -> None:
    door, level = real_door(belt_step_mm=5.0), real_door(belt_step_mm=0.0, recess_depth_mm=0.0)
    drop = level.position_mm(*places(door)) - door.position_mm(*places(door))
    s, t = places(door)
    recess = next(crease for crease in door.creases if crease.name == "recess")
    (s0, t0), (s1, t1) = recess.line_st.min(axis=0), recess.line_st.max(axis=0)
    inner = (s > s0 + 4) & (s < s1 - 4) & (t > t0 + 4) & (t < t1 - 4)
    outer = (s < s0 - 4) | (s > s1 + 4) | (t < t0 - 4) | (t > t1 + 4)
    np.testing.assert_allclose(drop[t > 3.0, 2], 5.0, atol=1e-12)
    np.testing.assert_allclose(drop[inner, 2], 6.0, atol=1e-12)
    np.testing.assert_allclose(drop[outer & (t < -3.0), 2], 0.0, atol=1e-12)


# Outlines


def test_distances_of_simple_outlines() -> None:
    s, t = np.array([0.0, 13.0, 14.0, 5.0]), np.array([0.0, 0.0, 9.0, 6.0])
    box = RoundBox(-10.0, 10.0, -5.0, 5.0)
    np.testing.assert_allclose(box.distance_mm(s, t), [-5.0, 3.0, np.hypot(4.0, 4.0), 1.0])
    round_box = RoundBox(-10.0, 10.0, -5.0, 5.0, 2.0)
    assert round_box.distance_mm(s, t)[2] == pytest.approx(np.hypot(6.0, 6.0) - 2.0)
    np.testing.assert_allclose(Disc(0.0, 0.0, 5.0).distance_mm(s, t)[:2], [-5.0, 8.0])
    np.testing.assert_allclose(HalfPlane(3.0, 0.0, 0.0).distance_mm(s, t), s - 3.0)
    ring = Trimmed((Disc(0.0, 0.0, 14.0),), (Disc(0.0, 0.0, 5.0),))
    np.testing.assert_allclose(ring.distance_mm(s, t)[:2], [5.0, -1.0])


def test_openings_are_not_inside() -> None:
    door = real_door()
    s, t = np.array([0.0, 0.0, 0.0, 505.0, 505.0]), np.array([200.0, -50.0, 385.0, -50.0, 350.0])
    assert door.inside(s, t).tolist() == [False, True, True, True, False]
    arch = wing()
    assert arch.inside(np.array([-40.0, 390.0]), np.array([-200.0, -200.0])).tolist() == [0, 1]


# Defects

DEFECTS: list[Defect] = [
    Dimple((20.0, -10.0), -1.2, (60.0, 60.0)),
    Dimple((0.0, 30.0), 0.8, (70.0, 35.0), angle_rad=0.7),
    Dimple((5.0, 5.0), -0.6, (12.0, 17.0), angle_rad=2.0, kind="gaussian"),
    LongDent((-20.0, 0.0), -0.9, 180.0, 40.0, angle_rad=0.4),
    LongDent((-20.0, 0.0), 0.5, 60.0, 50.0, angle_rad=1.4),
    Ripple((0.0, 0.0), 0.08, 60.0, 90.0, angle_rad=1.0),
]


@pytest.mark.parametrize("defect", DEFECTS)
def test_closed_forms_of_a_defect(defect: Defect) -> None:
    sheet = flat_panel(length_mm=700.0, width_mm=600.0)
    assert planted_volume_cm3(sheet, defect) == pytest.approx(defect.volume_cm3, rel=1e-5, abs=1e-6)
    line = np.linspace(-defect.reach_mm, defect.reach_mm, 1201)
    s, t = np.meshgrid(line + defect.centre_st[0], line + defect.centre_st[1], indexing="ij")
    d = defect.displacement_mm(s.ravel(), t.ravel()).reshape(s.shape)
    assert np.abs(d).max() == pytest.approx(abs(defect.peak_mm), rel=1e-6)
    assert d[600, 600] == pytest.approx(defect.peak_mm, abs=1e-12)
    assert np.abs(d[[0, -1]]).max() < 1e-7
    slope = 1000.0 * np.hypot(*np.gradient(d, line[1] - line[0]))
    # A ripple's window adds a little to the slope of its waves.
    margin = 0.08 if defect.kind == "ripple" else 2e-3
    assert slope.max() == pytest.approx(defect.max_slope_mrad, rel=margin)


def test_dimple_volumes_and_slopes_are_the_textbook_ones() -> None:
    # d a^2 (pi/2 - 2/pi); 2 pi s^2 d and .60653 d/s (computed).
    round_low = Dimple((0.0, 0.0), -2.0, (50.0, 50.0))
    assert round_low.volume_cm3 == pytest.approx(-2.0 * 2500.0 * 0.934176555 / 1000.0, rel=1e-8)
    bell = Dimple((0.0, 0.0), 0.5, (20.0, 20.0), kind="gaussian")
    assert bell.volume_cm3 == pytest.approx(1.2566370614, rel=1e-9)
    assert bell.max_slope_mrad == pytest.approx(1000.0 * 0.60653 * 0.5 / 20.0, rel=1e-5)
    assert Ripple((0, 0), 0.08, 60.0, 90.0).max_slope_mrad == pytest.approx(8.3776, rel=1e-4)


def test_volume_on_a_curved_panel_is_that_between_two_spheres() -> None:
    # What lies between r = R - d(angle) and r = R, integrated over the angle from the pole.
    panel = sphere_panel(600.0)
    low = Dimple((0.0, 0.0), -0.5, (40.0, 40.0))
    angle = np.linspace(0.0, 40.0 / 600.0, 20_001)
    depth = 0.25 * (1.0 + np.cos(np.pi * angle * 600.0 / 40.0))
    shell = (600.0**3 - (600.0 - depth) ** 3) / 3.0 * 2.0 * np.pi * np.sin(angle)
    exact = -np.trapezoid(shell, angle) / 1000.0
    # d / R = 0.08 %, and a circle of places that is round on the ball to 0.1 %.
    assert planted_volume_cm3(panel, low) == pytest.approx(exact, rel=3e-3)


def test_an_edge_ding_counts_only_what_is_on_the_panel() -> None:
    sheet = flat_panel(length_mm=600.0, width_mm=400.0)
    ding = Dimple((0.0, -200.0), -1.0, (30.0, 30.0), kind="edge ding")
    assert planted_volume_cm3(sheet, ding) == pytest.approx(0.5 * ding.volume_cm3, rel=1e-6)


def test_the_sum_of_defects_reaches_everywhere_it_should() -> None:
    s, t = places(flat_panel(), 20_000)
    want = np.sum([defect.displacement_mm(s, t) for defect in DEFECTS], axis=0)
    np.testing.assert_allclose(total_displacement_mm(DEFECTS, s, t), want, atol=1e-7)


@pytest.mark.parametrize("panel", PANELS[5:], ids=NAMES[5:])
def test_random_defects_keep_clear(panel: Panel) -> None:
    found = random_defects(panel, count=5, seed=9)
    assert len(found) >= 4
    for defect in found:
        assert panel.clearance_mm(*defect.centre_st) > defect.reach_mm + 40.0
        assert 50.0 <= defect.width_mm <= 200.0
        assert 0.3 <= abs(defect.peak_mm) <= 1.8
    for a, b in itertools.combinations(found, 2):
        apart = np.hypot(a.centre_st[0] - b.centre_st[0], a.centre_st[1] - b.centre_st[1])
        assert apart > a.reach_mm + b.reach_mm + 40.0
    assert random_defects(panel, count=5, seed=9) == found
    assert random_defects(panel, count=5, seed=10) != found


# Scans


@pytest.mark.parametrize("panel", PANELS, ids=NAMES)
def test_without_noise_every_point_is_its_planted_distance_off_the_form(panel: Panel) -> None:
    marks = random_defects(panel, count=4, seed=2, width_mm=(50.0, 120.0))
    scan = scan_panel(panel, marks, spacing_mm=6.0, noise_mm=0.0, seed=3)
    skin = scan.part == Part.SKIN
    assert skin.all()
    off = scan.points_mm - scan.place_mm(*scan.st_mm.T)
    want = scan.truth_deviation_mm[:, None] * scan.normals
    np.testing.assert_allclose(off, want, atol=2e-6)
    assert np.abs(scan.truth_deviation_mm).max() > 0.2
    np.testing.assert_allclose(
        scan.truth_deviation_mm, total_displacement_mm(marks, *scan.st_mm.T), atol=0.0
    )
    # Displaced along the normal, so its foot is where it came from.
    found = distance_to_form_mm(scan, scan.points_mm)
    np.testing.assert_allclose(found, scan.truth_deviation_mm, atol=1e-7)


def test_distance_to_the_form_is_the_closed_one_on_a_torus() -> None:
    panel = torus_panel(900.0, 400.0)
    assert isinstance(panel.form, Revolved)
    scan = scan_panel(panel, spacing_mm=8.0, noise_mm=0.7, seed=4)
    back = np.linalg.inv(scan.T_scan_panel)
    closed = panel.form.distance_mm(scan.points_mm @ back[:3, :3].T + back[:3, 3])
    np.testing.assert_allclose(distance_to_form_mm(scan, scan.points_mm), closed, atol=1e-9)


@pytest.mark.parametrize(("way", "across"), [("all ways", 0.2), ("along normal", 0.04)])
def test_noise_has_the_stated_size_and_way(way: NoiseWay, across: float) -> None:
    scan = scan_panel(cylinder_panel(500.0), spacing_mm=2.0, noise_mm=0.2, seed=5, noise_way=way)
    off = scan.points_mm - scan.place_mm(*scan.st_mm.T)
    along = np.einsum("ij,ij->i", off, scan.normals)
    rest = off - along[:, None] * scan.normals
    # 60 000 points: a standard deviation is known to 0.3 %.
    assert along.std() == pytest.approx(0.2, rel=0.02)
    assert rest.std() * np.sqrt(1.5) == pytest.approx(across, rel=0.02)
    assert abs(along.mean()) < 0.004


def test_spacing_is_the_stated_one_and_no_lattice() -> None:
    scan = scan_panel(flat_panel(), spacing_mm=2.0, noise_mm=0.0, seed=6, pose=np.eye(4))
    assert len(scan.points_mm) == pytest.approx(600.0 * 400.0 / 4.0, rel=0.01)
    rows = np.round(scan.points_mm[:, 0] / 2.0 % 1.0, 2)
    assert np.unique(rows).size > 60


def test_rows_at_random_lie_across_edges() -> None:
    """Along a panel the last row of points lies on or off the edge all the way along it, so that
    the last millimetre holds a fifth more or less than its share; rows across it hold their share.
    """
    off = {}
    for name, lay in (("along", ALONG_PANEL), ("random", None)):
        scan = scan_panel(flat_panel(), spacing_mm=2.0, noise_mm=0.0, seed=6, hem_mm=2.0, lay=lay)
        s, t = scan.st_mm[scan.part == Part.SKIN].T
        assert len(s) == pytest.approx(600.0 * 400.0 / 4.0, rel=0.01)
        last = [np.count_nonzero(s > 299.0), np.count_nonzero(s < -299.0)]
        last += [np.count_nonzero(t > 199.0), np.count_nonzero(t < -199.0)]
        off[name] = np.abs(np.array(last) / [100.0, 100.0, 150.0, 150.0] - 1.0).max()
    assert off["random"] < 0.1
    assert off["along"] > 0.2


def test_a_mesh_of_rows_at_random_faces_outward_and_is_whole() -> None:
    scan = scan_panel(
        crowned_door(), spacing_mm=5.0, noise_mm=0.0, seed=12, triangles=True, lay=None
    )
    assert scan.triangles is not None
    a, b, c = (scan.points_mm[scan.triangles[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    facing = np.einsum("nk,nk->n", normal, scan.normals[scan.triangles[:, 0]])
    assert (facing > 0.0).all()
    # A square at the edge that lost a corner is left out: half a spacing all round.
    area = 0.5 * np.linalg.norm(normal, axis=1).sum()
    assert 1150.0 * 680.0 * 0.98 < area < 1150.0 * 680.0 * 1.02


@pytest.mark.parametrize("seed", [6, 7])
def test_rows_at_random_are_the_same_by_the_same_seed(seed: int) -> None:
    one, again = (
        scan_panel(flat_panel(), spacing_mm=6.0, noise_mm=0.0, seed=seed, lay=None)
        for _ in range(2)
    )
    np.testing.assert_array_equal(one.points_mm, again.points_mm)
    other = scan_panel(flat_panel(), spacing_mm=6.0, noise_mm=0.0, seed=seed + 2, lay=None)
    assert not np.array_equal(one.st_mm[:100], other.st_mm[:100])


def test_a_pose_is_rigid_and_moves_everything_with_it() -> None:
    still = scan_panel(wing(), spacing_mm=8.0, noise_mm=0.0, seed=7, pose=np.eye(4), hem_mm=3.0)
    moved = scan_panel(wing(), spacing_mm=8.0, noise_mm=0.0, seed=7, hem_mm=3.0)
    turn = moved.T_scan_panel[:3, :3]
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-14)
    assert np.linalg.det(turn) == pytest.approx(1.0)
    np.testing.assert_array_equal(moved.st_mm, still.st_mm)
    want = still.points_mm @ turn.T + moved.T_scan_panel[:3, 3]
    np.testing.assert_allclose(moved.points_mm, want, atol=1e-9)
    np.testing.assert_allclose(moved.normals, still.normals @ turn.T, atol=1e-6)
    skin = moved.part == Part.SKIN
    form = moved.place_mm(*moved.st_mm[skin].T)
    np.testing.assert_allclose(form, moved.points_mm[skin], atol=1e-9)


def test_the_same_seed_gives_the_same_scan_and_another_another() -> None:
    def scan(seed: int) -> np.ndarray:
        return scan_panel(
            on_stand(real_door()),
            spacing_mm=1.7,
            noise_mm=0.05,
            seed=seed,
            dropouts=3,
            flying_points=40,
            hem_mm=3.0,
            backings=True,
        ).points_mm

    first = scan(1)
    assert len(first) > 250_000
    np.testing.assert_array_equal(first, scan(1))
    other = scan(2)
    assert other.shape != first.shape or not np.allclose(other, first)


def test_hems_roll_inward_and_come_back() -> None:
    panel = flat_panel()
    scan = scan_panel(
        panel, spacing_mm=1.0, noise_mm=0.0, seed=8, hem_mm=3.0, hem_return_mm=5.0, pose=np.eye(4)
    )
    hem = scan.part == Part.HEM
    x, y, z = scan.points_mm[hem].T
    assert z.max() <= 0.0
    assert z.min() == pytest.approx(-6.0, abs=1e-9)
    assert np.abs(x).max() == pytest.approx(303.0, abs=0.02)
    # On a straight edge the section is a half circle and a straight return.
    side = (np.abs(x) < 250.0) & (y > 0.0)
    outside = side & (y > 200.0)
    np.testing.assert_allclose(np.hypot(y - 200.0, z + 3.0)[outside], 3.0, atol=1e-9)
    assert y[side].min() == pytest.approx(195.0, abs=0.05)
    np.testing.assert_allclose(z[side & (y < 200.0)], -6.0, atol=1e-9)
    assert np.isnan(scan.truth_deviation_mm[hem]).all()
    assert (scan.normals[hem][side & (y < 200.0), 2] < -0.999).all()


def test_dropouts_are_empty_inside_ragged_and_thin_at_the_rim() -> None:
    hole = Dropout((40.0, -20.0), 30.0, seed=3)
    scan = scan_panel(flat_panel(), spacing_mm=0.5, noise_mm=0.0, seed=9, dropouts=[hole])
    angle = np.linspace(-np.pi, np.pi, 720, endpoint=False)
    reach = np.linspace(0.0, 70.0, 701)
    s, t = 40.0 + np.outer(reach, np.cos(angle)), -20.0 + np.outer(reach, np.sin(angle))
    share = hole.keep_share(s.ravel(), t.ravel()).reshape(s.shape)
    first_kept = reach[np.argmax(share > 0.0, axis=0)]
    assert first_kept.min() > 5.0
    assert np.ptp(first_kept) > 5.0
    chance = hole.keep_share(*scan.st_mm.T)
    assert (chance > 0.0).all()
    rim = (chance > 0.3) & (chance < 0.7)
    whole = scan_panel(flat_panel(), spacing_mm=0.5, noise_mm=0.0, seed=9)
    chance_whole = hole.keep_share(*whole.st_mm.T)
    before = ((chance_whole > 0.3) & (chance_whole < 0.7)).sum()
    assert rim.sum() / before == pytest.approx(0.5, abs=0.1)


def test_strays_are_marked_and_lie_where_they_should() -> None:
    door = on_stand(real_door(), behind_mm=60.0)
    patch = DisplacedSkin((0.0, -400.0), 50.0, 1.5)
    scan = scan_panel(
        door,
        spacing_mm=3.0,
        noise_mm=0.0,
        seed=10,
        flying_points=90,
        displaced_skin=[patch],
        backings=True,
    )
    count = np.bincount(scan.part, minlength=len(Part))
    assert count[Part.FLYING] == 90
    assert count[Part.INNER_SKIN] > 2000
    assert count[Part.FIXTURE] > 200
    assert count[Part.DISPLACED] == pytest.approx(np.pi * 2500.0 / 9.0, rel=0.05)
    twice = scan.part == Part.DISPLACED
    off = distance_to_form_mm(scan, scan.points_mm[twice])
    np.testing.assert_allclose(off, 1.5, atol=1e-6)
    hidden = np.isin(scan.part, [Part.INNER_SKIN, Part.FIXTURE])
    assert not door.inside(*scan.st_mm[hidden].T).any()
    assert np.isfinite(scan.truth_deviation_mm).sum() == count[Part.SKIN]


@pytest.mark.parametrize("panel", [wing(), real_door(), torus_panel(900.0, 400.0)])
def test_triangles_face_outward_and_hang_together(panel: Panel) -> None:
    scan = scan_panel(panel, spacing_mm=4.0, noise_mm=0.0, seed=11, hem_mm=3.0, triangles=True)
    faces = scan.triangles
    assert faces is not None
    assert faces.dtype == np.int32
    a, b, c = (scan.points_mm[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    facing = np.einsum("ij,ij->i", normal, scan.normals[faces].mean(axis=1))
    on_skin = (scan.part[faces] == Part.SKIN).all(axis=1)
    assert (facing[on_skin] > 0.0).all()
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    shared = np.unique(edges, axis=0, return_counts=True)[1]
    assert set(shared) == {1, 2}


def test_arrays_are_read_only_and_a_scan_in_memory_keeps_its_points() -> None:
    scan = scan_panel(crowned_door(), spacing_mm=5.0, noise_mm=0.05, seed=12, triangles=True)
    with pytest.raises(ValueError, match="read-only"):
        scan.points_mm[0] = 0.0
    held = to_scan(scan, name="door", normals=True)
    assert held.points_mm.dtype == np.float32
    assert held.usable.all()
    assert held.vertices.dtype.names == ("x", "y", "z", "nx", "ny", "nz")
    assert held.name == "door"
    # float32 at up to 1.5 m from the origin of the file.
    np.testing.assert_allclose(held.to_file_frame(held.points_mm), scan.points_mm, atol=1e-4)
    assert held.faces is scan.triangles
    assert to_scan(scan).normals is None
