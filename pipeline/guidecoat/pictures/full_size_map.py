"""The unrolled panel at 1:1, to lay on the panel and mark through."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from ..check import CheckResult
from ..preview.sections import Section
from ..surface.fair_points import fair_points
from ..wording.words import signed
from .colours import HIGH_COLOURS, LOW_COLOURS, Scale
from .drawing import PALE, Drawing, Lettering, Stroke, cross

Floats = NDArray[np.float64]

_STYLE = {
    "high": ("solid", HIGH_COLOURS[0]),
    "low": ("dashed", LOW_COLOURS[0]),
    "ripple": ("dotted", None),
}


def full_size_map(result: CheckResult, scale: Scale, sections: tuple[Section, ...]) -> Drawing:
    """Edges, body lines, highs, lows and ripple in chart coordinates, u to the right and v up."""
    strokes: list[Stroke] = []
    lettering: list[Lettering] = []
    for region in result.regions:
        dash, fill = _STYLE[region.kind]
        sure = region.verdict == "out"
        width, name = (0.5, region.region) if sure else (0.25, f"{region.region}?")
        strokes += [Stroke(uv, width, dash, fill=fill) for uv in _outlines(result, region.core)]
        strokes += cross(region.u_mm, region.v_mm, 5.0, 0.35)
        words = (
            f"{name} {region.max_slope_mrad:.1f} mrad"
            if region.kind == "ripple"
            else f"{name} {signed(region.peak_mm)}"
        )
        lettering.append(Lettering(region.u_mm, region.v_mm + 10.0, words, 4.5, bold=True))
    strokes += _levels(result, scale)
    for crease in result.creases:
        strokes.append(Stroke(crease.line_uv, 0.3, "dashdot"))
        middle = crease.line_uv[len(crease.line_uv) // 2]
        lettering.append(Lettering(float(middle[0]), float(middle[1]) + 5.0, crease.name, 3.5))
    for edge in result.edges:
        strokes.append(Stroke(edge.line_uv, 0.4))
        place = edge.station_uv[len(edge.station_uv) // 2]
        lettering.append(Lettering(float(place[0]), float(place[1]), edge.name, 5.0, bold=True))
    for section in sections:
        strokes += [Stroke(section.uv_mm[kept], 0.15, "solid", PALE) for kept in section.stretches]
        for before, after in pairwise(section.stretches):
            gap = section.uv_mm[[before.stop - 1, after.start]]
            strokes.append(Stroke(gap, 0.15, "dashed", PALE))
        u, v = section.uv_mm[0]
        lettering.append(Lettering(float(u) + 6.0, float(v) + 6.0, section.name, 3.0))
    along, around = (_by_words(mm) for mm in _longer_mm(result))
    note = (
        "Full line: high; dashed: low; dotted: ripple; thin and ?: undecided. "
        "A crowned panel is not as long as its paper: "
        f"this one is up to {along} along u and {around} along v. Start from the nearest edge."
    )
    return Drawing("the unrolled panel", tuple(strokes), tuple(lettering), note)


def _outlines(result: CheckResult, mask: NDArray[np.bool_]) -> list[Floats]:
    smooth = gaussian_filter(np.pad(mask, 1).astype(np.float64), 0.8)[1:-1, 1:-1]
    return _contours(result, np.where(mask, np.maximum(smooth, 0.55), smooth), 0.5)


def _contours(result: CheckResult, field: Floats, level: float) -> list[Floats]:
    grid = result.cells.grid
    masked = np.ma.masked_invalid(field)
    lines = contour_generator(grid.v_mm, grid.u_mm, masked).lines(level)
    return [np.asarray(line)[:, ::-1] for line in lines]


def _levels(result: CheckResult, scale: Scale) -> list[Stroke]:
    field = result.deviation.smooth_mm
    strokes = []
    for sign, dash in ((1.0, "solid"), (-1.0, "dashed")):
        for level in scale.levels_mm[1:]:
            strokes += [Stroke(uv, 0.2, dash) for uv in _contours(result, sign * field, level)]
    return strokes


def _by_words(longer_mm: float) -> str:
    return f"{abs(longer_mm):.1f} mm {'shorter' if longer_mm < 0.0 else 'longer'}"


def _longer_mm(result: CheckResult) -> tuple[float, float]:
    """By how much the skin is longer than the paper, along u and along v, where that is most."""
    grid = result.cells.grid
    u, v = np.meshgrid(grid.u_mm, grid.v_mm, indexing="ij")
    fair = fair_points(result.chart, result.cells, result.faces, result.fair, u.ravel(), v.ravel())
    found = []
    for axis, way in enumerate((fair.along_u, fair.along_v)):
        stretch = (np.linalg.norm(way, axis=1) - 1.0).reshape(grid.shape)
        judged = np.isfinite(result.deviation.cell_mm)
        total = np.where(judged, stretch, 0.0).sum(axis=axis) * grid.cell_mm
        found.append(float(total[np.abs(total).argmax()]))
    return found[0], found[1]
