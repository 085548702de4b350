"""Small scans of invented panels, and batches run as a user runs them."""

from __future__ import annotations

import csv
import json
import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from guidecoat.formats.ply import write_ply
from guidecoat.synthetic import Dimple, SyntheticScan, crowned_door, cylinder_panel, scan_panel

RESULT_FILES = {"summary.json", "report.html", "regions.csv", "job.json", "thumbnail.png"}


def write_scan(path: Path, *, seed: int, depth_mm: float = 1.0, spacing_mm: float = 2.0) -> Path:
    """A panel of 300 x 200 mm with one low in its middle (none for 0)."""
    low = (Dimple((0.0, 0.0), -depth_mm, (30.0, 30.0)),) if depth_mm else ()
    panel = cylinder_panel(900.0, length_mm=300.0, width_mm=200.0)
    return put_scan(path, scan_panel(panel, low, spacing_mm=spacing_mm, noise_mm=0.03, seed=seed))


def write_door(path: Path, *, seed: int, depth_mm: float, right: bool = False) -> Path:
    """A door of 700 x 450 mm, which two scans can be laid on each other by, with one low."""
    panel = crowned_door(length_mm=700.0, width_mm=450.0, crown_mm=18.0, crease=True, handle=True)
    low = Dimple((-100.0, -100.0), -depth_mm, (60.0, 60.0))
    scan = scan_panel(panel, (low,), spacing_mm=2.5, noise_mm=0.03, seed=seed)
    return put_scan(path, scan, flip=(-1.0, 1.0, 1.0) if right else (1.0, 1.0, 1.0))


def put_scan(
    path: Path, scan: SyntheticScan, *, flip: tuple[float, float, float] = (1.0, 1.0, 1.0)
) -> Path:
    """Write a scan with its normals, each axis times `flip`."""
    names = ("x", "y", "z", "nx", "ny", "nz")
    rows = np.empty(len(scan.points_mm), dtype=[(name, np.float32) for name in names])
    columns = np.hstack([scan.points_mm * flip, scan.normals * flip])
    for k, name in enumerate(names):
        rows[name] = columns[:, k]
    path.parent.mkdir(parents=True, exist_ok=True)
    write_ply(path, rows)
    return path


def write_checks_only(folder: Path) -> None:
    """A job file that leaves pairs alone, for tests that count checks."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "job.toml").write_text('pairs = "off"\n')


def command(*arguments: str) -> list[str]:
    """The command line of a batch, with scans taken as they are."""
    return [sys.executable, "-m", "guidecoat", "batch", *arguments, "--settle", "0"]


def run_batch_command(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """A batch in a process of its own."""
    return subprocess.run(
        command(*arguments), cwd=cwd, capture_output=True, text=True, timeout=300, check=False
    )


def wait_for(condition: Callable[[], object], seconds: float = 120.0) -> None:
    """Wait until something has happened in another process."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def table(out: Path) -> dict[str, dict[str, str]]:
    """summary.csv by job."""
    with (out / "summary.csv").open(encoding="utf-8", newline="") as file:
        return {row["job"]: row for row in csv.DictReader(file)}


def ledger_rows(out: Path) -> list[tuple[str, str, str, str]]:
    """Job, status, identity and output of every run in the ledger."""
    connection = sqlite3.connect(out / "ledger.sqlite")
    try:
        return connection.execute("SELECT job, status, identity, output FROM runs").fetchall()
    finally:
        connection.close()


def result_folders(out: Path) -> dict[str, str]:
    """Identity by folder of every result that stands there; each has all its files."""
    found = {}
    for folder in sorted(path for path in out.iterdir() if path.is_dir()):
        assert not folder.name.startswith("."), f"{folder.name} was left behind"
        assert set(os.listdir(folder)) >= RESULT_FILES
        found[folder.name] = json.loads((folder / "job.json").read_text("utf-8"))["identity"]
    return found


def assert_ledger_equals_folders(out: Path) -> None:
    """The last run of each job that has a result, and the results there are, are the same."""
    latest = {row[0]: row for row in ledger_rows(out)}
    done = {row[3]: row[2] for row in latest.values() if row[1] in ("ok", "review")}
    assert done == result_folders(out)
