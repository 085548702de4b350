"""Whether what a worker says of a job is so, seen from here: its scans, and its result."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path

from .addresses import is_address
from .outcome import SKIPPED, Outcome, failed
from .places import stamp_of
from .roll_call import SAME_PLACES, SEEN_WITHIN_S
from .task import Task, recorded_outcome


def seen_from_here(outcome: Outcome, task: Task, *, worker: str, wait_s: float) -> Outcome:
    """The outcome, or a failure where the worker looked at another folder than this machine.

    `wait_s` : how long a result may take to come into sight.
    """
    if outcome.status == SKIPPED and _all_there(task):
        return failed(f"the worker {worker} does not see {task.inputs[0]}: {SAME_PLACES}")
    if outcome.done and not _arrived(task, wait_s):
        return failed(
            f"the worker {worker} says that it is done, and {task.output} holds no whole result: "
            f"{SAME_PLACES}"
        )
    return outcome


def result_wait_s(*, local: bool) -> float:
    """How long a worker's result may take to come into sight."""
    return 0.0 if local else SEEN_WITHIN_S


def _all_there(task: Task) -> bool:
    try:
        return all(stamp_of(address) for address in task.inputs)
    except OSError:
        return False


def _arrived(task: Task, wait_s: float) -> bool:
    end = time.monotonic() + wait_s
    while recorded_outcome(task.output, task.identity) is None:
        if time.monotonic() >= end:
            return False
        time.sleep(0.2)
        if not is_address(task.output):
            # Listing a folder makes a share ask again for what it remembers of it.
            with contextlib.suppress(OSError):
                os.listdir(Path(task.output).parent)
    return True
