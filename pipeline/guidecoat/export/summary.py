"""summary.json: a check's result in numbers and names for other programs."""

from __future__ import annotations

import json
import math
import numbers
from pathlib import Path
from typing import Any

import numpy as np

from .. import __version__
from ..check import CheckResult
from ..measuring.deviation import is_judged
from ..settings import resolved
from ..wording.plain import shown
from ..wording.words import scan_file
from .tables import COLUMNS


def summary_of(result: CheckResult, *, warnings: tuple[str, ...] = ()) -> dict[str, Any]:
    """The summary as plain JSON types; numbers to four decimals, None where there is none.

    `warnings` are added to the result's own.
    """
    surface, tolerance = result.surface, result.settings.tolerance
    summary: dict[str, Any] = {
        "guidecoat_version": __version__,
        "command": "check",
        "input": {
            "file": scan_file(result.scan),
            "sha256": result.scan.sha256,
            "points": len(result.scan.vertices),
            "points_judged": result.points.judged,
            "points_held": result.points.held,
            "dropped": dict(result.points.dropped),
        },
        "units": {
            "value": result.scan.units.value,
            "decided_by": result.scan.units.decided_by,
        },
        "outside": {
            "direction": result.chart.outside.tolist(),
            "decided_by": result.chart.outside_decided_by,
        },
        "verdict": result.verdict,
        "scan": {
            "spacing_mm": result.cells.spacing_mm,
            "noise_mm": result.cells.noise_mm,
            "smallest_visible_mm": result.smallest_visible_mm,
            "smallest_visible_by": result.blurred_by,
        },
        "panel": {
            "length_mm": result.length_mm,
            "width_mm": result.width_mm,
            "share_judged": result.share_judged,
            "area_cm2": result.area_cm2,
        },
        "surface": {
            "batten_mm": surface.batten_mm,
            "batten_decided_by": surface.batten_decided_by,
            "order": surface.order,
            "creases": _creases(result),
        },
        "tolerance": {"height_mm": tolerance.height_mm, "slope_mrad": tolerance.slope_mrad},
        "deviation": _deviation(result),
        "regions": [{c: getattr(r, c) for c in COLUMNS} for r in result.regions],
        "warnings": [*result.warnings, *warnings],
        "cautions": list(result.cautions),
        "settings": resolved(result.settings),
        "timings_s": dict(result.timings_s),
    }
    rounded: dict[str, Any] = _rounded(summary)
    return rounded


def write_summary(path: Path, summary: dict[str, Any]) -> None:
    """Write a summary as JSON in UTF-8."""
    text = json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_bytes(text.encode("utf-8", "replace") + b"\n")


def _creases(result: CheckResult) -> list[dict[str, object]]:
    return [
        {
            "name": crease.name,
            "kind": crease.kind,
            "length_mm": crease.length_mm,
            "turn_mrad": crease.turn_mrad,
            "source": crease.source,
        }
        for crease in result.creases
    ]


def _deviation(result: CheckResult) -> dict[str, float]:
    """Over the judged cells, so that thickly scanned places count no more than others."""
    deviation = result.deviation
    judged = is_judged(deviation.cell_status) & np.isfinite(deviation.cell_mm)
    values = deviation.cell_mm[judged]
    if not len(values):
        return dict.fromkeys(("rms_mm", "min_mm", "max_mm", "share_in_tolerance"), math.nan)
    inside = np.abs(values) <= result.settings.tolerance.height_mm
    return {
        "rms_mm": float(np.sqrt(np.mean(values**2))),
        "min_mm": float(values.min()),
        "max_mm": float(values.max()),
        "share_in_tolerance": float(inside.mean()),
    }


def _rounded(value: Any) -> Any:
    """Plain JSON types all the way down; settings keep figures too small for four decimals."""
    if isinstance(value, dict):
        # a stiffness of 1e-6 is a setting, not a length: rounding it would write another run
        return {shown(str(k)): v if k == "settings" else _rounded(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(v) for v in value]
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, numbers.Integral):
        return int(value)
    number = float(value)
    return round(number, 4) + 0.0 if math.isfinite(number) else None
