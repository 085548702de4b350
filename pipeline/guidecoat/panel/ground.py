"""The table or floor that a panel was scanned on: the flat skin that all the rest lies above."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from ..errors import ScanUnfitError
from ..scans.scan import Scan
from ..unrolling.unroll import lay_chart
from ..unrolling.voxels import Voxels, voxelise

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

GROUND = "a table or floor under the panel"
"""Why its points are dropped."""

# Planes tried: of a table with a twelfth of the points one voxel in twelve is hit, so one in 300
# is as good as sure (derived). Voxels that judge them: their share is known to 1 % (derived).
_TRIES = 300
_JUDGES = 2000
_SEED = 20250311
# Cosine: 16 degrees either way; voxels at the table's rim and under noise lean (choice).
_ALIKE = 0.96
# Shares of the points: less is no table but a flat spot; a few lie below by noise and by what shows
# through the floor; a panel is worth a third of what was scanned (choices).
_LEAST_SHARE = 0.08
_MOST_BELOW = 0.01
_LEAST_ABOVE = 0.3
# Of a voxel's side, how near the plane its mean lies: half holds a table that noise thickens.
_NEAR_SHARE = 0.5
# Share of what stands above that stands amid the plane: a panel beside a panel does not (choice).
_LEAST_ROUND = 0.7
# Share of what stands above the ground; with less of it in the skin the table was taken for it.
_MOSTLY = 0.5


def find_ground(voxels: Voxels) -> Mask | None:
    """(k,) bool, the voxels of a table or floor and of what lies below it; None if there is none.

    A plane through some voxel that many others lie in, with like normals, while nearly all the rest
    lies on one side of it (random sample consensus, Fischler & Bolles 1981).
    """
    total = float(voxels.count.sum())
    found = _largest_plane(voxels)
    if voxels.count[found].sum() < _LEAST_SHARE * total:
        return None
    centre, normal = _plane(voxels.centre_mm[found])
    off = (voxels.centre_mm - centre) @ normal
    clear = _NEAR_SHARE * voxels.size_mm
    if voxels.count[off > clear].sum() < voxels.count[off < -clear].sum():
        off = -off
    above, below = (float(voxels.count[x].sum()) for x in (off > clear, off < -2.0 * clear))
    if below > _MOST_BELOW * total or above < _LEAST_ABOVE * total:
        return None
    if not stands_amid(voxels.centre_mm, found, off > clear, normal):
        return None
    return np.asarray(off <= clear)


def _largest_plane(voxels: Voxels) -> Mask:
    """(k,) bool, the voxels of the plane that most points lie in, of those tried."""
    rng = np.random.default_rng(_SEED)
    count = len(voxels.count)
    tried = rng.integers(0, count, _TRIES)
    judges = rng.permutation(count)[:_JUDGES]
    centre, normal = voxels.centre_mm[judges], voxels.normal[judges]
    held = [
        voxels.count[judges][
            _near(centre, normal, voxels.centre_mm[k], voxels.normal[k], voxels.size_mm)
        ].sum()
        for k in tried
    ]
    best = tried[int(np.argmax(held))]
    return _near(
        voxels.centre_mm,
        voxels.normal,
        voxels.centre_mm[best],
        voxels.normal[best],
        voxels.size_mm,
    )


def stands_amid(centre: Floats, ground: Mask, above: Mask, normal: Floats) -> bool:
    """Whether most of what stands above a plane does so amid it: no panel beside a panel.

    Parameters
    ----------
    centre : (k, 3) places; ground, above : (k,) bool, those in the plane, and those above it;
        normal : (3,) of the plane.
    """
    flat = centre @ np.linalg.svd(normal[None, :])[2][1:].T
    sides = ConvexHull(flat[ground]).equations
    inside = (flat[above] @ sides[:, :2].T + sides[:, 2] <= 0.0).all(axis=1)
    return bool(inside.mean() > _LEAST_ROUND)


def _near(places: Floats, normals: Floats, centre: Floats, normal: Floats, size_mm: float) -> Mask:
    """(n,) bool, which of n voxels lie in a plane and face along its normal."""
    off = np.abs((places - centre) @ normal)
    alike = np.abs(normals @ normal) > _ALIKE
    return np.asarray((off < _NEAR_SHARE * size_mm) & alike)


def _plane(places: Floats) -> tuple[Floats, Floats]:
    """Mean and normal of the plane through (n, 3) places."""
    centre = places.mean(axis=0)
    return centre, np.linalg.svd(places - centre, full_matrices=False)[2][2]


def ground_share(voxels: Voxels) -> float:
    """Share of the points that lie in the plane of a table or floor; 0 where there is none."""
    ground = find_ground(voxels)
    return 0.0 if ground is None else float(voxels.count[ground].sum() / voxels.count.sum())


def without_tables(
    scans: tuple[Scan, ...], *, outside: str
) -> tuple[tuple[Scan, ...], tuple[str, ...]]:
    """Scans to be laid on each other, without their tables if those stand in the way of one.

    Else they would be laid table on table, wherever the panel lies on it. Returned with what there
    is to say.
    """
    seen = [voxelise(scan.points_mm, scan.usable) for scan in scans]
    grounds = [find_ground(voxels) for voxels in seen]
    if not any(map(partial(_in_the_way, outside=outside), scans, seen, grounds)):
        return scans, ()
    cleared = tuple(
        scan if ground is None else _cleared(scan, voxels, ground)
        for scan, voxels, ground in zip(scans, seen, grounds, strict=True)
    )
    said = (ground_words(new) for new, old in zip(cleared, scans, strict=True) if new is not old)
    return cleared, tuple(said)


def _in_the_way(scan: Scan, voxels: Voxels, ground: Mask | None, *, outside: str) -> bool:
    """Whether a scan can't be unrolled with its ground, or the ground passes for the panel."""
    if ground is None:
        return False
    try:
        panel = lay_chart(scan, voxels, outside=outside).reason == 0
    except ScanUnfitError:
        return True
    above = voxels.count * ~ground
    return bool(above[panel].sum() < _MOSTLY * above.sum())


def without_ground(scan: Scan) -> Scan | None:
    """A scan whose table or floor no longer counts, or None where it has none."""
    voxels = voxelise(scan.points_mm, scan.usable)
    ground = find_ground(voxels)
    return None if ground is None else _cleared(scan, voxels, ground)


def _cleared(scan: Scan, voxels: Voxels, ground: Mask) -> Scan:
    number = voxels.number(scan.points_mm)
    left_out = scan.usable & (number >= 0) & ground[number]
    usable = scan.usable & ~left_out
    usable.setflags(write=False)
    return replace(
        scan, usable=usable, dropped={**scan.dropped, GROUND: scan.vertices_among(left_out)}
    )


def ground_words(scan: Scan) -> str:
    """What was left out, for the user to judge."""
    count = scan.dropped[GROUND]
    share = 100.0 * count / max(scan.vertices_among(scan.usable) + count, 1)
    return (
        f"{scan.name}: {share:.0f} % of the points lie in one plane that all the rest stands "
        "above, and were left out as the table or floor the panel was scanned on. If that is part "
        "of the panel, take the panel out with `guidecoat crop --at`."
    )
