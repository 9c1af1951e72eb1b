"""The one door to Wingfettle's checkout: python build.py demo | test | bench | flow | samples | zip | check | setup.

Standard library only. It makes (once) and reuses virtual environments under .venv/, one for each Blender
and one for the checks, from the pins in pyproject.toml.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import hashlib
import importlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent
VENVS = ROOT / ".venv"
CHECK = "check"

# The Python each Blender is built on; the first Blender of a Python is the one taken when none is named.
PYTHON_OF = {"4.5": (3, 11), "4.2": (3, 11), "5.2": (3, 13)}

# Shared libraries that bpy loads and a machine without a desktop may lack, with the Debian/Ubuntu package of each.
SYSTEM_LIBRARIES = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libICE.so.6": "libice6",
    "libSM.so.6": "libsm6",
    "libX11.so.6": "libx11-6",
    "libXext.so.6": "libxext6",
    "libXfixes.so.3": "libxfixes3",
    "libXi.so.6": "libxi6",
    "libXrender.so.1": "libxrender1",
    "libXxf86vm.so.1": "libxxf86vm1",
    "libgomp.so.1": "libgomp1",
    "libxkbcommon.so.0": "libxkbcommon0",
}
APT_LINE = "sudo apt-get install -y " + " ".join(sorted(SYSTEM_LIBRARIES.values()))

# The package `wingfettle` is the checkout itself, whatever its folder is called: this file, laid into a virtual
# environment, points there. sys.prefix is CHECKOUT/.venv/NAME, so a checkout may also be moved.
PACKAGE_POINTER = "import pathlib, sys\n\n__path__ = [str(pathlib.Path(sys.prefix).resolve().parents[1])]\n"
EXTENSION_INIT = 'from .addon import register, unregister\n\n__all__ = ["register", "unregister"]\n'

# bpy may crash while the interpreter shuts down; leaving at once keeps pytest's own exit code.
RUN_PYTEST = (
    "import os, sys; sys.modules.update(dict.fromkeys({blocked!r})); import pytest; "
    "code = int(pytest.main(sys.argv[1:])); sys.stdout.flush(); sys.stderr.flush(); os._exit(code)"
)
BLENDER_MODULES = ("bpy", "bmesh", "bpy_extras", "gpu", "mathutils")
NO_TESTS = 5  # pytest's exit code for "no tests collected"


class Stop(Exception):
    """Ends the run with one sentence for the person at the keyboard."""


def say(text: str) -> None:
    print(text, flush=True)


def dotted(version: Sequence[int]) -> str:
    return ".".join(map(str, version))


def run(command: Sequence[str | Path], **options: Any) -> int:
    """Run a command from the checkout with its output shown; its exit code (128 + N if signal N ended it)."""
    code = subprocess.call([str(part) for part in command], cwd=str(ROOT), **options)
    return 128 - code if code < 0 else code


# --- which Blender, which Python ------------------------------------------------------------------------------


def choose_blender(named: str | None, python: tuple[int, int]) -> str | None:
    """The Blender to work with: the one named, else the one that fits this Python; None when neither says."""
    if named is not None:
        return named
    return next((blender for blender, fits in PYTHON_OF.items() if fits == python), None)


def candidates(version: tuple[int, int]) -> Iterator[list[str]]:
    """Commands that may start Python `version`, best first."""
    if sys.version_info[:2] == version:
        yield [sys.executable]
    name = "python" + dotted(version)
    for folder in os.environ.get("PATH", "").split(os.pathsep):
        path = shutil.which(name, path=folder) if folder else None
        if path:
            yield [path]
    pyenv = Path(os.environ.get("PYENV_ROOT", str(Path.home() / ".pyenv"))) / "versions"
    for pattern in (dotted(version) + ".*/bin/" + name, dotted(version) + ".*/python.exe"):
        for path_found in sorted(pyenv.glob(pattern), reverse=True):
            yield [str(path_found)]
    yield ["/usr/local/bin/" + name]
    if os.name == "nt":
        yield ["py", "-" + dotted(version)]


def find_python(version: tuple[int, int]) -> list[str] | None:
    """A command that really starts Python `version` and can make virtual environments, or None."""
    probe = f"import sys, venv, ensurepip; sys.exit(sys.version_info[:2] != {version!r})"
    for command in candidates(version):
        with contextlib.suppress(OSError, subprocess.TimeoutExpired):
            if subprocess.run([*command, "-c", probe], capture_output=True, timeout=30).returncode == 0:
                return command
    return None


def need_python(versions: Sequence[tuple[int, int]]) -> list[str]:
    for version in versions:
        command = find_python(version)
        if command:
            return command
    wanted = " or ".join(dotted(version) for version in versions)
    raise Stop(
        f"no Python {wanted} with venv was found (this is Python {dotted(sys.version_info[:3])}): "
        "install it, on Debian or Ubuntu together with its "
        f"python{dotted(versions[0])}-venv package, and run the same command again."
    )


def start_again_if_needed(named: str | None, arguments: Sequence[str]) -> int | None:
    """Run this command under a Python that a Blender is built on, if this one is not; None when it is."""
    here = sys.version_info[:2]
    if here in PYTHON_OF.values():
        return None
    versions = [PYTHON_OF[named]] if named else list(dict.fromkeys(PYTHON_OF.values()))
    command = need_python(versions)
    say("Python {} fits no Blender; going on with {}.".format(dotted(here), " ".join(command)))
    return run([*command, ROOT / "build.py", *arguments])


# --- virtual environments -------------------------------------------------------------------------------------


def pins(group: str) -> list[str]:
    """The requirements of a dependency group in pyproject.toml, groups that it includes among them."""
    import tomllib

    groups = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["dependency-groups"]

    def expand(name: str) -> Iterator[str]:
        for entry in groups[name]:
            if isinstance(entry, str):
                yield entry
            else:
                yield from expand(entry["include-group"])

    return sorted(set(expand(group)))


def stamp_text(requirements: Sequence[str], python: tuple[int, int]) -> str:
    """What a finished virtual environment is marked with; a change of any part asks for a new one."""
    content = json.dumps([sorted(requirements), list(python), PACKAGE_POINTER])
    return hashlib.sha256(content.encode()).hexdigest()


def venv_python(folder: Path) -> Path:
    return folder / "Scripts" / "python.exe" if os.name == "nt" else folder / "bin" / "python"


def site_packages(folder: Path, python: tuple[int, int]) -> Path:
    if os.name == "nt":
        return folder / "Lib" / "site-packages"
    return folder / "lib" / ("python" + dotted(python)) / "site-packages"


def stamp_valid(folder: Path, stamp: str) -> bool:
    mark = folder / "stamp"
    return venv_python(folder).exists() and mark.exists() and mark.read_text(encoding="utf-8") == stamp


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold `path` as a lock between processes; the system frees it even when its holder is killed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    waiting = False
    with path.open("a") as file:
        while True:
            try:
                if sys.platform == "win32":
                    import msvcrt

                    msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
                else:
                    import fcntl

                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError:
                if not waiting:
                    say(f"Another build.py is setting up {path.stem}; waiting for it.")
                waiting = True
                time.sleep(0.5)
        yield


def ensure_venv(name: str) -> Path:
    """The Python of the virtual environment of a Blender (or of the checks), made or remade where needed."""
    python = PYTHON_OF.get(name, (3, 11) if sys.version_info[:2] not in PYTHON_OF.values() else sys.version_info[:2])
    requirements = pins(CHECK if name == CHECK else "blender-" + name)
    stamp = stamp_text(requirements, python)
    folder = VENVS / name
    if stamp_valid(folder, stamp):
        return venv_python(folder)
    with locked(VENVS / (name + ".lock")):
        if not stamp_valid(folder, stamp):
            make_venv(folder, python, requirements)
            (folder / "stamp").write_text(stamp, encoding="utf-8")
    return venv_python(folder)


def make_venv(folder: Path, python: tuple[int, int], requirements: Sequence[str]) -> None:
    start = time.monotonic()
    command = need_python([python])
    size = "" if folder.name == CHECK else "; Blender is a download of some 300 MB"
    say("Making {} with {} (once{}).".format(folder.relative_to(ROOT), " ".join(command), size))
    if run([*command, "-m", "venv", "--clear", folder]):
        raise Stop(f"the virtual environment {folder} could not be made; Python's message is above.")
    pip = ["-m", "pip", "install", "--disable-pip-version-check", "--only-binary", ":all:"]
    if run([venv_python(folder), *pip, *requirements]):
        raise Stop(f"pip could not install the packages for {folder.name}; its message is above.")
    pointer = site_packages(folder, python) / "wingfettle" / "__init__.py"
    pointer.parent.mkdir(exist_ok=True)
    pointer.write_text(PACKAGE_POINTER, encoding="utf-8")
    say(f"{folder.relative_to(ROOT)} is ready after {time.monotonic() - start:.0f} s.")


# --- system libraries -----------------------------------------------------------------------------------------


def missing_libraries() -> list[str]:
    """The shared libraries of SYSTEM_LIBRARIES that this machine's loader cannot open (Linux only)."""
    missing = []
    for name in SYSTEM_LIBRARIES if sys.platform.startswith("linux") else ():
        try:
            ctypes.CDLL(name)
        except OSError:
            missing.append(name)
    return missing


