"""What every report shows of a panel: it in 3-D, it in the light, and its marks for the script."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from ..check import CheckResult
from ..findings.regions import Region
from ..preview.light import light_panel, panel_wander_mm, wander_by_region
from ..surface.fair_points import fair_points
from ..wording.plain import shown
from .lamps import lamp_rows, light_data, light_piece
from .scene import Channel, Thinned, scene_data, thinned
from .steps import size_words
from .tables import scene_piece

VERDICT_WORDS = {"in": "In tolerance", "out": "Out of tolerance", "undecided": "Undecided"}
_T = TypeVar("_T")


@dataclass(frozen=True, eq=False)
class ReportPage:
    """A page as text, and a warning for each part of it that could not be drawn."""

    text: str
    lost: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Lit:
    """The light: its piece of the page, what the script needs, and the wander by region."""

    piece: str
    data: dict[str, object] | None
    wander_mm: dict[str, float]


@dataclass(frozen=True, eq=False)
class View:
    """A panel in 3-D and in the light.

    scene_piece, light_piece : of the page, empty where they could not be drawn; data : what the
    script needs; wander_mm : of a band, by region; lost : a warning for each that is not drawn.
    """

    scene_piece: str
    light_piece: str
    data: dict[str, object]
    wander_mm: dict[str, float]
    lost: tuple[str, ...]


def viewed(result: CheckResult, channels: tuple[Channel, ...]) -> View:
    """The panel with its marks; the first channel is the one that can be exaggerated."""
    lost: list[str] = []
    thin = thinned(result.cells)
    lit = tried("light", lambda: _lit_view(result, thin), lost) or _Lit("", None, {})
    scene = tried("3-D view", lambda: _scene_view(result, channels, thin), lost)
    marks = [_mark(result, region, thin) for region in result.regions]
    return View(
        scene_piece(channels, has_light=lit.data is not None) if scene else "",
        lit.piece,
        {"marks": marks, "scene": scene, "light": lit.data},
        lit.wander_mm,
        tuple(lost),
    )


def tried(what: str, draw: Callable[[], _T], lost: list[str]) -> _T | None:
    """What `draw` gives, or None and a warning: a drawing must not cost the measurement."""
    try:
        return draw()
    except Exception as error:  # noqa: BLE001
        lost.append(
            f"The {what} could not be drawn ({type(error).__name__}: {error}); the numbers and the "
            "other files are whole. Please report this."
        )
        return None


def _lit_view(result: CheckResult, thin: Thinned) -> _Lit:
    """The panel in the light of both rows of lamps."""
    lit = light_panel(
        result.chart,
        result.cells,
        result.faces,
        result.fair,
        result.deviation,
        distance_mm=result.settings.plan.light_distance_mm,
        slope_tolerance_mrad=result.settings.tolerance.slope_mrad,
    )
    rows = lamp_rows(result.chart, lit)
    grid = result.cells.grid
    by_region = wander_by_region(lit, result.regions)
    whole, noise = panel_wander_mm(lit, result.regions), lit.wander_noise_mm
    words = (
        f"Seen from {lit.distance_mm / 1000:g} m, a band wanders by {whole:.0f} mm over the panel"
        + (f" (up to {noise:.0f} mm of any such figure is the scan's noise)." if noise else ".")
    )
    return _Lit(
        light_piece(lit, rows, words, grid.shape[1] / grid.shape[0]),
        light_data(lit, rows, thin, grid.cell_mm),
        by_region,
    )


def _scene_view(
    result: CheckResult, channels: tuple[Channel, ...], thin: Thinned
) -> dict[str, object]:
    """The surface as scanned: the fair one plus the deviation, raw cells where it is not judged."""
    cells, shape = result.cells, result.cells.grid.shape
    u, v = (np.where(cells.filled, a, np.nan).ravel() for a in (cells.u_mm, cells.v_mm))
    fair = fair_points(result.chart, cells, result.faces, result.fair, u, v)
    smooth = result.deviation.smooth_mm.ravel()
    scanned = result.chart.to_space(np.column_stack([u, v, cells.height_mm.ravel()]))
    shown_mm = np.where(
        np.isfinite(smooth)[:, None], fair.points_mm + smooth[:, None] * fair.normals, scanned
    )
    edges = tuple((edge.line_uv, "edge") for edge in result.edges)
    creases = tuple((crease.line_uv, "crease") for crease in result.creases)
    return scene_data(
        result.chart,
        cells,
        shown_mm.reshape(*shape, 3),
        fair.normals.reshape(*shape, 3),
        channels,
        result.regions,
        (*edges, *creases),
        thin,
    )


def _mark(result: CheckResult, region: Region, thin: Thinned) -> dict[str, object]:
    """What the script needs of a region: its place on the unrolled panel and its words."""
    grid = result.cells.grid
    step = grid.cell_mm * thin.every
    wide, tall = (step * len(range(thin.first, n, thin.every)) for n in grid.shape)
    return {
        "name": shown(region.region),
        "kind": region.kind,
        "across": (region.u_mm - grid.u0_mm) / wide,
        "up": (region.v_mm - grid.v0_mm) / tall,
        "words": shown(
            f"{region.region}: {size_words(region)}, {region.from_edges}. "
            f"{VERDICT_WORDS[region.verdict]}: {region.action}"
        ),
    }
