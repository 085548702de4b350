"""Names and distances on the map: edges, regions, creases, dings, tape distances, scale bar."""

from __future__ import annotations

import math
import re

import numpy as np

from ..check import CheckResult
from ..findings.regions import Region
from ..findings.tapes import tape_foot
from ..numerics.footprints import footprints_of
from ..outline.edge_lines import EdgeLine
from ..wording.plain import shown
from ..wording.words import signed
from .map_layers import creases_shown
from .map_style import INK, PALE_INK, PAPER, PX_PER_PT, Sheet
from .placing import Box, Point, Room, box_at, busy_sums

MEASURED = 4
"""Of the highs and lows, the largest, that get tape distances drawn."""

_NAMED = 20  # regions that get a label with a leader; the rest a bare name
_BARE_PT = 6.0
_LEFT_PT = 7.0
_SIGNS = {"high": "+", "low": "\u2212"}  # ripple has a wave
_SIGN_PX = (26.0, 26.0)
_EDGE_NAME_PX = 34.0
_TAPE = re.compile(r"(\d+(?:\.\d+)?) mm from (?:edge |body line |step )(\w+)")
_HALO = {"boxstyle": "round,pad=0.12", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.85}


def draw_labels(sheet: Sheet, result: CheckResult, left: tuple[Region, ...] = ()) -> None:
    """Put all lettering on the map, the fixed things first, then the regions where room is, and
    small the marks that are `left` beside them.
    """
    room = _room(sheet, result)
    _draw_scale_bar(sheet, room)
    told = {name for region in result.regions for _, name in _TAPE.findall(region.from_edges)}
    told |= {edge.name for edge in result.edges if edge.kind in ("outline", "opening")}
    # a body line is an edge of the faces on both its sides, and is named once
    names = {edge.name: edge for edge in reversed(result.edges)}
    for edge in sorted(names.values(), key=lambda edge: edge.name not in told):
        _draw_edge_name(sheet, room, edge, needed=edge.name in told)
    for line in [e.line_uv for e in result.edges] + [c.line_uv for c in result.creases]:
        room.take_path(sheet.axes.transData.transform(line))
    signs = [box_at(_to_px(sheet, (r.u_mm, r.v_mm)), _SIGN_PX) for r in result.regions]
    for sign in signs:
        room.take(sign)
    for region in placed_marks(result)[:MEASURED]:
        _draw_tapes(sheet, room, result.edges, region)
    _draw_dings(sheet, room, result)
    _draw_crease_names(sheet, room, result)
    for k, region in enumerate(result.regions):
        _draw_region_label(sheet, room, region, signs[k], bare=k >= _NAMED)
    for region in left:
        _draw_left_label(sheet, room, region)


def placed_marks(result: CheckResult) -> list[Region]:
    """Highs and lows amid the metal with tape distances, the largest first."""
    placed = [
        r
        for r in result.regions
        if r.kind != "ripple" and not r.edge and " mm from " in r.from_edges
    ]
    return sorted(placed, key=lambda region: -abs(region.peak_mm))


def region_label(region: Region) -> str:
    """Name and signed peak, "H1 +0.84 mm", with a question mark where the verdict is undecided."""
    name = region_name(region)
    if region.kind == "ripple":
        return f"{name} ripple {region.max_slope_mrad:.1f} mrad"
    return f"{name} {signed(region.peak_mm)} mm"


def region_name(region: Region) -> str:
    """Name of a mark, with a question mark where the verdict is undecided."""
    return region.region + ("?" if region.verdict == "undecided" else "")


def _to_px(sheet: Sheet, uv: Point) -> Point:
    x, y = sheet.axes.transData.transform(uv)
    return float(x), float(y)


def _to_mm(sheet: Sheet, xy: Point) -> Point:
    u, v = sheet.axes.transData.inverted().transform(xy)
    return float(u), float(v)


def _room(sheet: Sheet, result: CheckResult) -> Room:
    """Marks are painted on a grid of one entry per cell over the whole drawing."""
    (u0, u1), (v0, v1) = sheet.axes.get_xlim(), sheet.axes.get_ylim()
    grid = result.cells.grid
    x0, y0 = _to_px(sheet, (u0, v0))
    x1, y1 = _to_px(sheet, (u1, v1))
    cell_px = (x1 - x0) / (u1 - u0) * grid.cell_mm
    mask = np.zeros((math.ceil((x1 - x0) / cell_px), math.ceil((y1 - y0) / cell_px)), bool)
    i, j = np.nonzero(footprints_of(result.regions, grid.shape))
    i = i + math.floor((grid.u0_mm - u0) / grid.cell_mm)
    j = j + math.floor((grid.v0_mm - v0) / grid.cell_mm)
    inside = (i >= 0) & (j >= 0) & (i < mask.shape[0]) & (j < mask.shape[1])
    mask[i[inside], j[inside]] = True
    return Room(Box(x0 + 4.0, y0 + 4.0, x1 - 4.0, y1 - 4.0), busy_sums(mask), cell_px)


