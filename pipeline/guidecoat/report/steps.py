"""What to do first, in plain trade words."""

from __future__ import annotations

import math

from ..check import CheckResult
from ..findings.regions import Region
from ..measuring.blind import blind_cause, blind_remedy
from ..wording.words import signed
from ..workplan import WorkPlan
from .pieces import Step

_MOST_STEPS = 3
# So many undecided marks are told in one step, so many of them by name (choice).
_MANY, _MOST_NAMED = 2, 6


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
    """The plan's steps on regions in its order, behind what must be known for all of them; several
    undecided ones are one step, which comes first: filler covers what nobody made sure of.
    """
    by_name = {region.region: region for region in result.regions}
    known = [
        Step(one.what, f"{one.why[:1].upper()}{one.why[1:]}.")
        for one in plan.steps
        if one.group == "measure" and not one.region
    ]
    unsure: list[Step] = []
    sure: list[Step] = []
    for one in plan.steps:
        if one.region not in by_name:
            continue
        region, measure = by_name[one.region], one.group == "measure"
        doubt = _doubt(region) if measure else ""
        step = Step(one.what, f"{doubt}{_place(region)}.", region.region)
        (unsure if measure else sure).append(step)
    return [*known, *(unsure if len(unsure) < _MANY else [_make_sure(unsure)]), *sure]


def _make_sure(steps: list[Step]) -> Step:
    names = [step.mark for step in steps]
    told = names if len(names) <= _MOST_NAMED else names[: _MOST_NAMED - 1]
    more = f" and {len(names) - len(told)} more" if len(told) < len(names) else ""
    return Step(
        f"make sure what {', '.join(told)}{more} are",
        "They are undecided; the table tells why, and what to do about each if it is damage.",
    )


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
