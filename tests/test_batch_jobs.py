"""What a batch understands of a folder: names, job files, pairs, odd names, links that loop."""

from __future__ import annotations

import fcntl
import os
import time
from pathlib import Path

import pytest

from guidecoat.batch import Plan, find_jobs, plan_lines, shop_settings
from guidecoat.batch.names import STAGE_ORDER, ScanName, parse_name
from guidecoat.errors import SettingsError
from guidecoat.settings import STAGES

HEADER = b"ply\nformat binary_little_endian 1.0\nelement vertex %d\nproperty float x\nend_header\n"


def put(folder: Path, *names: str, size: int = 0) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(HEADER % 1000 + b"\0" * (12000 + size))


def plan_of(folder: Path, *, settle_s: float = 0.0, stage: str | None = None) -> Plan:
    settings_of = shop_settings(stage, (), {})
    return find_jobs(str(folder), settings_of=settings_of, settle_s=settle_s)


def names(plan: Plan, kind: str) -> list[str]:
    return sorted(job.name for job in plan.jobs if job.kind == kind)


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("12-085/door_left_filler_2.ply", ScanName("12-085", "door", "left", "filler", 2)),
        ("12-085/door_left_filler.ply", ScanName("12-085", "door", "left", "filler", 1)),
        ("12-085/bonnet_paint.ply", ScanName("12-085", "bonnet", "", "paint", 1)),
        ("a/b/Front Door Right METAL 03.PLY", ScanName("a/b", "Front Door", "right", "metal", 3)),
        # A number that no stage goes before is part of the panel's name.
        ("wing_2.ply", ScanName("", "wing_2", "", "", 1)),
        ("rail_left.ply", ScanName("", "rail", "left", "", 1)),
        ("left.ply", ScanName("", "left", "", "", 1)),
        ("metal.ply", ScanName("", "metal", "", "", 1)),
        ("leftover_metalwork.ply", ScanName("", "leftover_metalwork", "", "", 1)),
        ("車両/左ドア_left_filler.ply", ScanName("車両", "左ドア", "left", "filler", 1)),
        ("v/door\nfront_metal.ply", ScanName("v", "door\nfront", "", "metal", 1)),
    ],
)
def test_names(path: str, expected: ScanName) -> None:
    assert parse_name(path) == expected


def test_stages_are_those_of_the_settings() -> None:
    assert STAGE_ORDER == STAGES


def test_two_sides_are_a_pair_without_a_stage(tmp_path: Path) -> None:
    """Which of two passes came first cannot be told without one; which sides are a pair can."""
    put(tmp_path, "flap_left.ply", "flap_right.ply", "van/flap_left.ply", "door.ply", "door_2.ply")
    plan = plan_of(tmp_path)
    assert names(plan, "mirror") == ["flap left against right"]
    assert names(plan, "compare") == []
    assert any("not set against another pass" in note for note in plan.notes)
    (tmp_path / "job.toml").write_text('pairs = "off"\n')
    assert names(plan_of(tmp_path), "mirror") == []


def test_pairs_by_name(tmp_path: Path) -> None:
    put(
        tmp_path,
        *(f"12-085/door_{side}_{stage}.ply" for side in ("left", "right") for stage in STAGES[:2]),
        "12-085/door_left_filler_2.ply",
        "12-086/door_left_metal.ply",
        "12-085/note.txt",
    )
    plan = plan_of(tmp_path)
    assert len(names(plan, "check")) == 6
    assert names(plan, "compare") == [
        "12-085/door left filler to filler 2",
        "12-085/door left metal to filler",
        "12-085/door right metal to filler",
    ]
    assert names(plan, "mirror") == [
        "12-085/door filler left against right",
        "12-085/door metal left against right",
    ]
    by_name = {job.name: job for job in plan.jobs}
    compare = by_name["12-085/door left metal to filler"]
    assert [scan.file.relative for scan in compare.scans] == [
        "12-085/door_left_metal.ply",
        "12-085/door_left_filler.ply",
    ]
    assert compare.settings.stage == "filler"
    assert by_name["12-085/door_left_metal"].settings.stage == "metal"
    assert "1 other file(s) left alone" in plan.notes
    lines = plan_lines(plan)
    assert len(lines) == len(plan.jobs) + 1 + len(plan.notes)


