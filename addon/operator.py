"""What every operator does alike: one undo step, or a plain message and the scene as it was."""

from __future__ import annotations

import textwrap
import threading
from collections.abc import Callable, Generator
from typing import Any

import bpy

from ..core.errors import InputError

Steps = Generator[tuple[float, str], None, str]
"""A long step in pieces: each tells how far it is (0..1) and what comes next; the sentence at the end is shown."""


class Snapshot:
    """What data and selection there were before a step, so that a failed one leaves nothing behind."""

    def __init__(self, context: bpy.types.Context) -> None:
        self._before = [{block.session_uid for block in kind} for kind in self._kinds()]
        layer = context.view_layer
        self._chosen = [o.name for o in layer.objects if o.select_get()]
        self._active = layer.objects.active.name if layer.objects.active is not None else ""

    def restore(self, context: bpy.types.Context) -> None:
        """Take away what was made since."""
        for kind, before in zip(self._kinds(), self._before, strict=True):
            for block in [b for b in kind if b.session_uid not in before]:
                kind.remove(block)
        layer = context.view_layer
        layer.update()
        for obj in layer.objects:
            obj.select_set(obj.name in self._chosen)
        layer.objects.active = layer.objects.get(self._active)

    @staticmethod
    def _kinds() -> tuple[Any, ...]:
        data = bpy.data
        return data.objects, data.meshes, data.collections, data.curves, data.materials, data.images, data.cameras


class JobOperator:
    """Runs ``work``; an InputError becomes a report and what was made meanwhile is taken away again."""

    bl_options = {"REGISTER", "UNDO"}
    report: Any  # given by bpy.types.Operator, which every subclass is too

    def work(self, context: bpy.types.Context) -> str:
        """Do the step; the sentence returned is shown."""
        raise NotImplementedError

    def execute(self, context: bpy.types.Context) -> set[str]:
        # What is selected and painted in Edit Mode reaches the mesh only when that mode is left.
        mode = context.mode
        if mode == "EDIT_MESH":
            bpy.ops.object.mode_set(mode="OBJECT")
        try:
            return self._tried(context)
        finally:
            if mode == "EDIT_MESH" and context.active_object is not None:
                bpy.ops.object.mode_set(mode="EDIT")

    def _tried(self, context: bpy.types.Context) -> set[str]:
        before = Snapshot(context)
        try:
            said = self.work(context)
        except InputError as problem:
            return self._refused(context, before, problem)
        self.report({"INFO"}, said)
        return {"FINISHED"}

    def _refused(self, context: bpy.types.Context, before: Snapshot, problem: InputError) -> set[str]:
        before.restore(context)
        self.report({"ERROR"}, str(problem))
        return {"CANCELLED"}


class LongOperator(JobOperator):
    """An operator in pieces: with a window it shows how far it is, and Esc takes everything back.

    Nothing else in the scene can be changed meanwhile; the window goes on drawing.
    """

    def steps(self, context: bpy.types.Context) -> Steps:
        """Do the step, piece by piece."""
        raise NotImplementedError

    def work(self, context: bpy.types.Context) -> str:
        steps = self.steps(context)
        while True:
            try:
                next(steps)
            except StopIteration as end:
                return str(end.value)

    def execute(self, context: bpy.types.Context) -> set[str]:
        if bpy.app.background or context.window is None:
            return super().execute(context)
        if context.mode == "EDIT_MESH":
            bpy.ops.object.mode_set(mode="OBJECT")
        self._before = Snapshot(context)
        self._steps = self.steps(context)
        self._timer = context.window_manager.event_timer_add(0.05, window=context.window)
        context.window_manager.progress_begin(0.0, 1.0)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """One piece a tick of the timer."""
        if event.type == "ESC":
            self._close(context)
            return self._refused(context, self._before, InputError("Cancelled; the scene is as it was."))
        if event.type != "TIMER":
            return {"RUNNING_MODAL"}
        try:
            share, doing = next(self._steps)
        except StopIteration as end:
            self._ended(context)
            self.report({"INFO"}, str(end.value))
            return {"FINISHED"}
        except InputError as problem:
            self._ended(context)
            return self._refused(context, self._before, problem)
        except BaseException as problem:
            self._ended(context)
            self._refused(context, self._before, InputError(f"Something went wrong inside Wingfettle: {problem!r}"))
            raise
        context.window_manager.progress_update(share)
        context.workspace.status_text_set(f"{doing[:1].upper()}{doing[1:]}: {100.0 * share:.0f} %   Esc: cancel")
        return {"RUNNING_MODAL"}

    def cancel(self, context: bpy.types.Context) -> None:
        """Blender's own end of it: another file is opened, or the window closes."""
        self._close(context)
        self._given_up(context)

    def _close(self, context: bpy.types.Context) -> None:
        try:
            self._steps.close()
        finally:
            self._ended(context)

    def _given_up(self, context: bpy.types.Context) -> None:
        """Leave nothing behind in a scene that stays."""
        if context.view_layer is not None:
            self._before.restore(context)

    def _ended(self, context: bpy.types.Context) -> None:
        context.window_manager.event_timer_remove(self._timer)
        context.window_manager.progress_end()
        if context.workspace is not None:  # there is none while a file is being opened
            context.workspace.status_text_set(None)


