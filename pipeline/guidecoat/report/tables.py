"""The table of regions, and the controls and legends of the 3-D view."""

from __future__ import annotations

import math

from ..export.words import signed
from ..regions import Region
from .pieces import mark_button, text
from .scene import Channel, legend

_COLUMNS = ("Mark", "Verdict", "Peak \u00b1 U, mm", "Size, mm", "Band wander, mm", "Where", "Do")
_NUMBERS = (2, 3, 4)
_RAISED = ((1, "true shape"), (20, "20 times"), (50, "50 times"), (100, "100 times"))
_VIEWS = (("front", "Front"), ("left", "Left"), ("right", "Right"), ("below", "Below"))


def regions_table(regions: tuple[Region, ...], wander_mm: dict[str, float]) -> str:
    """One row for each region; `wander_mm` by region name, none where it is not known."""
    if not regions:
        return "<section>\n<h2>Highs and lows</h2>\n<p>None was found.</p>\n</section>"
    head = "".join(f'<th scope="col">{name}</th>' for name in _COLUMNS)
    rows = "\n".join(_row(region, wander_mm.get(region.region, math.nan)) for region in regions)
    return (
        "<section>\n<h2>Highs and lows</h2>\n<table>\n<caption>+ stands proud of the fair surface, "
        "\u2212 lies below it. U is the expanded uncertainty (k = 2). Band wander: how far the "
        "reflection of a straight lamp moves to and fro over the mark.</caption>\n"
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>\n</section>"
    )


def _row(region: Region, wander_mm: float) -> str:
    peak = f"{signed(region.peak_mm)} \u00b1 {region.uncertainty_mm:.2f}"
    if region.kind == "ripple":
        peak += f" ({region.max_slope_mrad:.1f} mrad)"
    told = (
        region.verdict,
        peak,
        f"{region.length_mm:.0f} \u00d7 {region.width_mm:.0f}",
        f"{wander_mm:.0f}" if math.isfinite(wander_mm) else "not known",
        region.from_edges,
        region.action,
    )
    cells = [f"<td>{mark_button(region.region)} {text(region.kind)}</td>"]
    for k, one in enumerate(told, start=1):
        kind = ' class="number"' if k in _NUMBERS else ""
        cells.append(f'<td{kind} data-name="{_COLUMNS[k]}">{text(one)}</td>')
    return f'<tr data-mark="{text(region.region)}">{"".join(cells)}</tr>'


def scene_piece(channels: tuple[Channel, ...], *, has_light: bool) -> str:
    """The box of the 3-D view with its controls, legends and the line that says the value."""
    colours = [(channel.id, f"{channel.label}, {channel.unit}") for channel in channels]
    if has_light:
        colours += [
            ("light-measured", "light on the panel as scanned"),
            ("light-fair", "light as on the fair surface"),
        ]
    choices = "".join(f'<option value="{key}">{text(name)}</option>' for key, name in colours)
    raised = "".join(f'<option value="{by}">{name}</option>' for by, name in _RAISED)
    views = "".join(
        f'<button type="button" data-view="{key}">{name}</button>' for key, name in _VIEWS
    )
    legends = "".join(_legend(channel, hidden=k > 0) for k, channel in enumerate(channels))
    return (
        '<section class="screen">\n<h2>The panel in 3-D</h2>\n<div class="controls">'
        f'<label>Colour <select id="colour-by">{choices}</select></label>'
        f'<label>Highs and lows <select id="raise">{raised}</select></label>'
        f'<span role="group" aria-label="Look from">{views}</span></div>\n'
        '<div id="scene" class="scene" role="application" aria-label="The panel in 3-D: drag to '
        'turn, two fingers or the wheel to zoom; the table below says the same in words"></div>\n'
        '<div class="readout"><p id="readout">Point at the panel or tap it for the value there.'
        '</p>\n<p id="chosen" role="status">Tap a mark in a list to go to it.</p></div>\n'
        f"{legends}\n<noscript><p>The 3-D view and the light need JavaScript; the map and the "
        "table do not.</p></noscript>\n</section>"
    )


def _legend(channel: Channel, *, hidden: bool) -> str:
    items = "".join(
        f'<li><span class="swatch" style="background:{colour}"></span>{text(words)}</li>'
        for colour, words in legend(channel)
    )
    off = " hidden" if hidden else ""
    return f'<ul class="legend" data-legend="{channel.id}"{off}>{items}</ul>'
