"""STL meshes, binary and ascii: three vertices of their own for every triangle."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .ply_header import refusal
from .text_rows import numbers

HEAD_BYTES = 84
_ROW = np.dtype([("normal", "<f4", 3), ("corners", "<f4", 9), ("attribute", "<u2")])
_ONLY_PART = "copied only in part? copy or export the scan again"


def read_stl(path: Path) -> tuple[NDArray[np.void], NDArray[np.int32]]:
    """Read the triangles of an STL file in file order, corners not merged.

    Raises
    ------
    ScanReadError
        Not an STL, or cut short.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    declared = int.from_bytes(head[80:84], "little")
    # Binary files too may begin with 'solid': their size decides.
    if size == HEAD_BYTES + declared * _ROW.itemsize and declared:
        rows = np.memmap(path, _ROW, "r", HEAD_BYTES, (declared,))
        corners = rows["corners"].reshape(-1, 3)
        vertices = np.empty(len(corners), [(axis, "f4") for axis in "xyz"])
    elif head.lstrip()[:5].lower() == b"solid":
        corners = _ascii_corners(path)
        vertices = np.empty(len(corners), [(axis, "f8") for axis in "xyz"])
    else:
        raise refusal(
            path,
            f"no STL: it neither begins with 'solid' nor has room for exactly the {declared} "
            f"triangles that its header would declare ({size} bytes)",
            _ONLY_PART,
        )
    for i, axis in enumerate("xyz"):
        vertices[axis] = corners[:, i]
    return vertices, np.arange(len(vertices), dtype=np.int32).reshape(-1, 3)


def _ascii_corners(path: Path) -> NDArray[np.float64]:
    lines = path.read_bytes().lower().splitlines()
    words = [line.split() for line in lines]
    corners = [row[1:] for row in words if row and row[0] == b"vertex"]
    ends = sum(1 for row in words if row and row[0] == b"endfacet")
    if not corners or len(corners) != 3 * ends:
        raise refusal(
            path, f"no whole STL: {len(corners)} vertex lines for {ends} triangles", _ONLY_PART
        )
    values = numbers(b" ".join([word for row in corners for word in row]))
    if values is None or any(len(row) != 3 for row in corners):
        raise refusal(path, "no STL: a vertex line does not hold three numbers")
    return values.reshape(-1, 3)