def library_in_message(text: str) -> str | None:
    """The library that a loader message such as an ImportError of bpy calls missing, or None."""
    found = re.search(r"(lib[\w.+-]+\.so[\w.]*): cannot open shared object file", text)
    return found.group(1) if found else None


def missing_sentence(libraries: Sequence[str]) -> str:
    packages = [SYSTEM_LIBRARIES[name] for name in libraries if name in SYSTEM_LIBRARIES]
    line = "sudo apt-get install -y " + " ".join(packages) if packages else APT_LINE
    return "Blender needs {}, which this machine lacks; on Debian or Ubuntu run: {}".format(", ".join(libraries), line)


def ensure_blender(blender: str) -> Path:
    """The Python of a Blender's virtual environment, in which bpy is known to load."""
    missing = missing_libraries()
    if missing:
        raise Stop(missing_sentence(missing))
    python = ensure_venv(blender)
    loaded = VENVS / blender / "loaded"
    if not loaded.exists():
        say(f"Starting Blender {blender} for the first time.")
        leave = "import os, sys, bpy; sys.stdout.flush(); os._exit(0)"
        trial = subprocess.run([str(python), "-c", leave], capture_output=True, text=True)
        if trial.returncode:
            library = library_in_message(trial.stderr)
            if library:
                raise Stop(missing_sentence([library]))
            last = (trial.stderr.strip().splitlines() or [f"exit code {trial.returncode}"])[-1]
            raise Stop(f"bpy for Blender {blender} does not start here: {last}")
        loaded.touch()
    return python


