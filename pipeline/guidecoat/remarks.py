"""What a user must know to trust a check."""

from __future__ import annotations

from .deviation import CellDeviation
from .faces import JUDGED, OFF, REASONS, Faces
from .fairing import FairSurface
from .settings import Settings
from .unrolled import Unrolled

_BLIND_SPOT = "Damage as long as the batten"
_PARTED = "Body lines or steps part the panel"
_JUDGED = "Judged:"
_NOTES = (_BLIND_SPOT, _PARTED, _JUDGED)


def is_note(remark: str) -> bool:
    """Whether a remark is worth knowing and says of nothing that it went wrong.

    >>> is_note("Judged: 90 % of the skin."), is_note("No edge is held: ...")
    (True, False)
    """
    return remark.startswith(_NOTES)


def is_blind_spot(remark: str) -> bool:
    """Whether a remark is the one about damage that no single scan can see."""
    return remark.startswith(_BLIND_SPOT)


def warnings_of(
    unrolled: Unrolled,
    faces: Faces,
    fair: FairSurface,
    found: CellDeviation,
    visible: float,
    settings: Settings,
) -> tuple[str, ...]:
    """What the user must know to trust the result, weightiest first."""
    main = fair.faces[0]
    said = []
    if visible > settings.tolerance.height_mm:
        said.append(
            f"This scan cannot see the tolerance: the least it tells from nothing is {visible:.2f} "
            f"mm, the tolerance is {settings.tolerance.height_mm:g} mm. Scan closer, more densely "
            "or with less noise."
        )
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
        said.append(f"The batten is the stage's shortest; {main.batten_decided_by}.")
    said += _unjudged(unrolled, faces, found)
    said.append(
        f"{_BLIND_SPOT} ({main.batten_mm:.0f} mm) or longer looks like form and is "
        "not seen. Ways round it: hold more points (--hold), compare with the other side, with an "
        "earlier scan or with a sound donor panel."
    )
    return tuple(said)


def _unjudged(unrolled: Unrolled, faces: Faces, found: CellDeviation) -> list[str]:
    """How much of the skin was not judged, by reason, in one line."""
    side = unrolled.cells.grid.cell_mm
    filled = unrolled.cells.filled
    parts = []
    for code, reason in enumerate(REASONS):
        count = int((filled & (faces.reason == code) & ~found.judged).sum())
        if count and code not in (JUDGED, OFF):
            parts.append(f"{count * side**2 / 100:.0f} cm2 {reason}")
    share = 100.0 * found.judged.sum() / max(int(filled.sum()), 1)
    return (
        [f"{_JUDGED} {share:.0f} % of the skin. Not judged: {'; '.join(parts)}."] if parts else []
    )
