"""What to say of a scan on which highs and lows at the tolerance cannot be told."""

from __future__ import annotations

NOISE = "noise"
SURFACE = "surface"

_REMEDY = {
    NOISE: "scan closer, more densely or with less noise",
    SURFACE: (
        "scan one panel with sound metal all round the damage, give its body lines (--creases), "
        "try a shorter batten (--batten), or compare with the other side (--like)"
    ),
}


def blind_cause(visible_mm: float, by: str) -> str:
    """What the least visible height is owed to: the scan's noise, or the fair surface.

    >>> blind_cause(0.4, NOISE)
    'the least this scan tells from nothing is 0.40 mm'
    """
    if by == NOISE:
        return f"the least this scan tells from nothing is {visible_mm:.2f} mm"
    return (
        f"heights are told from {visible_mm:.2f} mm only, for want not of a better scan but of a "
        "surer fair surface: the form turns tighter than the batten follows, or too little sound "
        "metal is left to lay it on"
    )


def blind_remedy(by: str) -> str:
    """What helps against it."""
    return _REMEDY[by]
