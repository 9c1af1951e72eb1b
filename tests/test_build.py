"""build.py: which Blender and Python it takes, what it says, what the extension holds."""

from __future__ import annotations

import argparse
import ast
import hashlib
import importlib.metadata
import json
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest

import build

HERE = sys.version_info[:2]


@pytest.mark.parametrize(
    ("named", "python", "blender"),
    [
        (None, (3, 11), "4.5"),
        (None, (3, 13), "5.2"),
        (None, (3, 12), None),
        ("4.2", (3, 11), "4.2"),
        ("5.2", (3, 11), "5.2"),
    ],
)
def test_blender_fits_the_python(named: str | None, python: tuple[int, int], blender: str | None) -> None:
    assert build.choose_blender(named, python) == blender


def test_the_pythons_are_those_that_the_bpy_wheel_asks_for() -> None:
    """Source: the wheel's own metadata, Requires-Python."""
    bpy = importlib.metadata.metadata("bpy")
    blender = ".".join(bpy["Version"].split(".")[:2])
    assert bpy["Requires-Python"] == f"=={build.dotted(build.PYTHON_OF[blender])}.*"


def test_a_python_that_lies_about_its_version_is_not_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def offer(version: tuple[int, int]) -> list[list[str]]:
        return [[str(tmp_path / "not-there")], [sys.executable]]

    monkeypatch.setattr(build, "candidates", offer)
    assert build.find_python(HERE) == [sys.executable]
    assert build.find_python((2, 7)) is None


