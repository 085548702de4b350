"""summary.json of a comparison and of a left against right."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import __version__
from ..check import CheckResult
from ..compare import Change, Comparison, Pass
from ..compare.hanging import EdgeHang
from ..compare.mirror import MirrorResult
from ..compare.placing import between_files
from ..registration import Registration
from ..settings import resolved
from ..wording.compare_words import position_words
from ..wording.hanging_words import hanging_words
from ..wording.plain import shown
from .compare_tables import track_rows
from .summary import summary_of

# Four decimals of a turn would move the far end of a panel by a tenth of a millimetre.
_MATRIX_DECIMALS = 12
_SIDE_KEYS = ("input", "units", "outside", "scan", "verdict", "deviation", "regions")


def comparison_summary(result: Comparison, *, warnings: tuple[str, ...] = ()) -> dict[str, Any]:
    """A comparison as plain JSON types; `warnings` are added to the result's own."""
    last = result.after.result
    placed = [
        _registration(found, "T_before_after", between_files(T, p.scan, result.before.scan))
        for p, T, found in zip(
            result.passes[1:], result.T_first[1:], result.registrations, strict=True
        )
    ]
    full = summary_of(last)
    return {
        "guidecoat_version": __version__,
        "command": "compare",
        "verdict": last.verdict,
        "reference": shown(result.reference),
        "registration": placed[-1],
        "registrations": placed,
        "change": _change(result.whole),
        "steps": [_change(step) for step in result.steps],
        "before": _side(result.before),
        "after": _side(result.after),
        "passes": [_side(one) for one in result.passes],
        "progress": [_plain(row) for row in track_rows(result)],
        "surface": full["surface"],
        "tolerance": full["tolerance"],
        "warnings": [shown(w) for w in (*result.warnings, *warnings)],
        "cautions": full["cautions"],
        "settings": resolved(result.settings),
        "timings_s": {k: round(v, 4) for k, v in result.timings_s.items()},
    }


def mirror_summary(result: MirrorResult, *, warnings: tuple[str, ...] = ()) -> dict[str, Any]:
    """A left against right as plain JSON types."""
    full = summary_of(result.shape)
    plane, at = result.plane, result.position
    shape = {k: full["deviation"][k] for k in ("rms_mm", "min_mm", "max_mm", "share_in_tolerance")}
    return {
        "guidecoat_version": __version__,
        "command": "mirror",
        "verdict": result.shape.verdict,
        "plane": {
            "point": None if plane is None else _numbers(plane.point),
            "normal": None if plane is None else _numbers(plane.normal, 9),
            "uncertainty_mm": None if plane is None else _number(plane.uncertainty_mm),
            "uncertainty_mrad": None if plane is None else _number(plane.uncertainty_mrad),
            "decided_by": result.plane_decided_by,
        },
        "position": {
            "shift_mm": None if at is None else _numbers(at.shift_mm),
            "turn_mrad": None if at is None else _numbers(at.turn_mrad),
            "sigma_mm": None if at is None else _number(at.sigma_mm),
            "sigma_mrad": None if at is None else _number(at.sigma_mrad),
            "words": position_words(result),
            "edges": [_hang(hang) for hang in result.hung],
            "hanging": {name.lower(): words for name, words in hanging_words(result)},
        },
        "shape": shape,
        "registration": _registration(result.registration, "T_side_other", result.T_side_other),
        "side": _input(result.side),
        "other": _input(result.other),
        "regions": full["regions"],
        "surface": full["surface"],
        "tolerance": full["tolerance"],
        "warnings": [shown(w) for w in (*result.warnings, *warnings)],
        "cautions": full["cautions"],
        "settings": resolved(result.settings),
        "timings_s": {k: round(v, 4) for k, v in result.timings_s.items()},
    }


def _hang(hang: EdgeHang) -> dict[str, Any]:
    return {
        "edge": hang.edge,
        "proud_mm": _number(hang.proud_mm),
        "proud_sigma_mm": _number(hang.proud_sigma_mm),
        "gap_narrower_mm": [_number(value) for value in hang.narrower_mm],
        "gap_sigma_mm": _number(hang.narrower_sigma_mm),
    }


def _registration(found: Registration, name: str, motion: NDArray[np.float64]) -> dict[str, Any]:
    return {
        name: [_numbers(row, _MATRIX_DECIMALS) for row in motion],
        "rms_mm": _number(found.rms_mm),
        "overlap": _number(found.overlap),
        "agreement": _number(found.agreement),
        "slide_mm": _number(found.slide_mm),
        "turn_mrad": _number(found.turn_mrad),
        "weak_directions": [
            {
                "kind": weak.kind,
                "direction": _numbers(weak.direction),
                "uncertainty": _number(weak.uncertainty),
                "unit": "mm" if weak.kind == "slide" else "mrad",
                "held_by": weak.held_by,
            }
            for weak in found.weak_directions
        ],
        "converged": found.converged,
        "starts": [{"origin": s.origin, "score": _number(s.score)} for s in found.starts],
    }


def _change(change: Change) -> dict[str, float | None]:
    return {
        "added_cm3": _number(change.added_cm3),
        "added_uncertainty_cm3": _number(change.added_uncertainty_cm3),
        "removed_cm3": _number(change.removed_cm3),
        "removed_uncertainty_cm3": _number(change.removed_uncertainty_cm3),
        "max_build_mm": _number(change.max_build_mm),
        "mean_build_mm": _number(change.mean_build_mm),
        "changed_area_cm2": _number(change.changed_area_cm2),
        "compared_area_cm2": _number(change.compared_area_cm2),
        "least_change_mm": _number(change.least_mm),
    }


def _side(one: Pass) -> dict[str, Any]:
    full = _of(one.result)
    return {key: full[key] for key in _SIDE_KEYS}


def _input(one: Pass) -> dict[str, Any]:
    full = _of(one.result)
    return {"name": shown(one.scan.name), **{k: full[k] for k in ("input", "units", "scan")}}


def _of(result: CheckResult) -> dict[str, Any]:
    return summary_of(result)


def _plain(row: dict[str, str | float]) -> dict[str, str | float | None]:
    return {k: shown(v) if isinstance(v, str) else _number(v) for k, v in row.items()}


def _numbers(values: NDArray[np.float64], decimals: int = 4) -> list[float]:
    return [round(float(v), decimals) + 0.0 for v in values]


def _number(value: float) -> float | None:
    return round(float(value), 4) + 0.0 if math.isfinite(value) else None
