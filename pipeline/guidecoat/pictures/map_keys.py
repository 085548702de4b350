"""What stands round the map: title, verdict, facts, the key to colours and lines, the table."""

from __future__ import annotations

from typing import Literal

from .. import __version__
from ..check import CheckResult
from ..findings.regions import Region
from ..wording.map_words import MapWords
from ..wording.plain import shown
from ..wording.words import outside_words, signed
from .colours import HELD_GREY, NEUTRAL, NOT_JUDGED_GREY, Scale, band_colours
from .map_labels import MEASURED, placed_marks
from .map_layers import creases_shown, left_out, reasons_shown
from .map_style import (
    CREASE_STYLE,
    INK,
    LEFT_OUT_HATCH,
    LEFT_STYLE,
    LEFT_WIDTH,
    OUTLINE_STYLES,
    PALE_INK,
    PAPER,
    RIPPLE_HATCH,
    SURE_WIDTH,
    UNSURE_WIDTH,
    Sheet,
    TextSize,
    wrapped,
)

TABLE_ROWS = 12
ROW_IN = 0.185
LEFT_IN = 0.4
# column heading and its left end, inches from the page's left margin
_TABLE = (
    ("Mark", 0.0),
    ("Peak \u00b1 U, mm", 0.6),
    ("Size, mm", 1.85),
    ("Where", 2.75),
    ("What to do", 5.75),
)
_LINE_IN, _KEY_LINE_IN = 0.14, 0.13
_KEYS_HEAD_IN, _KEY_ROW_IN = 0.34, 0.19  # heading and gaps of the keys; a key
PAGE_WIDTH_IN = 11.69  # A4 on its side
_WIDTH_IN = PAGE_WIDTH_IN - 2.0 * LEFT_IN
_TITLE_IN, _VERDICT_IN, _NOTE_IN = 1.2, 0.2, 0.165
LineStyle = Literal["solid", "dashed", "dotted"] | tuple[float, tuple[float, ...]]


def table_height_in(text_size: TextSize, result: CheckResult) -> float:
    """Room the table wants under the map."""
    rows = min(len(result.regions), TABLE_ROWS) + (len(result.regions) > TABLE_ROWS)
    told = [_row(text_size, region) for region in result.regions[:TABLE_ROWS]]
    more = sum(_lines(cells) - 1 for cells in told)
    return ROW_IN * (rows + 1) + _LINE_IN * more + 0.1 if result.regions else 0.0


def title_height_in(text_size: TextSize, words: MapWords) -> float:
    """Room the title wants over the map."""
    verdict, notes = _title(text_size, words)
    return _TITLE_IN + _VERDICT_IN * (len(verdict) - 1) + _NOTE_IN * (len(notes) - 2)


def _title(text_size: TextSize, words: MapWords) -> tuple[list[str], list[str]]:
    """Lines of the verdict and of the notes, none of them cut."""
    verdict = wrapped(text_size, words.verdict, 11.0, _WIDTH_IN, bold=True)
    return verdict, [
        line for note in words.notes for line in wrapped(text_size, note, 8.0, _WIDTH_IN)
    ]


def draw_title(sheet: Sheet, result: CheckResult, words: MapWords) -> None:
    """Panel name, verdict, and what a reader must know before trusting the map."""
    verdict, notes = _title(sheet.text_size, words)
    y = sheet.page.height - 0.42
    name = sheet.shortened(shown(result.scan.name), 15.0, _WIDTH_IN, bold=True)
    sheet.write(LEFT_IN, y, name, 15.0, bold=True)
    y -= 0.26
    for k, line in enumerate(verdict):
        sheet.write(LEFT_IN, y - _VERDICT_IN * k, line, 11.0, bold=True)
    y -= _VERDICT_IN * (len(verdict) - 1) + 0.21
    for k, line in enumerate(notes):
        sheet.write(LEFT_IN, y - _NOTE_IN * k, line, 8.0, colour=INK)


