"""All files of a comparison, in the order that leaves summary.json for last."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..check import CheckResult
from ..compare import Comparison
from ..compare.advice import stands
from ..compare.pointwise import change_view, with_all_skin
from ..findings.regions import Region
from ..measuring.deviation import IN
from ..numerics.footprints import footprints_of
from ..pictures.colours import Scale, scale_to
from ..pictures.mesh import coloured_mesh, write_mesh_glb
from ..report.pair_page import comparison_page
from ..wording.compare_words import change_words, placing_words, progress_words
from ..wording.map_words import MapWords
from ..wording.plain import shown
from .compare_summary import comparison_summary
from .compare_tables import history_csv, regions_csv
from .summary import write_summary
from .vertex_fields import write_vertex_fields

_LEAST_BAND_MM = 0.05


def write_comparison(result: Comparison, folder: Path) -> None:
    """Write everything a comparison leaves into an existing folder.

    change.ply, change.glb, change.png, regions.csv, history.csv where there are more than two
    passes, report.html and, last, summary.json. A picture that cannot be drawn costs only itself.

    Raises
    ------
    OSError : the folder cannot be written or the disk is full.
    """
    started = time.perf_counter()
    view = change_view(result.before, result.after, result.whole, result.tracks)
    scale = _scale(result)
    view = _quiet(view, scale)
    write_vertex_fields(
        folder / "change.ply",
        view,
        scale,
        (
            ("change", view.deviation.point_mm),
            ("deviation", result.after.result.deviation.point_mm),
        ),
        comment="change and deviation in mm, added and high are +",
    )
    mesh = coloured_mesh(view, scale)
    write_mesh_glb(folder / "change.glb", mesh, view, name=shown(view.scan.name))
    words = _words(result)
    picture, warnings = drawn(
        with_all_skin(view, result.before), scale, words, "change.png", folder
    )
    (folder / "regions.csv").write_bytes(regions_csv(result).encode("utf-8", "replace"))
    if len(result.passes) > 2:
        (folder / "history.csv").write_bytes(history_csv(result).encode("utf-8", "replace"))
    page = comparison_page(result, scale, picture, warnings=warnings)
    (folder / "report.html").write_bytes(page.text.encode("utf-8", "replace"))
    summary = comparison_summary(result, warnings=(*warnings, *page.lost))
    summary["timings_s"]["write"] = round(time.perf_counter() - started, 4)
    write_summary(folder / "summary.json", summary)


def drawn(
    view: CheckResult, scale: Scale, words: MapWords, name: str, folder: Path
) -> tuple[bytes | None, tuple[str, ...]]:
    """Draw and write a map; its bytes, or None and a warning where it cannot be drawn."""
    try:
        from ..pictures.map_picture import map_png

        picture = map_png(view, scale, words)
    except Exception as error:  # noqa: BLE001, a failed drawing must not cost the measurement
        reason = shown(f"{type(error).__name__}: {error}")
        return None, (
            f"{name} could not be drawn ({reason}); the numbers and the other files are whole. "
            "Open the .glb in a mesh viewer instead, and report this.",
        )
    (folder / name).write_bytes(picture)
    return picture, ()


def _quiet(view: CheckResult, scale: Scale) -> CheckResult:
    """The change with the colour of nothing where it is no more than noise: what has a colour is
    outlined and has a row.
    """
    within = np.nextafter(scale.levels_mm[0], 0.0)
    cell, noise = view.deviation.cell_mm, view.deviation.cell_status == IN
    quiet = np.where(noise, np.clip(cell, -within, within), cell)
    return replace(view, deviation=replace(view.deviation, cell_mm=quiet))


def _scale(result: Comparison) -> Scale:
    whole = result.whole
    first = max(_LEAST_BAND_MM, 0.05 * round(whole.least_mm / 0.05))
    largest = float(np.nanmax(np.abs(whole.smooth_mm))) if whole.changed.any() else 0.0
    return scale_to(first, max(3.0 * first, largest))


def _words(result: Comparison) -> MapWords:
    name = shown(result.before.scan.name)
    return MapWords(
        f"Change since {name}: {change_words(result)}",
        (progress_words(result), placing_words(result)),
        heading="Change, mm",
        high="added",
        low="taken off",
        middle="little or none",
        high_line="added, beyond noise",
        low_line="taken off, beyond noise",
        whole_line="whole changed patch: its size",
        table="change.ply",
        told="What it is",
        left_out="not compared: in one scan only",
        left=_unchanged_marks(result),
        left_line="high, low or ripple left where nothing changed",
    )


def _unchanged_marks(result: Comparison) -> tuple[Region, ...]:
    """The marks that stand beside all changed patches, whose rows tell of those in them."""
    patches = footprints_of(result.whole.patches, result.whole.changed.shape)
    return tuple(
        replace(track.last.region, region=track.name)
        for track in result.tracks
        if track.last.region is not None
        and stands(track)
        and not (track.last.region.core & patches).any()
    )
