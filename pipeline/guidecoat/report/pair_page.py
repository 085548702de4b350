"""The page of a comparison and of a left against right."""

from __future__ import annotations

from dataclasses import replace

from ..check import CheckResult
from ..compare import Comparison, Track
from ..compare.mirror import MirrorResult
from ..findings.regions import Region
from ..pictures.colours import Scale, scale_for
from ..settings import resolved
from ..wording.compare_words import (
    change_words,
    placing_words,
    plane_words,
    position_words,
    progress_words,
    shape_words,
    stand_words,
    state_words,
)
from ..wording.hanging_words import hanging_words
from ..wording.plain import shown
from ..wording.words import scan_file
from . import pieces
from .plan_page import plan_piece
from .remaining import remaining
from .scene import Channel, deviation_channel, slope_channel
from .steps import first_steps, steps_left
from .tables import PEAK, SIZE, WANDER, WANDER_NOTE, MarkRow, mark_row, marks_table, wander_words
from .views import VERDICT_WORDS, ReportPage, viewed


def comparison_page(
    result: Comparison,
    scale: Scale,
    picture: bytes | None,
    *,
    warnings: tuple[str, ...] = (),
) -> ReportPage:
    """The page as text; every name in it is escaped.

    Parameters
    ----------
    scale : of the change; picture : PNG of its map, None where it could not be drawn.

    A part that cannot be drawn costs only itself: the page says so among its warnings.
    """
    after = remaining(result)
    view = viewed(after, _comparison_channels(result, after, scale))
    first, last = shown(result.before.scan.name), shown(result.after.scan.name)
    said = (*result.warnings, *warnings, *view.lost)
    body = (
        pieces.masthead(
            f"{first} to {last}",
            progress_words(result),
            after.verdict,
            VERDICT_WORDS[after.verdict],
            f"Since {first}: {change_words(result)}.",
        ),
        pieces.warning_link(said),
        "<main>",
        pieces.first_steps(first_steps(after), steps_left(after)),
        view.scene_piece,
        pieces.picture("Change", picture, f"Map of what changed from {first} to {last}"),
        _progress_table(result, {r.region: r.action for r in after.regions}, view.wander_mm),
        plan_piece(after.plan, None),
        view.light_piece,
        pieces.facts("Facts", _comparison_facts(result)),
        pieces.remarks(said),
        pieces.listing("Cautions", after.cautions),
        pieces.settings_piece(resolved(result.settings)),
        "</main>",
        pieces.foot(scan_file(after.scan), after.scan.sha256),
    )
    return ReportPage(pieces.page(f"{first} to {last}: what changed", body, view.data), view.lost)


def _comparison_channels(
    result: Comparison, after: CheckResult, scale: Scale
) -> tuple[Channel, ...]:
    tolerance, now = result.settings.tolerance, after.deviation
    band = scale_for(tolerance.height_mm, after.regions)
    return (
        deviation_channel(band, now.smooth_mm, name="deviation", label="stands off now"),
        deviation_channel(
            scale, result.whole.smooth_mm, name="build", label="put on (+) or taken off (\u2212)"
        ),
        slope_channel(now.cell_slope_mrad, tolerance.slope_mrad),
    )


def _mirror_channels(result: MirrorResult, scale: Scale) -> tuple[Channel, ...]:
    tolerance, own = result.settings.tolerance, result.side.result
    apart, band = result.shape.deviation, scale_for(tolerance.height_mm, own.regions)
    return (
        deviation_channel(scale, apart.smooth_mm, name="difference", label="off the other side"),
        deviation_channel(
            band, own.deviation.smooth_mm, name="deviation", label="off its own fair surface"
        ),
        slope_channel(apart.cell_slope_mrad, tolerance.slope_mrad),
    )


def _comparison_facts(result: Comparison) -> tuple[tuple[str, str], ...]:
    whole = result.whole
    return (
        ("Before", scan_file(result.before.scan)),
        ("After", scan_file(result.after.scan)),
        ("Scans in one frame", placing_words(result)),
        ("Compared area", f"{whole.compared_area_cm2:.0f} cm\u00b2"),
        ("Changed area", f"{whole.changed_area_cm2:.0f} cm\u00b2"),
        ("Greatest build", f"{whole.max_build_mm:.2f} mm"),
        ("Mean build", f"{whole.mean_build_mm:.2f} mm where something was added"),
        ("Least change that shows", f"about {whole.least_mm:.2f} mm"),
    )


