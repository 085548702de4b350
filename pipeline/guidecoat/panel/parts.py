"""Parts of a scan that hang together and face one way: what may be the panel in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from ..errors import ScanUnfitError
from ..scans.scan import Scan
from ..unrolling.voxels import Voxels, voxelise
from .ground import find_ground, stands_amid

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Place = tuple[float, float, float]

# Degrees that skin may turn away from where the part was asked for: twice that can be unrolled,
# with room for what noise adds (derived from 150).
_MOST_TURNED_DEG = 70.0
# Degrees from a voxel to the next: three voxels turn through a sharp body line of 60 degrees, and
# a panel stands on a table at more (choice).
_SHARPEST_DEG = 30.0
# Places that are tried for the largest part of a piece that turns farther: one of them lies in the
# half that it is for as good as sure (derived).
_TRIES = 12
# Cosine: the middle of a part faces within 14 degrees as most of it does (choice).
_AMID_FACING = 0.97
_SEED = 20261126
# Parts smaller than such a share of the scan are not told of, nor more than so many (choice).
_LEAST_SHARE = 0.05
_MOST_PARTS = 4
# Scatter across a part over that along it: a door's is 0.04, a wall's with noise 0.003 (computed
# for 14 mm of crown in 350 mm, and for 2 mm of noise in a wall of 2 m).
_FLAT = 0.01
# Of a part's side, in voxels: that much of its rim goes on where it was cut through skin; what
# touches it here and there, as a stand does, is less (choice).
_MOST_GOING_ON = 0.5
# Of the part's points, that turn farther away than it may: a bent rim of 16 mm round 600 x 400 mm
# is a tenth, the sides of a box are a half and more (choice).
_MOST_BEYOND = 0.2
# Of the scan; smaller curved things beside a flat panel are hems and handles (choice).
_LEAST_BESIDE = 0.1
# Of the scan that faces one way to within so many degrees, where a wall is worth looking for: a
# crown of 14 mm in 350 mm turns by 18 (choice).
_MUCH = 0.2
_LOOKS = 100
_FLAT_DEG = 1.5
# Cosine: parts that face one way within 37 degrees, as two panels beside each other may (choice).
_FACES_ALIKE = 0.8


@dataclass(frozen=True)
class Likely:
    """A part of a scan that may be the panel.

    place : x, y, z in the scan's units and frame, amid it; share : of the scan's points; flat :
    whether it is as flat as walls and tables are; cut : whether skin goes on beyond it that turns
    farther away; beside : whether it lies beside the first part and faces its way, as another panel
    does and no wall behind it.
    """

    place: Place
    share: float
    flat: bool
    cut: bool
    beside: bool


def likely_parts(scan: Scan, voxels: Voxels | None = None) -> tuple[Likely, ...]:
    """Parts of a scan that hang together and face one way: largest first, flat ones last.

    A table or floor that all the rest stands above is none of them.

    Raises
    ------
    ScanUnfitError : none is worth a twentieth of the scan.
    """
    voxels = voxels or voxelise(scan.points_mm, scan.usable)
    free = _clear_of_ground(voxels)
    found = _largest_parts(voxels, free)
    if not found:
        raise ScanUnfitError(
            "no part of this scan hangs together and faces one way over a twentieth of it: it is "
            "too rough. Say where the panel is: --at X,Y,Z or --box."
        )
    found.sort(key=lambda part: _is_flat(voxels, part[1]))
    first, total = found[0], voxels.count.sum()
    told = []
    for seed, part in found:
        x, y, z = (float(a) for a in scan.to_file_frame(voxels.centre_mm[seed]))
        told.append(
            Likely(
                (x, y, z),
                float(voxels.count[part].sum() / total),
                _is_flat(voxels, part),
                _goes_on(voxels, part, free),
                seed != first[0] and _is_beside(voxels, first, (seed, part)),
            )
        )
    return tuple(told)


def require_no_wall(scan: Scan, voxels: Voxels) -> None:
    """Refuse a scan of which walls or a floor take more than the one curved part before them.

    Raises
    ------
    ScanUnfitError : it may be the one or the other that shall be checked.
    """
    if not _much_is_flat(voxels):
        return
    flat: list[Mask] = []
    curved: list[tuple[int, Mask]] = []
    for seed, part in _largest_parts(voxels, _clear_of_ground(voxels)):
        if _is_flat(voxels, part):
            flat.append(part)
        else:
            curved.append((seed, part))
    if not (flat and curved):
        return
    seed, first = curved[0]
    share, walls = (
        float(voxels.count[x].sum() / voxels.count.sum()) for x in (first, np.any(flat, axis=0))
    )
    if share < _LEAST_BESIDE or walls < share or any(_joined(voxels, first, x) for x in flat):
        return
    place = ",".join(f"{x:.5g}" for x in scan.to_file_frame(voxels.centre_mm[seed]))
    raise ScanUnfitError(
        f"{100 * walls:.0f} % of this scan is flat, as walls and a floor are, and a curved part of "
        f"{100 * share:.0f} % stands apart from that. Say which is the panel: `guidecoat crop "
        f"--at {place}` takes the curved one, --at a place on a flat one that."
    )


def _much_is_flat(voxels: Voxels) -> bool:
    """Whether many voxels face one way to within what a crown turns: a look that costs little."""
    looked = np.random.default_rng(_SEED).choice(len(voxels.count), _LOOKS)
    alike = np.abs(voxels.normal @ voxels.normal[looked].T) > np.cos(np.radians(_FLAT_DEG))
    return bool((voxels.count @ alike).max() > _MUCH * voxels.count.sum())


def _joined(voxels: Voxels, one: Mask, other: Mask) -> bool:
    """Whether two parts touch along a length that is large beside them, over a corner between."""
    a, b = voxels.neighbours.T
    near = with_rim(voxels, one)
    touching = np.union1d(a[near[a] & other[b]], b[near[b] & other[a]])
    return bool(len(touching) > np.sqrt(min(one.sum(), other.sum())))


def _clear_of_ground(voxels: Voxels) -> Mask:
    ground = find_ground(voxels)
    return np.ones(len(voxels.count), bool) if ground is None else ~ground


def _largest_parts(voxels: Voxels, free: Mask) -> list[tuple[int, Mask]]:
    """The largest parts among free voxels, largest first: the voxel amid each, and (k,) bool, its
    own.
    """
    total = voxels.count.sum()
    found: list[tuple[int, Mask]] = []
    while len(found) < _MOST_PARTS and free.any():
        seed = _middle_of_largest(voxels, free)
        part = hanging_together(voxels, seed, free)
        if voxels.count[part].sum() < _LEAST_SHARE * total:
            break
        found.append((seed, part))
        free = free & ~with_rim(voxels, part)
    return found


def _is_beside(voxels: Voxels, first: tuple[int, Mask], other: tuple[int, Mask]) -> bool:
    """Whether a part faces as the first does, and neither stands before the other."""
    normal = voxels.normal[other[0]]
    if abs(normal @ voxels.normal[first[0]]) < _FACES_ALIKE:
        return False
    return not stands_amid(voxels.centre_mm, other[1], first[1], normal)


def _middle_of_largest(voxels: Voxels, free: Mask) -> int:
    """The voxel amid the largest part, of some that are tried; facing as most of it does."""
    rng = np.random.default_rng(_SEED)
    label = _pieces(voxels, free)
    weight = np.bincount(label[free], voxels.count[free])
    best, part = 0.0, free
    for piece in np.argsort(-weight, kind="stable"):
        if weight[piece] <= best:
            break
        members = (label == piece) & free
        for seed in rng.choice(np.flatnonzero(members), _TRIES):
            tried = hanging_together(voxels, int(seed), members)
            if (held := float(voxels.count[tried].sum())) > best:
                best, part = held, tried
            if tried.sum() == members.sum():
                break
    inside = np.flatnonzero(part)
    normal, centre = voxels.normal[inside], voxels.centre_mm[inside]
    facing = np.abs(normal @ np.linalg.svd(normal, full_matrices=False)[2][0])
    away = np.linalg.norm(centre - centre.mean(axis=0), axis=1)
    return int(inside[np.argmin(np.where(facing > _AMID_FACING, away, np.inf))])


def _pieces(voxels: Voxels, free: Mask) -> NDArray[np.int32]:
    """(k,) number of the piece of smooth skin that each free voxel belongs to."""
    a, b = _links(voxels)
    linked = free[a] & free[b]
    count = len(voxels.count)
    graph = sparse.coo_array((np.ones(linked.sum()), (a[linked], b[linked])), shape=(count, count))
    return np.asarray(csgraph.connected_components(graph, directed=False)[1])


def _links(voxels: Voxels) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of touching voxels between which skin bends little."""
    a, b = voxels.neighbours.T
    bend = np.abs(np.einsum("ij,ij->i", voxels.normal[a], voxels.normal[b]))
    smooth = bend > np.cos(np.radians(_SHARPEST_DEG))
    return a[smooth], b[smooth]


