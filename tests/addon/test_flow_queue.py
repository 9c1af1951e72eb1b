"""Flow runs in a row through the operators, and the command that works a folder off without a window."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

import build
from wingfettle.addon import bridge, flow_going, flow_kept, flow_queue, settings
from wingfettle.core.elements.element import Element
from wingfettle.core.errors import InputError
from wingfettle.core.flow.queue import Job, Queue
from wingfettle.core.flow.store import kept_fields, stored
from wingfettle.core.sections.shape import SectionShape

SHAPE = SectionShape(
    half_thickness=np.array([0.18, 0.17, 0.16, 0.16, 0.15, 0.15]),
    mean_line=np.array([0.20, 0.16, 0.15, 0.14, 0.13, 0.12]),
    trailing_edge=0.012,
)
LOWER = Element("lower", np.array([0.45, 0.0, 1.0]), 1.2, 0.16, 1.0, 0.0, 0.0, 0.03, 0.0, SHAPE, SHAPE)
UPPER = replace(LOWER, name="upper", leading_edge=np.array([0.45, 0.0, 1.12]))

without_window = pytest.mark.skipif(
    bpy.app.version < (5, 0), reason="before Blender 5 nothing computes without a window"
)


@pytest.fixture
def wing(scene: bpy.types.Scene, tmp_path: Path) -> bpy.types.Scene:
    """Two elements over the road in a saved file, and a folder for their runs; runs as short as they may be."""
    variant = scene.wingfettle.variants.add()
    variant.name, variant.elements = "as found", bridge.collection(scene, "Wing as found")
    for element in (LOWER, UPPER):
        bridge.write_element(bridge.new_object(f"{element.name} (as found)", variant.elements), element)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "wing.blend"))
    job = scene.wingfettle
    job.flow_form, job.flow_cells, job.flow_minutes = "mid-span", 8, 0.01
    job.flow_walls = "clings"
    scene.wingfettle_queue.folder = str(tmp_path / "queue")
    return scene


def folder(scene: bpy.types.Scene) -> Path:
    return Path(scene.wingfettle_queue.folder)


def start(path: Path, *options: str) -> subprocess.Popen[str]:
    command = [sys.executable, str(build.ROOT / "build.py"), "flow", str(path), *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def test_cases_are_posted_once(wing: bpy.types.Scene) -> None:
    bpy.ops.wingfettle.post_runs()
    assert sorted(Queue(folder(wing)).state().waiting) == [
        "as found, group, mid-span, air clings", "as found, lower alone, mid-span, air clings",
        "as found, upper alone, mid-span, air clings",
    ]  # fmt: skip
    bpy.ops.wingfettle.post_runs()
    assert flow_queue.look(folder(wing)).open == 3
    chosen = wing.wingfettle_queue
    chosen.group = False
    wing.wingfettle.speed_kmh += 10.0  # another wind, so other runs
    bpy.ops.wingfettle.post_runs()
    assert len(Queue(folder(wing)).state().waiting) == 5


def test_both_walls_are_posted_by_default(wing: bpy.types.Scene) -> None:
    wing.wingfettle.property_unset("flow_walls")
    bpy.ops.wingfettle.post_runs()
    names = Queue(folder(wing)).state().waiting
    assert len(names) == len(set(names)) == 6
    assert [sum(name.endswith(walls) for name in names) for walls in ("air clings", "air lets go")] == [3, 3]
    chosen = wing.wingfettle_queue
    chosen.what, chosen.steps, chosen.reach = "gap", 1, 4.0
    bpy.ops.wingfettle.post_runs()
    # Today's place is there from before, of either kind.
    assert len(Queue(folder(wing)).state().waiting) == 6 + 2 * 2
    assert [t.title.split(", ")[-1] for t in flow_queue.tables(wing)] == ["air clings", "air lets go"]


def test_rows_are_posted_about_todays_place(wing: bpy.types.Scene) -> None:
    chosen = wing.wingfettle_queue
    chosen.reach, chosen.steps, chosen.low, chosen.count = 4.0, 2, 0.3, 4
    for what in ("gap", "stagger", "incidence", "chords"):
        chosen.what = what
        bpy.ops.wingfettle.post_runs()
    tables = {t.title.split(": ")[1]: t for t in flow_queue.tables(wing)}
    for how in ("moved up", "moved aft", "turned nose up"):
        rows = tables[f"“upper” {how}, all together, air clings"].rows
        assert [r.value for r in rows] == pytest.approx([-4, -2, 0, 2, 4])
    gaps = [row.value for row in tables["“upper” at a gap to “lower”, all together, air clings"].rows]
    assert gaps == pytest.approx(np.geomspace(0.3, 2.0, 4), rel=1e-6)
    # Today's place is one run in three rows.
    assert len(Queue(folder(wing)).state().waiting) == 3 * 4 + 1 + 4


def test_refusals_leave_no_folder(wing: bpy.types.Scene, tmp_path: Path) -> None:
    chosen = wing.wingfettle_queue
    chosen.folder = str(tmp_path / "none")
    chosen.alone = chosen.group = False
    with pytest.raises(RuntimeError, match="No case is ticked; tick what is to be run"):
        bpy.ops.wingfettle.post_runs()
    chosen.on_car = True
    with pytest.raises(RuntimeError, match="There is no body scan; post the runs without the car"):
        bpy.ops.wingfettle.post_runs()
    for name in ("work_off", "work_off_beside", "take_in", "retry_runs"):
        with pytest.raises(RuntimeError, match="No runs were posted to .*none.*; post some, or choose another folder"):
            getattr(bpy.ops.wingfettle, name)()
    assert not (tmp_path / "none").exists()


def test_folder_lies_beside_the_file_or_is_asked_for(scene: bpy.types.Scene, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Choose a folder for the runs, or save the file first"):
        flow_queue.folder_of(scene)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "deck.blend"))
    assert flow_queue.folder_of(scene) == tmp_path / "deck flow queue"
    scene.wingfettle_queue.folder = "//shared"
    assert flow_queue.folder_of(scene) == tmp_path / "shared"


class Told:
    """Stands in for a panel's layout and keeps what is written on it."""

    def __init__(self, words: list[str]) -> None:
        self.__dict__["words"] = words

    def __getattr__(self, name: str) -> Any:
        def call(*args: Any, **options: Any) -> Any:
            if name in {"label", "operator", "prop"}:
                self.words.append(str(options.get("text", args[-1] if args else "")))
            return Told(self.words)

        return call

    def __setattr__(self, name: str, value: Any) -> None:
        pass


