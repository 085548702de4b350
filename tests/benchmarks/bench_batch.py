"""A batch of large scans: two workers over one, what the batch costs, memory over the night.

    python tests/benchmarks/bench_batch.py [--scans 40] [--points 1000000] [--long 200]

*Throughput*: the same scans as bare checks, one after the other in one process, files and all, then
as a batch with one worker and with two. *Memory*: resident memory of the batch and of its worker
over many small scans (`--long`), which shows a leak. `--scans 0` or `--long 0` leaves one
out. Scans and results are made in the temporary folder and taken away: some 8 GB for the standard
size.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil

from guidecoat.formats.ply import write_ply
from guidecoat.synthetic import Dimple, cylinder_panel, scan_panel

ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
BARE = """
import sys, time
from pathlib import Path
from guidecoat.check import check_scan
from guidecoat.export import write_check
from guidecoat.output_folder import result_folder
from guidecoat.settings import load_settings
settings = load_settings("metal")
for path in sorted(Path(sys.argv[1]).glob("*.ply")):
    with result_folder(Path(sys.argv[2]) / path.stem) as folder:
        write_check(check_scan(path, settings), folder)
"""


@dataclass(frozen=True)
class Watched:
    """A finished command: its time, and its memory second by second.

    own_mb : of the command's process; worker_mb : of the largest one below it, 0 without any.
    """

    seconds: float
    own_mb: tuple[float, ...]
    worker_mb: tuple[float, ...]

    @property
    def peak_mb(self) -> float:
        """The most that one process of it took."""
        return max((*self.own_mb, *self.worker_mb), default=0.0)


def write_scans(folder: Path, *, scans: int, points: int) -> None:
    """Panels of one size with a low each; one scan's points are used again, moved and noisier."""
    folder.mkdir(parents=True)
    (folder / "job.toml").write_text('pairs = "off"\n')
    width_mm = 700.0
    length_mm = 1.4 * width_mm
    spacing_mm = float(np.sqrt(width_mm * length_mm / points))
    panel = cylinder_panel(1500.0, length_mm=length_mm, width_mm=width_mm)
    lows = (Dimple((-200.0, 100.0), -1.1, (70.0, 60.0)), Dimple((150.0, -80.0), 0.8, (50.0, 50.0)))
    scan = scan_panel(panel, lows, spacing_mm=spacing_mm, noise_mm=0.03, seed=7)
    names = ("x", "y", "z", "nx", "ny", "nz")
    rows = np.empty(len(scan.points_mm), dtype=[(name, np.float32) for name in names])
    for k, name in enumerate(names[3:]):
        rows[name] = scan.normals[:, k]
    random = np.random.default_rng(11)
    for number in range(scans):
        noise_mm = random.normal(0.0, 0.02, (len(rows), 1))
        moved = scan.points_mm + scan.normals * noise_mm
        for k, name in enumerate(names[:3]):
            rows[name] = moved[:, k]
        write_ply(folder / f"panel{number:03d}_metal.ply", rows)


def watched(command: list[str], cwd: Path) -> Watched:
    """Run a command and look at its memory every second."""
    started = time.perf_counter()
    process = subprocess.Popen(
        command,
        cwd=cwd,
        env={**os.environ, **ONE_THREAD},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    own: list[float] = []
    workers: list[float] = []
    ended = threading.Event()

    def look() -> None:
        while not ended.wait(1.0):
            try:
                top = psutil.Process(process.pid)
                own.append(top.memory_info().rss / 1e6)
                children = top.children(recursive=True)
            except psutil.NoSuchProcess:
                return
            sizes = []
            for child in children:
                with contextlib.suppress(psutil.NoSuchProcess):
                    sizes.append(child.memory_info().rss / 1e6)
            workers.append(max(sizes, default=0.0))

    looker = threading.Thread(target=look)
    looker.start()
    _, said = process.communicate()
    seconds = time.perf_counter() - started
    ended.set()
    looker.join()
    if process.returncode != 0:
        raise SystemExit(f"{' '.join(command)}: left with {process.returncode}\n{said}")
    return Watched(seconds, tuple(own), tuple(workers))


def batch(scans: Path, out: Path, workers: int) -> Watched:
    """A whole batch as a command."""
    command = [sys.executable, "-m", "guidecoat", "batch", str(scans), "--out", str(out)]
    return watched([*command, "--settle", "0", "--workers", str(workers), "--quiet"], scans.parent)


def throughput(folder: Path, *, scans: int, points: int) -> None:
    """Two workers over one, and one worker over the bare checks."""
    write_scans(folder / "scans", scans=scans, points=points)
    bare = watched(
        [sys.executable, "-c", BARE, str(folder / "scans"), str(folder / "bare")], folder
    )
    one, two = (batch(folder / "scans", folder / f"w{n}", n) for n in (1, 2))
    rows = (("bare checks", bare), ("batch, 1 worker", one), ("batch, 2 workers", two))
    print(f"\n{scans} scans of {points / 1e6:g} million points, {os.cpu_count()} cores")
    print(f"{'':<22}{'time, s':>9}{'scans/min':>11}{'over bare':>11}{'peak MB':>9}")
    for name, run in rows:
        print(
            f"{name:<22}{run.seconds:>9.1f}{60 * scans / run.seconds:>11.1f}"
            f"{run.seconds / bare.seconds:>11.2f}{run.peak_mb:>9.0f}"
        )
    print(
        f"two workers over one: {one.seconds / two.seconds:.2f}; "
        f"batch over bare: {one.seconds - bare.seconds:+.1f} s"
    )


def memory_over_time(folder: Path, *, scans: int) -> None:
    """Resident memory of a batch and of its one worker over many scans, by fifths of the night."""
    write_scans(folder / "many", scans=scans, points=15_000)
    run = batch(folder / "many", folder / "long", 1)
    print(f"\nmemory over {scans} scans of 15 thousand points, {run.seconds:.0f} s")
    print("fifth of the night     " + "".join(f"{k + 1:>8}" for k in range(5)))
    for name, sizes_mb in (("worker", run.worker_mb), ("batch", run.own_mb)):
        fifths = np.array_split(np.array(sizes_mb), 5)
        print(f"{name + ', median MB':<23}" + "".join(f"{np.median(f):>8.0f}" for f in fifths))
        print(f"{name + ', largest MB':<23}" + "".join(f"{np.max(f):>8.0f}" for f in fifths))


def main() -> None:
    """Run what was asked for and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=40)
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--long", type=int, default=200)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        if asked.scans:
            throughput(Path(place), scans=asked.scans, points=asked.points)
        if asked.long:
            memory_over_time(Path(place), scans=asked.long)


if __name__ == "__main__":
    main()
