"""Network shares and other machines: locks and logs that do not work there, folders not seen."""

from __future__ import annotations

import dataclasses
import errno
import fcntl
import shutil
import sqlite3
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import psutil
import pytest

from guidecoat.batch.arrival import seen_from_here
from guidecoat.batch.ledger import open_ledger
from guidecoat.batch.lock import only_batch
from guidecoat.batch.outcome import Outcome, failed
from guidecoat.batch.shares import is_on_share
from guidecoat.batch.task import Task, write_record
from guidecoat.errors import SettingsError
from guidecoat.settings import load_settings
from test_batch_books import GOOD, record


def refuse_locks(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Have every lock on a file refused with this error."""

    def refuse(*_: object) -> None:
        raise OSError(number, "refused")

    monkeypatch.setattr(fcntl, "flock", refuse)


@pytest.mark.parametrize("number", [errno.ENOLCK, errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS])
def test_a_share_without_locks_is_said_with_two_remedies(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    refuse_locks(monkeypatch, number)
    with pytest.raises(SettingsError) as caught, only_batch(tmp_path, wait=True):
        pass
    assert "files cannot be locked there" in str(caught.value)
    assert "on a disk of this machine with --out" in str(caught.value)
    assert f"--out file://{tmp_path}" in str(caught.value)


@pytest.mark.parametrize("number", [errno.EAGAIN, errno.EACCES])
def test_a_lock_that_is_held_is_another_batch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    refuse_locks(monkeypatch, number)
    with (
        pytest.raises(SettingsError, match="another batch is at work here"),
        only_batch(tmp_path, wait=False),
    ):
        pass


def journal_of(path: Path) -> str:
    connection = sqlite3.connect(path)
    try:
        return str(connection.execute("PRAGMA journal_mode").fetchone()[0])
    finally:
        connection.close()


class NoSharedMemory(sqlite3.Connection):
    """A connection on a file system where files cannot be shared as memory."""

    words = "disk I/O error"

    def execute(self, sql: str, *arguments: Any) -> sqlite3.Cursor:
        if "= WAL" in sql:
            raise sqlite3.OperationalError(self.words)
        return super().execute(sql, *arguments)


@pytest.fixture
def no_shared_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    connect = sqlite3.connect

    def patched(*arguments: Any, **options: Any) -> sqlite3.Connection:
        return connect(*arguments, factory=NoSharedMemory, **options)

    monkeypatch.setattr(sqlite3, "connect", patched)


@pytest.mark.usefixtures("no_shared_memory")
def test_where_a_log_is_impossible_the_ledger_keeps_the_older_journal(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with open_ledger(path) as ledger:
        ledger.record(record("door"), GOOD)
        with open_ledger(path, read_only=True) as reader:
            assert set(reader.latest()) == {"door"}
        ledger.record(record("wing"), GOOD)
    assert journal_of(path) == "delete"


@pytest.mark.usefixtures("no_shared_memory")
def test_a_locked_ledger_is_not_taken_for_a_share(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(NoSharedMemory, "words", "database is locked")
    with (
        pytest.raises(SettingsError, match="another program keeps it locked"),
        open_ledger(tmp_path / "l.sqlite"),
    ):
        pass


def test_a_ledger_that_moves_to_a_share_gives_up_its_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "l.sqlite"
    with open_ledger(path) as ledger:
        ledger.record(record("door"), GOOD)
    assert journal_of(path) == "wal"
    monkeypatch.setattr("guidecoat.batch.ledger.is_on_share", lambda _: True)
    with open_ledger(path) as ledger:
        ledger.record(record("wing"), GOOD)
        with open_ledger(path, read_only=True) as reader:
            assert set(reader.latest()) == {"door", "wing"}
    assert journal_of(path) == "delete"


def test_shares_are_told_by_the_deepest_mount(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mounts = [
        SimpleNamespace(mountpoint="/", fstype="ext4", opts="rw"),
        SimpleNamespace(mountpoint=str(tmp_path / "nas"), fstype="nfs4", opts="rw"),
        SimpleNamespace(mountpoint=str(tmp_path / "nas" / "disk"), fstype="xfs", opts="rw"),
        SimpleNamespace(mountpoint=str(tmp_path / "office"), fstype="cifs", opts="rw"),
        SimpleNamespace(mountpoint=str(tmp_path / "z"), fstype="ntfs", opts="rw,remote"),
    ]
    monkeypatch.setattr(psutil, "disk_partitions", lambda **_: mounts)
    found = {
        name: is_on_share(tmp_path / name)
        for name in (
            *("nas", "nas/scans/night", "nas/disk/night", "nasty", "office/night", "z/night", "."),
        )
    }
    assert found == {
        "nas": True,
        "nas/scans/night": True,
        "nas/disk/night": False,
        "nasty": False,
        "office/night": True,
        "z/night": True,
        ".": False,
    }


def test_a_ledger_on_a_medium_that_cannot_be_written_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "l.sqlite"
    with open_ledger(path) as ledger:
        ledger.record(record("door"), GOOD)
    connect = sqlite3.connect

    class ReadOnly(sqlite3.Connection):
        def execute(self, sql: str, *arguments: Any) -> sqlite3.Cursor:
            raise sqlite3.OperationalError("unable to open database file")

    def patched(name: str, **options: Any) -> sqlite3.Connection:
        if "immutable=1" in name:
            return connect(name, **options)
        return connect(name, factory=ReadOnly, **options)

    monkeypatch.setattr(sqlite3, "connect", patched)
    with open_ledger(path, read_only=True) as reader:
        assert set(reader.latest()) == {"door"}


# ---------------------------------------------------------------- what a worker says


def task_in(folder: Path) -> Task:
    scan = folder / "door.ply"
    scan.write_text("")
    return Task(
        job="door",
        kind="check",
        identity="me",
        inputs=(str(scan),),
        stamps=("",),
        settings=load_settings("metal"),
        output=str(folder / "night" / "door"),
        memory_mb=0.0,
        timeout_s=0.0,
        version="",
        attempt=1,
        topic="",
    )


def test_a_worker_that_does_not_see_a_scan_has_not_found_it_gone(tmp_path: Path) -> None:
    task = task_in(tmp_path)
    gone = Outcome("skipped", "gone before it was read")
    said = seen_from_here(gone, task, worker="tcp://10.0.0.7:1", wait_s=0.0)
    assert said.status == "failed"
    assert f"the worker tcp://10.0.0.7:1 does not see {task.inputs[0]}" in said.reason
    Path(task.inputs[0]).unlink()
    assert seen_from_here(gone, task, worker="", wait_s=0.0) == gone
    bad = failed("not a scan")
    assert seen_from_here(bad, task, worker="", wait_s=0.0) == bad


def test_a_result_that_is_nowhere_here_is_no_result(tmp_path: Path) -> None:
    task = task_in(tmp_path)
    folder = Path(task.output)
    folder.mkdir(parents=True)
    said = seen_from_here(GOOD, task, worker="tcp://10.0.0.7:1", wait_s=0.3)
    assert said.status == "failed"
    assert f"{task.output} holds no whole result" in said.reason
    write_record(folder, task, GOOD)
    assert seen_from_here(GOOD, task, worker="", wait_s=0.0) == GOOD
    other = dataclasses.replace(task, identity="another scan")
    assert seen_from_here(GOOD, other, worker="", wait_s=0.0).status == "failed"
    shutil.rmtree(folder)
    assert seen_from_here(GOOD, task, worker="", wait_s=0.0).status == "failed"
