"""How fast and how good a check is, as tables.

    python tests/benchmarks/bench_check.py                 everything (about an hour on two cores)
    python tests/benchmarks/bench_check.py --quick         the same tables, small
    python tests/benchmarks/bench_check.py --part speed    speed, cold, peers, sound, marks,
                                                           noisy, ripple, coverage; repeat it

Speed: the whole command runs in a process of its own, whose peak memory and time are measured;
open3d reads and writes the same cloud in the same run. Good: against the known form and marks.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from guidecoat.check import CheckResult
from guidecoat.errors import GuidecoatError
from guidecoat.formats.ply import write_ply_chunks
from guidecoat.synthetic import (
    Dimple,
    Panel,
    Ripple,
    SyntheticScan,
    bonnet,
    crowned_door,
    cylinder_panel,
    distance_to_form_mm,
    flat_panel,
    hull_panel,
    real_door,
    scan_panel,
    sphere_panel,
    to_scan,
    torus_panel,
    total_displacement_mm,
    wing,
)
from truth_fixture import (
    TOLERANCE_MM,
    Found,
    checked,
    fair_at_cells,
    form_error,
    marks_found,
    nearest_st,
    place_of,
    planted,
    settings,
)

Floats = NDArray[np.float64]

PANELS: dict[str, Panel] = {
    "flat": flat_panel(),
    "sphere": sphere_panel(900.0),
    "cylinder": cylinder_panel(500.0),
    "torus": torus_panel(900.0, 400.0),
    "hull": hull_panel(),
    "door": crowned_door(),
    "creased door": crowned_door(crease=True, handle=True),
    "wing": wing(),
    "bonnet": bonnet(),
    "real door": real_door(),
}
SPEED_PANEL = crowned_door(crease=True, handle=True)


# --- speed --------------------------------------------------------------------------------------


def write_cloud(path: Path, points: float, noise_mm: float = 0.05) -> int:
    """A creased door with marks as a binary float32 PLY; returns how many points it has."""
    s0, s1, t0, t1 = SPEED_PANEL.extent_mm
    spacing = float(np.sqrt((s1 - s0) * (t1 - t0) / points))
    marks = planted(SPEED_PANEL, seed=1, count=6)
    scan = to_scan(scan_panel(SPEED_PANEL, marks, spacing_mm=spacing, noise_mm=noise_mm, seed=1))
    write_ply_chunks(path, scan.vertices.dtype, len(scan.vertices), iter([scan.vertices]))
    return len(scan.vertices)


_MEASURED = """
import json, resource, subprocess, sys, time
start = time.perf_counter()
code = subprocess.run({command!r}, capture_output=True).returncode
spent = time.perf_counter() - start
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(json.dumps([code, spent, peak / 1024.0 if sys.platform != "darwin" else peak / 2**20]))
"""

_OPEN3D = """
import sys, time
sys.path[:0] = {path!r}
from guidecoat.open3d_loader import load_open3d
o3d = load_open3d()
start = time.perf_counter()
cloud = o3d.io.read_point_cloud({source!r})
middle = time.perf_counter()
o3d.io.write_point_cloud({target!r}, cloud)
print(middle - start, time.perf_counter() - middle)
"""


def measured(command: Sequence[str]) -> tuple[int, float, float]:
    """Exit code, seconds and peak memory (MB) of a command in a process of its own."""
    script = _MEASURED.format(command=list(command))
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    code, spent, peak = json.loads(done.stdout)
    return int(code), float(spent), float(peak)


def command_of(scan: Path, out: Path) -> list[str]:
    return [
        *(sys.executable, "-m", "guidecoat", "check", str(scan), "--out", str(out)),
        *("--tolerance", str(TOLERANCE_MM), "--units", "mm", "--quiet"),
    ]


def speed(folder: Path, quick: bool) -> None:
    counts = (0.2e6, 1e6) if quick else (1e6, 5e6, 20e6)
    print("\n## How fast (a creased door with a handle opening and six marks, noise 0.05 mm)")
    print("whole: the command, all files written; ratio: over open3d's read plus write, and over")
    print("the command that imports open3d, reads and writes\n")
    for count in counts:
        source = folder / "cloud.ply"
        points = write_cloud(source, count)
        best: tuple[int, float, float] | None = None
        for _ in range(1 if quick else 2):
            run = measured(command_of(source, folder / "out"))
            best = run if best is None or run[1] < best[1] else best
        assert best is not None
        code, spent, peak = best
        script = _OPEN3D.format(
            path=sys.path, source=str(source), target=str(folder / "written.ply")
        )
        theirs, command = np.inf, np.inf
        for _ in range(1 if quick else 2):
            start = time.perf_counter()
            said = subprocess.check_output([sys.executable, "-c", script])
            command = min(command, time.perf_counter() - start)
            theirs = min(theirs, sum(map(float, said.split())))
        print(
            f"{points / 1e6:6.2f} M points  whole {spent:6.1f} s  open3d {theirs:6.2f} s  "
            f"ratio {spent / theirs:6.1f}  as a command {command:6.2f} s  "
            f"ratio {spent / command:6.1f}  peak {peak:6.0f} MB  exit {code}"
        )
        if code == 0:
            summary = json.loads((folder / "out" / "summary.json").read_text("utf-8"))
            steps = summary["timings_s"]
            print("         " + ", ".join(f"{name} {value:.2f}" for name, value in steps.items()))
        shutil.rmtree(folder / "out", ignore_errors=True)


def cold(folder: Path, quick: bool) -> None:
    """A first run, with nothing kept from an earlier one, the next one, and the help."""
    source = folder / "cold.ply"
    points = write_cloud(source, 0.1e6 if quick else 0.3e6)
    # Nothing is compiled; what a run keeps for the next one are the fonts it found.
    environment = {**os.environ, "MPLCONFIGDIR": str(folder / "fonts")}
    print(f"\n## Cold start ({points / 1e6:.1f} M points; no fonts known, then known)\n")
    for name in ("first run", "second run"):
        start = time.perf_counter()
        subprocess.run(
            command_of(source, folder / "out"), env=environment, check=True, capture_output=True
        )
        print(f"{name:12}{time.perf_counter() - start:7.2f} s")
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "guidecoat", "--help"], check=True, capture_output=True)
    print(f"{'--help':12}{time.perf_counter() - start:7.2f} s")


# --- peers --------------------------------------------------------------------------------------


def heights_at(scan: SyntheticScan, result: CheckResult, height: Floats) -> str:
    """Rms and 99th percentile of a peer's surface against the form, over sound metal."""
    uv, _, _ = fair_at_cells(result)
    places = place_of(result, uv, height)
    s, t = nearest_st(scan, places)
    sound = np.abs(total_displacement_mm(scan.defects, s, t)) < 1e-4
    off = np.abs(distance_to_form_mm(scan, places[sound]))
    return f"{np.sqrt(np.mean(off**2)):8.4f}{np.percentile(off, 99):8.4f}"


