"""Ledger, table, page and history: what is written down, and that it survives what it must."""

from __future__ import annotations

import csv
import json
import sqlite3
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from guidecoat.batch.history import find_ledger, history_lines, history_rows, panel_history
from guidecoat.batch.ledger import JobRecord, Run, open_ledger
from guidecoat.batch.outcome import Outcome, failed, read_outcome
from guidecoat.batch.page import batch_page, panel_passes
from guidecoat.batch.places import FoundFile
from guidecoat.batch.report import BatchReport
from guidecoat.batch.table import COLUMNS, write_table
from guidecoat.cli import main
from guidecoat.cli.batch import batch_lines
from guidecoat.errors import SettingsError

GOOD = Outcome(
    "ok",
    verdict="in",
    out_regions=0,
    worst_mm=0.12,
    high_mm=0.12,
    low_mm=-0.1,
    share_in_tolerance=1.0,
    elapsed_s=2.5,
)


def record(job: str, *, stage: str = "metal", number: int = 1, **changes: Any) -> JobRecord:
    plain = JobRecord(
        job=job,
        kind="check",
        identity=f"id of {job}",
        inputs=(f"{job}.ply",),
        inputs_hash=f"content of {job}",
        vehicle="12-085",
        panel="door",
        side="left",
        stage=stage,
        number=number,
        scanned_at=1.0,
        output=job.replace("/", "_"),
    )
    return replace(plain, **changes)


def run(job: str, outcome: Outcome, *, stage: str = "metal", **changes: Any) -> Run:
    return Run(record(job, stage=stage, **changes), outcome, 0.0)


def test_ledger_gives_back_what_it_was_given(tmp_path: Path) -> None:
    odd = record("車両/door\n'; DROP TABLE runs; --", inputs=("a\nb.ply", "ç.ply"), vehicle='"')
    bad = failed("not a scan: export it again", rescan=True, detail="line 1\nline 2")
    with open_ledger(tmp_path / "l.sqlite") as ledger:
        ledger.record(odd, GOOD)
        ledger.record(record("wing"), bad)
    with open_ledger(tmp_path / "l.sqlite", read_only=True) as ledger:
        latest = ledger.latest()
    assert latest[odd.job].record == odd
    assert latest[odd.job].outcome == GOOD
    assert latest["wing"].outcome == bad


def test_the_last_run_of_a_job_counts(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "l.sqlite") as ledger:
        ledger.record(record("door"), failed("its worker was lost"))
        ledger.record(record("door"), GOOD)
        assert ledger.latest()["door"].outcome == GOOD
        # Somebody reads while it is written.
        with open_ledger(tmp_path / "l.sqlite", read_only=True) as reader:
            ledger.record(record("wing"), GOOD)
            assert set(reader.latest()) == {"door", "wing"}
    mode = sqlite3.connect(tmp_path / "l.sqlite").execute("PRAGMA journal_mode").fetchone()
    assert mode == ("wal",)


