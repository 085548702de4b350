"""Shoulders: bends broader than a body line and tighter than the batten follows.

A batten laid across a shoulder stands off it; laid along it, it tells a high from a low. So does
the fair surface, which hinges along a shoulder over its whole width.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..unrolling.cells import Cells
from ..unrolling.polylines import length_mm, run_along, ways_along
from .crease import Crease
from .crease_view import CreaseView
from .line_shapes import drawn_fair, joined_ends, runs_beside, runs_round
from .profiles import OUTER_SHARE, curvature_across, round_mm, turn_and_step
from .ridges import Ridge, trace_ridges

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Sigma: half of what the narrowest are rounded over, that the widest window for body lines misses.
_WINDOW_MM = 30.0
# Of the panel's own curvature, against which a shoulder stands out: three times its width.
_BACKGROUND_MM = 560.0
_PIECE_MM = 120.0
# Within the window a bend of 250 mm radius turns by 0.3 rad, of which bends that fill half of a
# panel leave half over its own curvature.
_LEAST_CREST_RAD = 0.15
# Rounded less than that to either side, a line is one by itself, and not the end of a broad bend
# (choice: twice the window that finds it).
_CRISP_MM = 25.0
# Share of the panel's greater side that a shoulder runs over: a dent does not (choice).
_LEAST_LONG = 0.5
# Pieces are one shoulder that follow on one another, so far aside at most (choice).
_ASIDE_MM = 40.0
# How far to either side a shoulder may be rounded, and the share of its greatest curvature that is
# left where it ends: with a fifth the surface stood off by 0.4 mm at the ends of the band.
_WIDEST_MM = 200.0
_STILL_ROUND = 0.1
# Sigmas of the window by which an arc's end seems to lie farther out (computed).
_BLURRED = 0.8
# The skin that is looked at on either side of it, and how far that turns at least: 15 degrees.
_BESIDE_MM = 90.0
_LEAST_TURN_RAD = 0.26
_SIDES_SEEN = 0.2
# Of a profile out to where the skin beside it begins, what its middle is found from (choice).
_MOSTLY_SEEN = 0.95
# Of what a station turns in the middle of all (choice).
_TURNS_LITTLE = 0.3


def with_shoulders(
    lines: tuple[Crease, ...], cells: Cells, mask: Mask, skin: Mask
) -> tuple[Crease, ...]:
    """Body lines and the shoulders of a skin, or the same lines where it has none.

    They are ridges of curvature as body lines are, seen through a window of 30 mm against what
    curvature the panel has over half a metre, and across which it turns by at least 15 degrees
    from one side to the other: a dent comes back to where it was.

    Parameters
    ----------
    lines : those known; one that lies within a shoulder is its own, and goes.
    mask : (nu, nv) bool, cells to look on, clear of edges; skin : all cells of the skin.
    """
    if not mask.any():
        return lines
    view = CreaseView.through(cells, mask, skin, sigma_mm=_WINDOW_MM)
    ridges = trace_ridges(
        view.fit,
        mask,
        cells.grid,
        sigma_mm=_WINDOW_MM,
        shortest_mm=_PIECE_MM,
        background_mm=_BACKGROUND_MM,
        least_rad=_LEAST_CREST_RAD,
    )
    least = _LEAST_LONG * np.ptp(np.argwhere(mask), axis=0).max() * cells.grid.cell_mm
    drawn = [drawn_fair(r, cells.grid.cell_mm) for r in _joined(ridges) if length_mm(r) > least]
    crisp = [line for line in lines if line.round_mm < _CRISP_MM]
    shoulders: list[Crease] = []
    for line in sorted(drawn, key=length_mm, reverse=True):
        found = _shoulder(_centred(line, view), view)
        if found is None or any(_within(found, s) for s in shoulders):
            continue
        if not any(runs_beside(found.line_uv, c.line_uv, _WINDOW_MM) for c in crisp):
            shoulders.append(found)
    if not shoulders:
        return lines
    kept = [c for c in lines if c in crisp or not any(_within(c, s) for s in shoulders)]
    return tuple(replace(c, name=f"C{k}") for k, c in enumerate([*kept, *shoulders], start=1))


def _within(line: Crease, shoulder: Crease) -> bool:
    return runs_beside(line.line_uv, shoulder.line_uv, shoulder.hinged_mm)


def _joined(ridges: list[Ridge]) -> list[Floats]:
    """Lines from the pieces of each that drop-outs and noise left, longest first."""
    lines: list[tuple[Floats, float]] = []
    for ridge in sorted(ridges, key=lambda r: -r.length_mm):
        if runs_round(ridge):
            continue
        for k, (line, turn) in enumerate(lines):
            joined = joined_ends(line, ridge.line_uv)
            if joined is not None and turn * ridge.turn_rad > 0 and _follows(ridge, line):
                lines[k] = joined, turn
                break
        else:
            lines.append((ridge.line_uv, ridge.turn_rad))
    return [line for line, _ in lines]


def _follows(ridge: Ridge, line: Floats) -> bool:
    """Whether a ridge lies where a line runs on to."""
    way = (line[-1] - line[0]) / (np.linalg.norm(line[-1] - line[0]) + 1e-12)
    aside = (ridge.line_uv - line[0]) @ np.array([-way[1], way[0]])
    return bool(np.abs(aside).max() < _ASIDE_MM)


def _centred(line: Floats, view: CreaseView) -> Floats:
    """A line moved to the centroid of what the surface turns across it.

    An arc has no crest of curvature to trace. A mark on it turns as much back as forth and has no
    moment either: it moves the crest, and not the centroid.
    """
    offset, across = curvature_across(line, view.fit, view.cells, view.mask, reach_mm=_WIDEST_MM)
    outer = np.abs(offset) > OUTER_SHARE * _WIDEST_MM
    whole = np.isfinite(across[:, ~outer]).mean(axis=1) > _MOSTLY_SEEN
    beyond = across[:, outer][np.isfinite(across[:, outer])]
    if whole.mean() < _SIDES_SEEN or not beyond.size:
        return line
    excess = np.nan_to_num(across[:, ~outer] - np.median(beyond))
    turn = excess.sum(axis=1)
    # Where it turns little there is no middle to be found.
    whole &= np.abs(turn) > _TURNS_LITTLE * np.median(np.abs(turn[whole]))
    aside = (excess[whole] @ offset[~outer]) / turn[whole]
    run = run_along(line)
    _, left = ways_along(line)
    moved = line + np.interp(run, run[whole], aside)[:, None] * left
    return drawn_fair(moved, view.cells.grid.cell_mm)


def _shoulder(line: Floats, view: CreaseView) -> Crease | None:
    """A line as a shoulder, None where the panel does not turn from one side of it to the other."""
    seen_mm = round_mm(
        line, view.fit, view.cells, view.mask, widest_mm=_WIDEST_MM, still_round=_STILL_ROUND
    )
    wide = max(seen_mm - _BLURRED * _WINDOW_MM, _WINDOW_MM)
    turn, _ = turn_and_step(
        line, view.fit, view.cells, view.mask, near_mm=seen_mm, far_mm=seen_mm + _BESIDE_MM
    )
    seen = np.isfinite(turn)
    middle = float(np.median(turn[seen])) if seen.mean() > _SIDES_SEEN else 0.0
    if abs(middle) < _LEAST_TURN_RAD:
        return None
    length = length_mm(line)
    return Crease("", "soft", line, 1e3 * middle, 0.0, length, "found", wide, shoulder=True)
