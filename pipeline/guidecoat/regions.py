"""Highs, lows and ripple: what stands outside tolerance, how sure, how big, where."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import ConvexHull, QhullError, cKDTree

from .cells import Cells
from .chart import Chart
from .deviation import CellDeviation
from .edges import Edge
from .scan import Scan
from .settings import ToleranceSettings

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

GUARD = 1.6449
"""One-sided 95 % quantile of the normal distribution: the guard band of ISO 14253-1 over u."""

_FOOT_OF_TOLERANCE = 0.12
_FOOT_SIGMAS = 2.5
_FOOT_REACH = 1.2
_FOOT_REACH_MM = 10.0
_SAME_MARK = 0.7
_SMALLEST_CORE_MM2 = 80.0
_FEWEST_CORE_CELLS = 4
_SMALLEST_RIPPLE_MM2 = 2500.0
_RIPPLE_WINDOW_MM = 18.0
_SLOPE_WINDOW_MM = 5.0
_STRONG = 2.0
_CLEAR_OF_STRONG_MM = 8.0
_BRIDGED_MM = 12.0
_RING_MM = 20.0
_FEWEST_ROUND = 20
_ABOVE_NOISE = 2.5
_LIKE_HEIGHT = 0.4
_LIKE_AREA = 0.1
_INLAND_MM = 15.0
_INLAND_SHARE = 0.6
_FULL = np.ones((3, 3), bool)


@dataclass(frozen=True, eq=False)
class Region:
    """One row of regions.csv; lengths in mm, x, y, z in the scan's own units and frame.

    `core` and `footprint` are (nu, nv) bool on the cells' grid: beyond tolerance, and the whole
    high or low down to the noise. Area, volume, mean, length and width are of the footprint; mean
    and volume count from the level of the sound skin round it.
    """

    region: str
    kind: str
    verdict: str
    peak_mm: float
    uncertainty_mm: float
    mean_mm: float
    area_cm2: float
    volume_cm3: float
    length_mm: float
    width_mm: float
    max_slope_mrad: float
    x: float
    y: float
    z: float
    u_mm: float
    v_mm: float
    from_edges: str
    action: str
    core: Mask
    footprint: Mask


@dataclass(frozen=True, eq=False)
class Mark:
    """A high, low or patch of ripple on the cells, before it is measured and named; level_mm : of
    the sound skin round it.
    """

    kind: str
    core: Mask
    footprint: Mask
    level_mm: float = 0.0


def find_marks(found: CellDeviation, cells: Cells, tolerance: ToleranceSettings) -> list[Mark]:
    """Find what stands, or may stand, beyond tolerance: highs and lows, and ripple.

    A crest or trough under twice the tolerance that is one of several like it is ripple's.
    """
    marks = _highs_and_lows(found, cells, tolerance.height_mm)
    strong = [
        mark
        for mark in marks
        if np.abs(found.smooth_mm[mark.core]).max() >= _STRONG * tolerance.height_mm
    ]
    taken = np.zeros(found.judged.shape, bool)
    for mark in strong:
        taken |= mark.footprint
    near = ndimage.distance_transform_edt(~taken) * cells.grid.cell_mm if taken.any() else np.inf
    rest = replace(found, judged=found.judged & (near > _CLEAR_OF_STRONG_MM))
    ripple = _ripple(rest, cells, tolerance.slope_mrad)
    waves = np.zeros(found.judged.shape, bool)
    for mark in ripple:
        waves |= mark.core
    weak = [m for m in marks if not any(m is s for s in strong)]
    weak = [m for m in weak if (m.core & waves).sum() < 0.5 * m.core.sum()]
    return strong + weak + ripple


def _highs_and_lows(found: CellDeviation, cells: Cells, tolerance_mm: float) -> list[Mark]:
    side = cells.grid.cell_mm
    value = np.where(found.judged, found.smooth_mm, 0.0)
    sigma = np.where(found.judged, found.sigma_mm, 1.0)
    least = np.maximum(tolerance_mm - GUARD * sigma, 0.5 * tolerance_mm)
    foot = max(_FOOT_OF_TOLERANCE * tolerance_mm, _FOOT_SIGMAS * found.height_noise_mm)
    loud = ndimage.distance_transform_edt(~(np.abs(value) > least)) * side <= _CLEAR_OF_STRONG_MM
    marks = []
    for sign, kind in ((1.0, "high"), (-1.0, "low")):
        height = sign * value
        core, count = ndimage.label(height > least, structure=_FULL)
        area = np.bincount(core.ravel(), minlength=count + 1) * side**2
        wanted = np.flatnonzero(area >= max(_SMALLEST_CORE_MM2, _FEWEST_CORE_CELLS * side**2))
        wanted = wanted[wanted > 0]
        body, _ = ndimage.label((height > foot) & found.judged)
        for group in _same_marks(core, wanted, body, height):
            cores = np.isin(core, group)
            others = np.isin(core, np.setdiff1d(wanted, group))
            footprint, level = _footprint(cores, others, height, found.judged, loud, foot, side)
            marks.append(Mark(kind, cores, footprint, sign * level))
    return marks


def _footprint(
    cores: Mask, others: Mask, height: Floats, judged: Mask, loud: Mask, foot: float, side: float
) -> tuple[Mask, float]:
    """A mark down to its foot above the level of the sound skin round it, and that level.

    What little the fair surface is off a whole neighbourhood would else spread every mark, and
    be multiplied by its area. A mark spreads no farther than a cosine or Gaussian of its core
    would, and shares the ground between with its neighbours.
    """
    away = ndimage.distance_transform_edt(~cores) * side
    room = judged & (away <= _FOOT_REACH * np.sqrt(cores.sum() / np.pi) * side + _FOOT_REACH_MM)
    if others.any():
        room &= away <= ndimage.distance_transform_edt(~others) * side
    level = 0.0
    footprint = cores
    for _ in range(2):
        body, _ = ndimage.label(((height - level > foot) | cores) & room)
        footprint = np.isin(body, np.unique(body[cores])[np.unique(body[cores]) > 0]) | cores
        beyond = ndimage.distance_transform_edt(~footprint) * side
        ring = judged & (beyond > 2.0) & (beyond <= _RING_MM) & ~loud
        if ring.sum() >= _FEWEST_ROUND:
            level = float(np.median(height[ring]))
    return footprint, level


def _same_marks(
    core: NDArray[np.int32], wanted: NDArray[np.intp], body: NDArray[np.int32], height: Floats
) -> list[list[int]]:
    """Groups of cores that are one mark: joined by ground over 0.7 of the lower one's peak."""
    if not len(wanted):
        return []
    peaks = dict(zip(wanted, ndimage.maximum(height, core, wanted), strict=True))
    homes = dict(zip(wanted, ndimage.maximum(body, core, wanted), strict=True))
    parent = {k: k for k in wanted}

    def root(k: int) -> int:
        while parent[k] != k:
            k = parent[k]
        return k

    for index, a in enumerate(wanted):
        for b in wanted[index + 1 :]:
            if homes[a] != homes[b] or root(a) == root(b):
                continue
            level = _SAME_MARK * min(peaks[a], peaks[b])
            joined, _ = ndimage.label((height > level) & (body == homes[a]), structure=_FULL)
            if set(np.unique(joined[core == a])) & set(np.unique(joined[core == b])) - {0}:
                parent[root(b)] = root(a)
    groups: dict[int, list[int]] = {}
    for k in wanted:
        groups.setdefault(root(k), []).append(int(k))
    return list(groups.values())


