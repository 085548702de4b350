"""What to do first, in plain trade words."""

from __future__ import annotations

from ..check import CheckResult
from ..export.words import signed
from ..regions import Region
from .pieces import Step

_MOST_STEPS = 3


def first_steps(result: CheckResult) -> tuple[Step, ...]:
    """The three things to do first, the worst first."""
    tolerance = result.settings.tolerance
    if result.smallest_visible_mm > tolerance.height_mm:
        blind = Step(
            "scan it again, closer or with less noise",
            f"This scan tells nothing under {result.smallest_visible_mm:.2f} mm from noise; the "
            f"tolerance is {tolerance.height_mm:g} mm.",
        )
        steps = [blind]
    else:
        steps = []
    ranked = sorted(result.regions, key=lambda r: (r.verdict != "out", -_over(r, result)))
    for region in ranked[: _MOST_STEPS - len(steps)]:
        doubt = "" if region.verdict == "out" else "Too near the limit to be sure. "
        where = f", {region.from_edges}" if region.from_edges else ""
        steps.append(Step(region.action, f"{doubt}{size_words(region)}{where}.", region.region))
    if not steps:
        steps = [
            Step(
                "nothing on this panel",
                "No high, low or ripple stands outside tolerance. Damage as long as "
                f"{result.surface.batten_mm:.0f} mm or longer would not show in one scan: lay a "
                "long batten on it, or compare the other side.",
            )
        ]
    return tuple(steps)


def _over(region: Region, result: CheckResult) -> float:
    tolerance = result.settings.tolerance
    if region.kind == "ripple":
        return region.max_slope_mrad / tolerance.slope_mrad
    return abs(region.peak_mm) / tolerance.height_mm


def size_words(region: Region) -> str:
    """Kind, peak and size of a region."""
    size = f"{region.length_mm:.0f} \u00d7 {region.width_mm:.0f} mm"
    if region.kind == "ripple":
        return f"Ripple, {region.max_slope_mrad:.1f} mrad, over {size}"
    kind = "High" if region.kind == "high" else "Low"
    return f"{kind} of {signed(region.peak_mm)} mm, {size}"
