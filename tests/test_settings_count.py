"""No setting lies: what a shop changes changes what it is told."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import numpy as np
import pytest
from numpy.typing import NDArray

from guidecoat.check import check_scan
from guidecoat.compare.mirror import MirrorOptions, MirrorResult, mirror_pair
from guidecoat.errors import GuidecoatError, SettingsError
from guidecoat.export.plan_files import plan_csv
from guidecoat.formats.ply import write_ply
from guidecoat.pictures.colours import scale_for
from guidecoat.report import pieces
from guidecoat.report.check_report import check_page
from guidecoat.report.pair_page import mirror_page
from guidecoat.report.plan_sheet import plan_sheet
from guidecoat.settings import Settings, load_settings
from guidecoat.synthetic import Dimple, crowned_door, scan_panel, to_scan
from guidecoat.workplan import plan_work
from pair_fixture import ONE_FRAME, counterpart, seen
from workplan_fixture import Planted, with_marks

# What a figure is tried at, as a share of what it is, and where it is a word instead.
SHARES = (4.0, 0.1, 0.5, 1.3, 2.0)
NUMBERS = (0.5, 2.0, 150.0, 350.0)
# A setting may count only beside another: the density of light filler, where light is used.
BESIDE: tuple[dict[str, object], ...] = (
    {},
    {"plan.filler": "light"},
    {"surface.shortest_batten_mm": 60.0},
    {"creases.mode": "file"},
)
LEFT, MIDDLE, RIGHT = (-180.0, 60.0), (0.0, -90.0), (180.0, 60.0)
SCENES = (
    (
        "metal",
        (Planted("H1", *LEFT, 1.2), Planted("L1", *MIDDLE, -1.5), Planted("L2", *RIGHT, -4.5)),
    ),
    (
        "filler",
        (
            Planted("H1", *LEFT, 1.2),
            Planted("L1", *MIDDLE, -0.35, 50.0, 30.0),
            Planted("L2", *RIGHT, -2.5),
        ),
    ),
    (
        "primer",
        (Planted("L1", *LEFT, -0.09), Planted("H1", *MIDDLE, 0.15), Planted("R1", *RIGHT, 0.3)),
    ),
)


def fields_of(model: Any, at: str = "") -> Iterator[tuple[str, Any]]:
    """Dotted key and annotation of every setting."""
    for name, field in model.model_fields.items():
        inner = field.annotation
        if hasattr(inner, "model_fields"):
            yield from fields_of(inner, f"{at}{name}.")
        else:
            yield at + name, inner


FIELDS = dict(fields_of(Settings))


def words_in(annotation: Any) -> tuple[str | int, ...]:
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return tuple(word for inner in get_args(annotation) for word in words_in(inner))


def others(annotation: Any, value: Any, folder: Path) -> Iterator[object]:
    """Values of the same kind as a setting's own; some may be no valid ones."""
    words = words_in(annotation)
    if isinstance(value, dict):
        yield from ({"A": word} for word in words)
        return
    yield from (word for word in words if word != value)
    if isinstance(value, (list, tuple)):
        yield value[:1]
        yield value[1:]
        yield [2 * one for one in value]
        return
    if isinstance(value, (int, float)):
        yield from (type(value)(share * value) for share in SHARES)
    elif value is None or isinstance(value, Path):
        yield from (str(path) for path in sorted(folder.glob("*.csv")))
        yield "-200,0,0,200,0,0,800"
    else:
        yield from NUMBERS


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A noisy scan of a door with a body line and marks, and files of points on it."""
    folder = tmp_path_factory.mktemp("shop")
    panel = crowned_door(length_mm=600.0, width_mm=400.0, crown_mm=13.0, crease=True)
    dents = (Dimple((-130.0, -60.0), -1.2, (70.0, 50.0)), Dimple((150.0, -80.0), 0.8, (45.0, 45.0)))
    truth = scan_panel(panel, dents, spacing_mm=3.0, noise_mm=0.12, seed=1, pose=ONE_FRAME)
    write_ply(folder / "door.ply", to_scan(truth).vertices)
    for name, t in (("one", 90.0), ("two", -40.0)):
        near = [
            truth.points_mm[((truth.points_mm[:, :2] - (s, t)) ** 2).sum(1).argmin()]
            for s in (-200.0, 0.0, 200.0)
        ]
        rows = "\n".join(",".join(f"{c:.3f}" for c in point) for point in near)
        (folder / f"{name}.csv").write_text(f"x,y,z\n{rows}\n")
    return folder


@pytest.fixture(scope="module")
def sides() -> MirrorResult:
    """Two panels that lie level beside the plane x = 0, the one 0.05 mm up and 2.2 mm along."""
    plane = MirrorOptions(plane=((0.0, 0.0, 0.0), (1.0, 0.0, 0.0)))
    one, two = (
        seen((), seed=seed, spacing_mm=3.5, pose=place)[0]
        for seed, place in ((1, at(800.0, 2.2, 0.05)), (2, at(800.0, 0.0, 0.0)))
    )
    return mirror_pair(one, counterpart(two), load_settings("primer"), plane)


def at(*place_mm: float) -> NDArray[np.float64]:
    pose = ONE_FRAME.copy()
    pose[:3, 3] = place_mm
    return pose


@pytest.fixture(autouse=True)
def _without_the_list_of_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pieces, "settings_piece", lambda _: "")


def with_all(overrides: dict[str, object]) -> Settings:
    stage = str(overrides.get("stage", "primer"))
    return load_settings(stage, overrides=overrides)


def told_by_plans(overrides: dict[str, object]) -> Iterator[str]:
    """What the plans say of marks, stage by stage."""
    for stage, marks in SCENES:
        settings = load_settings(stage, overrides={**overrides, "stage": stage})
        result = replace(with_marks(marks, stage=stage), settings=settings)
        plan = plan_work(result)
        yield plan_csv(plan) + plan_sheet(plan, result)


def told_by_check(overrides: dict[str, object], shop: Path) -> str:
    """What a check's page says, or what it refuses the scan for."""
    settings = with_all(overrides)
    try:
        result = check_scan(shop / "door.ply", settings)
    except GuidecoatError as error:
        return str(error)
    return check_page(result, scale_for(settings.tolerance.height_mm, result.regions), None).text


