"""`guidecoat batch` and `guidecoat history`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from . import options as opt
from .failures import BATCH_WITH_FAILURES, OUT_OF_TOLERANCE, STOPPED
from .printing import say, say_json

if TYPE_CHECKING:
    from ..batch.report import BatchReport

FolderArgument = Annotated[
    str, typer.Argument(metavar="FOLDER", help="Folder or fsspec address that holds the scans.")
]
BatchOut = Annotated[
    str | None,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Folder or fsspec address for the results.  "
        "[default: <folder name>_guidecoat in this folder]",
    ),
]
Workers = Annotated[
    int | None,
    typer.Option(
        "--workers", metavar="N", min=1, help="Workers on this machine.  [default: by its cores]"
    ),
]
Cluster = Annotated[
    str | None,
    typer.Option(
        "--cluster", metavar="ADDRESS", help="A Dask scheduler, such as tcp://10.0.0.5:8786."
    ),
]
Timeout = Annotated[
    float,
    typer.Option("--timeout", metavar="SECONDS", min=0, help="Time limit of one job; 0 is none."),
]
Memory = Annotated[
    float | None,
    typer.Option(
        "--memory", metavar="GB", min=0.1, help="Memory for all jobs together.  [default: most]"
    ),
]
Settle = Annotated[
    float,
    typer.Option(
        "--settle", metavar="SECONDS", min=0, help="A scan touched less than this ago waits."
    ),
]
Again = Annotated[bool, typer.Option("--again", help="Run what is done already too.")]
Watch = Annotated[bool, typer.Option("--watch", help="Keep running, take scans as they come.")]
Wait = Annotated[bool, typer.Option("--wait", help="Wait while another batch is at work there.")]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Print what was understood, run nothing.")]
HistoryOut = Annotated[
    Path | None,
    typer.Option(
        "--out",
        metavar="DIR",
        help="A batch's results.  [default: those in this folder or just below it]",
    ),
]


def batch(
    folder: FolderArgument,
    out: BatchOut = None,
    config: opt.Config = None,
    stage: opt.Stage = None,
    units: opt.Units = None,
    outside: opt.Outside = None,
    batten: opt.Batten = None,
    tolerance: opt.Tolerance = None,
    slope_tolerance: opt.SlopeTolerance = None,
    creases: opt.Creases = None,
    workers: Workers = None,
    cluster: Cluster = None,
    timeout: Timeout = 3600.0,
    memory: Memory = None,
    settle: Settle = 10.0,
    again: Again = False,
    watch: Watch = False,
    wait: Wait = False,
    dry_run: DryRun = False,
    quiet: opt.Quiet = False,
    as_json: opt.Json = False,
    fail_if_out: opt.FailIfOut = False,
) -> None:
    """Work a folder of scans overnight; one page shows all panels."""
    from ..batch import BatchOptions, find_jobs, plan_lines, result_places, run_batch, shop_settings
    from ..batch.progress import make_progress

    asked = opt.asked_for(
        units=units,
        outside=outside,
        batten=batten,
        tolerance=tolerance,
        slope_tolerance=slope_tolerance,
        creases=creases,
    )
    settings_of = shop_settings(stage, config or (), asked)
    if dry_run or not (quiet or as_json):
        say(plan_lines(find_jobs(folder, settings_of=settings_of, settle_s=settle)))
    if dry_run:
        return
    own, results = result_places(folder, out)
    options = BatchOptions(
        place=folder,
        out=own,
        results=results,
        settings_of=settings_of,
        workers=workers,
        cluster=cluster,
        timeout_s=timeout,
        memory_mb=1000.0 * (memory or 0.0),
        again=again,
        watch=watch,
        wait=wait,
        settle_s=settle,
    )
    report = run_batch(options, make_progress(quiet=quiet))
    if as_json:
        say_json(report.summary())
    elif not quiet:
        say(batch_lines(report))
    if report.stopped:
        raise typer.Exit(STOPPED)
    if report.count("failed"):
        raise typer.Exit(BATCH_WITH_FAILURES)
    if fail_if_out and report.out_of_tolerance:
        raise typer.Exit(OUT_OF_TOLERANCE)


def history(
    panel: Annotated[
        str, typer.Argument(metavar="PANEL", help='The panel: "door left", "12-085/door left".')
    ],
    out: HistoryOut = None,
    as_json: opt.Json = False,
) -> None:
    """Print a panel's passes from the ledger of a batch."""
    from ..batch.history import find_ledger, history_lines, history_rows, panel_history

    found = panel_history(find_ledger(out), panel)
    if as_json:
        say_json([row for name, runs in found for row in history_rows(name, runs)])
    else:
        say([line for name, runs in found for line in history_lines(name, runs)])


# Sections of the page that are told of where they are not empty.
_ALSO_COUNTED = (
    ("undecided", "undecided"),
    ("again", "to scan again"),
    ("failed", "failed"),
    ("skipped", "not run"),
)


def batch_lines(report: BatchReport) -> Iterator[str]:
    """What a batch came to, what went wrong first."""
    from ..batch.page import members_of
    from ..batch.progress import outcome_words

    for run in report.runs:
        if not run.outcome.done:
            yield outcome_words(run)
    number = {anchor: len(runs) for (anchor, _), runs in members_of(report.runs).items()}
    panels = "panel" if number["out"] == 1 else "panels"
    counts = [f"{report.worked} run now", f"{number['out']} {panels} out of tolerance"]
    for anchor, words in _ALSO_COUNTED:
        if number[anchor]:
            counts.append(f"{number[anchor]} {words}")
    yield f"{len(report.runs)} jobs: {', '.join(counts)}"
    if report.stopped:
        yield "Stopped. The same command goes on from here."
    yield f"page:    {report.page}"
