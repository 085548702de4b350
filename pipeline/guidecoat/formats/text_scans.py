"""Scans in plain text: a point per line (.xyz, .pts, .csv, .txt) and .obj meshes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .ply_header import refusal
from .ply_rows import fan_triangles
from .text_rows import TextLines, numbers, table_blocks

HEAD_BYTES = 1 << 16
_COLOURS = ("red", "green", "blue")
_NAMES = {
    **{"r": "red", "g": "green", "b": "blue"},
    **{"normal_x": "nx", "normal_y": "ny", "normal_z": "nz"},
}


@dataclass(frozen=True)
class _Layout:
    """How a text table is laid out: where its rows begin and what turns them into numbers."""

    start: int
    columns: int
    names: tuple[str, ...] | None
    translate: bytes
    announced: int | None


def read_table(path: Path) -> tuple[NDArray[np.void], None]:
    """Read a point per line: x y z and more, parted by blanks, commas or semicolons.

    A line of column names, comment lines (#, //) before the rows and the line with the number of
    points that .pts files begin with are understood; with semicolons, a comma is a decimal mark.
    All columns come back as float64, under the names the file or custom gives them.

    Raises
    ------
    ScanReadError
        No rows of numbers, fewer than three columns, a row unlike the others.
    """
    layout = _layout(path)
    if layout.columns < 3:
        raise refusal(path, f"rows of {layout.columns} numbers, at least x, y and z are needed")
    lines = TextLines(path, layout.start, translate=layout.translate)
    rows = np.concatenate(
        [np.empty((0, layout.columns)), *table_blocks(lines, lines.bytes_left, layout.columns)]
    )
    if layout.announced not in (None, len(rows)):
        raise refusal(
            path,
            f"its first line announces {layout.announced} points, {len(rows)} follow",
            "copied only in part? copy or export the scan again",
        )
    vertices = np.empty(len(rows), [(n, "f8") for n in layout.names or _customary(rows)])
    missing = [axis for axis in "xyz" if axis not in (vertices.dtype.names or ())]
    if missing:
        raise refusal(path, f"no column is named {', '.join(missing)}", "name the columns x, y, z")
    for name, column in zip(vertices.dtype.names or (), rows.T, strict=True):
        vertices[name] = column
    return vertices, None


def _layout(path: Path) -> _Layout:
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    start = 3 if head.startswith(b"\xef\xbb\xbf") else 0
    names: tuple[str, ...] | None = None
    announced: int | None = None
    for line in head[start:].splitlines(keepends=True)[:100]:
        table = _translation(line)
        words = line.translate(table).split()
        values = numbers(b" ".join(words))
        if values is not None and len(values) > 1:
            named = names if names and len(names) == len(values) else None
            return _Layout(start, len(values), named, table, announced)
        if words and values is None and not line.startswith((b"#", b"//")):
            names = _column_names(words)
        elif words and values is None:
            names = _column_names(line.strip().lstrip(b"#/").translate(table).split()) or names
        if values is not None and len(values) == 1 and abs(values[0]) < 2**53:
            announced = int(values[0])
        start += len(line)
    raise refusal(path, "no line of numbers at its beginning", "export it as lines of x y z")


def _translation(line: bytes) -> bytes:
    if b";" in line:
        return bytes.maketrans(b";,\t", b" . ")
    return bytes.maketrans(b",\t", b"  ")


def _column_names(words: list[bytes]) -> tuple[str, ...] | None:
    plain = [re.sub(r"\W", "", w.decode("latin1").strip("\"'").lower()) for w in words]
    names = tuple(_NAMES.get(word, word) for word in plain)
    usable = all(name and name.isascii() for name in names) and len(set(names)) == len(names)
    return names if usable and set("xyz") <= set(names) else None


def _customary(rows: NDArray[np.float64]) -> tuple[str, ...]:
    """Names for columns without any: by custom colours are bytes, normals of length one."""
    columns = rows.shape[1]
    last = rows[:, -3:]
    more: tuple[str, ...] = ()
    if columns >= 6 and len(rows):
        if np.allclose(np.linalg.norm(last, axis=1), 1, atol=1e-2):
            more = ("nx", "ny", "nz")
        elif np.all((last >= 0) & (last <= 255) & (last == np.floor(last))):
            more = _COLOURS
    between = columns - 3 - len(more)
    spare = ("intensity",) if between == 1 else tuple(f"value_{i + 1}" for i in range(between))
    return (*"xyz", *spare, *more)


def read_obj(path: Path) -> tuple[NDArray[np.void], NDArray[np.int32] | None]:
    """Read the vertices and faces of an .obj mesh, in file order; all else is passed over.

    Raises
    ------
    ScanReadError
        No vertices, or lines that are not as the format has them.
    """
    lines = path.read_bytes().replace(b"\\\r\n", b" ").replace(b"\\\n", b" ").splitlines()
    kinds = [line[:2] for line in lines]
    at_vertex = np.array([kind in (b"v ", b"v\t") for kind in kinds], np.bool_)
    rows = [lines[i][2:].split()[:3] for i in np.flatnonzero(at_vertex)]
    values = numbers(b" ".join([word for row in rows for word in row]))
    if not rows or values is None or any(len(row) < 3 for row in rows):
        raise refusal(path, "no OBJ with a vertex 'v x y z' on every such line")
    vertices = np.empty(len(rows), [(axis, "f8") for axis in "xyz"])
    for axis, column in zip("xyz", values.reshape(-1, 3).T, strict=True):
        vertices[axis] = column
    at_face = [i for i, kind in enumerate(kinds) if kind in (b"f ", b"f\t")]
    if not at_face:
        return vertices, None
    before = np.cumsum(at_vertex, dtype=np.int64)[at_face]
    corners = [re.sub(rb"/\S*", b"", lines[i][2:]) for i in at_face]
    return vertices, _obj_faces(path, corners, before)


def _obj_faces(
    path: Path, corners: list[bytes], before: NDArray[np.integer]
) -> NDArray[np.int32] | None:
    """Corners count from 1, or back from the last vertex `before` the face where negative."""
    lengths = np.array([len(face.split()) for face in corners], np.int64)
    indices = numbers(b" ".join(corners))
    if indices is None or len(indices) != lengths.sum() or not (abs(indices) < 2**31).all():
        raise refusal(path, "a face line 'f' holds something that is no vertex number")
    if (indices == 0).any():
        raise refusal(path, "a face names vertex 0, the vertices of an OBJ count from 1")
    back = np.repeat(before, lengths) + indices
    faces = fan_triangles(lengths, np.where(indices > 0, indices - 1, back).astype(np.int32))
    return faces if len(faces) else None
