"""The report of a check."""

from __future__ import annotations

from ..check import CheckResult
from ..doubts.remarks import is_blind_spot
from ..pictures.colours import Scale
from ..preview.sections import Section
from ..settings import resolved
from ..wording.plain import shown
from ..wording.words import (
    blind_spot,
    outside_words,
    scan_file,
    surface_words,
    verdict_words,
)
from . import pieces
from .plan_page import plan_piece
from .scene import deviation_channel, slope_channel
from .section_drawings import sections_piece
from .steps import first_steps, steps_left
from .tables import regions_table
from .views import VERDICT_WORDS, ReportPage, tried, viewed


def check_page(
    result: CheckResult,
    scale: Scale,
    picture: bytes | None,
    *,
    plan_picture: bytes | None = None,
    sections: tuple[Section, ...] = (),
    warnings: tuple[str, ...] = (),
) -> ReportPage:
    """Put the page together.

    Parameters
    ----------
    picture, plan_picture : PNG of the map and of the plan, None where one could not be drawn.
    sections : cuts to show.
    warnings : what went wrong while writing, added to the result's own.

    A part that cannot be drawn costs only itself: the page says so among its warnings.
    """
    tolerance = result.settings.tolerance
    channels = (
        deviation_channel(scale, result.deviation.smooth_mm, name="deviation", label="stands off"),
        slope_channel(result.deviation.cell_slope_mrad, tolerance.slope_mrad),
    )
    view = viewed(result, channels)
    lost = list(view.lost)
    drawn = tried("sections", lambda: sections_piece(sections, tolerance.height_mm), lost)
    name = shown(result.scan.name)
    said = (*result.warnings, *warnings, *lost)
    body = [
        pieces.masthead(
            name,
            f"Panel {result.length_mm:.0f} \u00d7 {result.width_mm:.0f} mm, in "
            f"{result.settings.stage}, tolerance \u00b1{tolerance.height_mm:g} mm",
            result.verdict,
            VERDICT_WORDS[result.verdict],
            _sentence(verdict_words(result)),
        ),
        pieces.warning_link(said),
        "<main>",
        pieces.first_steps(first_steps(result), steps_left(result)),
        view.scene_piece,
        pieces.picture(
            "Map",
            picture,
            f"Map of {name}: the unrolled panel with its highs and lows, listed in the table below",
        ),
        regions_table(result.regions, view.wander_mm),
        plan_piece(result.plan, plan_picture),
        view.light_piece,
        drawn or "",
        _facts(result),
        pieces.remarks(tuple(w for w in said if not is_blind_spot(w)), blind_spot(result)),
        pieces.listing("Cautions", result.cautions),
        pieces.settings_piece(resolved(result.settings)),
        "</main>",
        pieces.foot(scan_file(result.scan), result.scan.sha256),
    ]
    return ReportPage(pieces.page(f"{name}: highs and lows", body, view.data), tuple(lost))


def _facts(result: CheckResult) -> str:
    dropped = ", ".join(f"{n} {reason}" for reason, n in result.points.dropped.items()) or "none"
    units, tolerance = result.scan.units, result.settings.tolerance
    creases = ", ".join(
        f"{c.name} ({c.kind}, {c.length_mm:.0f} mm, {c.source})" for c in result.creases
    )
    rows = (
        ("Panel", f"{result.length_mm:.0f} \u00d7 {result.width_mm:.0f} mm"),
        ("Stage", result.settings.stage),
        ("Tolerance", f"\u00b1{tolerance.height_mm:g} mm, slope {tolerance.slope_mrad:g} mrad"),
        ("Fair surface", surface_words(result)),
        ("Creases", creases or "none"),
        ("Outside", outside_words(result)),
        ("Units", f"{units.value}, by {units.decided_by}"),
        ("Points", f"{len(result.scan.vertices)}"),
        ("Points judged", f"{result.points.judged}"),
        ("Points held", f"{result.points.held}"),
        ("Points dropped", dropped),
    )
    return pieces.facts("Scan facts", rows)


def _sentence(verdict: str) -> str:
    """What follows the verdict's word, as a sentence."""
    rest = verdict.partition(": ")[2]
    return f"{rest[:1].upper()}{rest[1:]}."
