"""The rows of one PLY element, binary or text, lists anywhere among the properties."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanReadError
from .ply_header import Element, Property, refusal
from .ply_walk import find_places, gather, size_of
from .text_rows import TextLines, numbers, table_blocks

CHECK_ROWS = 1 << 20


@dataclass(frozen=True, eq=False)
class Rows:
    """One element's rows.

    `scalars` holds the scalar properties; `lists` the values of the wanted list property, row
    after row, with `lengths` per row, or one number where all rows agree. None: no such list.
    """

    scalars: NDArray[np.void]
    lengths: int | NDArray[np.int64] = 0
    lists: NDArray[np.generic] | None = None


def fan_triangles(
    lengths: int | NDArray[np.int64], indices: NDArray[np.int32]
) -> NDArray[np.int32]:
    """(m, 3) fans of triangles about each polygon's first corner, in file order.

    `indices` holds the corners polygon after polygon, `lengths` how many each has (one number
    where all agree). Polygons of fewer than three corners give nothing.
    """
    if isinstance(lengths, int):
        if lengths == 3:
            return indices.reshape(-1, 3)
        if lengths < 3:
            return np.empty((0, 3), np.int32)
        lengths = np.full(len(indices) // lengths, lengths)
    triangles = np.maximum(lengths - 2, 0)
    start = np.repeat(np.cumsum(lengths) - lengths, triangles)
    step = np.arange(len(start)) - np.repeat(np.cumsum(triangles) - triangles, triangles)
    corners = [indices[start], indices[start + step + 1], indices[start + step + 2]]
    return np.stack(corners, axis=1)


# ---------------------------------------------------------------- binary


def binary_element(
    path: Path, element: Element, offset: int, order: str, *, wanted: str | None
) -> tuple[Rows, int]:
    """Read a binary element that begins at byte `offset`; also gives where the next begins.

    Raises
    ------
    ScanReadError
        The file is too short for the declared rows.
    """
    left = path.stat().st_size - offset
    if element.count * element.least_row_bytes > left:
        raise _too_short(path, element, left // max(element.least_row_bytes, 1))
    if not element.properties or not element.count:
        return Rows(np.empty(0, element.scalar_dtype("=")), 0, None), offset
    if not element.has_lists:
        dtype = element.scalar_dtype(order)
        rows = np.memmap(path, dtype, "r", offset, (element.count,))
        return Rows(_native(rows, element)), offset + element.count * dtype.itemsize
    even = _even_rows(path, element, offset, order)
    if even is not None:
        return _from_even(even, element, wanted), offset + even.nbytes
    return _from_walk(path, element, offset, order, wanted)


def _too_short(path: Path, element: Element, found: int) -> ScanReadError:
    return refusal(
        path,
        f"the header declares {element.count} rows of '{element.name[:40]}', "
        f"the file has room for {found} at most",
        "copied only in part? copy or export the scan again",
    )


def _native(rows: NDArray[np.void], element: Element) -> NDArray[np.void]:
    """The same rows in this machine's byte order; a copy only where they differ."""
    native = element.scalar_dtype("=")
    return rows if rows.dtype == native else np.asarray(rows.astype(native))


def _even_rows(path: Path, element: Element, offset: int, order: str) -> NDArray[np.void] | None:
    """The rows as one table if every list is as long as in the first row, else None."""
    with path.open("rb") as file:
        file.seek(offset)
        fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
        for i, prop in enumerate(element.properties):
            length = _first_length(file.read(size_of(prop.count_code)), prop, order)
            if length is None or length > 255:
                return None
            file.seek(length * size_of(prop.code), 1)
            if prop.count_code:
                fields.append((f"n{i}", order + prop.count_code))
                fields.append((f"p{i}", order + prop.code, (length,)))
            else:
                fields.append((f"p{i}", order + prop.code))
    dtype = np.dtype(fields)
    if element.count * dtype.itemsize > path.stat().st_size - offset:
        return None
    rows = np.memmap(path, dtype, "r", offset, (element.count,))
    counts = [name for name in dtype.names or () if name.startswith("n")]
    for at in range(0, len(rows), CHECK_ROWS):
        part = rows[at : at + CHECK_ROWS]
        if any(not (part[name] == rows[name][0]).all() for name in counts):
            return None
    return rows


def _first_length(raw: bytes, prop: Property, order: str) -> int | None:
    """Length of the first list (1 for a scalar), None where the file ends or it is negative."""
    if prop.count_code is None:
        return 1
    if len(raw) < size_of(prop.count_code):
        return None
    length = int(np.frombuffer(raw, order + prop.count_code)[0])
    return length if length >= 0 else None


def _from_even(rows: NDArray[np.void], element: Element, wanted: str | None) -> Rows:
    scalars = np.empty(len(rows), element.scalar_dtype("="))
    lists, length = None, 0
    for i, prop in enumerate(element.properties):
        if prop.count_code is None:
            scalars[prop.name] = rows[f"p{i}"]
        elif prop.name == wanted:
            lists, length = rows[f"p{i}"].reshape(-1), rows.dtype[f"p{i}"].shape[0]
    return Rows(scalars, length, lists)


