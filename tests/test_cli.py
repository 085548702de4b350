"""The command line: options reach the settings, exit codes and output are as promised."""

from __future__ import annotations

import errno
import json
import os
import re
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any, cast

import pytest
from typer.testing import CliRunner

import guidecoat
from guidecoat.check import CheckResult, SurfaceFacts
from guidecoat.cli import app, main
from guidecoat.cli.words import remark_lines
from guidecoat.errors import FitError, ScanReadError, ScanUnfitError
from guidecoat.findings.regions import Region
from guidecoat.measuring.counts import PointCounts
from guidecoat.scans.scan import Scan
from guidecoat.settings import STAGES, Settings, load_settings

CHECK_OPTIONS = [
    "--out",
    "--config",
    "--stage",
    "--units",
    "--outside",
    "--batten",
    "--tolerance",
    "--slope-tolerance",
    "--hold",
    "--known-length",
    "--creases",
    "--quiet",
    "--json",
    "--fail-if-out",
]
SUMMARY = {"guidecoat_version": guidecoat.__version__, "verdict": "out", "input": "Tür.ply"}


def region(name: str, kind: str, peak_mm: float, verdict: str = "out") -> Region:
    return Region(
        region=name,
        kind=kind,
        verdict=verdict,
        peak_mm=peak_mm,
        uncertainty_mm=0.04,
        mean_mm=peak_mm / 2,
        area_cm2=12.0,
        volume_cm3=1.0,
        length_mm=90.0,
        width_mm=60.0,
        max_slope_mrad=6.5,
        x=0.0,
        y=0.0,
        z=0.0,
        u_mm=0.0,
        v_mm=0.0,
        from_edges="310 mm from edge A, 205 mm from edge B",
        action=f"work on {name}",
        core=cast(Any, None),
        footprint=cast(Any, None),
    )


def result_for(settings: Settings, verdict: str, regions: tuple[Region, ...]) -> CheckResult:
    """A result with what the command line reads; the rest is left out."""
    nothing = cast(Any, None)
    scan = Scan("door", nothing, nothing, nothing, nothing, nothing)
    return CheckResult(
        scan=scan,
        settings=settings,
        chart=nothing,
        cells=nothing,
        faces=nothing,
        edges=(),
        creases=(),
        fair=nothing,
        surface=SurfaceFacts(300.0, "the form", 3),
        deviation=nothing,
        regions=regions,
        verdict=verdict,
        smallest_visible_mm=0.05,
        points=PointCounts(1000, 0, {}),
        length_mm=1150.0,
        width_mm=680.0,
        area_cm2=7000.0,
        warnings=("edge B has a ding",),
        cautions=(),
        timings_s={},
    )


FOUND: tuple[Region, ...] = (
    region("H1", "high", 0.84),
    region("H2", "high", 0.55, "undecided"),
    region("L1", "low", -1.2),
    region("L2", "low", -0.6),
    region("R1", "ripple", 0.08),
)


class Bench:
    """Stands in for the check and its files; notes what it was asked for."""

    def __init__(self) -> None:
        self.settings = load_settings()
        self.verdict = "out"
        self.regions = FOUND
        self.fails: Callable[[], Exception] | None = None
        self.writing_fails: Callable[[], Exception] | None = None

    def check_scan(self, path: Path, settings: Settings) -> CheckResult:
        assert path == Path("door.ply")
        self.settings = settings
        if self.fails is not None:
            raise self.fails()
        return result_for(settings, self.verdict, self.regions)

    def write_check(
        self, result: CheckResult, folder: Path, *, extras: object = None
    ) -> tuple[str, ...]:
        (folder / "map.png").write_bytes(b"picture")
        if self.writing_fails is not None:
            raise self.writing_fails()
        (folder / "report.html").write_text("page")
        (folder / "summary.json").write_text(json.dumps(SUMMARY, ensure_ascii=False), "utf-8")
        return ("Section X2 is left out",)