def mirror_page(
    result: MirrorResult,
    scale: Scale,
    picture: bytes | None,
    *,
    warnings: tuple[str, ...] = (),
) -> ReportPage:
    """The page as text; every name in it is escaped.

    The panel shown and lit is the side as it was scanned; its first colours are how it differs
    from the other side.

    Parameters
    ----------
    scale : of the difference; picture : PNG of its map, None where it could not be drawn.

    A part that cannot be drawn costs only itself: the page says so among its warnings.
    """
    shape = result.shape
    side = replace(
        result.side.result,
        regions=shape.regions,
        verdict=shape.verdict,
        smallest_visible_mm=shape.smallest_visible_mm,
        plan=None,
    )
    view = viewed(side, _mirror_channels(result, scale))
    name, other = shown(shape.scan.name), shown(result.other_name)
    said = (*result.warnings, *warnings, *view.lost)
    body = (
        pieces.masthead(
            f"{name} against {other}",
            position_words(result),
            shape.verdict,
            VERDICT_WORDS[shape.verdict],
            f"{shape_words(result)}.",
        ),
        pieces.warning_link(said),
        "<main>",
        pieces.first_steps(first_steps(side)),
        view.scene_piece,
        pieces.picture("Difference in shape", picture, f"Map of where {name} differs in shape"),
        _shape_table(side.regions, view.wander_mm),
        view.light_piece,
        pieces.facts("Facts", _mirror_facts(result)),
        pieces.remarks(said),
        pieces.listing("Cautions", shape.cautions),
        pieces.settings_piece(resolved(result.settings)),
        "</main>",
        pieces.foot(scan_file(shape.scan), shape.scan.sha256),
    )
    return ReportPage(pieces.page(f"{name} against {other}", body, view.data), view.lost)


def _mirror_facts(result: MirrorResult) -> tuple[tuple[str, str], ...]:
    found = result.registration
    return (
        ("This side", scan_file(result.shape.scan)),
        ("Other side", shown(result.other_name)),
        ("Position", position_words(result)),
        ("Mirror plane", plane_words(result)),
        *hanging_words(result),
        ("Laid on each other", f"to {found.rms_mm:.3f} mm rms, overlap {found.overlap:.0%}"),
    )


def _progress_table(
    result: Comparison, actions: dict[str, str], wander_mm: dict[str, float]
) -> str:
    if not result.tracks:
        return marks_table("Highs and lows", ("Mark",), (), "None was found in any scan.")
    names = _short(tuple(shown(one.scan.name) for one in result.passes))
    columns = ("Mark", *names, "State", WANDER, "Where", "Do")
    rows = tuple(_track_row(track, actions[track.name], wander_mm) for track in result.tracks)
    note = (
        "Peaks in mm off the one fair surface in every scan; ripple by its slope in mrad. + stands "
        f"proud, \u2212 lies below. {WANDER_NOTE}"
    )
    return marks_table("Highs and lows", columns, rows, note)


def _short(names: tuple[str, ...]) -> tuple[str, ...]:
    """Numbered names of scans of one panel without the words that all of them begin with.

    >>> _short(("door_left_metal", "door_left_filler"))
    ('1: metal', '2: filler')
    """
    words = [name.split("_") for name in names]
    fewest = min(len(one) for one in words) - 1
    alike = next(
        (k for k in range(fewest) if len({one[k] for one in words}) > 1),
        fewest,
    )
    return tuple(f"{k}: {'_'.join(one[alike:])}" for k, one in enumerate(words, start=1))


def _track_row(track: Track, action: str, wander_mm: dict[str, float]) -> MarkRow:
    region = track.last.region or track.place
    stands = (stand_words(stand, track.kind) for stand in track.stands)
    wander = wander_words(wander_mm, track.name)
    cells = (*stands, state_words(track), wander, region.from_edges, action)
    return MarkRow(track.name, track.kind, cells)


def _shape_table(regions: tuple[Region, ...], wander_mm: dict[str, float]) -> str:
    columns = ("Mark", "Verdict", PEAK, SIZE, WANDER, "Where", "What it is")
    rows = tuple(mark_row(region, wander_mm) for region in regions)
    note = (
        "+ where this side stands prouder than the other reflected. U has k = 2. "
        f"{WANDER_NOTE} It is that of this side."
    )
    return marks_table("Differences in shape", columns, rows, note if rows else "None was found.")