def _draw_edge_name(sheet: Sheet, room: Room, edge: EdgeLine, *, needed: bool) -> None:
    """An edge's name beside it; where it would lie over another one, only if a table needs it."""
    x, y = _to_px(sheet, name_place(edge, 0.0))
    u, v = (0.0, 0.0) if edge.kind == "opening" else _outward(edge, len(edge.line_uv) // 2)
    centre = (x + 30.0 * u, y + 30.0 * v)
    across = max(_EDGE_NAME_PX, sheet.text_size(shown(edge.name), 9.0, True)[0] + 12.0)
    box = box_at(centre, (across, across))
    if not (needed or room.is_free(box)):
        return
    room.take(box)
    sheet.axes.text(
        *_to_mm(sheet, centre),
        shown(edge.name),
        fontsize=9.0,
        fontweight="bold",
        ha="center",
        va="center",
        bbox={"boxstyle": "circle,pad=0.2", "facecolor": PAPER, "edgecolor": INK},
    )


def name_place(edge: EdgeLine, away_mm: float) -> Point:
    """Where on the map the name of an edge stands: so far off its middle, within an opening."""
    line = edge.line_uv
    if edge.kind == "opening":
        return float(line[:, 0].mean()), float(line[:, 1].mean())
    middle = len(line) // 2
    u, v = _outward(edge, middle)
    return float(line[middle, 0]) + away_mm * u, float(line[middle, 1]) + away_mm * v


def _outward(edge: EdgeLine, k: int) -> Point:
    """Unit vector on the map from a point of the edge to where no panel is; none on body lines."""
    if edge.kind != "outline" or not len(edge.station_uv):
        return (0.0, 0.0)
    gaps = np.hypot(*(edge.station_uv - edge.line_uv[k]).T)
    u, v = -edge.inward_uv[int(gaps.argmin())]
    return float(u), float(v)


def _draw_tapes(sheet: Sheet, room: Room, edges: tuple[EdgeLine, ...], region: Region) -> None:
    """The tape distances of the table as dimension lines, so that paper and table agree."""
    peak = (region.u_mm, region.v_mm)
    for distance, name in _TAPE.findall(region.from_edges)[:2]:
        feet = [
            tape_foot(edge.edge.tape_uv, np.array(peak), closed=edge.edge.closed)[0]
            for edge in edges
            if edge.name == name and len(edge.line_uv) > 1
        ]
        if not feet:
            continue
        u, v = min(feet, key=lambda at: math.dist(at, peak))
        foot = (float(u), float(v))
        sheet.axes.annotate(
            "",
            xy=foot,
            xytext=peak,
            arrowprops={
                "arrowstyle": "<|-|>,head_length=0.35,head_width=0.12",
                "linewidth": 0.6,
                "color": INK,
                "shrinkA": 5.0,
                "shrinkB": 0.0,
            },
        )
        a, b = _to_px(sheet, peak), _to_px(sheet, foot)
        room.take_line(a, b)
        text = f"{float(distance):.0f}"
        width, height = sheet.text_size(text, 7.5, False)
        size = (width + 8.0, height + 8.0)
        shares = (0.5, 0.6, 0.4, 0.7, 0.3, 0.8)
        places = [(a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1])) for s in shares]
        costs = [sum(box_at(p, size).overlap(other) for other in room.boxes) for p in places]
        place = places[costs.index(min(costs))]
        room.take(box_at(place, size))
        sheet.axes.text(
            *_to_mm(sheet, place), text, fontsize=7.5, ha="center", va="center", bbox=_HALO
        )


def _draw_dings(sheet: Sheet, room: Room, result: CheckResult) -> None:
    for edge in result.edges:
        for ding in edge.dings:
            at = (ding.u_mm, ding.v_mm)
            sheet.axes.plot(*at, "x", color=INK, markersize=8.0, markeredgewidth=1.8)
            _with_leader(sheet, room, at, f"knock {signed(ding.height_mm)} mm", 7.5, bold=False)


def _draw_crease_names(sheet: Sheet, room: Room, result: CheckResult) -> None:
    for crease in creases_shown(result):
        if crease.parts:
            continue  # The edges of the faces along it carry names.
        text = f"{shown(crease.name)} {'shoulder' if crease.shoulder else 'body line'}"
        width, height = sheet.text_size(text, 7.5, False)
        size = (width + 8.0, height + 8.0)
        last = len(crease.line_uv) - 1
        spots = [crease.line_uv[round(s * last)] for s in (0.15, 0.85, 0.3, 0.7, 0.5)]
        places = [_to_px(sheet, (float(s[0]), float(s[1]))) for s in spots]
        costs = [room.cost(box_at(p, size)) for p in places]
        place = places[costs.index(min(costs))]
        room.take(box_at(place, size))
        sheet.axes.text(
            *_to_mm(sheet, place), text, fontsize=7.5, ha="center", va="center", bbox=_HALO
        )


