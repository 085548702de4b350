"""Numbers out of lines of text, block by block, so that millions of lines stay cheap."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .ply_header import refusal

BLOCK_BYTES = 1 << 22
# Old C libraries on Windows print what is no number as 1.#QNAN, -1.#IND or 1.#INF.
_OLD_NAN = re.compile(rb"[+-]?1\.#(QNAN|SNAN|IND)[0-9]*")
_OLD_INF = re.compile(rb"1\.#INF[0-9]*")


class TextLines:
    """The non-blank lines of a text file from byte `start` on, taken in order.

    `translate` is a table for `bytes.translate`, such as separators to blanks.
    """

    def __init__(
        self, path: Path, start: int, *, newline: bytes = b"\n", translate: bytes | None = None
    ) -> None:
        self.path = path
        self.line_number = 0
        self._file_bytes = path.stat().st_size
        self._at = start
        self._newline = newline
        self._translate = translate
        with path.open("rb") as file:
            head = file.read(start)
        self.line_number = head.count(newline)

    @property
    def bytes_left(self) -> int:
        """Bytes that were not taken yet."""
        return self._file_bytes - self._at

    def take(self, rows: int) -> Iterator[tuple[int, bytes]]:
        """Yield (lines, text) blocks that hold `rows` lines in all, fewer at the file's end.

        The text ends with a newline; `lines` counts its lines, blank ones included, and the
        caller hands back through `untake` how many of them were blank.
        """
        self._wanted = rows
        with self.path.open("rb") as file:
            while self._wanted > 0 and self._at < self._file_bytes:
                file.seek(self._at)
                raw = self._whole_lines(file.read(BLOCK_BYTES))
                breaks = np.flatnonzero(np.frombuffer(raw, np.uint8) == self._newline[0])
                if len(breaks) >= self._wanted:
                    raw = raw[: int(breaks[self._wanted - 1]) + 1]
                lines = min(len(breaks), self._wanted)
                self._wanted -= lines
                self._at += len(raw)
                if not raw.endswith(self._newline):
                    lines, raw = lines + 1, raw + self._newline
                    self._wanted -= 1
                text = raw if self._newline == b"\n" else raw.replace(self._newline, b"\n")
                yield lines, text.translate(self._translate) if self._translate else text
                self.line_number += lines

    def untake(self, blank_lines: int) -> None:
        """Say that so many lines of the block just taken were blank."""
        self._wanted += blank_lines

    def _whole_lines(self, block: bytes) -> bytes:
        if self._at + len(block) >= self._file_bytes:
            return block
        end = block.rfind(self._newline)
        if end < 0:
            raise refusal(
                self.path, f"line {self.line_number + 1} is longer than {BLOCK_BYTES} bytes"
            )
        return block[: end + 1]

    def rest_is_blank(self) -> bool:
        """True if nothing but white space is left."""
        with self.path.open("rb") as file:
            file.seek(self._at)
            while block := file.read(BLOCK_BYTES):
                if block.strip(b" \t\r\n\0\x1a"):
                    return False
        return True


def numbers(text: bytes) -> NDArray[np.float64] | None:
    """All numbers of a text separated by white space, or None where something is no number."""
    if b"#" in text:
        text = _OLD_INF.sub(b"inf", _OLD_NAN.sub(b"nan", text))
    words = len(text.split())
    if not words:
        return np.empty(0)
    with warnings.catch_warnings():
        # Older numpy warns and gives what came before the fault.
        warnings.simplefilter("error", DeprecationWarning)
        try:
            values = np.fromstring(text, sep=" ")
        except (ValueError, DeprecationWarning):
            return None
    # It reads 1-2 as two numbers; one word has to be one number.
    return values if len(values) == words else None


def table_blocks(lines: TextLines, rows: int, columns: int) -> Iterator[NDArray[np.float64]]:
    """Yield (k, columns) float64 blocks of `rows` lines of `columns` numbers each.

    Blank lines are passed over. Fewer rows come out where the file ends early.

    Raises
    ------
    ScanReadError
        A line with another count of numbers, or something that is no number.
    """
    for count, text in lines.take(rows):
        values = _table(text, columns)
        if values is None:
            values = _line_by_line(lines, text, columns)
        lines.untake(count - len(values))
        yield values


def _table(text: bytes, columns: int) -> NDArray[np.float64] | None:
    """The lines as rows, or None where they are not all of `columns` plain numbers."""
    if not text.strip():
        return np.empty((0, columns))
    try:
        values = np.loadtxt(BytesIO(text), comments=None, encoding="latin1", ndmin=2)
    except ValueError:
        return None
    return values if values.shape[1] == columns else None


def _line_by_line(lines: TextLines, text: bytes, columns: int) -> NDArray[np.float64]:
    found: list[NDArray[np.float64]] = [np.empty(0)]
    for offset, line in enumerate(text.splitlines()):
        values = numbers(line)
        where = f"line {lines.line_number + offset + 1}"
        if values is None:
            raise refusal(lines.path, f"{where} holds something that is no number: {_shown(line)}")
        if len(values) not in (0, columns):
            raise refusal(
                lines.path,
                f"{where} holds {len(values)} numbers where {columns} belong: {_shown(line)}",
                "copied only in part? copy or export the scan again",
            )
        found.append(values)
    return np.concatenate(found).reshape(-1, columns)


def _shown(line: bytes) -> str:
    return repr(line[:60].decode("utf-8", "replace"))
