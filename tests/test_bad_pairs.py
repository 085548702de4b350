"""Two scans that do not go together, through the command line: cause, remedy and exit code 4."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.cli import main
from guidecoat.formats.ply import write_ply
from guidecoat.synthetic import Part, wing
from pair_fixture import HIGH, PANEL, seen

Floats = NDArray[np.float64]
Printed = pytest.CaptureFixture[str]
Pair = tuple[Floats, Floats, Floats, Floats]


def scanned(seed: int, spacing_mm: float = 3.0) -> tuple[Floats, Floats]:
    """Points and outward normals in a frame of the scan's own."""
    truth = seen((HIGH,), seed=seed, spacing_mm=spacing_mm, pose=None)[1]
    return truth.points_mm, truth.normals.astype(np.float64)


def halves_that_do_not_meet() -> Pair:
    """The left and the right third of a panel, each in a frame of its own."""
    parts = []
    for seed, sign in ((90, -1.0), (91, 1.0)):
        truth = seen((HIGH,), seed=seed, spacing_mm=2.0, pose=None)[1]
        keep = sign * truth.st_mm[:, 0] > 100.0
        parts += [truth.points_mm[keep], truth.normals[keep].astype(np.float64)]
    return parts[0], parts[1], parts[2], parts[3]


def upside_down() -> Pair:
    """The second scan shows the inside of the skin."""
    points, normals = scanned(90)
    other, its = scanned(91)
    return points, normals, other, -its


def mirrored_by_mistake() -> Pair:
    points, normals = scanned(90)
    other, its = scanned(91)
    flip = np.array([-1.0, 1.0, 1.0])
    return points, normals, other * flip, its * flip


def other_units() -> Pair:
    points, normals = scanned(90)
    other, its = scanned(91)
    return points, normals, other / 25.4, its


def another_panel() -> Pair:
    points, normals = scanned(90)
    truth = seen((), seed=91, panel=wing(), spacing_mm=3.5, pose=None)[1]
    return points, normals, truth.points_mm, truth.normals.astype(np.float64)


def both_skins() -> Pair:
    """The second scan shows a thick panel from outside and from inside."""
    points, normals = scanned(90)
    truth = seen((HIGH,), seed=91, spacing_mm=3.0, pose=None)[1]
    skin = truth.part == Part.SKIN
    out = truth.normals[skin].astype(np.float64)
    other = truth.points_mm[skin]
    return points, normals, np.vstack([other, other - 4.0 * out]), np.vstack([out, -out])


# Whether the files carry normals, and what the message must say: the cause, and the remedy.
BAD: dict[str, tuple[Callable[[], Pair], bool, str]] = {
    "no overlap": (
        halves_that_do_not_meet,
        True,
        r"(overlap|do(es)? not (fit|hold)).*([Ss]can|[Cc]heck|[Pp]ick)",
    ),
    "upside down": (upside_down, True, r"other side of the skin.*Scan the same side twice"),
    "mirrored": (mirrored_by_mistake, True, r"mirrored.*export it again without flipping"),
    "mirrored, bare points": (mirrored_by_mistake, False, r"mirrored.*export it again"),
    "other units": (other_units, True, r"inches and millimetres.*leave --units out"),
    "another panel": (another_panel, True, r"(different panels|overlap).*[Cc]heck"),
    "both skins": (both_skins, False, r"two skins.*Scan the outside only"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", BAD)
def test_scans_that_do_not_go_together(name: str, shop: Path, capsys: Printed) -> None:
    make, with_normals, words = BAD[name]
    points, normals, other, its = make()
    for file, xyz, out in (("metal.ply", points, normals), ("filler.ply", other, its)):
        save(shop / file, xyz, out if with_normals else None)
    left = main(["compare", "metal.ply", "filler.ply", "--units", "mm"])
    said = capsys.readouterr().err
    assert (left, bool(re.search(words, said, re.DOTALL))) == (4, True), said
    assert said.startswith("guidecoat: ")
    assert "Traceback" not in said
    assert sorted(os.listdir(shop)) == ["filler.ply", "metal.ply"]


def save(path: Path, points: Floats, normals: Floats | None) -> None:
    """A PLY of points, with normals where there are some."""
    names = ["x", "y", "z"] if normals is None else ["x", "y", "z", "nx", "ny", "nz"]
    columns = points if normals is None else np.hstack([points, normals])
    rows = np.zeros(len(points), [(name, "<f4") for name in names])
    for k, name in enumerate(names):
        rows[name] = columns[:, k]
    write_ply(path, rows)


def test_the_panel_is_no_mirror_image_of_itself() -> None:
    s, t = np.array([200.0, 200.0]), np.array([120.0, -120.0])
    one, two = PANEL.position_mm(s, t)[:, 2], PANEL.position_mm(-s, t)[:, 2]
    assert np.abs(one - two).max() > 1.0
