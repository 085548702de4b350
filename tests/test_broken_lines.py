"""Soft body lines that marks break to pieces: found whole, and the marks read right."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import CheckResult, check
from guidecoat.settings import load_settings
from test_uneven_scans import places, scan_of

Floats = NDArray[np.float64]
# Where (x, y) in mm, how high in mm and how wide in mm along the line and across it.
Bump = tuple[float, float, float, float, float]
LENGTH_MM, WIDTH_MM = 1000.0, 640.0


def hinge(y: Floats, at_mm: Floats, turn: float, round_mm: float) -> Floats:
    """A line that turns by `turn` (rad), its curvature spread as a squared hyperbolic secant."""
    off = y - at_mm
    return np.asarray(turn * (round_mm * np.logaddexp(0.0, off / round_mm) - 0.5 * off))


def bumps(x: Floats, y: Floats, there: Sequence[Bump]) -> Floats:
    return np.sum(
        [
            peak * np.exp(-8.0 * (((x - u) / long) ** 2 + ((y - v) / wide) ** 2))
            for u, v, peak, long, wide in there
        ],
        axis=0,
    )


def looked_at(
    there: Sequence[Bump], *, turn: float, round_mm: float, noise_mm: float, seed: int
) -> CheckResult:
    """A crowned panel with a line at y = 100 mm, and marks."""
    rng = np.random.default_rng(seed)
    x, y = places(rng, LENGTH_MM, WIDTH_MM, 1.1)
    line = hinge(y, 100.0 + 0.03 * x, turn, round_mm)
    z = -(x**2) / 12000.0 - y**2 / 5000.0 + line + bumps(x, y, there)
    scan = scan_of(x, y, z + rng.normal(0.0, noise_mm, len(x)))
    return check(scan, load_settings("filler", (), {}))


def spans_mm(result: CheckResult) -> list[float]:
    """How far each body line reaches from its one end to its other."""
    return [float(np.linalg.norm(c.line_uv[-1] - c.line_uv[0])) for c in result.creases]


OFF_IT = [(270.0, 45.0, -1.6, 120.0, 120.0)]
TWO = [(-180.0, 150.0, 1.5, 90.0, 90.0), (150.0, 75.0, -1.6, 90.0, 90.0)]


@pytest.mark.parametrize(
    ("there", "turn", "round_mm", "noise_mm", "seed"),
    [
        pytest.param(OFF_IT, 0.11, 19.0, 0.04, 2, id="led astray along a rim"),
        pytest.param(OFF_IT, 0.11, 19.0, 0.04, 3, id="led all round"),
        pytest.param(TWO, -0.10, 15.0, 0.075, 1, id="three pieces"),
        pytest.param(TWO, -0.10, 15.0, 0.075, 2, id="three pieces, one astray"),
    ],
)
def test_a_line_that_marks_break_is_found_whole(
    there: list[Bump], turn: float, round_mm: float, noise_mm: float, seed: int
) -> None:
    result = looked_at(there, turn=turn, round_mm=round_mm, noise_mm=noise_mm, seed=seed)
    spans = spans_mm(result)
    assert len(spans) == 1, spans
    assert spans[0] > 0.95 * LENGTH_MM
    told = sorted(r.peak_mm for r in result.regions if r.kind != "ripple")
    assert told == pytest.approx(sorted(peak for _, _, peak, _, _ in there), rel=0.08)


def test_dents_in_a_row_are_no_line() -> None:
    """Their bottoms lie in one line, each as long as a piece of a line may be."""
    row = [(u, 100.0 + 0.03 * u, -1.5, 190.0, 60.0) for u in (-330.0, -110.0, 110.0, 330.0)]
    result = looked_at(row, turn=0.0, round_mm=10.0, noise_mm=0.05, seed=3)
    assert spans_mm(result) == []
    assert len([r for r in result.regions if r.kind == "low"]) == len(row)
