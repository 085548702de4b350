"""How a panel hangs against the other side's, in plain words: flush and gaps, edge by edge."""

from __future__ import annotations

from ..compare.hanging import EdgeHang
from ..compare.mirror import MirrorResult
from ..rules import GUARD
from .words import signed

_TOLD_MM = 0.1


def hanging_words(result: MirrorResult) -> tuple[tuple[str, str], ...]:
    """What is known of flush and gaps, each as its name and a line; nothing where the vehicle's
    mirror plane was not given.

    Both are told against the other side: no scan of a panel shows its neighbours.
    """
    if not result.hung:
        return ()
    return ("Flush", _flush_words(result)), ("Gaps", _gap_words(result))


def _flush_words(result: MirrorResult) -> str:
    """Whether the edges stand as far out as the other side's, with a guard band (ISO 14253-1)."""
    gaps = result.settings.gaps
    for limit, for_show in ((gaps.flush_show_mm, True), (gaps.flush_mm, False)):
        if all(_beyond(e, -1.0) <= limit for e in result.hung):
            listed = _listed(result.hung, gaps.flush_show_mm)
            rest = f"; beyond \u00b1{gaps.flush_show_mm:g} mm, for show, {listed}"
            return (
                f"Within \u00b1{limit:g} mm of the other side at every edge"
                f"{', as for show' if for_show else rest}."
            )
    sure = any(_beyond(e, 1.0) > gaps.flush_mm for e in result.hung)
    return (
        f"{'Out' if sure else 'Perhaps out'}, beyond \u00b1{gaps.flush_mm:g} mm of the other side: "
        f"{_listed(result.hung, gaps.flush_mm)} (+ proud)."
    )


def _beyond(hang: EdgeHang, sure: float) -> float:
    """How far off an edge stands at least (+1) or at most (-1)."""
    return abs(hang.proud_mm) - sure * GUARD * hang.proud_sigma_mm


def _listed(hung: tuple[EdgeHang, ...], limit_mm: float) -> str:
    """Edges that may stand beyond a limit, those that surely do without a question mark."""
    return ", ".join(
        f"edge {e.edge} {signed(e.proud_mm)} mm{'' if _beyond(e, 1.0) > limit_mm else ' (?)'}"
        for e in hung
        if _beyond(e, -1.0) > limit_mm
    )


def _gap_words(result: MirrorResult) -> str:
    """How the panel's place changes the gaps round it, and what they should be."""
    gaps, bare = result.settings.gaps, result.settings.stage != "paint"
    told = [e for e in result.hung if abs(e.gap_differs_mm) > _doubt_mm(e)]
    doubt = max(map(_doubt_mm, result.hung))
    said = f"Alike on both sides to {doubt:.1f} mm, if the panels beside are"
    if told:
        said = "Off the other side's, if the panels beside are alike on both: "
        said += ", ".join(_gap_of(e) for e in told)
    most = gaps.widest_mm - gaps.narrowest_mm
    over = ", ".join(e.edge for e in told if abs(e.gap_differs_mm) - _doubt_mm(e) > most)
    if over:
        said += (
            f"; gaps of {gaps.narrowest_mm:g} to {gaps.widest_mm:g} mm differ by {most:g} mm at "
            f"most, so at {over} one side's is out"
        )
    closing = gaps.paint_closes_mm if bare else 0.0
    wanted = f"{gaps.narrowest_mm + closing:g} to {gaps.widest_mm + closing:g} mm"
    when = f" before paint, which closes them by {closing:g} mm" if bare else ""
    return f"{said}. Wanted: {wanted}{when}, and even; measure one side's."


def _doubt_mm(hang: EdgeHang) -> float:
    """What a gap may differ by unseen, or not worth a word."""
    return max(GUARD * hang.narrower_sigma_mm, _TOLD_MM)


def _gap_of(hang: EdgeHang) -> str:
    """One gap against the other side's, such as "at A from 0.2 mm wider to 1.1 mm narrower"."""
    least, most = sorted(hang.narrower_mm, key=abs)
    first, last = (f"{abs(x):.1f} mm {'narrower' if x > 0.0 else 'wider'}" for x in (least, most))
    if abs(most - least) <= _doubt_mm(hang):
        return f"at {hang.edge} {last}"
    return f"at {hang.edge} from {first} to {last}, not even"
