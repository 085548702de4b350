"""The table of regions, and the controls and legends of the 3-D view."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..findings.regions import Region
from ..wording.words import signed
from .pieces import mark_button, text
from .scene import Channel, legend

PEAK, SIZE, WANDER = "Peak \u00b1 U, mm", "Size, mm", "Band wander, mm"
WANDER_NOTE = (
    "Band wander: how far the reflection of a straight lamp moves to and fro over the mark."
)
_COLUMNS = ("Mark", "Verdict", PEAK, SIZE, WANDER, "Where", "Do")
_NUMBERS = (PEAK, SIZE, WANDER)
_RAISED = ((1, "true shape"), (20, "20 times"), (50, "50 times"), (100, "100 times"))
# Sides of the map: which way is up on the vehicle is not known.
_VIEWS = (
    ("front", "Front"),
    ("left", "Map's left"),
    ("right", "Map's right"),
    ("below", "Map's bottom"),
)


_OUTLINES = (
    "Outlines: thick is out of tolerance, thinner undecided, a hair line in tolerance now. Full "
    "for highs, dashed for lows, dotted for ripple."
)


@dataclass(frozen=True)
class MarkRow:
    """A row of a table of marks: the mark's name, its kind, and a text for each other column."""

    mark: str
    kind: str
    cells: tuple[str, ...]


def regions_table(regions: tuple[Region, ...], wander_mm: dict[str, float]) -> str:
    """One row for each region; `wander_mm` by region name, none where it is not known."""
    note = (
        "+ stands proud of the fair surface, \u2212 lies below it. U is the expanded uncertainty "
        f"(k = 2). {WANDER_NOTE}"
    )
    rows = tuple(mark_row(region, wander_mm) for region in regions)
    return marks_table("Highs and lows", _COLUMNS, rows, note if rows else "None was found.")


def marks_table(title: str, columns: tuple[str, ...], rows: tuple[MarkRow, ...], note: str) -> str:
    """A table whose rows go to their marks in 3-D; only the note where there are no rows.

    Parameters
    ----------
    columns : heads, "Mark" first; a row has a cell for each of the others.
    """
    if not rows:
        return f"<section>\n<h2>{text(title)}</h2>\n<p>{text(note)}</p>\n</section>"
    head = "".join(f'<th scope="col">{text(name)}</th>' for name in columns)
    body = "\n".join(_markup(row, columns) for row in rows)
    return (
        f"<section>\n<h2>{text(title)}</h2>\n<table>\n<caption>{text(note)}</caption>\n"
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n</table>\n</section>"
    )


def _markup(row: MarkRow, columns: tuple[str, ...]) -> str:
    cells = [f"<td>{mark_button(row.mark)} {text(row.kind)}</td>"]
    for name, told in zip(columns[1:], row.cells, strict=True):
        kind = ' class="number"' if name in _NUMBERS else ""
        cells.append(f'<td{kind} data-name="{text(name)}">{text(told)}</td>')
    return f'<tr data-mark="{text(row.mark)}">{"".join(cells)}</tr>'


def mark_row(region: Region, wander_mm: dict[str, float]) -> MarkRow:
    """Verdict, peak, size, wander, place and action of a region."""
    return MarkRow(
        region.region,
        region.kind,
        (
            region.verdict,
            peak_words(region),
            f"{region.length_mm:.0f} \u00d7 {region.width_mm:.0f}",
            wander_words(wander_mm, region.region),
            region.from_edges,
            region.action,
        ),
    )


def peak_words(region: Region) -> str:
    """Peak and its uncertainty, for ripple its slope too."""
    peak = f"{signed(region.peak_mm)} \u00b1 {region.uncertainty_mm:.2f}"
    return f"{peak} ({region.max_slope_mrad:.1f} mrad)" if region.kind == "ripple" else peak


def wander_words(wander_mm: dict[str, float], name: str) -> str:
    """The wander of a band over a mark."""
    wander = wander_mm.get(name, math.nan)
    return f"{wander:.0f}" if math.isfinite(wander) else "not known"


def scene_piece(channels: tuple[Channel, ...], *, has_light: bool) -> str:
    """The box of the 3-D view with its controls, legends and the line that says the value."""
    colours = [(channel.id, f"{channel.label}, {channel.unit}") for channel in channels]
    if has_light:
        colours += [
            ("light-both", "light, as scanned beside fair"),
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
        f'{legends}\n<p class="note">{text(_OUTLINES)}</p>\n<noscript><p>The 3-D view and the '
        "light need JavaScript; the map and the table do not.</p></noscript>\n</section>"
    )


def _legend(channel: Channel, *, hidden: bool) -> str:
    items = "".join(
        f'<li><span class="swatch" style="background:{colour}"></span>{text(words)}</li>'
        for colour, words in legend(channel)
    )
    off = " hidden" if hidden else ""
    return f'<ul class="legend" data-legend="{channel.id}"{off}>{items}</ul>'
