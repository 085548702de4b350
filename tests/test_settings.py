"""Settings: the stage files hold every figure, later layers win, faults are named."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from guidecoat.errors import SettingsError
from guidecoat.settings import (
    STAGES,
    EdgeSettings,
    Settings,
    load_settings,
    require_edges,
    resolved,
    stage_config_path,
)


def keys_of_model(model: type[BaseModel], at: str = "") -> set[str]:
    keys = set()
    for name, field in model.model_fields.items():
        inner = field.annotation
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            keys |= keys_of_model(inner, f"{at}{name}.")
        else:
            keys.add(at + name)
    return keys


def keys_of_table(table: dict[str, Any], at: str = "") -> set[str]:
    keys = set()
    for name, value in table.items():
        if isinstance(value, dict) and value:
            keys |= keys_of_table(value, f"{at}{name}.")
        else:
            keys.add(at + name)
    return keys


def write(folder: Path, text: str, name: str = "shop.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("stage", STAGES)
def test_stage_file_holds_every_figure_and_no_other(stage: str) -> None:
    table = tomllib.loads(stage_config_path(stage).read_text("utf-8"))
    assert keys_of_table(table) == keys_of_model(Settings)
    assert load_settings(stage).stage == stage == table["stage"]


@pytest.mark.parametrize("stage", STAGES)
def test_every_figure_says_what_stands_behind_it(stage: str) -> None:
    lines = stage_config_path(stage).read_text("utf-8").splitlines()
    figures = [line for line in lines if re.match(r"\w+ = \[?[0-9]", line)]
    assert len(figures) > 40
    for line in figures:
        assert re.search(r"# .*(practice|memory|derived|measured|choice)", line), line


def test_tolerance_tightens_from_metal_to_paint() -> None:
    heights = [load_settings(stage).tolerance.height_mm for stage in STAGES]
    slopes = [load_settings(stage).tolerance.slope_mrad for stage in STAGES]
    assert heights == [0.5, 0.3, 0.15, 0.1]
    assert slopes == [4.0, 3.0, 2.0, 1.0]


def test_trade_figures() -> None:
    """The shop's figures as the trade has them; kinds stand in the stage files."""
    plan = load_settings().plan
    limits = [plan.filler_caution_mm, plan.filler_metalwork_first_mm, plan.filler_stop_mm]
    assert limits == [2.0, 3.0, 6.0]
    assert [plan.density_standard_kg_per_l, plan.density_light_kg_per_l] == [1.8, 1.15]
    assert list(plan.boards_mm) == [280.0, 406.0, 430.0, 533.0, 610.0, 760.0, 914.0]
    assert list(plan.grits_filler) == [80, 150, 180]


def test_later_layers_win(tmp_path: Path) -> None:
    first = write(tmp_path, "[tolerance]\nheight_mm = 0.2\nslope_mrad = 1.5\n", "a.toml")
    second = write(tmp_path, "[tolerance]\nheight_mm = 0.25\n", "b.toml")
    settings = load_settings("filler", [first, second], {"surface.batten_mm": 300})
    assert settings.tolerance.height_mm == 0.25
    assert settings.tolerance.slope_mrad == 1.5
    assert settings.surface.batten_mm == 300.0
    assert settings.plan == load_settings("filler").plan
    said = load_settings("filler", [first, second], {"tolerance.height_mm": 0.4})
    assert said.tolerance.height_mm == 0.4


def test_stage_default_config_and_command_line(tmp_path: Path) -> None:
    primer = write(tmp_path, 'stage = "primer"\n')
    assert load_settings().stage == "metal"
    assert load_settings(None, [primer]).tolerance == load_settings("primer").tolerance
    assert load_settings("paint", [primer]) == load_settings("paint")


def test_a_copied_stage_file_changes_nothing() -> None:
    for stage in STAGES:
        assert load_settings(None, [stage_config_path(stage)]) == load_settings(stage)


def test_resolved_is_json_and_complete() -> None:
    settings = load_settings(overrides={"known_length": [0, 0, 0, 1, 0, 0, 500]})
    plain = json.loads(json.dumps(resolved(settings), allow_nan=False))
    assert Settings.model_validate(plain) == settings
    assert plain["known_length"] == {"first": [0, 0, 0], "second": [1, 0, 0], "length_mm": 500}


def test_known_length_as_text_and_as_list() -> None:
    text = load_settings(overrides={"known_length": "0,0,0,-1.5,0,0,500"}).known_length
    listed = load_settings(overrides={"known_length": [0, 0, 0, -1.5, 0, 0, 500]}).known_length
    assert text is not None
    assert text == listed
    assert text.second == (-1.5, 0.0, 0.0)


def test_edges_by_name() -> None:
    edges = load_settings(overrides={"edges.by_name.B": "free"}).edges
    assert isinstance(edges, EdgeSettings)
    assert (edges.hold_of("A"), edges.hold_of("B")) == ("position+slope", "free")


