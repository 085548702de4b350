"""What the work plan of a door adds to its check.

    python tests/benchmarks/bench_workplan.py [--spacing-mm 0.4]

At 0.4 mm the door is about 5 million points.
"""

from __future__ import annotations

import argparse
import time

from guidecoat.check import check
from guidecoat.settings import load_settings
from guidecoat.synthetic import Dimple, LongDent, crowned_door, scan_panel, to_scan

MARKS = (
    Dimple((-330.0, -130.0), -1.4, (95.0, 60.0), angle_rad=0.5),
    Dimple((-60.0, -190.0), 0.9, (50.0, 50.0)),
    Dimple((120.0, 150.0), 1.6, (60.0, 60.0)),
    Dimple((330.0, 100.0), 0.8, (45.0, 45.0)),
    Dimple((-350.0, 180.0), 1.1, (55.0, 40.0)),
    Dimple((210.0, -60.0), -0.8, (30.0, 30.0)),
    LongDent((330.0, -210.0), -0.9, 190.0, 55.0, angle_rad=0.15),
)


def main() -> None:
    """Print the seconds of each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spacing-mm", type=float, default=0.4)
    options = parser.parse_args()
    small = to_scan(
        scan_panel(
            crowned_door(length_mm=400.0, width_mm=300.0), spacing_mm=3.0, noise_mm=0.05, seed=0
        )
    )
    check(small, load_settings("metal"))  # imports, not timed
    scan = to_scan(
        scan_panel(crowned_door(), MARKS, spacing_mm=options.spacing_mm, noise_mm=0.05, seed=1)
    )
    began = time.perf_counter()
    result = check(scan, load_settings("metal"))
    checked = time.perf_counter() - began
    plan = result.plan
    assert plan is not None
    planned, fitted = result.timings_s["work plan"], result.timings_s["fair surface"]
    print(f"points {len(scan.points_mm)}, cells {result.cells.grid.shape}, {len(plan.taps)} highs")
    print(f"check {checked:.2f} s, of which fair surface {fitted:.2f} s")
    print(f"plan  {planned:.2f} s, {100.0 * planned / fitted:.0f} % of it")


if __name__ == "__main__":
    main()