def test_hashes_are_known_until_the_file_changes(tmp_path: Path) -> None:
    file = FoundFile("/scans/door.ply", "door.ply", 10, "10 1")
    with open_ledger(tmp_path / "l.sqlite") as ledger:
        assert ledger.known_hash(file) is None
        ledger.remember_hash(file, "abc")
        assert ledger.known_hash(file) == "abc"
        assert ledger.known_hash(replace(file, stamp="10 2")) is None


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"this is no database, only text that is long enough to be read", "this is no ledger"),
        (None, "cannot be used"),
    ],
)
def test_ledger_that_cannot_be_used(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / "l.sqlite"
    if content is None:
        path.mkdir()
    else:
        path.write_bytes(content * 10)
    with pytest.raises(SettingsError, match=words), open_ledger(path) as ledger:
        ledger.latest()


def test_ledger_of_a_later_version(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "l.sqlite")
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with (
        pytest.raises(SettingsError, match="another version of guidecoat \\(format 99"),
        open_ledger(tmp_path / "l.sqlite"),
    ):
        pass


def test_full_disk_is_said(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "l.sqlite") as ledger:
        pages = ledger._connection.execute("PRAGMA page_count").fetchone()[0]
        # SQLite says "disk is full" of its own limit as of the disk's.
        ledger._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(SettingsError, match="the disk is full: free some room, then give"):
            for number in range(100):
                ledger.record(record(f"door {number}"), failed("x" * 1000))
        assert ledger.latest(), "what was written before is still there"


def test_table_columns_and_cells(tmp_path: Path) -> None:
    runs = [
        run("12-085/door_left_metal", GOOD),
        run("=cmd|' /C calc'!A0", failed("line 1\nline 2, with a comma")),
        run("pair", replace(GOOD, worst_mm=-1.23456, elapsed_s=0.0), inputs=("a.ply", "b.ply")),
    ]
    write_table(tmp_path / "summary.csv", runs)
    raw = (tmp_path / "summary.csv").read_bytes()
    assert b"\r" not in raw
    rows = list(csv.reader(raw.decode("utf-8").splitlines()))
    # The contract's columns, in its order.
    assert raw.decode("utf-8").splitlines()[0] == (
        "job,kind,inputs,status,reason,verdict,out_regions,worst_mm,share_in_tolerance,elapsed_s,"
        "output"
    )
    assert tuple(rows[0]) == COLUMNS
    assert rows[1] == [
        *("12-085/door_left_metal", "check", "12-085/door_left_metal.ply", "ok", "", "in"),
        *("0", "0.12", "1", "2.5", "12-085_door_left_metal"),
    ]
    assert rows[2][0].startswith("'=cmd")
    assert rows[2][3:] == ["failed", "line 1 line 2, with a comma", "", "", "", "", "0", ""]
    assert rows[3][2] == "a.ply; b.ply"
    assert rows[3][7] == "-1.2346"


class PageReader(HTMLParser):
    """Headings, links and pictures of a page in their order; a tag left open is an error."""

    VOID = ("meta", "link", "img")

    def __init__(self, page: str) -> None:
        super().__init__()
        self.headings: list[str] = []
        self.links: list[str] = []
        self.pictures: list[str] = []
        self.text = ""
        self._open: list[str] = []
        self.feed(page)
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if tag not in self.VOID:
            self._open.append(tag)
        if tag == "a":
            self.links.append(values["href"] or "")
        if tag == "img":
            self.pictures.append(values["src"] or "")
            assert values["alt"]
        if tag in ("h2", "h3"):
            self.headings.append("")

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if {"h2", "h3"} & set(self._open):
            self.headings[-1] += data
        if "style" not in self._open:
            self.text += data


def test_page_is_worst_first() -> None:
    def out(worst_mm: float) -> Outcome:
        return replace(GOOD, verdict="out", worst_mm=worst_mm, out_regions=1)

    runs = [
        run("a", GOOD, panel="a"),
        run("b", out(0.7), panel="b"),
        run("c", out(-2.1), panel="c"),
        run("d", replace(GOOD, status="review", verdict="undecided"), panel="d"),
        run("e", failed("not a scan", rescan=True), panel="e"),
        run("f", failed("its worker was lost"), panel="f"),
        run("g", Outcome("skipped", "still being copied"), panel="g"),
        run("h", replace(out(9.0), status="review", rescan=True, reason="too noisy"), panel="h"),
    ]
    page = PageReader(batch_page(runs, runs, left=3))
    assert page.headings == [
        *("Out of tolerance", "c check, metal", "b check, metal"),
        *("Undecided", "d check, metal"),
        *("To scan again", "h check, metal", "e check, metal"),
        *("Failed otherwise", "f check, metal"),
        *("In tolerance", "a check, metal"),
        *("Not run", "g check, metal"),
    ]
    assert "3 still to do" in page.text
    assert "its worker was lost" in page.text
    assert page.pictures[0] == "c/thumbnail.png"
    assert "e/report.html" not in page.links


def test_a_later_pass_overtakes_the_earlier_and_shows_the_trend() -> None:
    metal = replace(GOOD, verdict="out", worst_mm=-1.8, low_mm=-1.8, share_in_tolerance=0.71)
    change = replace(GOOD, added_cm3=14.0, removed_cm3=2.0)
    runs = [
        run("metal", metal),
        run("both", change, stage="filler", kind="compare", inputs=("metal.ply", "f.ply")),
        run("filler", GOOD, stage="filler", inputs=("f.ply",)),
        run("paint", failed("not a scan", rescan=True), stage="paint"),
    ]
    page = PageReader(batch_page(runs, runs[:3], left=0))
    assert page.headings.index("filler check, filler") < page.headings.index("Earlier passes")
    assert page.headings[-1] == "metal check, metal"
    assert "Out of tolerance" not in page.headings
    text = page.text
    assert [text.count("71.0 %"), text.count("100 %")] == [2, 3]
    assert "12.0" in text
    assert [net_cm3 for _, net_cm3 in panel_passes(runs[:3])] == [None, 12.0]
    # metal that was tapped down is taken off, too, so that it is not what filler is on
    assert "Filler on" not in text
    # it is summed up over the passes, and the comparison beside it tells of one of them
    assert "Added less taken off since the first pass, cm\u00b3" in text
    assert "Added less taken off since the first pass, cm3" in history_lines("door", runs[:3])[1]
    (_, row) = history_rows("door", runs[:3])
    assert row["added_less_taken_off_since"] == "the first pass"


OUT = Outcome("ok", verdict="out", out_regions=1, worst_mm=-1.8, low_mm=-1.8)


def test_the_terminal_counts_what_the_page_counts() -> None:
    """A panel counts once, by its last pass, whatever was compared with it."""
    runs = [
        run("metal", OUT),
        run("both", OUT, stage="filler", kind="compare", inputs=("metal.ply", "f.ply")),
        run("filler", OUT, stage="filler", inputs=("f.ply",)),
        run("d", replace(GOOD, status="review", verdict="undecided"), panel="d"),
        run("h", replace(OUT, status="review", rescan=True, reason="too noisy"), panel="h"),
    ]
    page = PageReader(batch_page(runs, runs, left=0)).text
    last, _ = batch_lines(BatchReport(tuple(runs), 5, False, "index.html"))
    assert last == "5 jobs: 5 run now, 1 panel out of tolerance, 1 undecided, 1 to scan again"
    assert "1 out of tolerance" in page
    assert "1 undecided" in page


def test_page_escapes_and_fetches_nothing() -> None:
    name = "<script>alert(\"x\")</script> & 'ドア'\x1b[31m"
    runs = [
        run(name, replace(GOOD, reason=name), output="a b#c?d%ドア"),
        run(f"{name}2", failed(name), panel=name),
    ]
    page = batch_page(runs, runs[:1], left=0)
    assert "<script" not in page
    assert "\x1b" not in page
    assert "http" not in page
    assert 'name="viewport"' in page
    reader = PageReader(page)
    assert "a%20b%23c%3Fd%25%E3%83%89%E3%82%A2/report.html" in reader.links


@pytest.mark.parametrize(
    ("summary", "expected"),
    [
        ({"verdict": "in"}, ("ok", "", False)),
        ({"verdict": "undecided"}, ("review", "too near the limit", False)),
        (
            {"verdict": "in", "scan": {"smallest_visible_mm": 0.4}},
            ("review", "cannot be seen: the least this scan tells", True),
        ),
        (
            {
                "verdict": "in",
                "scan": {"smallest_visible_mm": 0.4, "smallest_visible_by": "surface"},
            },
            ("review", "a surer fair surface", False),
        ),
        (
            {"verdict": "in", "input": {"points": 1000, "points_judged": 400}},
            ("review", "only 40 % of the scan's points", False),
        ),
        ({"verdict": "in", "input": {"points": 1000, "points_judged": 900}}, ("ok", "", False)),
    ],
)
def test_a_result_that_doubts_itself_is_for_review(
    tmp_path: Path, summary: dict[str, object], expected: tuple[str, str, bool]
) -> None:
    whole = {"tolerance": {"height_mm": 0.3}, "deviation": {}, "regions": [], **summary}
    (tmp_path / "summary.json").write_text(json.dumps(whole))
    outcome = read_outcome("check", tmp_path)
    status, words, rescan = expected
    assert outcome.status == status
    assert words in outcome.reason
    assert outcome.rescan == rescan


@pytest.mark.parametrize("kind", ["check", "mirror"])
def test_a_mark_has_one_height_in_the_row_and_in_the_trend(tmp_path: Path, kind: str) -> None:
    peaks = [{"peak_mm": 0.77, "verdict": "out"}, {"peak_mm": 0.4, "verdict": "undecided"}]
    off = {"max_mm": 0.75, "min_mm": -0.12, "rms_mm": 0.1}
    whole = {"verdict": "out", "deviation": off, "shape": off, "regions": peaks}
    (tmp_path / "summary.json").write_text(json.dumps(whole))
    outcome = read_outcome(kind, tmp_path)
    assert (outcome.worst_mm, outcome.high_mm, outcome.low_mm) == (0.77, 0.77, -0.12)


def test_history_of_a_panel(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shop / "night").mkdir()
    first = replace(GOOD, verdict="out", low_mm=-1.8, share_in_tolerance=0.71)
    with open_ledger(shop / "night" / "ledger.sqlite") as ledger:
        ledger.record(record("primer", stage="primer"), GOOD)
        ledger.record(record("metal"), failed("its worker was lost"))
        ledger.record(record("metal"), first)
        # Run again with other settings: the same pass. Scanned again: another.
        ledger.record(record("metal", identity="other"), first)
        ledger.record(record("metal", inputs_hash="new", scanned_at=2.0), GOOD)
        ledger.record(record("other", panel="bonnet", side=""), GOOD)
    asked_for = ("door left", "Door_Left", "12-085/door left", "door")
    scans = ("12-085/door_left_filler_2.ply", "door_left_metal", "left", "085 door")
    for asked in (*asked_for, *scans):
        ((name, runs),) = panel_history(find_ledger(None), asked)
        assert name == "12-085/door left"
        assert [(r.record.stage, r.outcome.verdict) for r in runs] == [
            ("metal", "out"),
            ("metal", "in"),
            ("primer", "in"),
        ]
    assert len(history_lines(name, runs)) == 5
    assert [row["share_in_tolerance"] for row in history_rows(name, runs)] == [0.71, 1.0, 1.0]
    assert main(["history", "door left", "--out", "night"]) == 0
    printed = capsys.readouterr().out
    assert "71.0 %" in printed
    assert "-1.80" in printed
    assert main(["history", "bonnet", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["panel"] == "12-085/bonnet"
    assert main(["history", "tailgate"]) == 2
    assert "there are 12-085/bonnet, 12-085/door left" in capsys.readouterr().err


def test_history_without_a_ledger(shop: Path) -> None:
    with pytest.raises(SettingsError, match=r"no ledger in .*name a batch's results with --out"):
        find_ledger(None)
    with pytest.raises(SettingsError, match="there is no ledger"):
        find_ledger(shop)
    assert list(shop.iterdir()) == []
