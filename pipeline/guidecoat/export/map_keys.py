"""What stands round the map: title, verdict, facts, the key to colours and lines, the table."""

from __future__ import annotations

from typing import Literal

from .. import __version__
from ..check import CheckResult
from ..regions import Region
from .colours import HELD_GREY, NEUTRAL, NOT_JUDGED_GREY, Scale, band_colours
from .map_layers import creases_shown, reasons_shown
from .map_style import CREASE_STYLE, INK, PALE_INK, PAPER, RIPPLE_HATCH, Sheet
from .map_words import MapWords
from .words import outside_words, shown, signed

TABLE_ROWS = 12
ROW_IN = 0.185
LEFT_IN = 0.4
# column heading and its left end, inches from the page's left margin
_TABLE = (("Mark", 0.0), ("Peak \u00b1 U, mm", 0.6), ("Size, mm", 1.85), ("Where", 2.75))
_ACTION_LEFT = 5.75
_LINE_IN = 0.14
# What to do takes a second line where it is long, for so many rows of the table.
_ONE_LINE, _IN_FULL = 88, 6
LineStyle = Literal["solid", "dashed"] | tuple[float, tuple[float, ...]]


def table_height_in(result: CheckResult) -> float:
    """Room the table wants under the map."""
    rows = min(len(result.regions), TABLE_ROWS) + (len(result.regions) > TABLE_ROWS)
    second = sum(_lines(k, region) - 1 for k, region in enumerate(result.regions[:TABLE_ROWS]))
    return ROW_IN * (rows + 1) + _LINE_IN * second + 0.1 if result.regions else 0.0


def _lines(row: int, region: Region) -> int:
    """Lines of the table that a region takes: what to do is told in full for the first ones."""
    return 2 if row < _IN_FULL and len(region.action) > _ONE_LINE else 1


def draw_title(sheet: Sheet, result: CheckResult, words: MapWords) -> None:
    """Panel name, verdict, and what a reader must know before trusting the map."""
    page = sheet.page
    width = page.width - 2.0 * LEFT_IN
    top = page.height
    name = sheet.shortened(shown(result.scan.name), 15.0, width, bold=True)
    sheet.write(LEFT_IN, top - 0.42, name, 15.0, bold=True)
    verdict = sheet.shortened(words.verdict, 11.0, width, bold=True)
    sheet.write(LEFT_IN, top - 0.68, verdict, 11.0, bold=True)
    for k, text in enumerate(words.notes):
        line = sheet.shortened(text, 8.0, width)
        sheet.write(LEFT_IN, top - 0.89 - 0.165 * k, line, 8.0, colour=INK)


def draw_footer(sheet: Sheet, result: CheckResult) -> None:
    """Version and the scan's hash, so that paper and file stay together."""
    digest = result.scan.sha256[:16] or "unknown"
    text = f"guidecoat {__version__}    stage {result.settings.stage}    scan sha256 {digest}"
    width = 0.5 * (sheet.page.width - 2.0 * LEFT_IN)
    sheet.write(LEFT_IN, 0.16, sheet.shortened(text, 7.0, width), 7.0, colour=PALE_INK)
    right = sheet.page.width - LEFT_IN
    outside = sheet.shortened(outside_words(result), 7.0, width)
    sheet.write(right, 0.16, outside, 7.0, colour=PALE_INK, align="right")


def draw_table(sheet: Sheet, result: CheckResult, words: MapWords) -> None:
    """The first regions: how far, how large, where, what to do."""
    if not result.regions:
        return
    y = sheet.page.table_top - ROW_IN
    for heading, x in (*_TABLE, ("What to do", _ACTION_LEFT)):
        sheet.write(LEFT_IN + x, y, heading, 8.0, bold=True)
    _rule(sheet, y - 0.05)
    room = sheet.page.width - 2.0 * LEFT_IN
    ends = (*(x for _, x in _TABLE[1:]), _ACTION_LEFT, room)
    for row, region in enumerate(result.regions[:TABLE_ROWS]):
        y -= ROW_IN
        name = region.region + ("?" if region.verdict == "undecided" else "")
        peak = f"{signed(region.peak_mm)} \u00b1 {region.uncertainty_mm:.2f}"
        if region.kind == "ripple":
            peak = f"{region.max_slope_mrad:.1f} mrad"
        size = f"{region.length_mm:.0f} \u00d7 {region.width_mm:.0f}"
        lines = sheet.wrapped(shown(region.action), 8.0, room - _ACTION_LEFT - 0.08)
        told = _lines(row, region)
        lines = [*lines[: told - 1], " ".join(lines[told - 1 :])]
        cells = (name, peak, size, shown(region.from_edges), lines[0])
        starts = (*(x for _, x in _TABLE), _ACTION_LEFT)
        for k, (text, start, end) in enumerate(zip(cells, starts, ends, strict=True)):
            fitted = sheet.shortened(text, 8.0, end - start - 0.08, bold=k == 0)
            sheet.write(LEFT_IN + start, y, fitted, 8.0, bold=k == 0)
        for line in lines[1:]:
            y -= _LINE_IN
            fitted = sheet.shortened(line, 8.0, room - _ACTION_LEFT - 0.08)
            sheet.write(LEFT_IN + _ACTION_LEFT, y, fitted, 8.0)
    if len(result.regions) > TABLE_ROWS:
        rest = len(result.regions) - TABLE_ROWS
        sheet.write(LEFT_IN, y - ROW_IN, f"and {rest} more in {words.table}", 8.0, colour=PALE_INK)


