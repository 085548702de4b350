"""The night's work: jobs out to the workers, outcomes into the ledger, the page kept up to date."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import replace

from .. import __version__
from ..errors import SettingsError
from .addresses import is_address
from .arrival import result_wait_s, seen_from_here
from .books import Books
from .crew import Crew, local_crew, local_size, memory_budget_mb, remote_crew
from .flights import Flights, Landed
from .identity import Identity, identify
from .jobs import PAGE_NAME, Job, Plan, find_jobs
from .ledger import Ledger, Run, open_ledger
from .leftovers import clear_leftovers
from .lock import LOCK_NAME, only_batch
from .memory import output_bytes
from .outcome import FAILED, Outcome, failed
from .own_folder import free_bytes, make_own_folder, no_room, refusals_in_words
from .places import LEDGER_NAME
from .progress import Progress
from .report import BatchOptions, BatchReport
from .task import Task, recorded_outcome

_LONGEST_WAIT_S = 600.0
# An estimate this far over the memory there is cannot be right about anything but the outcome.
_HOPELESS = 1.5
_REMOTE_SHARE = 0.9
_DESERTED = "the cluster has no workers left: the jobs wait until there are some again"


def run_batch(options: BatchOptions, progress: Progress) -> BatchReport:
    """Do all jobs of a folder that are not done; go on until all are, or for good with `watch`.

    Raises
    ------
    SettingsError : the folder, the results, the cluster or a job file cannot be used.
    """
    make_own_folder(options.out, place=options.place)
    with (
        only_batch(options.out, wait=options.wait),
        open_ledger(options.out / LEDGER_NAME) as ledger,
        refusals_in_words(options.out),
    ):
        clear_leftovers(options.out)
        night = _Night(options, ledger, progress)
        try:
            stopped = night.work()
        finally:
            progress.close()
            clear_leftovers(options.out)
        page = f"{options.results.rstrip('/')}/{PAGE_NAME}"
        return BatchReport(tuple(night.runs()), night.worked, stopped, page)


class _Night:
    """The state of a running batch."""

    def __init__(self, options: BatchOptions, ledger: Ledger, progress: Progress) -> None:
        self.worked = 0
        self._options = options
        self._ledger = ledger
        self._books = Books(ledger, out=options.out, results=options.results)
        self._progress = progress
        self._plan = Plan((), (), ())
        self._identities: dict[str, Identity] = {}
        self._pending: list[tuple[Job, int]] = []
        self._under_way = 0
        self._handled: dict[str, str] = {}
        self._first_look = True
        self._troubles: dict[str, str] = {}
        self._waiting_since = self._looked_at = time.monotonic()

    def work(self) -> bool:
        """Work until all is done; True if the user stopped it."""
        try:
            self._look()
            while self._pending or self._must_look_again():
                if self._pending:
                    self._with_crew()
                else:
                    time.sleep(self._options.look_every_s)
                    self._look_again()
        except KeyboardInterrupt:
            return True
        finally:
            # Whatever ended the night: what was done is written down.
            with contextlib.suppress(OSError, SettingsError):
                self._take_over()
                self._write()
        return False

    def runs(self) -> list[Run]:
        """The last run of every job that is there now, and what was not run with its reason."""
        return self._books.runs(self._plan, self._identities)

    # ------------------------------------------------------------ finding

    def _must_look_again(self) -> bool:
        if self._options.watch:
            return True
        waited = time.monotonic() - self._waiting_since
        return bool(self._plan.waiting) and waited < _LONGEST_WAIT_S

    def _look(self) -> None:
        """Look into the folder and note what has to be done."""
        options = self._options
        self._looked_at = time.monotonic()
        plan = find_jobs(options.place, settings_of=options.settings_of, settle_s=options.settle_s)
        self._identities |= identify(plan.jobs, self._ledger)
        self._plan = plan
        if not plan.waiting:
            self._waiting_since = self._looked_at
        fresh = [job for job in plan.jobs if self._is_due(job)]
        due = {job.name for job in plan.jobs} - {job.name for job in fresh}
        self._pending = [(job, attempt) for job, attempt in self._pending if job.name in due]
        # The long ones first, so that none is left to run alone at the end.
        fresh.sort(key=lambda job: -job.points)
        self._pending += [(job, 1) for job in fresh]
        for job in fresh:
            self._handled[job.name] = self._identities[job.name].identity
        if self._first_look or fresh:
            jobs = len(plan.jobs)
            self._progress.started(jobs, jobs - self._left())
        self._first_look = False
        self._write()

    def _look_again(self) -> None:
        """Look once more; what cannot be read just now does not end the night."""
        try:
            self._look()
        except SettingsError as error:
            self._tell("look", str(error))
        else:
            self._tell("look", "")

    def _tell(self, about: str, trouble: str) -> None:
        """Say what is wrong, once as long as it stays so."""
        if trouble and trouble != self._troubles.get(about):
            self._progress.note(trouble)
        self._troubles[about] = trouble

    def _is_due(self, job: Job) -> bool:
        """Whether a job has to be run; a whole result that a killed run left is taken over."""
        found = self._identities[job.name]
        if self._handled.get(job.name) == found.identity != "":
            return False
        if found.fault:
            if self._handled.get(job.name) != found.fault:
                self._finish(job, failed(found.fault, rescan=True))
                self._handled[job.name] = found.fault
            return False
        self._books.bring_along(job)
        if self._options.again and self._first_look:
            return True
        outcome = recorded_outcome(self._books.output(job), found.identity)
        if outcome is None:
            return True
        if not self._books.has_result(job, found):
            self._books.keep(job, found, outcome)
        self._handled[job.name] = found.identity
        return False

    def _take_over(self) -> None:
        """Write down results that came into place while the batch was being stopped."""
        for job in self._plan.jobs:
            found = self._identities[job.name]
            if not self._books.has_result(job, found):
                outcome = recorded_outcome(self._books.output(job), found.identity)
                if outcome is not None:
                    self._books.keep(job, found, outcome)

    # ------------------------------------------------------------ running

    def _with_crew(self) -> None:
        """Work off what is pending, and what comes meanwhile."""
        with self._crew() as crew:
            flights = Flights(crew, timeout_s=self._options.timeout_s)
            try:
                while self._pending or len(flights):
                    self._send(crew, flights)
                    for landed in flights.wait(self._options.look_every_s):
                        self._under_way = len(flights)
                        self._land(landed)
                    self._under_way = len(flights)
                    self._tell("workers", _DESERTED if flights.is_deserted() else "")
                    self._look_meanwhile()
            except KeyboardInterrupt:
                # Ending the workers takes a few seconds.
                self._progress.note("stopping; jobs under way are done next time")
                raise
            finally:
                flights.cancel()
                self._under_way = 0

    def _look_meanwhile(self) -> None:
        since = time.monotonic() - self._looked_at
        if self._must_look_again() and since > self._options.look_every_s:
            self._look_again()

    @contextlib.contextmanager
    def _crew(self) -> Iterator[Crew]:
        options = self._options
        if options.cluster is not None:
            # The lock is sure to be there and new; a share that shows it is the same one.
            seen = [scan.file.address for job, _ in self._pending[:1] for scan in job.scans]
            seen += [] if is_address(options.results) else [str(options.out / LOCK_NAME)]
            here = tuple(path for path in seen if not is_address(path))
            with remote_crew(options.cluster, seen=here) as crew:
                yield crew
            return
        budget_mb = options.memory_mb or memory_budget_mb()
        least_mb = min(job.memory_mb for job, _ in self._pending)
        jobs = 1000 if options.watch else len(self._pending)
        size = local_size(options.workers, budget_mb=budget_mb, least_mb=least_mb, jobs=jobs)
        with local_crew(size, budget_mb=budget_mb) as crew:
            yield crew

    def _send(self, crew: Crew, flights: Flights) -> None:
        """Send as many jobs as there are workers and memory for."""
        for entry in tuple(self._pending):
            job, attempt = entry
            if len(flights) >= crew.size():
                return
            if crew.local and job.memory_mb > _HOPELESS * crew.budget_mb:
                self._pending.remove(entry)
                self._finish(job, failed(_too_big(job, crew), rescan=True))
            elif not flights.has(job) and flights.has_room(job, alone=attempt > 1):
                if not self._has_disk_for(job, flights):
                    return
                self._pending.remove(entry)
                flights.send(job, self._task(job, attempt, crew, flights.topic), alone=attempt > 1)
                self._under_way = len(flights)

    def _has_disk_for(self, job: Job, flights: Flights) -> bool:
        if is_address(self._options.results):
            return True
        needed = output_bytes(job.points)
        free = free_bytes(self._options.out)
        if free > needed + flights.output_bytes():
            return True
        if not len(flights):
            raise no_room(self._options.out, needed=needed, free=free)
        return False

    def _task(self, job: Job, attempt: int, crew: Crew, topic: str) -> Task:
        share_mb = crew.budget_mb / crew.size()
        if not crew.local:
            # Before the cluster's own guard, which ends a worker without a reason.
            limit_mb = _REMOTE_SHARE * share_mb
        elif attempt > 1:
            limit_mb = crew.budget_mb
        else:
            limit_mb = min(crew.budget_mb, max(2.0 * job.memory_mb, share_mb))
        return Task(
            job=job.name,
            kind=job.kind,
            identity=self._identities[job.name].identity,
            inputs=tuple(scan.file.address for scan in job.scans),
            stamps=tuple(scan.file.stamp for scan in job.scans),
            settings=job.settings,
            output=self._books.output(job),
            memory_mb=limit_mb,
            timeout_s=self._options.timeout_s,
            version=__version__,
            attempt=attempt,
            topic=topic,
        )

    def _land(self, landed: Landed) -> None:
        job, task, outcome = landed.job, landed.task, landed.outcome
        if landed.lost and not is_address(task.output):
            clear_leftovers(self._options.out, only=job.folder)
        if landed.again:
            if task.attempt == 1 or not landed.counts:
                self._pending.append((job, task.attempt + landed.counts))
                self._progress.note(f"{job.name}: {outcome.reason}; tried once more")
                return
            outcome = replace(outcome, reason=f"{outcome.reason} (tried twice)")
        outcome = seen_from_here(
            outcome,
            task,
            worker=landed.worker,
            wait_s=result_wait_s(local=self._options.cluster is None),
        )
        if self._identities[job.name].identity == task.identity:
            self._finish(job, outcome)
            self.worked += 1

    def _finish(self, job: Job, outcome: Outcome) -> None:
        run = self._books.keep(job, self._identities[job.name], outcome)
        self._write()
        failures = sum(run.outcome.status == FAILED for run in self.runs())
        self._progress.finished(run, left=self._left(), failures=failures)

    def _left(self) -> int:
        return len(self._pending) + self._under_way

    def _write(self) -> None:
        self._tell("page", self._books.write(self.runs(), left=self._left()))


def _too_big(job: Job, crew: Crew) -> str:
    return (
        f"needs about {job.memory_mb:.0f} MB of memory and there are {crew.budget_mb:.0f} MB: thin "
        "the scan (a point every 0.5 mm is plenty), give more with --memory if there is more, or "
        "run it on a larger machine"
    )
