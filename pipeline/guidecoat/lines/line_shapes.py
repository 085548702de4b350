"""The shapes of traced lines: where they turn a corner, run round, and how they are drawn fair."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ..numerics.whittaker import robust_line
from ..unrolling.polylines import length_mm
from .ridges import STATION_MM, Ridge

Floats = NDArray[np.float64]

_CORNER_STATIONS = 4
_CORNER_RAD = 0.6
_LINE_BATTEN_MM = 400.0
_LINE_FLOOR = 0.1
_LEAST_REACH = 0.6
_MOST_WINDING_RAD = 1.0
_TIGHTEST_BEND_MM = 150.0
_BRIDGED_MM = 60.0
# Of its length: a line that reaches less far turns back or winds.
_RUNS_ON = 0.93
# Over 64 mm: a body line bends by less, the rim of a mark up to 200 mm across by more (derived).
_BEND_RAD = 0.5
# Of a line's stations: more is a line that runs round (choice).
_HOOK = 0.15


def straight_sides(ridge: Ridge) -> list[Ridge]:
    """A ridge cut at its corners: two lines that run into one another differ in kind."""
    line = ridge.line_uv
    n = _CORNER_STATIONS
    if len(line) < 4 * n:
        return [ridge]
    ahead, behind = line[2 * n :] - line[n:-n], line[n:-n] - line[: -2 * n]
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    turn = np.abs(np.arctan2(cross, (ahead * behind).sum(axis=1)))
    greatest = ndimage.maximum_filter1d(turn, 2 * n + 1)
    cuts = np.flatnonzero((turn == greatest) & (turn > _CORNER_RAD)) + n
    bounds = [0, *cuts, len(line) - 1]
    return [
        Ridge(line[a : b + 1], ridge.turn_rad) for a, b in itertools.pairwise(bounds) if b - a >= 2
    ]


def runs_beside(line: Floats, other: Floats, within_mm: float) -> bool:
    """Whether most of a line runs within a distance of another."""
    near = cKDTree(other).query(line)[0] < within_mm
    return bool(near.mean() > 0.7)


def runs_round(ridge: Ridge) -> bool:
    """Whether a line comes back on itself, or bends more tightly than body lines do."""
    reach = float(np.linalg.norm(ridge.line_uv[-1] - ridge.line_uv[0]))
    chord = ridge.line_uv[_CORNER_STATIONS:] - ridge.line_uv[:-_CORNER_STATIONS]
    if reach < _LEAST_REACH * ridge.length_mm or len(chord) < 2:
        return reach < _LEAST_REACH * ridge.length_mm
    heading = np.unwrap(np.arctan2(chord[:, 1], chord[:, 0]))
    turn = abs(float(heading[-1] - heading[0]))
    return turn > _MOST_WINDING_RAD and ridge.length_mm < _TIGHTEST_BEND_MM * turn


def winds(ridge: Ridge) -> bool:
    """Whether a line is so much longer than it reaches that it is not drawn fair."""
    reach = float(np.linalg.norm(ridge.line_uv[-1] - ridge.line_uv[0]))
    return reach < _RUNS_ON * ridge.length_mm


def straightest(ridge: Ridge) -> Ridge:
    """A ridge's longest stretch without a tight bend: what runs along a body line and then round a
    mark on it is a line as far as the mark.
    """
    chord = ridge.line_uv[_CORNER_STATIONS:] - ridge.line_uv[:-_CORNER_STATIONS]
    if len(chord) <= _CORNER_STATIONS:
        return ridge
    heading = np.unwrap(np.arctan2(chord[:, 1], chord[:, 0]))
    bend = np.abs(heading[_CORNER_STATIONS:] - heading[:-_CORNER_STATIONS])
    label, count = ndimage.label(bend < _BEND_RAD)
    if not count:
        return ridge
    longest = ndimage.find_objects(label)[int(np.bincount(label)[1:].argmax())][0]
    stretch = ridge.line_uv[longest.start : longest.stop + 2 * _CORNER_STATIONS]
    return Ridge(stretch, ridge.turn_rad)


def drawn_fair(line: Floats, cell_mm: float) -> Floats:
    """A line that runs one way, redrawn with a 400 mm batten; one that turns back, as it is.

    A body line is a gentle curve; the traced one wavers with the cells and strays at its ends.
    """
    line = _without_hooks(line)
    middle, axes = _main_axes(line)
    along, across = ((line - middle) @ axes[:, ::-1]).T
    if along[-1] < along[0]:
        along = -along
    length = length_mm(line)
    span = along[-1] - along[0]
    if span < _RUNS_ON * length or span < 10.0 * STATION_MM:
        return line
    order = np.argsort(along, kind="stable")
    count = int(span / STATION_MM) + 1
    x = np.linspace(along[0], along[-1], count)
    y = np.interp(x, along[order], across[order])
    step = float(x[1] - x[0])
    drawn, _ = robust_line(
        y,
        np.ones(count, bool),
        step_mm=step,
        batten_mm=_LINE_BATTEN_MM,
        floor_mm=_LINE_FLOOR * cell_mm,
    )
    sign = 1.0 if (line[-1] - line[0]) @ axes[:, 1] >= 0 else -1.0
    return middle + np.outer(sign * x, axes[:, 1]) + np.outer(drawn, axes[:, 0])


def _main_axes(line: Floats) -> tuple[Floats, Floats]:
    """A line's middle, and as columns the ways across it and along it."""
    middle = line.mean(axis=0)
    return middle, np.linalg.eigh(np.cov((line - middle).T))[1]


def _without_hooks(line: Floats) -> Floats:
    """A line without the short ends that run back beside it, along which it would be carried on."""
    middle, axes = _main_axes(line)
    along = (line - middle) @ axes[:, 1]
    first, last = sorted((int(along.argmin()), int(along.argmax())))
    hooks = max(first, len(line) - 1 - last)
    return line[first : last + 1] if hooks < _HOOK * len(line) else line


def longest_stretch(
    good: NDArray[np.bool_], unknown: NDArray[np.bool_], line: Floats
) -> slice | None:
    """Longest run without a bad stretch of over 60 mm; where one side is too narrow to tell
    (beside a recess, say) the ridge itself is believed.
    """
    bad = ~good & ~unknown
    if good.sum() < 2:
        return None
    spacing = float(np.median(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    places = np.flatnonzero(~bad)
    breaks = np.flatnonzero(np.diff(places) > int(_BRIDGED_MM / spacing))
    starts, ends = np.concatenate([[0], breaks + 1]), np.concatenate([breaks, [len(places) - 1]])
    best = int(np.argmax(places[ends] - places[starts]))
    return slice(int(places[starts[best]]), int(places[ends[best]]) + 1)


def joined_ends(line: Floats, other: Floats) -> Floats | None:
    """One line of two that follow on one another, None where they lie side by side."""
    chord = line[-1] - line[0]
    chord = chord / (np.linalg.norm(chord) + 1e-12)
    if (other[-1] - other[0]) @ chord < 0.0:
        other = other[::-1]
    first, last = (other[[0, -1]] - line[0]) @ chord
    if first > (line[-1] - line[0]) @ chord - 0.5 * STATION_MM:
        return np.vstack([line, other])
    return np.vstack([other, line]) if last < 0.5 * STATION_MM else None
