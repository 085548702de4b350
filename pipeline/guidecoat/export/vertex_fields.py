"""Every vertex of a scan in its order with its colour and some fields of ours, as a PLY."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..check import CheckResult
from ..formats.ply import storable, write_ply_chunks
from ..pictures.colours import Scale

# Rows at a time: small enough that a chunk and its temporaries stay in the processor's cache.
_CHUNK = 1 << 16
_COLOURS = ("red", "green", "blue")


def write_vertex_fields(
    path: Path,
    view: CheckResult,
    scale: Scale,
    fields: Sequence[tuple[str, NDArray[np.float32]]],
    *,
    comment: str,
) -> None:
    """Write x, y, z as read, colours by the view's deviation, `fields`, status, and the rest.

    Fields of the input that bear the name of one of ours are replaced.
    """
    vertices, deviation = view.scan.vertices, view.deviation
    names = [name for name, _ in fields]
    own = {"x", "y", "z", *_COLOURS, *names, "status"}
    rest = [name for name in storable(vertices.dtype) if name not in own]
    dtype = np.dtype(
        [(axis, _little(vertices.dtype[axis])) for axis in "xyz"]
        + [(colour, "u1") for colour in _COLOURS]
        + [(name, "<f4") for name in names]
        + [("status", "u1")]
        + [(name, _little(vertices.dtype[name])) for name in rest]
    )

    def chunks() -> Iterator[NDArray[np.void]]:
        for start in range(0, len(vertices), _CHUNK):
            rows = slice(start, start + _CHUNK)
            chunk = np.empty(len(vertices[rows]), dtype)
            for name in ("x", "y", "z", *rest):
                chunk[name] = vertices[rows][name]
            for name, values in fields:
                chunk[name] = values[rows]
            chunk["status"] = deviation.point_status[rows]
            colours = scale.colours(deviation.point_mm[rows], deviation.point_status[rows])
            for k, name in enumerate(_COLOURS):
                chunk[name] = colours[:, k]
            yield chunk

    write_ply_chunks(path, dtype, len(vertices), chunks(), comments=(comment,))


def _little(dtype: np.dtype[np.generic]) -> np.dtype[np.generic]:
    return dtype.newbyteorder("<")
