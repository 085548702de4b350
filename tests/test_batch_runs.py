"""Batches run as a user runs them: done once, changed again, and no bad scan stops the night."""

from __future__ import annotations

import json
import math
import os
import resource
import shutil
import signal
import subprocess
import sys
import textwrap
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
    write_door,
    write_scan,
)
from guidecoat import __version__
from guidecoat.batch.places import stamp_of
from guidecoat.batch.task import Task, is_passing, recorded_outcome, run_task
from guidecoat.cli import main
from guidecoat.output_folder import MARKER
from guidecoat.settings import load_settings


@pytest.mark.slow
def test_a_night_then_another(tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "scans_guidecoat"
    write_checks_only(scans)
    write_scan(scans / "12-085" / "door_left_metal.ply", seed=1, depth_mm=1.2)
    write_scan(scans / "12-085" / "door_right_primer.ply", seed=2, depth_mm=0.0)
    write_scan(scans / "車両" / "左 ドア_metal.ply", seed=3)
    write_scan(scans / "12-085" / "odd\nname_metal.ply", seed=4)
    broken = scans / "12-085" / "broken_metal.ply"
    broken.write_bytes(b"ply\nformat ascii 1.0\nelement vertex 3\n")
    night = run_batch_command("scans", cwd=tmp_path)
    assert night.returncode == 6, night.stdout + night.stderr
    assert "5 jobs: 5 run now, 3 panels out of tolerance, 1 to scan again" in night.stdout
    assert "12-085/broken_metal (check): failed: " in night.stderr
    rows = table(out)
    assert rows["12-085/door_left_metal"]["verdict"] == "out"
    assert -1.3 < float(rows["12-085/door_left_metal"]["worst_mm"]) < -1.0
    assert rows["12-085/door_right_primer"]["verdict"] == "in"
    assert rows["12-085/broken_metal"]["status"] == "failed"
    assert rows["12-085/broken_metal"]["reason"]
    assert {"車両/左 ドア_metal", "12-085/odd name_metal"} <= set(rows)
    assert len(result_folders(out)) == 4
    assert_ledger_equals_folders(out)
    written = {path.name: path.stat().st_mtime_ns for path in out.glob("*/summary.json")}

    # The broken one is mended, another is scanned again, a third deleted from the results.
    write_scan(broken, seed=5, depth_mm=0.0)
    write_scan(scans / "12-085" / "door_left_metal.ply", seed=6, depth_mm=0.0)
    shutil.rmtree(out / "12-085_door_right_primer")
    night = run_batch_command("scans", "--workers", "1", cwd=tmp_path)
    assert night.returncode == 0, night.stdout + night.stderr
    assert "5 jobs: 3 run now, 2 panels out of tolerance" in night.stdout
    assert table(out)["12-085/door_left_metal"]["verdict"] == "in"
    assert_ledger_equals_folders(out)
    assert {p.name: p.stat().st_mtime_ns for p in out.glob("車両*/summary.json")}.items() <= (
        written.items()
    )

    # Nothing to do takes no workers; other settings do it all again.
    nothing = run_batch_command("scans", cwd=tmp_path)
    assert "5 jobs: 0 run now" in nothing.stdout
    other = run_batch_command("scans", "--tolerance", "3", "--json", cwd=tmp_path)
    assert other.returncode == 0
    summary = json.loads(other.stdout)
    assert (summary["run_now"], len(summary["jobs"])) == (5, 5)
    assert {job["verdict"] for job in summary["jobs"]} == {"in"}
    assert_ledger_equals_folders(out)

    # A lost ledger is made again from what is in place.
    (out / "ledger.sqlite").unlink()
    (out / "ledger.sqlite-wal").unlink(missing_ok=True)
    again = run_batch_command("scans", "--tolerance", "3", cwd=tmp_path)
    assert "5 jobs: 0 run now" in again.stdout
    assert_ledger_equals_folders(out)
    forced = run_batch_command("scans", "--tolerance", "3", "--again", cwd=tmp_path)
    assert "5 jobs: 5 run now" in forced.stdout


@pytest.mark.slow
def test_passes_and_sides_are_compared_by_themselves(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scans, out = tmp_path / "scans" / "12-085", tmp_path / "night"
    write_door(scans / "door_left_metal.ply", seed=1, depth_mm=1.5)
    write_door(scans / "door_left_filler.ply", seed=2, depth_mm=0.4)
    write_door(scans / "door_right_metal.ply", seed=3, depth_mm=1.5, right=True)
    night = run_batch_command("scans", "--out", str(out), cwd=tmp_path)
    assert night.returncode == 0, night.stdout + night.stderr
    rows = table(out)
    assert {(row["kind"], row["status"]) for row in rows.values()} == {
        ("check", "ok"),
        ("compare", "ok"),
        ("mirror", "ok"),
    }
    assert rows["12-085/door left metal to filler"]["output"] == "12-085_door_left_metal_to_filler"
    assert rows["12-085/door metal left against right"]["verdict"] == "in"
    assert len(result_folders(out)) == 5
    assert_ledger_equals_folders(out)
    assert main(["history", "door left", "--out", str(out), "--json"]) == 0
    metal, filler = json.loads(capsys.readouterr().out)
    assert (metal["stage"], metal["added_less_taken_off_cm3"]) == ("metal", None)
    # Volume of a cosine dimple of radius a and depth d: d a^2 (pi/2 - 2/pi) (computed).
    laid_on_cm3 = 1.1 * 60.0**2 * (math.pi / 2 - 2 / math.pi) / 1000.0
    assert filler["added_less_taken_off_cm3"] == pytest.approx(laid_on_cm3, rel=0.1)


@pytest.mark.slow
def test_time_limit_and_memory_guard_cost_one_job_each(tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "night"
    write_checks_only(scans)
    write_scan(scans / "good_metal.ply", seed=1)
    write_scan(scans / "slow_metal.ply", seed=2)
    write_scan(scans / "hungry_metal.ply", seed=3)
    # Stands in for a scan that never ends and for one that eats all memory.
    (tmp_path / "sitecustomize.py").write_text(
        textwrap.dedent(
            """
            import time

            import guidecoat.batch.task as task

            honest = task.carry_out

            def carry_out(kind, scans, settings, folder):
                if scans[0].name.startswith("slow"):
                    time.sleep(600)
                if scans[0].name.startswith("hungry"):
                    eaten = []
                    while True:
                        eaten.append(bytearray(b"x" * 20_000_000))
                        time.sleep(0.02)
                honest(kind, scans, settings, folder)

            task.carry_out = carry_out
            """
        )
    )
    night = subprocess.run(
        command("scans", "--out", str(out), "--timeout", "12", "--memory", "1.5"),
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )
    assert night.returncode == 6, night.stdout + night.stderr
    rows = table(out)
    assert rows["good_metal"]["status"] == "ok"
    assert rows["slow_metal"]["status"] == "failed"
    assert "took longer than the time limit of 12 s" in rows["slow_metal"]["reason"]
    assert rows["hungry_metal"]["status"] == "failed"
    assert "MB of memory, the limit was 1500 MB" in rows["hungry_metal"]["reason"]
    assert "tried twice" in rows["hungry_metal"]["reason"]
    assert_ledger_equals_folders(out)


@pytest.mark.slow
def test_watch_takes_scans_as_they_come(tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "night"
    write_checks_only(scans)
    write_scan(scans / "first_metal.ply", seed=1)
    printed = tmp_path / "printed.txt"
    with printed.open("w") as file:
        batch = subprocess.Popen(
            command("scans", "--out", str(out), "--watch"),
            cwd=tmp_path,
            stdout=file,
            stderr=subprocess.STDOUT,
        )
    try:
        wait_for(lambda: results_in(out) == 1)
        # A job file that is wrong for a moment does not end the night.
        (scans / "12-085").mkdir()
        (scans / "12-085" / "job.toml").write_text("pairs = ")
        wait_for(lambda: "not a TOML file in UTF-8" in printed.read_text())
        (scans / "12-085" / "job.toml").write_text('pairs = "off"\n')
        write_scan(scans / "12-085" / "second_metal.ply", seed=2)
        wait_for(lambda: results_in(out) == 2)
    finally:
        batch.send_signal(signal.SIGINT)
        batch.wait(timeout=60)
    assert batch.returncode == 130, printed.read_text()
    assert_ledger_equals_folders(out)


def results_in(out: Path) -> int:
    return len(list(out.glob("[!.]*/job.json")))


def test_wrong_output_folders(tmp_path: Path) -> None:
    write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "holiday.jpg").write_text("")
    (tmp_path / "file").write_text("")
    for out, words in (
        ("photos", "the folder holds something that is no batch's (holiday.jpg)"),
        ("file", "a file of this name is in the way"),
        ("file/night", "cannot be made"),
        ("/proc/night", "cannot be made"),
    ):
        run = run_batch_command("scans", "--out", out, cwd=tmp_path)
        assert run.returncode == 2, run.stdout + run.stderr
        assert words in run.stderr
        assert "Traceback" not in run.stderr
    assert os.listdir(tmp_path / "photos") == ["holiday.jpg"]


def test_dry_run_prints_and_writes_nothing(tmp_path: Path) -> None:
    for side in ("left", "right"):
        write_scan(tmp_path / "scans" / f"door_{side}_metal.ply", seed=1)
    run = run_batch_command("scans", "--dry-run", cwd=tmp_path)
    assert run.returncode == 0
    assert "3 jobs: 2 to check, 1 to mirror" in run.stdout
    assert "metal, +-0.5 mm" in run.stdout
    assert os.listdir(tmp_path) == ["scans"]


# ---------------------------------------------------------------- one job, in this process


def task_for(scan: Path, output: Path, **changes: object) -> Task:
    values: dict[str, object] = {
        "job": "door",
        "kind": "check",
        "identity": "me",
        "inputs": (str(scan),),
        "stamps": (stamp_of(str(scan)),),
        "settings": load_settings("metal"),
        "output": str(output),
        "memory_mb": 0.0,
        "timeout_s": 0.0,
        "version": __version__,
        "attempt": 1,
        "topic": "test",
    }
    return Task(**{**values, **changes})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_scan(tmp_path_factory.mktemp("scans") / "door_metal.ply", seed=1)


def test_a_job_leaves_a_whole_result_that_speaks_for_itself(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "door"
    outcome = run_task(task_for(scan, out))
    assert (outcome.status, outcome.verdict, outcome.out_regions) == ("ok", "out", 1)
    assert outcome.worst_mm is not None
    assert outcome.elapsed_s > 0
    found = recorded_outcome(str(out), "me")
    assert found is not None
    assert (found.verdict, found.worst_mm) == (outcome.verdict, outcome.worst_mm)
    assert recorded_outcome(str(out), "another scan") is None
    assert "job.json" in (out / MARKER).read_text("utf-8")
    with (out / "points.ply").open("r+b") as cut:
        cut.truncate(100)
    assert recorded_outcome(str(out), "me") is None


def test_a_scan_that_vanished_is_skipped(tmp_path: Path) -> None:
    outcome = run_task(task_for(tmp_path / "gone.ply", tmp_path / "out", stamps=("1 1",)))
    assert outcome.status == "skipped"
    assert "gone before it was read" in outcome.reason
    assert os.listdir(tmp_path) == []


def test_a_scan_that_changes_meanwhile_is_tried_again(scan: Path, tmp_path: Path) -> None:
    outcome = run_task(task_for(scan, tmp_path / "out", stamps=("1 1",)))
    assert outcome.status == "failed"
    assert "changed while it was worked on" in outcome.reason
    assert is_passing(outcome)
    assert os.listdir(tmp_path) == []
    torn = tmp_path / "torn_metal.ply"
    torn.write_bytes(scan.read_bytes()[:5000])
    outcome = run_task(task_for(torn, tmp_path / "out", stamps=("1 1",)))
    assert is_passing(outcome)
    outcome = run_task(task_for(torn, tmp_path / "out"))
    assert (outcome.status, outcome.rescan, is_passing(outcome)) == ("failed", True, False)


def test_another_version_refuses(scan: Path, tmp_path: Path) -> None:
    outcome = run_task(task_for(scan, tmp_path / "out", version="9.9.9"))
    assert outcome.status == "failed"
    assert "install the same version everywhere" in outcome.reason


def test_a_defect_is_the_jobs_failure(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("oh")

    monkeypatch.setattr("guidecoat.batch.task.carry_out", broken)
    outcome = run_task(task_for(scan, tmp_path / "out"))
    assert outcome.status == "failed"
    assert "a defect of guidecoat stopped this job (ZeroDivisionError: oh)" in outcome.reason
    assert "Traceback" in outcome.detail
    assert not is_passing(outcome)
    assert os.listdir(tmp_path) == []


def test_memory_that_is_not_enough_is_tried_again(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def hungry(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr("guidecoat.batch.task.carry_out", hungry)
    assert is_passing(run_task(task_for(scan, tmp_path / "out")))


def test_somebody_elses_file_in_the_result_is_left_alone(scan: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "note.txt").write_text("mine")
    outcome = run_task(task_for(scan, tmp_path / "out"))
    assert outcome.status == "failed"
    assert "note.txt" in outcome.reason
    assert os.listdir(tmp_path / "out") == ["note.txt"]


def test_full_disk_fails_the_job_and_leaves_nothing(scan: Path, tmp_path: Path) -> None:
    # A limit on the size of files stands in for the disk: the system refuses in the same place.
    code = textwrap.dedent(
        f"""
        import resource, sys
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from pathlib import Path
        from test_batch_runs import task_for
        from guidecoat.batch.task import run_task
        import guidecoat.check, guidecoat.export
        resource.setrlimit(resource.RLIMIT_FSIZE, (20000, resource.RLIM_INFINITY))
        outcome = run_task(task_for(Path({str(scan)!r}), Path({str(tmp_path / "out")!r})))
        print(outcome.status, outcome.reason)
        """
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.startswith("failed "), run.stdout
    assert "the disk is full" in run.stdout
    assert os.listdir(tmp_path) == []
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY


@pytest.mark.slow
def test_no_room_for_the_next_result_stops_and_goes_on_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from guidecoat.batch import BatchOptions, run_batch, shop_settings
    from guidecoat.batch.progress import Silent
    from guidecoat.errors import SettingsError

    write_checks_only(tmp_path / "scans")
    write_scan(tmp_path / "scans" / "door_metal.ply", seed=1)
    out = tmp_path / "night"
    options = BatchOptions(
        place=str(tmp_path / "scans"),
        out=out,
        results=str(out),
        settings_of=shop_settings(None, (), {}),
        settle_s=0.0,
    )
    usage = shutil.disk_usage(tmp_path)._replace(free=1000)
    with monkeypatch.context() as patched:
        patched.setattr("shutil.disk_usage", lambda _: usage)
        with pytest.raises(SettingsError, match=r"the disk is full.*the same command goes on"):
            run_batch(options, Silent())
    assert ledger_rows(out) == []
    assert (out / "index.html").is_file()
    report = run_batch(options, Silent())
    assert (report.worked, report.out_of_tolerance) == (1, 1)
