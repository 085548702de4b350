"""Body lines: found, given or off. Sharp ones and steps part the skin; soft ones are hinges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .cells import Cells
from .local_fit import LocalFit, fit_locally
from .ridges import Ridge, smooth_line, trace_ridges

Floats = NDArray[np.float64]

SHORTEST_MM = 120.0
_WINDOW_CELLS = 2.0
_NEAR_MM, _FAR_MM = 14.0, 55.0
_LEAST_TURN_RAD = 0.02
_SHARP_TURN_RAD = 0.14
_LEAST_STEP_MM = 0.8
_BRIDGED_MM = 60.0
_LEAST_SEEN = 0.2
_MOST_GOOD = 0.6
_LEAST_SHARP = 0.6
_LEAST_TURN_SHARE = 0.2


@dataclass(frozen=True, eq=False)
class Crease:
    """A body line on the chart.

    name : "C1", "C2" ...; kind : soft (the surface hinges), sharp (it parts two faces) or step;
    line_uv : (k, 2) mm; turn_mrad : how far the surface turns across it, + when it turns up
    (a valley); step_mm : how far the side to the left of the line stands above the right;
    length_mm; source : found | given.
    """

    name: str
    kind: str
    line_uv: NDArray[np.float64]
    turn_mrad: float
    step_mm: float
    length_mm: float
    source: str

    @property
    def parts(self) -> bool:
        """Whether it parts the skin into faces."""
        return self.kind in ("sharp", "step")


def find_creases(cells: Cells, mask: NDArray[np.bool_]) -> tuple[Crease, ...]:
    """Find body lines on the cells of a skin.

    Lines are ridges of curvature that stand out from everything round them, run for at least
    120 mm, and across which the surface truly turns or steps: quadratics laid on either side,
    14 to 55 mm off, must meet the line at different slopes or heights. A dent's bottom, however
    long, has the same form on both sides and is refused.
    """
    sigma = _WINDOW_CELLS * cells.grid.cell_mm
    fit = fit_locally(
        cells.height_mm, mask.astype(float), cell_mm=cells.grid.cell_mm, sigma_mm=sigma, where=mask
    )
    ridges = trace_ridges(fit, mask, cells.grid, sigma_mm=sigma, shortest_mm=0.6 * SHORTEST_MM)
    taken: list[Crease] = []
    refused: list[Ridge] = []
    for ridge in ridges:
        if any(_runs_beside(ridge.line_uv, other.line_uv, _FAR_MM) for other in refused):
            continue
        found = _verified(ridge, cells, fit, mask)
        if found is None:
            if ridge.length_mm > SHORTEST_MM:
                refused.append(ridge)
            continue
        taken.append(found)
    taken.sort(key=lambda c: (-c.length_mm, c.line_uv[0, 0]))
    return tuple(
        Crease(f"C{k + 1}", c.kind, c.line_uv, c.turn_mrad, c.step_mm, c.length_mm, c.source)
        for k, c in enumerate(taken)
    )


def given_crease(name: str, line_uv: Floats, cells: Cells, mask: NDArray[np.bool_]) -> Crease:
    """A line the user gave: soft unless the surface turns or steps sharply across it."""
    sigma = _WINDOW_CELLS * cells.grid.cell_mm
    fit = fit_locally(
        cells.height_mm, mask.astype(float), cell_mm=cells.grid.cell_mm, sigma_mm=sigma, where=mask
    )
    line = smooth_line(line_uv, sigma_mm=1.0, station_mm=8.0)
    turn, step = _turn_and_step(line, fit, cells, mask)
    seen = np.isfinite(turn)
    middle_turn = float(np.median(turn[seen])) if seen.any() else 0.0
    middle_step = float(np.median(step[seen])) if seen.any() else 0.0
    return _crease(name, line, middle_turn, middle_step, "given")


def _crease(name: str, line: Floats, turn: float, step: float, source: str) -> Crease:
    kind = "step" if abs(step) > _LEAST_STEP_MM else "soft"
    if kind == "soft" and abs(turn) > _SHARP_TURN_RAD:
        kind = "sharp"
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    return Crease(name, kind, line, 1e3 * turn, step, length, source)


def _runs_beside(line: Floats, other: Floats, within_mm: float) -> bool:
    near = cKDTree(other).query(line)[0] < within_mm
    return bool(near.mean() > 0.7)


def _verified(ridge: Ridge, cells: Cells, fit: LocalFit, mask: NDArray[np.bool_]) -> Crease | None:
    """The stretch of a ridge across which the surface turns or steps, if it is long enough."""
    turn, step = _turn_and_step(ridge.line_uv, fit, cells, mask)
    seen = np.isfinite(turn)
    if seen.mean() < _LEAST_SEEN:
        return _strong_alone(ridge)
    middle_turn, middle_step = float(np.median(turn[seen])), float(np.median(step[seen]))
    steps = abs(middle_step) > _LEAST_STEP_MM
    if not steps and (abs(middle_turn) < _LEAST_TURN_RAD or middle_turn * ridge.turn_rad < 0):
        return None
    # Seen through a Gaussian window a step of s turns by s / (sigma sqrt(e)), a kink by a good part
    # of itself; a dent's flank that merely looks like one turns far less.
    sigma = _WINDOW_CELLS * cells.grid.cell_mm
    least = _LEAST_SHARP * abs(middle_step) / (sigma * np.sqrt(np.e)) if steps else 0.0
    if abs(ridge.turn_rad) < max(least, _LEAST_TURN_SHARE * abs(middle_turn) * (not steps)):
        return None
    value, middle = (step, middle_step) if steps else (turn, middle_turn)
    good = seen & (value * np.sign(middle) > 0.4 * abs(middle))
    stretch: slice | None = slice(0, len(good))
    if good.sum() < _MOST_GOOD * seen.sum():
        stretch = _longest_stretch(good, ~seen, ridge.line_uv)
    if stretch is None:
        return None
    line = ridge.line_uv[stretch]
    found = _crease("", line, middle_turn, middle_step, "found")
    return found if found.length_mm >= SHORTEST_MM else None


def _strong_alone(ridge: Ridge) -> Crease | None:
    """A long ridge with too little skin beside it to tell (beside a window, say): only one that
    turns so sharply that no dent could is taken.
    """
    if abs(ridge.turn_rad) < 2.0 * _SHARP_TURN_RAD or ridge.length_mm < 1.5 * SHORTEST_MM:
        return None
    return Crease("", "sharp", ridge.line_uv, 1e3 * ridge.turn_rad, 0.0, ridge.length_mm, "found")


def _longest_stretch(
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


def _turn_and_step(
    line: Floats, fit: LocalFit, cells: Cells, mask: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Per station of a line: turn (rad) and step (mm) between quadratics laid on either side."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None] + 1e-12
    left = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    offset = np.arange(_NEAR_MM, _FAR_MM, cells.grid.cell_mm)
    sides = []
    for sign in (1.0, -1.0):
        place = line[:, None, :] + sign * offset[None, :, None] * left[:, None, :]
        height = _heights(place, cells, fit, mask)
        sides.append(_at_the_line(height, offset))
    (z_left, s_left), (z_right, s_right) = sides
    # Slopes run away from the line on both sides, so a straight panel has s_left = -s_right.
    return s_left + s_right, z_left - z_right


def _heights(place: Floats, cells: Cells, fit: LocalFit, mask: NDArray[np.bool_]) -> Floats:
    """Heights at chart places from the nearest cell's local plane, NaN off the mask."""
    grid = cells.grid
    u, v = place[..., 0], place[..., 1]
    i, j = grid.index(u, v)
    inside = (
        (u >= grid.u0_mm)
        & (v >= grid.v0_mm)
        & (u <= grid.u0_mm + grid.shape[0] * grid.cell_mm)
        & (v <= grid.v0_mm + grid.shape[1] * grid.cell_mm)
        & mask[i, j]
    )
    height = (
        cells.height_mm[i, j]
        + fit.slope_u[i, j] * (u - cells.u_mm[i, j])
        + fit.slope_v[i, j] * (v - cells.v_mm[i, j])
    )
    return np.where(inside, height, np.nan)


def _at_the_line(height: Floats, offset: Floats) -> tuple[Floats, Floats]:
    """Value and slope at offset 0 of a quadratic through (k, q) one-sided profiles.

    A profile ends at its first gap or at its next step; with under 25 mm left it is a line, with
    under 12 mm nothing.
    """
    seen = np.isfinite(height)
    jump = np.abs(np.diff(height, axis=1, prepend=height[:, :1])) > 1.2 * (offset[1] - offset[0])
    seen &= ~np.maximum.accumulate(jump & seen, axis=1)
    seen &= np.cumsum(~seen, axis=1) <= 1
    reach = np.where(seen, offset, 0.0).max(axis=1) - offset[0]
    out = np.full((len(height), 2), np.nan)
    x = offset / offset[-1]
    for degree, rows in ((2, reach > 25.0), (1, (reach > 12.0) & (reach <= 25.0))):
        basis = np.vander(x, degree + 1, increasing=True)
        for k in np.flatnonzero(rows):
            use = seen[k]
            found = np.linalg.lstsq(basis[use], height[k, use], rcond=None)[0]
            out[k] = found[0], found[1] / offset[-1]
    return out[:, 0], out[:, 1]
