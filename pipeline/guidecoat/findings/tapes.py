"""Where to lay the tape: distances of a place from edges, over metal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..outline.edges import Edge
from ..unrolling.cells import Cells
from ..unrolling.chart import Chart, Grid
from ..unrolling.polylines import carried_on, run_along
from ..unrolling.stretch import Stretch

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CORNER_MM = 80.0
_LOOK_BACK_MM = 40.0
_LONGEST_TURN_MM = 80.0
_TURNED_RAD = 0.17
_END_POINTS = 3
_PAST_END_MM = 5.0
_BRIDGED_MM = 160.0
_ACROSS = 0.7
_AT_RIM_MM = 15.0
# An edge's line lies by half a cell off the metal's end; rounded corners take more off it.
_HOOKED_MM = 8.0
_HOOKED_CELLS = 1.5
_REAL = ("outline", "opening")
# Where a rim turns by that much over that reach either way, a tape hardly tells where it is
# square: it counts as so many times longer (choice).
_ROUND_REACH_MM = 40.0
_ROUND_RAD = 0.5
_ROUND_TIMES = 1.5


@dataclass(frozen=True, eq=False)
class Metal:
    """Where there is a panel to lay a tape on, (nu, nv) bool, and how long it is over its map."""

    stretch: Stretch
    there: Mask

    @classmethod
    def of(cls, cells: Cells, chart: Chart, there: Mask) -> Metal:
        """The metal of a scan on its chart."""
        return cls(Stretch.of(cells, chart, there), there)

    @property
    def grid(self) -> Grid:
        """Its map's cells."""
        return self.stretch.grid

    def carries(self, start: Floats, way: Floats) -> bool:
        """Whether a tape from (2,) a place along (2,) a way lies on metal or bridges but a handle.

        The way's end may hang over: edges are carried on into the corners they meet in.
        """
        length = float(np.linalg.norm(way))
        step = 0.5 * self.grid.cell_mm
        share = np.linspace(0.0, 1.0, max(2, int(np.ceil(length / step)) + 1))
        track = start + share[:, None] * way
        on = self.there[self.grid.index(track[:, 0], track[:, 1])]
        on[0] = on[-1] = True
        gaps = np.diff(np.flatnonzero(on)) * length / (len(on) - 1)
        return bool(gaps.max(initial=0.0) <= _BRIDGED_MM)

    def ends_at(self, foot: Floats, unit: Floats) -> bool:
        """Whether the metal ends at (2,) a foot that a tape along (2,) a unit way comes to."""
        reach = max(_HOOKED_MM, _HOOKED_CELLS * self.grid.cell_mm)
        track = foot + reach * np.array([-1.0, -0.6, 1.0, 1.5, 2.0])[:, None] * unit
        on = self.there[self.grid.index(track[:, 0], track[:, 1])]
        on &= ~self.grid.beyond(track[:, 0], track[:, 1])
        return bool(on[:2].any() and not on[2:].any())


@dataclass(frozen=True, eq=False)
class _Tape:
    """From a place to the nearest point of an edge: (2,) the way there, its length, its unit way,
    whether it ends past the edge's own ends, whether aslant even to the edge carried on, and
    whether it comes to a straight stretch.
    """

    edge: Edge
    way: Floats
    length_mm: float
    unit: Floats
    past: bool
    aslant: bool
    straight: bool

    @property
    def rank(self) -> tuple[bool, float]:
        """By which tapes are chosen, the least first: what can be hooked on, then how long."""
        # Where two edges run on into each other, the tape ends at the one that is there.
        length = self.length_mm + (_PAST_END_MM if self.past else 0.0)
        return self.edge.kind not in _REAL, length * (1.0 if self.straight else _ROUND_TIMES)


