"""What a batch writes down: the ledger's rows, the table and the page."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from .addresses import is_address, put_files
from .identity import Identity
from .jobs import PAGE_NAME, TABLE_NAME, FoundScan, Job, Plan
from .ledger import JobRecord, Ledger, Run
from .leftovers import follow_name
from .outcome import SKIPPED, Outcome
from .page import write_page
from .table import write_table


class Books:
    """The ledger and what is made from it. `results` : where the jobs' folders stand."""

    def __init__(self, ledger: Ledger, *, out: Path, results: str) -> None:
        self._ledger = ledger
        self._out = out
        self._results = results
        self._latest = ledger.latest()

    def output(self, job: Job) -> str:
        """Where a job's result folder stands."""
        return f"{self._results.rstrip('/')}/{job.folder}"

    def has_result(self, job: Job, identity: Identity) -> bool:
        """Whether the ledger knows of a result of the job as it is now."""
        last = self._latest.get(job.name)
        if last is None or not self._is_current(job, identity):
            return False
        return last.outcome.done and last.record.output == job.folder

    def bring_along(self, job: Job) -> None:
        """Let an earlier result follow its job to the folder it now goes by."""
        last = self._latest.get(job.name)
        if last is not None and not is_address(self._results):
            follow_name(self._out, job=job.name, old=last.record.output, new=job.folder)

    def keep(self, job: Job, identity: Identity, outcome: Outcome) -> Run:
        """Write a run into the ledger."""
        record = _record(job, identity)
        self._ledger.record(record, outcome)
        self._latest[job.name] = Run(record, outcome, time.time())
        return self._latest[job.name]

    def runs(self, plan: Plan, identities: Mapping[str, Identity]) -> list[Run]:
        """The last run of every job of a plan, and what was not run with its reason."""
        runs = [
            self._latest[job.name]
            for job in plan.jobs
            if self._is_current(job, identities[job.name])
        ]
        return runs + [_waiting(scan) for scan in plan.waiting]

    def write(self, runs: Sequence[Run], *, left: int) -> str:
        """Write the table and the page; returns why they could not be copied, if they could not.

        Raises
        ------
        OSError : they cannot be written here. At an address they are only a copy, and without
            it for a while the work goes on.
        """
        table, page = self._out / TABLE_NAME, self._out / PAGE_NAME
        write_table(table, runs)
        write_page(page, runs, self._ledger.passes(), left=left)
        if is_address(self._results):
            try:
                put_files(self._results, (page, table))
            except OSError as error:
                return f"{self._results}: the page could not be copied there ({error})"
        return ""

    def _is_current(self, job: Job, identity: Identity) -> bool:
        last = self._latest.get(job.name)
        return last is not None and last.record.identity == identity.identity


def _record(job: Job, identity: Identity) -> JobRecord:
    last = job.scans[-1]
    return JobRecord(
        job=job.name,
        kind=job.kind,
        identity=identity.identity,
        inputs=tuple(scan.file.relative for scan in job.scans),
        inputs_hash=identity.inputs_hash,
        vehicle=last.name.vehicle,
        panel=last.name.panel,
        side="" if job.kind == "mirror" else last.name.side,
        stage=job.settings.stage,
        number=last.name.number,
        scanned_at=last.file.modified_s,
        output=job.folder,
    )


def _waiting(scan: FoundScan) -> Run:
    record = JobRecord(
        job=scan.file.relative,
        kind="check",
        identity="",
        inputs=(scan.file.relative,),
        inputs_hash="",
        vehicle=scan.name.vehicle,
        panel=scan.name.panel,
        side=scan.name.side,
        stage=scan.stage,
        number=scan.name.number,
        scanned_at=scan.file.modified_s,
        output="",
    )
    reason = "still being copied, or held by another program: give the command again"
    return Run(record, Outcome(SKIPPED, reason), 0.0)