def slope_amplitude(found: CellDeviation, cells: Cells, *, surely: bool = False) -> Floats:
    """Amplitude of the slope error (mrad): root two of its root mean square over 18 mm round.

    For a wave the amplitude is its greatest slope, wherever its crests lie.

    Parameters
    ----------
    surely : take off not only the noise's mean square but three times its own scatter.
    """
    side = cells.grid.cell_mm
    sigma = _RIPPLE_WINDOW_MM / side
    weight = ndimage.gaussian_filter(found.judged.astype(np.float64), sigma)
    square = ndimage.gaussian_filter(np.where(found.judged, found.slope_mrad**2, 0.0), sigma)
    # So many slopes that err independently lie in the window, two directions each.
    independent = max((_RIPPLE_WINDOW_MM / max(_SLOPE_WINDOW_MM, side)) ** 2, 1.0)
    margin = 1.0 + (3.0 / np.sqrt(independent) if surely else 0.0)
    mean = square / np.maximum(weight, 1e-9) - 2.0 * margin * found.slope_sigma_mrad**2
    return np.where(found.judged, np.sqrt(2.0 * np.maximum(mean, 0.0)), 0.0)


def _ripple(found: CellDeviation, cells: Cells, tolerance_mrad: float) -> list[Mark]:
    """Patches that go up and down with a slope beyond tolerance."""
    side = cells.grid.cell_mm
    label, count = ndimage.label(slope_amplitude(found, cells, surely=True) > tolerance_mrad)
    area = np.bincount(label.ravel(), minlength=count + 1) * side**2
    edge = ndimage.distance_transform_edt(np.pad(found.judged, 1))[1:-1, 1:-1] * side
    inland = edge > _INLAND_MM
    marks = []
    for k in np.flatnonzero(area[1:] >= _SMALLEST_RIPPLE_MM2) + 1:
        patch = label == k
        clear = float((patch & inland).sum()) * side**2
        if clear >= _INLAND_SHARE * _SMALLEST_RIPPLE_MM2 and _oscillates(found, patch):
            marks.append(Mark("ripple", patch, patch))
    return marks


