"""When to stop: the wave that is left against what the next product levels by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..rules import GUARD
from ..settings import PlanSettings
from .actions import polyester_levels_mm
from .depths import Fill
from .inputs import Checked, PanelField

# At either end of a wave: a lone cell is noise. Marks told of count whole, however small (choice).
_LEFT_OUT = 0.0025


@dataclass(frozen=True)
class Product:
    """What comes next, and the wave (mm, peak to valley) that it levels, or the depth it fills.

    most_mm : what it may level at best, where that is more than it surely does; how : how it is
    laid, and its limits, for people.
    """

    name: str
    levels_mm: float
    deed: str = "levels"
    most_mm: float | None = None
    how: str = ""

    @property
    def measured(self) -> str:
        """What a wave is measured between before this product."""
        if self.deed == "fills":
            return "at the deepest low"
        return "from the highest to the lowest spot"


@dataclass(frozen=True)
class Ready:
    """Whether the panel is ready for the next product.

    wave_mm : peak to valley of what is left on the judged cells, on bare metal the deepest low;
    doubt_mm : its guard band;
    margin_mm : what the product levels less the wave; state : yes, no or undecided; measured :
    what the wave is measured between.
    """

    product: str
    levels_mm: float
    wave_mm: float
    doubt_mm: float
    margin_mm: float
    state: str
    words: str
    measured: str


def products_after(stage: str, figures: PlanSettings, tolerance_mm: float) -> tuple[Product, ...]:
    """What may come next at a stage, thinnest film first.

    A film levels what blocking may take off it for certain: of high-build primer the least of
    the shop's range, of sprayed polyester its least film times the least share, and never more
    than its greatest film times the greatest share.
    """
    primer = Product(
        "primer",
        1e-3 * figures.primer_levels_least_um,
        how=f"{figures.primer_least_um:g} to {figures.primer_most_um:g} um in all",
    )
    by_stage = {
        "metal": (Product("filler", figures.filler_caution_mm, "fills"),),
        "filler": (
            primer,
            _sprayed_polyester(figures),
            Product(
                "a skim of glaze",
                figures.glaze_rule_mm,
                how=f"as a rule, never over {figures.glaze_limit_mm:g} mm",
            ),
        ),
        "primer": (Product("paint", 2.0 * tolerance_mm),),
        "paint": (),
    }
    return by_stage[stage]


def _sprayed_polyester(figures: PlanSettings) -> Product:
    least, most = polyester_levels_mm(figures)
    films = f"{figures.sprayed_polyester_least_um:g} to {figures.sprayed_polyester_most_um:g} um"
    takes = f"{figures.blocking_takes_least:.0%} to {figures.blocking_takes_most:.0%}"
    coats = figures.sprayed_polyester_coats
    return Product(
        "sprayed polyester",
        least,
        most_mm=most,
        how=f"{films} in {coats} coat{'s' if coats > 1 else ''}, of which blocking takes {takes}",
    )


def readiness(result: Checked, field: PanelField, fill: Fill) -> tuple[Ready, ...]:
    """The panel against every product that may come next.

    Parameters
    ----------
    fill : filler to the fair surface; bare metal is ready for it by its deepest low.
    """
    smooth = result.deviation.smooth_mm[field.judged]
    stage, settings = result.settings.stage, result.settings
    products = products_after(stage, settings.plan, settings.tolerance.height_mm)
    if not len(smooth) or not products:
        return ()
    sigma = float(np.nanmedian(result.deviation.cell_sigma_mm[field.judged]))
    if stage == "metal":
        # Filler is laid on lows; highs and waves in the metal come back through it.
        proud = {r.verdict for r in result.regions if r.kind != "low"}
        verdict = "out" if "out" in proud else "undecided" if "undecided" in proud else "in"
        return tuple(
            ready_for(product, fill.greatest_mm, GUARD * sigma, verdict=verdict)
            for product in products
        )
    low, high = np.quantile(smooth, [_LEFT_OUT, 1.0 - _LEFT_OUT])
    # A mark that is told of is no speck, however little ground its tip holds.
    told = [region.peak_mm for region in result.regions if not region.doubt]
    high, low = max([high, *told]), min([low, *told])
    doubt = GUARD * float(np.sqrt(2.0)) * sigma
    verdict = result.verdict if stage == "primer" else "in"
    return tuple(ready_for(p, float(high - low), doubt, verdict=verdict) for p in products)


def ready_for(product: Product, wave_mm: float, doubt_mm: float, *, verdict: str = "in") -> Ready:
    """Compare a wave with what a product levels, with the guard band of ISO 14253-1.

    Parameters
    ----------
    verdict : `out` where something else stands in the way, `undecided` where it may.

    >>> ready_for(Product("filler", 2.0, "fills"), 1.5, 0.01).words
    'ready for filler: 1.50 mm is left at the deepest low, it fills 2 mm, margin 0.50 mm'
    """
    margin = product.levels_mm - wave_mm
    at_best = margin if product.most_mm is None else product.most_mm - wave_mm
    if verdict == "out" or at_best < -doubt_mm:
        state = "no"
    else:
        state = "yes" if margin >= doubt_mm and verdict == "in" else "undecided"
    words = _words(product, state, wave_mm, doubt_mm, out=verdict == "out")
    return Ready(
        product.name, product.levels_mm, wave_mm, doubt_mm, margin, state, words, product.measured
    )


def _words(product: Product, state: str, wave_mm: float, doubt_mm: float, *, out: bool) -> str:
    margin = product.levels_mm - wave_mm
    left = (
        f"{wave_mm:.2f} mm is left {product.measured}, it {product.deed} {product.levels_mm:.2g} mm"
    )
    if product.most_mm is not None:
        left += f" for certain and never over {product.most_mm:.2g} mm"
    words = {
        "yes": f"ready for {product.name}: {left}, margin {margin:.2f} mm",
        "undecided": f"too near to tell whether it is ready for {product.name}: {left}, the scan "
        f"is sure to {doubt_mm:.2f} mm",
        "no": f"not ready for {product.name}: {left}"
        + (", and marks stand out of tolerance" if out else ""),
    }[state]
    if state == "undecided" and margin < -doubt_mm:
        words = f"{product.name} may do or not: {left}"
    return f"{words} ({product.how})" if product.how else words