def _draw_region_label(sheet: Sheet, room: Room, region: Region, sign: Box, *, bare: bool) -> None:
    """A sign at the peak and the label beside it; the name alone where there is room for no more,
    at the peak itself if it can be: the table has the rest.
    """
    at = (region.u_mm, region.v_mm)
    name = region_name(region)
    width, height = sheet.text_size(name, _BARE_PT, True)
    at_peak = box_at(_to_px(sheet, at), (width + 10.0, height + 10.0))
    if not bare and _with_leader(sheet, room, at, region_label(region), 9.0, bold=True):
        _draw_sign(sheet, at, _SIGNS.get(region.kind, "~"), 8.5)
    elif room.is_free(at_peak, sign):
        room.take(at_peak)
        _draw_sign(sheet, at, name, _BARE_PT)
    else:
        _with_leader(sheet, room, at, name, 6.5, bold=True)
        _draw_sign(sheet, at, _SIGNS.get(region.kind, "~"), 8.5)


def _draw_left_label(sheet: Sheet, room: Room, region: Region) -> None:
    """A small label at the mark itself if it can be, else beside it."""
    at, text = (region.u_mm, region.v_mm), region_label(region)
    width, height = sheet.text_size(text, _LEFT_PT, False)
    box = box_at(_to_px(sheet, at), (width + 8.0, height + 8.0))
    if room.is_free(box):
        room.take(box)
        sheet.axes.text(
            *at, text, fontsize=_LEFT_PT, color=PALE_INK, ha="center", va="center", bbox=_HALO
        )
    elif not _with_leader(sheet, room, at, text, _LEFT_PT, bold=False):
        _draw_sign(sheet, at, region_name(region), _BARE_PT)


def _draw_sign(sheet: Sheet, at: Point, text: str, points: float) -> None:
    sheet.axes.text(
        *at,
        text,
        fontsize=points,
        fontweight="bold",
        ha="center",
        va="center",
        bbox={
            "boxstyle": "circle,pad=0.08" if len(text) == 1 else "round,pad=0.15",
            "facecolor": PAPER,
            "edgecolor": INK,
            "linewidth": 0.8,
        },
    )


def _with_leader(
    sheet: Sheet, room: Room, at: Point, text: str, points: float, *, bold: bool
) -> bool:
    """Whether there was room for a text beside a place; if so it is drawn."""
    width, height = sheet.text_size(text, points, bold)
    pad = 0.35 * points * PX_PER_PT
    box = room.place(_to_px(sheet, at), (width + 2.4 * pad, height + 3.4 * pad), 34.0)
    if box is None:
        return False
    sheet.axes.annotate(
        text,
        xy=at,
        xytext=_to_mm(sheet, (0.5 * (box.x0 + box.x1), 0.5 * (box.y0 + box.y1))),
        fontsize=points,
        fontweight="bold" if bold else "normal",
        ha="center",
        va="center",
        bbox={"boxstyle": "square,pad=0.3", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.7},
        arrowprops={"arrowstyle": "-", "linewidth": 0.8, "color": INK, "shrinkA": 0, "shrinkB": 6},
    )
    return True


def _draw_scale_bar(sheet: Sheet, room: Room) -> None:
    """100 mm in the lower left corner, or ten times more or less where that does not fit."""
    (u0, u1), (v0, _) = sheet.axes.get_xlim(), sheet.axes.get_ylim()
    bar = next(b for b in (1000.0, 100.0, 10.0, 1.0) if b < 0.4 * (u1 - u0) or b == 1.0)
    u, v = u0 + 0.012 * (u1 - u0), v0 + 0.012 * (u1 - u0)
    sheet.axes.plot([u, u + bar], [v, v], color=INK, linewidth=3.0, solid_capstyle="butt")
    half = [u + 0.5 * bar, u + bar]
    sheet.axes.plot(half, [v, v], color=PAPER, linewidth=1.8, solid_capstyle="butt")
    end = u + bar + 0.006 * (u1 - u0)
    text = f"{bar:.0f} mm"
    sheet.axes.text(end, v, text, fontsize=7.5, va="center", color=PALE_INK)
    (x0, y0), (x1, _) = _to_px(sheet, (u, v)), _to_px(sheet, (end, v))
    width, height = sheet.text_size(text, 7.5, False)
    room.take(Box(x0, y0 - height, x1 + width, y0 + height))
