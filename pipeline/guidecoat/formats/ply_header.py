"""The header of a PLY file: elements, their properties, and the ways a header can lie."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ..errors import ScanReadError

FORMATS = {"ascii": "=", "binary_little_endian": "<", "binary_big_endian": ">"}

SCALARS = {
    **{"char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4"},
    **{"float": "f4", "double": "f8", "float32": "f4", "float64": "f8"},
    **{"int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4"},
}
TYPE_NAMES = {code: name for name, code in reversed(SCALARS.items()) if not name[-1].isdigit()}

LONGEST_HEADER = 1 << 20
_END = {
    b"\n": re.compile(rb"(?:^|[\r\n])[ \t]*end_header[ \t]*(?:\r?\n|\Z)"),
    b"\r": re.compile(rb"(?:^|\r)[ \t]*end_header[ \t]*(?:\r|\Z)"),
}


@dataclass(frozen=True)
class Property:
    """One property: `code` is the numpy type of its values, `count_code` of a list's length."""

    name: str
    code: str
    count_code: str | None = None


@dataclass(frozen=True)
class Element:
    """One element: a table of `count` rows."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def has_lists(self) -> bool:
        """True if any property is a list."""
        return any(prop.count_code for prop in self.properties)

    @property
    def scalars(self) -> tuple[Property, ...]:
        """Give the properties that are no lists."""
        return tuple(prop for prop in self.properties if not prop.count_code)

    def scalar_dtype(self, order: str) -> np.dtype[np.void]:
        """Packed structured type of the scalar properties; `order` is a numpy byte order."""
        return np.dtype([(prop.name, order + prop.code) for prop in self.scalars])

    @property
    def least_row_bytes(self) -> int:
        """Bytes of the shortest possible binary row (every list empty)."""
        return sum(np.dtype(p.count_code or p.code).itemsize for p in self.properties)


@dataclass(frozen=True)
class Header:
    """What the header declares; the data start at byte `size`, lines end with `newline`."""

    format: str
    elements: tuple[Element, ...]
    comments: tuple[str, ...]
    size: int
    newline: bytes


def refusal(path: Path, problem: str, remedy: str = "export the scan again") -> ScanReadError:
    """Give the one error of the readers, with the file's name and what to do."""
    return ScanReadError(f"{path}: {problem}; {remedy}")


def read_header(file: BinaryIO, path: Path) -> Header:
    """Read and check the header of an open PLY file.

    Raises
    ------
    ScanReadError
        Not a PLY, no `end_header`, an unknown type or format, a count that is no count.
    """
    block = file.read(LONGEST_HEADER)
    if not block:
        raise refusal(path, "the file is empty", "copy or export the scan again")
    magic = re.match(rb"ply[ \t]*(\r\n|\n|\r)", block)
    if magic is None:
        raise refusal(
            path, "not a PLY file (it does not begin with a line 'ply')", "export it as PLY"
        )
    newline = b"\r" if magic.group(1) == b"\r" else b"\n"
    end = _END[newline].search(block)
    if end is None:
        raise refusal(
            path,
            f"no end_header line in the first {len(block)} bytes",
            "the header is damaged or cut short: export or copy the scan again",
        )
    lines = block[magic.end() : end.start()].decode("utf-8", "replace")
    return _parse(lines, path, size=end.end(), newline=newline)


def _parse(text: str, path: Path, *, size: int, newline: bytes) -> Header:
    form: str | None = None
    comments: list[str] = []
    elements: list[Element] = []
    for line in re.split(r"\r\n|\n|\r", text):
        words = line.split()
        if not words:
            continue
        if words[0] in ("comment", "obj_info"):
            comments.append(line.strip()[len(words[0]) :].strip())
        elif words[0] == "format":
            form = _format(words, line, path)
        elif words[0] == "element":
            elements.append(_element(words, line, elements, path))
        elif words[0] == "property" and elements:
            last = elements[-1]
            prop = _property(words, line, last, path)
            elements[-1] = Element(last.name, last.count, (*last.properties, prop))
        else:
            raise refusal(path, f"header line not understood: {line.strip()[:80]!r}")
    if form is None:
        raise refusal(path, f"the header has no format line (one of {', '.join(FORMATS)})")
    return Header(form, tuple(elements), tuple(comments), size, newline)


def _format(words: list[str], line: str, path: Path) -> str:
    if len(words) < 2 or words[1] not in FORMATS:
        raise refusal(
            path, f"unknown format in {line.strip()[:80]!r}, known are {', '.join(FORMATS)}"
        )
    return words[1]


def _element(words: list[str], line: str, known: list[Element], path: Path) -> Element:
    if len(words) != 3 or not re.fullmatch(r"-?[0-9]{1,18}", words[2], re.ASCII):
        raise refusal(path, f"no element name and count in {line.strip()[:80]!r}")
    if int(words[2]) < 0:
        raise refusal(path, f"the header declares {words[2]} rows of '{words[1]}', 0 is the least")
    if any(element.name == words[1] for element in known):
        raise refusal(path, f"the header declares the element '{words[1][:40]}' twice")
    return Element(words[1], int(words[2]), ())


def _property(words: list[str], line: str, element: Element, path: Path) -> Property:
    is_list = len(words) == 5 and words[1] == "list"
    if not is_list and len(words) != 3:
        raise refusal(path, f"no type and name in {line.strip()[:80]!r}")
    for word in words[2:4] if is_list else words[1:2]:
        if word not in SCALARS:
            known = ", ".join(TYPE_NAMES.values())
            raise refusal(
                path, f"unknown type '{word[:40]}' in {line.strip()[:80]!r}, known are {known}"
            )
    if any(prop.name == words[-1] for prop in element.properties):
        raise refusal(
            path, f"the property '{words[-1][:40]}' of '{element.name[:40]}' is declared twice"
        )
    if not is_list:
        return Property(words[2], SCALARS[words[1]])
    if SCALARS[words[2]].startswith("f"):
        raise refusal(path, f"a list cannot be counted in {words[2]}: {line.strip()[:80]!r}")
    return Property(words[4], SCALARS[words[3]], SCALARS[words[2]])
