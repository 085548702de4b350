"""From whatever stopped a run to a message with a remedy and an exit code.

0 done, 1 a defect of the tool, 2 wrong usage or settings (an output folder in the way, a disk that
is full), 3 a scan cannot be read, 4 a scan is unfit for the job, 5 out of tolerance (only when
asked for), 6 a batch with failed jobs, 130 stopped by the user.
"""

from __future__ import annotations

import platform
import sys
import tempfile
import time
import traceback
from pathlib import Path

from .. import __version__
from ..errors import GuidecoatError, ScanUnfitError, SettingsError
from ..output_folder import disk_full_message, is_disk_full

OUT_OF_TOLERANCE = 5
BATCH_WITH_FAILURES = 6
STOPPED = 130
DEFECT = 1


def explain(error: Exception, arguments: list[str]) -> tuple[str, int]:
    """What to tell the user about an error, and what to leave with."""
    if isinstance(error, GuidecoatError):
        return str(error), error.exit_code
    if isinstance(error, MemoryError):
        return (
            "the memory is not enough for this scan: close other programs, or thin the scan (a "
            "point every 0.5 mm is plenty) and try again",
            ScanUnfitError.exit_code,
        )
    if is_disk_full(error, Path.cwd()):
        return disk_full_message(Path.cwd()), SettingsError.exit_code
    return _keep_traceback(error, arguments), DEFECT


def _keep_traceback(error: Exception, arguments: list[str]) -> str:
    what = f"a defect of guidecoat stopped this run ({type(error).__name__}: {error}). "
    text = "\n".join(
        [
            f"guidecoat {__version__}, Python {sys.version}, {platform.platform()}",
            f"arguments: {arguments}",
            "",
            "".join(traceback.format_exception(error)),
        ]
    )
    name = f"guidecoat-defect-{time.strftime('%Y%m%d-%H%M%S')}.txt"
    for folder in (Path.cwd(), Path(tempfile.gettempdir())):
        try:
            (folder / name).write_text(text, encoding="utf-8", errors="backslashreplace")
        except OSError:
            continue
        return (
            what + f"It is not your scan's fault. The details are in {folder / name}: please "
            "report it, with that file, to whoever maintains the guidecoat you installed"
        )
    return what + f"The details could not be kept in a file:\n{text}"
