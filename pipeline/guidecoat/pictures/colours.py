"""The one colour scale of every picture, cloud and mesh: orange is high, violet is low.

The colours are the 11-class diverging scheme PuOr of ColorBrewer (Brewer 2003, "A transition in
improving maps", Cartography and Geographic Information Science 30(2)), which people with any of
the common kinds of colour vision can tell apart. Inside the tolerance all is its neutral middle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..findings.regions import Region
from ..measuring.deviation import HELD, NOT_JUDGED

HIGH_COLOURS = ("#fee0b6", "#fdb863", "#e08214", "#b35806", "#7f3b08")
LOW_COLOURS = ("#d8daeb", "#b2abd2", "#8073ac", "#542788", "#2d004b")
NEUTRAL = "#f7f7f7"
NOT_JUDGED_GREY = "#bdbdbd"
HELD_GREY = "#969696"

_STEPS = 4096  # of the look-up table; with it a band's edge is off by less than a micrometre or so
_MOST_LEVELS = len(HIGH_COLOURS)


@dataclass(frozen=True, eq=False)
class Scale:
    """Bands of deviation and their colours, the same distances up and down.

    levels_mm : rising band edges, the first is the tolerance; table : (_STEPS + 3, 3) uint8, the
    colours from below the lowest band edge to above the highest, then held, then not judged.
    """

    levels_mm: tuple[float, ...]
    table: NDArray[np.uint8]

    @property
    def reach_mm(self) -> float:
        """Deviation at the ends of the table, a little beyond the last band edge."""
        return 1.05 * self.levels_mm[-1]

    def colours(
        self, deviation_mm: NDArray[np.floating], status: NDArray[np.uint8]
    ) -> NDArray[np.uint8]:
        """(...) deviation in mm and status codes to (..., 3) sRGB; NaN counts as not judged."""
        grey = np.isnan(deviation_mm) | (status == NOT_JUDGED)
        # float32 all through: a double would cost a copy of a large cloud
        place = np.multiply(
            deviation_mm, np.float32(0.5 * _STEPS / self.reach_mm), dtype=np.float32
        )
        place += np.float32(0.5 * _STEPS)
        np.clip(place, 0.0, _STEPS, out=place)
        place[grey] = _STEPS + 2
        place[(status == HELD) & ~grey] = _STEPS + 1
        return self.table.take(place.astype(np.intp), axis=0)


def rgb(colour: str) -> tuple[int, int, int]:
    """A "#rrggbb" colour as three numbers from 0 to 255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def scale_for(tolerance_mm: float, regions: tuple[Region, ...]) -> Scale:
    """A scale whose first band edge is the tolerance and whose others are round millimetres."""
    peaks = [abs(r.peak_mm) for r in regions if math.isfinite(r.peak_mm)]
    return scale_to(tolerance_mm, max([3.0 * tolerance_mm, *peaks]))


def scale_to(tolerance_mm: float, largest_mm: float) -> Scale:
    """A scale from the tolerance to about `largest_mm`, in at most five bands a side."""
    levels = _levels(tolerance_mm, largest_mm)
    reach = 1.05 * levels[-1]
    middle = (np.arange(_STEPS + 1) / (0.5 * _STEPS) - 1.0) * reach + reach / _STEPS
    band = np.searchsorted(levels, np.abs(middle), side="right")
    highs = np.array([rgb(c) for c in (NEUTRAL, *band_colours(len(levels), high=True))], np.uint8)
    lows = np.array([rgb(c) for c in (NEUTRAL, *band_colours(len(levels), high=False))], np.uint8)
    ramp = np.where((middle > 0.0)[:, None], highs[band], lows[band])
    table = np.vstack([ramp, [rgb(HELD_GREY), rgb(NOT_JUDGED_GREY)]]).astype(np.uint8)
    table.setflags(write=False)
    return Scale(levels, table)


def band_colours(count: int, *, high: bool) -> tuple[str, ...]:
    """`count` colours from pale to deep, spread over the scheme's half."""
    half = HIGH_COLOURS if high else LOW_COLOURS
    places = np.linspace(0, len(half) - 1, count) if count > 1 else np.array([2])
    return tuple(half[round(float(p))] for p in places)


def _levels(tolerance_mm: float, largest_mm: float) -> tuple[float, ...]:
    decade = 10.0 ** math.floor(math.log10(largest_mm / 10.0))
    for step in (f * decade * g for g in (1.0, 10.0, 100.0) for f in (1.0, 2.0, 5.0)):
        if step < 0.5 * tolerance_mm:
            continue
        count = math.ceil(largest_mm / step)
        above = [round(k * step, 6) for k in range(1, count)]
        above = [level for level in above if level > 1.4 * tolerance_mm]
        if len(above) < _MOST_LEVELS:
            return (tolerance_mm, *above)
    return (tolerance_mm,)
