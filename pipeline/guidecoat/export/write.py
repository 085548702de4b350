"""All files of a check, in the order that leaves summary.json for last."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from ..check import CheckResult
from ..pictures.colours import Scale, scale_for
from ..pictures.mesh import coloured_mesh, write_mesh_glb, write_mesh_ply
from ..preview.sections import Section
from ..wording.plain import shown
from .extras import Extras, cut_sections, write_extras
from .plan_files import write_plan
from .summary import summary_of, write_summary
from .tables import write_regions_csv
from .vertex_fields import write_vertex_fields


def write_check(
    result: CheckResult,
    folder: Path,
    *,
    extras: Extras | None = None,
) -> tuple[str, ...]:
    """Write everything a check leaves into an existing folder.

    points.ply, map.ply, map.glb, map.png, regions.csv, report.html and, last, summary.json; with
    the result's plan also plan.csv, plan.json, plan.png and plan.html; with extras what they ask
    for. A picture that cannot be drawn costs only itself: the summary and the page then carry a
    warning.

    Returns
    -------
    warnings : what could not be drawn or cut.

    Raises
    ------
    SettingsError : a section cannot be cut where it is asked for.
    OSError : the folder cannot be written or the disk is full.
    """
    started = time.perf_counter()
    extras = extras or Extras()
    scale = scale_for(result.settings.tolerance.height_mm, result.regions)
    sections = cut_sections(result, extras)
    with ThreadPoolExecutor(1) as beside:
        # the clouds are numpy and disk, which leave the processor's other core to the picture
        clouds = beside.submit(_write_clouds, result, folder, scale)
        picture, warnings = _picture(result, scale)
        if picture is not None:
            (folder / "map.png").write_bytes(picture)
        write_regions_csv(folder / "regions.csv", result.regions)
        plan_picture = None
        if result.plan is not None:
            plan_picture, lost = write_plan(result.plan, result, folder)
            warnings += lost
        warnings += write_extras(folder, result, scale, sections, extras)
        warnings += _write_report(
            folder, result, scale, (picture, plan_picture), sections, warnings
        )
        clouds.result()
    summary = summary_of(result, warnings=warnings)
    summary["timings_s"]["write"] = round(time.perf_counter() - started, 4)
    write_summary(folder / "summary.json", summary)
    return warnings


def _write_clouds(result: CheckResult, folder: Path, scale: Scale) -> None:
    write_vertex_fields(
        folder / "points.ply",
        result,
        scale,
        (("deviation", result.deviation.point_mm),),
        comment="deviation in mm, high is +",
    )
    mesh = coloured_mesh(result, scale)
    write_mesh_ply(folder / "map.ply", mesh, result)
    write_mesh_glb(folder / "map.glb", mesh, result, name=shown(result.scan.name))


def _picture(result: CheckResult, scale: Scale) -> tuple[bytes | None, tuple[str, ...]]:
    try:
        from ..pictures.map_picture import map_png

        return map_png(result, scale), ()
    except Exception as error:  # noqa: BLE001, a failed drawing must not cost the measurement
        reason = shown(f"{type(error).__name__}: {error}")
        return None, (
            f"map.png could not be drawn ({reason}); the numbers and the other files are "
            "whole. Open map.ply or map.glb in a mesh viewer instead, and report this.",
        )


def _write_report(
    folder: Path,
    result: CheckResult,
    scale: Scale,
    pictures: tuple[bytes | None, bytes | None],
    sections: tuple[Section, ...],
    warnings: tuple[str, ...],
) -> tuple[str, ...]:
    """Write the page with the map and the plan's picture; a warning for each part it lost."""
    # The report reads the exporters' colours and words, so it comes in only here.
    from ..report import check_page

    picture, plan_picture = pictures
    page = check_page(
        result,
        scale,
        picture,
        plan_picture=plan_picture,
        sections=sections,
        warnings=warnings,
    )
    (folder / "report.html").write_bytes(page.text.encode("utf-8", "replace"))
    return page.lost
