"""What a job came to, in the few figures that the ledger, the table and the page show."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ..measuring.blind import NOISE, blind_cause, blind_remedy

# Of a scan's points; below this somebody should see why the others were not judged.
LEAST_JUDGED = 0.5
OK, REVIEW, FAILED, SKIPPED = "ok", "review", "failed", "skipped"


@dataclass(frozen=True)
class Outcome:
    """What a job came to; figures are None where there are none.

    status : ok, review (done, a person should look), failed or skipped; worst_mm : signed peak of
    the largest high or low; high_mm, low_mm : the highest and the lowest; added_cm3, removed_cm3 :
    what was added and taken off between two scans; rescan : whether a new scan is the remedy;
    detail : more for whoever looks into a failure.
    """

    status: str
    reason: str = ""
    verdict: str = ""
    out_regions: int | None = None
    worst_mm: float | None = None
    high_mm: float | None = None
    low_mm: float | None = None
    share_in_tolerance: float | None = None
    added_cm3: float | None = None
    removed_cm3: float | None = None
    elapsed_s: float = 0.0
    rescan: bool = False
    detail: str = ""

    @property
    def done(self) -> bool:
        """Whether there is a result."""
        return self.status in (OK, REVIEW)


def failed(reason: str, *, rescan: bool = False, detail: str = "") -> Outcome:
    """A failure with its reason."""
    return Outcome(FAILED, reason, rescan=rescan, detail=detail)


def read_outcome(kind: str, folder: Path) -> Outcome:
    """The outcome of a job from the summary.json in its result folder."""
    summary: dict[str, Any] = json.loads((folder / "summary.json").read_text("utf-8"))
    if kind == "mirror":
        outcome = _of_mirror(summary)
    else:
        outcome = _of_surface(summary.get("after", summary) if kind == "compare" else summary)
    if kind == "compare":
        change = summary.get("change", {})
        outcome = replace(
            outcome, added_cm3=change.get("added_cm3"), removed_cm3=change.get("removed_cm3")
        )
    return _reviewed(outcome, summary)


def _of_surface(summary: dict[str, Any]) -> Outcome:
    deviation = summary.get("deviation", {})
    regions = summary.get("regions", [])
    high, low = _number(deviation.get("max_mm")), _number(deviation.get("min_mm"))
    peaks, high, low = _told_heights(regions, high, low)
    return Outcome(
        OK,
        verdict=str(summary.get("verdict", "")),
        out_regions=sum(region.get("verdict") == "out" for region in regions),
        worst_mm=_largest(peaks) if peaks else _largest([high, low]),
        high_mm=high,
        low_mm=low,
        share_in_tolerance=_number(deviation.get("share_in_tolerance")),
    )


def _of_mirror(summary: dict[str, Any]) -> Outcome:
    shape = summary.get("shape", {})
    high, low = _number(shape.get("max_mm")), _number(shape.get("min_mm"))
    regions = summary.get("regions", [])
    _, high, low = _told_heights(regions, high, low)
    return Outcome(
        OK,
        verdict=str(summary.get("verdict", "")),
        out_regions=sum(region.get("verdict") == "out" for region in regions),
        worst_mm=_largest([high, low]),
        high_mm=high,
        low_mm=low,
        share_in_tolerance=_number(shape.get("share_in_tolerance")),
    )


def _told_heights(
    regions: list[dict[str, Any]], high: float | None, low: float | None
) -> tuple[list[float], float | None, float | None]:
    """Peaks of the regions, the highest and the lowest: a mark has one height wherever it is told,
    that of its row; `high` and `low` where no region tells.
    """
    peaks = [peak for region in regions if (peak := _number(region.get("peak_mm"))) is not None]
    high = max((peak for peak in peaks if peak > 0.0), default=high)
    low = min((peak for peak in peaks if peak < 0.0), default=low)
    return peaks, high, low


def _reviewed(outcome: Outcome, summary: dict[str, Any]) -> Outcome:
    """A result that doubts itself is done, and somebody should look at it."""
    visible = _number(summary.get("scan", {}).get("smallest_visible_mm"))
    tolerance = _number(summary.get("tolerance", {}).get("height_mm"))
    if visible is not None and tolerance is not None and visible > tolerance:
        by = summary["scan"].get("smallest_visible_by", NOISE)
        reason = (
            f"the tolerance of {tolerance:g} mm cannot be seen: {blind_cause(visible, by)}; "
            f"{blind_remedy(by)}"
        )
        return replace(outcome, status=REVIEW, reason=reason, rescan=by == NOISE)
    judged = _number(summary.get("input", {}).get("points_judged"))
    points = _distinct_points(summary.get("input", {}))
    if judged is not None and points and judged < LEAST_JUDGED * points:
        reason = (
            f"only {100 * judged / points:.0f} % of the scan's points could be judged: see its "
            "map for what was left out"
        )
        return replace(outcome, status=REVIEW, reason=reason)
    if outcome.verdict == "undecided":
        reason = (
            "too near the limit for this scan to decide, or not to be told from form: see its page"
        )
        return replace(outcome, status=REVIEW, reason=reason)
    return outcome


def _distinct_points(told: dict[str, Any]) -> float | None:
    """How many of a scan's points repeat no other: those alone are counted as judged."""
    points, repeated = (
        _number(value) for value in (told.get("points"), told.get("dropped", {}).get("repeated", 0))
    )
    return points if points is None or repeated is None else points - repeated


def _largest(values: list[float | None] | list[float]) -> float | None:
    known = [value for value in values if value is not None]
    return max(known, key=abs) if known else None


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    return float(value)