@pytest.fixture
def bench(shop: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    bench = Bench()
    monkeypatch.setattr("guidecoat.export.write_check", bench.write_check)
    monkeypatch.setattr("guidecoat.check.check_scan", bench.check_scan, raising=False)
    return bench


Printed = pytest.CaptureFixture[str]


def test_check_writes_and_prints_what_matters(bench: Bench, shop: Path, capsys: Printed) -> None:
    assert main(["check", "door.ply"]) == 0
    printed = capsys.readouterr()
    assert printed.err == ""
    out = shop / "door_guidecoat"
    assert printed.out.splitlines() == [
        "door: Out of tolerance: 1 high, 2 lows and 1 ripple outside the tolerance of "
        "+-0.5 mm and 4 mrad; 1 more undecided",
        "  L1  -1.20 mm (+-0.04), 310 mm from edge A, 205 mm from edge B",
        "      work on L1",
        "  H1  +0.84 mm (+-0.04), 310 mm from edge A, 205 mm from edge B",
        "      work on H1",
        "  L2  -0.60 mm (+-0.04), 310 mm from edge A, 205 mm from edge B",
        "      work on L2",
        "  and 2 more in the table",
        "Warning: Section X2 is left out",
        "Warning: edge B has a ding",
        f"picture: {out / 'map.png'}",
        f"page:    {out / 'report.html'}",
    ]
    assert {"map.png", "report.html", "summary.json"} < set(os.listdir(out))


def test_sections_and_sheets_are_named_where_they_were_written(
    bench: Bench, shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    files = ("sections.pdf", "sections.dxf", "sections.csv", "map_full_size.pdf")

    def write(result: CheckResult, folder: Path, *, extras: object = None) -> tuple[str, ...]:
        for name in files:
            (folder / name).write_bytes(b"drawn")
        return bench.write_check(result, folder, extras=extras)

    monkeypatch.setattr("guidecoat.export.write_check", write)
    assert main(["check", "door.ply", "--sections", "2", "--paper", "a4"]) == 0
    printed = capsys.readouterr().out
    for name in files:
        assert f" {shop / 'door_guidecoat' / name}\n" in printed


@pytest.mark.parametrize("side", ["same", "mirrored"])
def test_the_side_of_another_scan_is_asked_for_with_that_scan_only(
    bench: Bench, shop: Path, capsys: Printed, side: str
) -> None:
    assert main(["check", "door.ply", "--like-as", side]) == 2
    assert "--like-as says which side another scan is of" in capsys.readouterr().err
    assert not (shop / "door_guidecoat").exists()


def test_what_is_merely_worth_knowing_is_no_warning() -> None:
    said = ("Judged: 90 % of the skin.", "No edge is held.", "Damage as long as the batten (3 mm)")
    assert remark_lines(said) == [
        "Warning: No edge is held.",
        "Note: Judged: 90 % of the skin.",
        "Note: Damage as long as the batten (3 mm)",
    ]


@pytest.mark.parametrize(
    ("verdict", "regions", "words"),
    [
        ("in", (), "door: In tolerance: "),
        ("undecided", FOUND[1:2], "H2  +0.55 mm (+-0.04) (undecided), 310 mm from edge A"),
    ],
)
def test_other_verdicts(
    bench: Bench, capsys: Printed, verdict: str, regions: tuple[Region, ...], words: str
) -> None:
    bench.verdict, bench.regions = verdict, regions
    assert main(["check", "door.ply", "--fail-if-out"]) == 0
    assert words in capsys.readouterr().out


def test_options_reach_the_settings(bench: Bench, shop: Path) -> None:
    (shop / "hold.csv").write_text("x,y,z\n")
    (shop / "lines.csv").write_text("x,y,z\n")
    (shop / "mine.toml").write_text("[tolerance]\nheight_mm = 0.2\n[slope]\nsmoothing_mm = 30\n")
    options = (
        *("--config", "mine.toml", "--stage", "primer", "--units", "m", "--outside", "-y"),
        *("--batten", "350", "--tolerance", "0.25", "--slope-tolerance", "1.5"),
        *("--hold", "hold.csv", "--known-length", "-1,0,0,1,0,0,500", "--creases", "lines.csv"),
    )
    assert main(["check", "door.ply", "--out", "a/result", *options]) == 0
    got = bench.settings
    assert (got.stage, got.units, got.outside) == ("primer", "m", "-y")
    assert (got.surface.batten_mm, got.tolerance.height_mm) == (350.0, 0.25)
    assert (got.tolerance.slope_mrad, got.slope.smoothing_mm) == (1.5, 30.0)
    assert got.edges.hold_points_file == Path("hold.csv")
    assert (got.creases.mode, got.creases.file) == ("file", Path("lines.csv"))
    assert got.known_length is not None
    assert (got.known_length.first, got.known_length.length_mm) == ((-1.0, 0.0, 0.0), 500.0)
    assert (shop / "a" / "result" / "map.png").is_file()


def test_no_options_are_the_defaults(bench: Bench) -> None:
    assert main(["check", "door.ply"]) == 0
    assert bench.settings == load_settings("metal")
    assert main(["check", "door.ply", "--batten", "auto", "--creases", "off"]) == 0
    assert bench.settings == load_settings(overrides={"creases.mode": "off"})


def test_json_is_the_summary_and_nothing_else(bench: Bench, capsys: Printed) -> None:
    assert main(["check", "door.ply", "--json"]) == 0
    printed = capsys.readouterr()
    assert json.loads(printed.out) == SUMMARY
    assert printed.out.isascii()
    assert printed.err == ""


def test_quiet(bench: Bench, capsys: Printed) -> None:
    assert main(["check", "door.ply", "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")


def test_progress_only_on_a_terminal(
    bench: Bench, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    main(["check", "door.ply", "--json"])
    printed = capsys.readouterr()
    assert "checking door.ply" in printed.err
    assert json.loads(printed.out) == SUMMARY
    main(["check", "door.ply", "--quiet"])
    assert capsys.readouterr().err == ""


def test_fail_if_out(bench: Bench, shop: Path) -> None:
    assert main(["check", "door.ply", "--fail-if-out"]) == 5
    assert (shop / "door_guidecoat" / "map.png").is_file()


def full() -> OSError:
    return OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (lambda: ScanReadError("door.ply: not a scan"), 3, "guidecoat: door.ply: not a scan"),
        (lambda: ScanUnfitError("two panels"), 4, "guidecoat: two panels"),
        (lambda: FitError("no surface"), 4, "guidecoat: no surface"),
        (MemoryError, 4, "memory is not enough"),
        (full, 2, "the disk is full"),
    ],
)
def test_exit_codes(
    bench: Bench,
    shop: Path,
    capsys: Printed,
    error: Callable[[], Exception],
    code: int,
    words: str,
) -> None:
    for bench.fails, bench.writing_fails in ((error, None), (None, error)):
        assert main(["check", "door.ply"]) == code
        printed = capsys.readouterr()
        assert words in printed.err
        assert "Traceback" not in printed.err
        assert printed.out == ""
        assert os.listdir(shop) == []


def test_a_defect_keeps_its_traceback_in_a_file(bench: Bench, shop: Path, capsys: Printed) -> None:
    bench.fails = lambda: ZeroDivisionError("a cell of no width")
    assert main(["check", "door.ply"]) == 1
    (name,) = os.listdir(shop)
    assert name.startswith("guidecoat-defect-")
    text = (shop / name).read_text("utf-8")
    assert "ZeroDivisionError: a cell of no width" in text
    assert "'check', 'door.ply'" in text
    said = capsys.readouterr().err
    assert str(shop / name) in said
    assert "report it" in said
    assert "Traceback" not in said


def test_stopped_by_the_user(bench: Bench, shop: Path) -> None:
    bench.fails = cast(Callable[[], Exception], KeyboardInterrupt)
    assert main(["check", "door.ply"]) == 130
    assert os.listdir(shop) == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ("check", "Missing argument 'SCAN'"),
        ("check door.ply --tolerance wide", "tolerance.height_mm = 'wide': must be a valid number"),
        ("check door.ply --polish", "No such option: --polish"),
        ("check door.ply --batten 5", "surface.batten_mm = 5.0"),
        ("check door.ply --batten long", "surface.batten_mm = 'long': must be 'auto' or a"),
        ("check door.ply --units ft", "units = 'ft'"),
        ("check door.ply --stage clay", '"clay" is not a stage'),
        ("check door.ply --known-length 1,2,3", "needs 7 numbers"),
        ("check door.ply --creases lines.csv", "creases.file = 'lines.csv': there is no such"),
        ("check door.ply --config none.toml", "none.toml: cannot be read"),
        ("sand door.ply", "No such command 'sand'"),
    ],
)
def test_wrong_usage(bench: Bench, shop: Path, capsys: Printed, arguments: str, words: str) -> None:
    assert main(arguments.split()) == 2
    assert words in capsys.readouterr().err
    assert os.listdir(shop) == []