def tape_distances(
    place: Floats, edges: tuple[Edge, ...], *, face: int = 0, metal: Metal | None = None
) -> str:
    """Where to lay the tape: distances from the nearest edge and the nearest one across it.

    Edges that a tape can be hooked on come first, outline or opening; the tape runs over one face
    only, so where those of a face do not lie across each other, its body lines and steps serve. A
    tape lies on metal, bridges no more than a handle's opening, and ends where the edge is. Where
    none does, the nearest edge is named in other words, which the map draws no tape for; empty
    where there is no edge at all.

    Parameters
    ----------
    place : (2,) chart mm; face : the one it lies on, 0 for any; metal : where a tape can lie, None
        for everywhere.
    """
    own = [e for e in edges if face in (0, e.face)] or list(edges)
    tapes = [_tape(edge, place) for edge in own]
    inward = _inward_at_rim(tapes, place)
    if metal is not None:
        # At the very rim a tape along the edge would hang over it here and there.
        start = place + _AT_RIM_MM * inward
        tapes = [t for t in tapes if metal.carries(start, t.way)]
        tapes = [
            t
            for t in tapes
            if not t.past or (metal.ends_at(place + t.way, t.unit) and not t.aslant)
        ]
    tapes = [
        t
        for t in tapes
        if not t.past or (t.edge.kind in _REAL and not _ends_at_another(t, own, place))
    ]
    tapes.sort(key=lambda t: t.rank)
    chosen = tapes[:1]
    first = inward if inward.any() or not tapes else tapes[0].unit
    chosen += [t for t in tapes[1:] if abs(t.unit @ first) < _ACROSS][:1]
    if own and not chosen:
        return _near_words(place, own, metal)
    said = [
        f"{_length_mm(place, tape.way, metal):.0f} mm from {_called(tape.edge)}" for tape in chosen
    ]
    if len(chosen) == 1 and inward.any():
        said += _along_words(place, chosen[0].edge, own)
    return ", ".join(said)


def _along_words(place: Floats, edge: Edge, edges: list[Edge]) -> list[str]:
    """How far along an edge a place at its rim lies, from that of its ends which another one meets
    and is nearer; none where it has none.
    """
    others = [other for other in edges if other.name != edge.name and other.kind in _REAL]
    if edge.closed or not others:
        return []
    line = edge.tape_uv
    run = run_along(line)
    foot, _ = _nearest(line, place)
    off = np.linalg.norm(line - foot, axis=1)
    k = int((off[:-1] + off[1:] - np.diff(run)).argmin())
    along = float(run[k] + off[k])
    at_start = along <= 0.5 * run[-1]
    end = line[0 if at_start else -1]
    meets = min(others, key=lambda o: float(np.linalg.norm(_nearest(o.tape_uv, end)[0] - end)))
    length = along if at_start else run[-1] - along
    return [f"{length:.0f} mm along it from its end at {_called(meets)}"]


def _length_mm(place: Floats, way: Floats, metal: Metal | None) -> float:
    """Of a tape that lies on the skin."""
    return float(np.linalg.norm(way)) if metal is None else metal.stretch.length_mm(place, way)


def at_words(x: float, y: float, z: float) -> str:
    """A place in the scan's own frame, such as `at x 120, y -40, z 3.2`."""
    return f"at x {x:.4g}, y {y:.4g}, z {z:.4g}"


def _near_words(place: Floats, edges: list[Edge], metal: Metal | None) -> str:
    """The edge that is nearest in a straight line, wherever that lies, and how far off it is."""
    feet = [_nearest(edge.tape_uv, place) for edge in edges]
    away = [float(np.linalg.norm(foot - place)) for foot, _ in feet]
    k = min(range(len(edges)), key=lambda k: (edges[k].kind not in _REAL, away[k]))
    foot, at_end = feet[k]
    where = "the end of " if at_end and not edges[k].closed else ""
    off = "" if metal is None or metal.carries(place, foot - place) else ", not over metal"
    length = _length_mm(place, foot - place, metal)
    return f"near {where}{_called(edges[k])}: {length:.0f} mm off{off}"


def _ends_at_another(tape: _Tape, edges: list[Edge], place: Floats) -> bool:
    """Whether a tape past its edge's ends comes to a place that is another edge's."""
    foot = place + tape.way
    return any(
        np.linalg.norm(_nearest(edge.tape_uv, foot)[0] - foot) < _HOOKED_MM
        for edge in edges
        if edge is not tape.edge and edge.kind in _REAL
    )


