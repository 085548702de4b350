"""Body lines made whole: joined from the pieces they are found in, carried on to the edge."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.stats import theilslopes

from ..unrolling.polylines import length_mm
from .crease import Crease
from .crease_view import CreaseView
from .line_shapes import drawn_fair, joined_ends
from .ridges import STATION_MM

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ALIKE_SHARE = 0.4
"""A station turns or steps alike with that share of what its line does on the average (choice:
noise takes some of it, and a line varies)."""
# How far a line is carried on unseen to the skin's edge, where it is said to end a little before
# it; one that parts across what hides both its sides; and any, as far as it goes on turning.
# Doubled, lines of the door's recess run to its edges; 300 mm ends one 100 mm too early.
_CARRIED_ON_MM = 80.0
_PARTING_ON_MM = 250.0
_FARTHEST_ON_MM = 600.0
# So many stations, 40 mm, that do not turn end a line: two end a noisy swage 24 mm too early; ten
# carry one of the door's on by 400 mm.
_BAD_STATIONS = 5
# How far a piece of a soft line may lie from where the rest of it is carried on to: as far as no
# weaker ridge is traced beside a stronger one.
_SAME_LINE_MM = 25.0
# A piece is part of a line that so much of it lies on, carried on (choice: most of it).
_SAME_LINE_SHARE = 0.5
# A mark breaks a line over no more than this; the lesser piece turns by so much of the greater; the
# line's last 320 mm tell where it leads, and from there on it bends no tighter than that (choice).
_BROKEN_MM = 250.0
_ALIKE_TURN = 0.6
_END_STATIONS = 40
_TIGHTEST_MM = 3000.0


@dataclass(frozen=True, eq=False)
class _Line:
    """A line as far as it was seen, and carried on from there."""

    crease: Crease
    carried: Crease

    def with_piece(self, piece: Crease, view: CreaseView) -> _Line | None:
        """The line with a piece that follows on it, None where that lies beside it."""
        joined = joined_ends(self.crease.line_uv, piece.line_uv)
        if joined is None:
            return None
        drawn = drawn_fair(joined, view.cells.grid.cell_mm)
        whole = replace(self.crease, line_uv=drawn, length_mm=length_mm(drawn))
        return _Line(whole, to_the_edge(whole, view))


def whole_lines(pieces: Sequence[Crease], rest: Sequence[Crease], view: CreaseView) -> list[Crease]:
    """Soft lines carried on to the edge, each from all the pieces that noise or marks broke it to.

    A piece on which the line from longer ones comes to lie when it is carried on is part of it, and
    so is one that lies ahead of it beyond a mark that breaks it.

    Parameters
    ----------
    pieces : long ones, across which the surface turns for certain; rest : those that are short or
        may be rims of dents, parts of a line only where it leads to them and they turn as it does.
    """
    lines = _lines_of(pieces, view)
    waiting = sorted(rest, key=lambda c: -c.length_mm)
    while waiting:
        left = [piece for piece in waiting if not _joined(lines, piece, view, surely=False)]
        if len(left) == len(waiting):
            break
        waiting = left
    if len(waiting) < len(rest):
        lines = _lines_of([line.crease for line in lines], view)
    return [line.carried for line in lines]


def _lines_of(pieces: Sequence[Crease], view: CreaseView) -> list[_Line]:
    """The lines that pieces make, the longest first, until no two of them are one."""
    lines: list[_Line] = []
    for piece in sorted(pieces, key=lambda c: -c.length_mm):
        if not _joined(lines, piece, view, surely=True):
            lines.append(_Line(piece, to_the_edge(piece, view)))
    if len(lines) == len(pieces):
        return lines
    return _lines_of([line.crease for line in lines], view)


def _joined(lines: list[_Line], piece: Crease, view: CreaseView, *, surely: bool) -> bool:
    """Whether a piece was made part of one of the lines.

    Parameters
    ----------
    surely : the piece is one of a body line, whichever it is; else it must turn as the line does.
    """
    for k, line in enumerate(lines):
        if piece.turn_mrad * line.crease.turn_mrad <= 0.0:
            continue
        alike = _turn_alike(line.crease, piece)
        part = _ahead(line, piece, along_it=alike) if surely or alike else None
        whole = line.with_piece(part, view) if part is not None else None
        if whole is not None:
            lines[k] = whole
            return True
        if surely and _on(line, piece.line_uv).mean() > _SAME_LINE_SHARE:
            return True  # It was traced once more.
    return False


def _on(line: _Line, places: Floats) -> Mask:
    """(k,) bool, which places lie on a line or on where it is carried on to."""
    return np.asarray(cKDTree(line.carried.line_uv).query(places)[0] < _SAME_LINE_MM)


def _turn_alike(one: Crease, other: Crease) -> bool:
    least, most = sorted((abs(one.turn_mrad), abs(other.turn_mrad)))
    return least >= _ALIKE_TURN * most


def _ahead(line: _Line, piece: Crease, *, along_it: bool) -> Crease | None:
    """What of a piece lies ahead of a line, None where most of it does not: beside a mark a ridge
    is led astray along its rim.

    Parameters
    ----------
    along_it : it may also lie where the line leads to straight on, beyond a mark that breaks it.
    """
    seen = line.crease.line_uv
    ways = itertools.product((seen, seen[::-1]), (piece.line_uv, piece.line_uv[::-1]))
    # The line runs up to the gap, the piece away from it.
    run, other = min(ways, key=lambda pair: float(np.linalg.norm(pair[0][-1] - pair[1][0])))
    along, aside = _off_its_end(run, other)
    beyond = along > 0.0
    on = beyond & _on(line, other)
    if along_it and beyond.any() and along[beyond].min() < _BROKEN_MM:
        on |= beyond & (np.abs(aside) < _SAME_LINE_MM + along**2 / (2.0 * _TIGHTEST_MM))
    if not on.any() or on.mean() <= _SAME_LINE_SHARE:
        return None
    kept = other[on]
    return replace(piece, line_uv=kept, length_mm=length_mm(kept))


def _off_its_end(run: Floats, other: Floats) -> tuple[Floats, Floats]:
    """(k,) mm that places lie ahead of a line's last station, and aside of where it leads: the way
    that most of its last stations run, for the very last may turn off along a mark.
    """
    last = run[-min(_END_STATIONS, len(run)) :]
    way = last[-1] - last[0]
    way = way / (np.linalg.norm(way) + 1e-12)
    left = np.array([-way[1], way[0]])
    x, y = (last - last[-1]) @ way, (last - last[-1]) @ left
    slope, level, *_ = theilslopes(y, x)
    along = (other - last[-1]) @ way
    return along, (other - last[-1]) @ left - (level + slope * along)


def to_the_edge(crease: Crease, view: CreaseView) -> Crease:
    """Carry a line's ends on straight: as far as the surface goes on turning there, across
    openings and drop-outs, and to the skin's edge where that is within 80 mm.
    """
    line = crease.line_uv
    steps = np.arange(STATION_MM, _FARTHEST_ON_MM, STATION_MM)[:, None]
    ends = []
    for end, before in (
        (line[0], line[min(8, len(line) - 1)]),
        (line[-1], line[-min(9, len(line))]),
    ):
        way = (end - before) / (np.linalg.norm(end - before) + 1e-12)
        ahead = end + steps * way
        ends.append(ahead[: _goes_on(crease, ahead, view)])
    carried = np.vstack([ends[0][::-1], line, ends[1]])
    return replace(crease, line_uv=carried, length_mm=length_mm(carried))


def _goes_on(crease: Crease, ahead: Floats, view: CreaseView) -> int:
    """How many of the stations ahead of a line's end still belong to it."""
    grid = view.cells.grid
    on_skin = view.skin[grid.index(*ahead.T)] & ~grid.beyond(*ahead.T)
    turn, step = view.across(ahead)
    seen = np.isfinite(turn)
    value, whole = (
        (step, crease.step_mm) if crease.kind == "step" else (1e3 * turn, crease.turn_mrad)
    )
    good = seen & (value * np.sign(whole) > ALIKE_SHARE * abs(whole))
    bad = np.convolve(seen & ~good, np.ones(_BAD_STATIONS), mode="valid") == _BAD_STATIONS
    stop = int(np.argmax(bad)) if bad.any() else len(ahead)
    last = int(np.flatnonzero(good[:stop])[-1]) + 1 if good[:stop].any() else 0
    rest = on_skin[last:]
    to_edge = int(np.flatnonzero(rest)[-1]) + 2 if rest.any() else 1
    # A line that parts does not fade where nothing beside it can be seen; a soft one may.
    unseen = crease.parts and not seen[last : last + to_edge].any()
    limit = _PARTING_ON_MM if unseen else _CARRIED_ON_MM
    return min(last + to_edge, len(ahead)) if to_edge * STATION_MM <= limit else last
