"""A comparison and a left against right in plain words: picture, page and terminal alike."""

from __future__ import annotations

import math
from collections import Counter

from ..compare import Comparison, Stand, Track
from ..compare.mirror import MirrorResult
from ..compare.progress import FIXED, NOT_CONFIRMED, OVERDONE
from .plain import shown
from .words import signed

STATES = ("fixed", "improved", "unchanged", "worse", "new", "not seen", NOT_CONFIRMED)
_NO_KNOCK = "no knock"


def change_words(result: Comparison) -> str:
    """What was put on and taken off, in one line."""
    whole = result.whole
    if not whole.changed.any():
        if hidden := whole.hides_mm(result.settings.tolerance.height_mm):
            return f"No change can be told: one of up to {hidden:.2f} mm would not show"
        return f"No change: nothing over about {whole.least_mm:.2f} mm was added or taken off"
    parts = []
    if whole.added_cm3 > 0.0:
        parts.append(
            f"{whole.added_cm3:.1f} \u00b1 {whole.added_uncertainty_cm3:.1f} cm\u00b3 added, up to "
            f"{whole.max_build_mm:.2f} mm thick"
        )
    if whole.removed_cm3 > 0.0:
        parts.append(
            f"{whole.removed_cm3:.1f} \u00b1 {whole.removed_uncertainty_cm3:.1f} cm\u00b3 taken off"
        )
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}"


def progress_words(result: Comparison) -> str:
    """How many highs and lows are fixed, better, worse or new, and the verdict now."""
    counted = Counter(t.last.state for t in result.tracks if t.last.state)
    listed = ", ".join(f"{counted[state]} {state}" for state in STATES if counted[state])
    now = result.after.result.verdict
    unsure = [t.name for t in result.tracks if _is_unsure(t)]
    why = f"at {', '.join(unsure)}" if unsure else "see the warnings"
    verdict = {"in": "in tolerance now", "out": "still out of tolerance"}.get(
        now, f"now undecided: {why}"
    )
    doubtful = " (undecided before, gone without a change)" if counted[NOT_CONFIRMED] else ""
    return f"Highs and lows: {listed or 'none'}{doubtful}; the panel is {verdict}."


def _is_unsure(track: Track) -> bool:
    region = track.last.region
    return region is not None and region.verdict == "undecided" and track.last.state != FIXED


def placing_words(result: Comparison) -> str:
    """How well the scans lie on each other."""
    found = result.registrations[-1]
    return (
        f"Scans laid on each other to {found.rms_mm:.3f} mm rms over the unchanged part, overlap "
        f"{found.overlap:.0%}; measured from the fair surface of "
        f"{shown(result.reference)}; batten {result.after.result.surface.batten_mm:.0f} mm."
    )


def stand_words(stand: Stand | None, kind: str) -> str:
    """A region in one pass: its peak with its U, or its slope for ripple; a dash before it was
    found.
    """
    if stand is None:
        return "\u2013"
    if kind == "ripple":
        return f"{stand.slope_mrad:.1f} mrad" if math.isfinite(stand.slope_mrad) else "?"
    if not math.isfinite(stand.peak_mm) and stand.state == FIXED:
        # Only knocks are looked for in the band along an edge, nothing is measured there.
        return _NO_KNOCK
    if not math.isfinite(stand.peak_mm):
        return signed(stand.peak_mm)
    return f"{signed(stand.peak_mm)} \u00b1 {stand.uncertainty_mm:.2f}"


def track_words(track: Track) -> str:
    """A region from the first pass to the last, "L1 -1.40 +- 0.03 to -0.12 +- 0.03 mm,
    improved".
    """
    peaks = " to ".join(stand_words(stand, track.kind) for stand in track.stands)
    unit = "" if track.kind == "ripple" or peaks.endswith(_NO_KNOCK) else " mm"
    return f"{track.name} {peaks}{unit}, {state_words(track)}"


def state_words(track: Track) -> str:
    """How a region stands against the pass before, "worse, filled proud"."""
    region = track.last.region
    through = f", {OVERDONE[region.kind]}" if track.last.turned and region is not None else ""
    return f"{track.last.state}{through}"


def shape_words(result: MirrorResult) -> str:
    """How the shapes differ, in one line."""
    shape = result.shape
    tolerance = shape.settings.tolerance
    band = f"\u00b1{tolerance.height_mm:g} mm and {tolerance.slope_mrad:g} mrad"
    if shape.verdict == "in":
        return f"The sides are alike: no difference in shape beyond {band}"
    n = sum(r.verdict == shape.verdict for r in shape.regions)
    if shape.verdict == "out":
        return f"The sides differ in shape at {n} place{'s' * (n != 1)}, beyond {band}"
    return f"Undecided against {band}: no difference in shape is surely beyond it"


def position_words(result: MirrorResult) -> str:
    """How the panel sits, in one line."""
    at = result.position
    if at is None:
        return result.position_words
    x, y, z = (signed(float(v)) for v in at.shift_mm)
    a, b, c = (signed(float(v)) for v in at.turn_mrad)
    return (
        f"Position: {x}, {y}, {z} mm along x, y, z and {a}, {b}, {c} mrad about them, "
        f"\u00b1{2.0 * at.sigma_mm:.2f} mm, \u00b1{2.0 * at.sigma_mrad:.2f} mrad (k = 2)."
        + (f" {result.position_words}" if result.position_words else "")
    )


def plane_words(result: MirrorResult) -> str:
    """Where the mirror plane lies."""
    plane = result.plane
    if plane is None:
        return f"Mirror plane: {result.plane_decided_by}."
    n, p = plane.normal, plane.point
    return (
        f"Mirror plane through ({p[0]:.1f}, {p[1]:.1f}, {p[2]:.1f}) mm, normal ({n[0]:.4f}, "
        f"{n[1]:.4f}, {n[2]:.4f}), \u00b1{2.0 * plane.uncertainty_mm:.2f} mm and "
        f"\u00b1{2.0 * plane.uncertainty_mrad:.2f} mrad (k = 2), from {result.plane_decided_by}."
    )