def test_settings_do_not_change() -> None:
    settings = load_settings()
    with pytest.raises(ValueError, match="frozen"):
        settings.tolerance.height_mm = 3.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("tolerance.height_mm", -0.3, "tolerance.height_mm = -0.3: must be greater than or equal"),
        ("tolerance.height_mm", 300.0, "less than or equal to 20"),
        ("tolerance.height_mm", "0.3 mm", "tolerance.height_mm = '0.3 mm': must be a valid number"),
        ("tolerance.height_mm", True, "must be a valid number"),
        ("tolerance.height_mm", float("nan"), "must be a finite number"),
        ("tolerance.heigth_mm", 0.3, 'no such setting: did you mean "height_mm"'),
        ("tolerance.height_um", 300.0, "tolerance.height_um = 300.0: there is no such setting"),
        ("tolerance", 0.3, "tolerance = 0.3: must be a group of settings"),
        ("tolerence.height_mm", 0.3, 'did you mean "tolerance"'),
        ("surface.batten_mm", 9.0, "'auto' or greater than or equal to 10"),
        ("surface.batten_mm", "long", "must be 'auto' or a valid number"),
        ("surface.longest_batten_mm", 100.0, "100 is below shortest_batten_mm = 200"),
        ("surface.order", 4, "must be 2 or 3"),
        ("surface.order", 3.5, "must be 2 or 3"),
        ("edges.hold", "fixed", "'position', 'position\\+slope' or 'free'"),
        ("edges.by_name.C", "fixed", "edges.by_name.C = 'fixed'"),
        ("edges.hold_points_file", "nowhere.csv", "no such file"),
        ("creases.mode", "file", "name one in creases.file"),
        ("cells.error_share_of_tolerance", 1.5, "less than or equal to 1"),
        ("plan.filler_caution_mm", 5.0, "must not fall from left to right"),
        ("plan.hardener_share", 2.0, "less than or equal to 0.03"),
        ("plan.boards_mm", [], "at least 1 item"),
        ("plan.grits_metal", ["coarse"], "must be a valid integer"),
        ("units", "ft", "units = 'ft': must be 'auto', 'mm', 'cm', 'm' or 'in'"),
        ("outside", "up", "outside = 'up': must be"),
        ("known_length.frist", [0.0, 0.0, 0.0], "there is no such setting"),
        ("known_length", [0, 0, 0, 1], "needs 7 numbers, X1,Y1,Z1,X2,Y2,Z2,MM, and has 4"),
        ("known_length", "0,0,0,1,0,0,ten", "parted by commas"),
        ("known_length", [1, 0, 0, 1, 0, 0, 10], "its two points are the same"),
    ],
)
def test_faults_name_key_value_and_limit(key: str, value: object, message: str) -> None:
    with pytest.raises(SettingsError, match=message) as caught:
        load_settings(overrides={key: value})
    assert "the command line: " in str(caught.value)
    assert caught.value.exit_code == 2


def test_faults_name_their_file_and_come_all_at_once(tmp_path: Path) -> None:
    path = write(tmp_path, "[tolerance]\nheight_mm = -1\n[edges]\nheld = true\n", "mine.toml")
    with pytest.raises(SettingsError) as caught:
        load_settings(configs=[path])
    lines = str(caught.value).splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("mine.toml: tolerance.height_mm = -1: ")
    assert lines[1].startswith("mine.toml: edges.held = True: there is no such setting")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"tolerance = = 3", "not a TOML file"),
        (b"\xff\xfe\x00", "not UTF-8 text"),
    ],
)
def test_unreadable_files(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "broken.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsError, match=message):
        load_settings(configs=[path])


def test_missing_file_and_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(SettingsError, match="cannot be read"):
            load_settings(configs=[path])


def test_byte_order_mark_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "notepad.toml"
    path.write_bytes(b"\xef\xbb\xbf[tolerance]\r\nheight_mm = 0.2\r\n")
    assert load_settings(configs=[path]).tolerance.height_mm == 0.2


@pytest.mark.parametrize("wrong", ['"clay"', "3", "[]"])
def test_unknown_stage_in_a_file(tmp_path: Path, wrong: str) -> None:
    with pytest.raises(SettingsError, match="is not a stage: use one of metal"):
        load_settings(configs=[write(tmp_path, f"stage = {wrong}\n")])


def test_unknown_stage() -> None:
    with pytest.raises(SettingsError, match='"clay" is not a stage: use one of metal, filler'):
        load_settings("clay")


def test_files_in_a_config_are_beside_it(
    tmp_path: Path, shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    points = write(tmp_path, "x,y,z\n", "hold.csv")
    path = write(tmp_path, '[edges]\nhold_points_file = "hold.csv"\n')
    assert load_settings(configs=[path]).edges.hold_points_file == points
    with pytest.raises(SettingsError, match=r"creases\.file = 'none\.csv': there is no such file"):
        load_settings(
            configs=[path], overrides={"creases.mode": "file", "creases.file": Path("none.csv")}
        )


def test_an_edge_that_is_not_there_is_named_with_those_that_are(tmp_path: Path) -> None:
    path = write(tmp_path, '[edges]\nby_name = { B = "free", Q = "free" }\n')
    settings = load_settings(configs=[path])
    with pytest.raises(
        SettingsError, match=r'edges\.by_name: Q = "free": .* no edge Q, its edges are A, B, C'
    ) as refused:
        require_edges(["C", "A", "B"], settings)
    assert refused.value.exit_code == 2
    require_edges(["A", "B", "Q"], settings)
    require_edges([], load_settings())
    with pytest.raises(SettingsError, match="it has none"):
        require_edges([], settings)