def panel() -> list[str]:
    words: list[str] = []
    shown = type("Shown", (), {"layout": Told(words)})()
    flow_queue.WINGFETTLE_PT_flow_queue.draw(shown, bpy.context)
    return words


def test_panel_shows_what_lies_in_the_folder(wing: bpy.types.Scene) -> None:
    assert "wingfettle.work_off" not in panel()
    assert not folder(wing).exists()  # looking makes nothing
    bpy.ops.wingfettle.post_runs()
    assert "3 waiting, 0 running, 0 done, 0 failed" in panel()
    Queue(folder(wing)).claim().fail("The run blew up.")
    Queue(folder(wing), worker="barn").claim()
    bpy.ops.wingfettle.look_again()
    words = panel()
    assert "1 waiting, 1 running, 0 done, 1 failed" in words
    assert "as found, group, mid-span, air clings: The run blew up." in " ".join(words)
    assert "(barn-" in " ".join(words)
    wing.wingfettle_queue.what = "chords"
    assert "other" in panel()
    assert flow_queue.tables(wing) == ()


@without_window
def test_worked_off_and_taken_in(wing: bpy.types.Scene, tmp_path: Path) -> None:
    bpy.ops.wingfettle.post_runs()
    bpy.ops.wingfettle.work_off()
    state = Queue(folder(wing)).state()
    assert (len(state.done), state.open, state.failed) == (3, 0, ())
    bpy.ops.wingfettle.take_in()
    beside = tmp_path / "wing flow runs"
    runs, unreadable = stored(beside)
    assert not unreadable
    assert sorted((r.case, r.element) for r in runs) == [("alone", "lower"), ("alone", "upper"), ("group", "")]
    for run in runs:
        mean, surface = kept_fields(beside, run)
        assert mean is not None
        assert set(surface) == {p.part for p in run.parts}
    # The panel of single runs takes them for those of the wing as it is now.
    variant = settings.active_variant(wing)
    assert [holds for _, holds in flow_kept.kept_runs(wing, variant)] == [True] * 3
    before = sorted((p.name, p.stat().st_mtime_ns) for p in beside.iterdir())
    bpy.ops.wingfettle.take_in()
    assert sorted((p.name, p.stat().st_mtime_ns) for p in beside.iterdir()) == before
    wing.wingfettle.speed_kmh += 10.0
    assert [holds for _, holds in flow_kept.kept_runs(wing, variant)] == [False] * 3


