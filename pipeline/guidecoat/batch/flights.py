"""Jobs under way on the workers, and how they come back: done, failed or lost."""

from __future__ import annotations

import contextlib
import itertools
import queue
import time
import uuid
from collections.abc import Iterator
from concurrent.futures import CancelledError
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..errors import SettingsError
from .crew import Crew
from .guard import Event, guarded_task
from .jobs import Job
from .memory import output_bytes
from .outcome import Outcome, failed
from .task import Task, is_passing

if TYPE_CHECKING:
    from distributed import Future

# A worker ends itself at the time limit; one that cannot is ended from here, this much later.
_GRACE_S = 30.0
_MOST_STARTS = 2


@dataclass(frozen=True)
class Landed:
    """A job that came back.

    again : it may do better a second time; counts : that this was a try at all, and not a loss
    before it began; lost : its worker ended under it; worker : where it was, "" if it never began.
    """

    job: Job
    task: Task
    outcome: Outcome
    again: bool = False
    counts: bool = True
    lost: bool = False
    worker: str = ""


@dataclass
class _Flight:
    job: Job
    task: Task
    future: Future[Outcome]
    alone: bool
    starts: int = 0
    started_at: float = 0.0
    worker: str = ""


class Flights:
    """The jobs that are under way."""

    def __init__(self, crew: Crew, *, timeout_s: float) -> None:
        self._crew = crew
        self._timeout_s = timeout_s
        self._flights: dict[int, _Flight] = {}
        self._numbers = itertools.count()
        self.topic = f"guidecoat-{uuid.uuid4().hex}"
        self._news: queue.SimpleQueue[int | Event] = queue.SimpleQueue()
        crew.client.subscribe_topic(self.topic, self._hear)

    def __len__(self) -> int:
        """How many are under way."""
        return len(self._flights)

    def output_bytes(self) -> int:
        """Room that the results of those under way may take."""
        return sum(output_bytes(flight.job.points) for flight in self._flights.values())

    def has(self, job: Job) -> bool:
        """Whether a job of this name is under way, with an earlier state of its scans perhaps."""
        return any(flight.job.name == job.name for flight in self._flights.values())

    def has_room(self, job: Job, *, alone: bool) -> bool:
        """Whether a job may start beside those under way, for its memory's sake."""
        if not self._flights:
            return True
        if not self._crew.local:
            return True
        if alone or any(flight.alone for flight in self._flights.values()):
            return False
        used = sum(flight.job.memory_mb for flight in self._flights.values())
        return used + job.memory_mb <= self._crew.budget_mb

    def send(self, job: Job, task: Task, *, alone: bool) -> None:
        """Give a job to whichever worker is free.

        Raises
        ------
        SettingsError : the scheduler is gone.
        """
        self._refuse_without_scheduler()
        number = next(self._numbers)
        future = self._crew.client.submit(
            guarded_task, task, key=f"{self.topic}-{number}", pure=False, retries=0
        )
        self._flights[number] = _Flight(job, task, future, alone)
        future.add_done_callback(lambda _: self._news.put(number))

    def wait(self, seconds: float) -> Iterator[Landed]:
        """Those that came back, after waiting for news no longer than `seconds`.

        Raises
        ------
        SettingsError : the scheduler is gone.
        """
        news: int | Event | None = None
        with contextlib.suppress(queue.Empty):
            news = self._news.get(timeout=seconds)
        self._refuse_without_scheduler()
        yield from self._overdue()
        while news is not None:
            landed = self._heard(news) if isinstance(news, Event) else self._returned(news)
            if landed is not None:
                yield landed
            news = None if self._news.empty() else self._news.get()

    def is_deserted(self) -> bool:
        """Whether jobs are waiting on a cluster that has no workers left."""
        return bool(self._flights) and not self._crew.local and not self._crew.workers()

    def _refuse_without_scheduler(self) -> None:
        if self._crew.client.status not in ("running", "connecting"):
            raise SettingsError(
                "the scheduler of the cluster is gone: start it again, then give the same command "
                "again; it goes on from here"
            )

    def cancel(self) -> None:
        """Call all back; what they were writing is not kept."""
        for flight in self._flights.values():
            _release(flight.future)
        self._flights.clear()

    def _hear(self, message: tuple[float, dict[str, Any]]) -> None:
        self._news.put(Event(**message[1]))

    def _heard(self, event: Event) -> Landed | None:
        found = [
            (number, flight)
            for number, flight in self._flights.items()
            if flight.task.job == event.job and flight.task.attempt == event.attempt
        ]
        if not found:
            return None
        number, flight = found[0]
        if event.what == "started":
            flight.starts += 1
            flight.started_at = time.monotonic()
            flight.worker = event.worker
            if flight.starts <= _MOST_STARTS:
                return None
            return self._give_up(number, failed(_LOST))
        return self._give_up(number, failed(event.reason), again=event.what == "memory")

    def _returned(self, number: int) -> Landed | None:
        flight = self._flights.get(number)
        if flight is None:
            return None
        from distributed import KilledWorker

        del self._flights[number]
        try:
            outcome = flight.future.result(timeout=30)
        except (KilledWorker, CancelledError, OSError):
            # An OSError is the connection's; the job's own come back as its outcome.
            counts = flight.starts > 0
            return Landed(flight.job, flight.task, failed(_LOST), True, counts, lost=True)
        except Exception as error:  # noqa: BLE001, whatever a worker cannot do is its job's failure
            reason = f"the worker could not run it ({type(error).__name__}: {error})"
            return Landed(flight.job, flight.task, failed(reason), worker=flight.worker)
        finally:
            _release(flight.future)
        again = is_passing(outcome)
        return Landed(flight.job, flight.task, outcome, again=again, worker=flight.worker)

    def _overdue(self) -> Iterator[Landed]:
        if not self._timeout_s:
            return
        limit = time.monotonic() - self._timeout_s - _GRACE_S
        late = [
            n for n, flight in self._flights.items() if flight.starts and flight.started_at < limit
        ]
        # One whose worker is gone has not begun again yet, and nobody is to be ended for it.
        workers = self._crew.workers() if late else {}
        for number in late:
            flight = self._flights[number]
            if flight.worker in workers:
                self._crew.client.restart_workers(
                    [flight.worker], timeout=_GRACE_S, raise_for_error=False
                )
                reason = f"took longer than the time limit of {self._timeout_s:g} s"
                yield self._give_up(number, failed(reason))

    def _give_up(self, number: int, outcome: Outcome, *, again: bool = False) -> Landed:
        flight = self._flights.pop(number)
        _release(flight.future)
        return Landed(flight.job, flight.task, outcome, again=again, lost=True)


_LOST = "its worker was lost: killed from outside, or out of memory"


def _release(future: Future[Outcome]) -> None:
    future.cancel()