def test_nearest_job_file_counts(tmp_path: Path) -> None:
    put(tmp_path, "a/door_metal.ply", "a/b/door_metal.ply", "a/b/c/wing.ply", "a/b/c/wing.pts")
    (tmp_path / "a" / "job.toml").write_text('stage = "primer"\ntolerance_mm = 0.25\n')
    (tmp_path / "a" / "b" / "mine.toml").write_text("[slope]\nsmoothing_mm = 33.0\n")
    (tmp_path / "a" / "b" / "job.toml").write_text(
        'config = "mine.toml"\npattern = "*.ply"\n[settings.surface]\nbatten_mm = 400.0\n'
    )
    plan = plan_of(tmp_path)
    settings = {job.name: job.settings for job in plan.jobs if job.kind == "check"}
    assert sorted(settings) == ["a/b/c/wing", "a/b/door_metal", "a/door_metal"]
    assert settings["a/door_metal"].stage == "primer"
    assert settings["a/door_metal"].tolerance.height_mm == 0.25
    assert settings["a/b/door_metal"].stage == "metal"
    assert settings["a/b/door_metal"].surface.batten_mm == 400.0
    assert settings["a/b/c/wing"].slope.smoothing_mm == 33.0
    assert plan_of(tmp_path, stage="paint").jobs[0].settings.stage == "paint"


def test_named_pairs_and_switches(tmp_path: Path) -> None:
    put(tmp_path, "v/one.ply", "v/two.ply", "v/door_left_metal.ply", "v/door_right_metal.ply")
    (tmp_path / "v" / "job.toml").write_text(
        'check = false\npairs = "off"\nstage = "filler"\n'
        '[[pair]]\nbefore = "one.ply"\nafter = "two.ply"\n'
        '[[pair]]\nside = "two.ply"\nother = "one.ply"\n'
    )
    plan = plan_of(tmp_path)
    assert [(job.kind, job.name) for job in plan.jobs] == [
        ("compare", "v/one to two"),
        ("mirror", "v/two against one"),
    ]
    assert {job.settings.stage for job in plan.jobs} == {"filler"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('stgae = "metal"', 'stgae: there is no such key: did you mean "stage"?'),
        ('stage = "wood"', "stage = 'wood': must be one of metal, filler"),
        ('tolerance_mm = "small"', "tolerance_mm = 'small': must be a number, in mm"),
        ("tolerance_mm = -1.0", "tolerance.height_mm = -1.0"),
        ("pattern = 3", "pattern = 3: must be a text or a list of texts"),
        ("check = 1", "check = 1: must be true or false"),
        ("= 3", "not a TOML file in UTF-8"),
        ("settings = 3", "settings = 3: must be a group: [settings]"),
        ("[settings.surface]\nbattens = 3", "surface.battens = 3: there is no such setting"),
        ('[[pair]]\nbefore = "a.ply"', "must be before and after, or side and other"),
        ('[[pair]]\nbefore = "a.ply"\nafter = "b.ply"', "'b.ply': there is no such scan below"),
        ('config = "none.toml"', "none.toml: cannot be read"),
    ],
)
def test_wrong_job_files(tmp_path: Path, text: str, words: str) -> None:
    put(tmp_path, "a.ply")
    (tmp_path / "job.toml").write_text(text)
    with pytest.raises(SettingsError) as caught:
        plan_of(tmp_path)
    assert words in str(caught.value)
    assert "job.toml" in str(caught.value) or "none.toml" in str(caught.value)
    assert "the command line" not in str(caught.value)