def current_blender(arguments: argparse.Namespace) -> str:
    blender = choose_blender(arguments.blender, sys.version_info[:2])
    assert blender is not None  # start_again_if_needed has seen to it
    return blender


# --- sub-commands ---------------------------------------------------------------------------------------------


def setup(arguments: argparse.Namespace) -> int:
    blender = current_blender(arguments)
    say(f"Blender {blender} is ready: {ensure_blender(blender)}")
    return 0


def demo(arguments: argparse.Namespace) -> int:
    python = ensure_blender(current_blender(arguments))
    options = ["--out", arguments.out, "--size", arguments.size, "--seed", str(arguments.seed)]
    return run([python, "-m", "blend_samples.demo", *options])


def samples(arguments: argparse.Namespace) -> int:
    python = ensure_blender(current_blender(arguments))
    options = ["--out", arguments.out, "--size", arguments.size, "--seed", str(arguments.seed)]
    code = run([python, "-m", "blend_samples.generate", *options])
    return code or (run([python, "-m", "blend_samples.scene"]) if arguments.blend else 0)


def split_tests(given: Sequence[str]) -> tuple[list[str], list[str], list[str]]:
    """Pytest arguments sorted into core test paths, add-on test paths and options; all tests when no path is named."""
    tests = ROOT / "tests"
    core: list[str] = []
    addon: list[str] = []
    options: list[str] = []
    for argument in given:
        path = (Path.cwd() / argument.split("::")[0]).resolve()
        if argument.startswith("-") or not path.exists() or tests not in (path, *path.parents):
            options.append(argument)
        elif path == tests:
            return split_tests([other for other in given if other != argument])
        else:
            kind = addon if tests / "addon" in (path, *path.parents) else core
            kind.append(os.path.relpath(path, ROOT) + argument[len(argument.split("::")[0]) :])
    if not core and not addon:
        core = ["tests/core", *sorted("tests/" + path.name for path in tests.glob("test_*.py"))]
        addon = ["tests/addon"]
    return core, addon, options


