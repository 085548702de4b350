"""A check's result in plain words, the same in the picture, the page and the summary."""

from __future__ import annotations

import math

from ..check import CheckResult
from ..measuring.blind import SURFACE
from ..preview.sections import ACROSS, ALONG, PICKED
from ..scans.scan import Scan
from .plain import shown

SECTION_ENDS = {
    ACROSS: ("the map's bottom", "the map's top"),
    ALONG: ("the map's left", "the map's right"),
    PICKED: ("the first point", "the second point"),
}
"""Where a section starts and where it ends, by its kind."""

# Bands along edges alone take a fifth of a small panel; with less judged the verdict says so.
_MOSTLY_JUDGED = 0.8


def scan_file(scan: Scan) -> str:
    """The scan's file name without its folder."""
    return shown(scan.path.name if scan.path is not None else scan.name)


def signed(value_mm: float) -> str:
    """A peak as people write it, with its sign and two decimals: "+0.84"."""
    return f"{value_mm:+.2f}".replace("-", "\u2212") if math.isfinite(value_mm) else "?"


def verdict_words(result: CheckResult) -> str:
    """The verdict in one line."""
    tolerance = result.settings.tolerance
    band = f"the tolerance of \u00b1{tolerance.height_mm:g} mm and {tolerance.slope_mrad:g} mrad"
    if result.verdict == "in":
        share = result.share_judged
        where = f" on the {100 * share:.0f} % that was judged" if share < _MOSTLY_JUDGED else ""
        return (
            f"In tolerance{where}: no high or low is over \u00b1{tolerance.height_mm:g} mm, "
            f"no ripple over {tolerance.slope_mrad:g} mrad"
        )
    if result.verdict == "out":
        doubtful = sum(r.verdict != "out" for r in result.regions)
        counted = _counted(result, "out") or "points"
        more = f"; {doubtful} more undecided" if doubtful else ""
        return f"Out of tolerance: {counted} outside {band}{more}"
    counted = _counted(result, "undecided")
    if not counted:
        why = "see the warnings"
    elif any(region.doubt for region in result.regions):
        why = f"{counted} that one scan cannot tell from form or is not sure of"
    else:
        why = f"{counted} too near the limit for this scan's noise"
    return f"Undecided against {band}: {why}"


def blind_spot(result: CheckResult) -> str:
    """What the result cannot show, with the number and the ways round it."""
    if result.surface.against:
        return "What is wrong with that panel shows here too, with its sign turned."
    return (
        f"Not visible in one scan: damage {result.surface.batten_mm:.0f} mm long or longer looks "
        "like form. Ways round it: hold more points, compare the other side, an earlier scan or a "
        "sound donor."
    )


def surface_words(result: CheckResult) -> str:
    """How the fair surface was laid and how well the scan sees."""
    surface = result.surface
    laid = f"Batten {surface.batten_mm:.0f} mm: {surface.batten_decided_by}."
    if surface.against:
        laid = f"Measured against {surface.against}."
    share = ", most of it the fair surface's own doubt" if result.blurred_by == SURFACE else ""
    return (
        f"The smallest high or low this scan can show is {result.smallest_visible_mm:.2f} mm "
        f"(noise {result.cells.noise_mm:.3f} mm, a point every {result.cells.spacing_mm:.2f} mm"
        f"{share}). {laid}"
    )


def outside_words(result: CheckResult) -> str:
    """Which way is out, and who said so; the chart's up is nobody's but its own."""
    x, y, z = result.chart.outside
    by = result.chart.outside_decided_by
    named = f"({x + 0.0:+.2f}, {y + 0.0:+.2f}, {z + 0.0:+.2f})"
    said = f"Outside is {named} in the scan" + (f", by {by}." if by else ".")
    return f"Seen from outside; which way is up on the vehicle is not known. {said}"


def _counted(result: CheckResult, verdict: str) -> str:
    words = []
    for kind, many in (("high", "highs"), ("low", "lows"), ("ripple", "ripples")):
        n = sum(r.kind == kind and r.verdict == verdict for r in result.regions)
        if n:
            words.append(f"{n} {kind if n == 1 else many}")
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)
