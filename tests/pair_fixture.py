"""Scans of small invented panels for comparing: passes in one frame or any, and counterparts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from guidecoat.compare import Comparison
from guidecoat.compare.reflecting import mirrored
from guidecoat.scans.scan import Scan
from guidecoat.synthetic import (
    Defect,
    Dimple,
    Panel,
    Part,
    SyntheticScan,
    crowned_door,
    scan_panel,
    to_scan,
    total_displacement_mm,
)

Floats = NDArray[np.float64]
PANEL = crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=13.0, twist_mm=3.0)
DENT = Dimple((-130.0, -40.0), -1.2, (70.0, 50.0))
HIGH = Dimple((150.0, -80.0), 0.8, (45.0, 45.0))
BUILD = Dimple((-120.0, -30.0), 2.6, (110.0, 85.0))
GROUND = Dimple((150.0, 90.0), -0.6, (50.0, 50.0))
ONE_FRAME = np.eye(4)


def seen(
    defects: tuple[Defect, ...],
    *,
    seed: int,
    spacing_mm: float = 2.0,
    noise_mm: float = 0.05,
    pose: Floats | None = ONE_FRAME,
    panel: Panel = PANEL,
    name: str = "",
) -> tuple[Scan, SyntheticScan]:
    """A scan of the panel with its truth; in the panel's own frame unless `pose` is None."""
    truth = scan_panel(
        panel,
        defects,
        spacing_mm=spacing_mm,
        noise_mm=noise_mm,
        seed=seed,
        noise_way="along normal",
        hem_mm=3.0,
        pose=pose,
    )
    return to_scan(truth, name=name or f"scan {seed}"), truth


def counterpart(scan: Scan) -> Scan:
    """The same panel of the other side: seen in the plane x = 0 of its file."""
    return mirrored(scan, np.zeros(3), np.array([1.0, 0.0, 0.0]))


def true_motion(moving: SyntheticScan, fixed: SyntheticScan) -> Floats:
    """(4, 4) mm between the scans' file frames."""
    return np.asarray(fixed.T_scan_panel @ np.linalg.inv(moving.T_scan_panel))


def slip_mm(motion: Floats, moving: SyntheticScan, fixed: SyntheticScan) -> tuple[Floats, Floats]:
    """Error of a motion along and across the skin, at every fiftieth point of it."""
    rows = np.flatnonzero(moving.part == Part.SKIN)[::50]
    truth = true_motion(moving, fixed)
    points = moving.points_mm[rows]
    error = points @ (motion - truth)[:3, :3].T + (motion - truth)[:3, 3]
    normal = moving.normals[rows] @ truth[:3, :3].T
    off = np.einsum("nk,nk->n", error, normal)
    return off, np.linalg.norm(error - off[:, None] * normal, axis=1)


def turn_mrad(motion: Floats, moving: SyntheticScan, fixed: SyntheticScan) -> float:
    """Error of a motion's turn."""
    apart = motion[:3, :3] @ true_motion(moving, fixed)[:3, :3].T
    axis = apart - apart.T
    return float(500.0 * np.linalg.norm([axis[2, 1], axis[0, 2], axis[1, 0]]))


def true_change_mm(result: Comparison, fills: tuple[Defect, ...]) -> Floats:
    """(nu, nv) planted change at the cells of a comparison in the panel's frame (`ONE_FRAME`)."""
    cells, chart = result.after.result.cells, result.after.result.chart
    where = np.isfinite(result.whole.change_mm)
    uvh = np.column_stack([cells.u_mm[where], cells.v_mm[where], cells.height_mm[where]])
    place = chart.to_space(uvh) + result.after.scan.origin
    out = np.full(where.shape, np.nan)
    # s and t of the crowned door are x and y of its own frame.
    out[where] = total_displacement_mm(fills, place[:, 0], place[:, 1])
    return out