def test_wrong_place(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="there is no such folder: name the folder that holds"):
        plan_of(tmp_path / "none")
    put(tmp_path, "a.ply")
    with pytest.raises(SettingsError, match="this is a file"):
        plan_of(tmp_path / "a.ply")
    with pytest.raises(SettingsError, match="this kind of address cannot be used here"):
        find_jobs("nosuch://shop", settings_of=shop_settings(None, (), {}), settle_s=0)
    assert plan_of(tmp_path).jobs
    (tmp_path / "a.ply").unlink()
    assert plan_of(tmp_path).notes[0].startswith("no scan was found in ")


def test_folders_of_results_stand_side_by_side(tmp_path: Path) -> None:
    put(
        tmp_path,
        *("a/b.ply", "a/b/c.ply", "a_b.ply", "a/b.stl", "A/B.ply", "index.html.ply"),
        *("door\nfront_metal.ply", "door front_metal.ply", "左ドア_left_metal.ply"),
        f"{'é' * 110}_metal.ply",
    )
    (tmp_path / os.fsdecode(b"d\xff_metal.ply")).write_bytes(HEADER % 1000)
    jobs = plan_of(tmp_path).jobs
    assert len(jobs) == 11
    folders = [job.folder for job in jobs]
    assert len({folder.casefold() for folder in folders}) == len(jobs)
    assert len({job.name.casefold() for job in jobs}) == len(jobs)
    for job in jobs:
        assert not set(job.folder) & set('/\\\n:*?"<>|')
        assert len(job.folder.encode()) < 200
        assert job.name.isprintable()
        assert not job.folder.startswith(".")
    assert "index.html" not in folders
    assert any("左ドア" in folder for folder in folders)
    # The same scans give the same names whatever else lies beside them is gone through first.
    assert [job.folder for job in plan_of(tmp_path).jobs] == folders


def test_links_that_loop(tmp_path: Path) -> None:
    scans, elsewhere = tmp_path / "scans", tmp_path / "elsewhere"
    put(scans, "v/door_metal.ply")
    put(elsewhere, "wing_metal.ply")
    (scans / "v" / "round").symlink_to(scans, target_is_directory=True)
    (scans / "self").symlink_to("self")
    (scans / "lost.ply").symlink_to("nowhere.ply")
    (scans / "other").symlink_to(elsewhere, target_is_directory=True)
    (elsewhere / "back").symlink_to(scans, target_is_directory=True)
    os.mkfifo(scans / "pipe.ply")
    assert names(plan_of(scans), "check") == ["other/wing_metal", "v/door_metal"]


def test_own_results_and_hidden_folders_are_no_scans(tmp_path: Path) -> None:
    put(tmp_path, "door_metal.ply", "door_guidecoat/points.ply", "night/job/points.ply")
    put(tmp_path, ".trash/wing_metal.ply", ".wing_metal.ply.k3J2s")
    (tmp_path / "door_guidecoat" / ".guidecoat").write_text("")
    (tmp_path / "night" / "ledger.sqlite").write_text("")
    assert names(plan_of(tmp_path), "check") == ["door_metal"]


def test_a_file_still_being_copied_waits(tmp_path: Path) -> None:
    put(tmp_path, "door_left_metal.ply", "door_right_metal.ply")
    for path in tmp_path.iterdir():
        # A copy that keeps the date of the original is as fresh as any.
        os.utime(path, (time.time() - 1e6, time.time() - 1e6))
    plan = plan_of(tmp_path, settle_s=60.0)
    assert plan.jobs == ()
    assert len(plan.waiting) == 2
    assert "still being copied" in "".join(plan_lines(plan))
    with (tmp_path / "door_left_metal.ply").open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        plan = plan_of(tmp_path)
        assert names(plan, "check") == ["door_right_metal"]
        assert names(plan, "mirror") == []
        assert [scan.file.relative for scan in plan.waiting] == ["door_left_metal.ply"]
    assert len(plan_of(tmp_path).jobs) == 3


