"""The project is laid out as DEVELOPERS.md says: imports point down, packages are listed, tests mirror."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

from logbook.cli.program import COMMANDS

PROJECT = Path(__file__).parents[1]
PYPROJECT = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))
PACKAGED_FOLDERS = {"logbook.migrations": "migrations", "logbook.sample_data": "sample_data"}
NOT_CODE = ("assets", "__pycache__")
TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"),
    *("logbook", "migrations", "sample_data", "tests"),
}
MODULES = sorted(path for path in (PROJECT / "logbook").rglob("*.py") if "__pycache__" not in path.parts)
TESTS = sorted((PROJECT / "tests").rglob("test_*.py"))
TESTS_OF_THE_WHOLE = {"test_architecture", "test_readme", "test_start", "test_wheel"}
TESTS_ACROSS_A_ROOM = {
    "test_browser",
    "test_faults",
    "test_fixtures",
    "test_fuzz",
    "test_hostile_files",
    "test_kills",
    "test_private",
    "test_round_trip",
    "test_stories",
    "test_together",
}
"""They need the whole room: stories in a real browser, every kind of export through the door, programs killed or at once."""
FOLDERS_BESIDE_THE_ROOMS = {
    "bench",
    "browser",
    "contract",
    "migrations",
    "physics",
    "sample_data",
    "shared",
    "simulator",
}


def committed(*patterns: str) -> list[str]:
    listed = subprocess.run(["git", "ls-files", *patterns], cwd=PROJECT, capture_output=True, text=True, check=True)
    return listed.stdout.splitlines()


def test_imports_point_down_the_layers():
    lint = Path(sys.executable).with_name("lint-imports")

    found = subprocess.run([lint, "--no-cache"], cwd=PROJECT, capture_output=True, text=True, check=False)

    assert found.returncode == 0, found.stdout


def test_every_package_is_listed_so_that_the_wheel_holds_it():
    folders = {path.parent for path in (PROJECT / "logbook").rglob("*.py")}
    packages = {".".join(folder.relative_to(PROJECT).parts) for folder in folders}
    outside = set(PACKAGED_FOLDERS)
    if any((PROJECT / "migrations" / "versions").glob("*.py")):
        outside.add("logbook.migrations.versions")

    assert sorted(PYPROJECT["tool"]["setuptools"]["packages"]) == sorted(packages | outside)


def test_every_listed_package_has_an_init_module():
    for package in PYPROJECT["tool"]["setuptools"]["packages"]:
        root = next((name for name in PACKAGED_FOLDERS if package.startswith(name)), None)
        folder = package if root is None else package.replace(root, PACKAGED_FOLDERS[root])

        assert (PROJECT / folder.replace(".", "/") / "__init__.py").is_file(), f"{package} lacks __init__.py"


def test_the_top_level_holds_the_agreed_names_and_dot_files_only():
    """In a checkout what is committed counts; an unpacked archive holds nothing else."""
    names = (
        {path.split("/")[0] for path in committed()}
        if (PROJECT / ".git").exists()
        else {path.name for path in PROJECT.iterdir()}
    )

    assert {name for name in names if not name.startswith(".")} <= TOP_LEVEL


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PROJECT)))
def test_every_module_says_in_a_docstring_what_it_is(module: Path):
    docstring = ast.get_docstring(ast.parse(module.read_text("utf-8")))

    assert docstring, f"{module} has no docstring"


@pytest.mark.parametrize("test", TESTS, ids=lambda path: str(path.relative_to(PROJECT)))
def test_every_test_module_mirrors_a_module(test: Path):
    """tests/analysis/test_fade.py, or test_fade_trend.py, is of logbook/analysis/fade.py or one below that room."""
    place = test.relative_to(PROJECT / "tests")
    if place.parts[0] in FOLDERS_BESIDE_THE_ROOMS or place.stem in TESTS_OF_THE_WHOLE | TESTS_ACROSS_A_ROOM:
        return
    name = place.stem.removeprefix("test_")
    room = PROJECT / "logbook" / place.parent
    nouns = {
        module.parent.name if module.stem == "__init__" else module.stem for module in MODULES if room in module.parents
    }

    assert any(name == noun or name.startswith(f"{noun}_") for noun in nouns), f"{place} is of no module in {room}"


def test_every_library_that_is_imported_is_declared():
    """What happens to be installed here may not be there on a fresh machine."""
    names = {name.lower().replace("_", "-") for name in map(declared_name, PYPROJECT["project"]["dependencies"])}
    providers = packages_distributions()

    for module in MODULES:
        for name in imported(module) - {"logbook", *sys.stdlib_module_names}:
            provided = {provider.lower().replace("_", "-") for provider in providers.get(name, [name])}
            assert provided & names, (
                f"{module.relative_to(PROJECT)} imports {name}, which pyproject.toml does not declare"
            )


def declared_name(requirement: str) -> str:
    return re.split(r"[\[<>=~! ;]", requirement, maxsplit=1)[0]


def imported(module: Path) -> set[str]:
    nodes = list(ast.walk(ast.parse(module.read_text("utf-8"))))
    plain = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    from_ = {node.module or "" for node in nodes if isinstance(node, ast.ImportFrom) and node.level == 0}
    return {name.partition(".")[0] for name in plain | from_}


def test_every_command_is_registered_once_and_has_help():
    names = [command.name for command in COMMANDS]

    assert sorted(names) == sorted(set(names))
    assert all(command.help for command in COMMANDS)
