"""What to do about a high, a low or ripple, by stage, and why: the trade's rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from ..findings.regions import Region
from ..rules import MM_PER_UM
from ..settings import PlanSettings

_LEAST_TAP_MM = 0.05
_NOTHING_MM = 0.005
_MEASURE = "scan again or measure"
_MAKE_SURE = "make sure what it is"
_GOES_ON = "it may go on under the body line, where nothing is judged: feel for it there"
_RULES = {
    ("metal", "high"): "tap down; do not sand metal away",
    ("metal", "low"): "raise from behind if it can be reached, else fill",
    ("metal", "ripple"): "work the metal finer before filling",
    ("filler", "high"): "find out what lies under it: tap metal down before filling, else block",
    ("filler", "low"): "fill and block again",
    ("filler", "ripple"): "block across the waves with a long board",
    ("primer", "high"): "block within the film; deeper is a refill",
    ("primer", "low"): "prime and block again; deeper than the film is a refill",
    ("primer", "ripple"): "block across the waves with a long board",
    ("paint", "high"): "report only: paint is not blocked for form",
    ("paint", "low"): "report only: paint is not filled",
    ("paint", "ripple"): "report only",
}

# A stretched panel springs: a broad, shallow high. A knock from behind is small and steep.
_OIL_CAN_WIDTH_MM = 120.0
_OIL_CAN_FLATNESS = 60.0
UNSEEN_DENT = (
    "it may be a dent that is filled, as long as the batten: the fair surface of the first scan "
    "then ran through it, and all that fills it stands proud of that"
)
"""Why a high may be none after filling; what helps is the last scan's own fair surface."""
WHY_EDGE = "filler laid over an edge chips, and the gap shows the edge's line"


@dataclass(frozen=True)
class Dressing:
    """An edge to be dressed, and how far it stands off there: + is high."""

    edge: str
    off_mm: float

    @property
    def words(self) -> str:
        """The deed."""
        way = "tap it down" if self.off_mm > 0.0 else "raise it"
        return f"dress edge {self.edge}: {way} {abs(self.off_mm):.1f} mm on a dolly"


@dataclass(frozen=True)
class Action:
    """What to do about one region.

    verb : measure, probe (find out what lies beneath), tap, shrink, raise, fill, glaze, work,
    block, prime, refill or report; what : the deed; why : its reason; by_mm : how far, 0 where
    that is not said; edges : those to be dressed before the deed.
    """

    verb: str
    what: str
    why: str
    by_mm: float
    edges: tuple[Dressing, ...] = ()

    @property
    def whole(self) -> str:
        """The deed with the edges that are dressed before it."""
        each = list(dict.fromkeys(one.edge for one in self.edges))
        names, edges = " and ".join(each), "edges" if len(each) > 1 else "edge"
        return f"dress {edges} {names} first; then {self.what}" if names else self.what

    @property
    def reason(self) -> str:
        """The reasons of the edges and of the deed."""
        told = not self.edges or self.why.startswith(WHY_EDGE)
        return self.why if told else f"{WHY_EDGE}; {self.why}"

    @property
    def words(self) -> str:
        """What and why in one line, as in the column `action`."""
        return f"{self.whole}: {self.reason}"


@dataclass(frozen=True)
class _Case:
    """A region with what its rule may look at."""

    region: Region
    figures: PlanSettings
    beneath_mm: float | None
    since: str

    @property
    def size_mm(self) -> float:
        return abs(self.region.peak_mm)


def with_actions(regions: tuple[Region, ...], stage: str) -> tuple[Region, ...]:
    """Regions with the stage's rule as their `action`, for a result that has no plan."""
    return tuple(replace(r, action=_rule(r, stage)) for r in regions)


def _rule(region: Region, stage: str) -> str:
    action = _RULES[stage, region.kind]
    if region.edge and stage != "paint":
        action = f"dress edge {region.edge} first; then {action}"
    if region.verdict != "undecided":
        return action
    if region.doubt:
        return f"{_MAKE_SURE}: {region.doubt}; if it is damage, {action}"
    return f"{_MEASURE}: it may be in tolerance; then {action}"


