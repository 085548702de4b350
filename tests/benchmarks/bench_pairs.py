"""Two scans of one panel, and left against right, beside what is known of them.

    python tests/benchmarks/bench_pairs.py [--seeds 5] [--spacing-mm 0.8] [--panels door,wing]

For every panel and seed, with noise of 0.05 mm: a quarter of the panel changed by 1 to 4 mm in
another pose and density (placing, volume, build), the same panel twice (what is called changed), a
side hung 2 mm out and turned with marks on both (position, shape), and a whole body with 15 % of
one side damaged (its mirror plane). The worst of all seeds is printed.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from guidecoat.compare import Comparison, compare_scans
from guidecoat.compare.mirror import MirrorOptions, mirror_body, mirror_pair
from guidecoat.compare.placing import between_files
from guidecoat.compare.reflecting import mirrored
from guidecoat.registration.rigid import compose, inverse, move
from guidecoat.scans.scan import Scan
from guidecoat.settings import load_settings
from guidecoat.synthetic import (
    Defect,
    Dimple,
    Panel,
    Part,
    SyntheticScan,
    bonnet,
    crowned_door,
    random_defects,
    scan_panel,
    to_scan,
    total_displacement_mm,
    wing,
)
from pair_fixture import slip_mm, turn_mrad

Floats = NDArray[np.float64]
PANELS = {
    "door": crowned_door(length_mm=700.0, width_mm=450.0, crown_mm=14.0, twist_mm=3.0),
    "creased": crowned_door(length_mm=860.0, width_mm=520.0, crown_mm=16.0, crease=True),
    "wing": wing(length_mm=700.0, section_mm=500.0, arch_radius_mm=250.0),
    "bonnet": bonnet(length_mm=800.0, width_mm=600.0, crown_mm=18.0, cross_crown_mm=15.0),
}
RASTER_MM = 3.0
OUT_MM, TURN_MRAD = np.array([2.0, 0.0, 0.0]), np.array([0.0, 3.0, -2.0])
X_PLANE = MirrorOptions(plane=((0.0, 0.0, 0.0), (1.0, 0.0, 0.0)))
# The outside looks along x, 800 mm off the middle of the vehicle.
OUTWARD = np.array(
    [[0.0, 0.0, 1.0, 800.0], [1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]]
)


def turned(vector: Floats) -> Floats:
    """(3, 3) turn by a rotation vector, rad."""
    return np.asarray(Rotation.from_rotvec(vector).as_matrix())


def raster(panel: Panel) -> tuple[Floats, Floats, Floats]:
    """Places all over a panel, and the area (mm2) each stands for."""
    s0, s1, t0, t1 = panel.extent_mm
    half = RASTER_MM / 2
    s, t = np.meshgrid(np.arange(s0 + half, s1, RASTER_MM), np.arange(t0 + half, t1, RASTER_MM))
    s, t = s.ravel(), t.ravel()
    on = panel.inside(s, t)
    s, t = s[on], t[on]
    return s, t, panel.form.frame(s, t).area_factor * RASTER_MM**2


def changes(panel: Panel, seed: int, share: float) -> tuple[Dimple, ...]:
    """Builds and lows of 1 to 4 mm until so much of a panel is changed."""
    draw = np.random.default_rng(1000 + seed)
    s, t, area = raster(panel)
    s0, s1, t0, t1 = panel.extent_mm
    out: list[Dimple] = []
    while True:
        changed = np.abs(total_displacement_mm(out, s, t)) > 0.05
        left = share - float(area[changed].sum() / area.sum())
        if left < 0.01:
            return tuple(out)
        radius = float(draw.uniform(0.08, 0.25) * min(s1 - s0, t1 - t0))
        radius = max(25.0, min(radius, float(np.sqrt(left * area.sum() / np.pi))))
        place = float(draw.uniform(s0, s1)), float(draw.uniform(t0, t1))
        if panel.inside(np.array([place[0]]), np.array([place[1]]))[0]:
            peak = float(draw.uniform(1.0, 4.0) * draw.choice([1.0, 1.0, -1.0]))
            out.append(Dimple(place, peak, (radius, radius)))


def scanned(
    panel: Panel, defects: tuple[Defect, ...], seed: int, spacing_mm: float, pose: Floats | None
) -> tuple[Scan, SyntheticScan]:
    """A scan with hems, its rows turned and shifted at random."""
    truth = scan_panel(
        panel,
        defects,
        spacing_mm=spacing_mm,
        noise_mm=0.05,
        seed=seed,
        noise_way="along normal",
        hem_mm=3.0,
        pose=pose,
        lay=None,
    )
    return to_scan(truth, name=f"scan {seed}"), truth


def build_error_mm(result: Comparison, truth: SyntheticScan) -> float:
    """Root mean square of the told change less the planted one, over cells off steep flanks."""
    after = result.after
    cells, uvh = after.result.cells, after.charted.uvh
    on = after.charted.counted & np.isfinite(truth.truth_deviation_mm)
    i, j = cells.grid.index(uvh[on, 0], uvh[on, 1])
    cell = i * cells.grid.shape[1] + j
    size = cells.grid.shape[0] * cells.grid.shape[1]
    count = np.bincount(cell, minlength=size)
    planted = np.bincount(cell, truth.truth_deviation_mm[on], size) / np.maximum(count, 1)
    planted = np.where(count > 3, planted, np.nan).reshape(cells.grid.shape)
    off = result.whole.smooth_mm - planted
    changed = np.isfinite(off) & (np.abs(planted) > 0.05)
    return float(np.sqrt(np.mean(off[changed] ** 2)))


def change_row(panel: Panel, seed: int, spacing_mm: float) -> list[float]:
    """across, along, turn, added %, removed %, build rms, patches on the panel unchanged."""
    settings = load_settings("filler")
    fills = changes(panel, seed, 0.25)
    before, truth_b = scanned(panel, (), 4 * seed + 100, spacing_mm, None)
    after, truth_a = scanned(panel, fills, 4 * seed + 101, 1.2 * spacing_mm, None)
    again, _ = scanned(panel, (), 4 * seed + 102, 1.3 * spacing_mm, None)
    result = compare_scans((before, after), settings)
    s, t, area = raster(panel)
    put_on = total_displacement_mm(fills, s, t)
    added = float((np.maximum(put_on, 0.0) * area).sum()) / 1000.0
    removed = float((np.maximum(-put_on, 0.0) * area).sum()) / 1000.0
    whole = result.whole
    still = compare_scans((before, again), settings)
    motion = between_files(result.T_first[1], after, before)
    across, along = slip_mm(motion, truth_a, truth_b)
    return [
        float(np.abs(across).max()),
        float(along.max()),
        turn_mrad(motion, truth_a, truth_b),
        100.0 * abs(whole.added_cm3 / added - 1.0),
        100.0 * abs(whole.removed_cm3 / removed - 1.0) if removed > 0.2 * added else 0.0,
        build_error_mm(result, truth_a),
        float(len(still.whole.patches)),
    ]


def side_row(panel: Panel, seed: int, spacing_mm: float) -> list[float]:
    """Position across the skin (mm) and turn (mrad), shape at the marks (mm)."""
    ours = random_defects(panel, count=3, seed=seed, peak_mm=(0.8, 1.8), width_mm=(70.0, 150.0))
    turn, middle = turned(1e-3 * TURN_MRAD), OUTWARD[:3, 3]
    step = compose(turn, middle - turn @ middle + OUT_MM)
    hung = step @ OUTWARD
    side, truth = scanned(panel, ours, 3 * seed + 500, spacing_mm, hung)
    other, _ = scanned(panel, (), 3 * seed + 501, 1.2 * spacing_mm, OUTWARD)
    right = mirrored(other, np.zeros(3), np.array([1.0, 0.0, 0.0]))
    result = mirror_pair(side, right, load_settings("metal"), X_PLANE)
    assert result.position is not None
    # What is told of how it hangs, against how it was hung, at the place it is told for.
    at = result.position.middle_mm
    true_shift = at - move(inverse(step), at[None])[0]
    normal = truth.normals[truth.part == Part.SKIN].mean(axis=0)
    normal /= np.linalg.norm(normal)
    shape = 0.0
    for mark in ours:
        spot = truth.place_mm(np.array([mark.centre_st[0]]), np.array([mark.centre_st[1]]))[0]
        near = min(
            result.shape.regions, key=lambda r: float(np.linalg.norm([r.x, r.y, r.z] - spot))
        )
        shape = max(shape, abs(near.peak_mm - mark.peak_mm) / abs(mark.peak_mm))
    return [
        abs(float((result.position.shift_mm - true_shift) @ normal)),
        float(np.abs(result.position.turn_mrad[1:] - TURN_MRAD[1:]).max()),
        100.0 * shape,
    ]


def plane_row(panel: Panel, seed: int, spacing_mm: float) -> list[float]:
    """How far off (mm) and askew (mrad) the plane of a body is found, 15 % of a side damaged.

    NaN for the bonnet: it is mirrored in itself, and a body of two has another plane.
    """
    if panel is PANELS["bonnet"]:
        return [np.nan, np.nan]
    damage = tuple(replace(d, peak_mm=-abs(d.peak_mm)) for d in changes(panel, seed + 50, 0.15))
    left, _ = scanned(panel, damage, 2 * seed + 700, spacing_mm, OUTWARD)
    right, _ = scanned(panel, (), 2 * seed + 701, spacing_mm, OUTWARD)
    sides = [s.points_mm[s.usable].astype(np.float64) + s.origin for s in (left, right)]
    pose = compose(turned(np.array([0.3, -0.2, 0.5])), np.array([250.0, -90.0, 40.0]))
    both = move(pose, np.vstack([sides[0], sides[1] * [-1.0, 1.0, 1.0]]))
    rows = np.empty(len(both), [(axis, "f4") for axis in "xyz"])
    for k, axis in enumerate("xyz"):
        rows[axis] = both[:, k]
    origin = np.round(both.mean(axis=0))
    body = replace(
        left,
        name="body",
        points_mm=(both - origin).astype(np.float32),
        usable=np.ones(len(both), bool),
        origin=origin,
        vertices=rows,
        normals=None,
    )
    plane = mirror_body(body, load_settings("metal")).plane
    assert plane is not None
    askew = 1e3 * float(np.linalg.norm(np.cross(plane.normal, pose[:3, 0])))
    return [abs(float((plane.point - pose[:3, 3]) @ pose[:3, 0])), askew]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--spacing-mm", type=float, default=0.8)
    parser.add_argument("--panels", default=",".join(PANELS))
    options = parser.parse_args()
    names = [
        "across mm",
        "along mm",
        "turn mrad",
        "added %",
        "removed %",
        "build mm",
        "patches",
        "position mm",
        "turn mrad",
        "shape %",
        "plane mm",
        "plane mrad",
    ]
    print(f"{'panel':9}" + "".join(f"{name:>12}" for name in names))
    for name in options.panels.split(","):
        rows = []
        for seed in range(options.seeds):
            panel, apart = PANELS[name], options.spacing_mm
            row = [*change_row(panel, seed, apart), *side_row(panel, seed, apart)]
            rows.append([*row, *plane_row(panel, seed, apart)])
            print(f"  seed {seed:2}" + "".join(f"{value:12.4f}" for value in rows[-1]), flush=True)
        print(
            f"{name:9}"
            + "".join(f"{value:12.4f}" for value in np.max(np.nan_to_num(rows), axis=0)),
            flush=True,
        )


if __name__ == "__main__":
    main()