def _oscillates(found: CellDeviation, patch: Mask) -> bool:
    """Whether a patch has three crests and troughs or more of like height.

    A dent has one, and a faint rim at most.
    """
    value = np.where(patch, found.smooth_mm - np.median(found.smooth_mm[patch]), 0.0)
    level = _LIKE_HEIGHT * float(np.abs(value).max())
    crests, highs = ndimage.label(value > level)
    troughs, lows = ndimage.label(value < -level)
    areas = [
        np.sort(np.bincount(label.ravel())[1:])[::-1]
        for label, count in ((crests, highs), (troughs, lows))
        if count
    ]
    noise = float(np.median(found.sigma_mm[patch]))
    if len(areas) < 2 or np.abs(value).max() < _ABOVE_NOISE * noise:
        return False
    sizes = np.sort(np.concatenate(areas))[::-1]
    return bool(len(sizes) >= 3 and sizes[2] > _LIKE_AREA * sizes[0])


# --- measuring -----------------------------------------------------------------------------------


def measure_regions(
    marks: list[Mark],
    found: CellDeviation,
    cells: Cells,
    chart: Chart,
    scan: Scan,
    edges: tuple[Edge, ...],
    tolerance: ToleranceSettings,
    *,
    label: NDArray[np.int32] | None = None,
) -> tuple[Region, ...]:
    """Measure marks, decide on them, and name them by the size of their peak within a kind.

    Parameters
    ----------
    label : (nu, nv) face of every cell, so that tapes run over one face only.
    """
    regions = [
        region
        for mark in marks
        if (region := _measured(mark, found, cells, chart, scan, edges, tolerance, label))
        is not None
    ]
    out = []
    for kind, letter in (("high", "H"), ("low", "L"), ("ripple", "R")):
        own = [r for r in regions if r.kind == kind]
        size = (lambda r: -r.max_slope_mrad) if kind == "ripple" else (lambda r: -abs(r.peak_mm))
        ranked = sorted(own, key=size)
        out += [replace(region, region=f"{letter}{k}") for k, region in enumerate(ranked, start=1)]
    return tuple(out)


def _measured(
    mark: Mark,
    found: CellDeviation,
    cells: Cells,
    chart: Chart,
    scan: Scan,
    edges: tuple[Edge, ...],
    tolerance: ToleranceSettings,
    label: NDArray[np.int32] | None,
) -> Region | None:
    side = cells.grid.cell_mm
    sign = -1.0 if mark.kind == "low" else 1.0
    inside = mark.footprint & found.judged
    size = np.abs(found.smooth_mm) if mark.kind == "ripple" else sign * found.smooth_mm
    i, j = np.unravel_index(np.nanargmax(np.where(inside, size, np.nan)), size.shape)
    peak = _top(found.smooth_mm, int(i), int(j))
    u = float(found.sigma_mm[i, j])
    slope = found.slope_mrad[inside]
    if mark.kind == "ripple":
        amplitude = slope_amplitude(found, cells)[inside]
        greatest, beyond = float(amplitude.max()), tolerance.slope_mrad
        verdict = _verdict(greatest, found.slope_sigma_mrad, beyond)
    else:
        greatest = float(np.nanmax(slope))
        verdict = _verdict(abs(peak), u, tolerance.height_mm)
    if verdict == "in":
        return None
    whole = _whole(inside, found, side)
    values = _carried(found, whole)[whole] - mark.level_mm
    area = float(whole.sum()) * side**2
    long_side, short_side = _sides(whole, cells)
    place = np.array([cells.u_mm[i, j], cells.v_mm[i, j]])
    space = chart.to_space(np.array([[*place, cells.height_mm[i, j]]]))
    x, y, z = scan.to_file_frame(space)[0]
    return Region(
        "",
        mark.kind,
        verdict,
        peak,
        2.0 * u,
        float(values.mean()),
        area / 100.0,
        float(values.sum()) * side**2 / 1000.0,
        long_side,
        short_side,
        greatest,
        float(x),
        float(y),
        float(z),
        float(place[0]),
        float(place[1]),
        tape_distances(place, edges, face=0 if label is None else int(label[i, j])),
        "",
        mark.core,
        inside,
    )


