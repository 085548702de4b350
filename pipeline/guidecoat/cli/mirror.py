"""`guidecoat mirror`: left against right."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import SettingsError
from ..output_folder import result_folder
from . import options as opt
from .compare import AlreadyAligned
from .failures import OUT_OF_TOLERANCE
from .printing import progress, say, say_json
from .words import on_any_terminal, remark_lines, written_lines

if TYPE_CHECKING:
    from ..compare.mirror import MirrorOptions, MirrorResult

SidesArgument = Annotated[
    list[Path],
    typer.Argument(
        metavar="SIDE [OTHER]",
        help="A panel and its counterpart, or one scan of a whole body.",
    ),
]
Plane = Annotated[
    str | None,
    typer.Option(
        "--plane",
        metavar="X,Y,Z,NX,NY,NZ",
        help="The vehicle's mirror plane, a point and a normal in the files' common frame.",
    ),
]
Pairs = Annotated[
    Path | None,
    typer.Option(
        "--pairs",
        metavar="FILE.csv",
        help="Points you picked on both panels: columns x,y,z (OTHER) and to_x,to_y,to_z (SIDE).",
    ),
]

_FILES = (
    ("picture", "mirror.png"),
    ("page", "report.html"),
    ("in 3-D", "mirror.glb"),
    ("table", "regions.csv"),
)
_SHOWN_REGIONS = 5


def mirror(
    scans: SidesArgument,
    out: opt.OutOfSides = None,
    config: opt.Config = None,
    stage: opt.Stage = None,
    units: opt.Units = None,
    outside: opt.Outside = None,
    batten: opt.Batten = None,
    tolerance: opt.Tolerance = None,
    slope_tolerance: opt.SlopeTolerance = None,
    hold: opt.HoldFile = None,
    known_length: opt.KnownLength = None,
    creases: opt.Creases = None,
    plane: Plane = None,
    already_aligned: AlreadyAligned = False,
    pairs: Pairs = None,
    quiet: opt.Quiet = False,
    as_json: opt.Json = False,
    fail_if_out: opt.FailIfOut = False,
) -> None:
    """Compare a panel with its counterpart on the other side of the vehicle."""
    if len(scans) > 2:
        raise SettingsError(f"mirror takes one scan or two, and {len(scans)} were given.")
    settings = opt.settings_from(
        config=config,
        stage=stage,
        units=units,
        outside=outside,
        batten=batten,
        tolerance=tolerance,
        slope_tolerance=slope_tolerance,
        hold=hold,
        known_length=known_length,
        creases=creases,
    )
    asked = _options(plane, pairs, already_aligned=already_aligned)
    name = "_against_".join(scan.stem for scan in scans)
    name = f"{name}_mirror" if len(scans) == 1 else name
    folder = out if out is not None else Path.cwd() / f"{name}_guidecoat"
    with result_folder(folder) as unfinished:
        from ..compare.mirror import mirror_files
        from ..export.mirror_files import write_mirror

        progress(f"mirroring {' against '.join(s.name for s in scans)} ...", quiet=quiet)
        result = mirror_files(tuple(scans), settings, asked)
        progress("writing the pictures and tables ...", quiet=quiet)
        write_mirror(result, unfinished)
    if as_json:
        say_json(json.loads((folder / "summary.json").read_text("utf-8")))
    elif not quiet:
        say(mirror_lines(result, folder))
    if fail_if_out and result.shape.verdict == "out":
        raise typer.Exit(OUT_OF_TOLERANCE)


def mirror_lines(result: MirrorResult, folder: Path) -> list[str]:
    """How the shapes differ and how the panel sits, warnings, where the pictures are."""
    from ..wording.compare_words import plane_words, position_words, shape_words
    from ..wording.hanging_words import hanging_words

    lines = [shape_words(result), position_words(result), plane_words(result)]
    lines += [f"{name}: {words}" for name, words in hanging_words(result)]
    for region in result.shape.regions[:_SHOWN_REGIONS]:
        lines.append(
            f"  {region.region}  {region.peak_mm:+.2f} mm (+-{region.uncertainty_mm:.2f}), "
            f"{region.from_edges}"
        )
        lines.append(f"      {region.action}")
    if len(result.shape.regions) > _SHOWN_REGIONS:
        lines.append(f"  and {len(result.shape.regions) - _SHOWN_REGIONS} more in the table")
    lines += remark_lines(result.warnings)
    return on_any_terminal([*lines, *written_lines(folder, _FILES)])


def _options(plane: str | None, pairs: Path | None, *, already_aligned: bool) -> MirrorOptions:
    from ..compare.mirror import MirrorOptions

    if plane is None:
        return MirrorOptions(already_aligned, None, pairs)
    x, y, z, a, b, c = opt.numbers(
        "--plane", plane, wanted="X,Y,Z,NX,NY,NZ", meaning="a point of the plane and its normal"
    )
    return MirrorOptions(already_aligned, ((x, y, z), (a, b, c)), pairs)
