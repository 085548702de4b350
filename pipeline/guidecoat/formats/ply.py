"""PLY files, read and written with numpy alone: ascii and both byte orders, lists anywhere.

The header is believed only after it was held against the size of the file, so a false count
costs an error message and no memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from ..errors import SettingsError
from .ply_header import FORMATS, TYPE_NAMES, Element, Header, read_header, refusal
from .ply_rows import binary_element, fan_triangles, text_element
from .text_rows import TextLines

CHUNK_ROWS = 1 << 18


@dataclass(frozen=True, eq=False)
class PlyFile:
    """What a PLY file holds; arrays are read-only.

    Attributes
    ----------
    vertices : (n,) structured array of the scalar vertex properties, file names and types in
        native byte order; a memory map where the file allows it. List properties left out.
    faces : (m, 3) int32 vertex indices as they stand in the file, polygons fanned, or None.
    comments : the texts of `comment` and `obj_info` lines.
    format : ascii, binary_little_endian or binary_big_endian.
    """

    vertices: NDArray[np.void]
    faces: NDArray[np.int32] | None
    comments: tuple[str, ...]
    format: str


def read_ply(path: str | Path) -> PlyFile:
    """Read a PLY file.

    Raises
    ------
    ScanReadError
        Not there, not a PLY, or a header and data that do not belong together.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise refusal(path, "this is a folder, a scan file is needed", "name the file in it")
        with path.open("rb") as file:
            header = read_header(file, path)
        _check_vertex(header, path)
        vertices, faces = _read_elements(header, path)
    except OSError as error:
        raise refusal(
            path, f"cannot be read ({error.strerror})", "check the path and its permissions"
        ) from error
    for array in (vertices, faces):
        if array is not None:
            array.flags.writeable = False
    return PlyFile(vertices, faces, header.comments, header.format)


def _check_vertex(header: Header, path: Path) -> None:
    vertex = next((e for e in header.elements if e.name == "vertex"), None)
    if vertex is None:
        raise refusal(
            path, "the header declares no element 'vertex'", "export it as points or a mesh"
        )
    missing = [axis for axis in "xyz" if axis not in {prop.name for prop in vertex.scalars}]
    if missing:
        raise refusal(
            path, f"the vertices have no property {', '.join(missing)}", "export x, y, z too"
        )


def _read_elements(header: Header, path: Path) -> tuple[NDArray[np.void], NDArray[np.int32] | None]:
    """Walk all elements in file order; what is not wanted is walked too, to check the size."""
    order = FORMATS[header.format]
    lines = TextLines(path, header.size, newline=header.newline) if order == "=" else None
    vertices, faces = np.empty(0, np.dtype([])), None
    offset = header.size
    for element in header.elements:
        wanted = _index_list(element)
        if lines is not None:
            rows = text_element(lines, element, wanted=wanted)
        else:
            rows, offset = binary_element(path, element, offset, order, wanted=wanted)
        if element.name == "vertex":
            vertices = rows.scalars
        elif element.name == "face" and rows.lists is not None:
            # An unsigned index of 2^31 or more turns negative: out of range either way.
            faces = fan_triangles(rows.lengths, rows.lists.astype(np.int32))
    if lines is not None and not lines.rest_is_blank():
        raise refusal(
            path, f"text goes on after the declared rows, from line {lines.line_number + 1}"
        )
    if lines is None:
        _check_tail(path, offset)
    return vertices, faces if faces is not None and len(faces) else None


def _index_list(element: Element) -> str | None:
    if element.name != "face":
        return None
    names = [p.name for p in element.properties if p.count_code and not p.code.startswith("f")]
    return next((name for name in ("vertex_indices", "vertex_index") if name in names), None)


def _check_tail(path: Path, offset: int) -> None:
    extra = path.stat().st_size - offset
    if extra <= 0:
        return
    with path.open("rb") as file:
        file.seek(offset)
        # A transfer in text mode or a careless writer leaves a line end: harmless.
        if extra <= 2 and not file.read(2).strip(b"\r\n"):
            return
    raise refusal(path, f"the file is {extra} bytes longer than its header declares")


