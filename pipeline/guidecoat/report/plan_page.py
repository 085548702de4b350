"""The work plan as a page of the report."""

from __future__ import annotations

from ..workplan import WorkPlan
from .pieces import image
from .plan_sheet import plan_section

_ALT = "How deep filler goes on the unrolled panel: with the highs brought down, and when covering"


def plan_piece(plan: WorkPlan | None, png: bytes | None) -> str:
    """Steps to tick off, the two ways, the taps that save most and when to stop; nothing without
    a plan.
    """
    if plan is None:
        return ""
    picture = ""
    filled = plan.tap.litres > 0.0 or plan.cover.litres > 0.0
    if png is not None and plan.stage != "paint" and filled:
        picture = image("Depth of filler", png, _ALT)
    return (
        '<section class="plan" id="plan">\n<h2>Work plan</h2>\n'
        f"{plan_section(plan, heading=3)}\n{picture}\n</section>"
    )
