"""A body line, step or shoulder: where the surface hinges, or parts into faces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .far_off import PRESSED_SHARE

# Of how far a line is rounded. Measured on one rounded over 25 mm, sound, 8 seeds: with 1.3 three
# have ripple beside it, with 1.6 and 1.9 none.
_ROUND_SHARE = 1.6
_SHOULDER_SHARE = 1.3
# Farther than a shoulder is rounded its curvature runs out: 25 mm leave 0.07 mm there.
_RUNS_OUT_MM = 40.0
# Body lines are rounded less (choice: twice what their narrow window sees as crisp).
_BROAD_MM = 40.0


@dataclass(frozen=True, eq=False)
class Crease:
    """A body line on the chart.

    name : "C1", "C2" ...; kind : soft (the surface hinges), sharp (it parts two faces) or step;
    line_uv : (k, 2) mm; turn_mrad : how far the surface turns across it, + when it turns up
    (a valley); step_mm : how far the side to the left of the line stands above the right;
    length_mm; source : found | given; round_mm : how far to either side the skin is rounded;
    pressed : whether the skin beyond that is one on both sides, as across a swage; through :
    whether both its ends run out of the skin; shoulder : whether it is the middle of a broad bend.
    """

    name: str
    kind: str
    line_uv: NDArray[np.float64]
    turn_mrad: float
    step_mm: float
    length_mm: float
    source: str
    round_mm: float = 0.0
    pressed: bool = False
    through: bool = False
    shoulder: bool = False

    @property
    def pressed_mm(self) -> float:
        """How far to either side it is pressed out of the skin, 0 where it is not."""
        return PRESSED_SHARE * self.round_mm if self.pressed else 0.0

    @property
    def hinged_mm(self) -> float:
        """How far to either side of it the surface hinges: as far as the skin is rounded, and until
        a shoulder's curvature has run out.
        """
        if self.shoulder:
            return _SHOULDER_SHARE * self.round_mm + _RUNS_OUT_MM
        return _ROUND_SHARE * self.round_mm

    @property
    def broad(self) -> bool:
        """Whether it is rounded so broadly that it may be the beginning of a shoulder."""
        return self.kind == "soft" and self.round_mm > _BROAD_MM

    @property
    def parts(self) -> bool:
        """Whether it may part the skin into faces: not where it is pressed into one, all along."""
        return self.kind in ("sharp", "step") and not (self.pressed and self.through)
