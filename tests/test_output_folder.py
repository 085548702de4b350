"""A result folder is there whole or not at all, and nothing of anybody else's is touched."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from guidecoat.errors import SettingsError
from guidecoat.output_folder import MARKER, default_folder, is_disk_full, result_folder


def tree(folder: Path) -> dict[str, str]:
    """Every path below a folder with its content (folders: "/")."""
    return {
        path.relative_to(folder).as_posix(): path.read_text() if path.is_file() else "/"
        for path in sorted(folder.rglob("*"))
    }


def make_result(out: Path, text: str = "first") -> None:
    with result_folder(out) as folder:
        (folder / "map.png").write_text(text)
        (folder / "more").mkdir()
        (folder / "more" / "table.csv").write_text(text)


def test_default_name(shop: Path) -> None:
    assert default_folder(Path("scans/Tür links.ply")) == shop / "Tür links_guidecoat"


def test_result_appears_whole_at_the_end(shop: Path) -> None:
    with result_folder(Path("door")) as folder:
        (folder / "map.png").write_text("picture")
        assert not (shop / "door").exists()
        assert folder.parent == shop
    assert os.listdir(shop) == ["door"]
    assert (shop / "door" / "map.png").read_text() == "picture"
    assert (shop / "door" / MARKER).is_file()


def test_missing_parents_are_made(shop: Path) -> None:
    make_result(Path("a/b/door"))
    assert (shop / "a" / "b" / "door" / "more" / "table.csv").read_text() == "first"


def test_permissions_are_the_users_own(shop: Path) -> None:
    make_result(Path("door"))
    (shop / "plain").mkdir()
    assert (shop / "door").stat().st_mode == (shop / "plain").stat().st_mode


def test_earlier_result_is_replaced_whole(shop: Path) -> None:
    make_result(Path("door"))
    with result_folder(Path("door")) as folder:
        (folder / "other.png").write_text("second")
        assert (shop / "door" / "map.png").read_text() == "first"
    assert sorted(os.listdir(shop / "door")) == [MARKER, "other.png"]
    assert os.listdir(shop) == ["door"]


def test_same_files_same_bytes(shop: Path) -> None:
    make_result(Path("one"))
    make_result(Path("two"))
    assert tree(shop / "one") == tree(shop / "two")


def test_empty_folder_and_file_managers_litter_are_no_hindrance(shop: Path) -> None:
    (shop / "door").mkdir()
    make_result(Path("door"))
    (shop / "door" / ".DS_Store").write_text("x")
    make_result(Path("door"), "second")
    assert (shop / "door" / "map.png").read_text() == "second"


@pytest.mark.parametrize("stopped_by", [RuntimeError, KeyboardInterrupt, SystemExit, MemoryError])
def test_failure_changes_nothing(shop: Path, stopped_by: type[BaseException]) -> None:
    make_result(Path("door"))
    before = tree(shop)
    for out in ("door", "new", "a/b/new"):
        with pytest.raises(stopped_by), result_folder(Path(out)) as folder:
            (folder / "half.png").write_text("half")
            raise stopped_by
    assert tree(shop) == before


@pytest.mark.parametrize("name", ["photo.jpg", "more/photo.jpg", "mine/photo.jpg"])
def test_a_users_file_in_an_earlier_result_is_kept(shop: Path, name: str) -> None:
    make_result(Path("door"))
    (shop / "door" / name).parent.mkdir(exist_ok=True)
    (shop / "door" / name).write_text("mine")
    before = tree(shop)
    with pytest.raises(SettingsError, match=f"no earlier result of guidecoat.*{name}"):
        make_result(Path("door"), "second")
    assert tree(shop) == before


def test_other_folder_is_refused_before_the_work(shop: Path) -> None:
    (shop / "photos").mkdir()
    for number in range(5):
        (shop / "photos" / f"{number}.jpg").write_text("x")
    before = tree(shop)
    with (
        pytest.raises(SettingsError, match=r"0.jpg, 1.jpg, 2.jpg and 2 more.*another --out"),
        result_folder(Path("photos")),
    ):
        pytest.fail("the body must not run")
    assert tree(shop) == before


def test_a_folder_of_empty_folders_is_somebodys(shop: Path) -> None:
    (shop / "jobs" / "monday").mkdir(parents=True)
    with pytest.raises(SettingsError, match="monday"):
        make_result(Path("jobs"))
    assert (shop / "jobs" / "monday").is_dir()


def test_what_arrives_during_the_run_is_kept(shop: Path) -> None:
    with pytest.raises(SettingsError, match="no earlier result"), result_folder(Path("door")):
        (shop / "door").mkdir()
        (shop / "door" / "photo.jpg").write_text("mine")
    assert tree(shop) == {"door": "/", "door/photo.jpg": "mine"}


def test_file_in_the_way(shop: Path) -> None:
    (shop / "door").write_text("a file")
    with pytest.raises(SettingsError, match="a file of this name is in the way"):
        make_result(Path("door"))
    with pytest.raises(SettingsError, match="cannot be written"):
        make_result(Path("door/below"))
    assert tree(shop) == {"door": "a file"}


def test_a_name_longer_than_the_disk_takes(shop: Path) -> None:
    with pytest.raises(SettingsError, match=r"cannot be written \(.*too long.*\).*--out"):
        make_result(Path("y" * 300))
    assert os.listdir(shop) == []


@pytest.mark.parametrize("out", [".", "..", "/"])
def test_the_current_folder_is_never_replaced(shop: Path, out: str) -> None:
    with pytest.raises(SettingsError, match="holds the folder you are in"):
        make_result(Path(out))


def test_a_link_is_followed_and_stays(shop: Path) -> None:
    (shop / "real").mkdir()
    (shop / "link").symlink_to("real")
    make_result(Path("link"))
    assert (shop / "link").is_symlink()
    assert (shop / "real" / "map.png").read_text() == "first"


def test_read_only_place(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, *_args: object, **_options: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(self))

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(SettingsError, match=r"cannot be written \(Permission denied\).*--out"):
        make_result(Path("door"))
    assert os.listdir(shop) == []


def test_full_disk(shop: Path) -> None:
    make_result(Path("door"))
    before = tree(shop)
    with (
        pytest.raises(SettingsError, match=r"disk is full.*--out") as caught,
        result_folder(Path("door")) as folder,
    ):
        (folder / "half.png").write_text("half")
        with Path("/dev/full").open("wb", buffering=0) as full:
            full.write(b"x")
    assert caught.value.exit_code == 2
    assert tree(shop) == before


def test_a_short_write_without_a_number_counts_as_full_when_no_room_is_left(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    short = OSError("4096 requested and 12 written")
    assert not is_disk_full(short, shop)
    assert not is_disk_full(OSError(errno.EIO, "input/output error"), shop)
    usage = type("Usage", (), {"free": 0})
    monkeypatch.setattr("guidecoat.output_folder.shutil.disk_usage", lambda _: usage)
    assert is_disk_full(short, shop)


def test_second_rename_failing_brings_the_old_result_back(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_result(Path("door"))
    before = tree(shop)
    rename = Path.rename

    def fail_on_part(self: Path, target: Path) -> Path:
        if self.name.endswith(".part"):
            raise OSError(errno.EBUSY, "busy")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", fail_on_part)
    with pytest.raises(SettingsError, match="busy"):
        make_result(Path("door"), "second")
    assert tree(shop) == before
