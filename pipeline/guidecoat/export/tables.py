"""regions.csv: one row for each high, low and ripple."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

from ..findings.regions import Region

COLUMNS = (
    "region",
    "kind",
    "verdict",
    "peak_mm",
    "uncertainty_mm",
    "mean_mm",
    "area_cm2",
    "volume_cm3",
    "length_mm",
    "width_mm",
    "max_slope_mrad",
    "x",
    "y",
    "z",
    "u_mm",
    "v_mm",
    "from_edges",
    "action",
)


def plain_number(value: float) -> str:
    """At most four decimals, a point, no needless zeros; empty where there is no number.

    >>> plain_number(0.84), plain_number(-0.00001), plain_number(float("nan"))
    ('0.84', '0', '')
    """
    if not math.isfinite(value):
        return ""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def harmless(text: str) -> str:
    """Text that a spreadsheet will not take for a formula.

    >>> harmless("=1+1"), harmless("edge A")
    ("'=1+1", 'edge A')
    """
    return "'" + text if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def regions_csv(regions: tuple[Region, ...]) -> str:
    """The table as text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for region in regions:
        writer.writerow(_cell(getattr(region, column)) for column in COLUMNS)
    return out.getvalue()


def write_regions_csv(path: Path, regions: tuple[Region, ...]) -> None:
    """Write the table in UTF-8 with LF line ends."""
    path.write_bytes(regions_csv(regions).encode("utf-8", "replace"))


def _cell(value: object) -> str:
    return harmless(value) if isinstance(value, str) else plain_number(float(str(value)))
