"""map.png: the picture that is pinned to the wall beside the panel."""

from __future__ import annotations

import io
import warnings

from ..check import CheckResult
from ..wording.map_words import MapWords, check_words
from .colours import Scale
from .map_keys import (
    LEFT_IN,
    PAGE_WIDTH_IN,
    draw_footer,
    draw_keys,
    draw_table,
    draw_title,
    keys_height_in,
    table_height_in,
    title_height_in,
)
from .map_labels import draw_labels
from .map_layers import draw_left, draw_panel, extent_mm
from .map_style import DPI, PALE_INK, RC, Page, Sheet, measuring

_FOOTER_IN = 0.5
_TICKS_IN = 0.34
_COLUMN_IN = 2.35
_TALLEST_MAP_IN = 6.6
_LOWEST_MAP_IN, _NARROWEST_MAP_IN = 3.6, 5.0  # below this, labels find no room
_GAP_IN = 0.2  # between the map and its keys
_MARGIN = 0.055  # of the panel's longer side, for names and the scale bar


def map_png(result: CheckResult, scale: Scale, words: MapWords | None = None) -> bytes:
    """The unrolled panel seen from outside, as the bytes of a PNG picture.

    `words` are a check's own unless given.
    """
    import matplotlib

    with matplotlib.rc_context(), warnings.catch_warnings():
        # a person's own matplotlib settings must not change the picture; a name may hold letters
        # that the font lacks, which it shows as boxes
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(RC)
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        return _drawn(result, scale, words or check_words(result))


def _drawn(result: CheckResult, scale: Scale, words: MapWords) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    limits = _limits(result)
    # What is to be written decides how tall the page is.
    text_size = measuring(FigureCanvasAgg(Figure(dpi=DPI)))
    title_in, table_in = title_height_in(text_size, words), table_height_in(text_size, result)
    map_in = _map_in(limits)
    column_in = PAGE_WIDTH_IN - 2.0 * LEFT_IN - _TICKS_IN - map_in[0] - _GAP_IN
    keys_in = keys_height_in(text_size, result, scale, words, column_width=column_in)
    page = _page(map_in, column_in, title_in, max(map_in[1], keys_in), table_in)
    figure = Figure(figsize=(page.width, page.height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes(
        (
            page.map_left / page.width,
            page.map_bottom / page.height,
            page.map_width / page.width,
            page.map_height / page.height,
        )
    )
    sheet = Sheet(figure, axes, page, text_size)
    draw_panel(axes, result, scale)
    draw_left(axes, result, words.left)
    u0, u1, v0, v1 = limits
    axes.set_xlim(u0, u1)
    axes.set_ylim(v0, v1)
    axes.tick_params(labelsize=7.0, colors=PALE_INK, length=3.0, width=0.6)
    axes.set_xlabel("u, mm", fontsize=7.0, color=PALE_INK, labelpad=1.0)
    axes.set_ylabel("v, mm", fontsize=7.0, color=PALE_INK, labelpad=-2.0)
    for spine in axes.spines.values():
        spine.set(linewidth=0.5, color=PALE_INK)
    draw_labels(sheet, result, words.left)
    draw_title(sheet, result, words)
    draw_keys(sheet, result, scale, words)
    draw_table(sheet, result, words)
    draw_footer(sheet, result)
    out = io.BytesIO()
    # no metadata: the same result gives the same bytes, whatever drew it and when
    figure.savefig(out, format="png", dpi=DPI, metadata={"Software": None})
    return out.getvalue()


def _limits(result: CheckResult) -> tuple[float, float, float, float]:
    u0, u1, v0, v1 = extent_mm(result)
    margin = _MARGIN * max(u1 - u0, v1 - v0)
    wide, high = u1 - u0 + 2.0 * margin, v1 - v0 + 2.0 * margin
    scale = min(_widest_in() / wide, _TALLEST_MAP_IN / high)
    # a strip gets a broad white border, in which its labels stand
    du = margin + 0.5 * max(_NARROWEST_MAP_IN / scale - wide, 0.0)
    dv = margin + 0.5 * max(_LOWEST_MAP_IN / scale - high, 0.0)
    return u0 - du, u1 + du, v0 - dv, v1 + dv


def _widest_in() -> float:
    return PAGE_WIDTH_IN - 2.0 * LEFT_IN - _TICKS_IN - _COLUMN_IN


def _map_in(limits: tuple[float, float, float, float]) -> tuple[float, float]:
    """Width and height of the map on the page."""
    u0, u1, v0, v1 = limits
    scale = min(_widest_in() / (u1 - u0), _TALLEST_MAP_IN / (v1 - v0))
    return scale * (u1 - u0), scale * (v1 - v0)


def _page(
    map_in: tuple[float, float], column_in: float, title_in: float, room_in: float, table_in: float
) -> Page:
    left = LEFT_IN + _TICKS_IN
    width, height = map_in
    table_top = _FOOTER_IN + table_in
    return Page(
        width=PAGE_WIDTH_IN,
        height=title_in + room_in + _TICKS_IN + table_top,
        map_left=left,
        map_bottom=table_top + _TICKS_IN + room_in - height,
        map_width=width,
        map_height=height,
        column_left=left + width + _GAP_IN,
        column_width=column_in,
        table_top=table_top,
    )
