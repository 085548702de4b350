"""What every plan and report has to say about the work it leads to, in plain words."""

from __future__ import annotations

_FIRST = (
    "guidecoat measures and does not certify: product data sheets, local rules and licensed "
    "practice come first.",
)

_DUST = (
    "Sanding dust of filler, primer and old paint harms the lungs and can hold lead or chromates: "
    "test old paint before you sand it, extract the dust and wear a mask.",
)

_STRUCTURE = (
    "Filler carries no load. Never lay it over a crack, a seam, a drain or damaged structure: have "
    "that repaired first.",
    "Plastic bumpers in front of a radar take no filler at all.",
)

_METAL = (
    "Lead body solder is filed, never power-sanded.",
    "No flame, welding or heat near tanks, fuel and brake lines, foam or cavity wax.",
    "Airbags, belt tensioners and their sensors are disconnected only by those licensed to do it.",
)

_FILLER = (
    "Polyester filler gives off styrene and its hardener is a peroxide: air the room, wear gloves "
    "and keep it out of the eyes.",
)

_TWO_PACK = (
    "Two-pack primers and paints hold isocyanates, and so does their dust: air-fed breathing "
    "protection when spraying, and a mask and extraction when sanding.",
)

_BY_STAGE = {
    "metal": _FIRST + _DUST + _METAL + _STRUCTURE + _FILLER + _TWO_PACK,
    "filler": _FIRST + _DUST + _FILLER + _STRUCTURE + _METAL + _TWO_PACK,
    "primer": _FIRST + _DUST + _TWO_PACK + _STRUCTURE + _FILLER + _METAL,
    "paint": _FIRST + _DUST + _TWO_PACK + _STRUCTURE + _FILLER + _METAL,
}


def cautions_for(stage: str) -> tuple[str, ...]:
    """All cautions, those nearest to the work of this stage first.

    Every stage gets every one of them: a high in paint may end in metalwork.

    Examples
    --------
    >>> cautions_for("primer")[0].startswith("guidecoat measures and does not certify")
    True
    """
    return _BY_STAGE[stage]
