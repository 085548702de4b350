"""plan.csv, plan.json, plan.png and plan.html: the work plan for programs, eyes and paper."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import fields
from pathlib import Path
from typing import Any

from .. import __version__
from ..check import CheckResult
from ..report.plan_sheet import write_plan_sheet
from ..wording.plain import shown
from ..wording.words import scan_file
from ..workplan import Fill, WorkPlan
from ..workplan.boards import Board
from ..workplan.steps import Decision, Step
from .tables import harmless, plain_number

PLAN_COLUMNS = (
    "step",
    "done",
    "group",
    "region",
    "what",
    "why",
    "where",
    "depth_mm",
    "litres",
    "board_mm",
    "board_shape",
    "stroke",
)


def write_plan(
    plan: WorkPlan, result: CheckResult, folder: Path
) -> tuple[bytes | None, tuple[str, ...]]:
    """Write plan.csv, plan.json, plan.png and the printable plan.html into an existing folder.

    Returns
    -------
    picture : bytes of plan.png, None where it could not be drawn;
    warnings : then says so, for it costs only itself.

    Raises
    ------
    OSError : the folder cannot be written or the disk is full.
    """
    (folder / "plan.csv").write_bytes(plan_csv(plan).encode("utf-8", "replace"))
    text = json.dumps(plan_json(plan, result), indent=2, ensure_ascii=False, allow_nan=False)
    (folder / "plan.json").write_bytes(text.encode("utf-8", "replace") + b"\n")
    write_plan_sheet(folder / "plan.html", plan, result)
    return _write_picture(plan, result, folder)


def _write_picture(
    plan: WorkPlan, result: CheckResult, folder: Path
) -> tuple[bytes | None, tuple[str, ...]]:
    try:
        from ..pictures.plan_picture import plan_png

        picture = plan_png(plan, result)
    except Exception as error:  # noqa: BLE001, a failed drawing must not cost the plan
        reason = shown(f"{type(error).__name__}: {error}")
        lost = f"plan.png could not be drawn ({reason}); plan.csv and plan.html are whole."
        return None, (lost,)
    (folder / "plan.png").write_bytes(picture)
    return picture, ()


def plan_csv(plan: WorkPlan) -> str:
    """The steps as a table, one a row, with an empty column to tick off."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(PLAN_COLUMNS)
    for step in plan.steps:
        writer.writerow(_row(step))
    return out.getvalue()


def plan_json(plan: WorkPlan, result: CheckResult) -> dict[str, Any]:
    """The whole plan but its depth maps as plain JSON types, numbers to four decimals."""
    return {
        "guidecoat_version": __version__,
        "input": {"file": scan_file(result.scan), "sha256": result.scan.sha256},
        "stage": plan.stage,
        "choice": {"surface": plan.choice, "reason": plan.choice_reason},
        "surfaces": {fill.target: _fill(fill) for fill in (plan.tap, plan.cover)},
        "taps": [{**_plain(tap), "words": tap.words()} for tap in plan.taps],
        "edge_moves": [_plain(move) for move in plan.edge_moves],
        "regions": [_decision(decision) for decision in plan.decisions],
        "steps": [{**_plain(s, "board"), "board": _board(s.board)} for s in plan.steps],
        "ready": [_plain(ready) for ready in plan.ready],
        "cautions": [shown(caution) for caution in plan.cautions],
    }


def _row(step: Step) -> list[str]:
    board = step.board
    return [
        str(step.number),
        "",
        step.group,
        harmless(shown(step.region)),
        harmless(shown(step.what)),
        harmless(shown(step.why)),
        harmless(shown(step.where)),
        plain_number(step.depth_mm),
        plain_number(step.litres),
        plain_number(board.length_mm) if board else "",
        board.shape if board else "",
        board.stroke if board else "",
    ]


def _fill(fill: Fill) -> dict[str, Any]:
    return _plain(fill, "target", "depth_mm")


def _decision(decision: Decision) -> dict[str, Any]:
    action = decision.action
    return {
        "region": shown(decision.region),
        "verb": action.verb,
        "what": shown(action.whole),
        "why": shown(action.reason),
        "by_mm": _value(action.by_mm),
        "edges": [_plain(one) for one in action.edges],
        "where": shown(decision.where),
        "board": _board(decision.board),
    }


def _board(board: Board | None) -> dict[str, Any] | None:
    return None if board is None else _plain(board)


def _plain(record: Any, *without: str) -> dict[str, Any]:
    """The fields of a dataclass as JSON values."""
    return {
        field.name: _value(getattr(record, field.name))
        for field in fields(record)
        if field.name not in without
    }


def _value(value: Any) -> Any:
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, (bool, int)):
        return value
    number = float(value)
    return round(number, 4) + 0.0 if math.isfinite(number) else None
