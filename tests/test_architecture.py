"""Imports point one way, and heavy libraries stay where they belong."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import guidecoat

PACKAGE = Path(guidecoat.__file__).parent

# The packages and single modules of the package, from the ground up: each may import what stands on
# lines above its own, and of its own line only itself.
ORDER = """
    errors chunks clock cautions rules setting_groups
    open3d_loader output_folder settings
    formats
    scans
    numerics synthetic
    registration
    unrolling
    lines
    outline
    panel
    surface
    measuring
    findings
    doubts
    workplan
    check
    preview survey compare
    wording
    pictures
    report
    export
    samples batch
    cli
    __main__
"""
LINE_OF = {
    name: number for number, line in enumerate(ORDER.strip().splitlines()) for name in line.split()
}

# Library: the only modules (first name below the package) that may import it.
PLACES = {
    "open3d": {"open3d_loader"},
    "libusb_package": {"open3d_loader"},
    "trimesh": {"scans", "pictures", "registration"},
    "matplotlib": {"pictures"},
    "typer": {"cli"},
    "pydantic": {"settings", "setting_groups"},
}
HEAVY = ("matplotlib", "numpy", "open3d", "pydantic", "scipy", "trimesh")


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def imported_names(name: str) -> Iterator[str]:
    """Absolute dotted names a module imports, wherever in it the import stands."""
    path = MODULES[name]
    package = ["guidecoat", *name.split(".")] if name else ["guidecoat"]
    if path.name != "__init__.py":
        package = package[:-1]
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            origin = ".".join([*base, *([node.module] if node.module else [])])
            yield from (f"{origin}.{alias.name}" for alias in node.names)


def own_imports(name: str) -> set[str]:
    """Modules of the package that a module imports."""
    found = set()
    for target in imported_names(name):
        parts = target.split(".")
        if parts[0] != "guidecoat":
            continue
        for length in (len(parts), len(parts) - 1):
            inner = ".".join(parts[1:length])
            if inner in MODULES:
                found.add(inner)
                break
    return found - {name}


def home(name: str) -> str:
    """The package a module stands in, or the module itself where it stands in none."""
    return name.split(".")[0]


GRAPH = {name: own_imports(name) for name in MODULES}


def test_the_parser_sees_imports() -> None:
    assert "errors" in GRAPH["settings"]
    assert {"output_folder", "cli.options", "samples", "survey"} <= GRAPH["cli"]
    assert {"check", "export"} <= GRAPH["cli.like"] | GRAPH["cli"]


def test_no_cycle() -> None:
    try:
        TopologicalSorter(GRAPH).prepare()
    except CycleError as error:
        pytest.fail(f"imports go round: {' <- '.join(error.args[1])}")


def test_every_package_has_its_line() -> None:
    assert {home(name) for name in MODULES if name} == set(LINE_OF)


def test_imports_point_to_lines_above() -> None:
    upward = [
        f"{name} imports {target}"
        for name, targets in GRAPH.items()
        if name
        for target in targets
        if target and home(target) != home(name) and LINE_OF[home(target)] >= LINE_OF[home(name)]
    ]
    assert not upward


# Figures of one name and value in several modules that are nevertheless not one figure.
ALIKE_BY_CHANCE = {"_FINE_MM", "_MOSTLY", "_ROLL_MM"}


def test_no_figure_is_kept_twice() -> None:
    homes: dict[tuple[str, float], list[str]] = {}
    for name, path in MODULES.items():
        for node in ast.parse(path.read_text("utf-8")).body:
            match node:
                case ast.Assign([ast.Name(figure)], ast.Constant(int() | float() as value)):
                    homes.setdefault((figure, value), []).append(name)
    assert homes[("BEHIND_MM", 8.0)] == ["outline.openings"]
    twice = {figure: found for (figure, _), found in homes.items() if len(found) > 1}
    assert set(twice) <= ALIKE_BY_CHANCE, twice


def names_set_in(function: ast.FunctionDef) -> set[str]:
    """Parameters and local names of a function."""
    return {
        node.arg if isinstance(node, ast.arg) else node.id
        for node in ast.walk(function)
        if isinstance(node, ast.arg)
        or (isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store))
    }


def test_no_local_name_hides_what_its_module_imports_or_defines() -> None:
    hidden = []
    for name, path in MODULES.items():
        tree = ast.parse(path.read_text("utf-8"))
        known = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Import | ast.ImportFrom):
                known |= {alias.asname or alias.name.split(".")[0] for alias in node.names}
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                hidden += [f"{name}.{node.name}: {n}" for n in sorted(known & names_set_in(node))]
    assert not hidden


def test_numerics_know_nothing_of_panels_files_or_settings() -> None:
    for name, targets in GRAPH.items():
        if home(name) == "numerics":
            assert {home(target) for target in targets} <= {"numerics"}, name


@pytest.mark.parametrize("library", PLACES)
def test_library_stays_in_its_place(library: str) -> None:
    users = {
        home(name)
        for name in MODULES
        if any(target.split(".")[0] == library for target in imported_names(name))
    }
    assert users <= PLACES[library]


def test_command_line_starts_light() -> None:
    code = "import sys, guidecoat.cli; print(*{m.split('.')[0] for m in sys.modules})"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not set(run.stdout.split()) & set(HEAVY)


def test_a_shop_s_history_is_told_without_loading_what_a_check_needs() -> None:
    code = "import sys, guidecoat.batch.history; print(*sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not set(run.stdout.split()) & {"scipy", "guidecoat.check"}


# Stages, of which the layout names every module.
STAGES = (
    "formats scans numerics unrolling lines outline panel surface measuring findings doubts preview"
)


def test_the_layout_names_what_there_is() -> None:
    told = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text("utf-8").split("## Layout")[1]
    rows = [line for line in told.splitlines() if line.startswith("| ")]
    named = {name.rstrip("/") for row in rows for name in re.findall(r"`([a-z0-9_]+/?)`", row)}
    modules = {name.split(".")[-1] for name in MODULES if home(name) in STAGES.split()}
    assert ({home(name) for name in MODULES if name} | modules) - named == {"__main__"}
    assert named <= {part for name in MODULES for part in name.split(".")}


def test_modules_stay_small() -> None:
    long = {
        name: lines
        for name, path in MODULES.items()
        if (lines := len(path.read_text("utf-8").splitlines())) > 400
    }
    assert not long