def draw_footer(sheet: Sheet, result: CheckResult) -> None:
    """Version and the scan's hash, so that paper and file stay together."""
    digest = result.scan.sha256[:16] or "unknown"
    text = f"guidecoat {__version__}    stage {result.settings.stage}    scan sha256 {digest}"
    sheet.write(LEFT_IN, 0.16, sheet.shortened(text, 7.0, 0.45 * _WIDTH_IN), 7.0, colour=PALE_INK)
    right = sheet.page.width - LEFT_IN
    lines = sheet.wrapped(outside_words(result), 7.0, 0.52 * _WIDTH_IN)
    for k, line in enumerate(reversed(lines)):
        sheet.write(right, 0.16 + 0.12 * k, line, 7.0, colour=PALE_INK, align="right")


def draw_table(sheet: Sheet, result: CheckResult, words: MapWords) -> None:
    """The first regions: how far, how large, where, what to do."""
    if not result.regions:
        return
    y = sheet.page.table_top - ROW_IN
    for heading, x in (*_TABLE[:-1], (words.told, _TABLE[-1][1])):
        sheet.write(LEFT_IN + x, y, heading, 8.0, bold=True)
    _rule(sheet, y - 0.05)
    for region in result.regions[:TABLE_ROWS]:
        y -= ROW_IN
        cells = _row(sheet.text_size, region)
        for column, ((_, start), lines) in enumerate(zip(_TABLE, cells, strict=True)):
            for k, line in enumerate(lines):
                at = y - _LINE_IN * k
                sheet.write(LEFT_IN + start, at, line, 8.0, bold=column == 0)
        y -= _LINE_IN * (_lines(cells) - 1)
    if len(result.regions) > TABLE_ROWS:
        rest = len(result.regions) - TABLE_ROWS
        sheet.write(LEFT_IN, y - ROW_IN, f"and {rest} more in {words.table}", 8.0, colour=PALE_INK)


def _row(text_size: TextSize, region: Region) -> tuple[list[str], ...]:
    """Lines of each cell of a region's row: nothing of what to do and where is left out."""
    name = region.region + ("?" if region.verdict == "undecided" else "")
    peak = f"{signed(region.peak_mm)} \u00b1 {region.uncertainty_mm:.2f}"
    if region.kind == "ripple":
        peak = f"{region.max_slope_mrad:.1f} mrad, {peak} mm"
    size = f"{region.length_mm:.0f} \u00d7 {region.width_mm:.0f}"
    texts = (name, peak, size, shown(region.from_edges), shown(region.action))
    starts = [x for _, x in _TABLE]
    return tuple(
        wrapped(text_size, text, 8.0, end - start - 0.08, bold=start == 0.0)
        for text, start, end in zip(texts, starts, [*starts[1:], _WIDTH_IN], strict=True)
    )


def _lines(cells: tuple[list[str], ...]) -> int:
    return max(1, *(len(lines) for lines in cells))


def keys_height_in(
    text_size: TextSize, result: CheckResult, scale: Scale, words: MapWords, *, column_width: float
) -> float:
    """Room the column beside the map wants, inches, as `draw_keys` fills it."""
    lines = sum(len(_key_wrapped(text_size, text, column_width)) for text in _texts(result, words))
    rows = len(_texts(result, words))
    bands = len(_bands(scale, words))
    return _KEYS_HEAD_IN + _KEY_ROW_IN * (bands + rows + 1) + _KEY_LINE_IN * (lines - rows)


def _texts(result: CheckResult, words: MapWords) -> list[str]:
    return [
        *(text for _, _, text in _line_keys(result, words)),
        *(text for _, _, text in _area_keys(result, words)),
        *(text for _, text in _sign_keys(result)),
    ]


