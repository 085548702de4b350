"""How a batch is asked for, and what it came to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from .. import __version__
from .addresses import is_address
from .jobs import SettingsOf
from .ledger import Run
from .table import table_row


@dataclass(frozen=True)
class BatchOptions:
    """How a batch is run.

    place : folder or address of the scans; out : folder of ledger, page and table; results :
    where the jobs' folders go, `out` or an address; cluster : of a Dask scheduler, None for
    workers of our own; timeout_s, memory_mb : per job and for all together, 0 for no limit and
    what the machine has.
    """

    place: str
    out: Path
    results: str
    settings_of: SettingsOf
    workers: int | None = None
    cluster: str | None = None
    timeout_s: float = 0.0
    memory_mb: float = 0.0
    again: bool = False
    watch: bool = False
    wait: bool = False
    settle_s: float = 10.0
    look_every_s: float = 5.0


@dataclass(frozen=True)
class BatchReport:
    """What a batch came to: a run for each job that is there now; `stopped` by the user.

    page : path or address of index.html.
    """

    runs: tuple[Run, ...]
    worked: int
    stopped: bool
    page: str

    @property
    def out_of_tolerance(self) -> int:
        """How many scans are out of tolerance, by a check or as the later one of two compared."""
        return len(
            {
                run.record.inputs[-1]
                for run in self.runs
                if run.record.kind != "mirror" and run.outcome.done and run.outcome.verdict == "out"
            }
        )

    def count(self, status: str) -> int:
        """How many jobs have a status."""
        return sum(run.outcome.status == status for run in self.runs)

    def summary(self) -> dict[str, object]:
        """The report as plain JSON types."""
        return {
            "guidecoat_version": __version__,
            "command": "batch",
            "stopped": self.stopped,
            "run_now": self.worked,
            "page": self.page,
            "jobs": [table_row(run) for run in self.runs],
        }


def result_places(place: str, out: str | None) -> tuple[Path, str]:
    """Where a batch's ledger, page and table stand, and where its jobs' folders go.

    They are the same unless `out` is an address: the ledger needs a disk, so it stays here.
    """
    name = place.rstrip("/").rpartition("/")[2] if is_address(place) else Path(place).resolve().name
    here = Path.cwd() / f"{name or 'scans'}_guidecoat"
    if out is not None and is_address(out):
        return here, out
    own = here if out is None else Path(out).resolve()
    return own, str(own)
