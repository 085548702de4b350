"""The panel itself on the map: colours, contours, edges, creases and what is not judged."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from ..check import CheckResult
from ..findings.regions import Region
from ..lines.crease import Crease
from ..measuring.deviation import NOT_JUDGED
from ..numerics.footprints import footprints_of
from ..outline.edge_lines import EdgeLine
from .colours import Scale
from .map_style import (
    CREASE_STYLE,
    INK,
    LEFT_OUT_HATCH,
    LEFT_STYLE,
    LEFT_WIDTH,
    NOT_JUDGED_HATCHES,
    OUTLINE_STYLES,
    PALE_INK,
    PAPER,
    RIPPLE_HATCH,
    SURE_WIDTH,
    UNSURE_WIDTH,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
_Scalar = TypeVar("_Scalar", bound=np.generic)
_PIXELS_ALONG = 1000
_FINEST = 8
_TICK_EVERY_MM = 25.0
_BESIDE_JUDGED_MM = 30.0


def draw_panel(axes: Axes, result: CheckResult, scale: Scale) -> None:
    """Everything that has a shape on the unrolled panel; labels come after."""
    _draw_colours(axes, result, scale)
    _draw_not_judged(axes, result)
    _draw_levels(axes, result, scale)
    draw_regions(axes, result)
    for crease in creases_shown(result):
        axes.plot(*crease.line_uv.T, color=INK, linewidth=1.1, linestyle=CREASE_STYLE)
    for edge in result.edges:
        _draw_edge(axes, edge)


def creases_shown(result: CheckResult) -> tuple[Crease, ...]:
    """Body lines that run beside or through judged ground; others help nobody."""
    judged = result.deviation.not_judged == 0
    if not judged.any():
        return ()
    away = distance_transform_edt(~judged) * result.cells.grid.cell_mm
    shown = []
    for crease in result.creases:
        i, j = result.cells.grid.index(*crease.line_uv.T)
        if (away[i, j] <= _BESIDE_JUDGED_MM + crease.pressed_mm).mean() > 0.5:
            shown.append(crease)
    return tuple(shown)


def extent_mm(result: CheckResult) -> tuple[float, float, float, float]:
    """Least and greatest u, least and greatest v of cells that hold points and of edges."""
    grid, filled = result.cells.grid, result.cells.filled
    along, around = np.flatnonzero(filled.any(axis=1)), np.flatnonzero(filled.any(axis=0))
    half = 0.5 * grid.cell_mm
    corners = [
        (grid.u_mm[along[0]] - half, grid.v_mm[around[0]] - half),
        (grid.u_mm[along[-1]] + half, grid.v_mm[around[-1]] + half),
    ]
    uv = np.vstack([np.array(corners), *(e.line_uv for e in result.edges)])
    (u0, v0), (u1, v1) = uv.min(axis=0).tolist(), uv.max(axis=0).tolist()
    return u0, u1, v0, v1


def picture_array(result: CheckResult, scale: Scale) -> NDArray[np.uint8]:
    """(nv k, nu k, 3) sRGB of the cells, v downward from the top; bands run smoothly over cells."""
    from scipy.ndimage import zoom

    deviation, filled = result.deviation, result.cells.filled
    k = int(np.clip(_PIXELS_ALONG // max(filled.shape), 1, _FINEST))
    judged = np.isfinite(deviation.cell_mm)
    values = np.where(judged, deviation.cell_mm, 0.0).astype(np.float32)
    weight = judged.astype(np.float32)
    if k > 1:
        fine, share = (
            zoom(a, k, order=1, mode="nearest", grid_mode=True) for a in (values, weight)
        )
        values = fine / np.maximum(share, 1e-6)
    status = np.where(judged, deviation.cell_status, NOT_JUDGED).astype(np.uint8)
    colours = scale.colours(values, _repeated(status, k))
    colours[~_repeated(filled, k)] = 255
    return np.ascontiguousarray(colours.transpose(1, 0, 2)[::-1])


def outline_of(
    axes: Axes,
    result: CheckResult,
    mask: NDArray[np.bool_],
    *,
    width: float,
    style: str,
    colour: str = INK,
) -> None:
    """A line round the cells of a mask."""
    if mask.any():
        grid = result.cells.grid
        u, v, z = _padded(grid.u_mm, grid.v_mm, _rounded_off(mask), grid.cell_mm)
        axes.contour(u, v, z.T, levels=[0.5], colors=[colour], linewidths=width, linestyles=style)


def reasons_shown(result: CheckResult) -> list[tuple[int, str, str]]:
    """Code, words and hatch of each reason for which some filled cells are not judged."""
    present = np.unique(result.deviation.not_judged[result.cells.filled])
    codes = [int(c) for c in present if c]
    return [(code, result.deviation.reasons[code], NOT_JUDGED_HATCHES[code - 1]) for code in codes]


def left_out(result: CheckResult) -> NDArray[np.bool_]:
    """(nu, nv) cells with points that have no figure although nothing forbids to judge them, such
    as those that only one of two scans has.
    """
    deviation = result.deviation
    return np.asarray(
        result.cells.filled & (deviation.not_judged == 0) & np.isnan(deviation.cell_mm)
    )


def _draw_colours(axes: Axes, result: CheckResult, scale: Scale) -> None:
    grid = result.cells.grid
    axes.imshow(
        picture_array(result, scale),
        extent=(
            grid.u0_mm,
            grid.u0_mm + grid.cell_mm * grid.shape[0],
            grid.v0_mm,
            grid.v0_mm + grid.cell_mm * grid.shape[1],
        ),
        origin="upper",
        interpolation="nearest",
        aspect="auto",  # the axes have the panel's own proportions already
    )


def _draw_not_judged(axes: Axes, result: CheckResult) -> None:
    grid = result.cells.grid
    masks = [
        ((result.deviation.not_judged == code) & result.cells.filled, hatch)
        for code, _, hatch in reasons_shown(result)
    ]
    for mask, hatch in (*masks, (left_out(result), LEFT_OUT_HATCH)):
        if not mask.any():
            continue
        _hatch(axes, grid.u_mm, grid.v_mm, mask, grid.cell_mm, hatch)
        outline_of(axes, result, mask, width=0.5, style="solid", colour=PALE_INK)


def _draw_levels(axes: Axes, result: CheckResult, scale: Scale) -> None:
    grid = result.cells.grid
    deviation = np.ma.masked_invalid(result.deviation.cell_mm).T
    levels = scale.levels_mm[1:]
    if not levels or not deviation.count():
        return
    for signed, style in ((levels, "solid"), ([-x for x in reversed(levels)], "dashed")):
        if deviation.min() < max(signed) and deviation.max() > min(signed):
            axes.contour(
                grid.u_mm,
                grid.v_mm,
                deviation,
                levels=signed,
                colors=[INK],
                linewidths=0.55,
                linestyles=style,
            )


def draw_regions(axes: Axes, result: CheckResult) -> None:
    """Outlines of the marks: thick where they are out of tolerance, thin where they may be."""
    grid = result.cells.grid
    footprints = footprints_of(result.regions, grid.shape)
    outline_of(axes, result, footprints, width=0.6, style="solid", colour=PALE_INK)
    ripple = _cores(result, "ripple", sure=True) | _cores(result, "ripple", sure=False)
    if ripple.any():
        _hatch(axes, grid.u_mm, grid.v_mm, ripple, grid.cell_mm, RIPPLE_HATCH)
    for kind, style in OUTLINE_STYLES.items():
        for sure, width in ((True, SURE_WIDTH), (False, UNSURE_WIDTH)):
            cores = _cores(result, kind, sure=sure)
            if cores.any():
                outline_of(axes, result, cores, width=width, style=style)


def draw_left(axes: Axes, result: CheckResult, left: tuple[Region, ...]) -> None:
    """Faint outlines of marks beside those that the map is of."""
    cores = np.zeros(result.cells.grid.shape, bool)
    for region in left:
        cores |= region.core
    outline_of(axes, result, cores, width=LEFT_WIDTH, style=LEFT_STYLE, colour=PALE_INK)


def _cores(result: CheckResult, kind: str, *, sure: bool) -> NDArray[np.bool_]:
    """(nu, nv) cores of the regions of a kind that are out of tolerance, or else undecided."""
    cores = np.zeros(result.cells.grid.shape, bool)
    for region in result.regions:
        if region.kind == kind and (region.verdict == "out") == sure:
            cores |= region.core
    return cores


def _draw_edge(axes: Axes, edge: EdgeLine) -> None:
    line = edge.line_uv
    if edge.kind == "opening":
        axes.fill(*line.T, color=PAPER)
    axes.plot(*line.T, color=INK, linewidth=0.8)
    if not len(edge.station_uv):
        return
    gap = np.hypot(*(line[:, None, :] - edge.station_uv[None, :, :]).transpose(2, 0, 1))
    nearest = gap.argmin(axis=1)
    held = edge.held[nearest]
    on_held = np.where(held[:, None], line, np.nan)
    axes.plot(*on_held.T, color=INK, linewidth=2.6, solid_capstyle="butt")
    outward = -edge.inward_uv[nearest]
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    stops = np.arange(0.5 * _TICK_EVERY_MM, run[-1], _TICK_EVERY_MM)
    # ticks stand on the line between its own points, not only at them
    foot = np.column_stack([np.interp(stops, run, line[:, k]) for k in (0, 1)])
    way = np.column_stack([np.interp(stops, run, outward[:, k]) for k in (0, 1)])
    here = held[np.searchsorted(run, stops).clip(0, len(held) - 1)]
    ends = np.stack([foot, foot + 8.0 * way, np.full_like(foot, np.nan)], axis=1)[here]
    axes.plot(*ends.reshape(-1, 2).T, color=INK, linewidth=0.8)


def _hatch(
    axes: Axes, u_mm: Floats, v_mm: Floats, mask: NDArray[np.bool_], cell_mm: float, hatch: str
) -> None:
    u, v, z = _padded(u_mm, v_mm, mask.astype(np.float64), cell_mm)
    axes.contourf(u, v, z.T, levels=[0.5, 1.5], colors="none", hatches=[hatch])


def _rounded_off(mask: NDArray[np.bool_]) -> Floats:
    """A mask whose 0.5 line runs without the cells' corners and loses no cell of its own."""
    from scipy.ndimage import gaussian_filter

    smooth = gaussian_filter(np.pad(mask, 2).astype(np.float64), 0.9)[2:-2, 2:-2]
    return np.where(mask, np.maximum(smooth, 0.55), smooth)


def _padded(u_mm: Floats, v_mm: Floats, z: Floats, cell_mm: float) -> tuple[Floats, Floats, Floats]:
    """One empty cell all round, so that a line closes along the grid's own border."""
    u = np.concatenate([[u_mm[0] - cell_mm], u_mm, [u_mm[-1] + cell_mm]])
    v = np.concatenate([[v_mm[0] - cell_mm], v_mm, [v_mm[-1] + cell_mm]])
    return u, v, np.pad(z, 1)


def _repeated(a: NDArray[_Scalar], k: int) -> NDArray[_Scalar]:
    return a.repeat(k, axis=0).repeat(k, axis=1)
