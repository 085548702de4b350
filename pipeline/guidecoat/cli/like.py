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
    str,
    typer.Option(
        "--like-as",
        metavar="mirrored|same",
        help="Whether OTHER is of the other side or of the same one.",
    ),
]


def run_check(scan: Path, settings: Settings, like: Path | None, like_as: str) -> CheckResult:
    """A check against the panel's own fair surface, or against `like`."""
    if like_as not in ("mirrored", "same"):
        raise SettingsError(f'--like-as "{like_as}" is not known: say mirrored or same')
    if like is None:
        from ..check import check_scan

        return check_scan(scan, settings)
    from ..mirror import check_like_files

    return check_like_files(scan, like, settings, reflected=like_as == "mirrored")