def draw_keys(sheet: Sheet, result: CheckResult, scale: Scale, words: MapWords) -> None:
    """The column beside the map, from the top: colours in mm, lines, what is not judged."""
    y = sheet.page.map_bottom + sheet.page.map_height - 0.12
    sheet.write(sheet.page.column_left, y, words.heading, 8.0, bold=True)
    y -= 0.1
    for colour, text, bold in _bands(scale, words):
        y -= 0.19
        _swatch(sheet, y, colour)
        _key_text(sheet, y, text, bold=bold)
    y -= 0.12
    for style, width, text in _line_keys(result, words):
        y -= 0.19
        _line_key(sheet, y, style, width)
        _key_text(sheet, y, text)
    for colour, hatch, text in _area_keys(result):
        y -= 0.19
        _swatch(sheet, y, colour, hatch)
        lines = sheet.wrapped(text, 7.5, sheet.page.column_width - 0.5)[:3]
        for k, line in enumerate(lines):
            y -= 0.13 * (k > 0)
            _key_text(sheet, y, line)
    for sign, text in _sign_keys(result):
        y -= 0.19
        sheet.write(sheet.page.column_left + 0.18, y, sign, 8.0, bold=True, align="center")
        _key_text(sheet, y, text)


def _bands(scale: Scale, words: MapWords) -> list[tuple[str, str, bool]]:
    levels = scale.levels_mm
    n = len(levels)
    decimals = max(len(f"{x:.4f}".rstrip("0").split(".")[1]) for x in levels)
    at = [f"{x:.{decimals}f}" for x in levels]
    highs, lows = band_colours(n, high=True), band_colours(n, high=False)
    rows = [(highs[-1], f"over +{at[-1]}  {words.high}", True)]
    rows += [(highs[k], f"+{at[k]} to +{at[k + 1]}", False) for k in reversed(range(n - 1))]
    rows += [(NEUTRAL, f"\u00b1{at[0]}  {words.middle}", False)]
    rows += [(lows[k], f"\u2212{at[k]} to \u2212{at[k + 1]}", False) for k in range(n - 1)]
    rows += [(lows[-1], f"under \u2212{at[-1]}  {words.low}", True)]
    return rows


def _line_keys(result: CheckResult, words: MapWords) -> list[tuple[LineStyle, float, str]]:
    kinds = {region.kind for region in result.regions}
    rows: list[tuple[LineStyle, float, str]] = []
    if "high" in kinds:
        rows.append(("solid", 1.7, words.high_line))
    if "low" in kinds:
        rows.append(("dashed", 1.7, words.low_line))
    if kinds:
        rows.append(("solid", 0.6, words.whole_line))
    if creases_shown(result):
        rows.append((CREASE_STYLE, 1.1, "crease (body line)"))
    if any(edge.held.any() for edge in result.edges):
        rows.append(("solid", 2.6, "edge held"))
    if any(not edge.held.all() for edge in result.edges):
        rows.append(("solid", 0.8, "edge not held"))
    return rows


def _area_keys(result: CheckResult) -> list[tuple[str, str, str]]:
    rows = [(HELD_GREY, "", "held edge or crease band")]
    if any(region.kind == "ripple" for region in result.regions):
        rows.insert(0, (PAPER, RIPPLE_HATCH, "ripple: slope beyond tolerance"))
    rows += [
        (NOT_JUDGED_GREY, hatch, f"not judged: {shown(reason)}")
        for _, reason, hatch in reasons_shown(result)
    ]
    return rows


def _sign_keys(result: CheckResult) -> list[tuple[str, str]]:
    rows = []
    if any(edge.dings for edge in result.edges):
        rows.append(("\u00d7", "knock in an edge, not held there"))
    if any(region.kind != "ripple" for region in result.regions):
        rows.append(("\u2194", "tape distance to an edge, mm"))
    if any(region.verdict == "undecided" for region in result.regions):
        rows.append(("?", "undecided: the table says why"))
    return rows


def _key_text(sheet: Sheet, y: float, text: str, *, bold: bool = False) -> None:
    fitted = sheet.shortened(text, 7.5, sheet.page.column_width - 0.45, bold=bold)
    sheet.write(sheet.page.column_left + 0.45, y, fitted, 7.5, bold=bold)


def _swatch(sheet: Sheet, y: float, colour: str, hatch: str = "") -> None:
    from matplotlib.patches import Rectangle

    page = sheet.page
    corner = (page.column_left / page.width, (y - 0.03) / page.height)
    sheet.figure.add_artist(
        Rectangle(
            corner,
            0.36 / page.width,
            0.15 / page.height,
            transform=sheet.figure.transFigure,
            facecolor=colour,
            edgecolor=INK,
            linewidth=0.5,
            hatch=hatch or None,
        )
    )


def _line_key(sheet: Sheet, y: float, style: LineStyle, width: float) -> None:
    from matplotlib.lines import Line2D

    page = sheet.page
    ends = [page.column_left / page.width, (page.column_left + 0.36) / page.width]
    height = [(y + 0.04) / page.height] * 2
    sheet.figure.add_artist(
        Line2D(
            ends,
            height,
            transform=sheet.figure.transFigure,
            color=INK,
            linewidth=width,
            linestyle=style,
        )
    )


def _rule(sheet: Sheet, y: float) -> None:
    from matplotlib.lines import Line2D

    page = sheet.page
    ends = [LEFT_IN / page.width, 1.0 - LEFT_IN / page.width]
    sheet.figure.add_artist(
        Line2D(
            ends,
            [y / page.height] * 2,
            transform=sheet.figure.transFigure,
            color=INK,
            linewidth=0.6,
        )
    )