def test(arguments: argparse.Namespace) -> int:
    """Core tests where bpy cannot be imported, then add-on tests in each real Blender at hand."""
    given = arguments.pytest_arguments
    core, addon, options = split_tests(given)
    blender = current_blender(arguments)
    runs: list[tuple[str, str, list[str], Sequence[str]]] = []
    if core:
        runs.append(("core tests, without bpy", blender, core, BLENDER_MODULES))
    if addon:
        others = []
        if arguments.blender is None:
            python = PYTHON_OF[blender]
            others = [other for other in ("4.5", "5.2") if PYTHON_OF[other] != python and find_python(PYTHON_OF[other])]
        runs += [("add-on tests in Blender " + name, name, addon, ()) for name in (*others, blender)]
    commands: list[list[str | Path]] = []
    for _, name, paths, blocked in runs:
        python_path = ensure_venv(name) if blocked else ensure_blender(name)
        commands.append([python_path, "-c", RUN_PYTEST.format(blocked=tuple(blocked)), *options, *paths])
    # Two cores: the first run is shown as it goes on, the others wait behind each other beside it.
    with tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as log, ThreadPoolExecutor(1) as beside:

        def logged(title: str, command: list[str | Path]) -> int:
            print(f"\n{title[0].upper() + title[1:]}:", file=log, flush=True)
            return run(command, stdout=log, stderr=subprocess.STDOUT)

        titles = [title for title, *_ in runs]
        rest = [beside.submit(logged, *one) for one in list(zip(titles, commands, strict=True))[1:]]
        say(f"\n{titles[0][0].upper() + titles[0][1:]}:")
        codes = [run(commands[0]), *(one.result() for one in rest)]
        log.seek(0)
        print(log.read(), end="", flush=True)
    # An option like -k may leave one of the runs without a test, but not all of them.
    failed = [code for code in codes if code and not (given and code == NO_TESTS and set(codes) != {NO_TESTS})]
    for (title, *_), code in zip(runs, codes, strict=True):
        if code in failed:
            print(f"build.py: {title} ended with exit code {code}.", file=sys.stderr)
    return max(failed, default=0)


def bench(arguments: argparse.Namespace) -> int:
    """Run this sub-command again inside the virtual environment, where numpy and the peers are."""
    folder = VENVS / current_blender(arguments)
    if Path(sys.prefix).resolve() != folder.resolve():
        options = ["--size", arguments.size, "--blender", folder.name]
        options += ["--json", arguments.json] if arguments.json else []
        return run([ensure_venv(folder.name), ROOT / "build.py", "bench", *options, *arguments.names])
    measured = measure(arguments.names, arguments.size)
    if arguments.json:
        target = Path(arguments.json)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(json.dumps(measured, indent=2) + "\n", encoding="utf-8")
        say(f"Written: {target}")
    return 0


RUN_FLOW = (
    "import os, sys; from wingfettle.addon import flow_queue; code = flow_queue.main(sys.argv[1:]); "
    "sys.stdout.flush(); sys.stderr.flush(); os._exit(code)"
)