def draw_keys(sheet: Sheet, result: CheckResult, scale: Scale, words: MapWords) -> None:
    """The column beside the map, from the top: colours in mm, lines, what is not judged."""
    y = sheet.page.map_bottom + sheet.page.map_height - 0.12
    sheet.write(sheet.page.column_left, y, words.heading, 8.0, bold=True)
    y -= 0.1
    for colour, text, bold in _bands(scale, words):
        y -= _KEY_ROW_IN
        _swatch(sheet, y, colour)
        _key_text(sheet, y, text, bold=bold)
    y -= 0.12
    for style, width, text in _line_keys(result, words):
        y -= _KEY_ROW_IN
        _line_key(sheet, y, style, width)
        y = _key_lines(sheet, y, text)
    for colour, hatch, text in _area_keys(result, words):
        y -= _KEY_ROW_IN
        _swatch(sheet, y, colour, hatch)
        y = _key_lines(sheet, y, text)
    for sign, text in _sign_keys(result):
        y -= _KEY_ROW_IN
        sheet.write(sheet.page.column_left + 0.18, y, sign, 8.0, bold=True, align="center")
        y = _key_lines(sheet, y, text)


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
    kinds = {(region.kind, region.verdict == "out") for region in result.regions}
    said = (
        ("high", True, words.high_line),
        ("high", False, f"{words.high}, undecided"),
        ("low", True, words.low_line),
        ("low", False, f"{words.low}, undecided"),
    )
    rows: list[tuple[LineStyle, float, str]] = [
        (OUTLINE_STYLES[kind], SURE_WIDTH if sure else UNSURE_WIDTH, text)
        for kind, sure, text in said
        if (kind, sure) in kinds
    ]
    if kinds:
        rows.append(("solid", 0.6, words.whole_line))
    if words.left:
        rows.append((LEFT_STYLE, LEFT_WIDTH, words.left_line))
    if creases_shown(result):
        broad = any(crease.shoulder for crease in result.creases)
        rows.append((CREASE_STYLE, 1.1, f"crease (body line{', shoulder' * broad})"))
    if any(edge.held.any() for edge in result.edges):
        rows.append(("solid", 2.6, "edge held"))
    if any(not edge.held.all() for edge in result.edges):
        rows.append(("solid", 0.8, "edge not held"))
    return rows


def _area_keys(result: CheckResult, words: MapWords) -> list[tuple[str, str, str]]:
    rows = [(HELD_GREY, "", "held edge or crease band")]
    ripples = {region.verdict for region in result.regions if region.kind == "ripple"}
    if ripples:
        may = "beyond tolerance" if "out" in ripples else "undecided"
        rows.insert(0, (PAPER, RIPPLE_HATCH, f"ripple: slope {may}"))
    rows += [
        (NOT_JUDGED_GREY, hatch, f"not judged: {shown(reason)}")
        for _, reason, hatch in reasons_shown(result)
    ]
    if left_out(result).any():
        rows.append((NOT_JUDGED_GREY, LEFT_OUT_HATCH, words.left_out))
    return rows


def _sign_keys(result: CheckResult) -> list[tuple[str, str]]:
    rows = []
    if any(edge.dings for edge in result.edges):
        rows.append(("\u00d7", "knock in an edge, not held there"))
    placed = placed_marks(result)
    if placed:
        largest = f" of the {MEASURED} largest marks" if len(placed) > MEASURED else ""
        rows.append(("\u2194", f"tape distance to an edge, mm{largest}"))
    kinds = {edge.kind for edge in result.edges}
    if "opening" in kinds:
        rows.append(("O1", "edge of an opening"))
    if kinds & {"sharp", "step"}:
        rows.append(("S1", "body line or step that parts the panel"))
    if any(region.verdict == "undecided" for region in result.regions):
        rows.append(("?", "undecided, perhaps in tolerance or form: the table says why"))
    return rows


def _key_wrapped(text_size: TextSize, text: str, column_width: float) -> list[str]:
    return wrapped(text_size, text, 7.5, column_width - 0.5)


def _key_lines(sheet: Sheet, y: float, text: str) -> float:
    """Write a key in as many lines as it takes; the height of the last."""
    lines = _key_wrapped(sheet.text_size, text, sheet.page.column_width)
    for k, line in enumerate(lines):
        _key_text(sheet, y - _KEY_LINE_IN * k, line)
    return y - _KEY_LINE_IN * (len(lines) - 1)


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
