"""The work plan as a page of the report."""

from __future__ import annotations

import base64

from ..export.plan_sheet import plan_section
from ..workplan import WorkPlan

_ALT = "How deep filler goes on the unrolled panel: with the highs brought down, and when covering"


def plan_piece(plan: WorkPlan | None, png: bytes | None) -> str:
    """Steps to tick off, the two ways, the taps that save most and when to stop; nothing without
    a plan.
    """
    if plan is None:
        return ""
    image = ""
    filled = plan.tap.litres > 0.0 or plan.cover.litres > 0.0
    if png is not None and plan.stage != "paint" and filled:
        data = base64.b64encode(png).decode("ascii")
        image = (
            '<div class="map" tabindex="0" role="group" aria-label="Depth of filler, slides '
            f'sideways on a small screen"><img alt="{_ALT}" src="data:image/png;base64,{data}">'
            "</div>"
        )
    return (
        '<section class="plan" id="plan">\n<h2>Work plan</h2>\n'
        f"{plan_section(plan, heading=3)}\n{image}\n</section>"
    )
