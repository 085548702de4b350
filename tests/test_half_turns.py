"""Plain panels that fit as well the other way round: told in plain words, with a way out."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.cli import main
from guidecoat.compare import compare_scans
from guidecoat.compare.mirror import mirror_pair
from guidecoat.compare.placing import between_files, place_scan
from guidecoat.errors import ScanUnfitError
from guidecoat.formats.ply import write_ply
from guidecoat.registration import WeakDirection, remedy_words
from guidecoat.scans.scan import Scan
from guidecoat.settings import load_settings
from guidecoat.synthetic import Defect, Dimple, Panel, crowned_door
from guidecoat.synthetic.forms import Swept
from guidecoat.synthetic.heights import Crown
from pair_fixture import counterpart, seen

SETTINGS = load_settings("metal")
HALF = (300.0, 200.0)


def door(lean: float) -> Panel:
    """A door that is the same turned by half a turn, but for what it leans."""
    crown = Crown(4.0, HALF[0], 10.0, HALF[1], 0.0, lean=lean)
    plain = crowned_door(length_mm=2.0 * HALF[0], width_mm=2.0 * HALF[1])
    return replace(plain, form=Swept(heights=(crown,)))


PLAIN = door(0.0)
LOW = Dimple((-130.0, -40.0), -1.2, (60.0, 50.0))
ACROSS = replace(LOW, centre_st=(130.0, 40.0))


def scan(
    *marks: Defect, seed: int, panel: Panel = PLAIN, pose: NDArray[np.float64] | None = None
) -> Scan:
    return seen(marks, seed=seed, panel=panel, spacing_mm=2.5, pose=pose, name=f"scan {seed}")[0]


@pytest.mark.parametrize(
    ("weak", "said"),
    [
        (("turn", 3141.6), "it fits as well turned by half a turn about (0.00, 0.00, 1.00)"),
        (("turn", 1570.0), "it fits as well turned by a quarter turn about (0.00, 0.00, 1.00)"),
        (("turn", 2094.4), "it fits as well turned by 120 degrees about (0.00, 0.00, 1.00)"),
        (("slide", 18.0), "it fits as well 18 mm further along (0.00, 0.00, 1.00)"),
    ],
)
def test_a_rival_is_said_in_plain_words(weak: tuple[str, float], said: str) -> None:
    kind, size = weak
    one = WeakDirection(kind, np.array([0.0, 0.0, 1.0]), size, "nothing", rival=True)
    assert one.describe() == said


def test_nothing_is_advised_that_was_done() -> None:
    said = remedy_words(pairs=False, in_one_frame=False)
    assert "--pairs" in said
    assert "--already-aligned" in said
    assert "--already-aligned" not in remedy_words(pairs=False, in_one_frame=True)
    assert "give --pairs" not in remedy_words(pairs=True, in_one_frame=False)


def test_plain_panels_are_refused_in_plain_words() -> None:
    words = r"as well turned by half a turn.*--already-aligned.*--pairs"
    with pytest.raises(ScanUnfitError, match=words) as compared:
        compare_scans((scan(LOW, seed=1), scan(seed=2)), SETTINGS)
    with pytest.raises(ScanUnfitError, match=words) as mirrored:
        mirror_pair(scan(LOW, seed=1), counterpart(scan(seed=2)), SETTINGS)
    for refused in (compared, mirrored):
        assert "mrad" not in str(refused.value)
        assert "Scan further" not in str(refused.value)


@pytest.mark.parametrize("mark", [LOW, ACROSS], ids=["the same", "another"])
def test_what_marks_alone_decide_is_told(mark: Dimple) -> None:
    """A low on each side looks like one low, wherever it is on the other."""
    found = place_scan(scan(mark, seed=4), scan(LOW, seed=3))[1]
    assert not any(weak.rival for weak in found.weak_directions)
    assert re.search(r"nearly as well turned by half a turn.*marks alone.*--pairs", found.doubt)


def test_a_form_of_its_own_needs_no_marks() -> None:
    """Not a tenth of a millimetre of what leans is a mark: 0.15 mm of 10."""
    leaning = door(0.04)
    found = place_scan(scan(LOW, seed=4, panel=leaning), scan(LOW, seed=3, panel=leaning))[1]
    assert found.doubt == ""


@pytest.mark.parametrize("turned", [False, True])
def test_a_known_turn_decides(turned: bool) -> None:
    """Of two placings that fit alike the one that leaves it the way round it lies."""
    pose = np.eye(4)
    if turned:
        pose[:2, :2] *= -1.0
    pose[:3, 3] = (40.0, -25.0, 12.0)
    moving, fixed = scan(LOW, seed=2, pose=pose), scan(seed=1, pose=np.eye(4))
    motion = between_files(place_scan(moving, fixed, turn_known=True)[0], moving, fixed)
    assert motion[0, 0] == pytest.approx(1.0, abs=1e-3)


@pytest.fixture
def panels(shop: Path) -> Path:
    """A dented panel, a sound one of its kind, and their corners as picked on both."""
    rng = np.random.default_rng(4)
    for name, one in (
        ("dented", scan(LOW, seed=1, pose=np.eye(4))),
        ("sound", scan(seed=2, pose=np.eye(4))),
    ):
        write_ply(shop / f"{name}.ply", one.vertices)
    rows = ["x,y,z,to_x,to_y,to_z"]
    for x in (-290.0, 290.0):
        for y in (-190.0, 190.0):
            on = np.array([x, y, -12.8])
            both = np.concatenate([on, on + rng.normal(0.0, 0.4, 3)])
            rows.append(",".join(f"{value:.3f}" for value in both))
    (shop / "pairs.csv").write_text("\n".join(rows), "utf-8")
    return shop


@pytest.mark.parametrize("given", [["--already-aligned"], ["--pairs", "pairs.csv"]])
def test_check_like_takes_what_it_advises(
    given: list[str], panels: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    like = ["check", "dented.ply", "--like", "sound.ply", "--like-as", "same", "--units", "mm"]
    assert main([*like, "--quiet"]) == 4
    said = capsys.readouterr().err
    assert all(word in said for word in ("half a turn", given[0]))
    assert main([*like, *given]) == 0
    # The file's frame is the panel's: the low is told where it is, not half a turn away.
    table = (panels / "dented_guidecoat" / "regions.csv").read_text("utf-8").splitlines()
    low = dict(zip(table[0].split(","), table[1].split(","), strict=False))
    assert low["region"] == "L1"
    assert float(low["peak_mm"]) == pytest.approx(-1.2, abs=0.05)
    assert float(low["x"]) == pytest.approx(-130.0, abs=10.0)


@pytest.mark.parametrize("given", [["--already-aligned"], ["--pairs", "pairs.csv"]])
def test_check_takes_them_with_like_alone(
    given: list[str], panels: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "dented.ply", *given]) == 2
    assert f"{given[0]} says how two scans lie" in capsys.readouterr().err
    assert not (panels / "dented_guidecoat").exists()
