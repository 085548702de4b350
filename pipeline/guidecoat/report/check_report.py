"""The report of a check."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from ..check import CheckResult
from ..export.colours import Scale
from ..export.words import (
    blind_spot,
    outside_words,
    scan_file,
    shown,
    surface_words,
    verdict_words,
)
from ..fair_points import fair_points
from ..light import light_panel, wander_by_region, wander_mm
from ..regions import Region
from ..sections import Section
from ..settings import resolved
from . import pieces
from .lamps import lamp_rows, light_data, light_piece
from .scene import Channel, Thinned, deviation_channel, scene_data, slope_channel, thinned
from .section_drawings import sections_piece
from .steps import first_steps, size_words
from .tables import regions_table, scene_piece

_WORD = {"in": "In tolerance", "out": "Out of tolerance", "undecided": "Undecided"}
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


def check_page(
    result: CheckResult,
    scale: Scale,
    picture: bytes | None,
    *,
    sections: tuple[Section, ...] = (),
    warnings: tuple[str, ...] = (),
) -> ReportPage:
    """Put the page together.

    Parameters
    ----------
    picture : the map's PNG, None where it could not be drawn.
    sections : cuts to show.
    warnings : what went wrong while writing, added to the result's own.

    A part that cannot be drawn costs only itself: the page says so among its warnings.
    """
    lost: list[str] = []
    thin = thinned(result.cells)
    lit = _tried("light", lambda: _lit(result, thin), lost) or _Lit("", None, {})
    channels = (
        deviation_channel(scale, result.deviation.smooth_mm, name="deviation", label="stands off"),
        slope_channel(result.deviation.cell_slope_mrad, result.settings.tolerance.slope_mrad),
    )
    scene = _tried("3-D view", lambda: _scene(result, channels, thin), lost)
    drawn = _tried(
        "sections", lambda: sections_piece(sections, result.settings.tolerance.height_mm), lost
    )
    name = shown(result.scan.name)
    body = [
        pieces.masthead(
            name,
            f"Panel {result.length_mm:.0f} \u00d7 {result.width_mm:.0f} mm, in "
            f"{result.settings.stage}, tolerance \u00b1{result.settings.tolerance.height_mm:g} mm",
            result.verdict,
            _WORD[result.verdict],
            _sentence(verdict_words(result)),
        ),
        "<main>",
        pieces.first_steps(first_steps(result)),
        scene_piece(channels, has_light=lit.data is not None) if scene else "",
        pieces.picture(
            "Map",
            picture,
            f"Map of {name}: the unrolled panel with its highs and lows, listed in the table below",
        ),
        regions_table(result.regions, lit.wander_mm),
        lit.piece,
        drawn or "",
        _facts(result),
        pieces.listing(
            "What this scan cannot see, and warnings",
            (blind_spot(result), *_other_warnings(result), *warnings, *lost),
        ),
        pieces.listing("Cautions", result.cautions),
        pieces.settings_piece(resolved(result.settings)),
        "</main>",
        pieces.foot(scan_file(result.scan), result.scan.sha256),
    ]
    data: dict[str, object] = {
        "marks": [_mark(result, region, thin) for region in result.regions],
        "scene": scene,
        "light": lit.data,
    }
    return ReportPage(pieces.page(f"{name}: highs and lows", body, data), tuple(lost))


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
            f"{region.region}: {size_words(region)}, {region.from_edges or 'no edge near'}. "
            f"{_WORD[region.verdict]}: {region.action}"
        ),
    }


def _lit(result: CheckResult, thin: Thinned) -> _Lit:
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
    whole = wander_mm(lit, np.ones(grid.shape, bool))
    noise = lit.wander_noise_mm
    words = (
        f"Seen from {lit.distance_mm / 1000:g} m, a band wanders by {whole:.0f} mm over the panel"
        + (f" (up to {noise:.0f} mm of any such figure is the scan's noise)." if noise else ".")
    )
    return _Lit(
        light_piece(lit, rows, words, grid.shape[1] / grid.shape[0]),
        light_data(lit, rows, thin, grid.cell_mm),
        wander_by_region(lit, result.regions),
    )


def _scene(
    result: CheckResult, channels: tuple[Channel, ...], thin: Thinned
) -> dict[str, object] | None:
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


def _facts(result: CheckResult) -> str:
    dropped = ", ".join(f"{n} {reason}" for reason, n in result.dropped.items()) or "none"
    units, tolerance = result.scan.units, result.settings.tolerance
    creases = ", ".join(
        f"{c.name} ({c.kind}, {c.length_mm:.0f} mm, {c.source})" for c in result.creases
    )
    rows = (
        ("Panel", f"{result.length_mm:.0f} \u00d7 {result.width_mm:.0f} mm"),
        ("Stage", result.settings.stage),
        ("Tolerance", f"\u00b1{tolerance.height_mm:g} mm, slope {tolerance.slope_mrad:g} mrad"),
        ("Fair surface", surface_words(result)),
        ("Creases", creases or "none"),
        ("Outside", outside_words(result)),
        ("Units", f"{units.value}, by {units.decided_by}"),
        ("Points", f"{len(result.scan.points_mm)}, of which judged {result.points_judged}"),
        ("Points dropped", dropped),
    )
    return pieces.facts("Scan facts", rows)


def _other_warnings(result: CheckResult) -> tuple[str, ...]:
    """The result's warnings without the one that the blind spot says already."""
    return tuple(w for w in result.warnings if not w.startswith("Damage as long as the batten"))


def _tried(what: str, draw: Callable[[], _T], lost: list[str]) -> _T | None:
    """What `draw` gives, or None and a warning: a drawing must not cost the measurement."""
    try:
        return draw()
    except Exception as error:  # noqa: BLE001
        lost.append(
            f"The {what} could not be drawn ({type(error).__name__}: {error}); the numbers and the "
            "other files are whole. Please report this."
        )
        return None


def _sentence(verdict: str) -> str:
    """What follows the verdict's word, as a sentence."""
    rest = verdict.partition(": ")[2]
    return f"{rest[:1].upper()}{rest[1:]}."
