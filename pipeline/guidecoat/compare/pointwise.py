"""A later pass against an earlier one at every vertex, and as a result that can be drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..check import CheckResult
from ..findings.regions import Region
from ..measuring.deviation import HIGH, IN, LOW, NOT_JUDGED, CellPlanes, normal_distance
from ..outline.faces import JUDGED
from .change import Change
from .passes import Pass
from .progress import Track

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CHUNK = 1 << 18


def point_changes(before: Floats, after: Pass) -> NDArray[np.float32]:
    """(n,) mm at every vertex of the later scan, NaN where not compared.

    `before` is (nu, nv), the earlier pass' distance from the fair surface at the cells' centres.
    """
    cells, result = after.result.cells, after.result
    grid = cells.grid
    known = np.isfinite(before)
    _, (near_i, near_j) = ndimage.distance_transform_edt(~known, return_indices=True)
    filled = before[near_i, near_j]
    planes = CellPlanes.of(cells)
    out = np.full(len(after.scan.vertices), np.nan, np.float32)
    for start in range(0, len(out), _CHUNK):
        uvh = after.charted.uvh[: len(out)][start : start + _CHUNK]
        rows, cell = planes.points_on(uvh)
        rows = rows[known[cell]]
        u, v = uvh[rows, :2].astype(np.float64).T
        place = [(u - grid.u0_mm) / grid.cell_mm - 0.5, (v - grid.v0_mm) / grid.cell_mm - 0.5]
        then = ndimage.map_coordinates(filled, place, order=1, mode="nearest")
        points = after.scan.points_mm[start : start + _CHUNK][rows]
        now = normal_distance(points, result.chart, result.faces, cells, result.fair)
        out[start + rows] = now - then
    return out


def change_view(
    before: Pass, after: Pass, change: Change, tracks: tuple[Track, ...]
) -> CheckResult:
    """The change in the shape of a check, so that maps and meshes can show it.

    Its deviation is the change, its regions are the changed patches, its status is high where
    something was added, low where it was taken off, in where nothing changed. A cell that only one
    scan has is not known and has no reason of its own: body lines and all are compared.
    """
    status = np.where(change.compared, np.uint8(IN), np.uint8(NOT_JUDGED))
    status[change.changed & (change.smooth_mm > 0)] = HIGH
    status[change.changed & (change.smooth_mm <= 0)] = LOW
    points = point_changes(before.off_mm, after)
    deviation = after.result.deviation
    code = np.full(len(points), NOT_JUDGED, np.uint8)
    there = np.isfinite(points)
    uv = after.charted.uvh[: len(points), :2]
    i, j = after.result.cells.grid.index(*np.nan_to_num(uv[there]).T)
    code[there] = status[i, j]
    return replace(
        after.result,
        deviation=replace(
            deviation,
            cell_mm=change.smooth_mm,
            smooth_mm=change.smooth_mm,
            cell_sigma_mm=change.sigma_mm,
            cell_status=status,
            point_mm=points,
            point_status=code,
            not_judged=np.where(
                change.compared | np.isfinite(after.off_mm), np.uint8(JUDGED), deviation.not_judged
            ),
        ),
        regions=tuple(_told(patch, tracks) for patch in change.patches),
    )


def with_all_skin(view: CheckResult, before: Pass) -> CheckResult:
    """The change with what only the earlier scan has of the panel, for a picture: there is skin,
    and it was not compared.
    """
    gone = before.skin & ~view.cells.filled
    count = np.where(gone, before.result.cells.count, view.cells.count)
    not_judged = np.where(gone, np.uint8(JUDGED), view.deviation.not_judged)
    return replace(
        view,
        cells=replace(view.cells, count=count),
        deviation=replace(view.deviation, not_judged=not_judged),
    )


def _told(patch: Region, tracks: tuple[Track, ...]) -> Region:
    """The patch with what became of the highs and lows in it."""
    there = [t for t in tracks if (t.place.core & patch.footprint).any() and t.kind != "ripple"]
    words = [f"{t.name} {t.last.state or 'first seen'}" for t in there]
    said = "added" if patch.kind == "high" else "taken off"
    return replace(patch, action=f"{said}; {', '.join(words)}" if words else said)
