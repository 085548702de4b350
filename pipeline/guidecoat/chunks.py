"""Long arrays worked on piece by piece, by two threads.

The work must let go of the interpreter lock, as numpy and scipy do on long arrays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

A = TypeVar("A")
T = TypeVar("T")
N = TypeVar("N", bound=np.generic)

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


def summed(
    add: Callable[[NDArray[N], slice], None], count: int, zeros: Callable[[], NDArray[N]]
) -> NDArray[N]:
    """The sum of what `add` adds, chunk by chunk of `count` rows, to an array of zeros: each
    thread has one of its own and the same rows in every run.
    """
    parts = chunks_of(count)
    middle = -(-len(parts) // THREADS)

    def work(own: list[slice]) -> NDArray[N]:
        total = zeros()
        for part in own:
            add(total, part)
        return total

    totals = in_threads(work, [parts[:middle], parts[middle:]])
    return np.asarray(sum(totals[1:], totals[0]))


def by_chunks(work: Callable[[slice], T], count: int) -> list[T]:
    """The results of the work over slices that cover `count` rows, in their order."""
    parts = chunks_of(count)
    return [work(part) for part in parts] if len(parts) < 2 else in_threads(work, parts)