def decide(
    region: Region,
    stage: str,
    figures: PlanSettings,
    *,
    beneath_mm: float | None = None,
    since: str = "",
    also: tuple[Dressing, ...] = (),
) -> Action:
    """What to do about a region at a stage, with its reason.

    Parameters
    ----------
    beneath_mm : filler or film known to lie under the region at its peak; None where unknown.
    since : name of an earlier scan since which that was put on; what lay there then is not known.
    also : edges that it runs out over besides the one it names.
    """
    if region.doubt == UNSEEN_DENT:
        why = (
            f"{UNSEEN_DENT}; compare with --reference after, and block down what is high there too"
        )
        return Action("measure", _MAKE_SURE, why, abs(region.peak_mm))
    decided = _DECIDERS[stage, region.kind](_Case(region, figures, beneath_mm, since))
    if region.cut_off:
        decided = replace(decided, why=f"{decided.why}; {_GOES_ON}")
    if region.edge and stage != "paint":
        decided = _in_the_edge(region, decided, bare=stage == "metal")
        decided = replace(decided, edges=(*decided.edges, *also))
    if region.verdict != "undecided":
        return decided
    if region.doubt:
        why = f"{region.doubt}; if it is damage, {decided.whole}"
        return Action("measure", _MAKE_SURE, why, decided.by_mm)
    return Action(
        "measure",
        _MEASURE,
        f"{region.peak_mm:+.2f} mm is too near the limit for this scan "
        f"(U {region.uncertainty_mm:.2f} mm); if it is out, {decided.whole} ({decided.reason})",
        decided.by_mm,
    )


def _in_the_edge(region: Region, decided: Action, *, bare: bool) -> Action:
    """What to do about a knock in an edge, or a mark that runs out over it.

    The edge moves by what stands there, not by the peak of a mark that lies farther in.
    """
    dressing = Dressing(region.edge, region.edge_peak_mm or region.peak_mm)
    if not bare or decided.verb not in ("tap", "fill", "raise"):
        return replace(decided, edges=(dressing,))
    low, what = region.kind == "low", dressing.words
    verb = "raise" if low else "tap"
    if abs(region.peak_mm) > abs(dressing.off_mm) + _LEAST_TAP_MM:
        what += f"; farther in {decided.what}"
        return Action(verb, what, f"{WHY_EDGE}; {decided.why}", decided.by_mm)
    rest = ", then fill what is left beside it" if low else ""
    return Action(verb, f"{what}{rest}", WHY_EDGE, decided.by_mm)


def is_oil_can(region: Region) -> bool:
    """Whether a high is as broad and shallow as stretched metal that springs."""
    return (
        region.kind == "high"
        and region.width_mm >= _OIL_CAN_WIDTH_MM
        and region.width_mm >= _OIL_CAN_FLATNESS * region.peak_mm
    )


def _metal_high(case: _Case) -> Action:
    region = case.region
    if is_oil_can(region):
        return Action(
            "shrink",
            f"mark it {region.length_mm:.0f} x {region.width_mm:.0f} mm and have it shrunk",
            "so broad and shallow a high may be stretched metal (an oil-can): press it, and if it "
            "springs, tapping only moves it",
            case.size_mm,
        )
    return Action(
        "tap",
        f"tap down {case.size_mm:.1f} mm",
        "bare metal that is sanded away does not come back",
        case.size_mm,
    )


def _metal_low(case: _Case) -> Action:
    depth, figures = case.size_mm, case.figures
    if depth >= figures.filler_stop_mm:
        why = (
            f"{depth:.1f} mm reaches the stop at {figures.filler_stop_mm:g} mm: no filler as it is"
        )
        return Action("raise", "raise from behind or let in new metal", why, depth)
    if depth > figures.filler_metalwork_first_mm:
        why = f"{depth:.1f} mm is over {figures.filler_metalwork_first_mm:g} mm: metalwork first"
        return Action("raise", "raise from behind, then fill what is left", why, depth)
    if depth > figures.filler_caution_mm:
        why = (
            f"{depth:.1f} mm is over {figures.filler_caution_mm:g} mm, so less filler is better, "
            f"up to {figures.filler_metalwork_first_mm:g} mm if it cannot be reached"
        )
    else:
        why = f"{depth:.1f} mm is within {figures.filler_caution_mm:g} mm of filler"
    return Action("fill", "raise from behind if it can be reached, else fill", why, depth)


def _metal_ripple(case: _Case) -> Action:
    return Action(
        "work",
        "work the metal finer",
        f"waves of {case.region.max_slope_mrad:.1f} mrad come back through filler that is sanded "
        "to them",
        0.0,
    )


def _filler_high(case: _Case) -> Action:
    beneath, size = case.beneath_mm, case.size_mm
    if beneath is None:
        return Action(
            "probe",
            "find out what lies under it: tap it down before filling where that is metal or too "
            "little filler, else block it",
            "how much filler lies under it is not known, and hammering cracks what is filled",
            size,
        )
    # No hammer takes down less than this.
    if beneath >= size - _LEAST_TAP_MM:
        return Action(
            "block", f"block down {size:.2f} mm", f"{beneath:.2f} mm of filler lies under it", size
        )
    lies = f"was put on there since {case.since}" if case.since else "lies under it"
    if beneath > _LEAST_TAP_MM:
        why = f"only {beneath:.2f} mm of filler {lies}"
        why += "" if case.since else ", the rest is metal"
        what = f"block to the metal, then tap down {size - beneath:.1f} mm and skim again"
        return Action("tap", what, why, size - beneath)
    why = f"{'no' if beneath < _NOTHING_MM else f'only {beneath:.2f} mm of'} filler {lies}"
    return Action("tap", f"tap down {size:.1f} mm, then skim again", why, size)