def flow(arguments: argparse.Namespace) -> int:
    """Work a folder of flow runs off; by default in the Blender that computes without a window."""
    python = ensure_blender(arguments.blender or "5.2")
    options = ["--worker", arguments.worker] if arguments.worker else []
    options += ["--wait", str(arguments.wait)] if arguments.wait is not None else []
    folder = str(Path(arguments.folder).resolve())
    return run_to_its_end([str(python), "-c", RUN_FLOW, folder, *options])


def run_to_its_end(command: Sequence[str]) -> int:
    """Like ``run``, but a command that is asked to stop is given the time to put its work back."""
    child = subprocess.Popen(command, cwd=str(ROOT))
    before = signal.signal(signal.SIGTERM, lambda *_: child.terminate())
    try:
        while True:
            try:
                code = child.wait()
                return 128 - code if code < 0 else code
            except KeyboardInterrupt:
                if os.name != "nt":  # there the console has told it
                    child.send_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGTERM, before)


ROW_KEYS = ("name", "size", "seconds", "peer", "peer_seconds", "ratio")


def measure(names: Sequence[str], size: str) -> list[dict[str, Any]]:
    """The rows of the benches named (tests/bench/NAME.py), or of all that time something; each is printed as it ends.

    A bench that holds answers against published ones has columns of its own, and is run only if it is named.
    """
    folder = ROOT / "tests" / "bench"
    known = sorted(path.stem for path in folder.glob("*.py") if not path.stem.startswith(("_", "conftest")))
    unknown = sorted(set(names) - set(known))
    if unknown:
        raise Stop("there is no bench named {}; there are: {}.".format(", ".join(unknown), ", ".join(known) or "none"))
    sys.path[:0] = [str(ROOT), str(folder)]
    measured: list[dict[str, Any]] = []
    for name in names or known:
        bench = importlib.import_module(name)
        keys = getattr(bench, "COLUMNS", ROW_KEYS)
        if keys is not ROW_KEYS and not names:
            continue
        say(f"Measuring {name} ({size}).")
        rows = []
        for row in bench.rows(size):
            if set(row) != set(keys):
                raise Stop(f"bench {name} gives a row with the keys {sorted(row)}, not {sorted(keys)}.")
            rows.append(row)
        print_table(rows, keys)
        measured += rows
    return measured


