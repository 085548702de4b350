"""Time and memory limits of a job, kept by a thread beside it in the worker.

Neither a fit in native code nor an allocation gone wild can be stopped from within Python, so the
worker as a whole is ended; its supervisor starts another, and the batch learns why from an event.
"""

from __future__ import annotations

import ctypes
import os
import sys
import threading
import time
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from .outcome import Outcome
from .task import Task, run_task

if TYPE_CHECKING:
    from distributed import Worker


LOOK_EVERY_S = 0.1
# The event has to leave the worker before the worker ends.
_LAST_WORDS_S = 0.5
_EXIT_CODE = 70

_one_at_a_time = threading.Lock()


@dataclass(frozen=True)
class Event:
    """What a worker tells the batch about a job: `what` is started, time or memory."""

    job: str
    attempt: int
    what: str
    worker: str
    reason: str = ""


def guarded_task(task: Task) -> Outcome:
    """`run_task` within the task's limits; one at a time in a process."""
    from distributed import get_worker

    with _one_at_a_time:
        worker = get_worker()
        guard = _Guard(task, worker)
        guard.tell("started")
        guard.start()
        try:
            return run_task(task)
        finally:
            guard.done.set()
            give_back_memory()
            if guard.leaving:
                # Nothing new is begun in a process that is about to end.
                time.sleep(20 * _LAST_WORDS_S)


def give_back_memory() -> None:
    """Hand what is free within this process back to the system, where the C library can.

    Without it a worker grows with every scan. Having the library do so by itself after every
    release (MALLOC_TRIM_THRESHOLD_) takes 2 s of a check of a million points.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)


class _Guard(threading.Thread):
    def __init__(self, task: Task, worker: Worker) -> None:
        super().__init__(name="guard", daemon=True)
        self.done = threading.Event()
        self.leaving = False
        self._task = task
        self._worker = worker

    def run(self) -> None:
        import psutil

        process = psutil.Process()
        started = time.monotonic()
        task = self._task
        while not self.done.wait(LOOK_EVERY_S):
            if task.timeout_s and time.monotonic() - started > task.timeout_s:
                self._leave(
                    "time",
                    f"took longer than the time limit of {task.timeout_s:g} s: thin the scan, or "
                    "give more with --timeout",
                )
            used_mb = process.memory_info().rss / 1e6
            if task.memory_mb and used_mb > task.memory_mb:
                self._leave(
                    "memory",
                    f"took {used_mb:.0f} MB of memory, the limit was {task.memory_mb:.0f} MB: thin "
                    "the scan (a point every 0.5 mm is plenty), or give more with --memory",
                )

    def tell(self, what: str, reason: str = "") -> None:
        """Send an event to the batch; from any thread."""
        task = self._task
        event = Event(task.job, task.attempt, what, self._worker.address, reason)
        self._worker.log_event(task.topic, asdict(event))

    def _leave(self, what: str, reason: str) -> None:
        self.leaving = True
        self.tell(what, reason)
        time.sleep(_LAST_WORDS_S)
        os._exit(_EXIT_CODE)
