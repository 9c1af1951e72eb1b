"""Panel: flow runs in a row, in a folder that other processes and machines may share; and the command that works it
off without a window."""

from __future__ import annotations

import argparse
import contextlib
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, PointerProperty, StringProperty

from ..core.assembly.assembly import Assembly
from ..core.errors import InputError
from ..core.flow.folder import SLICE_S, post, post_row, take_in, working
from ..core.flow.queue import Queue, QueueState
from ..core.flow.rows import Conditions, every_case, gaps, row
from ..core.flow.store import folder_beside
from ..core.flow.tables import Table
from ..core.flow.tables import tables as tables_in
from ..core.geometry.mesh import TriMesh
from ..core.units import from_degrees, from_mm
from . import answers, bridge, flow_going, flow_kept, settings
from .graphics import Card, Run
from .lift import air_now, speed_of
from .operator import BackgroundOperator, JobOperator, JobPanel, Steps, aside, say
from .variants import active

COMMAND = "wingfettle_flow"
LIVE_SLICE_S = 0.08
"""Of a run beside an open window, which has to stay usable."""
LOOK_S = 2.0
"""How old what the panel shows of the folder may be."""
TELL_S = 30.0
"""Time between two lines about one run on the command line."""
FAILED, STOPPED = 3, 130
"""Exit codes: jobs in the folder have failed; stopped by hand, as shells have it. 1 is any other trouble."""
_TWICE_S = 1.0  # a terminal and a caller both pass on one Ctrl C


_RELATIVE = {"PATH_SUPPORTS_BLEND_RELATIVE"} if bpy.app.version >= (4, 5) else set()
# Older ones take such paths without being told.


class FlowQueueSettings(bpy.types.PropertyGroup):
    """What is posted, and where."""

    folder: StringProperty(
        name="Folder", subtype="DIR_PATH", options=_RELATIVE,
        description="Where the runs wait; other machines may share it. Empty: beside the file",
    )  # fmt: skip
    what: EnumProperty(
        name="Post",
        items=[
            ("cases", "Cases", "Every case that is ticked, of the chosen variant or of all"),
            ("gap", "Heights", "One element lower and higher than today"),
            ("stagger", "Fore-aft places", "One element further forward and aft than today"),
            ("incidence", "Incidences", "One element turned nose down and up from today"),
            ("chords", "Gaps", "One element at clear gaps to another one, in chords"),
        ],
    )
    all_variants: BoolProperty(name="All variants", description="Not only the one that is shown", default=True)
    alone: BoolProperty(name="Alone", description="Each element by itself", default=True)
    group: BoolProperty(name="Together", description="All elements over the road, without the car", default=True)
    on_car: BoolProperty(name="On the car", description="All elements on the car, in the full form; takes long")
    element: StringProperty(name="Element", description="The one that is moved or turned", default="upper")
    other: StringProperty(name="Gap to", description="The element that stays", default="lower")
    reach: FloatProperty(name="Up to (mm, °)", description="How far either way", min=0.1, default=30.0, precision=1)
    steps: IntProperty(name="Steps each way", min=1, max=50, default=3)
    low: FloatProperty(name="From (chords)", min=0.01, max=10.0, default=0.05, precision=3)
    high: FloatProperty(name="To (chords)", min=0.01, max=10.0, default=2.0, precision=3)
    count: IntProperty(name="Gaps", min=2, max=100, default=8)


def folder_of(scene: bpy.types.Scene) -> Path:
    """Where the runs wait.

    Raises:
        InputError: no folder, and the file is not saved.
    """
    given = scene.wingfettle_queue.folder.strip()
    if bpy.data.filepath:
        beside = Path(bpy.data.filepath)
        return Path(bpy.path.abspath(given)) if given else beside.with_name(f"{beside.stem} flow queue")
    if not given or given.startswith("//"):
        raise InputError("Choose a folder for the runs, or save the file first: they lie beside it.")
    return Path(given)


# --- looking at the folder