def _called(edge: Edge) -> str:
    """What an edge is called in words."""
    what = {"sharp": "body line", "step": "step"}.get(edge.kind, "edge")
    return f"{what} {edge.name}"


def _inward_at_rim(tapes: list[_Tape], place: Floats) -> Floats:
    """(2,) unit way into the panel where a place lies at the very rim of an edge, else zero: a
    tape of no length has no direction of its own.
    """
    nearest = min(tapes, key=lambda tape: tape.length_mm, default=None)
    if nearest is None or nearest.length_mm > _AT_RIM_MM or not len(nearest.edge.station_uv):
        return np.zeros(2)
    away = ((nearest.edge.station_uv - place) ** 2).sum(axis=1)
    return nearest.edge.inward_uv[away.argmin()]


def tape_foot(line_uv: Floats, place: Floats, *, closed: bool) -> tuple[Floats, bool]:
    """(2,) where a tape from a place meets an edge's line, and whether that is past its ends.

    Edges stop short of the corners they meet in: where a place lies beyond an end, the line is
    carried on.
    """
    foot, past, _ = _foot(line_uv, place, closed=closed)
    return foot, past


def _foot(line_uv: Floats, place: Floats, *, closed: bool) -> tuple[Floats, bool, bool]:
    """The same, and whether a tape meets the line aslant, at an end of what it is carried on by."""
    if closed:
        return _nearest(line_uv, place)[0], False, False
    line = _without_turns(_without_turns(line_uv)[::-1])[::-1]
    foot, at_end = _nearest(line, place)
    if not at_end:
        return foot, False, False
    back = min(len(line) - 1, _END_POINTS)
    foot, aslant = _nearest(carried_on(line, np.array([_CORNER_MM]), back=back), place)
    return foot, True, aslant


def _without_turns(line: Floats) -> Floats:
    """A line without its last piece, where that turns into a round corner."""
    step = np.diff(line, axis=0)
    length = np.linalg.norm(step, axis=1)
    angle = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    before = max(1, round(_LOOK_BACK_MM / (float(np.median(length)) + 1e-12)))
    last = len(step)
    while last > before + 1 and length[last - 1 :].sum() <= _LONGEST_TURN_MM:
        if abs(angle[last - 1] - angle[last - 1 - before]) <= _TURNED_RAD:
            break
        last -= 1
    return line[: last + 1]


def _nearest(line: Floats, place: Floats) -> tuple[Floats, bool]:
    """(2,) the nearest point of a polyline, and whether that is one of its ends."""
    start, step = line[:-1], np.diff(line, axis=0)
    share = ((place - start) * step).sum(axis=1) / np.maximum((step**2).sum(axis=1), 1e-12)
    feet = start + np.clip(share, 0.0, 1.0)[:, None] * step
    k = int(((feet - place) ** 2).sum(axis=1).argmin())
    return feet[k], bool((k == 0 and share[k] < 0.0) or (k == len(feet) - 1 and share[k] > 1.0))


def _tape(edge: Edge, place: Floats) -> _Tape:
    """The shortest tape from a place to an edge."""
    foot, past, aslant = _foot(edge.tape_uv, place, closed=edge.closed)
    way = foot - place
    length = float(np.linalg.norm(way))
    straight = past or _is_straight(edge.tape_uv, foot, closed=edge.closed)
    return _Tape(edge, way, length, way / (length + 1e-12), past, aslant, straight)


def _is_straight(line: Floats, foot: Floats, *, closed: bool) -> bool:
    """Whether a line hardly turns either side of (2,) a foot on it."""
    line = line[:-1] if closed else line
    step = float(np.median(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    reach = max(1, round(_ROUND_REACH_MM / (step + 1e-12)))
    middle = int(((line - foot) ** 2).sum(axis=1).argmin())
    around = middle + reach * np.array([-1, 0, 1])
    at = around % len(line) if closed else np.clip(around, 0, len(line) - 1)
    before, after = np.diff(line[at], axis=0)
    size = float(np.linalg.norm(before) * np.linalg.norm(after))
    return size == 0.0 or float(before @ after) > size * np.cos(_ROUND_RAD)