def _goes_on(voxels: Voxels, part: Mask, free: Mask) -> bool:
    """Whether much smooth skin goes on beyond much of a part's rim; bent rims are no such."""
    a, b = _links(voxels)
    out = part[a] & free[b] & ~part[b], part[b] & free[a] & ~part[a]
    rim = np.union1d(a[out[0]], b[out[1]])
    if len(rim) <= _MOST_GOING_ON * np.sqrt(part.sum()):
        return False
    label = _pieces(voxels, free | part)
    beyond = (label == label[np.argmax(part)]) & ~part
    return bool(voxels.count[beyond].sum() > _MOST_BEYOND * voxels.count[part].sum())


def _is_flat(voxels: Voxels, part: Mask) -> bool:
    places = voxels.centre_mm[part]
    spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    return bool(spread[2] < _FLAT * spread[1])


def hanging_together(voxels: Voxels, seed: int, free: Mask) -> Mask:
    """(k,) bool, free voxels joined to one of them by skin that turns little away from it."""
    turned = np.abs(voxels.normal @ voxels.normal[seed])
    label = _pieces(voxels, free & (turned > np.cos(np.radians(_MOST_TURNED_DEG))))
    return np.asarray(label == label[seed])


def with_rim(voxels: Voxels, part: Mask) -> Mask:
    """A part with the voxels that touch it: at its edges one voxel holds skin and flange."""
    a, b = voxels.neighbours.T
    grown = part.copy()
    grown[a[part[b]]] = grown[b[part[a]]] = True
    return grown