def _filler_low(case: _Case) -> Action:
    depth, figures = case.size_mm, case.figures
    total = depth + max(case.beneath_mm or 0.0, 0.0)
    if total >= figures.filler_stop_mm or total > figures.filler_metalwork_first_mm:
        at = "stop" if total >= figures.filler_stop_mm else "metalwork first"
        why = f"with {depth:.1f} mm more, {total:.1f} mm of filler would lie here ({at})"
        return Action("raise", "take the filler out and raise the metal", why, depth)
    rule, limit = figures.glaze_rule_mm, figures.glaze_limit_mm
    if depth <= rule:
        why = f"{depth:.2f} mm is within {rule:g} mm of glaze{_polyester_instead(depth, figures)}"
        return Action("glaze", "glaze and block again", why, depth)
    why = f"{depth:.2f} mm is over {rule:g} mm, as a rule too deep for glaze"
    why += f", which never goes over {limit:g} mm" if depth > limit else ""
    return Action("fill", "fill and block again", why, depth)


def polyester_levels_mm(figures: PlanSettings) -> tuple[float, float]:
    """Depth that sprayed polyester levels for certain, its least film times the least share that
    blocking takes, and the depth it never levels more than, by the greatest.
    """
    return (
        MM_PER_UM * figures.sprayed_polyester_least_um * figures.blocking_takes_least,
        MM_PER_UM * figures.sprayed_polyester_most_um * figures.blocking_takes_most,
    )


def _polyester_instead(depth_mm: float, figures: PlanSettings) -> str:
    """Whether sprayed polyester would level a low, too; empty where it would not."""
    surely, never_over = polyester_levels_mm(figures)
    if depth_mm <= surely:
        return f"; sprayed polyester levels up to {surely:.2f} mm, too"
    if depth_mm <= never_over:
        return (
            f"; sprayed polyester may level it, too: {surely:.2f} mm for certain, never over "
            f"{never_over:.2f} mm"
        )
    return ""


def _wave_block(case: _Case) -> Action:
    return Action(
        "block",
        "block across the waves with a long board",
        f"waves of {case.region.max_slope_mrad:.1f} mrad show in gloss, and a short block rides "
        "on them",
        0.0,
    )


def _film_mm(case: _Case) -> float:
    """Film that is there, or else the least that the shop sprays."""
    given = case.beneath_mm
    return given if given is not None else MM_PER_UM * case.figures.primer_least_um


def _primer_high(case: _Case) -> Action:
    film, size = _film_mm(case), case.size_mm
    if size <= film:
        why = f"{size:.2f} mm is within the film of {film:.2f} mm"
        return Action("block", f"block down {size:.2f} mm, finely", why, size)
    why = f"{size:.2f} mm is more than the film of {film:.2f} mm: it would break through"
    return Action("refill", "do not block it away; go back, tap or refill round it", why, size)


def _primer_low(case: _Case) -> Action:
    levels, size = MM_PER_UM * case.figures.primer_levels_most_um, case.size_mm
    if size <= levels:
        why = f"{size:.2f} mm is within the {levels:.2f} mm that a primer film levels"
        return Action("prime", "prime and block again", why, size)
    why = f"{size:.2f} mm is more than the {levels:.2f} mm that a primer film levels"
    if size > case.figures.glaze_limit_mm:
        why += f", and over {case.figures.glaze_limit_mm:g} mm, which glaze never goes over"
        return Action("refill", "refill: fill, then prime again", why, size)
    return Action("refill", "refill: glaze, then prime again", why, size)


def _paint(case: _Case) -> Action:
    done = "nothing is blocked or filled in paint; what it takes to mend it starts from primer"
    return Action("report", "report only", done, 0.0)


_DECIDERS: dict[tuple[str, str], Callable[[_Case], Action]] = {
    ("metal", "high"): _metal_high,
    ("metal", "low"): _metal_low,
    ("metal", "ripple"): _metal_ripple,
    ("filler", "high"): _filler_high,
    ("filler", "low"): _filler_low,
    ("filler", "ripple"): _wave_block,
    ("primer", "high"): _primer_high,
    ("primer", "low"): _primer_low,
    ("primer", "ripple"): _wave_block,
    ("paint", "high"): _paint,
    ("paint", "low"): _paint,
    ("paint", "ripple"): _paint,
}
