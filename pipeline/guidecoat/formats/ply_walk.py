"""The walk over binary PLY rows of uneven length: places first, then all values at once."""

from __future__ import annotations

import mmap
from array import array
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .ply_header import Element, Property, refusal

CHUNK_VALUES = 1 << 18


@dataclass(frozen=True, eq=False)
class Places:
    """Where in the file each property's values begin.

    `where` and `lengths` hold an array of one entry per row for every property, in header order;
    `end` is the byte behind the last row.
    """

    where: tuple[NDArray[np.int64], ...]
    lengths: tuple[NDArray[np.int64], ...]
    end: int


def find_places(path: Path, element: Element, offset: int, order: str) -> Places:
    """Walk the rows from byte `offset` on.

    Raises
    ------
    ScanReadError
        A row that runs past the end of the file, or a list of negative length.
    """
    lists = [prop for prop in element.properties if prop.count_code]
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        starts, counts = _walk(data, element, offset, order)
    if len(counts) < element.count * len(lists):
        raise refusal(
            path,
            f"row {len(counts) // len(lists) + 1} of {element.count} of '{element.name[:40]}' runs "
            "past the end of the file or has a list of negative length",
            "copied only in part? copy or export the scan again",
        )
    table = np.frombuffer(counts, np.int64).reshape(element.count, len(lists))
    at = np.frombuffer(starts, np.int64)
    columns = iter(table.T)
    where: list[NDArray[np.int64]] = []
    lengths: list[NDArray[np.int64]] = []
    for prop in element.properties:
        length = np.ones(element.count, np.int64)
        if prop.count_code:
            length = next(columns)
            at = at + size_of(prop.count_code)
        where.append(at)
        lengths.append(length)
        at = at + length * size_of(prop.code)
    return Places(tuple(where), tuple(lengths), int(at[-1]))


def _walk(data: mmap.mmap, element: Element, at: int, order: str) -> tuple[array[int], array[int]]:
    """Row starts and list lengths, row by row, as far as the file holds whole rows."""
    byte_order: Literal["little", "big"] = "big" if order == ">" else "little"
    gaps, tail = _gaps(element)
    starts, counts, end = array("q"), array("q"), len(data)
    for _ in range(element.count):
        starts.append(at)
        found = []
        for gap, count_bytes, signed, item_bytes in gaps:
            at += gap
            length = int.from_bytes(data[at : at + count_bytes], byte_order, signed=signed)
            at += count_bytes + length * item_bytes
            found.append(length)
            if length < 0 or at > end:
                return starts, counts
        at += tail
        if at > end:
            return starts, counts
        counts.extend(found)
    return starts, counts


def _gaps(element: Element) -> tuple[list[tuple[int, int, bool, int]], int]:
    """For each list: scalar bytes before it, bytes of its count, its sign, bytes of an item.

    The number behind the lists is the scalar bytes after the last one.
    """
    gaps, gap = [], 0
    for prop in element.properties:
        if prop.count_code is None:
            gap += size_of(prop.code)
            continue
        signed = prop.count_code.startswith("i")
        gaps.append((gap, size_of(prop.count_code), signed, size_of(prop.code)))
        gap = 0
    return gaps, gap


def gather(
    data: NDArray[np.uint8],
    prop: Property,
    where: NDArray[np.int64],
    lengths: NDArray[np.int64],
    order: str,
) -> NDArray[np.generic]:
    """All values of one property, row after row, from the bytes of the file."""
    size = size_of(prop.code)
    first = np.cumsum(lengths) - lengths
    step = np.arange(lengths.sum()) - np.repeat(first, lengths)
    places = np.repeat(where, lengths) + step * size
    values = np.empty(len(places), order + prop.code)
    span = np.arange(size)
    for at in range(0, len(places), CHUNK_VALUES):
        part = places[at : at + CHUNK_VALUES, None] + span
        values[at : at + CHUNK_VALUES] = data[part].view(values.dtype)[:, 0]
    return values


def size_of(code: str | None) -> int:
    """Bytes of one value of a numpy type code, 0 for none."""
    return np.dtype(code).itemsize if code else 0
