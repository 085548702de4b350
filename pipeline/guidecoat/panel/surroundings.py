"""What a panel was scanned with, left out where a scan would be refused with it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TypeVar

from ..errors import ScanUnfitError
from ..scans.scan import Scan
from ..settings import Settings
from .crop import sole_part
from .ground import ground_words, without_ground

Result = TypeVar("Result")

SURROUNDINGS = "flat or apart from the panel: walls, a floor, a stand"
"""Why what stands round a panel is dropped."""


def off_surroundings(
    work: Callable[[Scan], Result], scan: Scan, settings: Settings
) -> tuple[Result, tuple[str, ...]]:
    """Work on a scan; should it be refused, on what is left without a table or floor in it, and
    then on the one curved part among flat ones.

    Only then: a flat panel with its flanges is no table. Returned with what there is to say.

    Raises
    ------
    ScanUnfitError : the first refusal, where leaving out what is round it does not help.
    """
    try:
        return work(scan), ()
    except ScanUnfitError as refusal:
        for cleared, words in _cleared(scan, settings):
            try:
                return work(cleared), (words,)
            except ScanUnfitError:
                continue
        raise refusal from None


def _cleared(scan: Scan, settings: Settings) -> Iterator[tuple[Scan, str]]:
    off_ground = without_ground(scan)
    if off_ground is not None:
        yield off_ground, ground_words(off_ground)
    part = sole_part(scan, settings)
    if part is None:
        return
    usable = scan.usable & part.keep
    usable.setflags(write=False)
    dropped = {**scan.dropped, SURROUNDINGS: scan.vertices_among(scan.usable) - part.points}
    x, y, z = part.place
    yield (
        replace(scan, usable=usable, dropped=dropped),
        f"{scan.name}: only the one curved part in it was looked at, {100 * part.share:.0f} % of "
        f"the points round x {x:.4g}, y {y:.4g}, z {z:.4g}; the rest is flat or lies apart from "
        "it, as walls, a floor or a stand do. If the panel is another part, take it out with "
        "`guidecoat crop --at`.",
    )
