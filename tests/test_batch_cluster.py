"""A batch on a Dask cluster that runs elsewhere: a scheduler and two workers on loopback."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from distributed import Client

from batch_fixture import (
    assert_ledger_equals_folders,
    command,
    result_folders,
    run_batch_command,
    table,
    wait_for,
    write_checks_only,
    write_scan,
)
from guidecoat import __version__
from guidecoat.batch.roll_call import call_roll
from guidecoat.errors import SettingsError

SCANS = 4
WORKERS = 2


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def dask_process(
    *arguments: str, cwd: Path, environment: dict[str, str] | None = None
) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", *arguments],
        cwd=cwd,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        family = []
        with contextlib.suppress(psutil.NoSuchProcess):
            family = psutil.Process(process.pid).children(recursive=True)
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for child in family:
            with contextlib.suppress(psutil.NoSuchProcess):
                child.kill()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """The address of a scheduler, and two workers each with its supervisor."""
    with running_cluster(tmp_path) as (address, _, workers):
        yield address, workers


Process = subprocess.Popen[bytes]


@contextlib.contextmanager
def running_cluster(place: Path) -> Iterator[tuple[str, Process, list[Process]]]:
    """A scheduler and two workers; its address, it, and the workers' supervisors."""
    address = f"tcp://127.0.0.1:{free_port()}"
    port = address.rpartition(":")[2]
    with contextlib.ExitStack() as running:
        scheduler = running.enter_context(
            dask_process(
                *("scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"),
                cwd=place,
            )
        )
        workers = [
            running.enter_context(
                dask_process(
                    *("worker", address, "--nthreads", "1", "--no-dashboard"),
                    *("--host", "127.0.0.1"),
                    cwd=place,
                )
            )
            for _ in range(WORKERS)
        ]
        wait_for(lambda: all(worker_process(worker) for worker in workers))
        with Client(address, timeout=60) as client:
            client.wait_for_workers(WORKERS, timeout=60)
        yield address, scheduler, workers


def worker_process(supervisor: subprocess.Popen[bytes]) -> psutil.Process | None:
    """The process that does a worker's jobs; its supervisor starts another when it ends."""
    with contextlib.suppress(psutil.NoSuchProcess):
        for child in psutil.Process(supervisor.pid).children(recursive=True):
            if "spawn_main" in " ".join(child.cmdline()):
                return child
    return None


def write_scans(folder: Path) -> None:
    write_checks_only(folder)
    for seed in range(SCANS):
        write_scan(folder / "12-085" / f"panel{seed}_metal.ply", seed=seed)


