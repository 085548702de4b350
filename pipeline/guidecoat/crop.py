"""One panel out of a scan of more: what hangs together with a place and faces one way."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from .errors import ScanUnfitError, SettingsError
from .ground import find_ground
from .scan import LEAST_POINTS, Scan
from .settings import Settings
from .shut_lines import find_shut_line
from .unrolled import lay_cells
from .voxels import Voxels, voxelise

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Place = tuple[float, float, float]

# Degrees that skin may turn away from where the part was asked for: twice that can be unrolled,
# with room for what noise adds (derived from 150).
_MOST_TURNED_DEG = 70.0
# Degrees from a voxel to the next: three voxels turn through a sharp body line of 60 degrees, and
# a panel stands on a table at more (choice).
_SHARPEST_DEG = 30.0
# Places that are tried for the largest part: of one that is a twentieth of the scan one is hit for
# as good as sure (derived).
_TRIES = 100
_SEED = 20261126
# Parts smaller than such a share of the scan are not told of, nor more than so many (choice).
_LEAST_SHARE = 0.05
_MOST_PARTS = 4
# Scatter across a part over that along it: a door's is 0.04, a wall's with noise 0.003 (computed
# for 14 mm of crown in 350 mm, and for 2 mm of noise in a wall of 2 m).
_FLAT = 0.01
# A far wall or a floor makes voxels large: they are laid anew on the part while that refines them.
_FINER = 0.75
_REFINED = 3
# The farthest that a place may lie from the scan, in voxels, to mean what is nearest (choice).
_FARTHEST_VOXELS = 3.0


@dataclass(frozen=True)
class Likely:
    """A part of a scan that may be the panel: place : x, y, z in the scan's units and frame, amid
    it; share : of the scan's points; flat : whether it is as flat as walls and tables are.
    """

    place: Place
    share: float
    flat: bool


@dataclass(frozen=True, eq=False)
class Part:
    """Some of a scan's vertices: keep : (n,) bool, one per vertex; place : where it was asked for;
    points : how many of them count; share : of all that count.
    """

    keep: Mask
    place: Place
    points: int
    share: float


def likely_parts(scan: Scan) -> tuple[Likely, ...]:
    """Parts of a scan that hang together and face one way: largest first, flat ones last.

    A table or floor that all the rest stands above is none of them.

    Raises
    ------
    ScanUnfitError : none is worth a twentieth of the scan.
    """
    voxels = voxelise(scan.points_mm, scan.usable)
    ground = find_ground(voxels)
    free = np.ones(len(voxels.count), bool) if ground is None else ~ground
    total = voxels.count.sum()
    found: list[Likely] = []
    while len(found) < _MOST_PARTS and free.any():
        seed = _middle_of_largest(voxels, free)
        part = _hanging_together(voxels, seed, free)
        share = float(voxels.count[part].sum() / total)
        if share < _LEAST_SHARE:
            break
        x, y, z = (float(a) for a in scan.to_file_frame(voxels.centre_mm[seed]))
        found.append(Likely((x, y, z), share, _is_flat(voxels.centre_mm[part])))
        free &= ~_with_rim(voxels, part)
    if not found:
        raise ScanUnfitError(
            "no part of this scan hangs together and faces one way over a twentieth of it: it is "
            "too rough. Say where the panel is: --at X,Y,Z or --box."
        )
    return tuple(sorted(found, key=lambda part: (part.flat, -part.share)))


def part_at(scan: Scan, place: Place, settings: Settings) -> Part:
    """What hangs together with a place of the scan and turns at most 70 degrees away from it.

    Where two panels lie flush, the one on the place's side of their shut line.

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
        part = _with_rim(voxels, _hanging_together(voxels, seed, free)) & free
        number = voxels.number(scan.points_mm)
        keep = keep & (number >= 0) & part[number]
    keep = _one_side(scan, keep, at, normal, settings)
    points = int((scan.usable & keep).sum())
    return Part(keep, place, points, points / max(int(scan.usable.sum()), 1))


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


def _middle_of_largest(voxels: Voxels, free: Mask) -> int:
    """The voxel amid the largest part, of some that are tried; facing as most of it does."""
    tried = np.random.default_rng(_SEED).choice(np.flatnonzero(free), _TRIES)
    parts = [_hanging_together(voxels, int(seed), free) for seed in np.unique(tried)]
    part = max(parts, key=lambda part: int(voxels.count[part].sum()))
    members = np.flatnonzero(part)
    normal = voxels.normal[members]
    facing = np.abs(normal @ np.linalg.svd(normal, full_matrices=False)[2][0])
    away = np.linalg.norm(
        voxels.centre_mm[members] - voxels.centre_mm[members].mean(axis=0), axis=1
    )
    return int(members[np.argmin(np.where(facing > 0.97, away, np.inf))])


def _is_flat(places: Floats) -> bool:
    spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    return bool(spread[2] < _FLAT * spread[1])


def _hanging_together(voxels: Voxels, seed: int, free: Mask) -> Mask:
    """(k,) bool, free voxels joined to one of them by skin that turns little away from it."""
    turned = np.abs(voxels.normal @ voxels.normal[seed])
    free = free & (turned > np.cos(np.radians(_MOST_TURNED_DEG)))
    a, b = voxels.neighbours.T
    bend = np.abs(np.einsum("ij,ij->i", voxels.normal[a], voxels.normal[b]))
    linked = free[a] & free[b] & (bend > np.cos(np.radians(_SHARPEST_DEG)))
    count = len(voxels.count)
    graph = sparse.coo_array((np.ones(linked.sum()), (a[linked], b[linked])), shape=(count, count))
    label = csgraph.connected_components(graph, directed=False)[1]
    return np.asarray(label == label[seed])


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


def _one_side(scan: Scan, keep: Mask, at: Floats, normal: Floats, settings: Settings) -> Mask:
    """Of two panels that lie flush, the points of the one on the place's side of the shut line."""
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
        return keep
    line = find_shut_line(laid.charted, laid.cells, laid.skin)
    if line is None or not line.two_panels:
        return keep
    rows = np.flatnonzero(keep)
    side = line.side_of(laid.chart.to_chart(scan.points_mm[rows])[:, :2])
    here = line.side_of(laid.chart.to_chart(at[None, :])[:, :2])[0]
    kept = np.zeros_like(keep)
    kept[rows[side == here]] = True
    return kept


def _with_rim(voxels: Voxels, part: Mask) -> Mask:
    """A part with the voxels that touch it: at its edges one voxel holds skin and flange."""
    a, b = voxels.neighbours.T
    grown = part.copy()
    grown[a[part[b]]] = grown[b[part[a]]] = True
    return grown
