"""What to do about a high, a low or ripple, by stage: the trade's rule in a few words."""

from __future__ import annotations

from dataclasses import replace

from .regions import Region

_ACTIONS = {
    ("metal", "high"): "tap down; do not sand metal away",
    ("metal", "low"): "raise from behind if it can be reached, else fill",
    ("metal", "ripple"): "work the metal finer before filling",
    ("filler", "high"): "block down only as deep as there is filler; else tap",
    ("filler", "low"): "fill and block again",
    ("filler", "ripple"): "block across the waves with a long board",
    ("primer", "high"): "block within the film; deeper is a refill",
    ("primer", "low"): "prime and block again; deeper than the film is a refill",
    ("primer", "ripple"): "block across the waves with a long board",
    ("paint", "high"): "report only: paint is not blocked for form",
    ("paint", "low"): "report only: paint is not filled",
    ("paint", "ripple"): "report only",
}


def with_actions(regions: tuple[Region, ...], stage: str) -> tuple[Region, ...]:
    """Regions with their `action` filled in for a stage."""
    return tuple(replace(r, action=_said(r, stage)) for r in regions)


def _said(region: Region, stage: str) -> str:
    action = _ACTIONS[stage, region.kind]
    return (
        f"scan again or measure: it may be in tolerance; then {action}"
        if (region.verdict == "undecided")
        else action
    )
