"""What a user must know to trust a check."""

from __future__ import annotations

import numpy as np

from ..findings.judging import share_judged
from ..findings.untold import times_farther_off
from ..measuring.blind import blind_cause, blind_remedy
from ..measuring.deviation import CellDeviation
from ..numerics.local_fit import quadratic_columns
from ..outline.faces import JUDGED, OFF, REASONS, Faces
from ..panel.fitness import WIDEST_CELL_MM, measure_sight, too_coarse_words
from ..panel.given import hold_words, read_hold_points
from ..panel.unrolled import Unrolled
from ..settings import Settings
from ..surface.fairing import FairSurface
from ..surface.left_out import TIGHT_TIMES
from ..unrolling.chart import Chart
from .doubting import LEAST_JUDGED
from .scan_doubts import gap_words, scan_doubts

_BLIND_SPOT = "Damage as long as the batten"
_PARTED = "Body lines or steps part the panel"
_JUDGED = "Judged:"
_OUTSIDE = "Outside is"
# Each way in which remarks advise what a left against right has done.
_COMPARE_SIDES = (
    "; to be sure compare with the other side (--like)",
    ", or compare with the other side (--like)",
    " with the other side,",
)
_NOTES = (_BLIND_SPOT, _PARTED, _JUDGED, _OUTSIDE)
# A main face of which less lies on its surface may be wavy form all over (choice).
_SURELY_LAID_ON = 0.6
# Depth of a skin below its rim, and its share of half the skin's greater span: sound panels bulge,
# and flat ones sag by less (choice).
_HOLLOW_MM = 5.0
# Share of the places with points that hold too few: hems and flying points leave less (choice).
_MOST_THIN = 0.12
_HOLLOW_SHARE = 0.01
# Smaller areas that were not judged round to nothing.
_LEAST_TOLD_CM2 = 0.5


def is_note(remark: str) -> bool:
    """Whether a remark is worth knowing and says of nothing that it went wrong.

    >>> is_note("Judged: 90 % of the skin."), is_note("No edge is held: ...")
    (True, False)
    """
    return remark.startswith(_NOTES)


def is_blind_spot(remark: str) -> bool:
    """Whether a remark is the one about damage that no single scan can see."""
    return remark.startswith(_BLIND_SPOT)


def beside_other_side(remarks: tuple[str, ...]) -> tuple[str, ...]:
    """Remarks on a side that was compared with the other one, without the advice to do so.

    >>> beside_other_side(("Try a shorter one, or compare with the other side (--like).",))
    ('Try a shorter one.',)
    """
    told = []
    for remark in remarks:
        for advice in _COMPARE_SIDES:
            remark = remark.replace(advice, "")
        told.append(remark)
    return tuple(told)


def is_outside(remark: str) -> bool:
    """Whether a remark is the one about which way is out."""
    return remark.startswith(_OUTSIDE)


def outside_remark(chart: Chart, scan: str = "the scan") -> str:
    """Which way is out in a scan's frame, and what said so."""
    x, y, z = chart.outside
    return (
        f"{_OUTSIDE} ({x:+.2f}, {y:+.2f}, {z:+.2f}) in {scan}, by {chart.outside_decided_by}. If "
        "that is the inside, highs and lows are swapped: say --outside."
    )


def warnings_of(
    unrolled: Unrolled,
    faces: Faces,
    fair: FairSurface,
    found: CellDeviation,
    visible: float,
    settings: Settings,
    doubts: list[str],
) -> tuple[str, ...]:
    """What the user must know to trust the result, weightiest first.

    Parameters
    ----------
    doubts : from `doubts_of` and the like, said among the first.
    """
    main = fair.faces[0]
    said = []
    if visible > settings.tolerance.height_mm:
        said.append(
            f"The tolerance of {settings.tolerance.height_mm:g} mm cannot be seen: "
            f"{blind_cause(visible, found.blurred_by)}. Remedy: {blind_remedy(found.blurred_by)}."
        )
    said += doubts
    said += gap_words(unrolled, settings.edges.inboard_mm)
    said += _held_points(unrolled, faces, main.face, settings)
    hold_of = settings.edges.hold_of
    judged = [f for f in fair.faces if (found.judged & (faces.label == f.face)).any()]
    for face in judged:
        for line in face.edges:
            said += [
                f"Edge {line.name} has a knock of {ding.height_mm:+.2f} mm over "
                f"{ding.length_mm:.0f} mm; it was not held there."
                for ding in line.dings
            ]
    if not any(
        line.held.any() and hold_of(line.name) != "free" for f in judged for line in f.edges
    ):
        said.append(
            "No edge is held: the surface rests on the skin alone, and an edge that is bent as a "
            "whole is not seen."
        )
    if len(judged) > 1:
        parts = ", ".join(f"{f.batten_mm:.0f} mm" for f in judged)
        said.append(
            f"{_PARTED} into {len(judged)} faces, each laid with a batten of its own: {parts}."
        )
    if settings.surface.batten_mm == "auto" and main.batten_mm <= (
        settings.surface.shortest_batten_mm
    ):
        said.append(
            f"The batten is the stage's shortest and {main.batten_decided_by}: form that turns "
            "tighter reads as highs and lows. A shorter one (--batten) shows which are form."
        )
        said += _tight(fair, found)
    said += [*_outside(unrolled), *_unjudged(unrolled, faces, found)]
    said.append(
        f"{_BLIND_SPOT} ({main.batten_mm:.0f} mm) or longer looks like form and is "
        "not seen. Ways round it: hold more points (--hold), compare with the other side, with an "
        "earlier scan or with a sound donor panel."
    )
    return tuple(said)


