"""The options that all commands share, and the settings they lead to."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import SettingsError

if TYPE_CHECKING:
    from ..settings import Settings

ScanArgument = Annotated[
    Path,
    typer.Argument(
        metavar="SCAN",
        help="The scan: .ply, .stl, .obj, .pcd, or a table of points as .xyz, .xyzn, .pts, .asc, "
        ".txt, .csv.",
    ),
]


def out_option(default: str) -> Any:
    """Where results go, with the name of the folder that is made when nothing is said."""
    return typer.Option(
        "--out",
        metavar="DIR",
        help=f"Folder for the result.  [default: {default}_guidecoat in this folder]",
    )


Out = Annotated[Path | None, out_option("<scan name>")]
OutOfSeveral = Annotated[Path | None, out_option("<first>_to_<last>")]
OutOfSides = Annotated[Path | None, out_option("<side>_against_<other>")]
Config = Annotated[
    list[Path] | None,
    typer.Option("--config", metavar="FILE.toml", help="Your own settings; repeat it, later wins."),
]
STAGES = "metal|filler|primer|paint"
Stage = Annotated[
    str | None,
    typer.Option(
        "--stage",
        metavar=STAGES,
        help="What the panel is in now.  [default: metal]",
    ),
]
Units = Annotated[
    str | None,
    typer.Option(
        "--units",
        metavar="auto|mm|cm|m|in",
        help="What one unit of the scan file is.  [default: auto]",
    ),
]
Outside = Annotated[
    str | None,
    typer.Option(
        "--outside",
        metavar="auto|+x|-x|+y|-y|+z|-z",
        help="Which way the outside of the panel looks.  [default: auto]",
    ),
]
Batten = Annotated[
    str | None,
    typer.Option(
        "--batten",
        metavar="auto|MM",
        help="Batten length: longer waves are form, shorter ones highs and lows.  [default: auto]",
    ),
]
Tolerance = Annotated[
    str | None,
    typer.Option("--tolerance", metavar="MM", help="How high or low is still good, +-."),
]
SlopeTolerance = Annotated[
    str | None,
    typer.Option(
        "--slope-tolerance", metavar="MRAD", help="How much slope error is still good (mm in 1 m)."
    ),
]
HoldFile = Annotated[
    Path | None,
    typer.Option(
        "--hold",
        metavar="FILE.csv",
        help="Points that cannot move: columns x,y,z, and kind = hold or release.",
    ),
]
KnownLength = Annotated[
    str | None,
    typer.Option(
        "--known-length",
        metavar="X1,Y1,Z1,X2,Y2,Z2,MM",
        help="Two points of the scan and the mm between them, for a scan without scale.",
    ),
]
Creases = Annotated[
    str | None,
    typer.Option(
        "--creases",
        metavar="auto|off|FILE.csv",
        help="Body lines: find them, ignore them, or take them from a file: columns x,y,z, and "
        "line = a name for each.  [default: auto]",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]
Json = Annotated[bool, typer.Option("--json", help="Print the summary as JSON, nothing else.")]
FailIfOut = Annotated[
    bool, typer.Option("--fail-if-out", help="Leave with 5 when the panel is out of tolerance.")
]


def settings_from(
    *,
    config: list[Path] | None,
    stage: str | None,
    units: str | None,
    outside: str | None,
    batten: str | None,
    tolerance: str | None,
    slope_tolerance: str | None,
    hold: Path | None,
    known_length: str | None,
    creases: str | None,
) -> Settings:
    """Settings from the stage's file, the files of `--config` and the options that were given."""
    from ..settings import load_settings

    given = asked_for(
        units=units,
        outside=outside,
        batten=batten,
        tolerance=tolerance,
        slope_tolerance=slope_tolerance,
        hold=hold,
        known_length=known_length,
        creases=creases,
    )
    return load_settings(stage, config or (), given)


def asked_for(
    *,
    units: str | None,
    outside: str | None,
    batten: str | None,
    tolerance: str | None,
    slope_tolerance: str | None,
    creases: str | None,
    hold: Path | None = None,
    known_length: str | None = None,
) -> dict[str, object]:
    """What was said on the command line, by the settings' dotted keys."""
    asked: dict[str, object] = {
        "units": units,
        "outside": outside,
        "surface.batten_mm": _number_if_any(batten),
        "tolerance.height_mm": _number_if_any(tolerance),
        "tolerance.slope_mrad": _number_if_any(slope_tolerance),
        "edges.hold_points_file": hold,
        "known_length": known_length,
    }
    if creases in ("auto", "off"):
        asked["creases.mode"] = creases
    elif creases is not None:
        asked |= {"creases.mode": "file", "creases.file": Path(creases)}
    return {key: value for key, value in asked.items() if value is not None}


def numbers(option: str, text: str, *, wanted: str, meaning: str) -> tuple[float, ...]:
    """The numbers that an option was given, as many as `wanted` has names.

    >>> numbers("--at", "1,2.5,-3", wanted="X,Y,Z", meaning="a point of the scan")
    (1.0, 2.5, -3.0)

    Raises
    ------
    SettingsError : they are not so many finite numbers.
    """
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    count = len(wanted.split(","))
    if len(found) != count or not all(math.isfinite(number) for number in found):
        raise SettingsError(
            f'{option} "{text}": needs {count} numbers parted by commas, {wanted}: {meaning}'
        )
    return found


def _number_if_any(text: str | None) -> float | str | None:
    """The number in `text`; words are left for the settings to accept or refuse."""
    try:
        return None if text is None else float(text)
    except ValueError:
        return text
