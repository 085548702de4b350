"""What to do first, in plain trade words."""

from __future__ import annotations

import math

from ..blind import blind_cause, blind_remedy
from ..check import CheckResult
from ..export.words import signed
from ..regions import Region
from ..workplan import WorkPlan
from .pieces import Step

_MOST_STEPS = 3


def first_steps(result: CheckResult) -> tuple[Step, ...]:
    """The three things to do first: by the plan's order of work, without a plan the worst first."""
    tolerance = result.settings.tolerance
    steps = []
    if result.smallest_visible_mm > tolerance.height_mm:
        steps.append(
            Step(
                blind_remedy(result.blurred_by),
                f"The tolerance of {tolerance.height_mm:g} mm cannot be seen: "
                f"{blind_cause(result.smallest_visible_mm, result.blurred_by)}.",
            )
        )
    found = _planned(result, result.plan) if result.plan else _worst(result)
    steps += found[: _MOST_STEPS - len(steps)]
    return tuple(steps) or (_nothing(result),)


def steps_left(result: CheckResult) -> int:
    """How many steps the plan has beyond those that are shown first."""
    if result.plan is None or not result.regions:
        return 0
    return max(0, len(result.plan.steps) - len(first_steps(result)))


def _planned(result: CheckResult, plan: WorkPlan) -> list[Step]:
    """The plan's first steps on a region, behind what must be known for all of them; what is
    undecided waits until the sure ones are told.
    """
    by_name = {region.region: region for region in result.regions}
    steps = [
        Step(one.what, f"{one.why[:1].upper()}{one.why[1:]}.")
        for one in plan.steps
        if one.group == "measure" and not one.region
    ]
    on_regions = [step for step in plan.steps if step.region in by_name]
    for one in sorted(on_regions, key=lambda step: step.group == "measure"):
        region = by_name[one.region]
        doubt = _doubt(region) if one.group == "measure" else ""
        steps.append(Step(one.what, f"{doubt}{_place(region)}.", region.region))
    return steps


def _worst(result: CheckResult) -> list[Step]:
    steps = []
    standing = [region for region in result.regions if region.verdict != "in"]
    for region in sorted(standing, key=lambda r: (r.verdict != "out", -_over(r, result))):
        doubt = "" if region.verdict == "out" else _doubt(region)
        steps.append(Step(region.action, f"{doubt}{_place(region)}.", region.region))
    return steps


def _doubt(region: Region) -> str:
    """Why a region is undecided, in a sentence; the deed itself names any other reason."""
    return "" if region.doubt else "Too near the limit to be sure. "


def _nothing(result: CheckResult) -> Step:
    ready = result.plan.ready if result.plan else ()
    next_one = "".join(f" Panel {one.words}." for one in ready[:1] if one.state == "yes")
    return Step(
        "nothing on this panel",
        f"No high, low or ripple stands outside tolerance.{next_one} Damage as long as "
        f"{result.surface.batten_mm:.0f} mm or longer would not show in one scan: lay a long "
        "batten on it, or compare the other side.",
    )


def _place(region: Region) -> str:
    where = f", {region.from_edges}" if region.from_edges else ""
    return f"{size_words(region)}{where}"


def _over(region: Region, result: CheckResult) -> float:
    tolerance = result.settings.tolerance
    if region.kind == "ripple":
        return region.max_slope_mrad / tolerance.slope_mrad
    over = abs(region.peak_mm) / tolerance.height_mm
    return over if math.isfinite(over) else 0.0


def size_words(region: Region) -> str:
    """Kind, peak and size of a region."""
    size = f"{region.length_mm:.0f} \u00d7 {region.width_mm:.0f} mm"
    if region.kind == "ripple":
        return f"Ripple, {region.max_slope_mrad:.1f} mrad, over {size}"
    kind = "High" if region.kind == "high" else "Low"
    return f"{kind} of {signed(region.peak_mm)} mm, {size}"
