"""A panel's passes, from the ledger."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from pathlib import Path

from ..errors import SettingsError
from ..wording.plain import shown
from .ledger import Run, open_ledger
from .names import ScanName, folded, parse_name
from .page import NET_SINCE, TREND_COLUMNS, panel_passes, trend_cells
from .places import LEDGER_NAME

_MOST_NAMED = 12


def find_ledger(folder: Path | None) -> Path:
    """The ledger of a batch's results: in `folder`, else in the current folder or one below it.

    Raises
    ------
    SettingsError : there is none, or several and none was named.
    """
    if folder is not None:
        path = folder if folder.name == LEDGER_NAME else folder / LEDGER_NAME
        if not path.is_file():
            raise SettingsError(f"{path}: there is no ledger: name a batch's results with --out")
        return path
    here = Path.cwd()
    found = [here / LEDGER_NAME] if (here / LEDGER_NAME).is_file() else []
    found = found or sorted(here.glob(f"*/{LEDGER_NAME}"))
    if len(found) != 1:
        count = "no ledger" if not found else f"{len(found)} ledgers"
        raise SettingsError(
            f"{count} in {here} and the folders in it: name a batch's results with --out"
        )
    return found[0]


def panel_history(ledger: Path, panel: str) -> list[tuple[str, list[Run]]]:
    """Panels that answer to a name, each with its passes in the order of the work.

    `panel` is a panel ("door"), with its side ("door left", "door_left") or its vehicle
    ("12-085/door left"), one of its scans ("door_left_filler_2"), or, where nothing is named so,
    words of its name ("door" for "pelham300_door"); case does not matter.

    Raises
    ------
    SettingsError : no panel answers to it; the message names those there are.
    """
    panels: dict[str, list[Run]] = {}
    with open_ledger(ledger, read_only=True) as opened:
        for run in opened.passes():
            # Left against right is no pass of either.
            if run.record.kind != "mirror":
                panels.setdefault(_words(run), []).append(run)
    every = list(panels.items())
    # The name as it is; else of one of its scans; else whatever has these words in its name.
    scan = parse_name(panel).panel_words
    found = (
        [(name, runs) for name, runs in every if _answers(runs[0], panel)]
        or [(name, runs) for name, runs in every if _answers(runs[0], scan)]
        or [(name, runs) for name, runs in every if _has_words(name, panel)]
    )
    if not found:
        rest = len(panels) - _MOST_NAMED
        known = ", ".join(sorted(panels)[:_MOST_NAMED]) or "none yet"
        known += f" and {rest} more" if rest > 0 else ""
        raise SettingsError(f"{panel}: no panel of this name in {ledger}: there are {shown(known)}")
    return found


def history_lines(name: str, runs: Sequence[Run]) -> list[str]:
    """A panel's passes as a table in plain text."""
    head = ("Scanned", *TREND_COLUMNS, "Verdict")
    rows = [
        (_day(check.record.scanned_at), *trend_cells(check, net_cm3), check.outcome.verdict)
        for check, net_cm3 in panel_passes(runs)
    ]
    widths = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    lines = [shown(name)]
    for row in (head, *rows):
        cells = [text.ljust(width) for text, width in zip(row, widths, strict=True)]
        lines.append(f"  {'  '.join(cells)}".rstrip())
    return [line.replace("\u2212", "-").replace("\u00b3", "3") for line in lines]


def history_rows(name: str, runs: Sequence[Run]) -> list[dict[str, object]]:
    """A panel's passes as plain JSON objects."""
    return [
        {
            "panel": name,
            "job": check.record.job,
            "stage": check.record.stage,
            "pass": check.record.number,
            "scanned": _day(check.record.scanned_at),
            "verdict": check.outcome.verdict,
            "share_in_tolerance": check.outcome.share_in_tolerance,
            "high_mm": check.outcome.high_mm,
            "low_mm": check.outcome.low_mm,
            "added_less_taken_off_cm3": net_cm3,
            "added_less_taken_off_since": NET_SINCE,
        }
        for check, net_cm3 in panel_passes(runs)
    ]


def _words(run: Run) -> str:
    record = run.record
    return ScanName(record.vehicle, record.panel, record.side).panel_words


def _answers(run: Run, asked: str) -> bool:
    record = run.record
    panel = f"{record.panel} {record.side}".strip()
    names = [record.panel, panel]
    names += [f"{record.vehicle}/{name}" for name in names]
    return _plain(asked) in map(_plain, names)


def _has_words(name: str, asked: str) -> bool:
    """Whether all the words that are asked for stand in a panel's name."""
    words = [set(re.findall(r"\w+", _plain(text))) for text in (asked, name)]
    return bool(words[0]) and words[0] <= words[1]


def _plain(text: str) -> str:
    return folded(text).replace("_", " ").replace("-", " ")


def _day(seconds: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M", time.localtime(seconds)) if seconds else ""