def told_by_mirror(overrides: dict[str, object], sides: MirrorResult) -> str:
    settings = with_all(overrides)
    return mirror_page(replace(sides, settings=settings), scale_for(0.15, ()), None).text


Overrides = dict[str, object]
# How far off the lamps hang.
ONLY_ON_THE_PAGE = "plan.light_distance_mm"


@cache
def first_plans(frozen: tuple[tuple[str, object], ...]) -> tuple[str, ...]:
    return tuple(told_by_plans(dict(frozen)))


@cache
def first_check(frozen: tuple[tuple[str, object], ...], shop: Path) -> str:
    return told_by_check(dict(frozen), shop)


def counts_in_plans(overrides: Overrides, base: Overrides) -> bool:
    plans = first_plans(tuple(base.items()))
    return any(one != other for one, other in zip(told_by_plans(overrides), plans, strict=False))


def counts_in_check(overrides: Overrides, base: Overrides, shop: Path) -> bool:
    return told_by_check(overrides, shop) != first_check(tuple(base.items()), shop)


def changes(key: str, folder: Path) -> Iterator[tuple[Overrides, Overrides]]:
    """Every way in which a setting is changed to another valid value: with it, and without."""
    for base in BESIDE:
        if "plan.filler" in base and not key.startswith("plan."):
            continue
        beside = {**base, **({"creases.file": str(folder / "one.csv")} if base else {})}
        value: Any = with_all(beside).model_dump()
        for part in key.split("."):
            value = value[part]
        for other in others(FIELDS[key], value, folder):
            overrides = {**beside, key: other}
            try:
                with_all(overrides)
            except SettingsError:
                continue
            yield overrides, beside


def test_the_same_settings_tell_the_same(shop: Path) -> None:
    assert first_plans(()) == tuple(told_by_plans({}))
    assert first_check((), shop) == told_by_check({}, shop)


@pytest.mark.parametrize("key", list(FIELDS))
def test_every_setting_counts(key: str, shop: Path, sides: MirrorResult) -> None:
    """Changed to another valid value it changes a plan, a check or a left against right."""
    if key.startswith("gaps."):
        assert any(
            told_by_mirror(changed, sides) != told_by_mirror(beside, sides)
            for changed, beside in changes(key, shop)
        )
        return
    # A plan is made sooner than a check.
    in_plans = key.startswith("plan.") and key != ONLY_ON_THE_PAGE
    assert (in_plans and any(counts_in_plans(*change) for change in changes(key, shop))) or any(
        counts_in_check(*change, shop) for change in changes(key, shop)
    ), f"nothing that is told changes with {key}"
