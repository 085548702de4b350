"""A batch on a Dask cluster that runs elsewhere: a scheduler and two workers on loopback."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

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

SCANS = 6
WORKERS = 2


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def dask_process(*arguments: str, cwd: Path) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", *arguments],
        cwd=cwd,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
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
    address = f"tcp://127.0.0.1:{free_port()}"
    port = address.rpartition(":")[2]
    with contextlib.ExitStack() as running:
        running.enter_context(
            dask_process(
                *("scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"),
                cwd=tmp_path,
            )
        )
        workers = [
            running.enter_context(
                dask_process(
                    *("worker", address, "--nthreads", "1", "--no-dashboard"),
                    *("--host", "127.0.0.1"),
                    cwd=tmp_path,
                )
            )
            for _ in range(WORKERS)
        ]
        wait_for(lambda: all(worker_process(worker) for worker in workers))
        time.sleep(2.0)
        yield address, workers


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


@pytest.mark.slow
def test_no_scheduler_is_said_with_the_remedy(tmp_path: Path) -> None:
    write_checks_only(tmp_path / "scans")
    write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    address = f"tcp://127.0.0.1:{free_port()}"
    run = run_batch_command("scans", "--cluster", address, cwd=tmp_path)
    assert run.returncode == 2
    assert f"--cluster {address}: no scheduler answers there" in run.stderr
    assert "Traceback" not in run.stderr
