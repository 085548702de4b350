"""Bad input through the command line: a message with cause and remedy, its exit code, no traceback,
and nothing left half written.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.cli import main
from guidecoat.synthetic import Panel, flat_panel, scan_panel, sphere_panel, wing

Floats = NDArray[np.float64]
Printed = pytest.CaptureFixture[str]

HEAD = "ply\nformat binary_little_endian 1.0\nelement vertex {}\n"
XYZ = "property float x\nproperty float y\nproperty float z\nend_header\n"


def ply(points: Floats, *, count: int | None = None) -> bytes:
    """A binary PLY of bare float32 points."""
    head = HEAD.format(len(points) if count is None else count) + XYZ
    return head.encode() + np.asarray(points, "<f4").tobytes()


def panel_points(panel: Panel, *, noise_mm: float = 0.03, spacing_mm: float = 2.5) -> Floats:
    scan = scan_panel(panel, spacing_mm=spacing_mm, noise_mm=noise_mm, seed=1, pose=np.eye(4))
    return scan.points_mm


SOUND = panel_points(sphere_panel(900.0, length_mm=300.0, width_mm=200.0))


def ball() -> Floats:
    points = np.random.default_rng(5).normal(size=(40_000, 3))
    return np.asarray(250.0 * points / np.linalg.norm(points, axis=1)[:, None])


def fog() -> Floats:
    return np.random.default_rng(6).uniform(-300.0, 300.0, (40_000, 3))


def rough_sheet() -> Floats:
    """A sheet under noise of 4 mm, eight times the tolerance."""
    rng = np.random.default_rng(7)
    places = rng.uniform(-300.0, 300.0, (40_000, 3)) * [1, 1, 0]
    return np.asarray(places + rng.normal(0.0, 4.0, (40_000, 3)))


def line() -> Floats:
    return np.linspace(0.0, 1000.0, 5000)[:, None] * np.array([0.3, -0.5, 0.81])


def two_panels() -> Floats:
    return np.vstack([SOUND, SOUND + np.array([0.0, 0.0, 700.0])])


def wraps_too_far() -> Floats:
    return panel_points(wing(wrap_deg=185.0, arch_radius_mm=1.0), spacing_mm=4.0)


def strip() -> Floats:
    return panel_points(sphere_panel(600.0, length_mm=600.0, width_mm=40.0))


# Content, exit code, what the message must say.
BAD: dict[str, tuple[bytes | Callable[[], bytes], int, str]] = {
    "not a ply": (b"hello, this is no scan\n", 3, r"not a PLY"),
    "empty": (b"", 3, r"empty.*(copy|export)"),
    "header cut short": (ply(SOUND)[:60], 3, r"header"),
    "truncated": (lambda: ply(SOUND)[:-500], 3, r"(cut short|truncated|room for|ends)"),
    "a count of 10^12": (lambda: ply(SOUND, count=10**12), 3, r"1000000000000"),
    "a type that does not exist": (
        ply(SOUND).replace(b"property float z", b"property quux z"),
        3,
        r"quux",
    ),
    "no coordinates": (ply(SOUND).replace(b"float z", b"float w"), 3, r"no property z"),
    "too few points": (ply(SOUND[:60]), 4, r"too few points: 60"),
    "all points on a line": (lambda: ply(line()), 4, r"lie on a line"),
    "all NaN": (ply(SOUND * np.nan), 4, r"0 usable"),
    "no points": (ply(SOUND[:0]), 4, r"too few points: 0"),
    "a closed body": (lambda: ply(ball()), 4, r"closes on itself.*[Cc]rop"),
    "two panels": (lambda: ply(two_panels()), 4, r"two separate pieces.*[Cc]rop"),
    "a panel that wraps too far": (
        lambda: ply(wraps_too_far()),
        4,
        r"(wraps through \d+ degrees; up to 150|closes on itself).*[Cc]rop",
    ),
    "nothing but noise": (lambda: ply(fog()), 4, r"([Cc]rop|[Ss]can )"),
    "a strip too narrow to judge": (lambda: ply(strip()), 4, r"wide enough.*--batten"),
    "a flat sheet of bare points": (
        lambda: ply(panel_points(flat_panel(length_mm=300.0, width_mm=200.0))),
        4,
        r"outside and inside cannot be told apart.*--outside [+-]z",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_scans(name: str, shop: Path, capsys: Printed) -> None:
    content, code, message = BAD[name]
    (shop / "door.ply").write_bytes(content if isinstance(content, bytes) else content())
    left = main(["check", "door.ply", "--units", "mm"])
    said = capsys.readouterr().err
    assert (left, bool(re.search(message, said, re.DOTALL))) == (code, True), said
    refused_plainly(said, shop)


def test_a_sheet_under_its_noise_is_never_called_good(shop: Path, capsys: Printed) -> None:
    """Refused, or left undecided with the noise named first; never a verdict."""
    (shop / "door.ply").write_bytes(ply(rough_sheet()))
    left = main(["check", "door.ply", "--units", "mm", "--outside", "+z"])
    printed = capsys.readouterr()
    if left == 4:
        refused_plainly(printed.err, shop)
        return
    assert left == 0
    assert printed.out.startswith("door: Undecided")
    assert "cannot be seen: the least this scan tells" in printed.out


def refused_plainly(said: str, shop: Path) -> None:
    """One message, the tool's name before it, no traceback; only the scan is in the folder."""
    assert said.startswith("guidecoat: ")
    assert "Traceback" not in said
    assert len(said) < 700
    assert sorted(os.listdir(shop)) == ["door.ply"]


