"""What a map says of itself: the same drawing serves a check, a change and a left against right."""

from __future__ import annotations

from dataclasses import dataclass

from ..check import CheckResult
from ..findings.regions import Region
from .words import blind_spot, surface_words, verdict_words


@dataclass(frozen=True)
class MapWords:
    """Words of one map.

    verdict : the bold line under the name; notes : two lines under that; heading : over the key
    of colours; high, low, middle : at its ends and in its neutral band; high_line, low_line,
    whole_line : what outlined patches are; table : the file that holds every row; told :
    over the last column of the table under the map; left_out : what cells are that have points and
    no figure; left, left_line : marks drawn faintly beside the regions, and what they are.
    """

    verdict: str
    notes: tuple[str, str]
    heading: str = "Off the fair surface, mm"
    high: str = "high"
    low: str = "low"
    middle: str = "in tolerance"
    high_line: str = "high, beyond tolerance"
    low_line: str = "low, beyond tolerance"
    whole_line: str = "whole high, low or ripple: its size"
    table: str = "regions.csv"
    told: str = "What to do"
    left_out: str = "not judged: too few points"
    left: tuple[Region, ...] = ()
    left_line: str = ""


def check_words(result: CheckResult) -> MapWords:
    """The words of a check's map."""
    return MapWords(verdict_words(result), (surface_words(result), blind_spot(result)))
