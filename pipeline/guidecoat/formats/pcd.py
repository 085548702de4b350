"""PCD point clouds, read with numpy alone: ascii, binary and compressed.

The header is held against the file's size before anything is allocated; libraries that believe it
end the whole process on a damaged file.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .ply_header import TYPE_NAMES, refusal
from .text_rows import TextLines, table_blocks

LONGEST_HEADER = 1 << 16
# One reference of three bytes repeats up to 264, so no sound block grows more than this.
MOST_GROWTH = 100
_NAMES = {"normal_x": "nx", "normal_y": "ny", "normal_z": "nz"}
_CODES = {"F": "f", "I": "i", "U": "u"}


@dataclass(frozen=True)
class _Header:
    """Fields as (name, numpy code, values per point); the data start at byte `size`."""

    fields: tuple[tuple[str, str, int], ...]
    points: int
    data: str
    size: int

    @property
    def row_bytes(self) -> int:
        return sum(np.dtype(code).itemsize * count for _, code, count in self.fields)


def read_pcd(path: Path) -> tuple[NDArray[np.void], None]:
    """Read the points of a PCD file: all fields of one value, colours unpacked.

    Raises
    ------
    ScanReadError
        Not a PCD, or a header and data that do not belong together.
    """
    header = _read_header(path)
    left = path.stat().st_size - header.size
    read = {"ascii": _ascii, "binary": _binary, "binary_compressed": _compressed}[header.data]
    room = {
        # A digit and a blank for every value, and no need of a line end after the last.
        "ascii": (left + 1) // (2 * sum(count for *_, count in header.fields)),
        "binary": left // header.row_bytes,
        "binary_compressed": left * MOST_GROWTH // header.row_bytes,
    }[header.data]
    if header.points > room:
        raise refusal(
            path,
            f"the header declares {header.points} points, the file has room for {room} at most",
            "copied only in part? copy or export the scan again",
        )
    columns = read(path, header)
    table = np.empty(header.points, [(name, column.dtype.str) for name, column in columns.items()])
    for name, column in columns.items():
        table[name] = column
    return table, None


def _read_header(path: Path) -> _Header:
    with path.open("rb") as file:
        block = file.read(LONGEST_HEADER)
    end = re.search(rb"(?:^|\n)DATA[ \t]+(\w+)[ \t]*\r?\n", block)
    if end is None:
        raise refusal(path, "not a PCD file (no DATA line in its header)")
    lines = [line.split() for line in block[: end.start()].decode("latin1").splitlines()]
    words = {line[0]: line[1:] for line in lines if line and not line[0].startswith("#")}
    data = end.group(1).decode("latin1")
    if data not in ("ascii", "binary", "binary_compressed"):
        raise refusal(path, f"unknown kind of PCD data '{data[:40]}'")
    try:
        names, kinds = words["FIELDS"], words["TYPE"]
        sizes = [int(word) for word in words["SIZE"]]
        counts = [int(word) for word in words.get("COUNT", ["1"] * len(names))]
        points = int(words["POINTS"][0])
        fields = tuple(
            (name, _CODES[kind] + str(size), count)
            for name, kind, size, count in zip(names, kinds, sizes, counts, strict=True)
        )
    except (KeyError, ValueError, IndexError) as error:
        raise refusal(
            path, "not a PCD file (its FIELDS, SIZE, TYPE, COUNT and POINTS do not fit together)"
        ) from error
    for name, code, count in fields:
        if code not in (*TYPE_NAMES, "i8", "u8") or not 1 <= count <= 1000:
            raise refusal(path, f"the PCD field '{name[:40]}' is of no known type or count")
    single = [name for name, _, count in fields if count == 1]
    if not set("xyz") <= set(single) or points < 0:
        raise refusal(path, "the PCD header declares no points with x, y and z")
    return _Header(fields, points, data, end.end())


def _ascii(path: Path, header: _Header) -> dict[str, NDArray[np.generic]]:
    width = sum(count for *_, count in header.fields)
    lines = TextLines(path, header.size)
    rows = np.concatenate(
        [np.empty((0, width)), *table_blocks(lines, header.points, width)], dtype=np.float64
    )
    if len(rows) < header.points:
        raise refusal(
            path,
            f"the header declares {header.points} points, the file ends after {len(rows)}",
            "copied only in part? copy or export the scan again",
        )
    columns, at = [], 0
    for _, code, count in header.fields:
        with np.errstate(invalid="ignore", over="ignore"):
            columns.append(rows[:, at].astype(code))
        at += count
    return _named(header, columns)


def _binary(path: Path, header: _Header) -> dict[str, NDArray[np.generic]]:
    row = np.dtype(
        [(f"f{i}", "<" + code, (count,)) for i, (_, code, count) in enumerate(header.fields)]
    )
    if not header.points:
        return _named(header, [np.empty(0, code) for _, code, _ in header.fields])
    rows = np.memmap(path, row, "r", header.size, (header.points,))
    return _named(header, [rows[f"f{i}"][:, 0] for i in range(len(header.fields))])


def _compressed(path: Path, header: _Header) -> dict[str, NDArray[np.generic]]:
    """One field after the other, the whole packed as one LZF block behind its two sizes."""
    with path.open("rb") as file:
        file.seek(header.size)
        sizes = np.frombuffer(file.read(8).ljust(8, b"\0"), "<u4")
        packed = file.read()
    wanted = header.points * header.row_bytes
    sound = len(packed) >= int(sizes[0]) and int(sizes[1]) == wanted
    plain = _unpacked(packed[: int(sizes[0])], wanted) if sound else None
    if plain is None:
        raise refusal(
            path,
            f"the compressed block does not unpack to the {header.points} points declared",
            "copied only in part? copy or export the scan again",
        )
    columns, at = [], 0
    for _, code, count in header.fields:
        values = np.frombuffer(plain, "<" + code, header.points * count, at)
        columns.append(values[::count])
        at += values.nbytes
    return _named(header, columns)


def _unpacked(packed: bytes, size: int) -> bytes | None:
    """Undo LZF: runs of literal bytes and references to bytes up to 8192 back.

    None where the block is damaged or does not come to `size` bytes.
    """
    out = bytearray()
    at, end = 0, len(packed)
    while at < end and len(out) <= size:
        control = packed[at]
        at += 1
        if control < 32:
            out += packed[at : at + control + 1]
            at += control + 1
            continue
        length = control >> 5
        if length == 7:
            length += packed[at] if at < end else 0
            at += 1
        if at >= end:
            return None
        start = len(out) - ((control & 31) << 8) - packed[at] - 1
        at += 1
        if start < 0:
            return None
        piece = out[start : start + length + 2]
        # A reference may reach into what it is about to write: the piece then repeats.
        repeats = -(-(length + 2) // len(piece))
        out += (piece * repeats)[: length + 2]
    return bytes(out) if len(out) == size else None


def _named(header: _Header, columns: list[NDArray[np.generic]]) -> dict[str, NDArray[np.generic]]:
    """Columns under the names a PLY has for them; padding and fields of many values left out."""
    named: dict[str, NDArray[np.generic]] = {}
    for (name, code, count), column in zip(header.fields, columns, strict=True):
        if count > 1 or name == "_" or not name.isascii():
            continue
        if name in ("rgb", "rgba") and code in ("f4", "u4"):
            packed = np.ascontiguousarray(column).view(np.uint32)
            for shift, colour in ((16, "red"), (8, "green"), (0, "blue")):
                named.setdefault(colour, (packed >> np.uint32(shift)).astype(np.uint8))
        else:
            # PLY has no integers of eight bytes.
            plain = column.astype(np.float64) if code in ("i8", "u8") else column
            named.setdefault(_NAMES.get(name, name), plain)
    return named
