"""The ledger: what was run, on what, with what result. SQLite, so that a crash costs nothing."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import asdict, astuple, dataclass, fields
from pathlib import Path

from ..errors import SettingsError
from .names import folded, pass_order
from .outcome import Outcome
from .places import FoundFile
from .shares import is_on_share

SCHEMA_VERSION = 1
_BUSY_S = 30.0
# What SQLite says where files cannot be shared as memory, as a log needs.
_NO_WAL = ("disk I/O error", "locking protocol", "unable to open database file")


@dataclass(frozen=True)
class JobRecord:
    """Who a run was for: the job, its inputs and the pass of the panel.

    identity : hash of inputs, settings and version; inputs : paths below the batch's folder;
    inputs_hash : of the scans' contents alone; scanned_at : seconds since the epoch, the scan
    file's own date.
    """

    job: str
    kind: str
    identity: str
    inputs: tuple[str, ...]
    inputs_hash: str
    vehicle: str
    panel: str
    side: str
    stage: str
    number: int
    scanned_at: float
    output: str

    @property
    def order(self) -> tuple[int, int]:
        """Where in the work this pass stands: by stage, then by number."""
        return pass_order(self.stage, self.number)


@dataclass(frozen=True)
class Run:
    """One row of the ledger."""

    record: JobRecord
    outcome: Outcome
    finished_at: float


_RECORD = tuple(field.name for field in fields(JobRecord))
_OUTCOME = tuple(field.name for field in fields(Outcome))
_COLUMNS = ", ".join(f'"{name}"' for name in (*_RECORD, *_OUTCOME, "finished_at"))

_TABLES = f"""
CREATE TABLE IF NOT EXISTS runs (
    id INTEGER PRIMARY KEY,
    {", ".join(f'"{name}"' for name in (*_RECORD, *_OUTCOME, "finished_at"))},
    panel_key TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS runs_by_job ON runs (job, id);
CREATE INDEX IF NOT EXISTS runs_by_panel ON runs (panel_key, id);
CREATE VIEW IF NOT EXISTS jobs AS
    SELECT * FROM runs WHERE id IN (SELECT max(id) FROM runs GROUP BY job);
CREATE TABLE IF NOT EXISTS files (
    address TEXT PRIMARY KEY, stamp TEXT NOT NULL, sha256 TEXT NOT NULL
);
PRAGMA user_version = {SCHEMA_VERSION};
"""  # noqa: S608, names of our own fields


class Ledger:
    """An open ledger. One process writes; others may read at the same time."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path

    def record(self, record: JobRecord, outcome: Outcome) -> None:
        """Add a run; it is on the disk when this returns."""
        values = [*_row_of(record), *astuple(outcome), time.time()]
        key = json.dumps([folded(record.vehicle), folded(record.panel), record.side])
        marks = ", ".join("?" * (len(values) + 1))
        with _plain_words(self._path), self._connection:
            self._connection.execute(
                f"INSERT INTO runs ({_COLUMNS}, panel_key) VALUES ({marks})",  # noqa: S608
                [*values, key],
            )

    def latest(self) -> dict[str, Run]:
        """The last run of every job, by job."""
        with _plain_words(self._path):
            rows = self._connection.execute(f"SELECT {_COLUMNS} FROM jobs ORDER BY id").fetchall()  # noqa: S608
        return {run.record.job: run for run in map(_run_of, rows)}

    def passes(self) -> list[Run]:
        """Every pass of every panel, in the order of the work, with its last good result.

        A pass is a content of scans: a scan that was run again is one pass, a new scan under an
        old name is another.
        """
        with _plain_words(self._path):
            rows = self._connection.execute(
                f"SELECT {_COLUMNS} FROM runs WHERE id IN (SELECT max(id) FROM runs "  # noqa: S608
                "WHERE status IN ('ok', 'review') GROUP BY job, inputs_hash)"
            ).fetchall()
        return sorted(map(_run_of, rows), key=_pass_order)

    def known_hash(self, file: FoundFile) -> str | None:
        """The hash of a file's content if it has not changed since it was worked out."""
        with _plain_words(self._path):
            row = self._connection.execute(
                "SELECT sha256 FROM files WHERE address = ? AND stamp = ?",
                (_text(file.address), file.stamp),
            ).fetchone()
        return None if row is None else str(row[0])

    def remember_hash(self, file: FoundFile, sha256: str) -> None:
        """Keep the hash of a file's content for the next time."""
        with _plain_words(self._path), self._connection:
            self._connection.execute(
                "INSERT OR REPLACE INTO files VALUES (?, ?, ?)",
                (_text(file.address), file.stamp, sha256),
            )


@contextlib.contextmanager
def open_ledger(path: Path, *, read_only: bool = False) -> Iterator[Ledger]:
    """Open a ledger, made if it is not there unless only to be read.

    Raises
    ------
    SettingsError : not a ledger of this version, not to be written, or the disk is full.
    """
    with _plain_words(path):
        connection = _reading(path) if read_only else sqlite3.connect(path, timeout=_BUSY_S)
    try:
        with _plain_words(path):
            if not read_only:
                _keep_journal(connection, path)
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version > SCHEMA_VERSION or (read_only and version < 1):
                raise SettingsError(
                    f"{path}: a ledger of another version of guidecoat (format {version}, this one "
                    f"writes {SCHEMA_VERSION}): use that version, or another folder"
                )
            if not read_only:
                # FULL: what was recorded survives a power cut too, not only a crash.
                connection.execute("PRAGMA synchronous = FULL")
                connection.executescript(_TABLES)
        yield Ledger(connection, path)
    finally:
        connection.close()


def _reading(path: Path) -> sqlite3.Connection:
    """Open a ledger that may stand where this user, or anybody, cannot write."""
    uri = f"{path.resolve().as_uri()}?mode=ro"
    connection = sqlite3.connect(uri, uri=True, timeout=_BUSY_S)
    try:
        connection.execute("PRAGMA user_version").fetchone()
    except sqlite3.OperationalError:
        # Even to read it, SQLite wants to write beside a ledger, unless told that nobody does.
        connection.close()
        connection = sqlite3.connect(f"{uri}&immutable=1", uri=True, timeout=_BUSY_S)
    return connection


def _keep_journal(connection: sqlite3.Connection, path: Path) -> None:
    """A write-ahead log; on a share, where it must not be used, a journal of the older kind.

    Source: sqlite.org/wal.html, "all processes using a database must be on the same host".
    """
    if is_on_share(path.parent):
        _leave_wal(connection)
        return
    try:
        connection.execute("PRAGMA journal_mode = WAL")
    except sqlite3.OperationalError as error:
        if not any(words in str(error) for words in _NO_WAL):
            raise
        _leave_wal(connection)


def _leave_wal(connection: sqlite3.Connection) -> None:
    # Held alone, a log needs no memory shared between processes to be read back.
    connection.execute("PRAGMA locking_mode = EXCLUSIVE")
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute("PRAGMA locking_mode = NORMAL")
    connection.execute("PRAGMA user_version").fetchone()


def _row_of(record: JobRecord) -> list[object]:
    values = asdict(record)
    values["inputs"] = json.dumps(record.inputs)
    return [_text(value) if isinstance(value, str) else value for value in values.values()]


def _run_of(row: tuple[object, ...]) -> Run:
    split = len(_RECORD)
    values = dict(zip(_RECORD, row[:split], strict=True))
    values["inputs"] = tuple(json.loads(str(values["inputs"])))
    outcome = dict(zip(_OUTCOME, row[split:-1], strict=True))
    outcome["rescan"] = bool(outcome["rescan"])
    return Run(JobRecord(**values), Outcome(**outcome), float(str(row[-1])))  # type: ignore[arg-type]


def _pass_order(run: Run) -> tuple[object, ...]:
    record = run.record
    panel = (folded(record.vehicle), folded(record.panel), record.side)
    return (*panel, record.order, record.scanned_at, run.finished_at)


def _text(text: str) -> str:
    """Text that SQLite takes: bytes that are no UTF-8 in a file name become visible escapes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


@contextlib.contextmanager
def _plain_words(path: Path) -> Iterator[None]:
    """Turn the database's refusals into a message with a remedy."""
    try:
        yield
    except sqlite3.OperationalError as error:
        words = str(error)
        if "full" in words:
            remedy = "the disk is full: free some room"
        elif "locked" in words or "busy" in words:
            remedy = "another program keeps it locked: close that"
        else:
            remedy = f"cannot be used ({words}): check that its folder is yours to write to"
        raise SettingsError(
            f"{path}: {remedy}, then give the same command again; it goes on from here"
        ) from error
    except sqlite3.DatabaseError as error:
        raise SettingsError(
            f"{path}: this is no ledger, or it is damaged ({error}): move it away; results that "
            "are in place are taken over into a new one"
        ) from error
