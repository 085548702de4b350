"""What a run says when it is done, in plain words, a line each."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..check import CheckResult
    from ..findings.regions import Region

_SHOWN_REGIONS = 3
_PICTURES = (
    ("picture", "map.png"),
    ("page", "report.html"),
    ("in 3-D", "map.glb"),
    ("table", "regions.csv"),
    ("cuts", "sections.pdf"),
    ("in CAD", "sections.dxf"),
    ("figures", "sections.csv"),
    ("paper", "map_full_size.pdf"),
)
# A minus sign that a terminal cannot show would turn a low into a high.
_ON_ANY_TERMINAL = str.maketrans(
    {"\u00b1": "+-", "\u2212": "-", "\u00d7": "x", "\u00b3": "3", "\u2013": "-"}
)


def check_lines(result: CheckResult, folder: Path, lost: Sequence[str] = ()) -> list[str]:
    """Verdict, the worst regions with place and action, warnings, where the pictures are.

    Parameters
    ----------
    lost : what could not be drawn or cut when the files were written.
    """
    from ..wording.words import verdict_words

    worst = sorted(result.regions, key=lambda r: (r.verdict != "out", -abs(r.peak_mm)))
    lines = [f"{result.scan.name}: {verdict_words(result)}"]
    for region in worst[:_SHOWN_REGIONS]:
        lines += _region_lines(region)
    if len(worst) > _SHOWN_REGIONS:
        lines.append(f"  and {len(worst) - _SHOWN_REGIONS} more in the table")
    lines += remark_lines((*lost, *result.warnings))
    return on_any_terminal([*lines, *written_lines(folder, _PICTURES)])


def remark_lines(remarks: Sequence[str]) -> list[str]:
    """Warnings first, then notes, each under its name."""
    from ..doubts.remarks import is_note

    wrong = [f"Warning: {remark}" for remark in remarks if not is_note(remark)]
    return [*wrong, *(f"Note: {remark}" for remark in remarks if is_note(remark))]


def written_lines(folder: Path, files: Sequence[tuple[str, str]]) -> list[str]:
    """Where the files are that a person opens first, those that were written."""
    return [f"{what + ':':<9}{folder / name}" for what, name in files if (folder / name).exists()]


def on_any_terminal(lines: Sequence[str]) -> list[str]:
    """Lines without the few signs that some terminals lack."""
    return [line.translate(_ON_ANY_TERMINAL) for line in lines]


def sample_lines(paths: Sequence[Path]) -> list[str]:
    """The files that were written, one a line."""
    return [str(path) for path in paths]


def _region_lines(region: Region) -> list[str]:
    doubt = "" if region.verdict == "out" else " (undecided)"
    size = f"{region.peak_mm:+.2f} mm (+-{region.uncertainty_mm:.2f}){doubt}"
    if region.kind == "ripple":
        size += f", slope {region.max_slope_mrad:.1f} mrad"
    where = f", {region.from_edges}" if region.from_edges else ""
    return [f"  {region.region}  {size}{where}", f"      {region.action}"]
