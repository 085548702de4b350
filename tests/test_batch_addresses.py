"""Scans and results at fsspec addresses: found, fetched, put whole, and networks that fail."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fsspec
import pytest
from fsspec.implementations.memory import MemoryFileSystem

from batch_fixture import RESULT_FILES, write_checks_only, write_scan
from guidecoat import __version__
from guidecoat.batch import find_jobs, result_places, run_batch, shop_settings
from guidecoat.batch.addresses import put_result, stamp_at
from guidecoat.batch.books import Books
from guidecoat.batch.ledger import open_ledger
from guidecoat.batch.places import content_hash, stamp_of
from guidecoat.batch.progress import Silent
from guidecoat.batch.report import BatchOptions
from guidecoat.batch.task import Task, is_passing, recorded_outcome, run_task
from guidecoat.errors import ScanReadError, SettingsError
from guidecoat.output_folder import MARKER
from guidecoat.settings import load_settings


class NetworkError(Exception):
    """What a client of a network raises: no OSError."""


class FailingFileSystem(MemoryFileSystem):  # type: ignore[misc]
    """Files in memory behind a network that is down for some calls."""

    protocol = "failing"
    down: tuple[str, ...] = ()

    @classmethod
    def _strip_protocol(cls, path: str) -> str:
        plain = path.removeprefix("failing://")
        return str(MemoryFileSystem._strip_protocol(plain))

    def cat_file(self, path: str, **options: Any) -> bytes:
        self._try("cat_file")
        return bytes(super().cat_file(path, **options))

    def info(self, path: str, **options: Any) -> Any:
        self._try("info")
        return super().info(path, **options)

    def put_file(self, here: str, there: str, **options: Any) -> None:
        self._try("put_file")
        super().put_file(here, there, **options)

    def _open(self, path: str, *arguments: Any, **options: Any) -> Any:
        self._try("open")
        return super()._open(path, *arguments, **options)

    def _try(self, call: str) -> None:
        if call in FailingFileSystem.down:
            raise NetworkError("the line is dead")


fsspec.register_implementation("failing", FailingFileSystem, clobber=True)


@pytest.fixture
def memory() -> Iterator[MemoryFileSystem]:
    files = fsspec.filesystem("memory")
    yield files
    MemoryFileSystem.store.clear()
    MemoryFileSystem.pseudo_dirs[:] = [""]
    FailingFileSystem.down = ()


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_scan(tmp_path_factory.mktemp("scans") / "door_metal.ply", seed=1)


def task_at(scheme: str, **changes: object) -> Task:
    scan = f"{scheme}://shop/scans/door_metal.ply"
    plain = Task(
        job="door",
        kind="check",
        identity="me",
        inputs=(scan,),
        stamps=(stamp_of(scan),),
        settings=load_settings("metal"),
        output=f"{scheme}://shop/results/door",
        memory_mb=0.0,
        timeout_s=0.0,
        version=__version__,
        attempt=1,
        topic="test",
    )
    return dataclasses.replace(plain, **changes)  # type: ignore[arg-type]


def test_a_job_from_address_to_address(memory: MemoryFileSystem, scan: Path) -> None:
    memory.put_file(str(scan), "/shop/scans/door_metal.ply")
    task = task_at("memory")
    outcome = run_task(task)
    assert (outcome.status, outcome.verdict) == ("ok", "out")
    there = {path.rpartition("/")[2] for path in memory.find("/shop/results/door")}
    assert there >= RESULT_FILES | {MARKER}
    assert recorded_outcome(task.output, "me") is not None
    assert recorded_outcome(task.output, "another scan") is None
    # Replaced whole: a file that only the earlier result had does not stay.
    listed = memory.cat_file(f"/shop/results/door/{MARKER}").decode() + "old.csv\n"
    memory.pipe_file(f"/shop/results/door/{MARKER}", listed.encode())
    memory.pipe_file("/shop/results/door/old.csv", b"")
    assert run_task(task).status == "ok"
    assert not memory.exists("/shop/results/door/old.csv")


def test_somebody_elses_file_at_the_address_is_left_alone(
    memory: MemoryFileSystem, scan: Path
) -> None:
    memory.put_file(str(scan), "/shop/scans/door_metal.ply")
    memory.pipe_file("/shop/results/door/note.txt", b"mine")
    outcome = run_task(task_at("memory"))
    assert outcome.status == "failed"
    assert "no earlier result of guidecoat (note.txt)" in outcome.reason
    assert memory.find("/shop/results") == ["/shop/results/door/note.txt"]


def test_results_among_the_scans_are_no_scans(memory: MemoryFileSystem, tmp_path: Path) -> None:
    for name in ("12-085/door_metal.ply", ".trash/wing_metal.ply", "note.txt"):
        memory.pipe_file(f"/shop/{name}", b"ply\nelement vertex 5\n")
    whole = tmp_path / "door"
    whole.mkdir()
    for name in (MARKER, "points.ply", "job.json"):
        (whole / name).write_bytes(b"{}")
    put_result(whole, "memory://shop/results/door")
    # A copy that was cut short has no record yet.
    memory.rm("/shop/results/door/job.json")
    memory.pipe_file("/shop/index.html", b"")
    plan = find_jobs("memory://shop", settings_of=shop_settings(None, (), {}), settle_s=0)
    assert [job.name for job in plan.jobs] == ["12-085/door_metal"]
    assert "2 other file(s) left alone" in plan.notes


def test_the_record_goes_last_and_the_list_first(
    memory: MemoryFileSystem, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in (MARKER, "a.txt", "job.json", "z.txt"):
        (tmp_path / name).write_text("")
    put: list[str] = []
    monkeypatch.setattr(
        MemoryFileSystem, "put_file", lambda self, here, there: put.append(Path(there).name)
    )
    put_result(tmp_path, "memory://shop/door/")
    assert put == [MARKER, "a.txt", "z.txt", "job.json"]


@pytest.mark.parametrize("down", ["open", "info", "put_file"])
def test_a_network_that_fails_is_worth_a_second_try(
    memory: MemoryFileSystem, scan: Path, down: str
) -> None:
    memory.put_file(str(scan), "/shop/scans/door_metal.ply")
    task = task_at("failing")
    FailingFileSystem.down = (down,)
    outcome = run_task(task)
    assert (outcome.status, is_passing(outcome)) == ("failed", True)
    assert "the line is dead" in outcome.reason
    FailingFileSystem.down = ()
    assert run_task(task).status == "ok"


def test_what_a_network_raises_is_told_as_of_a_disk(memory: MemoryFileSystem) -> None:
    memory.pipe_file("/shop/door.ply", b"ply")
    assert stamp_at("failing://shop/door.ply").startswith("3 ")
    assert stamp_at("failing://shop/gone.ply") == ""
    FailingFileSystem.down = ("info", "open")
    # Not "gone": that would skip the job.
    with pytest.raises(OSError, match="NetworkError: the line is dead"):
        stamp_at("failing://shop/door.ply")
    with pytest.raises(ScanReadError, match="the line is dead"):
        content_hash("failing://shop/door.ply")
    with pytest.raises(SettingsError, match=r"the line is dead.*check the address"):
        find_jobs("failing://shop", settings_of=shop_settings(None, (), {}), settle_s=0)


def test_a_page_that_cannot_be_copied_does_not_end_the_night(
    memory: MemoryFileSystem, tmp_path: Path
) -> None:
    with open_ledger(tmp_path / "ledger.sqlite") as ledger:
        books = Books(ledger, out=tmp_path, results="failing://shop/results")
        FailingFileSystem.down = ("put_file",)
        assert "the page could not be copied there" in books.write([], left=0)
        assert (tmp_path / "index.html").is_file()
        FailingFileSystem.down = ()
        assert books.write([], left=0) == ""
    assert memory.exists("/shop/results/index.html")


def test_the_page_of_results_at_an_address_is_the_one_there(
    shop: Path, memory: MemoryFileSystem
) -> None:
    write_checks_only(shop / "scans")
    own, results = result_places("scans", "memory://shop/results")
    options = BatchOptions(
        place="scans", out=own, results=results, settings_of=shop_settings(None, (), {})
    )
    report = run_batch(options, Silent())
    # Its links lead to the results beside it, which the copy here has not.
    assert report.page == "memory://shop/results/index.html"
    assert memory.exists("/shop/results/index.html")
