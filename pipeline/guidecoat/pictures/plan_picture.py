"""plan.png: how deep filler goes, after tapping and when covering, in the bands of its limits."""

from __future__ import annotations

import io
import textwrap
import warnings
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..check import CheckResult
from ..settings import PlanSettings
from ..wording.plain import shown
from ..workplan import Fill, WorkPlan
from .colours import LOW_COLOURS, NEUTRAL, NOT_JUDGED_GREY
from .map_labels import name_place, region_name
from .map_layers import draw_regions, extent_mm
from .map_style import INK, PALE_INK, RC

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DPI = 150
_WIDTH_IN = 7.5
_MAP_IN, _SIDE_IN, _HEAD_IN, _KEY_IN = 6.9, 0.3, 0.42, 0.5
# Room for the names of edges, as a part of the panel's longer side; inches and letters a line
# for why a map is empty.
_MARGIN, _WHY_IN, _WHY_LETTERS = 0.05, 0.42, 95
_TALLEST_IN = 4.2
_TITLES = {"tap": "Highs brought down first", "cover": "Covered, no metal moved"}


def depth_bands(figures: PlanSettings) -> tuple[tuple[float, str], ...]:
    """Upper ends of the bands of depth (mm) and their names, the last one open.

    >>> from guidecoat.settings import load_settings
    >>> [name for _, name in depth_bands(load_settings("metal").plan)][2]
    'to 3 mm: caution'
    """
    ends = (
        (figures.glaze_rule_mm, "glaze"),
        (figures.filler_caution_mm, "filler"),
        (figures.filler_metalwork_first_mm, "caution"),
        (figures.filler_stop_mm, "metalwork"),
    )
    named = [(end, f"to {end:g} mm: {name}") for end, name in ends]
    return (*named, (float("inf"), f"{figures.filler_stop_mm:g} mm and more: stop"))


def plan_png(plan: WorkPlan, result: CheckResult) -> bytes:
    """Both maps of depth, seen from outside, as the bytes of a PNG picture."""
    import matplotlib

    with matplotlib.rc_context(), warnings.catch_warnings():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(RC)
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        return _drawn(plan, result)


def _drawn(plan: WorkPlan, result: CheckResult) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    u0, u1, v0, v1 = _limits(result)
    scale = min(_MAP_IN / (u1 - u0), _TALLEST_IN / (v1 - v0))
    wide, high = scale * (u1 - u0), scale * (v1 - v0)
    why = why_empty(plan, result)
    foot = _KEY_IN + (_WHY_IN if why else 0.0)
    height = foot + 2.0 * (high + _HEAD_IN)
    figure = Figure(figsize=(_WIDTH_IN, height), dpi=_DPI, facecolor="white")
    FigureCanvasAgg(figure)
    for k, fill in enumerate((plan.cover, plan.tap)):
        bottom = foot + k * (high + _HEAD_IN)
        box = (_SIDE_IN / _WIDTH_IN, bottom / height, wide / _WIDTH_IN, high / height)
        axes = figure.add_axes(box)
        _draw_map(axes, fill, result)
        axes.set_xlim(u0, u1)
        axes.set_ylim(v0, v1)
    if why:
        at = (_SIDE_IN / _WIDTH_IN, (_KEY_IN + 0.06) / height)
        lines = textwrap.fill(why, _WHY_LETTERS)
        figure.text(*at, lines, fontsize=7.5, fontweight="bold", color=INK, va="bottom")
    _draw_key(figure, result.settings.plan)
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
    return out.getvalue()


def why_empty(plan: WorkPlan, result: CheckResult) -> str:
    """Why neither map shows any filler, and what to do; empty where one does."""
    if plan.tap.litres > 0.0 or plan.cover.litres > 0.0:
        return ""
    unsure = sum(region.verdict == "undecided" for region in result.regions)
    if unsure:
        return (
            f"No filler is planned: nothing is surely out of tolerance, and {unsure} "
            f"mark{'s are' if unsure > 1 else ' is'} undecided (?). Do first what the plan says "
            "for each ?."
        )
    if result.verdict == "undecided":
        return "No filler is planned: the panel is undecided. The warnings of the plan say why."
    return "No filler is planned: no low is out of tolerance."


def _limits(result: CheckResult) -> tuple[float, float, float, float]:
    u0, u1, v0, v1 = extent_mm(result)
    margin = _MARGIN * max(u1 - u0, v1 - v0)
    return u0 - margin, u1 + margin, v0 - margin, v1 + margin


