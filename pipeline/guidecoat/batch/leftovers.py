"""Results that do not stand where they belong: cut short by a kill, or under an earlier name."""

from __future__ import annotations

import contextlib
import json
import re
import shutil
from pathlib import Path

from .addresses import JOB_RECORD

# As `output_folder` names them: the goal's name, eight hex digits, and what it is.
_BESIDE = re.compile(r"\.(?P<goal>.+)\.[0-9a-f]{8}\.(?P<kind>part|old)", re.DOTALL)


def clear_leftovers(folder: Path, *, only: str | None = None) -> None:
    """Remove half-written results; an old result whose successor never came is put back.

    `only` limits it to what belongs to one job's folder.
    """
    for path in sorted(folder.iterdir()):
        found = _BESIDE.fullmatch(path.name)
        if found is None or only not in (None, found["goal"]):
            continue
        goal = folder / found["goal"]
        with contextlib.suppress(OSError):
            if found["kind"] == "old" and not goal.exists():
                path.rename(goal)
            else:
                shutil.rmtree(path)


def follow_name(folder: Path, *, job: str, old: str, new: str) -> None:
    """Move a job's result to the folder it now goes by.

    Two jobs whose names come to the same folder get a longer one each, so that the first moves
    when the second comes.
    """
    if old in ("", new) or (folder / new).exists():
        return
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        record = json.loads((folder / old / JOB_RECORD).read_text("utf-8"))
        if record["job"] == job:
            (folder / old).rename(folder / new)