_queues: dict[str, Queue] = {}
_looks: dict[str, tuple[float, QueueState]] = {}
_beside: list[subprocess.Popen[bytes]] = []


def is_queue(folder: Path) -> bool:
    """Whether runs were posted there."""
    return (folder / "waiting").is_dir()


def _queue(folder: Path) -> Queue:
    """Of this session.

    Raises:
        InputError: nothing was posted there, or it cannot be written to.
    """
    if not is_queue(folder):
        raise InputError(f"No runs were posted to “{folder}”; post some, or choose another folder.")
    key = str(folder)
    if key not in _queues:
        _queues[key] = Queue(folder)
    return _queues[key]


def look(folder: Path) -> QueueState | None:
    """What lies in the folder, seen a moment ago at most; None where it is no queue.

    Raises:
        InputError: it cannot be read or written to.
    """
    key = str(folder)
    if not is_queue(folder):
        return None
    when, state = _looks.get(key, (-LOOK_S, None))
    if state is None or time.monotonic() - when > LOOK_S:
        try:
            state = _queue(folder).state()
        except OSError as problem:
            raise InputError(f"The folder “{folder}” cannot be read ({problem.strerror}); look again.") from None
        _looks[key] = time.monotonic(), state
    return state


def tables(scene: bpy.types.Scene) -> tuple[Table, ...]:
    """The rows of runs in the folder, for the report; none where there is no folder.

    Raises:
        InputError: it cannot be read or written to.
    """
    try:
        folder = folder_of(scene)
    except InputError:  # neither chosen nor saved
        return ()
    return tables_in(folder) if is_queue(folder) else ()


# --- posting


def _taken(variant: settings.VariantItem) -> tuple[Assembly, list[tuple[str, TriMesh]]]:
    return answers.assembly(variant), flow_going.mounts_of(variant)


def _states(scene: bpy.types.Scene, variants: list[settings.VariantItem]) -> dict[str, str]:
    """By variant, what its answers rest on, so that the panel of single runs knows them for those of today."""
    return {v.name: answers.digest_of(answers.ticket(scene, v, "flow run")) for v in variants}


def _conditions(scene: bpy.types.Scene, on_car: bool) -> Conditions:
    job = scene.wingfettle
    air, wishes = air_now(job), replace(flow_going.wishes(job), half_model=job.flow_half)
    body = answers.body(scene) if on_car and job.body is not None else None
    if on_car and body is None:
        raise InputError("There is no body scan; post the runs without the car.")
    return Conditions(job.flow_form, body, speed_of(job), air.density_kg_m3, air.viscosity_m2_s, wishes)


class WINGFETTLE_OT_post_runs(BackgroundOperator, bpy.types.Operator):
    """Put the chosen runs into the folder, for both walls where both are asked for above; those that lie there already
    stay as they are"""

    bl_idname = "wingfettle.post_runs"
    bl_label = "Post Runs"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job, chosen = context.scene, context.scene.wingfettle, context.scene.wingfettle_queue
        folder, walls = folder_of(scene), flow_kept.ASKED[job.flow_walls]
        yield 0.01, "Gathering the runs"
        if chosen.what == "cases":
            cases = [c for c, on in zip(_CASES, (chosen.alone, chosen.group, chosen.on_car), strict=True) if on]
            if not cases:
                raise InputError("No case is ticked; tick what is to be run.")
            variants = list(job.variants) if chosen.all_variants else [active(scene)]
            variants = [v for v in variants if v.elements is not None and settings.element_objects(v)]
            states, taken = _states(scene, variants), [_taken(v) for v in variants]
            conditions = _conditions(scene, chosen.on_car)

            def task(tick: Callable[[float, str], None]) -> int:
                tick(0.1, "Making the runs")
                jobs = [job for one in walls for job in every_case(taken, conditions.with_walls(one), cases)]
                tick(0.5, "Writing the runs")
                return post(folder, jobs, states)
        else:
            (assembly, mounts), states = _taken(active(scene)), _states(scene, [active(scene)])
            case = job.flow_case if job.flow_case != "alone" or len(assembly.elements) == 1 else "group"
            conditions = _conditions(scene, case == "on car")
            what, element, other = chosen.what, chosen.element, chosen.other if chosen.what == "chords" else ""
            if what == "chords":
                values = gaps(chosen.low, chosen.high, chosen.count)
            else:
                unit = from_degrees if what == "incidence" else from_mm
                values = tuple(bridge.both_ways(unit(chosen.reach), chosen.steps).tolist())

            def task(tick: Callable[[float, str], None]) -> int:
                tick(0.1, "Making the runs")
                made = [
                    row(assembly, mounts, conditions.with_walls(one), what, element, values, case=case, other=other)
                    for one in walls
                ]
                tick(0.5, "Writing the runs")
                return sum(post_row(folder, one, states) for one in made)

        count = yield from aside(task, low=0.05, high=0.95)
        _looks.clear()
        return f"{count} new run{'s' * (count != 1)} in “{folder.name}”."


