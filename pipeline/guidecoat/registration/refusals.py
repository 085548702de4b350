"""Why two scans do not go together, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import ScanUnfitError
from .coarse import compare, make_sample
from .fine import Fit
from .placing import COMPARING_CELLS, Placing, all_starts, finalists, place, settled_home
from .rigid import reflection
from .settings import RegistrationSettings
from .surfels import Surfels, make_surfels, reflected, turned_over

Array = NDArray[np.float64]
_LEAVE_UNITS = (
    "leave --units out, so that each scan's are told from its own size, or save both in the same"
)
UNIT_FACTORS = {
    1000.0: "metres and millimetres",
    100.0: "metres and centimetres",
    39.37: "metres and inches",
    25.4: "inches and millimetres",
    10.0: "centimetres and millimetres",
    2.54: "inches and centimetres",
}
# A panel and a crop of it rarely differ more than this in size.
SIZE_LIMIT = 8.0
# Score of a placing from which on the other hand is not tried; 1.15 is perfect.
SURELY_RIGHT = 0.95
# Much of a scan lies on the other to within noise and so do its edges: no mirror image of a panel
# that differs from it does that.
NOISE_ONLY_MM = 0.06
MUCH_UNCHANGED = 0.25
MOST_OF_THE_RIM = 0.85
# On made-up panels (seven shapes with a long dent, a quarter changed or nothing) the wrong hand
# scored 0.22 to 0.76 lower than the right one at the same reach, its edges 0.36 to 0.98 lower;
# on a symmetric panel both came out within 0.01.
CLEARLY = 0.1
RIM_REACH_MM = 1.0


def extent_mm(points: Array) -> float:
    """Length of the diagonal of a scan's middle 98 %, so that stray points do not count."""
    low, high = np.percentile(points[:: max(1, len(points) // 100_000)], [1.0, 99.0], axis=0)
    return float(np.linalg.norm(high - low))


def refuse_units(source: Array, target: Array) -> None:
    """Refuse scans whose sizes differ more than a panel and a part of it do."""
    sizes = extent_mm(source), extent_mm(target)
    if min(sizes) <= 0.0:
        raise ScanUnfitError("All points of a scan fall on one spot; scan the panel again.")
    ratio = max(sizes) / min(sizes)
    if ratio < SIZE_LIMIT:
        return
    raise ScanUnfitError(
        f"The scans measure {sizes[0]:.4g} and {sizes[1]:.4g} mm across, {ratio:.3g} to 1 "
        f"(limit {SIZE_LIMIT:g}): {_units_guess(ratio)}."
    )


def _units_guess(ratio: float) -> str:
    for factor, words in UNIT_FACTORS.items():
        if abs(ratio / factor - 1.0) < 0.25:
            return f"different units, {words}, are likely; {_LEAVE_UNITS}"
    return f"they show different things, or their units differ; {_LEAVE_UNITS}"


@dataclass(frozen=True)
class Hand:
    """How well a scan fits in one hand: `skin` is the score (agreeing less contradicting) at a
    reach common to both hands, `agreed` the share of the overlap that agrees there, `rim` the
    share of the smaller outline that lies on the other within `RIM_REACH_MM`.
    """

    skin: float
    agreed: float
    rim: float


def weigh_hands(
    scans: tuple[Surfels, Surfels],
    edges: tuple[Surfels, Surfels],
    placing: Placing,
    settings: RegistrationSettings,
) -> str:
    """Doubt, in words, whether one scan is mirrored; empty where there is none.

    Damage contradicts a placing in either hand, and a loose placing in the wrong one can spread
    it thinly over the panel. So both hands are settled, judged within one and the same distance,
    and the edges, which damage leaves alone, have their say.

    Parameters
    ----------
    scans : source and target. `edges` : both in cells that are coarser than a hem is thick.

    Raises
    ------
    ScanUnfitError where reflected both skin and edges fit, and as it is the skin does not.
    """
    source, target = scans
    plain = _hand(scans, edges, placing.fit.motion, placing.reach_mm)
    noise_only = (
        placing.fit.surface.scale_mm < NOISE_ONLY_MM
        and placing.fit.unchanged.mean() > MUCH_UNCHANGED
        and plain.rim > MOST_OF_THE_RIM
    )
    if placing.starts[0].score > SURELY_RIGHT or noise_only:
        return ""
    seen = in_mirror(source)
    final = finalists(seen, target, all_starts(seen, target, settings), settings)
    fit = settled_home(seen, target, final.motions[0], settings, reach_mm=2.0)
    reach = min(placing.reach_mm, final.reach_mm)
    plain = _hand(scans, edges, placing.fit.motion, reach)
    mirrored = _hand((seen, target), (in_mirror(edges[0]), edges[1]), fit.motion, reach)
    skin, rim = mirrored.skin - plain.skin, mirrored.rim - plain.rim
    if skin > CLEARLY and rim > -CLEARLY:
        raise ScanUnfitError(_mirrored_words(mirrored.agreed, plain.agreed))
    if skin > CLEARLY or (rim > CLEARLY and skin > -CLEARLY):
        return (
            f"It is not certain that the scans show the same hand: placed as stated "
            f"{plain.agreed:.0%} of the overlap and {_part(plain.rim)} of the edges agree, the "
            f"other way round, reflected, {mirrored.agreed:.0%} and {_part(mirrored.rim)}. Check "
            "that neither file was mirrored and that the sides are the ones stated."
        )
    return ""


def _hand(
    scans: tuple[Surfels, Surfels], edges: tuple[Surfels, Surfels], motion: Array, reach_mm: float
) -> Hand:
    skins = [make_sample(x, most=COMPARING_CELLS) for x in scans]
    rims = [make_sample(x, most=COMPARING_CELLS) for x in edges]
    close = compare(skins[0], skins[1], motion[None], reach_mm)
    wide = compare(rims[0], rims[1], motion[None], RIM_REACH_MM)
    return Hand(float(close.score[0]), 1.0 - float(close.conflict[0]), float(wide.rim[0]))


def _part(share: float) -> str:
    return f"{min(share, 1.0):.0%}"


def _mirrored_words(mirrored: float, plain: float) -> str:
    return (
        f"One of the scans is mirrored: reflected, {mirrored:.0%} of the overlap agrees, as it "
        f"is {plain:.0%}. If it is the panel of the other side, use `guidecoat mirror`; "
        "otherwise export it again without flipping an axis."
    )


def explain_misfit(
    source_points: Array,
    target_points: Array,
    source: Surfels,
    target: Surfels,
    fit: Fit,
    settings: RegistrationSettings,
) -> str:
    """The likeliest reason for a misfit, found by trying each remedy."""
    if source.oriented and target.oriented:
        over = turned_over(source)
        if _good(place(over, target, all_starts(over, target, settings), settings).fit, settings):
            return (
                "The scans fit only with the other side of the skin: one shows the outside, the "
                "other the inside, or its normals point inwards. Scan the same side twice, or "
                "state the outside of each."
            )
    seen = in_mirror(source)
    mirrored = place(seen, target, all_starts(seen, target, settings), settings)
    if _good(mirrored.fit, settings):
        return _mirrored_words(mirrored.fit.agreement, fit.agreement)
    found = _other_units(source_points, target_points, target, settings)
    if found:
        return found
    if fit.overlap < settings.least_overlap:
        return (
            f"The scans overlap by {fit.overlap:.0%} of the smaller one, "
            f"{settings.least_overlap:.0%} are needed. Check that both show the same panel, scan "
            "more of it, or pick matching points."
        )
    scatter = f"{fit.surface.scale_mm:.2g} mm (limit {settings.largest_scale_mm:g})"
    within = f"{fit.agreement:.0%} of the overlap lies within {settings.agreement_mm:g} mm"
    if fit.agreement < settings.least_agreement:
        why = f"only {within} ({settings.least_agreement:.0%} are needed)"
    else:
        why = f"all over they lie apart by {scatter}, as a robust scatter, though {within}"
    return (
        f"The scans do not fit each other: {why}. They show different panels or differ in form all "
        "over, or the units differ. Check the files, or pick matching points (--pairs)."
    )


def _good(fit: Fit, settings: RegistrationSettings) -> bool:
    return (
        fit.overlap >= max(0.5, settings.least_overlap)
        and fit.agreement >= max(0.7, settings.least_agreement)
        and fit.surface.scale_mm <= 0.5 * settings.largest_scale_mm
    )


def in_mirror(source: Surfels) -> Surfels:
    """The cells reflected about the plane x = 0."""
    return reflected(source, reflection(np.zeros(3), np.array([1.0, 0.0, 0.0])))


def _other_units(
    source: Array, target: Array, target_cells: Surfels, settings: RegistrationSettings
) -> str:
    ratio = extent_mm(target) / extent_mm(source)
    for factor, words in UNIT_FACTORS.items():
        for power in (1.0, -1.0):
            if abs(ratio / factor**power - 1.0) > 0.25:
                continue
            scaled = make_surfels(source * factor**power, None, target_cells.cell_mm)
            starts = all_starts(scaled, target_cells, settings)
            if _good(place(scaled, target_cells, starts, settings).fit, settings):
                return (
                    f"The scans fit when one is scaled by {factor:g}: {words} were mixed up. "
                    "State the units of each scan."
                )
    return ""
