"""Held edges that stand in the way of a fair surface: which, and how far they would move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..findings.regions import Region
from ..outline.edge_lines import Ding
from ..settings import Settings
from .actions import Dressing
from .inputs import Checked, PanelField

_LEAST_MM = 0.05
_AT_EDGE_MM = 12.0


@dataclass(frozen=True)
class EdgeMove:
    """A held edge that would have to move.

    by_mm : how far, + is outward; region : the high that asks for it, empty for a knock in the
    edge itself; how : "cover" when only covering asks for it and tapping the high avoids it,
    "both" when neither way is fair without it.
    """

    edge: str
    by_mm: float
    region: str
    how: str
    reason: str


def edge_moves(result: Checked, field: PanelField) -> tuple[EdgeMove, ...]:
    """Held edges beside which neither surface, or not the cover surface, can be fair.

    A lift that leaves a held edge may tilt by the slope tolerance T only: by the shop's "1.6 h/w"
    it rises T a / 1.6 over a distance a. A high that stands prouder asks the edge to come out by
    the rest. A knock is in the edge itself: the fair surface passes by it.
    """
    moves = [
        EdgeMove(
            line.name,
            -ding.height_mm,
            "",
            "both",
            f"edge {line.name} has a knock of {ding.height_mm:+.2f} mm over "
            f"{ding.length_mm:.0f} mm: dress the edge itself, no surface held to it is fair there",
        )
        for line in result.edges
        for ding in line.dings
    ]
    asked = sorted(_asked_by_highs(result, field), key=lambda m: (m.region, -abs(m.by_mm), m.edge))
    seen: set[str] = set()
    for move in asked:
        # Of the edges that only covering would move, the one that would move most speaks for all.
        if move.how == "both" or move.region not in seen:
            moves.append(move)
        seen.add(move.region)
    return tuple(moves)


def corner_knocks(result: Checked) -> dict[str, tuple[Dressing, ...]]:
    """Knocks in the other edges of marks that run out over one, by the mark's name: of each edge
    the one that is farthest off.

    In a corner a mark runs out over two edges and names that which is farther off.
    """
    return {r.region: _also_knocked(r, result) for r in result.regions if r.edge}


def _also_knocked(region: Region, result: Checked) -> tuple[Dressing, ...]:
    knocks = [
        (line.name, max((d for d in line.dings if _in_one(region, d)), key=_size, default=None))
        for line in result.edges
        if line.name != region.edge
    ]
    return tuple(Dressing(name, ding.height_mm) for name, ding in knocks if ding is not None)


def _size(ding: Ding) -> float:
    return abs(ding.height_mm)


def _in_one(region: Region, ding: Ding) -> bool:
    """Whether a knock in an edge is part of a mark: to the same side, at the same place."""
    away = np.hypot(ding.u_mm - region.u_mm, ding.v_mm - region.v_mm)
    alike = (ding.height_mm > 0.0) == (region.peak_mm > 0.0)
    return bool(alike and away < 0.5 * (ding.length_mm + region.length_mm))


def reach_mm(distance_mm: float, settings: Settings) -> float:
    """How far a lift can rise within a distance of a held edge and stay within the slope."""
    return 1e-3 * settings.tolerance.slope_mrad * distance_mm / settings.plan.tilt_factor


def _asked_by_highs(result: Checked, field: PanelField) -> list[EdgeMove]:
    settings, cells = result.settings, result.cells
    moves = []
    for line in result.edges:
        if settings.edges.hold_of(line.name) == "free" or not line.held.any():
            continue
        tree = cKDTree(line.station_uv[line.held])
        for high in field.highs:
            inside = high.footprint & field.judged & (result.faces.label == line.edge.face)
            if not inside.any():
                continue
            height = field.height_mm[inside]
            away = tree.query(np.column_stack([cells.u_mm[inside], cells.v_mm[inside]]))[0]
            excess = height - reach_mm(1.0, settings) * away
            worst = int(excess.argmax())
            if excess[worst] < _LEAST_MM:
                continue
            at_edge = height[away <= _AT_EDGE_MM].max(initial=0.0)
            if at_edge > settings.tolerance.height_mm:
                moves.append(_at_the_edge(line.name, high.region, float(at_edge)))
            else:
                moves.append(
                    _covered(line.name, high, float(excess[worst]), settings.tolerance.slope_mrad)
                )
    return moves


def _at_the_edge(edge: str, region: str, height_mm: float) -> EdgeMove:
    return EdgeMove(
        edge,
        -height_mm,
        region,
        "both",
        f"{region} runs out over held edge {edge}, {height_mm:.2f} mm proud there: neither tapping "
        f"nor covering is fair unless the edge itself comes down by about that much; dress the "
        f"edge, or release it (edges.by_name) and check its gap",
    )


def _covered(edge: str, high: Region, excess_mm: float, slope_mrad: float) -> EdgeMove:
    """The flank asks most, but a mark has one height and one place, those of its peak."""
    peak = f"{high.peak_mm:+.2f} mm" + (f", {high.from_edges}" if high.from_edges else "")
    return EdgeMove(
        edge,
        excess_mm,
        high.region,
        "cover",
        f"{high.region} ({peak}) is too near held edge {edge} to be covered: within "
        f"{slope_mrad:g} mrad the edge would have to come out by {excess_mm:.2f} mm; tap "
        f"{high.region} instead",
    )