def peers(_folder: Path, quick: bool) -> None:
    """General surfaces on the same cells: best of the smoothings tried, times of that one fit."""
    from scipy.interpolate import RBFInterpolator, SmoothBivariateSpline

    panel = (
        crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=10.0) if quick else PANELS["door"]
    )
    scan, result = checked(panel, planted(panel, seed=1), seed=1, spacing_mm=1.5 if quick else 0.8)
    uv, _, judged = fair_at_cells(result)
    z = result.cells.height_mm[judged]
    budget = result.timings_s["fair surface"]
    error = form_error(scan, result)
    print(f"\n## Peers on the same {len(z)} cells, door with marks (mm against the true form)\n")
    print(f"{'':34}{'seconds':>8}{'rms':>8}{'p99':>8}")
    print(f"{'fair surface':34}{budget:8.2f}{error.rms_mm:8.4f}{error.p99_mm:8.4f}")
    rng = np.random.default_rng(0)

    def thin_plate(centres: int, smoothing: float) -> Callable[[], Floats]:
        picked = rng.choice(len(z), min(centres, len(z)), replace=False)

        def run() -> Floats:
            fitted = RBFInterpolator(
                uv[picked], z[picked], kernel="thin_plate_spline", smoothing=smoothing
            )
            return np.asarray(fitted(uv))

        return run

    centres = 250
    while 2 * centres < len(z):
        start = time.perf_counter()
        thin_plate(2 * centres, 1e4)()
        if time.perf_counter() - start > budget:
            break
        centres *= 2
    for smoothing in (1e2, 1e4, 1e6):
        report(
            f"thin plate, {centres} centres, {smoothing:g}",
            thin_plate(centres, smoothing),
            scan,
            result,
        )
    # Below the cells' own noise it adds knots for minutes on end.
    for off in (0.03, 0.06, 0.12):
        target = len(z) * off**2

        def bivariate(target: float = target) -> Floats:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # It says so when it cannot reach its target.
                fitted = SmoothBivariateSpline(*uv.T, z, s=target)
            return np.asarray(fitted.ev(*uv.T))

        report(f"SmoothBivariateSpline, s = n {off:g}^2", bivariate, scan, result)