def test_folder_in_the_way(bench: Bench, shop: Path, capsys: Printed) -> None:
    (shop / "photos").mkdir()
    (shop / "photos" / "door.jpg").write_text("x")
    assert main(["check", "door.ply", "--out", "photos"]) == 2
    assert "no earlier result" in capsys.readouterr().err
    assert os.listdir(shop / "photos") == ["door.jpg"]


def test_names_cannot_steer_the_terminal(bench: Bench, capsys: Printed) -> None:
    bench.regions = (region("H1\x1b[2J", "high", 1.0),)
    assert main(["check", "door.ply"]) == 0
    printed = capsys.readouterr().out
    assert "\x1b" not in printed
    assert "H1?[2J" in printed


class FakeSurvey:
    unfit: ScanUnfitError | None = None

    def lines(self) -> list[str]:
        return ["1000 points", "fit for metal"]

    def summary(self) -> dict[str, int]:
        return {"points": 1000}


@pytest.fixture
def _survey(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def survey_scan(path: Path, settings: Settings) -> FakeSurvey:
        assert (path, settings.units) == (Path("door.ply"), "m")
        return FakeSurvey()

    module = ModuleType("guidecoat.survey")
    module.__dict__["survey_scan"] = survey_scan
    monkeypatch.setitem(sys.modules, "guidecoat.survey", module)


@pytest.mark.usefixtures("_survey")
def test_survey_prints_and_writes_nothing(shop: Path, capsys: Printed) -> None:
    assert main(["survey", "door.ply", "--units", "m"]) == 0
    assert capsys.readouterr().out == "1000 points\nfit for metal\n"
    assert main(["survey", "door.ply", "--units", "m", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"points": 1000}
    assert os.listdir(shop) == []


def test_samples(shop: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch) -> None:
    def write_samples(folder: Path) -> tuple[Path, ...]:
        (folder / "door.ply").write_text("ply")
        return (folder / "door.ply",)

    module = ModuleType("guidecoat.samples")
    module.__dict__["write_samples"] = write_samples
    monkeypatch.setitem(sys.modules, "guidecoat.samples", module)
    assert main(["samples", "scans"]) == 0
    assert capsys.readouterr().out == f"{Path('scans/door.ply')}\n"
    assert (shop / "scans" / "door.ply").read_text() == "ply"


@pytest.mark.parametrize("help_option", ["-h", "--help"])
def test_help_names_every_option(help_option: str) -> None:
    shown = CliRunner().invoke(app, ["check", help_option])
    assert shown.exit_code == 0
    for option in CHECK_OPTIONS:
        assert f"{option} " in shown.output
    shown = CliRunner().invoke(app, [help_option])
    commands = shown.output.partition("Commands:")[2]
    assert [line.split()[0] for line in commands.strip().splitlines()] == [
        "check",
        "survey",
        "samples",
        "crop",
        "compare",
        "mirror",
        "batch",
        "history",
    ]


def test_version_and_no_arguments(capsys: Printed) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"guidecoat {guidecoat.__version__}\n"
    assert main([]) == 2
    assert "Commands:" in "".join(capsys.readouterr())


def test_as_a_program(shop: Path) -> None:
    """`python -m guidecoat`, a name the terminal cannot write, and a reader that leaves early."""
    run = [sys.executable, "-m", "guidecoat"]
    plain = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    missing = subprocess.run(
        [*run, "check", "Tür.ply", "--units", "ft"],
        capture_output=True,
        text=True,
        env=plain,
        check=False,
    )
    assert missing.returncode == 2
    assert missing.stderr.startswith("guidecoat: the command line: units = 'ft'")
    read_end, write_end = os.pipe()
    os.close(read_end)
    early = subprocess.run(
        [*run, "--version"], stdout=write_end, stderr=subprocess.PIPE, text=True, check=False
    )
    os.close(write_end)
    assert (early.returncode, early.stderr) == (0, "")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_stopped_from_outside(shop: Path, number: signal.Signals) -> None:
    """The half-written folder goes with the run, however often it is told to stop."""
    program = textwrap.dedent(
        """
        import sys, time
        import guidecoat.check
        from guidecoat.cli import main
        guidecoat.check.check_scan = lambda path, settings: time.sleep(60)
        sys.exit(main())
        """
    )
    run = subprocess.Popen([sys.executable, "-c", program, "check", "door.ply"])
    deadline = time.monotonic() + 30
    while not os.listdir(shop) and run.poll() is None and time.monotonic() < deadline:
        time.sleep(0.02)
    assert [name.endswith(".part") for name in os.listdir(shop)] == [True]
    while run.poll() is None and time.monotonic() < deadline:
        run.send_signal(number)
        time.sleep(0.002)
    assert run.returncode == 130
    assert os.listdir(shop) == []


README = (Path(__file__).parent.parent / "README.md").read_text("utf-8")


def test_readme_names_options_that_exist() -> None:
    for command, line in re.findall(r"^guidecoat (\w+) (.*)$", README, re.MULTILINE):
        shown = CliRunner().invoke(app, [command, "--help"]).output
        for option in re.findall(r"--[a-z-]+", line):
            assert f"{option} " in shown, (command, option)


def test_readme_names_no_option_that_no_command_has() -> None:
    commands = re.findall(r"^ .? *([a-z]+)  ", CliRunner().invoke(app, ["--help"]).output, re.M)
    assert {"check", "survey", "compare", "mirror", "batch"} <= set(commands)
    shown = " ".join(CliRunner().invoke(app, [name, "--help"]).output for name in commands)
    told = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README)) - {"--help"}
    assert len(told) > 15
    assert {option for option in told if f"{option} " not in shown} == set()


def test_readme_names_the_stages_tolerances() -> None:
    for stage in STAGES:
        row = re.search(rf"^\| `{stage}`[^|]*\| ([0-9.]+) \| ([0-9.]+) \|$", README, re.MULTILINE)
        assert row is not None
        tolerance = load_settings(stage).tolerance
        assert (float(row[1]), float(row[2])) == (tolerance.height_mm, tolerance.slope_mrad)


def test_readme_names_files_that_exist() -> None:
    """Its two commands, and the sample of the first."""
    commands = re.findall(r"^python3 -m venv .*$", README, re.MULTILINE)
    assert len(commands) == 2
    sample = re.search(r"sample_scans/\S+", commands[0])
    assert sample is not None
    assert (Path(__file__).parent.parent / sample[0]).is_file()
    assert f"{Path(sample[0]).stem}_guidecoat/map.png" in README