@without_window
def test_esc_lets_the_run_wait_again(wing: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    wing.wingfettle.flow_minutes = 5.0
    bpy.ops.wingfettle.post_runs()
    course = flow_queue.WINGFETTLE_OT_work_off.steps(None, bpy.context)
    shares = [next(course)[0] for _ in range(3)]
    assert all(0.0 <= share <= 1.0 for share in shares)
    assert len(Queue(folder(wing)).state().running) == 1
    # One thing at a time on the card: no single run meanwhile, nor a trial of one.
    for start_one in (bpy.ops.wingfettle.flow_start, bpy.ops.wingfettle.flow_ahead):
        with pytest.raises(RuntimeError, match="“Work Off Here” has the graphics card; wait for it, or stop it with"):
            start_one()
    course.close()  # what Esc does
    flow_going.check_free()
    state = Queue(folder(wing)).state()
    assert (len(state.waiting), state.running) == (3, ())
    monkeypatch.setattr(flow_going, "going", lambda: object())
    with pytest.raises(RuntimeError, match="A flow run goes on already; wait for it, or stop it first"):
        bpy.ops.wingfettle.work_off()


@without_window
def test_failed_runs_are_told_and_wait_again(wing: bpy.types.Scene) -> None:
    wing.wingfettle_queue.alone = False
    bpy.ops.wingfettle.post_runs()
    for path in (folder(wing) / "geometry").iterdir():
        path.write_bytes(path.read_bytes()[:-40])
    bpy.ops.wingfettle.work_off()
    ((name, reason),) = Queue(folder(wing)).state().failed
    assert name == "as found, group, mid-span, air clings"
    assert reason.endswith("is broken or was changed; post it again.")
    bpy.ops.wingfettle.post_runs()  # mends the geometry; what has failed stays so until it is asked for
    bpy.ops.wingfettle.retry_runs()
    bpy.ops.wingfettle.work_off()
    assert len(Queue(folder(wing)).state().done) == 1


@without_window
def test_two_processes_share_a_folder_and_one_that_is_stopped_gives_its_run_back(wing: bpy.types.Scene) -> None:
    chosen = wing.wingfettle_queue
    bpy.ops.wingfettle.post_runs()
    chosen.what, chosen.steps = "gap", 1
    bpy.ops.wingfettle.post_runs()
    worker = start(folder(wing), "--worker", "one")
    bpy.ops.wingfettle.work_off_beside()
    said = worker.communicate(timeout=60)[0]
    assert worker.returncode == 0, said
    assert flow_queue._beside[-1].wait(timeout=60) == 0, (folder(wing) / "background 1.log").read_text()
    done = Queue(folder(wing)).results()
    assert len(done) == len({one.job.key for one in done}) == 5
    assert {one.worker.split("-")[0] for one in done} <= {"one", "background"}
    assert "0 waiting" in said

    wing.wingfettle.flow_minutes = 5.0
    wing.wingfettle.flow_interval = 0.1
    chosen.what, chosen.alone = "cases", False
    bpy.ops.wingfettle.post_runs()
    worker, end = start(folder(wing), "--worker", "three"), time.monotonic() + 30.0
    while not list((folder(wing) / "running").glob("*three*")) and time.monotonic() < end:
        time.sleep(0.05)
    time.sleep(0.5)
    worker.send_signal(signal.SIGINT)
    assert worker.wait(timeout=30) == flow_queue.STOPPED
    state = Queue(folder(wing)).state()
    assert (len(state.waiting), state.running, state.failed) == (1, (), ())


@without_window
def test_exit_codes(wing: bpy.types.Scene, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert flow_queue.main([]) == 2  # argparse's own
    assert flow_queue.main([str(tmp_path / "none")]) == 1
    assert "No runs were posted to" in capsys.readouterr().err
    wing.wingfettle_queue.alone = False
    bpy.ops.wingfettle.post_runs()
    (path,) = (folder(wing) / "waiting").iterdir()
    job = json.loads(path.read_bytes())
    Queue(folder(wing)).post([Job("of a later form", {**job["what"], "form": 99})])
    assert flow_queue.main([str(folder(wing)), "--wait", "0.2"]) == flow_queue.FAILED
    said = capsys.readouterr().out
    assert "of a later form: failed. “of a later form” is no flow run that this version knows; post it again." in said
    assert "as found, group, mid-span, air clings: done" in said
    assert "0 waiting, 0 running, 1 done, 1 failed." in said


@pytest.mark.skipif(bpy.app.version >= (5, 0), reason="from Blender 5 on it computes without a window")
def test_without_a_window_old_blenders_say_so(wing: bpy.types.Scene, capsys: pytest.CaptureFixture[str]) -> None:
    bpy.ops.wingfettle.post_runs()
    assert flow_queue.main([str(folder(wing))]) == 1
    assert "finds no graphics card to compute on" in capsys.readouterr().err
    with pytest.raises(RuntimeError, match="Before Blender 5 nothing is computed without a window"):
        bpy.ops.wingfettle.work_off_beside()
    assert len(Queue(folder(wing)).state().waiting) == 3


def test_handlers_that_are_not_python_s_are_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blender started with --command has handlers of its own, which Python tells as None."""
    real, seen = signal.signal, []

    def blender_s(number: int, handler: Any) -> Any:
        seen.append(handler)
        before = real(number, handler)
        return None if callable(handler) and handler is not signal.default_int_handler else before

    kept = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    monkeypatch.setattr(signal, "signal", blender_s)
    try:
        with flow_queue._stop_asked() as asked:
            assert not asked
        assert None not in seen
        assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
    finally:
        for number, handler in kept.items():
            real(number, handler)
