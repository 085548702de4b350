"""The table or floor that a panel was scanned on: the flat skin that all the rest lies above."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay

from .errors import ScanUnfitError
from .scan import Scan
from .voxels import Voxels, voxelise

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Result = TypeVar("Result")

GROUND = "a table or floor under the panel"
"""Why its points are dropped."""

_TRIES = 300
_SEED = 20250311
_ALIKE = 0.96
_LEAST_SHARE = 0.08
_MOST_BELOW = 0.01
_LEAST_ABOVE = 0.3
_CLEAR_SHARE = 0.5
_LEAST_ROUND = 0.7


def find_ground(voxels: Voxels) -> Mask | None:
    """(k,) bool, the voxels of a table or floor and of what lies below it; None if there is none.

    A plane through some voxel that many others lie in, with like normals, while nearly all the rest
    lies on one side of it (random sample consensus, Fischler & Bolles 1981).
    """
    total = float(voxels.count.sum())
    rng = np.random.default_rng(_SEED)
    best, found = _LEAST_SHARE * total, None
    for k in rng.integers(0, len(voxels.count), _TRIES):
        normal = voxels.normal[k]
        near = _near(voxels, voxels.centre_mm[k], normal)
        if voxels.count[near].sum() > best:
            best, found = float(voxels.count[near].sum()), near
    if found is None:
        return None
    centre, normal = _plane(voxels, found)
    off = (voxels.centre_mm - centre) @ normal
    if voxels.count[off > 0.0].sum() < voxels.count[off < 0.0].sum():
        off = -off
    clear = voxels.size_mm
    above, below = (float(voxels.count[x].sum()) for x in (off > clear, off < -clear))
    if below > _MOST_BELOW * total or above < _LEAST_ABOVE * total:
        return None
    if not _goes_round(voxels.centre_mm, found, off > clear, normal):
        return None
    return np.asarray(off <= _CLEAR_SHARE * clear)


def _goes_round(centre: Floats, ground: Mask, above: Mask, normal: Floats) -> bool:
    """Whether most of what stands above does so amid the ground: no panel beside a panel."""
    flat = centre @ np.linalg.svd(normal[None, :])[2][1:].T
    inside = Delaunay(flat[ground]).find_simplex(flat[above]) >= 0
    return bool(inside.mean() > _LEAST_ROUND)


def _near(voxels: Voxels, centre: Floats, normal: Floats) -> Mask:
    """(k,) bool, voxels in a plane that face along its normal."""
    off = np.abs((voxels.centre_mm - centre) @ normal)
    alike = np.abs(voxels.normal @ normal) > _ALIKE
    return np.asarray((off < 0.5 * voxels.size_mm) & alike)


def _plane(voxels: Voxels, member: Mask) -> tuple[Floats, Floats]:
    """Mean and normal of the plane through voxels."""
    places = voxels.centre_mm[member]
    centre = places.mean(axis=0)
    return centre, np.linalg.svd(places - centre, full_matrices=False)[2][2]


def off_ground(work: Callable[[Scan], Result], scan: Scan) -> tuple[Result, tuple[str, ...]]:
    """Work on a scan; should it be refused, on what is left without a table or floor in it.

    Only then: a flat panel with its flanges is no table. Returned with what there is to say.

    Raises
    ------
    ScanUnfitError : the first refusal, where leaving out the ground does not help.
    """
    try:
        return work(scan), ()
    except ScanUnfitError:
        cleared = without_ground(scan)
        if cleared is None:
            raise
        try:
            result = work(cleared)
        except ScanUnfitError:
            result = None
        if result is None:
            raise
        return result, (ground_words(cleared),)


def without_ground(scan: Scan) -> Scan | None:
    """A scan whose table or floor no longer counts, or None where it has none."""
    voxels = voxelise(scan.points_mm, scan.usable)
    ground = find_ground(voxels)
    if ground is None:
        return None
    number = voxels.number(scan.points_mm)
    left_out = scan.usable & (number >= 0) & ground[number]
    usable = scan.usable & ~left_out
    usable.setflags(write=False)
    return replace(scan, usable=usable, dropped={**scan.dropped, GROUND: int(left_out.sum())})


def ground_words(scan: Scan) -> str:
    """What was left out, for the user to judge."""
    count = scan.dropped[GROUND]
    share = 100.0 * count / max(int(scan.usable.sum()) + count, 1)
    return (
        f"{share:.0f} % of the points lie in one plane that all the rest stands above, and were "
        "left out as the table or floor the panel was scanned on. If that is part of the panel, "
        "crop the scan to what shall be checked."
    )