@pytest.mark.slow
def test_two_workers_one_killed_in_the_middle(
    cluster: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    address, workers = cluster
    write_scans(tmp_path / "scans")
    out = tmp_path / "night"
    batch = subprocess.Popen(
        command("scans", "--out", str(out), "--cluster", address),
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    # In the middle: a result is being written, some are there, more are to come.
    wait_for(lambda: out.is_dir() and list(out.glob("[!.]*/job.json")))
    victim = worker_process(workers[0])
    assert victim is not None
    os.kill(victim.pid, signal.SIGKILL)
    assert not all(row["status"] for row in table(out).values()) or len(table(out)) < SCANS
    printed, _ = batch.communicate(timeout=240)
    assert batch.returncode == 0, printed
    rows = table(out)
    assert len(rows) == SCANS
    assert {(row["status"], row["verdict"]) for row in rows.values()} == {("ok", "out")}
    assert len(result_folders(out)) == SCANS
    assert_ledger_equals_folders(out)
    assert all(worker.poll() is None for worker in workers), "the cluster is left running"


@pytest.mark.slow
def test_both_ends_at_addresses(
    cluster: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    address, _ = cluster
    write_checks_only(tmp_path / "scans")
    write_scan(tmp_path / "scans" / "12-085" / "door_metal.ply", seed=1)
    run = run_batch_command(
        *(f"file://{tmp_path}/scans", "--out", f"file://{tmp_path}/results"),
        *("--cluster", address),
        cwd=tmp_path,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    placed = tmp_path / "results"
    assert list(result_folders(placed)) == ["12-085_door_metal"]
    assert {"index.html", "summary.csv"} <= set(os.listdir(placed))
    again = run_batch_command(
        *(f"file://{tmp_path}/scans", "--out", f"file://{tmp_path}/results"),
        *("--cluster", address),
        cwd=tmp_path,
    )
    assert "1 jobs: 0 run now" in again.stdout


def start(address: str, out: Path, printed: Path) -> subprocess.Popen[bytes]:
    """A batch on the cluster in a process of its own; what it prints goes to a file."""
    with printed.open("wb") as file:
        return subprocess.Popen(
            command("scans", "--out", str(out), "--cluster", address),
            cwd=out.parent,
            stdout=file,
            stderr=subprocess.STDOUT,
        )


def kill_family(supervisor: subprocess.Popen[bytes]) -> None:
    """A worker and its supervisor, as when their machine is switched off."""
    family = psutil.Process(supervisor.pid).children(recursive=True)
    supervisor.kill()
    for child in family:
        with contextlib.suppress(psutil.NoSuchProcess):
            child.kill()
    supervisor.wait()


@pytest.mark.slow
def test_all_workers_lost_and_one_that_comes_later(
    cluster: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    address, workers = cluster
    write_scans(tmp_path / "scans")
    out, printed = tmp_path / "night", tmp_path / "printed.txt"
    batch = start(address, out, printed)
    wait_for(lambda: out.is_dir() and list(out.glob("[!.]*/job.json")))
    for worker in workers:
        kill_family(worker)
    wait_for(lambda: "the cluster has no workers left" in printed.read_text())
    with dask_process(
        *("worker", address, "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1"),
        cwd=tmp_path,
    ):
        assert batch.wait(timeout=240) == 0, printed.read_text()
    assert {row["status"] for row in table(out).values()} == {"ok"}
    assert len(result_folders(out)) == SCANS
    assert_ledger_equals_folders(out)
    assert printed.read_text().count("no workers left") == 1


@pytest.mark.slow
def test_a_scheduler_lost_ends_the_night_in_words_and_the_rest_is_done_later(
    tmp_path: Path,
) -> None:
    write_scans(tmp_path / "scans")
    out, printed = tmp_path / "night", tmp_path / "printed.txt"
    with running_cluster(tmp_path) as (address, scheduler, _):
        batch = start(address, out, printed)
        wait_for(lambda: out.is_dir() and list(out.glob("[!.]*/job.json")))
        scheduler.kill()
        assert batch.wait(timeout=120) == 2, printed.read_text()
    assert "the scheduler of the cluster is gone: start it again" in printed.read_text()
    assert "Traceback" not in printed.read_text()
    assert (out / "index.html").is_file()
    assert not [row for row in table(out).values() if row["status"] == "failed"]
    later = run_batch_command("scans", "--out", str(out), cwd=tmp_path)
    assert later.returncode == 0, later.stdout + later.stderr
    assert len(result_folders(out)) == SCANS
    assert_ledger_equals_folders(out)


@pytest.mark.slow
def test_a_worker_that_cannot_do_the_jobs_is_named_before_the_first(tmp_path: Path) -> None:
    write_checks_only(tmp_path / "scans")
    scan = write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    # Stands in for a machine where guidecoat is not installed.
    bare = tmp_path / "bare"
    bare.mkdir()
    (bare / "sitecustomize.py").write_text("import sys\nsys.modules['guidecoat'] = None\n")
    with running_cluster(tmp_path) as (address, _, _), Client(address) as client:
        call_roll(client, cluster=address, seen=(str(scan),))
        with pytest.raises(SettingsError, match=r"does not see /nowhere/door\.ply: scans and"):
            call_roll(client, cluster=address, seen=("/nowhere/door.ply",))
        with dask_process(
            *("worker", address, "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1"),
            cwd=tmp_path,
            environment={**os.environ, "PYTHONPATH": str(bare)},
        ):
            client.wait_for_workers(WORKERS + 1, timeout=60)
            run = run_batch_command("scans", "--cluster", address, cwd=tmp_path)
    assert run.returncode == 2
    assert f"has no guidecoat, this batch {__version__}: install guidecoat" in run.stderr
    assert "Traceback" not in run.stderr


@pytest.mark.slow
def test_no_scheduler_is_said_with_the_remedy(tmp_path: Path) -> None:
    write_checks_only(tmp_path / "scans")
    write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    address = f"tcp://127.0.0.1:{free_port()}"
    run = run_batch_command("scans", "--cluster", address, cwd=tmp_path)
    assert run.returncode == 2
    assert f"--cluster {address}: no scheduler answers there" in run.stderr
    assert "Traceback" not in run.stderr
