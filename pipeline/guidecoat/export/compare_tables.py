"""regions.csv and history.csv of a comparison: every high and low through the passes."""

from __future__ import annotations

import csv
import io
import math

from ..compare import Comparison, Track
from ..compare.advice import build_mm, left_verdict, put_on_mm
from ..wording.plain import shown
from .tables import COLUMNS, harmless, plain_number

TRACK_COLUMNS = (*COLUMNS, "was_mm", "build_mm", "state")
Row = dict[str, str | float]


def track_rows(result: Comparison) -> list[Row]:
    """A row per region: as it stands in the last pass, with what it was in the pass before, and
    as `build_mm` what was put on since the first scan where its peak is, as its action counts it;
    less than 0 was taken off.
    """
    last, whole = result.after, result.whole
    build = build_mm(result.tracks, last, whole, result.settings.stage)
    return [
        _row(track, put_on_mm(track, last, build, whole), left=left_verdict(track, result.settings))
        for track in result.tracks
    ]


def regions_csv(result: Comparison) -> str:
    """The table as text."""
    return _csv(TRACK_COLUMNS, track_rows(result))


_EACH_PASS = ("peak_mm", "uncertainty_mm", "slope_mrad", "state")


def history_csv(result: Comparison) -> str:
    """Peak, its U, slope and state of every region in every pass, and where it is."""
    names = [shown(p.scan.name) for p in result.passes]
    columns = ["region", "kind"]
    for k, name in enumerate(names, start=1):
        columns += [f"{k} {name} {what}" for what in _EACH_PASS]
    columns.append("from_edges")
    rows: list[Row] = []
    for track in result.tracks:
        region = track.last.region or track.place
        row: Row = {"region": track.name, "kind": track.kind, "from_edges": region.from_edges}
        for k, stand in enumerate(track.stands):
            figures = (
                (math.nan, math.nan, math.nan, "")
                if stand is None
                else (
                    stand.peak_mm,
                    stand.uncertainty_mm,
                    stand.slope_mrad,
                    stand.state or "found",
                )
            )
            first = 2 + len(_EACH_PASS) * k
            row |= dict(zip(columns[first:], figures, strict=False))
        rows.append(row)
    return _csv(tuple(columns), rows)


def _row(track: Track, put_on: float, *, left: str) -> Row:
    stand, was = track.last, track.was
    region = stand.region or track.place
    row: Row = {column: getattr(region, column) for column in COLUMNS}
    there = stand.region is not None and stand.state != "fixed"
    row |= {
        "region": track.name,
        "verdict": region.verdict if there else left,
        "peak_mm": stand.peak_mm,
        "uncertainty_mm": stand.uncertainty_mm,
        "was_mm": math.nan if was is None else was.peak_mm,
        "build_mm": put_on,
        "state": stand.state,
    }
    if not there:
        # Sizes are those of what was there; what is left of it has none.
        row |= dict.fromkeys(("mean_mm", "area_cm2", "volume_cm3"), math.nan)
        row["max_slope_mrad"] = stand.slope_mrad
    return row


def _csv(columns: tuple[str, ...], rows: list[Row]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([harmless(column) for column in columns])
    for row in rows:
        writer.writerow([_cell(row.get(column, "")) for column in columns])
    return out.getvalue()


def _cell(value: str | float) -> str:
    return harmless(shown(value)) if isinstance(value, str) else plain_number(float(value))
