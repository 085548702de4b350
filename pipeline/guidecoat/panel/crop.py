"""One panel out of a scan of more: what hangs together with a place and faces one way."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..errors import ScanUnfitError, SettingsError
from ..scans.scan import LEAST_POINTS, Scan
from ..settings import Settings
from ..unrolling.voxels import Voxels, voxelise
from .ground import find_ground
from .parts import Place, hanging_together, likely_parts, with_rim
from .shut_lines import find_shut_line
from .unrolled import Celled, lay_cells, place_in_file

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A sole part must keep so much once a shut line in it is minded, and leave something out (choice).
_MOSTLY, _NEARLY_ALL = 0.9, 0.97
# A far wall or a floor makes voxels large: they are laid anew on the part while that refines them.
_FINER = 0.75
_REFINED = 3
# All along between two panels, or it may be a strip that was missed; and of the part, so much lies
# beyond it (choice).
_GAP_MM = 10.0
_LEAST_PIECE = 0.05
# The farthest that a place may lie from the scan, in voxels, to mean what is nearest (choice).
_FARTHEST_VOXELS = 3.0


@dataclass(frozen=True)
class Lane:
    """A narrow lane without points right across a part: place : amid it, x, y, z in the scan's
    units and frame.
    """

    place: Place
    length_mm: float
    width_mm: float


@dataclass(frozen=True, eq=False)
class Part:
    """Some of a scan's vertices: keep : (n,) bool, one per vertex; place : where it was asked for;
    points : how many of them count; share : of all that count; lane : one without points across it
    that may part it in two, None without.
    """

    keep: Mask
    place: Place
    points: int
    share: float
    lane: Lane | None


def sole_part(scan: Scan, settings: Settings) -> Part | None:
    """The one curved part of a scan whose other parts are flat, as walls and a floor are, and no
    panel beside it; None where that is not clear.
    """
    try:
        first, *others = likely_parts(scan)
    except ScanUnfitError:
        return None
    if first.flat or first.cut or not all(part.flat and not part.beside for part in others):
        return None
    part = part_at(scan, first.place, settings)
    return part if _MOSTLY * first.share < part.share < _NEARLY_ALL else None


def part_at(scan: Scan, place: Place, settings: Settings) -> Part:
    """What hangs together with a place of the scan and turns at most 70 degrees away from it.

    Where two panels lie flush, the one on the place's side of their shut line; where a gap lies
    between them, the one at the place.

    Parameters
    ----------
    place : x, y, z in the scan's units and frame.

    Raises
    ------
    SettingsError : nothing was scanned near the place.
    """
    at = (np.array(place) - scan.origin) * scan.units.mm_per_unit
    keep = np.asarray(np.isfinite(scan.points_mm).all(axis=1))
    size = np.inf
    for _ in range(_REFINED):
        voxels = voxelise(scan.points_mm, scan.usable & keep)
        if voxels.size_mm > _FINER * size:
            break
        size = voxels.size_mm
        seed = _nearest(voxels, at, place)
        normal = voxels.normal[seed]
        ground = find_ground(voxels)
        free = np.ones(len(voxels.count), bool)
        if ground is not None and not ground[seed]:
            free = ~ground
        part = with_rim(voxels, hanging_together(voxels, seed, free)) & free
        number = voxels.number(scan.points_mm)
        keep = keep & (number >= 0) & part[number]
    keep, lane = _one_side(scan, keep, at, normal, settings)
    points = scan.vertices_among(scan.usable & keep)
    share = points / max(scan.vertices_among(scan.usable), 1)
    return Part(keep, place, points, share, lane)


def in_box(scan: Scan, corner: Place, opposite: Place) -> Scan:
    """A scan of which only what lies in a box counts.

    Parameters
    ----------
    corner, opposite : x, y, z in the scan's units and frame.

    Raises
    ------
    SettingsError : too few points lie in it.
    """
    ends = (np.sort([corner, opposite], axis=0) - scan.origin) * scan.units.mm_per_unit
    inside = (scan.points_mm >= ends[0]).all(axis=1) & (scan.points_mm <= ends[1]).all(axis=1)
    usable = scan.usable & inside
    if usable.sum() < LEAST_POINTS:
        raise SettingsError(
            f"--box holds {int(usable.sum())} points of the scan, at least {LEAST_POINTS} are "
            "needed. Give two opposite corners in the scan's own units and frame."
        )
    return replace(scan, usable=usable, points_mm=np.where(inside[:, None], scan.points_mm, np.nan))


def _nearest(voxels: Voxels, at: Floats, place: Place) -> int:
    """The voxel nearest a place, in local mm."""
    away = np.linalg.norm(voxels.centre_mm - at, axis=1)
    if away.min() > _FARTHEST_VOXELS * voxels.size_mm:
        said = ",".join(f"{x:g}" for x in place)
        raise SettingsError(
            f"--at {said}: the nearest that was scanned lies {away.min():.0f} mm off. Give x, y, z "
            "of a point on the panel in the scan's own units and frame."
        )
    return int(np.argmin(away))


def _one_side(
    scan: Scan, keep: Mask, at: Floats, normal: Floats, settings: Settings
) -> tuple[Mask, Lane | None]:
    """Of two panels that voxels take for one, the points of the one at the place: what lies on its
    side of their shut line, or beyond no gap; and a lane that may be a shut line or a strip that
    was missed, None without.
    """
    # Where nothing tells the outside, one way does as well as the other.
    way = f"+{'xyz'[int(np.abs(normal).argmax())]}"
    part = replace(scan, usable=scan.usable & keep)
    for outside in (settings.outside, way):
        try:
            laid = lay_cells(part, settings.model_copy(update={"outside": outside}))
            break
        except ScanUnfitError:
            continue
    else:
        return keep, None
    here = laid.chart.to_chart(at[None, :])[:, :2]
    line = find_shut_line(laid.charted, laid.cells, laid.skin)
    rows = np.flatnonzero(keep)
    uv = laid.chart.to_chart(scan.points_mm[rows])[:, :2]
    if line is not None and line.two_panels:
        own = line.side_of(uv) == line.side_of(here)[0]
        line = None
    else:
        piece = _pieces(laid)
        i, j = laid.cells.grid.index(*np.vstack([here, uv]).T)
        own = piece[i[1:], j[1:]] == piece[i[0], j[0]]
    kept = np.zeros_like(keep)
    kept[rows[own]] = True
    if line is None or not own.all():
        return kept, None
    middle = place_in_file(scan, laid.chart, laid.cells, laid.skin, line.middle_uv)
    return kept, Lane(middle, line.length_mm, line.width_mm)


def _pieces(laid: Celled) -> NDArray[np.int32]:
    """(nu, nv) number of the nearest piece of skin, of those worth telling apart: a gap of ten
    millimetres or more lies all along between each and the largest.
    """
    side = laid.cells.grid.cell_mm
    label, count = ndimage.label(laid.skin, np.ones((3, 3)))
    size = np.bincount(label.ravel(), minlength=count + 1)[1:]
    largest = int(size.argmax()) + 1
    away = ndimage.distance_transform_edt(label != largest) * side
    numbers = np.arange(1, count + 1)
    # Cells at the rims are half full on the average.
    gap = ndimage.minimum(away, label, numbers) - 0.5 * side
    apart = numbers[(gap >= _GAP_MM) & (size >= _LEAST_PIECE * size.sum())]
    known = np.isin(label, [largest, *apart])
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(label[tuple(nearest)])
