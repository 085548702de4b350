"""What tapping a high saves: how much less filler, and how much less deep."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

from ..findings.regions import Region
from .cover import CoverNeed
from .depths import MM3_PER_LITRE

_WORTH_SHARE = 0.05
_MOST_RANKED = 40


@dataclass(frozen=True)
class Tap:
    """One high, tapped down to the fair surface.

    rank : its place in the order that saves most first; by_mm : how far it comes down;
    saves_litres : filler saved by tapping it alone, depth_before_mm and depth_after_mm the
    greatest depth of filler then; left_litres, left_mm : filler and greatest depth left when it
    and those ranked before it are tapped; worth : whether its turn saves a twentieth or more of
    the filler or of its depth.
    """

    rank: int
    region: str
    by_mm: float
    saves_litres: float
    depth_before_mm: float
    depth_after_mm: float
    left_litres: float
    left_mm: float
    worth: bool

    def words(self) -> str:
        """The trade in one line."""
        less = volume_words(abs(self.saves_litres))
        change = "less" if self.saves_litres >= 0.0 else "more"
        before, after = f"{self.depth_before_mm:.1f}", f"{self.depth_after_mm:.1f}"
        depth = f"greatest depth {before} -> {after} mm"
        if before == after:
            depth = f"greatest depth stays {after} mm"
        return f"tap {self.region} by {self.by_mm:.1f} mm: {less} {change} filler, {depth}"


def volume_words(litres: float) -> str:
    """A volume as the shop says it.

    >>> volume_words(0.9), volume_words(0.1231)
    ('0.9 l', '123 ml')
    """
    return f"{litres:.1f} l" if litres >= 0.5 else f"{1e3 * litres:.0f} ml"


def rank_taps(
    highs: tuple[Region, ...], need: Callable[[Collection[str]], CoverNeed]
) -> tuple[Tap, ...]:
    """Rank highs greedily by the filler that tapping each saves once those before it are tapped.

    Parameters
    ----------
    need : filler needed to cover the panel once the highs of these names are tapped.
    """
    before = need(())
    alone = {high.region: need((high.region,)) for high in highs}
    left = list(highs)
    done: list[str] = []
    at = before
    taps = []
    while left:
        # So many highs at once are a panel to be worked over first; rank the rest by size.
        among = left if len(left) <= _MOST_RANKED else left[:1]
        needs = [need((*done, high.region)) for high in among]
        best = min(range(len(among)), key=lambda k: (needs[k].volume_mm3, needs[k].greatest_mm))
        high, then = left.pop(best), needs[best]
        done.append(high.region)
        taps.append(
            Tap(
                len(done),
                high.region,
                high.peak_mm,
                (before.volume_mm3 - alone[high.region].volume_mm3) / MM3_PER_LITRE,
                before.greatest_mm,
                alone[high.region].greatest_mm,
                then.volume_mm3 / MM3_PER_LITRE,
                then.greatest_mm,
                _is_worth(at, then),
            )
        )
        at = then
    return tuple(taps)


def _is_worth(at: CoverNeed, then: CoverNeed) -> bool:
    return (
        at.volume_mm3 - then.volume_mm3 >= _WORTH_SHARE * at.volume_mm3 > 0.0
        or at.greatest_mm - then.greatest_mm >= _WORTH_SHARE * at.greatest_mm > 0.0
    )
