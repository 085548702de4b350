"""Jobs under way: how many at once, and what is done about those that do not come back."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from batch_fixture import run_batch_command, table, write_checks_only, write_scan
from guidecoat.batch.crew import Crew, local_size
from guidecoat.batch.flights import Flights, Landed
from guidecoat.batch.jobs import FoundScan, Job
from guidecoat.batch.memory import output_bytes
from guidecoat.batch.outcome import Outcome
from guidecoat.batch.task import Task
from guidecoat.errors import SettingsError
from guidecoat.settings import load_settings


@pytest.mark.parametrize(
    ("asked", "budget_mb", "least_mb", "jobs", "expected"),
    [
        (3, 10_000.0, 500.0, 20, 3),
        # No more than jobs, nor than the memory holds; but one always.
        (8, 10_000.0, 500.0, 2, 2),
        (8, 1_600.0, 500.0, 20, 3),
        (8, 100.0, 500.0, 20, 1),
        (8, 1_600.0, 0.0, 5, 5),
    ],
)
def test_workers_by_what_is_asked_for_and_what_there_is(
    asked: int, budget_mb: float, least_mb: float, jobs: int, expected: int
) -> None:
    assert local_size(asked, budget_mb=budget_mb, least_mb=least_mb, jobs=jobs) == expected


def test_workers_by_the_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dask.system.CPU_COUNT", 6)
    assert local_size(None, budget_mb=1e5, least_mb=500.0, jobs=20) == 6


class FakeFuture:
    """A job that comes back when it is told to."""

    def __init__(self) -> None:
        self.back: list[Callable[[object], None]] = []
        self.answer: Outcome | Exception = Outcome("ok")
        self.cancelled = False

    def add_done_callback(self, call: Callable[[object], None]) -> None:
        self.back.append(call)

    def result(self, timeout: float) -> Outcome:
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer

    def cancel(self) -> None:
        self.cancelled = True

    def come_back(self, answer: Outcome | Exception) -> None:
        self.answer = answer
        for call in self.back:
            call(self)


class FakeClient:
    """A cluster whose workers are names."""

    def __init__(self, *workers: str) -> None:
        self.status = "running"
        self.workers = list(workers)
        self.futures: list[FakeFuture] = []
        self.ended: list[str] = []
        self.hear: Callable[[tuple[float, dict[str, str]]], None] = print

    def subscribe_topic(
        self, topic: str, hear: Callable[[tuple[float, dict[str, str]]], None]
    ) -> None:
        self.hear = hear

    def submit(self, *_: object, **__: object) -> FakeFuture:
        self.futures.append(FakeFuture())
        return self.futures[-1]

    def scheduler_info(self, n_workers: int) -> dict[str, object]:
        return {"workers": {key: {} for key in self.workers}} if self.status == "running" else {}

    def restart_workers(self, workers: list[str], **_: object) -> None:
        self.ended += workers

    def tell(self, task: Task, what: str, worker: str) -> None:
        event = {"job": task.job, "attempt": task.attempt, "what": what, "worker": worker}
        self.hear((0.0, {**event, "reason": ""}))  # type: ignore[dict-item]


def crew_of(client: FakeClient, *, local: bool = False, budget_mb: float = 0.0) -> Crew:
    return Crew(cast("Any", client), local, budget_mb)


def job(name: str, *, memory_mb: float = 500.0, points: int = 1000) -> Job:
    scans: tuple[FoundScan, ...] = ()
    return Job(name, "check", scans, load_settings("metal"), name, memory_mb, points)


def task(name: str, *, timeout_s: float = 0.0) -> Task:
    return Task(
        job=name,
        kind="check",
        identity="",
        inputs=(),
        stamps=(),
        settings=load_settings("metal"),
        output="",
        memory_mb=0.0,
        timeout_s=timeout_s,
        version="",
        attempt=1,
        topic="",
    )


def test_jobs_start_beside_each_other_while_the_memory_lasts() -> None:
    client = FakeClient("a", "b")
    flights = Flights(crew_of(client, local=True, budget_mb=1000.0), timeout_s=0.0)
    # A job larger than all there is may try, by itself.
    assert flights.has_room(job("huge", memory_mb=1200.0), alone=False)
    flights.send(job("one", points=2000), task("one"), alone=False)
    assert flights.has_room(job("two"), alone=False)
    assert not flights.has_room(job("large", memory_mb=501.0), alone=False)
    assert not flights.has_room(job("two"), alone=True)
    assert flights.output_bytes() == output_bytes(2000)
    flights.cancel()
    flights.send(job("one"), task("one"), alone=True)
    assert not flights.has_room(job("two", memory_mb=1.0), alone=False)


def overdue(monkeypatch: pytest.MonkeyPatch, client: FakeClient) -> tuple[Flights, list[Landed]]:
    """A job that took too long, and one after the other that keeps the batch busy."""
    flights = Flights(crew_of(client), timeout_s=10.0)
    flights.send(job("stuck"), task("stuck"), alone=False)
    client.tell(task("stuck"), "started", "a")
    assert list(flights.wait(0.0)) == []
    later = time.monotonic() + 100.0
    # That module's clock alone: others may keep for good what they find in `time` when imported.
    clock = SimpleNamespace(monotonic=lambda: later)
    monkeypatch.setattr("guidecoat.batch.flights.time", clock)
    flights.send(job("quick"), task("quick"), alone=False)
    client.futures[-1].come_back(Outcome("ok"))
    return flights, list(flights.wait(0.0))


def test_a_stuck_job_is_ended_though_others_keep_coming_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    client = FakeClient("a", "b")
    _, landed = overdue(monkeypatch, client)
    assert {entry.job.name: entry.outcome.status for entry in landed} == {
        "stuck": "failed",
        "quick": "ok",
    }
    assert "longer than the time limit of 10 s" in landed[0].outcome.reason
    assert client.ended == ["a"]


def test_nobody_is_ended_for_a_job_whose_worker_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    client = FakeClient("b")
    flights, landed = overdue(monkeypatch, client)
    assert [entry.job.name for entry in landed] == ["quick"]
    assert client.ended == []
    assert len(flights) == 1


def test_a_cluster_without_workers_or_scheduler() -> None:
    client = FakeClient("a")
    flights = Flights(crew_of(client), timeout_s=0.0)
    assert not flights.is_deserted()
    flights.send(job("one"), task("one"), alone=False)
    assert not flights.is_deserted()
    client.workers.clear()
    assert flights.is_deserted()
    client.status = "closed"
    assert crew_of(client).size() == 1
    with pytest.raises(SettingsError, match="scheduler of the cluster is gone: start it again"):
        list(flights.wait(0.0))
    with pytest.raises(SettingsError, match="scheduler of the cluster is gone"):
        flights.send(job("two"), task("two"), alone=False)


@pytest.mark.parametrize("started", [True, False])
def test_a_connection_that_fails_is_no_failure_of_the_job(started: bool) -> None:
    client = FakeClient("a")
    flights = Flights(crew_of(client), timeout_s=0.0)
    flights.send(job("one"), task("one"), alone=False)
    if started:
        client.tell(task("one"), "started", "a")
    client.futures[0].come_back(OSError("connection reset by peer"))
    (landed,) = list(flights.wait(0.0))
    # A loss before it began is no try.
    assert (landed.again, landed.counts) == (True, started)


def test_a_job_that_takes_its_worker_along_three_times_is_given_up() -> None:
    client = FakeClient("a", "b", "c")
    flights = Flights(crew_of(client), timeout_s=0.0)
    flights.send(job("deadly"), task("deadly"), alone=False)
    for worker in ("a", "b"):
        client.tell(task("deadly"), "started", worker)
        assert list(flights.wait(0.0)) == []
    client.tell(task("deadly"), "started", "c")
    (landed,) = list(flights.wait(0.0))
    assert "its worker was lost" in landed.outcome.reason
    assert not landed.again
    assert client.futures[0].cancelled


@pytest.mark.slow
def test_a_scan_that_no_memory_here_can_hold_is_told_unread(tmp_path: Path) -> None:
    write_checks_only(tmp_path / "scans")
    write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    run = run_batch_command("scans", "--memory", "0.2", cwd=tmp_path)
    assert run.returncode == 6, run.stdout + run.stderr
    row = table(tmp_path / "scans_guidecoat")["door_metal"]
    assert row["status"] == "failed"
    assert "needs about" in row["reason"]
    assert "and there are 200 MB: thin the scan" in row["reason"]