_CASES = ("alone", "group", "on car")


# --- working off


def _maker(card: Card) -> Callable[[Any, int], Any]:
    return lambda setup, every: Run(card, setup, every)


def _alive(card: Card) -> bool:
    """Whether the card still takes and gives anything."""
    try:
        card.texture(1, 1, 0, "R32F", [1.0]).read()
    except Exception:  # whatever a driver that has gone raises
        return False
    return True


class WINGFETTLE_OT_work_off(BackgroundOperator, bpy.types.Operator):
    """Run what waits in the folder, one after another, beside the open window; Esc lets the run wait again"""

    bl_idname = "wingfettle.work_off"
    bl_label = "Work Off Here"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> Steps:
        queue = _queue(folder_of(context.scene))
        card = flow_going.card()
        slice_s = SLICE_S if bpy.app.background else LIVE_SLICE_S
        done, failed = 0, list[str]()
        work = working(queue, _maker(card), slice_s=slice_s, alive=lambda: _alive(card))
        with flow_going.holding_card(WINGFETTLE_OT_work_off.bl_label), contextlib.closing(work):
            for step in work:
                if step.ended:
                    _looks.clear()
                done += step.ended == "done"
                if step.ended == "failed":
                    failed.append(f"“{step.name}” has failed: {step.reason}")
                yield (step.progress.share if step.progress else 0.0), f"{step.name}, {done} done"
        return " ".join([f"{done} run{'s' * (done != 1)} done.", *failed])


class WINGFETTLE_OT_work_off_beside(JobOperator, bpy.types.Operator):
    """Start a process of its own, without a window, that runs what waits in the folder; it goes on when Blender ends"""

    bl_idname = "wingfettle.work_off_beside"
    bl_label = "Work Off in the Background"
    bl_options = {"REGISTER"}

    def work(self, context: bpy.types.Context) -> str:
        folder = folder_of(context.scene)
        waiting = len(_queue(folder).state().waiting)
        if not waiting:
            raise InputError("No run waits in the folder; post some first.")
        if bpy.app.version < (5, 0):
            raise InputError("Before Blender 5 nothing is computed without a window; choose Work Off Here.")
        _beside[:] = [one for one in _beside if one.poll() is None]
        _beside.append(start_beside(folder, f"background {len(_beside) + 1}"))
        return f"A process in the background works off {waiting} run{'s' * (waiting != 1)}."


