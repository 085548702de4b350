"""Registration beside plain point-to-plane ICP on the same pairs: errors and times.

    python tests/benchmarks/bench_registration.py [--pairs 3] [--spacing-mm 0.7] [--hem-mm 3]

Plain ICP gets the true pose spoilt by 3 mm and 5 mrad as its start; `guidecoat` gets none.
Errors are over the whole skin: across it, along it (largest), and the turn. Edges are hemmed as
a panel's are; `--hem-mm 0` cuts them, and then no way of placing can know more along the skin than
the points' spacing lets it: about spacing * sqrt(noise / (0.9 * edge length)) a scan (computed).
small_gicp is optional (pip install small_gicp).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from guidecoat.open3d_loader import load_open3d
from guidecoat.registration import register
from guidecoat.registration.rigid import inverse, move, small_motions
from guidecoat.synthetic import (
    Dimple,
    Panel,
    Part,
    SyntheticScan,
    bonnet,
    crowned_door,
    real_door,
    scan_panel,
    wing,
)

try:
    import small_gicp
except ImportError:
    small_gicp = None

Array = NDArray[np.float64]
CELL_MM = 3.5


def changes(panel: Panel, seed: int) -> tuple[Dimple, ...]:
    """Round builds and lows of 1 to 4 mm over about a quarter of a panel."""
    generator = np.random.default_rng(seed)
    s0, s1, t0, t1 = panel.extent_mm
    radius = float(np.sqrt(0.25 * (s1 - s0) * (t1 - t0) / 4.0 / np.pi))
    return tuple(
        Dimple(
            (float(generator.uniform(s0, s1)), float(generator.uniform(t0, t1))),
            float(generator.uniform(1.0, 4.0) * generator.choice([1.0, 1.0, -1.0])),
            (radius, radius),
        )
        for _ in range(4)
    )


def errors(found: Array, truth: Array, before: SyntheticScan) -> tuple[float, float, float]:
    """Largest error across and along the skin (mm), and the turn (mrad)."""
    skin = np.flatnonzero(before.part == Part.SKIN)
    some = skin[:: max(1, len(skin) // 5_000)]
    points = before.points_mm[some]
    normals = before.normals[some].astype(np.float64) @ truth[:3, :3].T
    apart = move(found, points) - move(truth, points)
    across = np.einsum("nk,nk->n", apart, normals)
    along = np.linalg.norm(apart - across[:, None] * normals, axis=1)
    turned = truth[:3, :3].T @ found[:3, :3] - np.eye(3)
    turn_mrad = 1e3 * float(np.linalg.norm(turned)) / np.sqrt(2.0)
    return float(np.abs(across).max()), float(along.max()), float(turn_mrad)


def by_guidecoat(source: Array, target: Array, start: Array) -> Array:
    """Ours, from nothing."""
    del start
    return register(source, target).T_target_source


def by_open3d(source: Array, target: Array, start: Array) -> Array:
    """Plain point-to-plane ICP of open3d on clouds thinned to the same cells."""
    o3d = load_open3d()
    clouds = []
    for points in (source, target):
        cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points.copy()))
        cloud = cloud.voxel_down_sample(CELL_MM)
        cloud.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(20))
        clouds.append(cloud)
    icp = o3d.pipelines.registration
    found = icp.registration_icp(
        clouds[0],
        clouds[1],
        10.0,
        start,
        icp.TransformationEstimationPointToPlane(),
        icp.ICPConvergenceCriteria(1e-9, 1e-9, 200),
    )
    return np.asarray(found.transformation, np.float64)


def by_small_gicp(source: Array, target: Array, start: Array) -> Array:
    """GICP of small_gicp on clouds thinned to the same cells."""
    found = small_gicp.align(
        target,
        source,
        start,
        registration_type="GICP",
        downsampling_resolution=CELL_MM,
        max_correspondence_distance=10.0,
        max_iterations=200,
        num_threads=2,
    )
    return np.asarray(found.T_target_source, np.float64)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=3, help="seeds per panel")
    parser.add_argument("--spacing-mm", type=float, default=0.7)
    parser.add_argument("--hem-mm", type=float, default=3.0, help="radius of the hems")
    options = parser.parse_args()
    ways: dict[str, Callable[[Array, Array, Array], Array]] = {
        "guidecoat": by_guidecoat,
        "open3d ICP": by_open3d,
    }
    if small_gicp is not None:
        ways["small_gicp"] = by_small_gicp
    register(*(s[:40_000] for s in _small_pair()))  # imports, not timed
    print(f"{'panel':14}{'way':12}{'across mm':>11}{'along mm':>11}{'turn mrad':>11}{'s':>7}")
    for panel in (crowned_door(), wing(), bonnet(), real_door()):
        rows: dict[str, list[tuple[float, ...]]] = {name: [] for name in ways}
        for seed in range(options.pairs):
            spacing = options.spacing_mm
            hem = options.hem_mm
            before = scan_panel(panel, spacing_mm=spacing, noise_mm=0.05, seed=2 * seed, hem_mm=hem)
            after = scan_panel(
                panel,
                changes(panel, seed),
                spacing_mm=1.2 * spacing,
                noise_mm=0.05,
                seed=2 * seed + 1,
                hem_mm=hem,
            )
            truth = after.T_scan_panel @ inverse(before.T_scan_panel)
            middle = move(truth, before.points_mm).mean(0)
            start = small_motions(np.array([[0.003, -0.003, 0.003, 2.0, -1.5, 1.5]]))[0]
            start[:3, 3] += middle - start[:3, :3] @ middle
            for name, way in ways.items():
                began = time.perf_counter()
                found = way(before.points_mm, after.points_mm, start @ truth)
                taken = time.perf_counter() - began
                rows[name].append((*errors(found, truth, before), taken))
        for name, values in rows.items():
            worst = np.max(values, axis=0)
            print(
                f"{panel.name:14}{name:12}{worst[0]:11.4f}{worst[1]:11.4f}{worst[2]:11.4f}"
                f"{np.median(values, axis=0)[3]:7.2f}",
                flush=True,
            )


def _small_pair() -> tuple[Array, Array]:
    panel = crowned_door()
    scans = [scan_panel(panel, spacing_mm=6.0, noise_mm=0.05, seed=seed) for seed in (1, 2)]
    return scans[0].points_mm, scans[1].points_mm


if __name__ == "__main__":
    main()