class BackgroundOperator(LongOperator):
    """A long operator beside which the scene stays usable: what it answers holds for the scene as it was at its start.

    Its pieces make nothing in the scene before the last one.
    """

    _running = ""
    bl_label: str

    def execute(self, context: bpy.types.Context) -> set[str]:
        if BackgroundOperator._running:
            self.report({"WARNING"}, f"“{BackgroundOperator._running}” goes on; wait for it, or stop it with Esc.")
            return {"CANCELLED"}
        started = super().execute(context)
        BackgroundOperator._running = self.bl_label if started == {"RUNNING_MODAL"} else ""
        return started

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """One piece a tick of the timer; all other events go on to where they belong."""
        if event.type not in {"ESC", "TIMER"}:
            return {"PASS_THROUGH"}
        done = super().modal(context, event)
        return {"PASS_THROUGH"} if done == {"RUNNING_MODAL"} else done

    def _ended(self, context: bpy.types.Context) -> None:
        BackgroundOperator._running = ""
        super()._ended(context)

    def _given_up(self, context: bpy.types.Context) -> None:
        """Its pieces have made nothing, and what the user did meanwhile is the user's."""

    def _refused(self, context: bpy.types.Context, before: Snapshot, problem: InputError) -> set[str]:
        if before is getattr(self, "_before", None):  # what the user did meanwhile is the user's
            self.report({"ERROR"}, str(problem))
            return {"CANCELLED"}
        return super()._refused(context, before, problem)


class _Stopped(Exception):
    """Raised inside a task in the background to end it."""


def aside(task: Callable[..., Any], *args: Any, low: float, high: float) -> Generator[tuple[float, str], None, Any]:
    """Run ``task(*args, tick=...)`` beside Blender and pass on how far it is, between ``low`` and ``high``.

    The task works on arrays only, never on Blender's data. Closing the generator ends it at its next tick.
    """
    told: list[Any] = [low, "Working"]
    ended: dict[str, Any] = {}
    stop, ready = threading.Event(), threading.Event()

    def tick(share: float, doing: str) -> None:
        told[:] = low + share * (high - low), doing
        if stop.is_set():
            raise _Stopped

    def run() -> None:
        try:
            ended["value"] = task(*args, tick=tick)
        except BaseException as problem:
            ended["problem"] = problem
        ready.set()

    threading.Thread(target=run, daemon=True).start()
    try:
        while not ready.wait(0.02):
            yield told[0], told[1]
    finally:
        stop.set()
    if "problem" in ended:
        raise ended["problem"]
    return ended["value"]


class JobPanel:
    """A panel of the Wingfettle tab."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Wingfettle"


def say(layout: bpy.types.UILayout, text: str, icon: str = "NONE") -> None:
    """Write ``text`` over as many lines as the panel's width asks for; Blender cuts long labels short."""
    width = bpy.context.region.width if bpy.context.region is not None else 300
    column = layout.column(align=True)
    column.scale_y = 0.8
    for number, line in enumerate(textwrap.wrap(text, max(width // 8, 24))):
        column.label(text=line, icon=icon if number == 0 else "BLANK1" if icon != "NONE" else "NONE")
