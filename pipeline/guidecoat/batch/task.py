"""One job as a worker gets it, and the result folder it leaves."""

from __future__ import annotations

import contextlib
import json
import tempfile
import time
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from .. import __version__
from ..errors import GuidecoatError, ScanReadError, ScanUnfitError
from ..output_folder import result_folder
from ..settings import Settings
from .addresses import JOB_RECORD, as_from_a_disk, is_address, put_result
from .outcome import SKIPPED, Outcome, failed, read_outcome
from .places import read_bytes, stamp_of
from .work import carry_out

THUMBNAIL = "thumbnail.png"
_THUMBNAIL_PIXELS = (480, 320)


@dataclass(frozen=True)
class Task:
    """A job as a worker gets it.

    inputs, stamps : absolute paths or addresses, and what they looked like when the job was
    planned; output : where the result folder is to stand; memory_mb : more than this is taken as
    a scan gone wild, 0 for no limit; timeout_s : 0 for no limit;
    topic : under which the worker tells the batch how it goes.
    """

    job: str
    kind: str
    identity: str
    inputs: tuple[str, ...]
    stamps: tuple[str, ...]
    settings: Settings
    output: str
    memory_mb: float
    timeout_s: float
    version: str
    attempt: int
    topic: str


def run_task(task: Task) -> Outcome:
    """Do one job; whatever goes wrong comes back as an outcome with its reason."""
    started = time.perf_counter()
    if task.version != __version__:
        outcome = failed(
            f"this worker has guidecoat {__version__} and the batch {task.version}: install the "
            "same version everywhere"
        )
    else:
        outcome = _attempt(task, started)
    return replace(outcome, elapsed_s=round(time.perf_counter() - started, 3))


def is_passing(outcome: Outcome) -> bool:
    """Whether a failure may go away by itself, so that the job is worth a second try."""
    return outcome.status == "failed" and outcome.detail.startswith(_PASSING)


_PASSING = "passing: "


def passing_failure(reason: str, detail: str = "") -> Outcome:
    """A failure that is worth a second try."""
    return failed(reason, detail=f"{_PASSING}{detail}")


def _attempt(task: Task, started: float) -> Outcome:
    try:
        gone = [address for address in task.inputs if not stamp_of(address)]
        if gone:
            reason = f"{gone[0]}: gone before it was read: put it back if it is wanted"
            return Outcome(SKIPPED, reason)
        with _fetched(task.inputs) as scans, _result(task.output) as folder:
            carry_out(task.kind, scans, task.settings, folder)
            _make_thumbnail(folder)
            outcome = read_outcome(task.kind, folder)
            _refuse_changed(task)
            elapsed_s = round(time.perf_counter() - started, 3)
            write_record(folder, task, replace(outcome, elapsed_s=elapsed_s))
            return outcome
    except _ChangedError as change:
        return passing_failure(str(change))
    except (ScanReadError, ScanUnfitError) as error:
        # A file still being copied reads as a broken one: by then it has changed.
        if _changed(task):
            return passing_failure(f"{error} (the file changed meanwhile)")
        if isinstance(error.__cause__, OSError):
            return passing_failure(str(error))
        return failed(str(error), rescan=True)
    except GuidecoatError as error:
        return failed(str(error))
    except MemoryError:
        return passing_failure("the memory was not enough for this scan: thin it and try again")
    except OSError as error:
        return passing_failure(f"the disk or the network failed: {error}", traceback.format_exc())
    except Exception as error:  # noqa: BLE001, one job's defect must not stop the night
        return failed(
            f"a defect of guidecoat stopped this job ({type(error).__name__}: {error}): please "
            "report it with the details in the ledger",
            detail=traceback.format_exc(),
        )


def write_record(folder: Path, task: Task, outcome: Outcome) -> None:
    """Write what makes a result folder speak for itself: the job, its identity, its outcome."""
    files = {
        path.relative_to(folder).as_posix(): path.stat().st_size
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
    record = {
        "job": task.job,
        "kind": task.kind,
        "identity": task.identity,
        "outcome": asdict(outcome),
        "files": files,
    }
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False)
    (folder / JOB_RECORD).write_bytes(text.encode("utf-8", "replace") + b"\n")


def recorded_outcome(output: str, identity: str) -> Outcome | None:
    """The outcome of a whole result that stands at a place and answers to `identity`, else None."""
    if is_address(output):
        place = f"{output.rstrip('/')}/{JOB_RECORD}"
        try:
            record = json.loads(read_bytes(place))
        except (OSError, ValueError):
            return None
        return _outcome_of(record, identity)
    folder = Path(output)
    try:
        record = json.loads((folder / JOB_RECORD).read_text("utf-8"))
        outcome = _outcome_of(record, identity)
        if outcome is None:
            return None
        whole = all(
            (folder / name).stat().st_size == size for name, size in record["files"].items()
        )
    except (OSError, ValueError, AttributeError, KeyError, TypeError):
        return None
    return outcome if whole else None


def _outcome_of(record: Any, identity: str) -> Outcome | None:
    try:
        return Outcome(**record["outcome"]) if record["identity"] == identity else None
    except (KeyError, TypeError):
        return None


class _ChangedError(Exception):
    """An input is no longer what was planned with."""


def _changed(task: Task) -> list[str]:
    return [
        address
        for address, stamp in zip(task.inputs, task.stamps, strict=True)
        if not _is_as_planned(address, stamp)
    ]


def _is_as_planned(address: str, stamp: str) -> bool:
    try:
        return stamp_of(address) == stamp
    except OSError:
        return False


def _refuse_changed(task: Task) -> None:
    changed = _changed(task)
    if changed:
        raise _ChangedError(f"{changed[0]}: changed while it was worked on: it is run again")


@contextlib.contextmanager
def _fetched(inputs: Sequence[str]) -> Iterator[list[Path]]:
    """The inputs as local files; those at an address are copied here for the time of the job."""
    if not any(map(is_address, inputs)):
        yield [Path(address) for address in inputs]
        return
    with tempfile.TemporaryDirectory(prefix="guidecoat-") as folder:
        scans = []
        for number, address in enumerate(inputs):
            if is_address(address):
                local = Path(folder) / str(number) / address.rpartition("/")[2]
                local.parent.mkdir()
                with as_from_a_disk(address) as files:
                    files.get_file(address, str(local))
                scans.append(local)
            else:
                scans.append(Path(address))
        yield scans


@contextlib.contextmanager
def _result(output: str) -> Iterator[Path]:
    """A result folder that appears whole; for an address it is made here and copied there."""
    if not is_address(output):
        with result_folder(Path(output)) as folder:
            yield folder
        return
    with tempfile.TemporaryDirectory(prefix="guidecoat-") as temporary:
        whole = Path(temporary) / "result"
        with result_folder(whole) as folder:
            yield folder
        put_result(whole, output)


def _make_thumbnail(folder: Path) -> None:
    """A small copy of the picture for the page; without one the page does without."""
    pictures = sorted(folder.glob("*.png"))
    if not pictures:
        return
    from PIL import Image

    with Image.open(pictures[0]) as picture:
        small = picture.convert("RGB")
        small.thumbnail(_THUMBNAIL_PIXELS)
        small.save(folder / THUMBNAIL, optimize=True)