def _held_points(unrolled: Unrolled, faces: Faces, main: int, settings: Settings) -> list[str]:
    """What is doubtful about the points that the user holds."""
    path = settings.edges.hold_points_file
    if path is None:
        return []
    uvh = unrolled.chart.to_chart(read_hold_points(path, unrolled.scan).hold_mm)
    return hold_words(uvh, unrolled.cells, unrolled.skin, faces.label, main)


def _blind_to_ripple(unrolled: Unrolled, settings: Settings) -> list[str]:
    """Whether ripple at the tolerance would drown in the noise, as a survey says too."""
    seen, limit = measure_sight(unrolled.cells, settings).slope_mrad, settings.tolerance.slope_mrad
    if seen <= limit:
        return []
    return [
        f"This scan cannot see the slope tolerance: the least ripple it tells from nothing is "
        f"{seen:.2f} mrad, the tolerance is {limit:g} mrad; finer ripple is missed. Scan closer, "
        "more densely or with less noise."
    ]


def doubts_of(
    unrolled: Unrolled, faces: Faces, fair: FairSurface, found: CellDeviation, settings: Settings
) -> list[str]:
    """Why a panel on which nothing stands out is still not known to be in tolerance."""
    main, cells = fair.faces[0], unrolled.cells
    said = _blind_to_ripple(unrolled, settings)
    of_all = share_judged(found, cells)
    if of_all < LEAST_JUDGED:
        said.append(
            f"Only {100 * of_all:.0f} % of what was scanned could be judged, so it may be more "
            "than one panel, or none. Take one panel out with `guidecoat crop`."
        )
    said += scan_doubts(unrolled, fair.edges)
    if cells.grid.cell_mm > WIDEST_CELL_MM:
        said.append(
            f"{too_coarse_words(cells).capitalize()}: highs and lows read too small, and small "
            "ones are missed. Scan more densely."
        )
    thin = float((cells.filled & ~unrolled.skin).sum()) / max(int(cells.filled.sum()), 1)
    if thin > _MOST_THIN:
        said.append(
            f"{100 * thin:.0f} % of the places where there are points hold too few of them beside "
            "the rest and were left out: parts scanned too thinly, or flying points. An edge drawn "
            "there is only where the dense part ends. Scan those parts again."
        )
    judged = found.judged & (faces.label == main.face)
    share = float((main.sound & judged).sum()) / max(int(judged.sum()), 1)
    if share < _SURELY_LAID_ON:
        said.append(
            f"Only {100 * share:.0f} % of the main face lies on its fair surface: what is called "
            "high or low may be the panel's own form. Give its body lines (--creases) or a shorter "
            "batten (--batten), or compare with the other side (--like)."
        )
    return said


def _tight(fair: FairSurface, found: CellDeviation) -> list[str]:
    """Whether the shortest batten is too long for the form, or too short for the damage."""
    main = fair.faces[0]
    # Over all shorter battens: of broad damage, too, the user must hear.
    times = times_farther_off(main, from_share=0.0)
    if times <= TIGHT_TIMES:
        return []
    return [
        f"With a batten of {main.batten_mm:.0f} mm the metal lies {times:.1f} "
        "times farther off than with a shorter one: the form turns tighter than the batten "
        "follows, or damage is broader than it. Heights are sure to about "
        f"{found.usual_uncertainty_mm:.2f} mm only. Try a shorter one (--batten), or compare with "
        "the other side (--like)."
    ]


def _outside(unrolled: Unrolled) -> list[str]:
    """Which way is out and what said so, and whether the panel is hollow seen from there."""
    chart = unrolled.chart
    said = []
    hollow = _hollow_mm(unrolled)
    if chart.outside_decided_by.startswith("the file's") and hollow > _HOLLOW_MM:
        said.append(
            f"Seen from the side that {chart.outside_decided_by} call the outside, the panel is "
            f"hollow by {hollow:.0f} mm. If it is a crowned panel they are turned round, and highs "
            "and lows are swapped: say --outside."
        )
    said.append(outside_remark(chart))
    return said


def _hollow_mm(unrolled: Unrolled) -> float:
    """How deep the skin lies below its rim, from a quadratic; 0 where it bulges."""
    cells, chart = unrolled.cells, unrolled.chart
    u, v, h = (x[unrolled.skin] for x in (cells.u_mm, cells.v_mm, cells.height_mm))
    u, v = u - u.mean(), v - v.mean()
    found = np.linalg.lstsq(quadratic_columns(u, v), h, rcond=None)[0]
    a, b = 0.5 * np.ptp(u), 0.5 * np.ptp(v)
    rise = found[3] * a**2 + (found[5] - 0.5 * chart.curvature_per_mm) * b**2
    return float(rise) if rise > _HOLLOW_SHARE * max(a, b) else 0.0


def _unjudged(unrolled: Unrolled, faces: Faces, found: CellDeviation) -> list[str]:
    """How much of the skin was not judged, by reason, in one line."""
    side = unrolled.cells.grid.cell_mm
    filled = unrolled.cells.filled
    parts = []
    for code, reason in enumerate(REASONS):
        count = int((filled & (faces.reason == code) & ~found.judged).sum())
        area_cm2 = count * side**2 / 100.0
        if area_cm2 >= _LEAST_TOLD_CM2 and code not in (JUDGED, OFF):
            parts.append(f"{area_cm2:.0f} cm2 {reason}")
    share = 100.0 * share_judged(found, unrolled.cells)
    return (
        [f"{_JUDGED} {share:.0f} % of the skin. Not judged: {'; '.join(parts)}."] if parts else []
    )
