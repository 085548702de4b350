"""Filler: how deep, how much, over what area, and where it passes the stage's limits."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..settings import PlanSettings

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LIMITS = ("none", "caution", "metalwork first", "stop")
"""What a depth of filler runs into, the mildest first."""

_THINNEST_MM = 0.02
MM3_PER_LITRE = 1e6


@dataclass(frozen=True, eq=False)
class Fill:
    """Filler needed to reach one target surface.

    depth_mm : (nu, nv) finished depth, NaN off the judged cells, 0 where none goes; greatest_mm,
    mean_mm : over the filled area; u_mm, v_mm : where it is deepest; litres : in place;
    litres_mixed, kilograms : to be mixed, with what is sanded off again; hardener_g : for it;
    area_cm2 : filled; feather_cm2 : round it, to be feathered; coats : at the deepest place;
    slope_mrad : the greatest slope added to the fair surface; proud_mm : metal that stays above
    the target, 0 where none does; limit : one of `LIMITS`, and
    caution_cm2, metalwork_cm2, stop_cm2 : the area beyond each.
    """

    target: str
    depth_mm: Floats
    greatest_mm: float
    mean_mm: float
    u_mm: float
    v_mm: float
    litres: float
    litres_mixed: float
    kilograms: float
    hardener_g: float
    area_cm2: float
    feather_cm2: float
    coats: int
    slope_mrad: float
    proud_mm: float
    limit: str
    caution_cm2: float
    metalwork_cm2: float
    stop_cm2: float


def limit_of(depth_mm: float, figures: PlanSettings) -> str:
    """What a finished depth of filler runs into: beyond the first two limits, at the last.

    >>> from guidecoat.settings import load_settings
    >>> [limit_of(d, load_settings("metal").plan) for d in (2.0, 2.01, 3.01, 6.0)]
    ['none', 'caution', 'metalwork first', 'stop']
    """
    if depth_mm >= figures.filler_stop_mm:
        return LIMITS[3]
    if depth_mm > figures.filler_metalwork_first_mm:
        return LIMITS[2]
    return LIMITS[1] if depth_mm > figures.filler_caution_mm else LIMITS[0]


def coats_for(depth_mm: float, figures: PlanSettings) -> int:
    """Coats of filler for a finished depth."""
    return ceil(depth_mm / figures.filler_coat_mm - 1e-9) if depth_mm > 0.0 else 0


def mixed_kilograms(litres: float, figures: PlanSettings) -> float:
    """Kilograms to mix for a volume in place."""
    density = (
        figures.density_light_kg_per_l
        if figures.filler == "light"
        else figures.density_standard_kg_per_l
    )
    return litres * figures.mixing_factor * density


def added_slope_mrad(height_mm: float, width_mm: float, figures: PlanSettings) -> float:
    """Slope that raising a surface by a height over a width adds: about 1.6 h/w.

    >>> from guidecoat.settings import load_settings
    >>> added_slope_mrad(0.5, 800.0, load_settings("metal").plan)
    1.0
    """
    return 1e3 * figures.tilt_factor * height_mm / width_mm


def fill_of(
    target: str,
    depth_mm: Floats,
    figures: PlanSettings,
    *,
    area_mm2: Floats,
    cell_mm: float,
    corner_mm: tuple[float, float],
    slope_mrad: float,
) -> Fill:
    """Measure a map of depths.

    Parameters
    ----------
    depth_mm : (nu, nv), NaN off the judged cells; less than a fiftieth of a millimetre is none,
        and below 0 metal stands proud of the target.
    area_mm2 : (nu, nv) of the skin over each cell.
    corner_mm : chart position of the grid's first corner.
    slope_mrad : the slope that the target surface adds to the fair surface.
    """
    known = np.isfinite(depth_mm)
    depth = np.where(known & (depth_mm > _THINNEST_MM), depth_mm, 0.0)
    filled = depth > 0.0
    volume = float((depth * area_mm2).sum())

    def _cm2(where: Mask) -> float:
        return float(area_mm2[where].sum()) / 100.0

    litres = volume / MM3_PER_LITRE
    kilograms = mixed_kilograms(litres, figures)
    greatest = float(depth.max(initial=0.0))
    proud = float(np.max(-depth_mm, where=known, initial=0.0))
    i, j = np.unravel_index(int(depth.argmax()), depth.shape)
    shown = np.where(known, depth, np.nan)
    shown.setflags(write=False)
    return Fill(
        target,
        shown,
        greatest,
        volume / float(area_mm2[filled].sum()) if filled.any() else 0.0,
        corner_mm[0] + cell_mm * (float(i) + 0.5),
        corner_mm[1] + cell_mm * (float(j) + 0.5),
        litres,
        litres * figures.mixing_factor,
        kilograms,
        1e3 * kilograms * figures.hardener_share,
        _cm2(filled),
        _cm2(_feathered(filled, known, greatest, figures, cell_mm)),
        coats_for(greatest, figures),
        slope_mrad,
        proud if proud > _THINNEST_MM else 0.0,
        limit_of(greatest, figures),
        _cm2(depth > figures.filler_caution_mm),
        _cm2(depth > figures.filler_metalwork_first_mm),
        _cm2(depth >= figures.filler_stop_mm),
    )


def _feathered(
    filled: Mask,
    known: Mask,
    greatest_mm: float,
    figures: PlanSettings,
    cell_mm: float,
) -> Mask:
    """(nu, nv) bool, cells round a fill that its edge is feathered over; wider in proportion beyond
    caution.
    """
    if not filled.any():
        return filled
    reach = figures.feather_edge_mm * max(1.0, greatest_mm / figures.filler_caution_mm)
    away = ndimage.distance_transform_edt(~filled) * cell_mm
    return np.asarray(known & ~filled & (away <= reach))
