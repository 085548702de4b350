"""What each kind of job does: the one place where batch meets the commands."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..settings import Settings

KINDS = ("check", "compare", "mirror")


def carry_out(kind: str, scans: Sequence[Path], settings: Settings, folder: Path) -> None:
    """Do one job and write everything it leaves into an existing folder.

    Raises
    ------
    GuidecoatError : as the command of the same name does.
    """
    if kind == "check":
        from ..check import check_scan
        from ..export import write_check

        write_check(check_scan(scans[0], settings), folder)
    elif kind == "compare":
        from ..compare import compare_files
        from ..export.compare_files import write_comparison

        write_comparison(compare_files(tuple(scans), settings), folder)
    else:
        from ..compare.mirror import mirror_files
        from ..export.mirror_files import write_mirror

        write_mirror(mirror_files(tuple(scans), settings), folder)
