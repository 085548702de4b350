"""A scan seen in a mirror, so that one side's panel can be laid on the other's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError
from ..registration import MirrorPlane, mirror_plane_amid
from ..registration.rigid import move, reflection
from ..scans.scan import Scan

Floats = NDArray[np.float64]

_CELL_MM = 10.0
# A panel of one side is farther from the other side's than its middle is from its image's.
_SAME_PLACE = 0.1
_FEWEST_APART_MM = 50.0


def mirrored(scan: Scan, point_mm: Floats, normal: Floats) -> Scan:
    """A scan seen in a plane of its file's own frame (point in mm).

    Vertices stay those of the file; normals are reflected and triangles turned round.
    """
    unit = np.asarray(normal, np.float64) / np.linalg.norm(normal)
    flip = np.eye(3) - 2.0 * np.outer(unit, unit)
    origin = move(reflection(point_mm, unit), scan.origin[None] * scan.units.mm_per_unit)[0]
    points = (scan.points_mm.astype(np.float64) @ flip).astype(np.float32)
    normals = None if scan.normals is None else (scan.normals @ flip).astype(np.float32)
    faces = None if scan.faces is None else np.ascontiguousarray(scan.faces[:, ::-1])
    for array in (points, normals, faces):
        if array is not None:
            array.setflags(write=False)
    return replace(
        scan,
        points_mm=points,
        normals=normals,
        faces=faces,
        origin=origin / scan.units.mm_per_unit,
    )


def seen_in_own_mirror(scan: Scan) -> tuple[Scan, Floats]:
    """A scan reflected about a plane of its own, and that reflection in its file's frame, mm."""
    middle, way = scan.origin * scan.units.mm_per_unit, np.array([1.0, 0.0, 0.0])
    return mirrored(scan, middle, way), reflection(middle, way)


def plane_between(side: Scan, other: Scan) -> tuple[MirrorPlane, bool]:
    """The plane, mm, that mirrors one of two scans in one frame onto the other, and whether it is
    right to a few millimetres.

    Both together may mirror as well about another plane, each panel onto itself; and forms that
    differ may about none. Then it is the one half-way between their middles, which is as good as
    both scans show the same part.
    """
    points = [in_frame(one) for one in (side, other)]
    middles = [_middle(p) for p in points]
    apart = middles[0] - middles[1]
    size = float(np.linalg.norm(apart))
    try:
        found = mirror_plane_amid(np.vstack(points))
    except ScanUnfitError:
        found = None
    if found is not None:
        image = move(reflection(found.point, found.normal), middles[1][None])[0]
        if np.linalg.norm(image - middles[0]) < _SAME_PLACE * max(size, 1.0):
            return found, True
    if size < _FEWEST_APART_MM:
        raise ScanUnfitError(
            f"{side.name} and {other.name} lie in the same place of their one frame: no plane "
            "mirrors one side onto the other there. Leave out --already-aligned."
        )
    middle = 0.5 * (middles[0] + middles[1])
    return MirrorPlane(middle, apart / size, 0.0, 0.0, 0.0), False


def _middle(points: Floats) -> Floats:
    """Middle of the cells that points fall into, dense or sparse."""
    cells = np.unique(np.floor(points / _CELL_MM).astype(np.int64), axis=0)
    return np.asarray((cells.mean(axis=0) + 0.5) * _CELL_MM)


def in_frame(scan: Scan) -> Floats:
    """(n, 3) its usable points in its file's own frame, mm."""
    points = scan.points_mm[scan.usable].astype(np.float64)
    return np.asarray(points + scan.origin * scan.units.mm_per_unit)
