"""All files of a left against right, in the order that leaves summary.json for last."""

from __future__ import annotations

import time
from pathlib import Path

from ..compare.mirror import MirrorResult
from ..pictures.colours import scale_for
from ..pictures.mesh import coloured_mesh, write_mesh_glb
from ..report.pair_page import mirror_page
from ..wording.compare_words import plane_words, position_words, shape_words
from ..wording.map_words import MapWords
from ..wording.plain import shown
from .compare_files import drawn
from .compare_summary import mirror_summary
from .summary import write_summary
from .tables import write_regions_csv
from .vertex_fields import write_vertex_fields


def write_mirror(result: MirrorResult, folder: Path) -> None:
    """Write everything a left against right leaves into an existing folder.

    mirror.ply, mirror.glb, mirror.png, regions.csv, report.html and, last, summary.json.

    Raises
    ------
    OSError : the folder cannot be written or the disk is full.
    """
    started = time.perf_counter()
    shape = result.shape
    scale = scale_for(shape.settings.tolerance.height_mm, shape.regions)
    write_vertex_fields(
        folder / "mirror.ply",
        shape,
        scale,
        (("difference", shape.deviation.point_mm),),
        comment="difference in mm, + where this side stands prouder",
    )
    mesh = coloured_mesh(shape, scale)
    write_mesh_glb(folder / "mirror.glb", mesh, shape, name=shown(shape.scan.name))
    picture, warnings = drawn(shape, scale, _words(result), "mirror.png", folder)
    write_regions_csv(folder / "regions.csv", shape.regions)
    page = mirror_page(result, scale, picture, warnings=warnings)
    (folder / "report.html").write_bytes(page.text.encode("utf-8", "replace"))
    summary = mirror_summary(result, warnings=(*warnings, *page.lost))
    summary["timings_s"]["write"] = round(time.perf_counter() - started, 4)
    write_summary(folder / "summary.json", summary)


def _words(result: MirrorResult) -> MapWords:
    return MapWords(
        f"Against {shown(result.other_name)}, reflected: {shape_words(result)}",
        (position_words(result), plane_words(result)),
        heading="Shape, mm off the other",
        high="prouder",
        low="less proud",
        middle="alike",
        high_line="prouder, beyond tolerance",
        low_line="less proud, beyond tolerance",
        whole_line="whole difference: its size",
        told="What it is",
        left_out="not compared: in one scan only",
    )
