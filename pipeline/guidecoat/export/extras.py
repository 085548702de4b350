"""What a check writes only when asked: sections, templates and the full-size map."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..check import CheckResult
from ..errors import GuidecoatError
from ..pictures.colours import Scale
from ..pictures.drawing import stacked
from ..pictures.full_size_map import full_size_map
from ..pictures.paper import PAPERS, paper_named, tiled_pdf
from ..preview.sections import (
    PICKED,
    Panel,
    Section,
    cut_line,
    cut_stations,
    line_ends,
    require_stations,
)
from ..wording.plain import shown
from .templates import sections_csv, sections_dxf, template


@dataclass(frozen=True)
class Extras:
    """Stations across and along; picked lines, each X1, Y1, Z1, X2, Y2, Z2 in the scan's own
    units; the paper of the full-size map (none is drawn without) and of the templates.
    """

    stations: int = 0
    lines: tuple[tuple[float, ...], ...] = ()
    paper: str | None = None


def asked_extras(*, stations: int | None, lines: Iterable[str] | None, paper: str | None) -> Extras:
    """What the command line asks for.

    Raises
    ------
    SettingsError : a number of stations, a line or a paper that cannot be.
    """
    if stations is not None:
        require_stations(stations)
    ends = tuple(line_ends(line) for line in lines or ())
    return Extras(stations or 0, ends, None if paper is None else paper_named(paper).name.lower())


def cut_sections(result: CheckResult, extras: Extras) -> tuple[Section, ...]:
    """Cut what is asked for.

    Raises
    ------
    SettingsError : a picked point lies off the panel, or two lie too near one another.
    """
    if not extras.stations and not extras.lines:
        return ()
    panel = Panel(
        result.chart,
        result.cells,
        result.faces,
        result.fair,
        result.deviation,
        result.regions,
    )
    stations = cut_stations(panel, extras.stations) if extras.stations else ()
    picked = tuple(
        cut_line(panel, result.scan, f"P{k}", np.array(line).reshape(2, 3))
        for k, line in enumerate(extras.lines, start=1)
    )
    return (*stations, *picked)


def left_out_words(sections: tuple[Section, ...], stations: int) -> tuple[str, ...]:
    """A word about the stations that were asked for and not cut."""
    cut = {section.name for section in sections if section.kind != PICKED}
    asked = [f"{letter}{k}" for letter in "XY" for k in range(1, stations + 1)]
    missing = [name for name in asked if name not in cut]
    if not missing:
        return ()
    many = len(missing) > 1
    return (
        f"Section{'s' if many else ''} {', '.join(missing)} {'are' if many else 'is'} left out: "
        f"less than 30 % of {'them' if many else 'it'} could be judged. Choose another number of "
        "--sections, or cut where you like with --section-line.",
    )


def write_extras(
    folder: Path,
    result: CheckResult,
    scale: Scale,
    sections: tuple[Section, ...],
    extras: Extras,
) -> tuple[str, ...]:
    """Write sections.csv, sections.pdf and sections.dxf, and map_full_size.pdf where a paper is
    named; returns a warning for each that could not be drawn, and for stations left out.
    """
    name = result.scan.name
    paper = PAPERS[extras.paper or "a4"]
    wanted: list[tuple[str, Callable[[], bytes]]] = []
    if sections:
        table = sections_csv(sections, result.scan).encode("utf-8")
        (folder / "sections.csv").write_bytes(table)
        boards = stacked([template(section) for section in sections], paper.window_mm[1])
        wanted += [
            ("sections.pdf", lambda: tiled_pdf(boards, paper, name=name)),
            ("sections.dxf", lambda: sections_dxf(sections)),
        ]
    if extras.paper is not None:
        wanted.append(
            (
                "map_full_size.pdf",
                lambda: tiled_pdf([full_size_map(result, scale, sections)], paper, name=name),
            )
        )
    lost = list(left_out_words(sections, extras.stations))
    for file, draw in wanted:
        try:
            drawn = draw()
        except GuidecoatError:
            raise
        except Exception as error:  # noqa: BLE001, a failed drawing must not cost the measurement
            reason = shown(f"{type(error).__name__}: {error}")
            lost.append(
                f"{file} could not be drawn ({reason}); the numbers and the other files are whole. "
                "Please report this."
            )
            continue
        (folder / file).write_bytes(drawn)
    return tuple(lost)
