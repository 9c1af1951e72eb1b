"""How the house is built: what may import what. Read from the source, so that no rule rests on memory."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# A room of core imports from rooms of a lower rank only; two rooms of the same rank know nothing of each other.
RANK = {
    "colour": 0,
    "errors": 0,
    "units": 0,
    "geometry": 1,
    "scan": 2,
    "sections": 3,
    "elements": 4,
    "assembly": 5,
    "clearance": 6,
    "lift": 6,
    "sight": 6,
    "flow": 6,
    "report": 7,
}
CORE = sorted((ROOT / "core").rglob("*.py"))
ADDON = sorted((ROOT / "addon").rglob("*.py"))


def imported(path: Path) -> Iterator[tuple[int, tuple[str, ...]]]:
    """(dots, dotted name parts) of every import in a file, also those inside functions."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), str(path))):
        if isinstance(node, ast.Import):
            yield from ((0, tuple(alias.name.split("."))) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            stem = tuple(node.module.split(".")) if node.module else ()
            yield from ((node.level, (*stem, alias.name)) for alias in node.names)


def inside(path: Path, dots: int, parts: tuple[str, ...]) -> tuple[str, ...]:
    """A relative import as a path from the checkout: ("core", "geometry", "mesh", ...)."""
    here = path.relative_to(ROOT).parts[:-1]
    assert dots <= len(here) + 1, f"{path} imports from beyond the package"
    return (*here[: len(here) - dots + 1], *parts)


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def test_every_room_of_core_is_a_package_with_its_place_in_the_order() -> None:
    assert {path.relative_to(ROOT / "core").parts[0].removesuffix(".py") for path in CORE} - {"__init__"} <= set(RANK)
    assert len(CORE) > 10
    assert {path.parent for path in CORE} == {path.parent for path in CORE if path.name == "__init__.py"}


@pytest.mark.parametrize("path", CORE, ids=named)
def test_core_imports_only_numpy_the_standard_library_and_earlier_rooms(path: Path) -> None:
    room = path.relative_to(ROOT / "core").parts[0].removesuffix(".py")
    for dots, parts in imported(path):
        if dots == 0:
            assert parts[0] == "numpy" or parts[0] in sys.stdlib_module_names, f"imports {parts[0]}"
            continue
        target = inside(path, dots, parts)
        assert target[0] == "core", f"imports {'.'.join(target)} from outside core"
        if room != "__init__":
            assert target[1] == room or RANK[target[1]] < RANK[room], f"{room} imports the later room {target[1]}"


@pytest.mark.parametrize("path", ADDON, ids=named)
def test_addon_reaches_the_shipped_package_by_relative_imports_only(path: Path) -> None:
    for dots, parts in imported(path):
        if dots:
            target = inside(path, dots, parts)
            assert target[0] in ("addon", "core"), f"imports {'.'.join(target)}, which does not ship"
        else:
            assert parts[0] not in ("wingfettle", "core", "addon", "bl_ext"), f"imports {parts[0]} by an absolute name"


@pytest.mark.parametrize("path", [path for path in ADDON if path.name != "bridge.py"], ids=named)
def test_only_the_bridge_handles_arrays(path: Path) -> None:
    assert "numpy" not in {parts[0] for dots, parts in imported(path) if not dots}


def test_every_core_module_imports_where_only_numpy_is_installed() -> None:
    script = """
import importlib, pkgutil, sys
import numpy

class OnlyNumpy:
    def find_spec(self, name, path=None, target=None):
        top = name.partition(".")[0]
        if top not in ("numpy", "wingfettle") and top not in sys.stdlib_module_names:
            raise ModuleNotFoundError(f"{name} is not to be had here", name=name)

sys.meta_path.insert(0, OnlyNumpy())
import wingfettle.core as core
names = [module.name for module in pkgutil.walk_packages(core.__path__, "wingfettle.core.")]
for name in names:
    importlib.import_module(name)
try:
    import scipy
except ModuleNotFoundError:
    print(len(names))
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) == len(CORE) - 1


def test_nothing_is_imported_by_two_names() -> None:
    """The tests reach core as wingfettle.core; `import core` would make second copies of its classes."""
    for path in [*ROOT.glob("tests/**/*.py"), *ROOT.glob("blend_samples/**/*.py")]:
        for dots, parts in imported(path):
            assert dots or parts[0] not in ("core", "addon"), f"{named(path)} imports {parts[0]} by its folder's name"