def _draw_map(axes: Axes, fill: Fill, result: CheckResult) -> None:
    grid = result.cells.grid
    u1 = grid.u0_mm + grid.shape[0] * grid.cell_mm
    v1 = grid.v0_mm + grid.shape[1] * grid.cell_mm
    picture = band_colours(fill.depth_mm, result.settings.plan)
    on_skin = np.isfinite(result.cells.height_mm)
    picture[~np.isfinite(fill.depth_mm) & ~on_skin] = 255
    axes.imshow(
        picture.transpose(1, 0, 2),
        origin="lower",
        extent=(grid.u0_mm, u1, grid.v0_mm, v1),
        interpolation="nearest",
        aspect="equal",
    )
    unsure = tuple(region for region in result.regions if region.verdict == "undecided")
    draw_regions(axes, replace(result, regions=unsure))
    _draw_edges(axes, result)
    for region in result.regions:
        if region.kind != "ripple" or region.verdict == "undecided":
            box = {"boxstyle": "round,pad=0.15", "fc": "white", "ec": PALE_INK, "lw": 0.4}
            _write(axes, (region.u_mm, region.v_mm), shown(region_name(region)), box)
    axes.set_axis_off()
    axes.set_title(_said(fill, result), fontsize=8, color=INK, loc="left", pad=3.0)


def _draw_edges(axes: Axes, result: CheckResult) -> None:
    """The outline with its edges' names, which the tapes in the plan start from."""
    u0, u1, _, _ = _limits(result)
    away = 0.5 * _MARGIN / (1.0 + 2.0 * _MARGIN) * (u1 - u0)
    box = {"boxstyle": "circle,pad=0.15", "fc": "white", "ec": INK, "lw": 0.6}
    # A body line is an edge of the faces on both its sides, and is named once.
    for edge in {edge.name: edge for edge in reversed(result.edges)}.values():
        axes.plot(*edge.line_uv.T, color=INK, linewidth=0.8)
        _write(axes, name_place(edge, away), shown(edge.name), box)


def _write(axes: Axes, at: tuple[float, float], text: str, box: dict[str, object]) -> None:
    axes.text(*at, text, fontsize=7, color=INK, ha="center", va="center", bbox=box)


def _said(fill: Fill, result: CheckResult) -> str:
    """What the filler comes to, and what is not in it."""
    unsure = sum(r.kind != "ripple" and r.verdict == "undecided" for r in result.regions)
    left = [f"the {unsure} undecided (?)"] if unsure else []
    left += ["edge bands"] if result.plan is not None and result.plan.in_edges else []
    without = f"; without {' and '.join(left)}" if left else ""
    return (
        f"{_TITLES[fill.target]}: greatest {fill.greatest_mm:.1f} mm, "
        f"{fill.litres:.3f} l in place, {fill.kilograms:.3f} kg to mix{without}"
    )


def band_colours(depth_mm: NDArray[np.float64], figures: PlanSettings) -> NDArray[np.uint8]:
    """(nu, nv) depths to (nu, nv, 3) sRGB: a shade a band, grey where not judged."""
    ends = [end for end, _ in depth_bands(figures)][:-1]
    shades = np.array([_rgb(c) for c in (NEUTRAL, *LOW_COLOURS, NOT_JUDGED_GREY)], np.uint8)
    # As the limits say it: the first ends belong to their band, the stop to the one beyond.
    band = 1 + np.searchsorted(ends[:-1], depth_mm, side="left")
    band = np.where(depth_mm >= ends[-1], len(ends) + 1, band)
    band = np.where(depth_mm > 0.0, band, 0)
    return shades[np.where(np.isfinite(depth_mm), band, len(shades) - 1)]


def _rgb(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[k : k + 2], 16) for k in (1, 3, 5))


def _draw_key(figure: Figure, figures: PlanSettings) -> None:
    from matplotlib.patches import Rectangle

    height = figure.get_size_inches()[1]
    entries = [(NEUTRAL, "none")]
    entries += list(zip(LOW_COLOURS, (name for _, name in depth_bands(figures)), strict=True))
    entries.append((NOT_JUDGED_GREY, "not judged"))
    step = (_WIDTH_IN - 2.0 * _SIDE_IN) / len(entries)
    for k, (colour, name) in enumerate(entries):
        x = (_SIDE_IN + k * step) / _WIDTH_IN
        corner, size = (x, 0.26 / height), (0.16 / _WIDTH_IN, 0.12 / height)
        patch = Rectangle(corner, *size, transform=figure.transFigure)
        patch.set(facecolor=colour, edgecolor=PALE_INK, linewidth=0.4)
        figure.add_artist(patch)
        figure.text(x, 0.1 / height, name, fontsize=6.2, color=INK)