def write_ply(
    path: str | Path,
    vertices: NDArray[np.void],
    *,
    faces: NDArray[np.integer] | None = None,
    format: str = "binary_little_endian",
    comments: Sequence[str] = (),
) -> None:
    """Write a PLY file of one vertex per row of a structured array.

    Parameters
    ----------
    vertices : (n,) structured array, its fields become the vertex properties.
    faces : (m, 3) vertex indices, or None for a cloud.
    format : ascii, binary_little_endian or binary_big_endian.

    Raises
    ------
    SettingsError
        A format or a field type that PLY does not have.
    """
    chunks = (vertices[i : i + CHUNK_ROWS] for i in range(0, len(vertices), CHUNK_ROWS))
    write_ply_chunks(
        path, vertices.dtype, len(vertices), chunks, faces=faces, format=format, comments=comments
    )


def storable(dtype: np.dtype[np.void]) -> tuple[str, ...]:
    """Names of the fields that a PLY can hold: it knows no wider whole numbers, no half floats.

    >>> storable(np.dtype([("x", "f4"), ("id", "i8")]))
    ('x',)
    """
    return tuple(name for name in dtype.names or () if dtype[name].str[1:] in TYPE_NAMES)


def write_ply_chunks(
    path: str | Path,
    dtype: np.dtype[np.void],
    count: int,
    chunks: Iterable[NDArray[np.void]],
    *,
    faces: NDArray[np.integer] | None = None,
    format: str = "binary_little_endian",
    comments: Sequence[str] = (),
) -> None:
    """Write a PLY file from chunks of vertices, `count` in all, without holding them at once.

    Raises
    ------
    SettingsError
        A format or a field type that PLY does not have, or chunks that do not add up to `count`.
    """
    if format not in FORMATS:
        raise SettingsError(f"PLY format '{format}' unknown, choose one of {', '.join(FORMATS)}")
    packed = _packed(dtype, FORMATS[format])
    head = _header_text(packed, count, 0 if faces is None else len(faces), format, comments)
    with Path(path).open("wb") as file:
        file.write(head.encode())
        written = 0
        for chunk in chunks:
            written += len(chunk)
            _write_rows(file, chunk, packed, format)
        if written != count:
            raise SettingsError(f"{path}: {written} vertices came where {count} were announced")
        for block in _face_blocks(faces, FORMATS[format]):
            _write_rows(file, block, block.dtype, format)


def _packed(dtype: np.dtype[np.void], order: str) -> np.dtype[np.void]:
    """The row as it lies in the file: no gaps, the file's byte order."""
    fields = []
    for name in dtype.names or ():
        code = dtype[name].str[1:]
        if code not in TYPE_NAMES:
            known = ", ".join(TYPE_NAMES.values())
            raise SettingsError(f"field '{name}' is {dtype[name]}, PLY knows only {known}")
        if not name.isascii() or name.split() != [name]:
            raise SettingsError(f"field name {name!r} cannot stand in a PLY header, use one word")
        fields.append((name, order + code))
    return np.dtype(fields)


def _header_text(
    packed: np.dtype[np.void], count: int, faces: int, format: str, comments: Sequence[str]
) -> str:
    lines = ["ply", f"format {format} 1.0"]
    lines += [f"comment {' '.join(comment.split())}" for comment in comments]
    lines.append(f"element vertex {count}")
    lines += [f"property {TYPE_NAMES[packed[n].str[1:]]} {n}" for n in packed.names or ()]
    if faces:
        lines += [f"element face {faces}", "property list uchar int vertex_indices"]
    return "\n".join([*lines, "end_header", ""])


def _face_blocks(faces: NDArray[np.integer] | None, order: str) -> Iterator[NDArray[np.void]]:
    row = np.dtype([("n", "u1"), *((f"i{k}", order + "i4") for k in range(3))])
    for at in range(0, 0 if faces is None else len(faces), CHUNK_ROWS):
        assert faces is not None
        part = faces[at : at + CHUNK_ROWS]
        block = np.empty(len(part), row)
        block["n"] = 3
        for k in range(3):
            block[f"i{k}"] = part[:, k]
        yield block


def _write_rows(
    file: BinaryIO, rows: NDArray[np.void], packed: np.dtype[np.void], format: str
) -> None:
    if format != "ascii":
        file.write(np.ascontiguousarray(rows.astype(packed, copy=False)).data)
        return
    # 9 and 17 digits bring every float and double back exactly.
    spell = {"f4": "%.9g", "f8": "%.17g"}
    line = " ".join(spell.get(packed[name].str[1:], "%d") for name in packed.names or ()) + "\n"
    values = [value for row in rows.tolist() for value in row]
    file.write((line * len(rows) % tuple(values)).encode())
