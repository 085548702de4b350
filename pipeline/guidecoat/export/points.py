"""points.ply: every vertex of the scan in its order, with its colour, deviation and status."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..check import CheckResult
from ..ply import write_ply_chunks
from .colours import Scale

# Rows at a time: small enough that a chunk and its temporaries stay in the processor's cache.
_CHUNK = 1 << 16
_OWN = ("x", "y", "z", "red", "green", "blue", "deviation", "status")
# A PLY knows no wider whole numbers than these, and no half floats.
_PLY_TYPES = frozenset(("i1", "i2", "i4", "u1", "u2", "u4", "f4", "f8"))


def write_points(path: Path, result: CheckResult, scale: Scale) -> None:
    """Write the scan's vertices as read, coloured, with deviation (mm) and status, and their rest.

    Fields of the input that bear the name of one of ours are replaced.
    """
    vertices = result.scan.vertices
    rest = [
        name
        for name in vertices.dtype.names or ()
        if name not in _OWN and vertices.dtype[name].str[1:] in _PLY_TYPES
    ]
    dtype = np.dtype(
        [(axis, _little(vertices.dtype[axis])) for axis in "xyz"]
        + [(colour, "u1") for colour in ("red", "green", "blue")]
        + [("deviation", "<f4"), ("status", "u1")]
        + [(name, _little(vertices.dtype[name])) for name in rest]
    )
    chunks = _chunks(result, scale, dtype, rest)
    write_ply_chunks(path, dtype, len(vertices), chunks, comments=("deviation in mm, high is +",))


def _chunks(
    result: CheckResult, scale: Scale, dtype: np.dtype[np.void], rest: list[str]
) -> Iterator[NDArray[np.void]]:
    vertices, deviation = result.scan.vertices, result.deviation
    for start in range(0, len(vertices), _CHUNK):
        rows = slice(start, start + _CHUNK)
        source = vertices[rows]
        chunk = np.empty(len(source), dtype)
        for name in ("x", "y", "z", *rest):
            chunk[name] = source[name]
        chunk["deviation"] = deviation.point_mm[rows]
        chunk["status"] = deviation.point_status[rows]
        colours = scale.colours(deviation.point_mm[rows], deviation.point_status[rows])
        for k, name in enumerate(("red", "green", "blue")):
            chunk[name] = colours[:, k]
        yield chunk


def _little(dtype: np.dtype[np.generic]) -> np.dtype[np.generic]:
    return dtype.newbyteorder("<")
