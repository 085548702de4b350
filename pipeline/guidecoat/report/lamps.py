"""The light as the page's script moves it: at every cell the place a lamp must have to light it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..preview.light import ALONG, UPRIGHT, Lamps, LitPanel, lamp_place, lamps_over
from ..unrolling.chart import Chart
from .pieces import packed, text
from .scene import Thinned

Floats = NDArray[np.float64]

_NOTHING = -32768
_STEPS = 200.0  # of a lamp's place per spacing: a step is far below a lamp's width
_WORDS = {ALONG: "along u, left to right on the map", UPRIGHT: "along v, bottom to top on the map"}


def lamp_rows(chart: Chart, lit: LitPanel) -> tuple[tuple[str, Lamps], ...]:
    """The two ways the lamps are hung, by name."""
    return tuple((way, lamps_over(chart, lit, way)) for way in (ALONG, UPRIGHT))


def light_data(
    lit: LitPanel, rows: tuple[tuple[str, Lamps], ...], thin: Thinned, cell_mm: float
) -> dict[str, object]:
    """The lamp fields of the fair and the measured surface, for both ways of the lamps."""
    points = thin(lit.points_mm)
    ways = []
    for name, lamps in rows:
        step = lamps.spacing_mm / _STEPS
        way: dict[str, object] = {
            "id": name,
            "spacing_mm": lamps.spacing_mm,
            "radius_mm": lamps.radius_mm,
            "step_mm": step,
        }
        for surface, normals in (("fair", lit.fair_normals), ("measured", lit.measured_normals)):
            place, share = lamp_place(points, thin(normals), lamps)
            way[f"{surface}_place"] = packed(_whole(place / step), "i2")
            way[f"{surface}_share"] = packed(np.round(255.0 * np.nan_to_num(share)), "u1")
        ways.append(way)
    nu, nv = points.shape[:2]
    return {"ways": ways, "nu": nu, "nv": nv, "cell_mm": thin.every * cell_mm}


def _whole(place: Floats) -> NDArray[np.int16]:
    known = np.isfinite(place)
    clipped = np.clip(np.where(known, place, 0.0), -32000, 32000)
    return np.where(known, np.round(clipped), _NOTHING).astype(np.int16)


def light_piece(
    lit: LitPanel, rows: tuple[tuple[str, Lamps], ...], panel_wander: str, tall: float
) -> str:
    """Both pictures side by side, and the slider that moves the lamps across them.

    Parameters
    ----------
    tall : height over width of the unrolled panel.
    """
    options = "".join(f'<option value="{way}">{_WORDS[way]}</option>' for way, _ in rows)
    words = "; ".join(
        f"{_WORDS[way]}: {lamps.spacing_mm:g} mm apart, {2 * lamps.radius_mm:.0f} mm wide"
        for way, lamps in rows
    )
    smoothing = (
        f"smoothed over {lit.smoothing_mm:.0f} mm (half of a wave of that length is left), as far "
        "as its noise needs and no further"
        if lit.smoothing_mm
        else "not smoothed: its noise is low enough"
    )
    height = max(40, round(600 * tall))
    pictures = "".join(
        f'<figure><canvas id="light-{name}" width="600" height="{height}" role="img" '
        f'aria-label="{text(title)}: bright bands of the lamps on the unrolled panel"></canvas>'
        f"<figcaption>{text(title)}</figcaption></figure>"
        for name, title in (("measured", "The panel as scanned"), ("fair", "The fair surface"))
    )
    return (
        "<section>\n<h2>Light</h2>\n<p>A row of straight lamps over the panel. Where the bands on "
        "the panel as scanned bend and those on the fair surface run true, gloss will show it. "
        f"{text(panel_wander)}</p>\n"
        f'<div class="controls"><label>Lamps <select id="lamp-way">{options}</select></label>'
        '<label>Move the lamps <input type="range" id="lamp-place" min="0" max="100" step="1" '
        'value="25"></label><span id="lamp-moved" aria-hidden="true"></span></div>\n'
        f'<div class="pair">{pictures}</div>\n<p class="note">The lamps hang '
        f"{lit.distance_mm / 1000:g} m off ({words}). The scanned surface is "
        f"{text(smoothing)}. Plain ground: nothing scanned or not judged.</p>\n</section>"
    )
