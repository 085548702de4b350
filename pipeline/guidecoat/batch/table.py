"""summary.csv: one line a job, for spreadsheets and scripts."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from ..wording.plain import shown
from .ledger import Run
from .whole_file import write_whole

COLUMNS = (
    "job",
    "kind",
    "inputs",
    "status",
    "reason",
    "verdict",
    "out_regions",
    "worst_mm",
    "share_in_tolerance",
    "elapsed_s",
    "output",
)


def write_table(path: Path, runs: Sequence[Run]) -> None:
    """Write the table, replaced whole."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows([_cell(value) for value in table_row(run).values()] for run in runs)
    write_whole(path, text.getvalue())


def table_row(run: Run) -> dict[str, str | int | float | None]:
    """A job's row by column, as plain JSON types."""
    record, outcome = run.record, run.outcome
    values = (
        record.job,
        record.kind,
        "; ".join(shown(path) for path in record.inputs),
        outcome.status,
        " ".join(outcome.reason.split()),
        outcome.verdict,
        outcome.out_regions,
        _rounded(outcome.worst_mm),
        _rounded(outcome.share_in_tolerance),
        _rounded(outcome.elapsed_s),
        record.output if outcome.done else "",
    )
    return dict(zip(COLUMNS, values, strict=True))


def _cell(value: str | float | None) -> str:
    """A value as text; no spreadsheet takes it for a formula."""
    if value is None:
        return ""
    if isinstance(value, str):
        return f"'{value}" if value.startswith(("=", "+", "-", "@", "\t")) else value
    return f"{value:.10g}"


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4) + 0.0