def test_no_fitting_python_is_one_sentence(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(build, "find_python", lambda version: None)
    monkeypatch.setattr(build.sys, "version_info", (3, 12, 1, "final", 0))
    assert build.main(["test"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("build.py: no Python 3.11 or 3.13 with venv was found (this is Python 3.12.1): install it")
    assert err.count("\n") == 1


def test_another_python_hands_over(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    started: list[list[str]] = []
    monkeypatch.setattr(build, "find_python", lambda version: ["python" + build.dotted(version)])
    monkeypatch.setattr(build, "run", lambda command: started.append([str(part) for part in command]) or 7)
    monkeypatch.setattr(build.sys, "version_info", (3, 12, 1, "final", 0))
    assert build.main(["test", "--blender", "5.2", "-x"]) == 7
    assert started == [["python3.13", str(build.ROOT / "build.py"), "test", "--blender", "5.2", "-x"]]
    assert capsys.readouterr().out == "Python 3.12 fits no Blender; going on with python3.13.\n"


def test_build_parses_on_python_3_8() -> None:
    """Old Pythons must get far enough to say which one is wanted."""
    ast.parse((build.ROOT / "build.py").read_text(encoding="utf-8"), feature_version=(3, 8))


def test_stamp_changes_with_what_is_installed() -> None:
    first = build.stamp_text(["a==1", "b==2"], (3, 11))
    assert first == build.stamp_text(["b==2", "a==1"], (3, 11))
    assert first != build.stamp_text(["a==1", "b==3"], (3, 11))
    assert first != build.stamp_text(["a==1", "b==2"], (3, 13))


def test_half_made_environment_is_made_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[Path] = []

    def make(folder: Path, python: tuple[int, int], requirements: list[str]) -> None:
        made.append(folder)
        build.venv_python(folder).parent.mkdir(parents=True, exist_ok=True)
        build.venv_python(folder).touch()

    monkeypatch.setattr(build, "VENVS", tmp_path)
    monkeypatch.setattr(build, "make_venv", make)
    half = build.venv_python(tmp_path / "4.5")
    half.parent.mkdir(parents=True)
    half.touch()
    assert build.ensure_venv("4.5") == half
    assert build.ensure_venv("4.5") == half
    assert made == [tmp_path / "4.5"]
    (tmp_path / "4.5" / "stamp").write_text("of other pins")
    build.ensure_venv("4.5")
    assert len(made) == 2


def test_all_requirements_are_exact_pins_and_included_groups_are_followed() -> None:
    for group in ["check", *("blender-" + blender for blender in build.PYTHON_OF)]:
        found = build.pins(group)
        assert all(re.fullmatch(r"[\w.-]+==[\w.]+", pin) for pin in found), found
        assert len({pin.split("==")[0] for pin in found}) == len(found)
    assert any(pin.startswith("pytest==") for pin in build.pins("blender-4.5"))


def test_every_installed_package_is_pinned() -> None:
    """Nothing came along that pyproject.toml does not name; pip and its company come with venv itself."""

    def plain(name: str) -> str:
        return re.sub(r"[-_.]+", "-", name).lower()

    blender = ".".join(importlib.metadata.version("bpy").split(".")[:2])
    pinned = {plain(pin.split("==")[0]): pin.split("==")[1] for pin in build.pins("blender-" + blender)}
    installed = {plain(found.metadata["Name"]): found.version for found in importlib.metadata.distributions()}
    for name in ("pip", "setuptools"):
        installed.pop(name, None)
    assert installed == pinned


def test_package_is_the_checkout() -> None:
    import wingfettle.core

    assert Path(wingfettle.core.__file__).parent.samefile(build.ROOT / "core")


# The loader's words, as glibc's dlopen gives them to Python's import.
LOADER = "ImportError: libXi.so.6: cannot open shared object file: No such file or directory"


def test_loader_message_becomes_one_sentence() -> None:
    assert build.library_in_message("Traceback (most recent call last):\n" + LOADER) == "libXi.so.6"
    assert build.library_in_message("ImportError: No module named bpy") is None
    assert build.missing_sentence(["libXi.so.6", "libSM.so.6"]) == (
        "Blender needs libXi.so.6, libSM.so.6, which this machine lacks; "
        "on Debian or Ubuntu run: sudo apt-get install -y libxi6 libsm6"
    )


def test_library_unknown_to_the_list_gets_the_whole_line() -> None:
    assert build.missing_sentence(["libfoo.so.1"]).endswith(build.APT_LINE)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the list is for Linux")
def test_missing_library_is_found_by_the_loader_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "SYSTEM_LIBRARIES", {"libc.so.6": "libc6", "libnowhere.so.9": "libnowhere9"})
    assert build.missing_libraries() == ["libnowhere.so.9"]


@pytest.mark.skipif(shutil.which("objdump") is None, reason="needs objdump (binutils)")
def test_list_covers_what_bpy_is_linked_against() -> None:
    """Source: the NEEDED entries of bpy's own file, less what the wheel brings and the C/C++ runtime."""
    blender = ".".join(importlib.metadata.version("bpy").split(".")[:2])
    module = build.site_packages(Path(sys.prefix), HERE) / "bpy" / "__init__.so"
    assert module.exists(), f"Blender {blender} has no {module}"
    needed = subprocess.run(["objdump", "-p", str(module)], capture_output=True, text=True).stdout
    names = set(re.findall(r"NEEDED\s+(\S+)", needed))
    assert "libX11.so.6" in names
    bundled = {path.name for path in (module.parent / "lib").iterdir()}
    runtime = {"libc.so.6", "libm.so.6", "libdl.so.2", "libpthread.so.0", "librt.so.1", "libutil.so.1"}
    runtime |= {"libgcc_s.so.1", "libstdc++.so.6", "ld-linux-x86-64.so.2", "libz.so.1"}
    assert names - bundled - runtime <= set(build.SYSTEM_LIBRARIES)


def test_pytest_arguments_go_to_the_process_they_belong_to(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(build.ROOT)
    core, addon, options = build.split_tests(["-k", "core", "-x"])
    assert "tests/core" in core
    assert "tests/test_build.py" in core
    assert addon == ["tests/addon"]
    assert options == ["-k", "core", "-x"]
    one = "tests/test_build.py::test_zip"
    assert build.split_tests([one, "-v"]) == ([one], [], ["-v"])
    assert build.split_tests(["tests/addon"]) == ([], ["tests/addon"], [])
    assert build.split_tests(["tests"]) == build.split_tests([])


def run_tests(monkeypatch: pytest.MonkeyPatch, codes: dict[str, int], *given: str) -> int:
    """The exit code of `test` when pytest ends with these codes ("core" and one for each Blender)."""

    def fake_run(command: list[str], **_: Any) -> int:
        return codes["core" if "'bpy'" in command[2] else str(command[0])]

    monkeypatch.setattr(build, "ensure_venv", lambda name: name)
    monkeypatch.setattr(build, "ensure_blender", lambda name: name)
    monkeypatch.setattr(build, "find_python", lambda version: ["python"])
    monkeypatch.setattr(build, "run", fake_run)
    monkeypatch.setattr(build.sys, "version_info", (3, 11, 7, "final", 0))
    return build.main(["test", *given])


@pytest.mark.parametrize(
    ("codes", "given", "expected"),
    [
        ({"core": 0, "4.5": 0, "5.2": 0}, [], 0),
        ({"core": 1, "4.5": 0, "5.2": 0}, [], 1),
        ({"core": 0, "4.5": 0, "5.2": 139}, [], 139),
        ({"core": 0, "4.5": 5, "5.2": 5}, [], 5),
        ({"core": 0, "4.5": 5, "5.2": 5}, ["-k", "chord"], 0),
        ({"core": 5, "4.5": 5, "5.2": 5}, ["-k", "nothing"], 5),
        ({"core": 0, "4.5": 0}, ["--blender", "4.5"], 0),
    ],
)
def test_exit_code_is_the_worst(
    monkeypatch: pytest.MonkeyPatch, codes: dict[str, int], given: list[str], expected: int
) -> None:
    assert run_tests(monkeypatch, codes, *given) == expected


def test_pytest_code_survives_a_crash_at_exit(tmp_path: Path) -> None:
    """A test file that kills the interpreter at its shutdown, as bpy sometimes does."""
    crash = "import atexit, os\natexit.register(os.abort)\n\ndef test_it():\n    assert {}\n"
    script = build.RUN_PYTEST.format(blocked=build.BLENDER_MODULES)
    for verdict, code in (("True", 0), ("False", 1)):
        (tmp_path / "test_crash.py").write_text(crash.format(verdict))
        command = [sys.executable, "-c", script, "-q", "-p", "no:cacheprovider", str(tmp_path)]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == code
        assert "1 passed" in done.stdout if code == 0 else "1 failed" in done.stdout


def test_bpy_is_blocked_for_core_tests() -> None:
    script = build.RUN_PYTEST.format(blocked=build.BLENDER_MODULES).split("import pytest")[0] + "import bpy"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode != 0
    assert "ModuleNotFoundError" in done.stderr


def zip_once(tmp_path: Path, name: str) -> Path:
    target = tmp_path / name
    build.write_zip(target)
    return target


def test_zip_is_reproducible_and_complete(tmp_path: Path) -> None:
    first, second = zip_once(tmp_path, "a.zip"), zip_once(tmp_path, "b.zip")
    assert hashlib.sha256(first.read_bytes()).digest() == hashlib.sha256(second.read_bytes()).digest()
    names = zipfile.ZipFile(first).namelist()
    assert {"blender_manifest.toml", "__init__.py", "LICENSE", "README.md", "core/__init__.py"} <= set(names)
    assert not [name for name in names if "__pycache__" in name or name.startswith("tests") or name.endswith(".pyc")]
    manifest = tomllib.loads(zipfile.ZipFile(first).read("blender_manifest.toml").decode())
    assert manifest["version"] == build.version()


def test_zip_is_accepted_by_blenders_validator_and_a_broken_one_is_not(tmp_path: Path) -> None:
    """Source: blender_ext.py of the bpy wheel, which is `blender --command extension validate`."""
    blender = ".".join(importlib.metadata.version("bpy").split(".")[:2])
    inside = build.validator(blender).relative_to(build.site_packages(build.VENVS / blender, build.PYTHON_OF[blender]))
    checker = build.site_packages(Path(sys.prefix), HERE) / inside

    def verdict(target: Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, checker, "validate", target], capture_output=True, text=True)

    good = zip_once(tmp_path, "good.zip")
    assert verdict(good).returncode == 0, verdict(good).stdout
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(good) as source, zipfile.ZipFile(bad, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            if name == "blender_manifest.toml":
                data = data.replace(b'id = "wingfettle"', b'id = "wing fettle"')
            target.writestr(name, data)
    assert verdict(bad).returncode != 0


def bench_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: str) -> None:
    folder = tmp_path / "tests" / "bench"
    folder.mkdir(parents=True)
    (folder / "made_up_bench.py").write_text(source)
    monkeypatch.setattr(build, "ROOT", tmp_path)
    monkeypatch.setattr(build, "VENVS", Path(sys.prefix).parent)
    monkeypatch.setattr(build, "current_blender", lambda arguments: Path(sys.prefix).name)
    monkeypatch.setattr(build.sys, "path", list(sys.path))
    monkeypatch.delitem(sys.modules, "made_up_bench", raising=False)


ROW = "dict(name='n', size=size, seconds=0.5, peer='p', peer_seconds=1.0, ratio=0.5)"


def test_bench_writes_its_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench_folder(tmp_path, monkeypatch, f"def rows(size):\n    return [{ROW}]\n")
    target = tmp_path / "deep" / "bench.json"
    arguments = argparse.Namespace(names=[], size="fast", json=str(target), blender=None)
    assert build.bench(arguments) == 0
    row = {"name": "n", "size": "fast", "seconds": 0.5, "peer": "p", "peer_seconds": 1.0, "ratio": 0.5}
    assert json.loads(target.read_text()) == [row]
    with pytest.raises(build.Stop, match="there is no bench named other; there are: made_up_bench"):
        build.measure(["other"], "fast")


def test_bench_row_without_a_peer_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench_folder(tmp_path, monkeypatch, f"def rows(size):\n    row = {ROW}\n    del row['peer']\n    return [row]\n")
    with pytest.raises(build.Stop, match="gives a row with the keys"):
        build.measure([], "fast")
