"""The options of `check` for sections and full-size paper."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from ..export.extras import Extras

Sections = Annotated[
    int | None,
    typer.Option(
        "--sections",
        metavar="N",
        help="Cut the panel at N stations across and N along: table, pictures, templates.",
    ),
]
SectionLine = Annotated[
    list[str] | None,
    typer.Option(
        "--section-line",
        metavar="X1,Y1,Z1,X2,Y2,Z2",
        help="Cut it between two points of the scan too; repeat it for more.",
    ),
]
PaperSize = Annotated[
    str | None,
    typer.Option(
        "--paper",
        metavar="a4|a3",
        help="Draw the unrolled map in full size on sheets of this paper.",
    ),
]


def extras_from(sections: int | None, lines: list[str] | None, paper: str | None) -> Extras | None:
    """What the options ask for beyond a plain check; None where they ask for nothing."""
    if sections is None and not lines and paper is None:
        return None
    from ..export.extras import asked_extras

    return asked_extras(stations=sections, lines=lines, paper=paper)