def _from_walk(
    path: Path, element: Element, offset: int, order: str, wanted: str | None
) -> tuple[Rows, int]:
    """Rows of uneven length."""
    places = find_places(path, element, offset, order)
    data = np.memmap(path, np.uint8, "r")
    scalars = np.empty(element.count, element.scalar_dtype("="))
    lists, counts = None, np.zeros(0, np.int64)
    for prop, where, lengths in zip(element.properties, places.where, places.lengths, strict=True):
        if prop.count_code is None:
            scalars[prop.name] = gather(data, prop, where, lengths, order)
        elif prop.name == wanted:
            lists, counts = gather(data, prop, where, lengths, order), lengths
    return Rows(scalars, counts, lists), places.end


# ---------------------------------------------------------------- text


def text_element(lines: TextLines, element: Element, *, wanted: str | None) -> Rows:
    """Read the next `element.count` lines of an ascii PLY.

    Raises
    ------
    ScanReadError
        Too few lines, a line of the wrong length, a value its type cannot hold.
    """
    least = max(2 * len(element.properties), 1)
    if element.count * least - 1 > lines.bytes_left:
        raise _too_short(lines.path, element, (lines.bytes_left + 1) // least)
    if not element.properties or not element.count:
        return Rows(np.empty(0, element.scalar_dtype("=")), 0, None)
    if element.has_lists:
        return _text_lists(lines, element, wanted)
    scalars = np.empty(element.count, element.scalar_dtype("="))
    at = 0
    for block in table_blocks(lines, element.count, len(element.properties)):
        for column, prop in zip(block.T, element.properties, strict=True):
            scalars[prop.name][at : at + len(block)] = _cast(column, prop, lines.path)
        at += len(block)
    if at < element.count:
        raise _too_few_lines(lines, element, at)
    return Rows(scalars)


def _too_few_lines(lines: TextLines, element: Element, found: int) -> ScanReadError:
    return refusal(
        lines.path,
        f"the header declares {element.count} rows of '{element.name[:40]}', the file ends "
        f"after {found}",
        "copied only in part? copy or export the scan again",
    )


def _cast(values: NDArray[np.float64], prop: Property, path: Path) -> NDArray[np.generic]:
    with np.errstate(invalid="ignore", over="ignore"):
        cast = values.astype(prop.code)
    if not prop.code.startswith("f"):
        wrong = np.flatnonzero(~(cast == values))
        if len(wrong):
            raise refusal(
                path,
                f"the property '{prop.name[:40]}' holds {values[wrong[0]]:g}, which its type "
                f"{np.dtype(prop.code)} cannot",
            )
    return cast


def _text_lists(lines: TextLines, element: Element, wanted: str | None) -> Rows:
    """Lines with lists: each says its own length."""
    scalars = np.empty(element.count, element.scalar_dtype("="))
    lengths = np.zeros(element.count, np.int64)
    index = next((i for i, p in enumerate(element.properties) if p.name == wanted), -1)
    items: list[NDArray[np.generic]] = []
    at = 0
    for count, text in lines.take(element.count):
        starts = _line_starts(lines, element, text)
        values = starts.values
        for i, prop in enumerate(element.properties):
            where, long = starts.where[i], starts.length[i]
            if prop.count_code is None:
                scalars[prop.name][at : at + len(where)] = _cast(values[where], prop, lines.path)
            elif i == index:
                lengths[at : at + len(where)] = long
                steps = np.arange(long.sum()) - np.repeat(np.cumsum(long) - long, long)
                items.append(_cast(values[np.repeat(where, long) + steps], prop, lines.path))
        at += len(starts.where[0])
        lines.untake(count - len(starts.where[0]))
    if at < element.count:
        raise _too_few_lines(lines, element, at)
    return Rows(scalars, lengths, np.concatenate(items) if index >= 0 else None)


@dataclass(frozen=True, eq=False)
class _Starts:
    """For each property and line: where in `values` it begins and how many values it has."""

    values: NDArray[np.float64]
    where: list[NDArray[np.int64]]
    length: list[NDArray[np.int64]]


def _line_starts(lines: TextLines, element: Element, text: bytes) -> _Starts:
    words = [len(line.split()) for line in text.splitlines()]
    number = np.flatnonzero(words)
    total = np.array(words, np.int64)[number]
    values = numbers(text)
    if values is None or len(values) != total.sum():
        raise refusal(
            lines.path,
            f"something that is no number between line {lines.line_number + 1} and "
            f"{lines.line_number + len(words)}",
        )
    at = np.cumsum(total) - total
    end = at + total
    where, length = [], []
    sound = np.ones(len(at), np.bool_)
    for prop in element.properties:
        long = np.ones(len(at), np.int64)
        if prop.count_code:
            sound &= at < end
            said = values[np.minimum(at, len(values) - 1)] if len(values) else np.empty(0)
            sound &= (said >= 0) & (said <= end - at - 1) & (said == np.floor(said))
            long = np.where(sound, said, 0).astype(np.int64)
            at = at + 1
        where.append(at)
        length.append(long)
        at = at + long
    sound &= at == end
    if not sound.all():
        line = lines.line_number + int(number[np.argmin(sound)]) + 1
        raise refusal(
            lines.path,
            f"line {line} does not hold as many numbers as the properties of "
            f"'{element.name[:40]}' and its own lists ask for",
            "copied only in part? copy or export the scan again",
        )
    return _Starts(values, where, length)