def test_memory_is_estimated_from_the_header_and_the_size(tmp_path: Path) -> None:
    put(tmp_path, "small_metal.ply")
    (tmp_path / "large_metal.ply").write_bytes(HEADER % 4_000_000)
    os.truncate(tmp_path / "large_metal.ply", 96_000_000)
    (tmp_path / "lies_metal.ply").write_bytes(HEADER % 10**12)
    (tmp_path / "text_metal.xyz").write_bytes(b"1.000 2.000 3.000\n" * 1000)
    jobs = {job.name: job for job in plan_of(tmp_path).jobs}
    assert jobs["small_metal"].points == 1000
    assert jobs["large_metal"].points == 4_000_000
    assert jobs["lies_metal"].points < 100
    assert 1000 <= jobs["text_metal"].points <= 2000
    # Measured: with all files and the worker itself a check of 4 million points takes 765 MB at its
    # peak, one of 15 thousand 505 MB.
    assert 765 < jobs["large_metal"].memory_mb < 2.0 * 765
    assert 505 < jobs["small_metal"].memory_mb < 1.5 * 505


def test_files_that_a_job_file_names_lie_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, "scans/v/door_metal.ply")
    (tmp_path / "scans" / "v" / "good.csv").write_text("x,y,z\n0,0,0\n")
    job_file = tmp_path / "scans" / "v" / "job.toml"
    job_file.write_text('[settings.edges]\nhold_points_file = "good.csv"\n')
    monkeypatch.chdir(tmp_path)
    (job,) = plan_of(Path("scans")).jobs
    assert job.settings.edges.hold_points_file == tmp_path / "scans" / "v" / "good.csv"
    job_file.write_text('[settings.edges]\nhold_points_file = "gone.csv"\n')
    with pytest.raises(SettingsError, match=r"job\.toml: edges.hold_points_file = .*no such file"):
        plan_of(tmp_path / "scans")


def test_files_of_the_command_line_are_whole_paths(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Workers may stand in another folder than the command.
    put(tmp_path, "scans/door_metal.ply")
    for name in ("lines.csv", "held.csv"):
        (tmp_path / name).write_text("x,y,z\n")
    (tmp_path / "shop.toml").write_text('[edges]\nhold_points_file = "held.csv"\n')
    monkeypatch.chdir(tmp_path)
    asked = {"creases.mode": "file", "creases.file": Path("lines.csv")}
    settings_of = shop_settings(None, [Path("shop.toml")], asked)
    (job,) = find_jobs("scans", settings_of=settings_of, settle_s=0).jobs
    assert job.settings.creases.file == tmp_path / "lines.csv"
    assert job.settings.edges.hold_points_file == tmp_path / "held.csv"


def test_an_export_beside_a_scan_does_not_rename_its_job(tmp_path: Path) -> None:
    put(tmp_path, "v/door_metal.ply")
    (before,) = plan_of(tmp_path).jobs
    put(tmp_path, "v/door_metal.stl", "v/door_metal.obj")
    after = {job.name: job.folder for job in plan_of(tmp_path).jobs}
    assert after[before.name] == before.folder
    assert set(after) == {"v/door_metal", "v/door_metal stl", "v/door_metal obj"}


def test_a_folder_that_cannot_be_looked_into_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, "v/door_metal.ply", "closed/wing_metal.ply")
    scandir = os.scandir

    def refusing(path: str | Path) -> object:
        if Path(path).name == "closed":
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refusing)
    plan = plan_of(tmp_path)
    assert names(plan, "check") == ["v/door_metal"]
    assert "cannot be looked into: closed (Permission denied)" in plan.notes
    # The folder itself has to answer: a share that is away is not an empty one.
    with pytest.raises(SettingsError, match=r"cannot be looked into .*if it is a share"):
        plan_of(tmp_path / "closed")
