"""The options of `check` that measure a panel against another one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import SettingsError

if TYPE_CHECKING:
    from ..check import CheckResult
    from ..settings import Settings

Like = Annotated[
    Path | None,
    typer.Option(
        "--like",
        metavar="OTHER",
        help="Measure against this scan instead of the panel's own fair surface: the other side, "
        "an earlier scan, a donor panel. Shows damage longer than the batten.",
    ),
]
LikeAs = Annotated[
    str | None,
    typer.Option(
        "--like-as",
        metavar="mirrored|same",
        help="With --like: whether OTHER is of the other side or of the same one.  "
        "[default: mirrored]",
    ),
]


LikePairs = Annotated[
    Path | None,
    typer.Option(
        "--pairs",
        metavar="FILE.csv",
        help="With --like: points you picked on both, columns x,y,z (OTHER) and to_x,to_y,to_z "
        "(SCAN).",
    ),
]
LikeAligned = Annotated[
    bool,
    typer.Option(
        "--already-aligned", help="With --like: both files share one frame, to a few millimetres."
    ),
]


def run_check(
    scan: Path,
    settings: Settings,
    like: Path | None,
    like_as: str | None,
    pairs: Path | None,
    *,
    already_aligned: bool,
) -> CheckResult:
    """A check against the panel's own fair surface, or against `like`."""
    if like_as not in (None, "mirrored", "same"):
        raise SettingsError(f'--like-as "{like_as}" is not known: say mirrored or same')
    if like is None:
        for name, given, says in (
            ("--like-as", like_as is not None, "which side another scan is of"),
            ("--pairs", pairs is not None, "how two scans lie"),
            ("--already-aligned", already_aligned, "how two scans lie"),
        ):
            if given:
                raise SettingsError(
                    f"{name} says {says} and check was given one: name the other with "
                    f"--like, or leave {name} out"
                )
        from ..check import check_scan

        return check_scan(scan, settings)
    from ..compare.against_other import check_like_files
    from ..compare.laying import Told

    told = Told(already_aligned, pairs)
    return check_like_files(scan, like, settings, reflected=like_as != "same", told=told)
