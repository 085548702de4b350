"""Long arrays worked on piece by piece, by two threads.

The work must let go of the interpreter lock, as numpy and scipy do on long arrays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

A = TypeVar("A")
T = TypeVar("T")

THREADS = 2
# A chunk and its temporaries stay in the processor's cache.
ROWS = 1 << 15


def in_threads(work: Callable[[A], T], jobs: Iterable[A]) -> list[T]:
    """The results of the work on every job, in the jobs' order."""
    with ThreadPoolExecutor(THREADS) as pool:
        return list(pool.map(work, jobs))


def chunks_of(count: int, rows: int = ROWS) -> list[slice]:
    """Slices of at most so many rows that cover `count` of them, in their order."""
    return [slice(k, min(k + rows, count)) for k in range(0, count, rows)]


def by_chunks(work: Callable[[slice], T], count: int) -> list[T]:
    """The results of the work over slices that cover `count` rows, in their order."""
    parts = chunks_of(count)
    return [work(part) for part in parts] if len(parts) < 2 else in_threads(work, parts)
