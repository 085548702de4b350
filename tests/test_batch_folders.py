"""Where results stand: one folder a job, which follows its job, and never among the scans."""

from __future__ import annotations

import contextlib
import json
import os
import re
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from batch_fixture import (
    assert_ledger_equals_folders,
    command,
    ledger_rows,
    result_folders,
    run_batch_command,
    table,
    wait_for,
    write_checks_only,
    write_scan,
)
from guidecoat.batch.leftovers import follow_name


def put_result(folder: Path, job: str) -> None:
    folder.mkdir(parents=True)
    (folder / "job.json").write_text(json.dumps({"job": job}))


def test_a_result_follows_its_job_and_no_other(tmp_path: Path) -> None:
    put_result(tmp_path / "a_b", "a/b")
    follow_name(tmp_path, job="other", old="a_b", new="a_b_123456")
    assert os.listdir(tmp_path) == ["a_b"]
    follow_name(tmp_path, job="a/b", old="", new="a_b_123456")
    follow_name(tmp_path, job="a/b", old="gone", new="a_b_123456")
    follow_name(tmp_path, job="a/b", old="a_b", new="a_b")
    assert os.listdir(tmp_path) == ["a_b"]
    put_result(tmp_path / "taken", "a/b")
    follow_name(tmp_path, job="a/b", old="a_b", new="taken")
    assert sorted(os.listdir(tmp_path)) == ["a_b", "taken"]
    follow_name(tmp_path, job="a/b", old="a_b", new="a_b_123456")
    assert sorted(os.listdir(tmp_path)) == ["a_b_123456", "taken"]
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "job.json").write_text("no JSON")
    follow_name(tmp_path, job="a/b", old="photos", new="elsewhere")
    assert (tmp_path / "photos").is_dir()


@pytest.mark.slow
def test_a_name_that_comes_between_costs_no_second_run(tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "night"
    write_checks_only(scans)
    write_scan(scans / "a" / "b_metal.ply", seed=1)
    assert run_batch_command("scans", "--out", str(out), cwd=tmp_path).returncode == 0
    assert list(result_folders(out)) == ["a_b_metal"]
    # Both would go to the folder a_b_metal.
    write_scan(scans / "a_b_metal.ply", seed=2)
    night = run_batch_command("scans", "--out", str(out), cwd=tmp_path)
    assert "2 jobs: 1 run now" in night.stdout, night.stdout
    folders = list(result_folders(out))
    assert len(folders) == 2
    assert "a_b_metal" not in folders
    assert_ledger_equals_folders(out)
    # And back, when the other is taken away; what it left stays.
    (scans / "a_b_metal.ply").unlink()
    night = run_batch_command("scans", "--out", str(out), cwd=tmp_path)
    assert "1 jobs: 0 run now" in night.stdout
    assert "a_b_metal" in result_folders(out)
    assert_ledger_equals_folders(out)


def test_results_do_not_go_among_the_scans(tmp_path: Path) -> None:
    (tmp_path / "scans").mkdir()
    for place, out in (("scans", "scans"), ("scans", "scans/../scans/")):
        run = run_batch_command(place, "--out", out, cwd=tmp_path)
        assert run.returncode == 2
        assert "results do not go among them: name another --out" in run.stderr
    # Else scans that come later would be taken for results and never be found.
    assert os.listdir(tmp_path / "scans") == []


@pytest.mark.slow
def test_results_below_the_scans_are_no_scans(tmp_path: Path) -> None:
    write_checks_only(tmp_path / "scans")
    write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    for run_now in (1, 0):
        run = run_batch_command("scans", "--out", "scans/night", cwd=tmp_path)
        assert f"1 jobs: {run_now} run now" in run.stdout, run.stdout + run.stderr


@pytest.mark.slow
def test_two_batches_on_one_machine_do_not_meet(tmp_path: Path) -> None:
    write_checks_only(tmp_path / "scans")
    write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    with socket.socket() as other:
        # The port that a Dask scheduler takes for its page if nothing is said.
        with contextlib.suppress(OSError):
            other.bind(("127.0.0.1", 8787))
            other.listen()
        run = run_batch_command("scans", "--workers", "1", cwd=tmp_path)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "in use" not in run.stderr
    assert "Warning" not in run.stderr


@pytest.mark.slow
def test_a_scan_that_vanishes_before_its_turn(tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "night"
    write_checks_only(scans)
    # The long ones come first, so that the small one waits for its turn.
    write_scan(scans / "long_metal.ply", seed=1, spacing_mm=1.0)
    write_scan(scans / "short_metal.ply", seed=2, spacing_mm=3.0)
    batch = subprocess.Popen(
        command("scans", "--out", str(out), "--workers", "1"),
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    wait_for(lambda: out.is_dir() and list(out.glob(".long_metal.*")))
    (scans / "short_metal.ply").unlink()
    printed, _ = batch.communicate(timeout=120)
    assert batch.returncode == 0, printed
    assert "short_metal.ply: gone before it was read" in printed
    rows = table(out)
    assert (rows["long_metal"]["status"], rows["short_metal"]["status"]) == ("ok", "skipped")
    assert [row[0] for row in ledger_rows(out)] == ["long_metal", "short_metal"]
    assert list(result_folders(out)) == ["long_metal"]


@pytest.mark.slow
def test_a_scan_that_is_still_growing_is_waited_for(tmp_path: Path) -> None:
    write_checks_only(tmp_path / "scans")
    whole = write_scan(tmp_path / "door_metal.ply", seed=1).read_bytes()
    goal = tmp_path / "scans" / "door_metal.ply"
    goal.write_bytes(whole[:1000])
    batch = subprocess.Popen(
        [sys.executable, "-m", "guidecoat", "batch", "scans", "--settle", "1"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    # Longer than it takes to lie still and be looked at, if it did.
    steps = 30
    for step in range(1, steps + 1):
        time.sleep(0.2)
        with goal.open("ab") as file:
            file.write(whole[1000 + (step - 1) * 4000 : 1000 + step * 4000])
    with goal.open("ab") as file:
        file.write(whole[1000 + steps * 4000 :])
    assert goal.read_bytes() == whole
    printed, _ = batch.communicate(timeout=120)
    assert batch.returncode == 0, printed
    assert "waits   door_metal.ply: still being copied, or held" in printed
    assert "1 jobs: 1 run now, 1 panel out of tolerance" in printed
    assert [row[1] for row in ledger_rows(tmp_path / "scans_guidecoat")] == ["ok"]


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_on_a_terminal_there_is_a_bar(tmp_path: Path) -> None:
    import pty

    write_checks_only(tmp_path / "scans")
    write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    (tmp_path / "scans" / "torn_metal.ply").write_bytes(b"ply\n")
    ours, theirs = pty.openpty()
    batch = subprocess.Popen(
        command("scans", "--workers", "1"),
        cwd=tmp_path,
        stdout=subprocess.DEVNULL,
        stderr=theirs,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "120"},
    )
    os.close(theirs)
    seen = b""
    end = time.monotonic() + 120
    while time.monotonic() < end:
        try:
            block = os.read(ours, 65536)
        except OSError:
            # What reading a terminal says when nobody is at its other end.
            break
        if not block:
            break
        seen += block
    os.close(ours)
    assert batch.wait(timeout=60) == 6
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", seen.decode())
    assert "2/2 jobs" in text
    assert "left, 1 failed" in text
    assert "torn_metal (check): failed: " in text
    assert "door_metal (check): " not in text
