"""`guidecoat compare`: two or more scans of one panel."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..output_folder import result_folder
from . import options as opt
from .failures import OUT_OF_TOLERANCE
from .printing import progress, say, say_json
from .words import on_any_terminal, remark_lines, written_lines

if TYPE_CHECKING:
    from ..compare import Comparison

ScansArgument = Annotated[
    list[Path],
    typer.Argument(
        metavar="BEFORE AFTER [LATER...]",
        help="Scans of one panel in the order they were made, two at least.",
    ),
]
# What one looks at after filling is filler.
_DEFAULT_STAGE = "filler"
LastStage = Annotated[
    str | None,
    typer.Option(
        "--stage",
        metavar=opt.STAGES,
        help=f"What the panel is in at the last scan.  [default: {_DEFAULT_STAGE}]",
    ),
]
Reference = Annotated[
    str,
    typer.Option(
        "--reference",
        metavar="before|after|FILE",
        help="Whose fair surface both are measured from: the first scan's, the last one's, or "
        "that of another scan.",
    ),
]
AlreadyAligned = Annotated[
    bool,
    typer.Option("--already-aligned", help="The files share one frame: move nothing."),
]
Pairs = Annotated[
    Path | None,
    typer.Option(
        "--pairs",
        metavar="FILE.csv",
        help="Points you picked in both scans: columns x,y,z (AFTER) and to_x,to_y,to_z (BEFORE).",
    ),
]

_FILES = (
    ("picture", "change.png"),
    ("page", "report.html"),
    ("in 3-D", "change.glb"),
    ("table", "regions.csv"),
    ("history", "history.csv"),
)


def compare(
    scans: ScansArgument,
    out: opt.OutOfSeveral = None,
    config: opt.Config = None,
    stage: LastStage = None,
    units: opt.Units = None,
    outside: opt.Outside = None,
    batten: opt.Batten = None,
    tolerance: opt.Tolerance = None,
    slope_tolerance: opt.SlopeTolerance = None,
    hold: opt.HoldFile = None,
    known_length: opt.KnownLength = None,
    creases: opt.Creases = None,
    reference: Reference = "before",
    already_aligned: AlreadyAligned = False,
    pairs: Pairs = None,
    quiet: opt.Quiet = False,
    as_json: opt.Json = False,
    fail_if_out: opt.FailIfOut = False,
) -> None:
    """Show what was added and taken off between scans of one panel.

    Unless told otherwise the stage is filler, that of the last scan.
    """
    settings = opt.settings_from(
        config=config,
        stage=stage if stage is not None or config else _DEFAULT_STAGE,
        units=units,
        outside=outside,
        batten=batten,
        tolerance=tolerance,
        slope_tolerance=slope_tolerance,
        hold=hold,
        known_length=known_length,
        creases=creases,
    )
    name = f"{scans[0].stem}_to_{scans[-1].stem}_guidecoat"
    folder = out if out is not None else Path.cwd() / name
    with result_folder(folder) as unfinished:
        from ..compare import CompareOptions, compare_files
        from ..export.compare_files import write_comparison

        progress(f"comparing {' with '.join(s.name for s in scans)} ...", quiet=quiet)
        asked = CompareOptions(
            reference if reference in ("before", "after") else Path(reference),
            already_aligned,
            pairs,
        )
        result = compare_files(tuple(scans), settings, asked)
        progress("writing the pictures and tables ...", quiet=quiet)
        write_comparison(result, unfinished)
    if as_json:
        say_json(json.loads((folder / "summary.json").read_text("utf-8")))
    elif not quiet:
        say(compare_lines(result, folder))
    if fail_if_out and result.after.result.verdict == "out":
        raise typer.Exit(OUT_OF_TOLERANCE)


def compare_lines(result: Comparison, folder: Path) -> list[str]:
    """What changed, how each high and low stands, warnings, where the pictures are."""
    from ..wording.compare_words import change_words, progress_words, track_words

    lines = [change_words(result), progress_words(result)]
    for track in result.tracks:
        region = track.last.region or track.place
        lines += [f"  {track_words(track)}; {region.from_edges}", f"      {region.action}"]
    lines += remark_lines(result.warnings)
    return on_any_terminal([*lines, *written_lines(folder, _FILES)])
