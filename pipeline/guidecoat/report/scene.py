"""The panel in 3-D: a light mesh over the cells, with its channels, marks and lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates

from ..findings.regions import Region
from ..pictures.colours import NEUTRAL, NOT_JUDGED_GREY, Scale, band_colours
from ..pictures.mesh import STEEPEST
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart
from .pieces import packed

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_Scalar = TypeVar("_Scalar", bound=np.generic)

MOST_VERTICES = 25_000
_LIFT_MM = 1.0
# What is out of tolerance stands out; what a comparison found mended is a memory of its place.
_OUTLINE_WIDTHS = (("out", 5), ("undecided", 3), ("in", 1))
_FULL_SCALE, _U2 = 32767.0, 1 << 16
# ColorBrewer's Greens (Brewer 2003): slope has a size and no sign.
_SLOPE_COLOURS = ("#c7e9c0", "#74c476", "#238b45", "#00441b")


@dataclass(frozen=True, eq=False)
class Channel:
    """A number at every cell that the panel can be coloured by.

    id, label, unit; values : (nu, nv), NaN where unknown; limits : rising band edges;
    colours : one more than limits; signed : whether the sign means something.
    """

    id: str
    label: str
    unit: str
    values: Floats
    limits: tuple[float, ...]
    colours: tuple[str, ...]
    signed: bool

    @property
    def ends(self) -> tuple[float, float]:
        """Values at which the outer bands end, a tenth beyond the outer edges."""
        high = 1.1 * self.limits[-1]
        return (-high if self.signed else 0.0), high


@dataclass(frozen=True, eq=False)
class Thinned:
    """Every k-th cell of a grid: what the 3-D view and the light are drawn from."""

    every: int
    first: int

    def __call__(self, field: NDArray[_Scalar]) -> NDArray[_Scalar]:
        """The cells that are kept of a (nu, nv, ...) field."""
        return field[self.first :: self.every, self.first :: self.every]


def thinned(cells: Cells, *, most: int = MOST_VERTICES) -> Thinned:
    """Thin a grid until at most so many of its filled cells are left."""
    every = max(1, int(np.ceil(np.sqrt(cells.filled.sum() / most))))
    return Thinned(every, every // 2)


def deviation_channel(scale: Scale, values: Floats, *, name: str, label: str) -> Channel:
    """A signed deviation in the bands of the map."""
    up = scale.levels_mm
    limits = (*(-level for level in reversed(up)), *up)
    low, high = (band_colours(len(up), high=h) for h in (False, True))
    return Channel(name, label, "mm", values, limits, (*reversed(low), NEUTRAL, *high), True)


def slope_channel(values: Floats, tolerance_mrad: float) -> Channel:
    """The slope error in bands of the tolerance."""
    limits = tuple(tolerance_mrad * step for step in (1.0, 2.0, 4.0, 8.0))
    return Channel("slope", "slope", "mrad", values, limits, (NEUTRAL, *_SLOPE_COLOURS), False)


def legend(channel: Channel) -> list[tuple[str, str]]:
    """Colour and words of each band, from the highest to the lowest."""
    words = []
    for k, colour in enumerate(channel.colours):
        low = channel.limits[k - 1] if k else None
        high = channel.limits[k] if k < len(channel.limits) else None
        words.append((colour, _band_words(channel, low, high)))
    return words[::-1]


def _band_words(channel: Channel, low: float | None, high: float | None) -> str:
    def told(value: float) -> str:
        sign = "\u2212" if value < 0 else "+" if channel.signed else ""
        return f"{sign}{abs(value):g}"

    if channel.signed and low is not None and high is not None and low < 0 < high:
        return f"within \u00b1{high:g} {channel.unit}"
    if low is None:
        below = "below" if channel.signed else "under"
        return f"{below} {told(high or 0.0)} {channel.unit}"
    return f"over {told(low)} {channel.unit}" if high is None else f"{told(low)} to {told(high)}"


def scene_data(
    chart: Chart,
    cells: Cells,
    points_mm: Floats,
    normals: Floats,
    channels: tuple[Channel, ...],
    regions: tuple[Region, ...],
    lines_uv: tuple[tuple[Floats, str], ...],
    thin: Thinned,
) -> dict[str, object]:
    """What the page's script draws.

    Parameters
    ----------
    points_mm, normals : (nu, nv, 3) of the surface shown, NaN where there is none.
    channels : the first one can be exaggerated along the normals.
    lines_uv : (k, 2) chart lines and whether each is an `edge` or a `crease`.
    """
    filled = thin(cells.filled & np.isfinite(points_mm[..., 0]))
    index = np.full(filled.shape, -1, np.int64)
    index[filled] = np.arange(int(filled.sum()))
    place = _turned(chart, thin(points_mm)[filled])
    upright = thin(normals)[filled] @ chart.rotation.T
    judged_cell = thin(np.isfinite(channels[0].values))[filled]
    faces = _triangles(index, thin(cells.height_mm), STEEPEST * thin.every * cells.grid.cell_mm)
    judged = judged_cell[faces].all(axis=1)
    # A panel of a metre is told to 0.02 mm, and in half the bytes.
    step = max(float(np.abs(place).max(initial=0.0)) / _FULL_SCALE, 1e-6)
    number = np.flatnonzero(filled.ravel())
    return {
        "points": packed(np.round(place / step), "i2"),
        "step_mm": step,
        "normals": packed(np.round(np.nan_to_num(upright) * _FULL_SCALE), "i2"),
        "cell": packed(number, "u2" if filled.size <= _U2 else "i4"),
        "region": packed(_region_numbers(regions, thin, filled), "u1"),
        "judged": packed(faces[judged], "u2"),
        "unjudged": packed(faces[~judged], "u2"),
        "unjudged_colour": NOT_JUDGED_GREY,
        "channels": [_channel(one, thin, filled) for one in channels],
        "marks": [_mark(region, chart, cells, points_mm, normals) for region in regions],
        "lines": _lines(chart, cells, points_mm, regions, lines_uv),
    }


def _channel(channel: Channel, thin: Thinned, filled: NDArray[np.bool_]) -> dict[str, object]:
    low, high = channel.ends
    return {
        "id": channel.id,
        "label": channel.label,
        "unit": channel.unit,
        "signed": channel.signed,
        "values": packed(thin(channel.values)[filled], "f4"),
        "limits": list(channel.limits),
        "colours": list(channel.colours),
        "low_mm": low,
        "high_mm": high,
    }


def _turned(chart: Chart, points_mm: Floats) -> Floats:
    """Points as one stands before the panel: u to the right, v up, the outside to the front."""
    return np.asarray((points_mm - chart.origin_mm) @ chart.rotation.T)


def _triangles(index: NDArray[np.int64], height: Floats, steepest_mm: float) -> Ints:
    corners = np.stack([index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]], axis=-1)
    h = np.stack([height[:-1, :-1], height[1:, :-1], height[1:, 1:], height[:-1, 1:]], axis=-1)
    there = corners >= 0
    span = np.where(there, h, -np.inf).max(axis=-1) - np.where(there, h, np.inf).min(axis=-1)
    near = span <= steepest_mm
    whole = corners[there.all(axis=-1) & near]
    three = (there.sum(axis=-1) == 3) & near
    single = corners[three][there[three]].reshape(-1, 3)
    return np.concatenate([whole[:, [0, 1, 2]], whole[:, [0, 2, 3]], single]).astype(np.int32)


def _region_numbers(
    regions: tuple[Region, ...], thin: Thinned, filled: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    """Number of the region each vertex lies in, from 1, 0 for none; the first 255 only."""
    number = np.zeros(filled.shape, np.uint8)
    for k, region in reversed(list(enumerate(regions[:255], start=1))):
        number[thin(region.footprint)] = k
    return number[filled]


def _mark(
    region: Region, chart: Chart, cells: Cells, points_mm: Floats, normals: Floats
) -> dict[str, object]:
    i, j = cells.grid.index(np.array([region.u_mm]), np.array([region.v_mm]))
    normal = np.nan_to_num(normals[i[0], j[0]] @ chart.rotation.T)
    x, y, z = np.nan_to_num(_turned(chart, points_mm[i[0], j[0]])) + 4.0 * normal
    return {
        "name": region.region,
        "kind": region.kind,
        "x": round(float(x), 2),
        "y": round(float(y), 2),
        "z": round(float(z), 2),
        "normal": [round(float(n), 4) for n in normal],
    }


def _lines(
    chart: Chart,
    cells: Cells,
    points_mm: Floats,
    regions: tuple[Region, ...],
    lines_uv: tuple[tuple[Floats, str], ...],
) -> list[dict[str, object]]:
    """Outlines of the regions, edges and creases, just above the surface."""
    height = chart.to_chart(points_mm.reshape(-1, 3))[:, 2].reshape(cells.grid.shape)
    nearest = distance_transform_edt(np.isnan(height), return_distances=False, return_indices=True)
    height = height[tuple(nearest)]

    def on_surface(uv: Floats) -> Floats:
        low = np.array([cells.grid.u0_mm, cells.grid.v0_mm])
        at = (uv - low).T / cells.grid.cell_mm - 0.5
        h = map_coordinates(height, at, order=1, mode="nearest")
        return _turned(chart, chart.to_space(np.column_stack([uv, h + _LIFT_MM])))

    drawn: list[dict[str, object]] = []
    for kind, dash in (("high", "solid"), ("low", "dash"), ("ripple", "dot")):
        for verdict, width in _OUTLINE_WIDTHS:
            runs = [
                on_surface(uv)
                for region in regions
                if (region.kind, region.verdict) == (kind, verdict)
                for uv in _outlines(region.core, cells)
            ]
            drawn += _drawn(runs, "#1a1a1a", width, dash)
    for kind, dash in (("edge", "solid"), ("crease", "dash")):
        runs = [on_surface(uv) for uv, own in lines_uv if own == kind]
        drawn += _drawn(runs, "#555555", 3, dash)
    return drawn


def _drawn(runs: list[Floats], colour: str, width: int, dash: str) -> list[dict[str, object]]:
    if not runs:
        return []
    gap = np.full((1, 3), np.nan)
    joined = np.concatenate([part for run in runs for part in (run, gap)])
    return [{"points": packed(joined, "f4"), "colour": colour, "width": width, "dash": dash}]


def _outlines(mask: NDArray[np.bool_], cells: Cells) -> list[Floats]:
    smooth = gaussian_filter(np.pad(mask, 1).astype(np.float64), 0.8)[1:-1, 1:-1]
    found = contour_generator(cells.grid.v_mm, cells.grid.u_mm, smooth).lines(0.4)
    return [np.asarray(line)[:, ::-1] for line in found]