def report(name: str, run: Callable[[], Floats], scan: SyntheticScan, result: CheckResult) -> None:
    start = time.perf_counter()
    try:
        height = run()
    except (ValueError, np.linalg.LinAlgError) as error:
        print(f"{name:34}failed: {error}")
        return
    print(
        f"{name:34}{time.perf_counter() - start:8.2f}{heights_at(scan, result, height)}", flush=True
    )


# --- how good -----------------------------------------------------------------------------------


def chosen_panels(quick: bool) -> dict[str, Panel]:
    return {k: PANELS[k] for k in ("sphere", "wing")} if quick else PANELS


def good(quick: bool, *, marks: bool) -> None:
    """Form and marks over shapes and seeds, or sound panels."""
    spacing = 1.2 if quick else 0.5
    seeds = (1,) if quick else (1, 2, 3)
    title = "Marks from 0.3 to 1.8 mm, 50 to 200 mm across" if marks else "Sound panels"
    print(f"\n## {title} (noise 0.05 mm, spacing {spacing:g} mm, tolerance {TOLERANCE_MM} mm)\n")
    print(
        f"{'panel':14}{'seed':>5}{'rms':>8}{'p99':>8}{'batten':>8}{'verdict':>10}{'found':>8}"
        f"{'peak':>8}{'place':>7}{'volume':>8}{'others':>8}{'judged':>8}"
    )
    every: list[Found] = []
    others = 0
    for name, panel in chosen_panels(quick).items():
        for seed in seeds:
            planned = planted(panel, seed=seed) if marks else ()
            try:
                scan, result = checked(panel, planned, seed=seed, spacing_mm=spacing)
            except GuidecoatError as error:
                print(f"{name:14}{seed:5d}  refused: {error}")
                continue
            found, rest = marks_found(scan, result)
            every += found
            others += len(rest)
            print(line_of(name, seed, scan, result, found, len(rest)), flush=True)
    if every:
        seen = [m for m in every if m.regions]
        print(
            f"\nin all: {len(seen)} of {len(every)} found, {sum(m.good for m in every)} within all "
            f"limits; regions where nothing is: {others}"
        )
        for mark in every:
            if not mark.good:
                print(f"  {mark}")
    else:
        print(f"\nin all: {others} regions where nothing is")


def line_of(
    name: str,
    seed: int,
    scan: SyntheticScan,
    result: CheckResult,
    found: Sequence[Found],
    others: int,
) -> str:
    """One panel's row: errors are the worst of its marks."""
    error = form_error(scan, result)
    seen = [m for m in found if m.regions]
    worst = (
        f"{max(m.peak_mm for m in seen):8.3f}{max(m.position_mm for m in seen):7.1f}"
        f"{100 * max(m.volume_share for m in seen):7.1f}%"
        if seen
        else f"{'-':>8}{'-':>7}{'-':>8}"
    )
    judged = np.isfinite(result.deviation.cell_mm).sum() / result.cells.filled.sum()
    return (
        f"{name:14}{seed:5d}{error.rms_mm:8.4f}{error.p99_mm:8.4f}{result.surface.batten_mm:8.0f}"
        f"{result.verdict:>10}{len(seen):4d}/{len(found):<3d}{worst}{others:8d}{100 * judged:7.0f}%"
    )


