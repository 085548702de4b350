"""A batch killed at any moment is finished by the next one: nothing twice, nothing lost."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from batch_fixture import (
    assert_ledger_equals_folders,
    command,
    ledger_rows,
    result_folders,
    run_batch_command,
    wait_for,
    write_checks_only,
    write_scan,
)

KILLS = 20
SCANS = 4
# From before the first worker is there until after the last of the results.
FIRST_S, LAST_S = 0.5, 6.0


def start(*arguments: str, cwd: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        command(*arguments),
        cwd=cwd,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


def whole_results(out: Path) -> set[str]:
    """Folders in their place, all of whose files are there at full length."""
    found = set()
    for record in out.glob("[!.]*/job.json"):
        files = json.loads(record.read_text("utf-8"))["files"]
        assert all((record.parent / name).stat().st_size == size for name, size in files.items())
        found.add(record.parent.name)
    return found


def moments_s(chance: random.Random) -> Iterator[float]:
    """When to kill: a random moment in each twentieth of a night, in random order, which leaves
    narrower gaps than moments all at large; then any, for those that came too late.
    """
    part = (LAST_S - FIRST_S) / KILLS
    found = [FIRST_S + part * (k + chance.random()) for k in range(KILLS)]
    chance.shuffle(found)
    yield from found
    while True:
        yield chance.uniform(FIRST_S, LAST_S)


@pytest.mark.slow
def test_killed_twenty_times_at_random_moments(tmp_path: Path) -> None:
    scans = tmp_path / "scans"
    write_checks_only(scans)
    for seed in range(SCANS):
        write_scan(scans / "12-085" / f"panel{seed}_metal.ply", seed=seed)
    moments = moments_s(random.Random(1959))
    kills, rounds = 0, 0
    while kills < KILLS:
        out = tmp_path / f"night{rounds}"
        rounds += 1
        while kills < KILLS:
            batch = start("scans", "--out", str(out), cwd=tmp_path)
            try:
                batch.communicate(timeout=next(moments))
                break
            except subprocess.TimeoutExpired:
                family = psutil.Process(batch.pid).children(recursive=True)
                if kills % 2:
                    # All at once, as when the power fails; else the workers are left to notice.
                    os.killpg(batch.pid, signal.SIGKILL)
                else:
                    batch.kill()
                batch.communicate()
                kills += 1
            # The workers end with the batch; none goes on writing behind the next one's back.
            _, alive = psutil.wait_procs(family, timeout=30)
            assert not alive
            if out.is_dir():
                done = whole_results(out)
                rows = ledger_rows(out) if (out / "ledger.sqlite").exists() else []
                assert {row[3] for row in rows if row[1] == "ok"} <= done
        there = whole_results(out)
        last = run_batch_command("scans", "--out", str(out), cwd=tmp_path)
        assert last.returncode == 0, last.stderr
        run_now = re.search(r"(\d+) run now", last.stdout)
        assert run_now is not None
        assert int(run_now[1]) == SCANS - len(there)
        assert len(result_folders(out)) == SCANS
        assert_ledger_equals_folders(out)
        assert (out / "index.html").is_file()


@pytest.mark.slow
def test_stopped_by_the_user_and_resumed(tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "night"
    write_checks_only(scans)
    for seed in range(4):
        write_scan(scans / f"panel{seed}_metal.ply", seed=seed)
    batch = start("scans", "--out", str(out), cwd=tmp_path)
    wait_for(lambda: out.is_dir() and whole_results(out))
    # A terminal sends Ctrl-C to every process of the command at once; the impatient press it on.
    deadline = time.monotonic() + 60
    while batch.poll() is None and time.monotonic() < deadline:
        os.killpg(batch.pid, signal.SIGINT)
        time.sleep(0.05)
    printed, _ = batch.communicate(timeout=1)
    assert batch.returncode == 130
    assert "stopping; jobs under way are done next time" in printed
    assert "Stopped. The same command goes on from here." in printed
    assert "Traceback" not in printed
    assert "KeyboardInterrupt" not in printed
    assert_ledger_equals_folders(out)
    there = len(whole_results(out))
    assert 0 < there < 4
    last = run_batch_command("scans", "--out", str(out), cwd=tmp_path)
    assert last.returncode == 0
    assert f"{4 - there} run now" in last.stdout
    assert len(result_folders(out)) == 4
    assert_ledger_equals_folders(out)


@pytest.mark.slow
def test_second_batch_on_the_folder_is_told_and_leaves_or_waits(tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "night"
    write_checks_only(scans)
    for seed in range(2):
        write_scan(scans / f"panel{seed}_metal.ply", seed=seed)
    first = start("scans", "--out", str(out), cwd=tmp_path)
    wait_for(lambda: (out / ".lock").exists() and (out / ".lock").read_text())
    second = run_batch_command("scans", "--out", str(out), cwd=tmp_path)
    assert second.returncode == 2
    assert f"another batch is at work here (process {first.pid} on " in second.stderr
    third = run_batch_command("scans", "--out", str(out), "--wait", cwd=tmp_path)
    first.communicate(timeout=60)
    assert (first.returncode, third.returncode) == (0, 0)
    assert "2 jobs: 0 run now" in third.stdout
    assert_ledger_equals_folders(out)