def _top(field: Floats, i: int, j: int) -> float:
    """Height of the paraboloid through a cell and its neighbours: a peak lies between cells."""
    here = float(field[i, j])
    if not (0 < i < field.shape[0] - 1 and 0 < j < field.shape[1] - 1):
        return here
    rise = 0.0
    for before, after in ((field[i - 1, j], field[i + 1, j]), (field[i, j - 1], field[i, j + 1])):
        bend, lean = before - 2.0 * here + after, 0.5 * (after - before)
        if np.isfinite(bend) and bend * here < 0.0 and abs(lean) <= abs(bend):
            rise -= lean * lean / (2.0 * bend)
    return here + float(rise)


def _whole(inside: Mask, found: CellDeviation, side: float) -> Mask:
    """A footprint with its drop-outs, and with the band of a body line that runs across it."""
    reach = max(1, int(np.ceil(_BRIDGED_MM / side)))
    padded = np.pad(inside, reach)
    closed = ndimage.binary_closing(padded, iterations=reach)[reach:-reach, reach:-reach]
    return np.asarray(ndimage.binary_fill_holes(inside) | (closed & ~found.judged))


def _carried(found: CellDeviation, whole: Mask) -> Floats:
    """The deviation with a footprint's drop-outs bridged from the nearest judged cell."""
    if found.judged[whole].all():
        return found.cell_mm
    _, (i, j) = ndimage.distance_transform_edt(~found.judged, return_indices=True)
    return np.asarray(np.where(found.judged, found.cell_mm, found.smooth_mm[i, j]))


def _verdict(value: float, u: float, limit: float) -> str:
    """Decision rule of ISO 14253-1:2017 with a guard band of 1.6449 u on either side."""
    if value > limit + GUARD * u:
        return "out"
    return "undecided" if value > limit - GUARD * u else "in"


def _sides(inside: Mask, cells: Cells) -> tuple[float, float]:
    """Sides of the smallest rectangle round a footprint, over the cells' full squares."""
    side = cells.grid.cell_mm
    place = np.argwhere(inside) * side
    try:
        rim = place[ConvexHull(place).vertices]
    except (QhullError, ValueError):
        span = np.ptp(place, axis=0) + side
        return float(span.max()), float(span.min())
    way = np.roll(rim, -1, axis=0) - rim
    way = way / np.linalg.norm(way, axis=1)[:, None]
    along = rim @ way.T
    across = rim @ np.column_stack([-way[:, 1], way[:, 0]]).T
    spans = np.sort(np.column_stack([np.ptp(along, axis=0), np.ptp(across, axis=0)]) + side, axis=1)
    best = spans[spans.prod(axis=1).argmin()]
    return float(best[1]), float(best[0])


def tape_distances(place: Floats, edges: tuple[Edge, ...], *, face: int = 0) -> str:
    """Where to lay the tape: distances from the nearest edge and the nearest one across it.

    Edges of the outline come first; the tape runs over one face only, so where those of a face do
    not lie across each other, its body lines and steps serve.

    Parameters
    ----------
    place : (2,) chart mm; face : the one it lies on, 0 for any.
    """
    own = [e for e in edges if face in (0, e.face)] or list(edges)
    measured = []
    for edge in own:
        distance, nearest = cKDTree(edge.line_uv).query(place)
        way = edge.line_uv[nearest] - place
        measured.append((edge, float(distance), way / (np.linalg.norm(way) + 1e-12)))
    measured.sort(key=lambda m: (m[0].kind != "outline", m[1]))
    if not measured:
        return ""
    chosen = measured[:1]
    chosen += [m for m in measured[1:] if abs(m[2] @ measured[0][2]) < 0.7][:1]
    return ", ".join(f"{distance:.0f} mm from edge {edge.name}" for edge, distance, _ in chosen)
