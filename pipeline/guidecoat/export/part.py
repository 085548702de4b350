"""A part of a scan as a file of its own, every field as it was read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..formats.ply import storable, write_ply
from ..output_folder import FILE_MARK
from ..pictures.mesh import faces_within
from ..scans.scan import Scan


def write_part(path: Path, scan: Scan, keep: NDArray[np.bool_]) -> None:
    """Write the vertices of a part, in their order, frame and units, and the triangles among them.

    Parameters
    ----------
    keep : (n,) bool, one per point of the scan.
    """
    keep = keep[: len(scan.vertices)]
    names = storable(scan.vertices.dtype)
    rows = np.empty(int(keep.sum()), [(name, scan.vertices.dtype[name]) for name in names])
    for name in names:
        rows[name] = scan.vertices[name][keep]
    faces = None if scan.faces is None else faces_within(scan.faces, keep)
    write_ply(path, rows, faces=faces, comments=(f"{FILE_MARK}: a part of {scan.name}",))