def start_beside(folder: Path, worker: str) -> subprocess.Popen[bytes]:
    """Start the command in a process of its own; what it says goes into a file in the folder.

    Raises:
        InputError: it cannot be started.
    """
    if bpy.app.binary_path:
        command = [bpy.app.binary_path, "--command", COMMAND]
    else:  # Blender as a module of Python
        script = f"import os, sys; from {__package__} import flow_queue as q; os._exit(q.main(sys.argv[1:]))"
        command = [sys.executable, "-c", script]
    try:
        with (folder / f"{worker}.log").open("ab") as log:
            return subprocess.Popen(
                [*command, str(folder), "--worker", worker],
                stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip
    except OSError as problem:
        raise InputError(f"The process in the background does not start ({problem}); work off here.") from None


class WINGFETTLE_OT_take_in(JobOperator, bpy.types.Operator):
    """Put the runs that are done among the results beside the file; none there is lost"""

    bl_idname = "wingfettle.take_in"
    bl_label = "Take Results In"
    bl_options = {"REGISTER"}

    def work(self, context: bpy.types.Context) -> str:
        folder = folder_of(context.scene)
        _queue(folder)
        if not bpy.data.filepath:
            raise InputError("Save the file first: results lie beside it.")
        found = take_in(folder, folder_beside(Path(bpy.data.filepath)))
        text = f"{found.new} run{'s' * (found.new != 1)} taken in, {found.known} known already."
        if found.unreadable:
            text += f" Left out, as this version cannot read them: {', '.join(found.unreadable)}."
        return text


class WINGFETTLE_OT_retry_runs(JobOperator, bpy.types.Operator):
    """Let the runs that have failed wait again"""

    bl_idname = "wingfettle.retry_runs"
    bl_label = "Retry Failed"
    bl_options = {"REGISTER"}

    def work(self, context: bpy.types.Context) -> str:
        count = _queue(folder_of(context.scene)).retry()
        _looks.clear()
        return f"{count} run{'s wait' if count != 1 else ' waits'} again."


class WINGFETTLE_OT_look_again(JobOperator, bpy.types.Operator):
    """See what other processes have done in the folder meanwhile"""

    bl_idname = "wingfettle.look_again"
    bl_label = "Look Again"
    bl_options = {"REGISTER"}

    def work(self, context: bpy.types.Context) -> str:
        _looks.clear()
        state = look(folder_of(context.scene))
        return "No runs were posted there yet." if state is None else summary(state)


def summary(state: QueueState) -> str:
    """How many wait, run, are done and have failed."""
    counts = (state.waiting, "waiting"), (state.running, "running"), (state.done, "done"), (state.failed, "failed")
    text = ", ".join(f"{len(names)} {word}" for names, word in counts)
    return text + (f"; {len(state.unreadable)} files cannot be read" if state.unreadable else "")


class WINGFETTLE_PT_flow_queue(JobPanel, bpy.types.Panel):
    bl_label = "Runs in a Row"
    bl_idname = "WINGFETTLE_PT_flow_queue"
    bl_parent_id = "WINGFETTLE_PT_flow"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        chosen = context.scene.wingfettle_queue
        col = self.layout.column()
        col.prop(chosen, "folder")
        col.prop(chosen, "what", text="")
        if chosen.what == "cases":
            col.prop(chosen, "all_variants")
            row = col.row(align=True)
            for name in ("alone", "group", "on_car"):
                row.prop(chosen, name, toggle=True)
        else:
            names = ("other", "low", "high", "count") if chosen.what == "chords" else ("reach", "steps")
            for name in ("element", *names):
                col.prop(chosen, name)
        col.operator("wingfettle.post_runs")
        try:
            state = look(folder_of(context.scene))
        except InputError as problem:
            say(col, str(problem), "ERROR")
            return
        if state is None:
            return
        row = col.row(align=True)
        row.label(text=summary(state))
        row.operator("wingfettle.look_again", text="", icon="FILE_REFRESH")
        for name, worker in state.running[:SHOWN]:
            say(col, f"{name} ({worker})", "PLAY")
        for name, reason in state.failed[:SHOWN]:
            say(col, f"{name}: {reason}", "ERROR")
        row = col.row(align=True)
        row.operator("wingfettle.work_off")
        row.operator("wingfettle.work_off_beside", text="In the Background")
        row = col.row(align=True)
        row.operator("wingfettle.take_in")
        row.operator("wingfettle.retry_runs")


SHOWN = 5
"""Runs that the panel names of each kind."""


# --- without a window


def main(given: Sequence[str]) -> int:
    """The command line: work a folder off; the exit code.

    Args:
        given: the arguments after the command's name.
    """
    wanted = argparse.ArgumentParser(
        prog=COMMAND,
        description="Work off the flow runs that wait in a folder, as many processes and machines as share it.",
        epilog=f"Ends with 0, {FAILED} where runs in the folder have failed, 1 where nothing can be run, {STOPPED} "
        "where it was stopped: then the run waits again.",
    )
    wanted.add_argument("folder", metavar="FOLDER", help="where the runs were posted")
    wanted.add_argument("--worker", metavar="NAME", help="what this process is called (default: the machine's name)")
    wanted.add_argument(
        "--wait", metavar="SECONDS", type=float,
        help="look again every so many seconds until no run is open, to take over from processes that vanish",
    )  # fmt: skip
    try:
        arguments = wanted.parse_args(given)
    except SystemExit as end:  # Blender goes on after it
        return int(end.code or 0)
    try:
        return work_off(Path(arguments.folder), arguments.worker, arguments.wait)
    except (InputError, OSError) as problem:
        print(f"{COMMAND}: {problem}", file=sys.stderr, flush=True)
        return 1
    except KeyboardInterrupt:
        return _stopped()


def work_off(folder: Path, worker: str | None = None, wait_s: float | None = None) -> int:
    """Work a folder off until nothing waits, telling on the standard output; the exit code.

    Raises:
        InputError: no graphics card, no queue there, or the card was lost; the run waits again.
    """
    if not is_queue(folder):
        raise InputError(f"No runs were posted to “{folder}”; choose a folder that Post Runs has filled.")
    if wait_s is not None and not wait_s > 0.0:
        raise InputError(f"Looking again every {wait_s:g} s makes no sense; give a time above zero.")
    card = Card()
    queue = Queue(folder, worker=worker)
    _tell(f"{queue.worker} on {card.name}: {summary(queue.state())}.")
    with _stop_asked() as asked:
        work = working(queue, _maker(card), wait_s=wait_s, alive=lambda: _alive(card))
        try:
            told = 0.0
            for step in work:
                if asked:
                    return _stopped()
                now = time.monotonic()
                if not step.name:
                    time.sleep(0.1)
                elif step.ended:
                    _tell(f"{step.name}: {step.ended}{'. ' + step.reason if step.reason else ''}")
                    told = 0.0
                elif now - told > TELL_S:
                    _tell(f"{step.name}: {step.progress.sentence if step.progress else 'making ready'}")
                    told = now
        finally:
            work.close()
    state = queue.state()
    _tell(f"{summary(state)}.")
    return FAILED if state.failed else 0


def _tell(text: str) -> None:
    print(text, flush=True)


def _stopped() -> int:
    _tell("Stopped; what is not done waits.")
    return STOPPED


@contextlib.contextmanager
def _stop_asked() -> Iterator[list[float]]:
    """Not empty once Ctrl C was pressed or the process asked to end; pressed once more it ends at once."""
    asked: list[float] = []
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return

    def stop(_number: int, _frame: Any) -> None:
        if asked and time.monotonic() - asked[0] > _TWICE_S:
            raise KeyboardInterrupt
        asked.append(time.monotonic())

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            # Blender's own handlers are none of Python's and cannot be put back.
            signal.signal(number, signal.SIG_DFL if handler is None else handler)


CLASSES = (
    FlowQueueSettings,
    WINGFETTLE_OT_post_runs,
    WINGFETTLE_OT_work_off,
    WINGFETTLE_OT_work_off_beside,
    WINGFETTLE_OT_take_in,
    WINGFETTLE_OT_retry_runs,
    WINGFETTLE_OT_look_again,
    WINGFETTLE_PT_flow_queue,
)
_command: list[Any] = []


def register() -> None:
    """Add the scene's settings and Blender's command."""
    bpy.types.Scene.wingfettle_queue = PointerProperty(type=FlowQueueSettings)
    _command.append(bpy.utils.register_cli_command(COMMAND, main))


def unregister() -> None:
    """Take them away again."""
    while _command:
        bpy.utils.unregister_cli_command(_command.pop())
    del bpy.types.Scene.wingfettle_queue
