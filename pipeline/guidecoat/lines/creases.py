"""Body lines: found, given or off. Sharp ones and steps part the skin; soft ones are hinges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..unrolling.cells import Cells
from ..unrolling.polylines import length_mm, near_line
from .crease import Crease
from .crease_view import CreaseView, window_mm
from .far_off import flanks_among, is_pressed, turns_far_off
from .line_shapes import (
    drawn_fair,
    longest_stretch,
    runs_beside,
    runs_round,
    straight_sides,
    straightest,
    winds,
)
from .profiles import FAR_MM, round_mm
from .ridges import STATION_MM, Ridge, smooth_line, trace_ridges
from .steep_marks import without_steep_marks
from .whole_lines import ALIKE_SHARE, to_the_edge, whole_lines

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Figures tried at half and double on 15 panels (a door as doors are, folds that end or fade,
# swages, bowls, dents, flanges; noise 0.03 to 0.12 mm): what changes stands beside each, "the same"
# where no line does. A choice has no better reason than that.

# Shorter ridges are rims of dents and bowls, for which a recess's sides alone pass. At a hundredth
# of a panel those come in as steps; 400 mm loses short sides of the door's recess; else the same.
SHORTEST_MM = 200.0
_SHORTEST_SHARE = 0.4
# Sigma for lines rounded over up to 70 mm, which at noise 0.12 mm 7.5 mm misses and 30 mm does not.
_WIDE_WINDOW_MM = 15.0
# The wide window sees a line that is known this far off: three or four of its sigmas. At nothing
# known lines are found again; half and double are the same.
_CLEAR_OF_TAKEN_MM = 60.0
# A swage of 22 mrad counts, which 40 mrad would miss; at nothing a fold gains side lines of 7 mrad.
_LEAST_TURN_RAD = 0.02
# 8 degrees: sharper, no crown turns so within a window, and the surfaces on either side are two. At
# half folds of 100 mrad part their panels; at double two of the door's lines lose their ends.
_SHARP_TURN_RAD = 0.14
# Steps: more than a line makes of a turn (rad) when it lies 5 mm beside it. A scratch would be one
# at no least height; doubled or halved turns and steps of the door change places.
_LEAST_STEP_MM = 0.8
_STEP_OVER_TURN_MM = 5.0
# Share of stations: seen at fewer, the sides of a line say too little (beside a window). At none or
# at nine tenths the door's lines there change kind; half and double are the same.
_LEAST_SEEN = 0.2
# Stubs, from that length to that share of the shortest line, traced for what is left of lines where
# two come close, and how far from the line that they branch off they may begin, the farther where
# they end so near the skin's edge (choice; at nothing a fork whose third arm is short is lost, with
# false marks beside it; at a metre the same).
_STUB_MM, _STUB_SHARE = 40.0, 0.5
_BRANCH_MM = 40.0
_REST_MM = 100.0
_AT_THE_EDGE_MM = 50.0
# Share of the seen stations that must turn or step alike for the whole of a line to be kept, not
# its longest good stretch. At all of them folds lose a tenth of their length.
_MOST_GOOD = 0.6
# Shares of what a step or a turn shows in the window that found it. A swage's sides pass for steps
# at half, the door's steps fail at double; every fold shows a fifth of its turn, none all of it.
_LEAST_SHARP = 0.6
_LEAST_TURN_SHARE = 0.2
# Of the shortest line: a refused ridge as long refuses what runs beside it as well, being the rim
# of the same dent (choice).
_REFUSED_SHARE = 0.6
# Of a ridge: a stretch of it that large is the line, however short (choice).
_WHOLE_SHARE = 0.7
# With nothing beside it to tell, a ridge shorter than that is no line (choice: twice the reach of
# what would be looked at beside it).
_ALONE_MM = 100.0


@dataclass(frozen=True, eq=False)
class _Piece:
    """A stretch of a ridge across which the surface turns or steps; sure : that it is no rim."""

    crease: Crease
    sure: bool


def find_creases(cells: Cells, mask: Mask, skin: Mask) -> tuple[Crease, ...]:
    """Find body lines on the cells of a skin.

    Lines are ridges of curvature that stand out from everything round them, run for at least
    200 mm or 0.4 of a small panel, and across which the surface truly turns or steps:
    quadratics laid on either side, 14 to 55 mm off, must meet the line at different slopes or
    heights. A dent's bottom, however long, has the same form on both sides and is refused.

    Parameters
    ----------
    mask : (nu, nv) bool, cells to look on, clear of edges; skin : all cells of the skin, over
        which a line that ends near an edge is carried on to it.
    """
    view = CreaseView.through(cells, mask, skin, sigma_mm=window_mm(cells))
    ridges = _traced(view)
    lines = _lines_of(ridges, view)
    sound = without_steep_marks(cells, mask, ridges, lines)
    if sound is cells:
        return lines
    view = CreaseView.through(sound, mask, skin, sigma_mm=view.sigma_mm)
    return _lines_of(_traced(view), view)


def _traced(view: CreaseView) -> list[Ridge]:
    return trace_ridges(
        view.fit, view.mask, view.cells.grid, sigma_mm=view.sigma_mm, shortest_mm=_STUB_MM
    )


def _lines_of(ridges: list[Ridge], view: CreaseView) -> tuple[Crease, ...]:
    """The body lines that ridges are, named, longest first."""
    places, side = np.argwhere(view.mask), view.cells.grid.cell_mm
    extent = np.ptp(places, axis=0).max() * side if len(places) else 0.0
    shortest = min(SHORTEST_MM, _SHORTEST_SHARE * extent)
    stubs = [r for r in ridges if r.length_mm < _STUB_SHARE * shortest]
    whole = [r for r in ridges if r.length_mm >= _STUB_SHARE * shortest]
    taken, rest = _lines_among(whole, view, shortest)
    taken = _with_branches(taken, stubs + rest, view)
    taken += _rounded_ones(view, taken, shortest)
    taken.sort(key=lambda c: (-c.length_mm, c.line_uv[0, 0]))
    rounded = [_rounded(replace(c, name=f"C{k + 1}"), view) for k, c in enumerate(taken)]
    return tuple(replace(c, pressed=c.pressed and _alone(c, taken)) for c in rounded)


def _alone(crease: Crease, lines: list[Crease]) -> bool:
    """Whether no other line runs beside it, as one wall of a rib beside the other."""
    return not any(
        runs_beside(crease.line_uv, other.line_uv, FAR_MM)
        for other in lines
        if other.line_uv is not crease.line_uv
    )


def _rounded(crease: Crease, view: CreaseView) -> Crease:
    """With how far the skin is rounded along it, and whether it is one beyond that."""
    line = crease.line_uv
    wide = round_mm(line, view.fit, view.cells, view.mask)
    through = bool((view.from_edge_mm(line[[0, -1]]) < _AT_THE_EDGE_MM).all())
    return replace(crease, round_mm=wide, pressed=is_pressed(line, view, wide), through=through)


def _lines_among(
    ridges: list[Ridge], view: CreaseView, shortest_mm: float
) -> tuple[list[Crease], list[Ridge]]:
    """Body lines among ridges, and the sharp ridges that are none by themselves."""
    taken: list[Crease] = []
    soft: list[Crease] = []
    doubted: list[Crease] = []
    left: list[Ridge] = []
    refused: list[Ridge] = []
    flanks = flanks_among(ridges, view)
    for ridge, flank in zip(ridges, flanks, strict=True):
        doubtful = abs(ridge.turn_rad) < _SHARP_TURN_RAD and not flank
        if doubtful and any(runs_beside(ridge.line_uv, r.line_uv, FAR_MM) for r in refused):
            continue
        sides = straight_sides(ridge)
        pieces = [_straight_piece(side, view, shortest_mm, flank=flank) for side in sides]
        found = [piece.crease if piece and piece.sure else None for piece in pieces]
        if not any(f is not None and f.length_mm >= shortest_mm for f in found):
            if not doubtful:
                left.append(ridge)
            if ridge.length_mm > _REFUSED_SHARE * shortest_mm:
                refused.append(ridge)
            doubted += [piece.crease for piece in pieces if piece and not piece.crease.parts]
            continue
        for k, (side, crease) in enumerate(zip(sides, found, strict=True)):
            beside = [f for f in found[max(0, k - 1) : k + 2] if f is not None and f.parts]
            if crease is None and beside and side.length_mm < shortest_mm:
                # The short side of a recess, too short to look across: as the sides next to it.
                taken.append(replace(beside[0], line_uv=side.line_uv, length_mm=side.length_mm))
            elif crease is not None and not crease.parts:
                soft.append(crease)
            elif crease is not None:
                taken.append(to_the_edge(crease, view))
    return taken + whole_lines(soft, doubted, view), left


def _with_branches(taken: list[Crease], stubs: list[Ridge], view: CreaseView) -> list[Crease]:
    """Lines, and the stubs that branch off them or off each other."""
    out = list(taken)
    for stub in stubs:
        first, last = view.from_edge_mm(stub.line_uv[[0, -1]])
        branch = _branch(stub, out, (float(first), float(last)))
        if branch is not None:
            out.append(to_the_edge(branch, view))
    return out


def _rounded_ones(view: CreaseView, taken: list[Crease], shortest_mm: float) -> list[Crease]:
    """Lines rounded so widely that in the narrow window noise breaks them to pieces.

    The wider window sees dents as well: only what still turns far off to either side is taken.
    """
    cells = view.cells
    wide = CreaseView.through(cells, view.mask, view.skin, sigma_mm=_WIDE_WINDOW_MM)
    clear = view.mask.copy()
    for crease in taken:
        clear &= ~near_line(cells.grid, crease.line_uv, _CLEAR_OF_TAKEN_MM)
    ridges = trace_ridges(
        wide.fit,
        clear,
        cells.grid,
        sigma_mm=_WIDE_WINDOW_MM,
        shortest_mm=_STUB_SHARE * shortest_mm,
    )
    pieces = [piece for ridge in ridges if (piece := _soft_piece(ridge, wide, shortest_mm))]
    sure = [p.crease for p in pieces if p.sure and p.crease.length_mm >= shortest_mm]
    rest = [p.crease for p in pieces if not (p.sure and p.crease.length_mm >= shortest_mm)]
    return whole_lines(sure, rest, wide)


def _soft_piece(ridge: Ridge, view: CreaseView, shortest_mm: float) -> _Piece | None:
    """The piece of a soft line that a ridge is, if it is one."""
    piece = _straight_piece(ridge, view, shortest_mm)
    if piece is None or piece.crease.parts:
        return None
    sharp = abs(ridge.turn_rad) >= _SHARP_TURN_RAD
    if sharp and not turns_far_off(ridge, 1e-3 * piece.crease.turn_mrad, view):
        return replace(piece, sure=False)
    return piece


def _branch(stub: Ridge, taken: list[Crease], rim_mm: tuple[float, float]) -> Crease | None:
    """A short sharp ridge that runs out of a line that parts, joined to it: where two lines come
    within a window's width they are traced as one, and the rest of the other is left over.

    A sharp dent ends in the skin. A ridge that ends at the skin's edge (rim_mm : how far its ends
    are from it) is the rest of a line, and joined over a wider gap.
    """
    if abs(stub.turn_rad) < _SHARP_TURN_RAD:
        return None
    for crease in taken:
        if not crease.parts:
            continue
        for line, rim in ((stub.line_uv, rim_mm[1]), (stub.line_uv[::-1], rim_mm[0])):
            distance = np.linalg.norm(crease.line_uv - line[0], axis=1)
            if distance.min() <= (_BRANCH_MM if rim > _AT_THE_EDGE_MM else _REST_MM):
                joined = np.vstack([crease.line_uv[distance.argmin()], line])
                turn = 1e3 * stub.turn_rad
                return Crease("", "sharp", joined, turn, 0.0, length_mm(joined), "found")
    return None


def given_crease(name: str, line_uv: Floats, cells: Cells, mask: Mask) -> Crease:
    """A line the user gave: soft unless the surface turns or steps sharply across it."""
    view = CreaseView.through(cells, mask, mask, sigma_mm=window_mm(cells))
    line = smooth_line(line_uv, sigma_mm=1.0, station_mm=STATION_MM)
    turn, step = view.across(line)
    seen = np.isfinite(turn)
    middle_turn = float(np.median(turn[seen])) if seen.any() else 0.0
    middle_step = float(np.median(step[seen])) if seen.any() else 0.0
    found = _crease(name, line, middle_turn, middle_step, "given")
    return _rounded(found, view)


def _crease(name: str, line: Floats, turn: float, step: float, source: str) -> Crease:
    kind = "step" if abs(step) > max(_LEAST_STEP_MM, _STEP_OVER_TURN_MM * abs(turn)) else "soft"
    if kind == "soft" and abs(turn) > _SHARP_TURN_RAD:
        kind = "sharp"
    return Crease(name, kind, line, 1e3 * turn, step, length_mm(line), source)


def _straight_piece(
    ridge: Ridge, view: CreaseView, shortest_mm: float, *, flank: bool = False
) -> _Piece | None:
    """The piece that a ridge is; of a soft one that winds, as far as it does not bend tightly, and
    in doubt where it runs round, as a dent's rim does.
    """
    piece = _piece_of(ridge, view, shortest_mm, flank=flank)
    if piece is None and not runs_round(ridge):
        return None
    if (piece is not None and piece.crease.parts) or not winds(ridge):
        return piece
    straight = straightest(ridge)
    if straight.length_mm < _STUB_SHARE * shortest_mm:
        return None
    found = _piece_of(straight, view, shortest_mm, flank=flank)
    return replace(found, sure=False) if found is not None and runs_round(ridge) else found


def _piece_of(
    ridge: Ridge, view: CreaseView, shortest_mm: float, *, flank: bool = False
) -> _Piece | None:
    """The stretch of a ridge across which the surface turns or steps, if it is long enough; flank :
    known to be one side of a flank, whose turn the other side takes back.
    """
    turn, step = view.across(ridge.line_uv)
    seen = np.isfinite(turn)
    if seen.mean() < _LEAST_SEEN:
        alone = _strong_alone(ridge, shortest_mm)
        return None if alone is None else _Piece(alone, sure=True)
    middle_turn, middle_step = float(np.median(turn[seen])), float(np.median(step[seen]))
    steps = abs(middle_step) > max(_LEAST_STEP_MM, _STEP_OVER_TURN_MM * abs(middle_turn))
    if not steps and (abs(middle_turn) < _LEAST_TURN_RAD or middle_turn * ridge.turn_rad < 0):
        return None
    # Seen through a Gaussian window a step of s turns by s / (sigma sqrt(e)), a kink by a good part
    # of itself; a dent's flank that merely looks like one turns far less.
    least = _LEAST_SHARP * abs(middle_step) / (view.sigma_mm * np.exp(0.5)) if steps else 0.0
    if abs(ridge.turn_rad) < max(least, _LEAST_TURN_SHARE * abs(middle_turn) * (not steps)):
        return None
    doubtful = not (steps or flank) and abs(ridge.turn_rad) < _SHARP_TURN_RAD
    sure = not doubtful or turns_far_off(ridge, middle_turn, view)
    value, middle = (step, middle_step) if steps else (turn, middle_turn)
    good = value * np.sign(middle) > ALIKE_SHARE * abs(middle)
    if abs(ridge.turn_rad) >= _SHARP_TURN_RAD:
        # Beside a recess a sharp line looks like a step; beyond the recess it only turns.
        good |= turn * np.sign(ridge.turn_rad) > ALIKE_SHARE * abs(ridge.turn_rad)
    good &= seen
    stretch: slice | None = slice(0, len(good))
    if good.sum() < _MOST_GOOD * seen.sum():
        stretch = longest_stretch(good, ~seen, ridge.line_uv)
    if stretch is None:
        return None
    if not steps and runs_round(ridge):
        return None  # As the rim of a dent does.
    line = drawn_fair(ridge.line_uv[stretch], view.cells.grid.cell_mm)
    found = _crease("", line, middle_turn, middle_step, "found")
    whole = ridge.length_mm
    long = found.length_mm >= min(shortest_mm, _WHOLE_SHARE * whole)
    return _Piece(found, sure) if long else None


def _strong_alone(ridge: Ridge, shortest_mm: float) -> Crease | None:
    """A long ridge with too little skin beside it to tell (beside a window, say): only one that
    turns so sharply that no dent could is taken.
    """
    if abs(ridge.turn_rad) < 2.0 * _SHARP_TURN_RAD or ridge.length_mm < min(shortest_mm, _ALONE_MM):
        return None
    return Crease("", "sharp", ridge.line_uv, 1e3 * ridge.turn_rad, 0.0, ridge.length_mm, "found")
