"""What a run that was killed left behind in a folder of results."""

from __future__ import annotations

import contextlib
import re
import shutil
from pathlib import Path

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
