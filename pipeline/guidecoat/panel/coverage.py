"""How much of a skin a scan has seen, how evenly, and where it has holes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..outline.faces import BEHIND, Faces, depth
from ..unrolling.cells import Cells

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LEAST_WIDTH_MM, _WIDER_CELLS = 8.0, 1.01
_CLOSED_MM = 6.0
_WINDOW_MM = 40.0
_RIM_CELLS = 1.5
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True)
class DropOut:
    """A hole in the scan that is no opening of the panel: its middle on the chart and its sides."""

    u_mm: float
    v_mm: float
    length_mm: float
    width_mm: float
    area_cm2: float


@dataclass(frozen=True)
class Coverage:
    """Share of the skin inside its outline that holds points, and the holes, largest first.

    least_mm : holes narrower than this are not counted;
    spacing_low_mm, spacing_high_mm : between which the local spacing lies over 80 % of the skin.
    """

    share: float
    drop_outs: tuple[DropOut, ...]
    least_mm: float
    spacing_low_mm: float
    spacing_high_mm: float


def measure_coverage(cells: Cells, skin: Mask, faces: Faces) -> Coverage:
    """Measure coverage inside the skin's outline; openings of the panel do not count."""
    side = cells.grid.cell_mm
    reach = max(1, round(_CLOSED_MM / side))
    padded = np.pad(skin, reach + 1)
    closed = ndimage.binary_closing(padded, _FULL, iterations=reach)
    whole = ndimage.binary_fill_holes(closed)[reach + 1 : -reach - 1, reach + 1 : -reach - 1]
    whole &= ~faces.openings
    missing = whole & ~skin
    # A gap beside what is seen through an opening is that opening's.
    gaps = ndimage.label(missing)[0]
    beside = np.unique(gaps[ndimage.binary_dilation(faces.reason == BEHIND, _FULL)])
    missing &= ~np.isin(gaps, beside[beside > 0])
    whole = skin & whole | missing
    # One empty cell is as wide as a cell or hardly wider than nothing.
    least = max(_LEAST_WIDTH_MM, _WIDER_CELLS * side)
    # Cells on the rim are half on the skin whatever was seen of it.
    inner = depth(whole, side) > _RIM_CELLS * side
    low, high = _local_spacing(cells, skin)
    return Coverage(
        float((inner & skin).sum() / max(int(inner.sum()), 1)),
        _drop_outs(missing, cells, least),
        least,
        low,
        high,
    )


def _drop_outs(missing: Mask, cells: Cells, least_mm: float) -> tuple[DropOut, ...]:
    side = cells.grid.cell_mm
    label, _ = ndimage.label(missing)
    deep = ndimage.distance_transform_edt(np.pad(missing, 1))[1:-1, 1:-1]
    found = []
    for k, box in enumerate(ndimage.find_objects(label), start=1):
        hole = label[box] == k
        # A hole one cell wide has a depth of 1 at its middle.
        if (2.0 * float(deep[box][hole].max()) - 1.0) * side < least_mm:
            continue
        i, j = np.nonzero(hole)
        spans = sorted(((np.ptp(i) + 1) * side, (np.ptp(j) + 1) * side), reverse=True)
        found.append(
            DropOut(
                float(cells.grid.u_mm[box[0]][i].mean()),
                float(cells.grid.v_mm[box[1]][j].mean()),
                float(spans[0]),
                float(spans[1]),
                float(hole.sum()) * side**2 / 100.0,
            )
        )
    return tuple(sorted(found, key=lambda hole: -hole.area_cm2))


def _local_spacing(cells: Cells, skin: Mask) -> tuple[float, float]:
    """Tenth and ninetieth percentile of the spacing over windows of 40 mm."""
    side = cells.grid.cell_mm
    size = max(3, round(_WINDOW_MM / side))
    points = ndimage.uniform_filter(np.where(skin, cells.count, 0).astype(np.float64), size)
    filled = ndimage.uniform_filter(skin.astype(np.float64), size)
    inner = skin & (filled > 0.9)
    inner = inner if inner.any() else skin
    spacing = side * np.sqrt(filled[inner] / np.maximum(points[inner], 1e-9))
    return float(np.percentile(spacing, 10.0)), float(np.percentile(spacing, 90.0))
