"""plan.png: how deep filler goes, after tapping and when covering, in the bands of its limits."""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..check import CheckResult
from ..settings import PlanSettings
from ..workplan import Fill, WorkPlan
from .colours import LOW_COLOURS, NEUTRAL, NOT_JUDGED_GREY
from .map_style import INK, PALE_INK, RC
from .words import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DPI = 150
_WIDTH_IN = 7.5
_MAP_IN, _SIDE_IN, _HEAD_IN, _KEY_IN = 6.9, 0.3, 0.42, 0.5
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

    shape = result.cells.grid.shape
    scale = min(_MAP_IN / shape[0], _TALLEST_IN / shape[1])
    wide, high = scale * shape[0], scale * shape[1]
    height = _KEY_IN + 2.0 * (high + _HEAD_IN)
    figure = Figure(figsize=(_WIDTH_IN, height), dpi=_DPI, facecolor="white")
    FigureCanvasAgg(figure)
    for k, fill in enumerate((plan.cover, plan.tap)):
        bottom = _KEY_IN + k * (high + _HEAD_IN)
        box = (_SIDE_IN / _WIDTH_IN, bottom / height, wide / _WIDTH_IN, high / height)
        _draw_map(figure.add_axes(box), fill, result)
    _draw_key(figure, result.settings.plan)
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
    return out.getvalue()


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
    for region in result.regions:
        if region.kind != "ripple":
            box = {"boxstyle": "round,pad=0.15", "fc": "white", "ec": PALE_INK, "lw": 0.4}
            axes.text(
                region.u_mm,
                region.v_mm,
                shown(region.region) + ("?" if region.verdict == "undecided" else ""),
                fontsize=7,
                color=INK,
                ha="center",
                va="center",
                bbox=box,
            )
    axes.set_axis_off()
    said = _said(fill, result)
    axes.set_title(said, fontsize=8, color=INK, loc="left", pad=3.0)


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
