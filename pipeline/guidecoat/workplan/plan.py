"""The plan of a panel: two target surfaces compared, each region decided, the work in order."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..cautions import cautions_for
from ..errors import SettingsError
from ..findings.regions import Region
from .actions import Dressing, decide
from .boards import board_for
from .cover import CoverSurface
from .depths import Fill, fill_of
from .held_edges import EdgeMove, corner_knocks, edge_moves
from .inputs import Checked, PanelField, panel_field
from .ready import Ready, readiness
from .steps import Decision, Step, order_steps
from .taps import Tap, rank_taps, volume_words

Floats = NDArray[np.float64]

TAP, COVER = "tap", "cover"
_TOLD_MM = 0.05  # what rounds to no tenth is not worth a word


@dataclass(frozen=True, eq=False)
class WorkPlan:
    """What to do about a panel, in which order, and when to stop.

    tap : filler once every high is brought down to the fair surface; cover : filler when no metal
    is moved; taps : highs ranked by the filler that tapping them saves; edge_moves : held edges
    that stand in the way; decisions : one per region, and `regions` with their `action` filled in;
    steps : the work in order; ready : the panel against what may come next; choice : the surface
    that the steps work to, `tap` or `cover`, with its reason.
    """

    stage: str
    tap: Fill
    cover: Fill
    choice: str
    choice_reason: str
    taps: tuple[Tap, ...]
    edge_moves: tuple[EdgeMove, ...]
    decisions: tuple[Decision, ...]
    regions: tuple[Region, ...]
    steps: tuple[Step, ...]
    ready: tuple[Ready, ...]
    cautions: tuple[str, ...]

    @property
    def in_edges(self) -> bool:
        """Whether lows lie in the bands along edges too, which the steps fill and no surface
        counts.
        """
        return any(r.edge and r.kind == "low" and r.verdict == "out" for r in self.regions)


def plan_work(
    result: Checked, *, build_mm: float | Floats | None = None, since: str = ""
) -> WorkPlan:
    """Make the work plan of a check.

    Parameters
    ----------
    build_mm : filler or film known to lie on the metal, one figure or one for each cell (nu, nv)
        with NaN where unknown, such as a comparison with a scan before filling gives; without it
        what the settings say, if they do.
    since : name of the scan that the comparison starts from.

    Raises
    ------
    SettingsError : a build that is negative or of another shape than the cells' grid.
    """
    settings, grid = result.settings, result.cells.grid
    figures = settings.plan
    if build_mm is None and figures.beneath_mm != "unknown":
        build_mm = figures.beneath_mm
    build = _build(build_mm, grid.shape)
    field = panel_field(result)
    surface = CoverSurface(result, field)
    corner = (grid.u0_mm, grid.v0_mm)
    every = tuple(high.region for high in field.highs)
    to_fair = np.where(field.judged, -surface.panel_mm(every), np.nan)
    tap = fill_of(
        TAP,
        to_fair,
        figures,
        area_mm2=field.area_mm2,
        cell_mm=grid.cell_mm,
        corner_mm=corner,
        slope_mrad=0.0,
    )
    cover = fill_of(
        COVER,
        surface.lift_mm() - field.height_mm,
        figures,
        area_mm2=field.area_mm2,
        cell_mm=grid.cell_mm,
        corner_mm=corner,
        slope_mrad=surface.slope_mrad(),
    )
    taps = rank_taps(field.highs, surface.need)
    # An earlier scan lends a comparison its edges: what they were like then is no work for now.
    also = {} if since else corner_knocks(result)
    decisions = tuple(
        _decision(result, region, build, since, also.get(region.region, ()))
        for region in result.regions
    )
    ready = readiness(result, field, tap)
    return WorkPlan(
        settings.stage,
        tap,
        cover,
        TAP,
        _why_tap(field, tap, cover, settings.tolerance.slope_mrad),
        taps,
        edge_moves(result, field),
        decisions,
        tuple(
            replace(region, action=decision.action.words)
            for region, decision in zip(result.regions, decisions, strict=True)
        ),
        order_steps(settings.stage, result.regions, decisions, taps, tap, ready, figures),
        ready,
        cautions_for(settings.stage),
    )


def _build(build_mm: float | Floats | None, shape: tuple[int, int]) -> Floats:
    """(nu, nv) build, NaN where it is not known."""
    if build_mm is None:
        return np.full(shape, np.nan)
    build = np.asarray(build_mm, np.float64)
    if build.ndim == 0:
        build = np.full(shape, float(build))
    if build.shape != shape:
        raise SettingsError(
            f"the build has shape {build.shape} and the cells' grid {shape}: give one figure, or "
            "one for each cell"
        )
    if (build < 0.0).any():
        raise SettingsError(
            f"the build is {float(np.nanmin(build)):g} mm somewhere, and cannot be below 0 mm: "
            "give what lies on the metal"
        )
    return build


def _decision(
    result: Checked, region: Region, build: Floats, since: str, also: tuple[Dressing, ...]
) -> Decision:
    i, j = result.cells.grid.index(np.array([region.u_mm]), np.array([region.v_mm]))
    beneath = float(build[i[0], j[0]])
    action = decide(
        region,
        result.settings.stage,
        result.settings.plan,
        beneath_mm=beneath if np.isfinite(beneath) else None,
        since=since,
        also=also,
    )
    blocked = result.settings.stage != "paint" and action.verb not in ("tap", "shrink", "work")
    return Decision(
        region.region, action, board_for(result, region) if blocked else None, region.from_edges
    )


def _why_tap(field: PanelField, tap: Fill, cover: Fill, slope_mrad: float) -> str:
    """Why highs come down first, or that there are none."""
    if not field.highs:
        return "nothing stands proud: both surfaces are the fair surface"
    said = [
        f"covering takes {volume_words(cover.litres)} where bringing the highs down first takes "
        f"{volume_words(tap.litres)}"
    ]
    if cover.slope_mrad > slope_mrad:
        said.append(f"it tilts the panel by {cover.slope_mrad:.1f} mrad, over {slope_mrad:g}")
    if cover.proud_mm >= _TOLD_MM:
        said.append(f"it leaves {cover.proud_mm:.1f} mm proud beside held edges")
    if cover.limit not in ("none", tap.limit):
        said.append(f"and goes {cover.greatest_mm:.1f} mm deep ({cover.limit})")
    return ", ".join(said)