def noisy(_folder: Path, quick: bool) -> None:
    print("\n## Form under noise of 0.2 mm (limit 0.04 mm rms)\n")
    for name, panel in chosen_panels(quick).items():
        marks = planted(panel, seed=1, count=3)
        try:
            scan, result = checked(
                panel, marks, seed=1, noise_mm=0.2, spacing_mm=1.2 if quick else 0.5
            )
        except GuidecoatError as error:
            print(f"{name:14} refused: {error}")
            continue
        found, rest = marks_found(scan, result)
        print(line_of(name, 1, scan, result, found, len(rest)), flush=True)


def ripple(_folder: Path, quick: bool) -> None:
    print("\n## Ripple of 0.08 mm at 60 mm (8.38 mrad) at a slope tolerance of 2 mrad\n")
    chosen = settings(tolerance__slope_mrad=2.0)
    for name in ("sphere",) if quick else ("flat", "sphere", "door", "wing"):
        for seed in (1,) if quick else (1, 2, 3):
            wave = Ripple((20.0, -10.0), 0.08, 60.0, 120.0, 0.3 * seed)
            _, result = checked(
                PANELS[name],
                (wave,),
                seed=seed,
                spacing_mm=1.2 if quick else 0.8,
                with_settings=chosen,
            )
            said = ", ".join(
                f"{r.kind} {r.verdict} {r.max_slope_mrad:.2f} mrad" for r in result.regions
            )
            print(f"{name:14}{seed:5d}  {said or 'nothing'}", flush=True)


def coverage(_folder: Path, quick: bool) -> None:
    """Share of true errors of the peak inside the stated U (k = 2), over seeded repeats."""
    panel = sphere_panel(800.0, length_mm=420.0, width_mm=300.0)
    marks = (
        Dimple((-90.0, 20.0), 0.6, (45.0, 35.0), 0.4),
        Dimple((90.0, -30.0), -0.5, (50.0, 50.0)),
    )
    repeats = 10 if quick else 200
    print(f"\n## Stated uncertainty (k = 2) of two marks over {repeats} seeded repeats\n")
    for spacing, noise in ((1.0, 0.05), (1.6, 0.05), (1.6, 0.2)):
        off, stated = [], []
        for seed in range(repeats):
            scan, result = checked(
                panel, marks, seed=seed, spacing_mm=spacing, noise_mm=noise, pose=np.eye(4)
            )
            found, _rest = marks_found(scan, result)
            for mark in found:
                if mark.regions:
                    off.append(mark.regions[0].peak_mm - mark.defect.peak_mm)
                    stated.append(mark.uncertainty_mm)
        inside = np.mean(np.abs(off) <= np.array(stated))
        print(
            f"spacing {spacing:3.1f} mm, noise {noise:4.2f} mm: {100 * inside:5.1f} % of "
            f"{len(off)} within U; error mean {np.mean(off):+.4f}, scatter {np.std(off):.4f}, U "
            f"{np.mean(stated):.4f} mm",
            flush=True,
        )


PARTS: dict[str, Callable[[Path, bool], None]] = {
    "speed": speed,
    "cold": cold,
    "peers": peers,
    "sound": lambda _, quick: good(quick, marks=False),
    "marks": lambda _, quick: good(quick, marks=True),
    "noisy": noisy,
    "ripple": ripple,
    "coverage": coverage,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", action="append", choices=PARTS, help="only this; repeat it")
    parser.add_argument("--quick", action="store_true", help="small scans, few seeds")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for name in asked.part or PARTS:
            PARTS[name](Path(folder), asked.quick)


if __name__ == "__main__":
    main()
