"""The command line: parse, call one function, print, leave with a code."""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer

from .. import __version__
from ..output_folder import default_folder, result_folder
from . import extras as ext
from . import like as lik
from . import options as opt
from .batch import batch, history
from .compare import compare
from .crop import crop
from .failures import OUT_OF_TOLERANCE, explain
from .mirror import mirror
from .printing import progress
from .printing import say as _say
from .printing import say_json as _say_json
from .words import check_lines, sample_lines

app = typer.Typer(
    name="guidecoat",
    help="A digital guide coat: where a scanned panel stands high or low, how sure that is, and "
    "what to do about it.",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; no error leaves as a traceback."""
    if arguments is None:
        # Stopped from outside is stopped by the user: the half-written folder goes.
        signal.signal(signal.SIGTERM, _stop)
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, _stop)
        arguments = sys.argv[1:]
    try:
        app(args=list(arguments), prog_name="guidecoat")
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 0
    except Exception as error:
        message, code = explain(error, list(arguments))
        print(f"guidecoat: {message}", file=sys.stderr)
        return code
    return 0


def _stop(_number: int, _frame: FrameType | None) -> None:
    """Stop at the first signal; a second one, of the impatient, does not disturb the tidying up."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    raise KeyboardInterrupt


def _print_version(asked: bool) -> None:
    if asked:
        _say([f"guidecoat {__version__}"])
        raise typer.Exit


@app.callback()
def _shared(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Options of the tool itself."""


@app.command()
def check(
    scan: opt.ScanArgument,
    out: opt.Out = None,
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
    like: lik.Like = None,
    like_as: lik.LikeAs = None,
    pairs: lik.LikePairs = None,
    already_aligned: lik.LikeAligned = False,
    sections: ext.Sections = None,
    section_line: ext.SectionLine = None,
    paper: ext.PaperSize = None,
    quiet: opt.Quiet = False,
    as_json: opt.Json = False,
    fail_if_out: opt.FailIfOut = False,
) -> None:
    """Find the highs and lows of one scan."""
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
    extras = ext.extras_from(sections, section_line, paper)
    folder = out if out is not None else default_folder(scan)
    with result_folder(folder) as unfinished:
        from ..export import write_check

        progress(f"checking {scan.name} ...", quiet=quiet)
        result = lik.run_check(
            scan, settings, like, like_as, pairs, already_aligned=already_aligned
        )
        progress("writing the pictures and tables ...", quiet=quiet)
        lost = write_check(result, unfinished, extras=extras)
    if as_json:
        _say_json(json.loads((folder / "summary.json").read_text("utf-8")))
    elif not quiet:
        _say(check_lines(result, folder, lost))
    if fail_if_out and result.verdict == "out":
        raise typer.Exit(OUT_OF_TOLERANCE)


@app.command()
def survey(
    scan: opt.ScanArgument,
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
    quiet: opt.Quiet = False,
    as_json: opt.Json = False,
) -> None:
    """Say in seconds what a scan is and what it is good for. Writes no files."""
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
    from ..survey import survey_scan

    progress(f"looking at {scan.name} ...", quiet=quiet)
    found = survey_scan(scan, settings)
    if as_json:
        _say_json(found.summary())
    elif not quiet:
        _say(found.lines())
    if found.unfit is not None:
        raise found.unfit


@app.command()
def samples(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder for the samples.")],
    quiet: opt.Quiet = False,
) -> None:
    """Write sample scans of made-up panels, with the truth about each."""
    with result_folder(folder) as unfinished:
        from ..samples import write_samples

        progress("making the sample scans ...", quiet=quiet)
        written = write_samples(unfinished)
    if not quiet:
        _say(sample_lines([folder / path.relative_to(unfinished) for path in written]))


app.command()(crop)
app.command()(compare)
app.command()(mirror)
app.command()(batch)
app.command()(history)