def test_no_such_file(shop: Path, capsys: Printed) -> None:
    assert main(["check", "none.ply"]) == 3
    assert re.search(r"none.ply.*No such file", capsys.readouterr().err)
    assert os.listdir(shop) == []


def test_a_folder_instead_of_a_file(shop: Path, capsys: Printed) -> None:
    (shop / "door.ply").mkdir()
    assert main(["check", "door.ply"]) == 3
    refused_plainly(capsys.readouterr().err, shop)


def test_a_scan_one_may_not_read(
    shop: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    (shop / "door.ply").write_bytes(ply(SOUND))
    opened = Path.open

    def refuse(self: Path, *args: object, **options: object) -> object:
        if self.name == "door.ply":
            raise PermissionError(13, "Permission denied", str(self))
        return opened(self, *args, **options)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refuse)
    assert main(["check", "door.ply"]) == 3
    said = capsys.readouterr().err
    assert "Permission denied" in said
    refused_plainly(said, shop)


# --- where the result goes ----------------------------------------------------------------------


needs_dev_full = pytest.mark.skipif(
    not Path("/dev/full").exists(), reason="no /dev/full on this system"
)


@needs_dev_full
@pytest.mark.parametrize("file", ["write_vertex_fields", "write_mesh_glb", "write_summary"])
def test_full_disk(file: str, shop: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch) -> None:
    """The writer really meets a full device; an earlier result stays whole."""
    (shop / "door.ply").write_bytes(ply(SOUND))
    assert main(["check", "door.ply", "--units", "mm", "--quiet"]) == 0
    before = snapshot(shop / "door_guidecoat")
    module = "guidecoat.export.write"
    real = __import__(module, fromlist=[file]).__dict__[file]

    def onto_full_device(path: Path, *args: object, **options: object) -> object:
        return real(Path("/dev/full"), *args, **options)

    monkeypatch.setattr(f"{module}.{file}", onto_full_device)
    capsys.readouterr()
    assert main(["check", "door.ply", "--units", "mm", "--quiet"]) == 2
    said = capsys.readouterr().err
    assert re.search(r"disk is full.*--out", said)
    assert "Traceback" not in said
    assert sorted(os.listdir(shop)) == ["door.ply", "door_guidecoat"]
    assert snapshot(shop / "door_guidecoat") == before


def snapshot(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}


def test_output_one_may_not_write(
    shop: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    (shop / "door.ply").write_bytes(ply(SOUND))
    made = Path.mkdir

    def refuse(self: Path, *args: object, **options: object) -> None:
        if "result" in self.name:
            raise PermissionError(13, "Permission denied", str(self))
        made(self, *args, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(Path, "mkdir", refuse)
    assert main(["check", "door.ply", "--out", "result"]) == 2
    said = capsys.readouterr().err
    assert re.search(r"cannot be written.*--out", said)
    refused_plainly(said, shop)


@pytest.mark.skipif(
    os.name != "posix" or os.geteuid() == 0, reason="the super-user writes anywhere"
)
def test_a_read_only_folder(shop: Path, capsys: Printed) -> None:
    (shop / "door.ply").write_bytes(ply(SOUND))
    shop.chmod(0o555)
    try:
        assert main(["check", "door.ply"]) == 2
        refused_plainly(capsys.readouterr().err, shop)
    finally:
        shop.chmod(0o755)


# --- nothing to hold ----------------------------------------------------------------------------


def test_a_panel_without_an_edge_to_hold_says_so(shop: Path, capsys: Printed) -> None:
    """Every edge set free: the surface then rests on the skin alone, which the run must say."""
    (shop / "door.ply").write_bytes(ply(SOUND))
    (shop / "mine.toml").write_text('[edges]\nhold = "free"\n')
    left = main(["check", "door.ply", "--units", "mm", "--config", "mine.toml"])
    printed = capsys.readouterr()
    assert left == 0
    assert re.search(r"[Nn]o edge (is|was) held", printed.out + printed.err)


def test_held_points_off_the_panel_are_refused(shop: Path, capsys: Printed) -> None:
    """A point to hold that lies 5 m away is a slip of units or frame and must not pass silently."""
    (shop / "door.ply").write_bytes(ply(SOUND))
    (shop / "hold.csv").write_text("x,y,z\n5000,0,0\n")
    left = main(["check", "door.ply", "--units", "mm", "--hold", "hold.csv"])
    printed = capsys.readouterr()
    assert left in (0, 2)
    assert re.search(r"hold\.csv|held point", printed.out + printed.err)
