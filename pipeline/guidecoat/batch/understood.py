"""What a batch understood of a folder, in plain lines, before anything is run."""

from __future__ import annotations

from collections.abc import Iterator

from ..wording.plain import shown
from .jobs import Job, Plan
from .work import KINDS


def plan_lines(plan: Plan) -> list[str]:
    """One line a job, then what waits and what was not understood."""
    lines = []
    if plan.jobs:
        width = max(len(job.name) for job in plan.jobs)
        lines += [_job_line(job, width) for job in plan.jobs]
    counts = [
        f"{n} to {kind}" for kind in KINDS if (n := sum(job.kind == kind for job in plan.jobs))
    ]
    lines.append(f"{len(plan.jobs)} jobs: {', '.join(counts) or 'nothing to do'}")
    lines += [*_waiting(plan), *(f"Note: {note}" for note in plan.notes)]
    return lines


def _job_line(job: Job, width: int) -> str:
    settings = job.settings
    tolerance_mm = settings.tolerance.height_mm
    files = " and ".join(shown(scan.file.relative) for scan in job.scans)
    needs = f"about {job.points / 1e6:.3f} M points, {job.memory_mb:.0f} MB"
    return (
        f"  {job.kind:<7} {job.name:<{width}}  {settings.stage}, +-{tolerance_mm:g} mm, {needs}  "
        f"({files})"
    )


def _waiting(plan: Plan) -> Iterator[str]:
    for scan in plan.waiting:
        yield f"  waits   {shown(scan.file.relative)}: still being copied, or held"