def print_table(measured: Sequence[dict[str, Any]], keys: Sequence[str]) -> None:
    cells = [list(keys)]
    for row in measured:
        cells.append([f"{row[k]:.4g}" if isinstance(row[k], float) else str(row[k]) for k in keys])
    widths = [max(len(line[i]) for line in cells) for i in range(len(keys))]
    for line in cells:
        say("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())


def version() -> str:
    import tomllib

    text = (ROOT / "addon" / "blender_manifest.toml").read_text(encoding="utf-8")
    return str(tomllib.loads(text)["version"])


def zip_content() -> dict[str, bytes]:
    """What the extension holds: name in the archive -> bytes."""
    content = {"__init__.py": EXTENSION_INIT.encode()}
    files = {"blender_manifest.toml": ROOT / "addon" / "blender_manifest.toml"}
    files.update({name: ROOT / name for name in ("LICENSE", "README.md")})
    for package in ("addon", "core"):
        for path in (ROOT / package).rglob("*"):
            parts = path.relative_to(ROOT).parts
            hidden = any(part.startswith(".") or part == "__pycache__" for part in parts)
            if path.is_file() and not hidden and path.name != "blender_manifest.toml":
                files["/".join(parts)] = path
    for name, path in files.items():
        if not path.is_file():
            raise Stop(f"{path.relative_to(ROOT)} is missing, which the extension must hold.")
        content[name] = path.read_bytes()
    return content


def write_zip(target: Path) -> None:
    """Write the extension; the same files give the same bytes, whenever and wherever it is written."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in sorted(zip_content().items()):
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, data)


def validator(blender: str) -> Path:
    """Blender's own extension checker, which travels in the bpy wheel."""
    inside = Path("scripts") / "addons_core" / "bl_pkg" / "cli" / "blender_ext.py"
    return site_packages(VENVS / blender, PYTHON_OF[blender]) / "bpy" / blender / inside


def make_zip(arguments: argparse.Namespace) -> int:
    blender = current_blender(arguments)
    target = Path(arguments.out) if arguments.out else ROOT / "build" / f"wingfettle-{version()}.zip"
    write_zip(target)
    if run([ensure_venv(blender), validator(blender), "validate", target.resolve()]):
        raise Stop(f"Blender {blender} does not accept {target}; its reason is above.")
    say(f"Written: {target} ({target.stat().st_size} bytes)")
    return 0


def check(_arguments: argparse.Namespace) -> int:
    """Lint and types; mypy sees core and addon as the package they ship in."""
    python = ensure_venv(CHECK)
    code = run([python, "-m", "ruff", "check", "."])
    package = ROOT / "build" / "types" / "wingfettle"
    shutil.rmtree(package, ignore_errors=True)
    for name in ("core", "addon"):
        shutil.copytree(ROOT / name, package / name, ignore=shutil.ignore_patterns("__pycache__"))
    (package / "__init__.py").write_text(EXTENSION_INIT, encoding="utf-8")
    command = [str(python), "-m", "mypy", "build.py", "blend_samples", str(package)]
    types = subprocess.run(command, cwd=str(ROOT), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    say(types.stdout.replace(str(package.relative_to(ROOT)) + os.sep, "").rstrip())
    return max(code, types.returncode)


# --- command line ---------------------------------------------------------------------------------------------


def parser() -> argparse.ArgumentParser:
    top = argparse.ArgumentParser(prog="build.py", description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, action: Any, text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text)
        sub.set_defaults(action=action)
        sub.add_argument("--blender", choices=sorted(PYTHON_OF), help="Blender to use (default: fits this Python)")
        return sub

    def scan_options(sub: argparse.ArgumentParser, out: str) -> None:
        sub.add_argument("--out", default=out, help="output folder (default: %(default)s)")
        sub.add_argument("--size", choices=("full", "fast"), default="full", help="size of the scan")
        sub.add_argument("--seed", type=int, default=1, help="which car, wing, pose and noise (default: %(default)s)")

    scan_options(command("demo", demo, "the whole job on the invented car"), "out/demo")
    sub = command("samples", samples, "write the invented car's scans")
    scan_options(sub, "out/samples")
    sub.add_argument("--blend", action="store_true", help="make the committed .blend anew, too")
    command("test", test, "core tests without bpy, then add-on tests in bpy; further arguments go to pytest")
    sub = command("bench", bench, "time core against general libraries")
    sub.add_argument("names", nargs="*", metavar="NAME", help="benches in tests/bench (default: all)")
    sub.add_argument("--json", metavar="FILE", help="write the rows to FILE, too")
    sub.add_argument("--size", choices=("full", "fast"), default="full", help="size of the work")
    sub = command("flow", flow, "work off a folder of flow runs, as many processes or machines as share it at once")
    sub.add_argument("folder", metavar="FOLDER", help="where Post Runs has put them")
    sub.add_argument("--worker", metavar="NAME", help="what this process is called (default: the machine's name)")
    wait = "look again every so many seconds until no run is open, to take over from processes that vanish"
    sub.add_argument("--wait", metavar="SECONDS", type=float, help=wait)
    sub = command("zip", make_zip, "build the extension and have Blender's own checker judge it")
    sub.add_argument("--out", metavar="FILE", help="default: build/wingfettle-VERSION.zip")
    command("check", check, "lint and types")
    command("setup", setup, "only make the virtual environment")
    return top


def main(given: Sequence[str]) -> int:
    arguments, rest = parser().parse_known_args(given)
    if rest and arguments.command != "test":
        parser().error("unknown arguments: " + " ".join(rest))
    arguments.pytest_arguments = rest
    try:
        code = start_again_if_needed(arguments.blender, given)
        return int(arguments.action(arguments)) if code is None else code
    except Stop as reason:
        print(f"build.py: {reason}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
