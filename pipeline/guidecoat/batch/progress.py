"""How a batch is getting on: a bar on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
import time
from typing import Protocol

from .ledger import Run
from .outcome import FAILED


class Progress(Protocol):
    """What a batch tells while it runs."""

    def started(self, jobs: int, done: int) -> None:
        """So many jobs are known now, so many of them done."""

    def finished(self, run: Run, *, left: int, failures: int) -> None:
        """A job came to its end."""

    def note(self, text: str) -> None:
        """Something worth knowing."""

    def close(self) -> None:
        """Nothing more will come."""


class Silent:
    """Tells nothing."""

    def started(self, jobs: int, done: int) -> None:
        """Nothing."""

    def finished(self, run: Run, *, left: int, failures: int) -> None:
        """Nothing."""

    def note(self, text: str) -> None:
        """Nothing."""

    def close(self) -> None:
        """Nothing."""


class Lines:
    """A line for each job, on standard error."""

    def __init__(self) -> None:
        self._since = time.monotonic()
        self._ended = 0

    def started(self, jobs: int, done: int) -> None:
        """Say how many."""
        self.note(f"{jobs} jobs, {done} done already, {jobs - done} to do")

    def finished(self, run: Run, *, left: int, failures: int) -> None:
        """Say what came of a job, how many are left and how long that may take."""
        self._ended += 1
        each_s = (time.monotonic() - self._since) / self._ended
        failed = f", {failures} failed" if failures else ""
        self.note(f"{outcome_words(run)}  [{left} left{failed}, about {duration(each_s * left)}]")

    def note(self, text: str) -> None:
        """Print a line."""
        sys.stderr.write(f"{text}\n")
        sys.stderr.flush()

    def close(self) -> None:
        """Nothing to tidy."""


class Bar:
    """A bar with jobs, time left and failures; what goes wrong stays above it."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            TextColumn,
            TimeRemainingColumn,
        )
        from rich.progress import Progress as RichProgress

        columns = (
            BarColumn(complete_style="default", finished_style="default", pulse_style="default"),
            MofNCompleteColumn(),
            TextColumn("jobs,"),
            TimeRemainingColumn(),
            TextColumn("left, {task.fields[failures]} failed"),
        )
        self._bar = RichProgress(*columns, console=Console(stderr=True, highlight=False))
        self._task = self._bar.add_task("jobs", total=None, failures=0)
        self._bar.start()

    def started(self, jobs: int, done: int) -> None:
        """Set the length of the bar; what was done before does not count for the time left."""
        self._bar.update(self._task, total=jobs - done)

    def finished(self, run: Run, *, left: int, failures: int) -> None:
        """Move on."""
        self._bar.update(self._task, advance=1, failures=failures)
        self._bar.update(self._task, total=self._bar.tasks[0].completed + left)
        if run.outcome.status == FAILED:
            self.note(outcome_words(run))

    def note(self, text: str) -> None:
        """Print a line above the bar."""
        from rich.text import Text

        self._bar.console.print(Text(text))

    def close(self) -> None:
        """Leave the terminal as it was."""
        self._bar.stop()


def make_progress(*, quiet: bool) -> Progress:
    """The progress that fits where standard error goes."""
    if quiet:
        return Silent()
    return Bar() if sys.stderr.isatty() else Lines()


def outcome_words(run: Run) -> str:
    """A job's end in one line."""
    outcome = run.outcome
    words = f"{run.record.job} ({run.record.kind}): "
    if not outcome.done:
        return f"{words}{outcome.status}: {' '.join(outcome.reason.split())}"
    words += outcome.verdict or "done"
    if outcome.worst_mm is not None:
        words += f", worst {outcome.worst_mm:+.2f} mm"
    return f"{words}, {outcome.elapsed_s:.1f} s"


def duration(seconds: float) -> str:
    """A time as people say it: "40 s", "12 min", "3 h 05 min"."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"
