"""What a scan's place and name say: vehicle, panel, side, stage and pass."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from pathlib import PurePosixPath

# Not from `settings`, which is heavy to import; a test holds the two together.
STAGE_ORDER = ("metal", "filler", "primer", "paint")
SIDES = ("left", "right")

_NAME = re.compile(
    r"""(?P<panel>.+?)
        (?:[ _-]+(?P<side>left|right))?
        (?:[ _-]+(?P<stage>metal|filler|primer|paint)(?:[ _-]+(?P<number>\d{1,4}))?)?
    """,
    re.VERBOSE | re.IGNORECASE | re.DOTALL,
)


@dataclass(frozen=True)
class ScanName:
    """What `<vehicle>/<panel>[_left|_right]_<stage>[_n]` says.

    `vehicle` is the path of folders, "" at the top; `side` and `stage` are "" where the name does
    not say; `number` counts the passes of a stage from 1.
    """

    vehicle: str
    panel: str
    side: str = ""
    stage: str = ""
    number: int = 1

    @property
    def key(self) -> tuple[str, str, str]:
        """What two passes of one panel have in common, whatever the case they were typed in."""
        return (folded(self.vehicle), folded(self.panel), self.side)

    @property
    def panel_words(self) -> str:
        """The panel as people say it: "12-085/door left"."""
        place = f"{self.vehicle}/" if self.vehicle else ""
        return f"{place}{self.panel}{' ' + self.side if self.side else ''}"

    @property
    def pass_words(self) -> str:
        """Stage and number of the pass: "filler 2"; the first needs no number."""
        stage = self.stage or "scan"
        return stage if self.number == 1 else f"{stage} {self.number}"

    @property
    def order(self) -> tuple[int, int]:
        """Where in the work this pass stands: by stage, then by number."""
        return pass_order(self.stage, self.number)


def parse_name(relative: str) -> ScanName:
    """Read the path of a scan below the batch's folder, with forward slashes.

    Examples
    --------
    >>> parse_name("12-085/door_left_filler_2.ply")
    ScanName(vehicle='12-085', panel='door', side='left', stage='filler', number=2)
    >>> parse_name("bonnet.ply")
    ScanName(vehicle='', panel='bonnet', side='', stage='', number=1)
    """
    path = PurePosixPath(relative)
    found = _NAME.fullmatch(path.stem)
    vehicle = "" if path.parent == PurePosixPath(".") else path.parent.as_posix()
    if found is None:
        return ScanName(vehicle, path.stem)
    return ScanName(
        vehicle,
        found["panel"],
        (found["side"] or "").lower(),
        (found["stage"] or "").lower(),
        int(found["number"] or 1),
    )


def pass_order(stage: str, number: int) -> tuple[int, int]:
    """Passes sort by stage, then by number; one that names no stage comes first."""
    return (STAGE_ORDER.index(stage) if stage else -1, number)


def folded(text: str) -> str:
    """Text in one form of Unicode and one case, for telling whether two names are the same."""
    return unicodedata.normalize("NFC", text).casefold()
