"""The work in the order it goes: measure, metal, fill, block, look."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ..findings.regions import Region
from ..settings import PlanSettings
from .actions import WHY_EDGE, Action
from .boards import Board
from .depths import Fill, coats_for, limit_of, mixed_kilograms
from .ready import Ready
from .taps import Tap, volume_words

_GROUPS = ("measure", "metal", "fill", "block", "look", "report")
_GROUP_OF = {
    "measure": "measure",
    "probe": "metal",
    "tap": "metal",
    "shrink": "metal",
    "raise": "metal",
    "work": "metal",
    "fill": "fill",
    "glaze": "fill",
    "prime": "fill",
    "refill": "fill",
    "block": "block",
    "report": "report",
}
_LITRES_PER_CM3 = 1e-3
_MOST_NAMED = 6


@dataclass(frozen=True)
class Decision:
    """One region: what to do about it and why, and the board to block it with, where one goes."""

    region: str
    action: Action
    board: Board | None
    where: str


@dataclass(frozen=True)
class Step:
    """One line to tick off.

    number : from 1; group : measure, metal, fill, block, look or report; region : its name, or
    empty; depth_mm, litres : of the metal moved or filler laid, 0 where none; board : or None.
    """

    number: int
    group: str
    region: str
    what: str
    why: str
    where: str
    depth_mm: float
    litres: float
    board: Board | None


def order_steps(
    stage: str,
    regions: tuple[Region, ...],
    decisions: tuple[Decision, ...],
    taps: tuple[Tap, ...],
    fill: Fill,
    ready: tuple[Ready, ...],
    figures: PlanSettings,
) -> tuple[Step, ...]:
    """Put the work in order: metal before filler, within metal the taps that save most first.

    Parameters
    ----------
    fill : of the surface that is worked to.
    """
    by_name = {region.region: region for region in regions}
    rank = {tap.region: tap.rank for tap in taps}
    trade = {tap.region: tap for tap in taps}

    def place(decision: Decision) -> tuple[int, float, str]:
        group = _GROUPS.index(_GROUP_OF[decision.action.verb])
        own = rank.get(decision.region, 0)
        return group, float(own) if own else 1e3 - decision.action.by_mm, decision.region

    in_order = sorted(decisions, key=place)
    steps = _probing(in_order) + _dressing(in_order)
    steps += [
        _step(decision, by_name[decision.region], trade.get(decision.region), figures)
        for decision in in_order
    ]
    if stage != "paint":
        steps += _filling_up(stage, decisions, figures)
        steps += _keying(stage, steps, figures)
        steps += _mixing(fill, steps, figures)
        steps += [_probed_block(d) for d in in_order if d.action.verb == "probe"]
        steps += _blocking(decisions, stage, figures)
        measured = [_GROUP_OF[d.action.verb] == "measure" for d in decisions]
        steps.append(_look(ready, done=all(measured), measures=any(measured)))
    steps.sort(key=lambda step: _GROUPS.index(step.group))
    return tuple(replace(step, number=k) for k, step in enumerate(steps, start=1))


def _step(decision: Decision, region: Region, tap: Tap | None, figures: PlanSettings) -> Step:
    action, group = decision.action, _GROUP_OF[decision.action.verb]
    what, why, litres = action.what, action.why, 0.0
    if action.verb == "probe":
        what = f"tap down {action.by_mm:.1f} mm, where it is metal or has less filler than that"
        why = "before filling: hammering cracks what is filled"
    if tap is not None and group == "metal" and tap.worth:
        why += f"; saves {volume_words(tap.saves_litres)} of filler"
    if action.verb in ("fill", "glaze"):
        litres = _LITRES_PER_CM3 * abs(region.volume_cm3)
        coats = coats_for(action.by_mm, figures)
        limit = limit_of(action.by_mm, figures)
        grams = _grams(litres, figures)
        what += f" ({action.by_mm:.1f} mm, {coats} coat{'s' if coats > 1 else ''}, mix {grams} g)"
        why += f" ({limit})" if limit != "none" else ""
    board = decision.board if group in ("block", "fill") else None
    if group == "block" and board is not None:
        what += f": {board.words()}"
        why += f"; {board.warning}" if board.warning else ""
    return Step(0, group, region.region, what, why, decision.where, action.by_mm, litres, board)


def _probing(decisions: list[Decision]) -> list[Step]:
    """What must be known before anything else: what lies under the highs that may be metal."""
    names = [d.region for d in decisions if d.action.verb == "probe"]
    if not names:
        return []
    named = _listed(names) + (" highs" if len(names) > _MOST_NAMED else "")
    return [
        _bare(
            "measure",
            f"find out what lies under {named}: compare with a scan from before filling, or use a "
            "depth gauge",
            "bare metal or thin filler is tapped down now, before filling; only where there is "
            "filler enough is it blocked",
        )
    ]


def _dressing(decisions: list[Decision]) -> list[Step]:
    """Edges that are dressed before what lies beside them is filled or blocked."""
    return [
        Step(0, "metal", d.region, one.words, WHY_EDGE, d.where, abs(one.off_mm), 0.0, None)
        for d in decisions
        for one in d.action.edges
    ]


def _probed_block(decision: Decision) -> Step:
    """Blocking of a high under which filler enough was found."""
    board, size = decision.board, decision.action.by_mm
    what = f"block down {size:.2f} mm, where that much filler was found under it"
    why = "deeper than the filler is metal, which does not come back"
    if board is not None:
        what += f": {board.words()}"
        why += f"; {board.warning}" if board.warning else ""
    return Step(0, "block", decision.region, what, why, decision.where, size, 0.0, decision.board)


def _filling_up(stage: str, decisions: tuple[Decision, ...], figures: PlanSettings) -> list[Step]:
    """What is filled after raising: never deeper than asks for metalwork first."""
    return [
        replace(
            _bare(
                "fill",
                f"fill what is left of {d.region}, no deeper than "
                f"{figures.filler_metalwork_first_mm:g} mm",
                "raising brings it near, filler the rest",
            ),
            region=d.region,
            where=d.where,
        )
        for d in decisions
        if d.action.verb == "raise" and d.action.by_mm < figures.filler_stop_mm
        if stage in ("metal", "filler")
    ]


def _mixing(fill: Fill, steps: list[Step], figures: PlanSettings) -> list[Step]:
    """One line for the whole of the filler, where any is laid: the sum of what the steps say, and
    of the surface worked to where one of them says nothing.
    """
    laid = [step for step in steps if step.group == "fill"]
    unsaid = list(dict.fromkeys(step.region for step in laid if not step.litres))
    litres = sum(round(step.litres, 4) for step in laid)
    grams = float(sum(_grams(step.litres, figures) for step in laid))
    if unsaid:
        litres, grams = max(litres, fill.litres), max(grams, 1e3 * fill.kilograms)
    if litres <= 0.0:
        return []
    also = f", {_listed(unsaid)} counted as deep as now" if unsaid else ""
    return [
        Step(
            0,
            "fill",
            "",
            f"feather the fills out over {fill.feather_cm2:.0f} cm2 round them",
            f"in all {volume_words(litres)} in place, {grams:.0f} g to mix with "
            f"{grams * figures.hardener_share:.2g} g of hardener{also}; the product sheet comes "
            "first",
            "",
            fill.greatest_mm,
            litres,
            None,
        )
    ]


def _grams(litres: float, figures: PlanSettings) -> int:
    """Grams of filler to mix for a volume in place, as they are printed."""
    return round(1e3 * mixed_kilograms(litres, figures))


def _listed(names: list[str]) -> str:
    """Names in a row, the first few of many."""
    rest = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")


def _grits(grits: tuple[int, ...]) -> str:
    return ", ".join(str(grit) for grit in grits)


def _keying(stage: str, steps: list[Step], figures: PlanSettings) -> list[Step]:
    """Grinding of metal that filler will lie on, where any is bare: all at the first stage, later
    what was tapped or raised.
    """
    bare = {"metal": "fill", "filler": "metal"}.get(stage)
    if all(step.group != bare for step in steps):
        return []
    several = len(figures.grits_metal) > 1
    return [
        _bare(
            "metal",
            f"rub the bare metal that will be filled, and {figures.feather_edge_mm:g} mm round it, "
            f"with grit{'s' if several else ''} {_grits(figures.grits_metal)}",
            "filler holds on coarse scratches; the product sheet comes first",
        )
    ]


def _blocking(decisions: tuple[Decision, ...], stage: str, figures: PlanSettings) -> list[Step]:
    """Blocking of what was filled or primed, the longest board last."""
    laid = [
        d
        for d in decisions
        if d.board is not None and d.action.verb in ("raise", "fill", "glaze", "prime", "refill")
    ]
    by = _grits(figures.grits_primer if stage == "primer" else figures.grits_filler)
    if stage == "primer":
        by += f" dry, then {figures.grit_last_wet} wet"
    steps = []
    for d in sorted(laid, key=lambda d: (d.board.length_mm if d.board else 0.0, d.region)):
        assert d.board is not None
        steps.append(
            Step(
                0,
                "block",
                d.region,
                f"block {d.region}: {d.board.words()}, grits {by}",
                d.board.warning
                or f"it bridges the {d.board.wave_mm:.0f} mm of the mark and rides "
                "on sound metal beside it",
                d.where,
                0.0,
                0.0,
                d.board,
            )
        )
    return steps


def _look(ready: tuple[Ready, ...], *, done: bool, measures: bool) -> Step:
    """When to stop: now, or at the wave that the products which may come next level.

    Parameters
    ----------
    done : no work is left but measuring; measures : some marks are to be measured.
    """
    reached = next((r for r in ready if r.state == "yes"), None)
    if reached is not None and done:
        measured = "where the marks above prove to be in tolerance, " if measures else ""
        return _bare("look", f"{measured}stop here: ready for {reached.product}", reached.words)
    levels = ", ".join(f"{r.levels_mm:.2g} mm for {r.product}" for r in ready)
    left = f"{ready[0].wave_mm:.2f} mm {ready[0].measured}" if ready else "all of it"
    return _bare(
        "look",
        "scan again, with the same spray if any, and check",
        f"stop when what is left is within {levels}; now it is {left}",
    )


def _bare(group: str, what: str, why: str) -> Step:
    return Step(0, group, "", what, why, "", 0.0, 0.0, None)
